//! Results → tables, SVG charts, one HTML page, spreadsheet, JSON.
//!
//! A [`Table`] is built once and written by thin formats: [`text`], [`csv`], the page, and
//! [`json`] for whole results. Rounding lives in [`mod@format`] and nowhere else.
//! [`files`] gives everything that `wearcast report` writes.

mod chart;
mod charts;
mod check;
mod csv;
mod detail_tables;
mod files;
pub mod format;
mod json;
mod order_words;
mod page;
mod practice;
mod practice_charts;
mod safety;
#[cfg(test)]
mod sample;
mod spreadsheet;
pub mod stock_tables;
mod table;
pub mod tables;
mod text;
mod validation;

pub use chart::Svg;
pub use check::{
    NearNameSums, ProblemGroup, Sums, check, lives_by_part, lives_in_short, near_name_sums,
    near_names, positions_not_told, problem_groups, reset_lines, sums_by_part,
};
pub use csv::csv;
pub use files::{ReportError, answer, files, outlook, results};
pub use json::{json, json_of_work};
pub use practice::{machine_spread, practice_tables};
pub use safety::{SAFETY, SAFETY_IN_SHORT};
pub use table::*;
pub use text::{text, wrapped};
pub use validation::validation;
