//! Records → lives as a user runs it: every rule on a tiny export written by hand, with the lives
//! derived by hand, and the commands `new`, `check` and `lives`.

mod commands;
mod folder;
mod rules;
