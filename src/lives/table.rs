//! A lives file as columns: what `fit`, `compare` and `curve` read.

use super::Observations;

/// Values of one further column (a group or a covariate).
#[derive(Debug, Clone, PartialEq)]
pub enum ColumnValues {
    /// Every value that is there is a number; NaN stands for an empty cell.
    Numbers(Vec<f64>),
    /// Text: `codes` index into `levels` (sorted, distinct); `u32::MAX` stands for an empty cell.
    Text {
        /// Distinct values, sorted.
        levels: Vec<String>,
        /// One code a life.
        codes: Vec<u32>,
    },
}

/// A named column.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedColumn {
    /// Heading in the file.
    pub name: String,
    /// Values, one a life.
    pub values: ColumnValues,
}

/// Lives as columns of equal length.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LivesTable {
    /// The numbers the models read.
    pub observations: Observations,
    /// All further columns in file order, `part` and `machine` among them.
    pub columns: Vec<NamedColumn>,
}
