//! What makes a fleet folder unusable as a whole.

use std::path::PathBuf;

use super::RowRef;

/// An error that stops reading; single bad rows of an export become
/// [`Problem`](super::Problem)s instead.
#[derive(Debug, thiserror::Error)]
pub enum RecordsError {
    /// A file could not be read.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Something in `fleet.toml` is not allowed.
    #[error("{file}, {key}: {what}")]
    Setting {
        /// The settings file.
        file: String,
        /// Which key, with its table.
        key: String,
        /// What is wrong and what is allowed, as a sentence.
        what: String,
    },
    /// A file as a whole does not hold what it should.
    #[error("{file}: {what}")]
    Table {
        /// File, with its sheet.
        file: String,
        /// What is wrong and what to do, as a sentence.
        what: String,
    },
    /// A cell of a file that the user keeps for this program (the schedule) is not usable.
    #[error("{row}, column \"{column}\": found {found}, allowed is {allowed}")]
    Cell {
        /// Where.
        row: Box<RowRef>,
        /// Column heading.
        column: String,
        /// What stood there.
        found: String,
        /// What would be allowed.
        allowed: String,
    },
    /// Rows were set aside although none may be.
    #[error("{count} rows were set aside and strict reading was asked for; the first: {first}")]
    SetAside {
        /// How many.
        count: u64,
        /// The first of them, as a sentence.
        first: String,
    },
}
