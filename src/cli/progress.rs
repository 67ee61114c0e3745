//! How far the work is, on stderr: only on a terminal, only for work of more than a second, and
//! gone when the answer comes.

use std::io::IsTerminal;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::analysis::Watch;

/// Work that is over by then shows nothing.
const PATIENCE: Duration = Duration::from_secs(1);
/// How often what is shown is brought up to date.
const TICK: Duration = Duration::from_millis(200);

/// News from the work.
struct News {
    share: f64,
    next: &'static str,
}

/// Shows how far the work is until it is dropped.
pub(super) struct Progress {
    news: Option<Sender<News>>,
    shown_by: Option<JoinHandle<()>>,
}

impl Progress {
    /// Shows nothing at all: with `--quiet`, in tests, where stderr is no terminal.
    pub(super) fn silent() -> Self {
        Self {
            news: None,
            shown_by: None,
        }
    }

    /// On stderr, where that is a terminal.
    pub(super) fn on_terminal() -> Self {
        if !std::io::stderr().is_terminal() {
            return Self::silent();
        }
        let (sender, receiver) = channel();
        Self {
            news: Some(sender),
            shown_by: Some(std::thread::spawn(move || show(&receiver))),
        }
    }
}

impl Watch for Progress {
    fn reached(&self, share: f64, next: &'static str) {
        if let Some(news) = &self.news {
            // Nobody listens any more only when the program is about to end.
            let _ = news.send(News { share, next });
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.news = None;
        if let Some(thread) = self.shown_by.take() {
            let _ = thread.join();
        }
    }
}

fn show(news: &Receiver<News>) {
    let began = Instant::now();
    let mut last = News {
        share: 0.0,
        next: "working",
    };
    let mut bar: Option<ProgressBar> = None;
    loop {
        match news.recv_timeout(TICK) {
            Ok(newer) => last = newer,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        let spent = began.elapsed();
        if spent < PATIENCE {
            continue;
        }
        let bar = bar.get_or_insert_with(new_bar);
        bar.set_position((last.share * 1000.0) as u64);
        bar.set_message(words(last.next, last.share, spent));
        bar.tick();
    }
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
}

fn new_bar() -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(1000), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template("{bar:24} {msg}") {
        bar.set_style(style.progress_chars("━╸ "));
    }
    bar
}

/// What is being done, and how long it may still take by what it took so far.
fn words(next: &str, share: f64, spent: Duration) -> String {
    if share < 0.05 {
        return next.to_owned();
    }
    let left = spent.as_secs_f64() * (1.0 - share) / share;
    let left = if left < 1.5 {
        "about a second".to_owned()
    } else if left < 90.0 {
        format!("about {left:.0} s")
    } else {
        format!("about {:.0} min", left / 60.0)
    };
    format!("{next}, {left} left")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_by_what_it_took() {
        let spent = Duration::from_secs(10);
        assert_eq!(words("looking ahead", 0.0, spent), "looking ahead");
        assert_eq!(
            words("looking ahead", 0.5, spent),
            "looking ahead, about 10 s left"
        );
        assert_eq!(words("charts", 0.95, spent), "charts, about a second left");
        assert_eq!(words("charts", 0.05, spent), "charts, about 3 min left");
    }

    #[test]
    fn silence_is_silent_and_ends() {
        let progress = Progress::silent();
        progress.reached(0.5, "half");
        drop(progress);
    }
}
