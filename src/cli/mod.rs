//! Arguments, messages, exit codes; nothing else prints.
//!
//! A command is a file with its clap arguments and a function from those to a [`Reply`]; clap
//! types stop here. The one place that writes to the terminal is [`run`].

mod check;
mod compare;
mod completions;
mod curve;
mod curve_kinds;
mod directory;
mod dress;
mod error;
mod family;
mod files;
mod fit;
mod fit_text;
mod fleet_args;
mod forecast;
mod lives;
mod lives_input;
mod manual;
mod new;
mod not_given;
mod practice;
mod progress;
mod report;
mod stock;
mod validate;
mod what_if;

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use error::CliError;
use progress::Progress;

/// What a command has to say once it is done.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reply {
    /// For stdout: text for people, or exactly one JSON document.
    pub stdout: String,
    /// For stderr: remarks that are not part of the answer (files written, columns matched).
    pub remarks: Vec<String>,
    /// Parts for which what was asked could not be given, each with its reason; any makes the exit code 1.
    pub not_given: Vec<String>,
}

impl Reply {
    /// An answer with nothing more to say.
    pub fn text(stdout: impl Into<String>) -> Self {
        Self {
            stdout: stdout.into(),
            ..Self::default()
        }
    }

    /// The answer, without something that was asked for, which is named.
    fn without(self, not_given: Vec<String>) -> Self {
        Self { not_given, ..self }
    }
}

#[derive(Debug, Parser)]
#[command(
    name = "wearcast",
    version,
    about = "How long wear parts last here, and what to order by when",
    after_help = "Example: wearcast report examples/evaporator-crew -o report\n\n\
                  Exit codes: 0 done; 1 done, but something asked for could not be given (named); \
                  2 wrong usage or unusable input; 3 could not read or write."
)]
struct Cli {
    /// Say nothing on stderr but errors.
    #[arg(long, short, global = true)]
    quiet: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Start a fleet folder.
    New(new::NewArgs),
    /// Say what is wrong with the records and what will be used.
    Check(check::CheckArgs),
    /// Turn records into lives.
    Lives(lives::LivesArgs),
    /// Fit life models.
    Fit(fit::FitArgs),
    /// Compare lives between groups.
    Compare(compare::CompareArgs),
    /// Model-free reliability curve.
    Curve(curve::CurveArgs),
    /// Remaining life of fitted parts, and parts needed per job.
    Forecast(forecast::ForecastArgs),
    /// What to order by when, what to carry, what to change first.
    Stock(stock::StockArgs),
    /// All of it as a page with charts and tables.
    Report(report::ReportArgs),
    /// Score past forecasts against what followed (not built yet).
    #[command(hide = true)]
    Backtest {
        /// Fleet folder.
        dir: Option<std::path::PathBuf>,
    },
    /// Refit published examples and show ours beside theirs.
    Validate(validate::ValidateArgs),
    /// Completion of commands and options by the Tab key, for a shell.
    Completions(completions::CompletionsArgs),
    /// The manual page.
    Man(manual::ManArgs),
}

/// Runs one command line without touching the terminal.
///
/// # Errors
/// Wrong usage, unusable input, or a file that cannot be read or written, as a [`CliError`] that
/// knows its exit code. `--help` and `--version` come as [`CliError::Clap`] too.
pub fn reply(args: impl IntoIterator<Item = OsString>) -> Result<Reply, CliError> {
    answer(&Cli::try_parse_from(args)?, &Progress::silent())
}

/// Leaves what has been answered from to the end of the program, which is near: giving back a large fleet piece by
/// piece would only keep its user waiting.
fn left_to_the_end<T>(done: T) {
    std::mem::forget(done);
}

fn answer(cli: &Cli, progress: &Progress) -> Result<Reply, CliError> {
    let mut reply = match &cli.command {
        Command::New(args) => new::run(args),
        Command::Check(args) => check::run(args),
        Command::Lives(args) => lives::run(args),
        Command::Fit(args) => fit::run(args, progress),
        Command::Compare(args) => compare::run(args, progress),
        Command::Curve(args) => curve::run(args),
        Command::Forecast(args) => forecast::run(args, progress),
        Command::Stock(args) => stock::run(args, progress),
        Command::Report(args) => report::run(args, progress),
        Command::Backtest { .. } => Err(CliError::NotBuilt("backtest")),
        Command::Validate(args) => validate::run(args, progress),
        Command::Completions(args) => Ok(completions::run(args)),
        Command::Man(args) => manual::run(args),
    }?;
    if cli.quiet {
        reply.remarks.clear();
    }
    Ok(reply)
}

/// The answer, with how far the work is on stderr and its text dressed where stdout is a terminal.
fn on_terminal(args: impl IntoIterator<Item = OsString>) -> Result<Reply, CliError> {
    let cli = Cli::try_parse_from(args)?;
    let progress = if cli.quiet {
        Progress::silent()
    } else {
        Progress::on_terminal()
    };
    let mut reply = answer(&cli, &progress)?;
    drop(progress);
    if dress::wanted() && !reply.stdout.starts_with('{') {
        reply.stdout = dress::dressed(&reply.stdout);
    }
    Ok(reply)
}

/// Runs one command line on the terminal: answers on stdout, everything else on stderr.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let reply = match on_terminal(args) {
        Ok(reply) => reply,
        Err(error) => return ExitCode::from(error.tell()),
    };
    let mut stderr = std::io::stderr().lock();
    for remark in &reply.remarks {
        let _ = writeln!(stderr, "{remark}");
    }
    let mut stdout = std::io::stdout().lock();
    let written = stdout
        .write_all(reply.stdout.as_bytes())
        .and_then(|()| stdout.flush());
    match written {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            let _ = writeln!(stderr, "wearcast: cannot write to standard output: {error}");
            return ExitCode::from(3);
        }
        _ => {}
    }
    for missing in &reply.not_given {
        let _ = writeln!(stderr, "wearcast: {missing}");
    }
    ExitCode::from(u8::from(!reply.not_given.is_empty()))
}

/// The commands that help, completions and manual pages show.
fn shown(program: &clap::Command) -> impl Iterator<Item = &clap::Command> {
    program.get_subcommands().filter(|c| !c.is_hide_set())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn every_command_shows_an_example_in_its_help() {
        Cli::command().debug_assert();
        for command in shown(&Cli::command()) {
            let help = command
                .get_after_help()
                .map(ToString::to_string)
                .unwrap_or_default();
            let example = format!("wearcast {}", command.get_name());
            assert!(
                help.contains("Example") && help.contains(&example),
                "{}: {help}",
                command.get_name()
            );
        }
    }

    #[test]
    fn answers_fit_eighty_columns() -> Result<(), CliError> {
        use unicode_width::UnicodeWidthStr;
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
        let words = |words: &[&str]| words.iter().map(OsString::from).collect::<Vec<_>>();
        let fleet = || vec![root.join("examples/evaporator-crew").into_os_string()];
        let mut lines = vec![words(&[
            "wearcast",
            "validate",
            "ball_bearings",
            "freireich_6mp",
            "--all",
        ])];
        for command in ["check", "lives", "fit", "curve"] {
            lines.push([words(&["wearcast", command]), fleet()].concat());
        }
        for by in [["--by", "machine"], ["--practice", "tension"]] {
            let compare = words(&["wearcast", "compare", by[0], by[1]]);
            lines.push([compare, fleet()].concat());
        }
        for line in lines {
            let shown = format!("{line:?}");
            let text = reply(line)?.stdout;
            let widest = text
                .lines()
                .max_by_key(|line| line.width())
                .unwrap_or_default();
            assert!(
                !text.is_empty() && widest.width() <= 80,
                "{shown}: {widest}"
            );
        }
        Ok(())
    }

    #[test]
    fn the_examples_are_command_lines_that_parse() {
        for command in shown(&Cli::command()) {
            let help = command
                .get_after_help()
                .map(ToString::to_string)
                .unwrap_or_default();
            for line in help.lines() {
                let Some(at) = line.find("wearcast ") else {
                    continue;
                };
                let words = line[at..].split(['>', '&']).next().unwrap_or_default();
                if !line.trim_start().starts_with("Example")
                    && !line.trim_start().starts_with("wearcast")
                {
                    continue;
                }
                let words = words.split_whitespace().map(OsString::from);
                if let Err(error) = Cli::try_parse_from(words) {
                    assert!(!error.use_stderr(), "{line}: {error}");
                }
            }
        }
    }
}
