//! One file entry of `fleet.toml`, opened: its table, its columns, and how its dates and numbers
//! are written.

use std::path::{Component, Path, PathBuf};

use super::columns::{Columns, Wanted};
use super::dates::DateColumn;
use super::fleet_file::Source;
use super::numbers::{DecimalMark, is_not_told};
use super::text::{list, quoted, shown};
use super::text_table::{Kind, TextTable};
use super::{FLEET_FILE, Problem, RecordsError, RowRef, delimited, parquet, spreadsheet};
use jiff::civil::Date;

/// A file entry, opened.
pub(super) struct Opened {
    pub(super) table: TextTable,
    pub(super) columns: Columns,
    pub(super) source: Source,
}

impl Opened {
    /// Opens the file that an entry names and finds its columns.
    pub(super) fn new(dir: &Path, source: Source, wanted: &[Wanted]) -> Result<Self, RecordsError> {
        let table = table(dir, &source)?;
        let columns = Columns::find(&table, wanted, &source.columns, source.header_row)?;
        Ok(Self {
            table,
            columns,
            source,
        })
    }

    /// What was settled without being told.
    pub(super) fn notes(&self) -> Vec<String> {
        self.table
            .notes
            .iter()
            .chain(&self.columns.note)
            .cloned()
            .collect()
    }

    /// Rows below the headings.
    pub(super) fn rows(&self) -> std::ops::Range<usize> {
        self.columns.data_rows(&self.table)
    }

    /// Text of a key's cell; empty where the file has no such column.
    pub(super) fn text(&self, row: usize, key: &str) -> &str {
        self.columns
            .get(key)
            .map_or("", |column| self.table.cell(row, column))
    }

    /// A day from a cell: as the column's texts are written, or as the spreadsheet keeps it.
    pub(super) fn date(&self, row: usize, key: &str, dates: &mut DateColumn) -> Option<Date> {
        let column = self.columns.get(key)?;
        self.day(
            self.table.cell(row, column),
            self.table.kind(row, column),
            dates,
        )
    }

    /// [`Self::date`] of a cell at hand.
    pub(super) fn day(&self, text: &str, kind: Kind, dates: &mut DateColumn) -> Option<Date> {
        match kind {
            Kind::Date => text.parse().ok().map(|day: Date| {
                if self.source.swapped() {
                    swapped(day).unwrap_or(day)
                } else {
                    day
                }
            }),
            Kind::Number if self.table.is_spreadsheet => dates
                .read(text)
                .or_else(|| spreadsheet::serial_day(text.parse().ok()?, self.table.from_1904)),
            _ => dates.read(text),
        }
    }

    /// A number cell: `Ok(None)` when nothing is told, `Err` when it is no number.
    pub(super) fn number(
        &self,
        row: usize,
        key: &str,
        mark: DecimalMark,
    ) -> Result<Option<f64>, ()> {
        let Some(column) = self.columns.get(key) else {
            return Ok(None);
        };
        number(
            self.table.cell(row, column),
            self.table.kind(row, column),
            mark,
        )
    }

    /// A problem with one cell of a row.
    pub(super) fn problem(
        &self,
        row: usize,
        key: &str,
        code: &str,
        allowed: &str,
        advice: &str,
    ) -> Problem {
        Problem {
            code: code.into(),
            disposition: super::Disposition::SetAside,
            rows: vec![self.table.row_ref(row)],
            column: Some(self.columns.heading(key).into()),
            found: Some(quoted(self.text(row, key)).into()),
            allowed: (!allowed.is_empty()).then(|| allowed.into()),
            advice: advice.into(),
        }
    }

    /// An error about one cell.
    pub(super) fn cell_error(
        &self,
        row: usize,
        key: &str,
        allowed: impl Into<String>,
    ) -> RecordsError {
        RecordsError::Cell {
            row: Box::new(self.table.row_ref(row)),
            column: self.columns.heading(key),
            found: quoted(self.text(row, key)),
            allowed: allowed.into(),
        }
    }

    /// An error about the file as a whole.
    pub(super) fn refuse(&self, what: String) -> RecordsError {
        RecordsError::Table {
            file: self.table.name(),
            what,
        }
    }

    /// Where a row stood.
    pub(super) fn row_ref(&self, row: usize) -> RowRef {
        self.table.row_ref(row)
    }

    /// Cells beyond the last heading, which say that a row is not cut as the others.
    pub(super) fn overflows(&self, row: usize) -> bool {
        (self.columns.headings.len()..self.table.width(row))
            .any(|c| !self.table.cell(row, c).is_empty())
    }
}

/// A number cell: `Ok(None)` when nothing is told, `Err` when it is no number.
pub(super) fn number(text: &str, kind: Kind, mark: DecimalMark) -> Result<Option<f64>, ()> {
    if is_not_told(text) {
        return Ok(None);
    }
    let mark = if kind == Kind::Number {
        DecimalMark::Dot
    } else {
        mark
    };
    mark.read(text).map(Some).ok_or(())
}

/// Reads the file of an entry, by its ending.
fn table(dir: &Path, source: &Source) -> Result<TextTable, RecordsError> {
    let path = inside(dir, &source.file, source.section)
        .map_err(|error| named_in(error, source.section))?;
    let refuse = |what: String| RecordsError::Table {
        file: shown(&source.file),
        what,
    };
    let delimiter = match source.delimiter.as_deref() {
        None => None,
        Some("tab" | "\t") => Some(b'\t'),
        Some(text)
            if text.len() == 1 && text.is_ascii() && !text.starts_with(['"', '\n', '\r']) =>
        {
            Some(text.as_bytes()[0])
        }
        Some(text) => {
            return Err(refuse(format!(
                "delimiter = {}, allowed is one character such as \",\" or \";\", or \"tab\"",
                quoted(text)
            )));
        }
    };
    read_file(&path, &source.file, source.sheet.as_deref(), delimiter)
}

/// Reads a file of any kind, by its ending.
pub(super) fn read_file(
    path: &Path,
    name: &str,
    sheet: Option<&str>,
    delimiter: Option<u8>,
) -> Result<TextTable, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: shown(name),
        what,
    };
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    match ending.as_str() {
        "xlsx" | "xlsm" => spreadsheet::read(path, name, sheet, false),
        "ods" => spreadsheet::read(path, name, sheet, true),
        _ if sheet.is_some() => Err(refuse(
            "sheet = … is for spreadsheets; this file has none".into(),
        )),
        "parquet" => parquet::read(path, name),
        "tsv" => delimited::read(path, name, delimiter.or(Some(b'\t'))),
        "csv" | "txt" | "tab" => delimited::read(path, name, delimiter),
        _ => Err(refuse(format!(
            "the ending .{} is not read; allowed are {}",
            shown(&ending),
            list(["csv", "tsv", "txt", "xlsx", "xlsm", "ods", "parquet"])
        ))),
    }
}

/// The path of a file named in `fleet.toml`. It may lead out of the folder where the user wrote so,
/// not through a link.
fn inside(dir: &Path, file: &str, section: &str) -> Result<PathBuf, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: shown(file),
        what,
    };
    if file.trim().is_empty() {
        return Err(RecordsError::Setting {
            file: FLEET_FILE.to_owned(),
            key: format!("{section}, file"),
            what: "found nothing, allowed is the name of a file".into(),
        });
    }
    let path = dir.join(file);
    let io = |source| RecordsError::Read {
        path: path.clone(),
        source,
    };
    let real = path.canonicalize().map_err(io)?;
    let written_so = Path::new(file)
        .components()
        .any(|c| !matches!(c, Component::Normal(_) | Component::CurDir));
    if !written_so && !real.starts_with(dir.canonicalize().map_err(io)?) {
        return Err(refuse(format!(
            "it is a link that leads out of the folder, to {}; name that path itself if it is meant",
            shown(&real.to_string_lossy())
        )));
    }
    if !real.metadata().map_err(io)?.is_file() {
        return Err(refuse("it is a folder or a device, not a file".into()));
    }
    Ok(real)
}

/// A missing file is looked for in `fleet.toml` first.
fn named_in(error: RecordsError, section: &str) -> RecordsError {
    match error {
        RecordsError::Read { path, source } if source.kind() == std::io::ErrorKind::NotFound => {
            RecordsError::Read {
                path,
                source: std::io::Error::new(
                    std::io::ErrorKind::NotFound,
                    format!("there is no such file; {section} in fleet.toml names it"),
                ),
            }
        }
        other => other,
    }
}

/// Day and month the other way round.
fn swapped(day: Date) -> Option<Date> {
    Date::new(day.year(), day.day(), day.month()).ok()
}
