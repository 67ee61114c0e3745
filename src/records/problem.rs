//! Rows that could not be used as they stand, and where a record came from.

use serde::Serialize;

/// Where a value stood in the user's files.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct RowRef {
    /// File as named in `fleet.toml`.
    pub file: String,
    /// Sheet, for spreadsheets.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// Row as a spreadsheet program numbers it: the first line of the file is 1.
    pub row: u32,
}

impl std::fmt::Display for RowRef {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.sheet {
            Some(sheet) => write!(f, "{} [{}] row {}", self.file, sheet, self.row),
            None => write!(f, "{} row {}", self.file, self.row),
        }
    }
}

/// What became of a row that has a problem.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Disposition {
    /// Left out of every calculation.
    SetAside,
    /// Counted once together with an identical row.
    Merged,
    /// Used, but worth a look.
    Flagged,
}

/// One thing wrong with one row, in words a planner can act on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Short stable name of the kind of problem, for grouping (`unknown_reason`, `unreadable_date`…).
    pub code: String,
    /// What happened to the row.
    pub disposition: Disposition,
    /// The row, and for pairs (duplicates, a meter going backwards) the other row too.
    pub rows: Vec<RowRef>,
    /// Column, as the export names it.
    pub column: Option<String>,
    /// What stood there.
    pub found: Option<String>,
    /// What would have been allowed.
    pub allowed: Option<String>,
    /// What to do about it, as a sentence.
    pub advice: String,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (index, row) in self.rows.iter().take(3).enumerate() {
            write!(f, "{}{row}", if index == 0 { "" } else { " and " })?;
        }
        if self.rows.len() > 3 {
            write!(f, " and {} more", self.rows.len() - 3)?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column \"{column}\"")?;
        }
        if let Some(found) = &self.found {
            write!(f, ": found {found}")?;
        }
        if let Some(allowed) = &self.allowed {
            write!(f, ", allowed is {allowed}")?;
        }
        write!(f, ". {}", self.advice)
    }
}

/// Rows in = used + merged + set aside, for one file or for all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct RowCounts {
    /// Data rows read (header, blank and preamble lines not counted).
    pub rows_in: u64,
    /// Rows that went into a calculation.
    pub used: u64,
    /// Exact duplicates counted with another row.
    pub merged: u64,
    /// Rows left out, each with its reason.
    pub set_aside: u64,
}
