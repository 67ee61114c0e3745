//! Results → tables, SVG charts, one HTML page, spreadsheet, JSON.
//!
//! A [`Table`] is built once and written by thin formats: [`text`], [`csv`], [`json`] for whole
//! results. Rounding lives in [`mod@format`] and nowhere else.

mod chart;
mod csv;
pub mod format;
mod json;
mod safety;
mod table;
mod text;
mod validation;

pub use chart::Svg;
pub use csv::csv;
pub use json::json;
pub use safety::SAFETY;
pub use table::*;
pub use text::{text, wrapped};
pub use validation::validation;
