//! Arguments, messages, exit codes; nothing else prints.
//!
//! A command is a file with its clap arguments and a function from those to a [`Reply`]; clap
//! types stop here. The one place that writes to the terminal is [`run`].

mod check;
mod compare;
mod curve;
mod directory;
mod error;
mod family;
mod files;
mod fit;
mod fit_text;
mod fleet_args;
mod forecast;
mod lives;
mod lives_input;
mod new;
mod practice;
mod report;
mod stock;
mod validate;
mod what_if;

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use error::CliError;

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
}

#[derive(Debug, Parser)]
#[command(
    name = "wearcast",
    version,
    about = "How long wear parts last here, and what to order by when",
    after_help = "Exit codes: 0 done; 1 done, but something asked for could not be given (named); \
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
}

/// Runs one command line without touching the terminal.
///
/// # Errors
/// Wrong usage, unusable input, or a file that cannot be read or written, as a [`CliError`] that
/// knows its exit code. `--help` and `--version` come as [`CliError::Clap`] too.
pub fn reply(args: impl IntoIterator<Item = OsString>) -> Result<Reply, CliError> {
    let cli = Cli::try_parse_from(args)?;
    let mut reply = match &cli.command {
        Command::New(args) => new::run(args),
        Command::Check(args) => check::run(args),
        Command::Lives(args) => lives::run(args),
        Command::Fit(args) => fit::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Curve(args) => curve::run(args),
        Command::Forecast(args) => forecast::run(args),
        Command::Stock(args) => stock::run(args),
        Command::Report(args) => report::run(args),
        Command::Backtest { .. } => Err(CliError::NotBuilt("backtest")),
        Command::Validate(args) => validate::run(args),
    }?;
    if cli.quiet {
        reply.remarks.clear();
    }
    Ok(reply)
}

/// Runs one command line on the terminal: answers on stdout, everything else on stderr.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let reply = match reply(args) {
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
