//! What can be wrong with a lives file.

use std::path::PathBuf;

/// A lives file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LivesFileError {
    /// The file could not be read at all.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file as a whole is not a lives file.
    #[error("{}: {what}", path.display())]
    Shape {
        /// Which file.
        path: PathBuf,
        /// What is wrong and what to do, as a sentence.
        what: String,
    },
    /// One cell holds something that is not allowed there.
    #[error("{} row {row}, column \"{column}\": found {found}, allowed is {allowed}", path.display())]
    Value {
        /// Which file.
        path: PathBuf,
        /// Row as a spreadsheet numbers it; the header is row 1.
        row: u64,
        /// Column heading.
        column: String,
        /// What stood there.
        found: String,
        /// What would have been allowed.
        allowed: &'static str,
    },
}
