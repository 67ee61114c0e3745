//! What can go wrong on the command line, with its exit code.

use std::io::Write;
use std::path::PathBuf;

use crate::lives::LivesFileError;
use crate::records::RecordsError;

/// An error that ends a command.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// clap's own: wrong usage, or `--help` and `--version`.
    #[error(transparent)]
    Clap(#[from] clap::Error),
    /// Arguments that clap cannot judge.
    #[error("{0}")]
    Usage(String),
    /// Input that cannot be used; the text names file, row, column, value and what to do.
    #[error("{0}")]
    Input(String),
    /// Asked for something that this version does not have.
    #[error("{0} is not built yet in this version")]
    NotBuilt(&'static str),
    /// A file that could not be read.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file that could not be written.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

impl From<RecordsError> for CliError {
    fn from(error: RecordsError) -> Self {
        match error {
            RecordsError::Read { path, source } => Self::Read { path, source },
            other => Self::Input(other.to_string()),
        }
    }
}

impl From<LivesFileError> for CliError {
    fn from(error: LivesFileError) -> Self {
        match error {
            LivesFileError::Read { path, source } => Self::Read { path, source },
            other => Self::Input(other.to_string()),
        }
    }
}

impl CliError {
    /// Exit code of the process: 2 for usage and unusable input, 3 for reading and writing.
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Clap(error) if !error.use_stderr() => 0,
            Self::Clap(_) | Self::Usage(_) | Self::Input(_) | Self::NotBuilt(_) => 2,
            Self::Read { .. } | Self::Write { .. } => 3,
        }
    }

    /// Tells the user on the terminal and gives the exit code.
    pub(super) fn tell(&self) -> u8 {
        if let Self::Clap(error) = self {
            let _ = error.print();
        } else {
            let _ = writeln!(std::io::stderr(), "wearcast: {self}");
        }
        self.exit_code()
    }
}
