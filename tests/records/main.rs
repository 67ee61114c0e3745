//! Records → lives as a user runs it: every rule on a tiny export written by hand, with the lives
//! derived by hand, and the commands `new`, `check` and `lives`.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on should stop")]
#![expect(clippy::panic, reason = "likewise, with words")]
#![expect(clippy::format_push_string, reason = "short texts in tests")]

mod commands;
mod dirty;
mod exports;
mod folder;
mod hostile;
mod rules;
mod truth;
#[path = "../fuzz/zipped.rs"]
mod zipped;
