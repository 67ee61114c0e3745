//! Results → tables, SVG charts, one HTML page, spreadsheet, JSON.

mod table;

pub use table::*;
