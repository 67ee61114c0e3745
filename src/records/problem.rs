//! Rows that could not be used as they stand, and where a record came from.

use serde::ser::{Serialize, SerializeStruct, Serializer};

use super::Text;
use super::shared::Source;

/// Where a value stood in the user's files.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct RowRef {
    source: Source,
    /// Row as a spreadsheet program numbers it: the first line of the file is 1.
    pub row: u32,
}

impl RowRef {
    /// A row of a file as named in `fleet.toml`, and of a sheet where it is a spreadsheet.
    pub fn new(file: impl Into<Text>, sheet: Option<Text>, row: u32) -> Self {
        Self {
            source: Source::new(file.into(), sheet),
            row,
        }
    }

    /// A row of a file at hand.
    pub(super) fn of(source: Source, row: u32) -> Self {
        Self { source, row }
    }

    /// Another row of the same file and sheet.
    pub(crate) fn beside(self, row: u32) -> Self {
        Self { row, ..self }
    }

    /// File as named in `fleet.toml`.
    pub fn file(self) -> Text {
        self.source.names().0
    }

    /// Sheet, for spreadsheets.
    pub fn sheet(self) -> Option<Text> {
        self.source.names().1
    }
}

impl PartialOrd for RowRef {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for RowRef {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        if self.source == other.source {
            return self.row.cmp(&other.row);
        }
        self.source
            .names()
            .cmp(&other.source.names())
            .then(self.row.cmp(&other.row))
    }
}

impl std::fmt::Display for RowRef {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.source.names() {
            (file, Some(sheet)) => write!(f, "{file} [{sheet}] row {}", self.row),
            (file, None) => write!(f, "{file} row {}", self.row),
        }
    }
}

impl std::fmt::Debug for RowRef {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "RowRef({self})")
    }
}

impl Serialize for RowRef {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (file, sheet) = self.source.names();
        let mut row = serializer.serialize_struct("RowRef", 3)?;
        row.serialize_field("file", &file)?;
        match sheet {
            Some(sheet) => row.serialize_field("sheet", &sheet)?,
            None => row.skip_field("sheet")?,
        }
        row.serialize_field("row", &self.row)?;
        row.end()
    }
}

/// What became of a row that has a problem.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
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
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Problem {
    /// Short stable name of the kind of problem, for grouping (`unknown_reason`, `unreadable_date`…).
    pub code: Text,
    /// What happened to the row.
    pub disposition: Disposition,
    /// The row, and for pairs (duplicates, a meter going backwards) the other row too.
    pub rows: Vec<RowRef>,
    /// Column, as the export names it.
    pub column: Option<Text>,
    /// What stood there.
    pub found: Option<Text>,
    /// What would have been allowed.
    pub allowed: Option<Text>,
    /// What to do about it, as a sentence.
    pub advice: Text,
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
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
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
