//! One table built once; text, CSV, HTML and spreadsheets are thin formats of it.

use jiff::civil::Date;

/// A cell, typed so that each format can write it its own way.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing there, or does not exist.
    Empty,
    /// Words.
    Text(String),
    /// A count.
    Count(u64),
    /// A number with the decimals worth showing.
    Number {
        /// Full value, for machines.
        value: f64,
        /// Decimals for people.
        decimals: u8,
    },
    /// A probability in [0, 1].
    Probability(f64),
    /// A day.
    Date(Date),
}

/// Where a column's cells stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Stable name for files (`order_by`).
    pub key: String,
    /// Heading for people (`Order by`), with the unit where one is needed.
    pub heading: String,
    /// Alignment.
    pub align: Align,
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Stable name for files and links (`orders`).
    pub key: String,
    /// Title for people.
    pub title: String,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows; each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// Notes under the table: assumptions, definitions.
    pub notes: Vec<String>,
}
