//! What the terminal gets beside the words: nothing where there is none, weight where there is one.

use std::io::Write;
use std::process::{Command, Output};

const PROGRAM: &str = env!("CARGO_BIN_EXE_wearcast");

fn run(args: &[&str]) -> Output {
    Command::new(PROGRAM).args(args).output().unwrap()
}

/// Runs a command line on a pseudo-terminal, by util-linux's `script`; `None` where there is none.
fn on_terminal(line: &str, no_color: bool) -> Option<String> {
    let mut script = Command::new("script");
    script
        .args([
            "-q",
            "-e",
            "-c",
            &format!("'{PROGRAM}' {line}"),
            "/dev/null",
        ])
        .env("TERM", "xterm")
        .env_remove("NO_COLOR");
    if no_color {
        script.env("NO_COLOR", "1");
    }
    match script.output() {
        Ok(out) => Some(String::from_utf8(out.stdout).unwrap()),
        Err(error) => {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "script: {error}"
            );
            let _ = writeln!(
                std::io::stderr(),
                "SKIPPED the terminal's dress: script: {error}"
            );
            None
        }
    }
}

#[test]
fn piped_text_is_plain_and_quiet_says_nothing_beside_the_answer() {
    let text = run(&["validate", "ball_bearings"]);
    assert!(!text.stdout.contains(&0x1b) && text.stderr.is_empty());
    let dir = tempfile::tempdir().unwrap();
    let to = dir.path().join("pages");
    let to = to.to_str().unwrap();
    let told = run(&["man", "-o", to]);
    assert!(String::from_utf8_lossy(&told.stderr).contains("written: "));
    assert!(run(&["--quiet", "man", "-o", to]).stderr.is_empty());
}

#[test]
fn a_terminal_gets_bold_headings_unless_no_colour_is_asked_for() {
    let (Some(dressed), Some(plain)) = (
        on_terminal("validate ball_bearings", false),
        on_terminal("validate ball_bearings", true),
    ) else {
        return;
    };
    assert!(
        dressed.contains("\u{1b}[1m") && dressed.contains("\u{1b}[2m─"),
        "{dressed}"
    );
    assert!(!plain.contains('\u{1b}'), "{plain}");
    let json = on_terminal("validate ball_bearings --json", false).unwrap();
    assert!(
        !json.contains('\u{1b}') && json.starts_with('{'),
        "{json:.200}"
    );
}
