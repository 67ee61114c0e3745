//! The report as a user gets it: written by the command line, opened in a real browser, read back
//! by other readers than the writers; and what the terminal gets.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on should stop")]
#![expect(clippy::panic, reason = "likewise, with words")]

#[path = "../browser/reader.rs"]
mod reader;

mod browser;
mod fleets;
mod hostile;
mod terminal;
mod workbook;
