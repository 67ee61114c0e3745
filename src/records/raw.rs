//! Rows as they stand in the user's files, for tracing a result back.

use std::path::Path;

use super::columns::RECORDS;
use super::opened::Opened;
use super::settings::fleet_file;
use super::{RecordsError, RowRef};

/// A row of an export, cell by cell.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct RawRow {
    /// Where it stands.
    pub row: RowRef,
    /// Heading and text of each cell that is not empty, in file order.
    pub cells: Vec<RawCell>,
}

/// One cell as it stands in the file.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct RawCell {
    /// Column heading.
    pub heading: String,
    /// What stands there.
    pub text: String,
}

/// Reads rows of the replacement exports again, as they stand. Rows that are in none of them are left out.
///
/// # Errors
/// As for [`Fleet::load`](super::Fleet::load): a file that cannot be read or has changed its columns.
pub fn raw_rows(dir: &Path, rows: &[RowRef]) -> Result<Vec<RawRow>, RecordsError> {
    let file = fleet_file(dir)?;
    let mut found = Vec::with_capacity(rows.len());
    for entry in &file.records {
        let here = |row: &&RowRef| {
            let sheet = row.sheet();
            row.file() == entry.file
                && (entry.sheet.is_none() || sheet.as_deref() == entry.sheet.as_deref())
        };
        let wanted: Vec<&RowRef> = rows.iter().filter(here).collect();
        if wanted.is_empty() {
            continue;
        }
        let opened = Opened::new(dir, entry.source(), &RECORDS)?;
        for index in opened.rows() {
            let row = opened.row_ref(index);
            if wanted.iter().any(|w| **w == row) {
                let cells = opened
                    .columns
                    .headings
                    .iter()
                    .enumerate()
                    .map(|(column, heading)| RawCell {
                        heading: heading.clone(),
                        text: opened.table.cell(index, column).to_owned(),
                    })
                    .filter(|cell| !cell.text.is_empty())
                    .collect();
                found.push(RawRow { row, cells });
            }
        }
    }
    found.sort_by_key(|r| rows.iter().position(|w| *w == r.row));
    Ok(found)
}
