//! Spreadsheets (.xlsx, .xlsm, .ods) → [`TextTable`], within bounded memory.

use std::collections::HashMap;
use std::io::Cursor;
use std::path::Path;

use calamine::{Data, DataRef, Ods, Reader, Xlsx};

use super::RecordsError;
use super::contents;
use super::package::{
    MAX_CELLS, MAX_COLUMNS, MAX_TEXT, MOST_BELOW, MergedDown, TOO_MANY_CELLS, TOO_MUCH_TEXT,
    look_inside,
};
use super::text::{list, quoted};
use super::text_table::{Kind, Rows, TextTable};

/// Most bytes a spreadsheet may unpack to.
const MAX_UNPACKED: u64 = 1 << 30;
/// Hours in a day: a duration cell counts days.
const HOURS_PER_DAY: f64 = 24.0;

/// Reads one sheet, the first when none is named.
pub(super) fn read(
    path: &Path,
    name: &str,
    sheet: Option<&str>,
    is_ods: bool,
) -> Result<TextTable, RecordsError> {
    let bytes = contents::read(path, name, MAX_UNPACKED)?;
    let package = look_inside(&bytes, name, is_ods, MAX_UNPACKED)?;
    let mut table = if is_ods {
        ods(&bytes, name, sheet, &package.merged)?
    } else {
        xlsx(&bytes, name, sheet)?
    };
    table.from_1904 = package.from_1904;
    table.is_spreadsheet = true;
    Ok(table)
}

fn xlsx(bytes: &[u8], name: &str, sheet: Option<&str>) -> Result<TextTable, RecordsError> {
    let broken = |error: calamine::XlsxError| broken(name, &error.to_string());
    let mut book: Xlsx<Cursor<&[u8]>> =
        calamine::open_workbook_from_rs(Cursor::new(bytes)).map_err(broken)?;
    let sheet = chosen(name, &book.sheet_names(), sheet)?;
    let merged = book.merge_cells_by_sheet_name(&sheet).map_err(broken)?;
    let mut cells = Placed::default();
    let mut reader = book.worksheet_cells_reader(&sheet).map_err(broken)?;
    while let Some(cell) = reader.next_cell().map_err(broken)? {
        let (row, column) = cell.get_position();
        if let Some((text, kind)) = of_ref(cell.get_value()) {
            cells
                .push(row, column, &text, kind)
                .map_err(|what| refused(name, what))?;
        }
    }
    // Cells merged downwards hold their value once for all their rows.
    let places: HashMap<(u32, u32), usize> = if merged.is_empty() {
        HashMap::new()
    } else {
        let places = cells.cells.iter().enumerate();
        places.map(|(at, c)| ((c.row, c.column), at)).collect()
    };
    let mut filled = 0_usize;
    for region in merged {
        let (top, left) = region.start;
        let below = region.end.0.saturating_sub(top);
        if let Some(&place) = places.get(&(top, left))
            && (1..=MOST_BELOW).contains(&u64::from(below))
        {
            for row in top + 1..=region.end.0 {
                cells
                    .repeat(place, row, left)
                    .map_err(|what| refused(name, what))?;
                filled += 1;
            }
        }
    }
    let rows = cells.into_rows().map_err(|what| refused(name, what))?;
    let mut table = TextTable::new(name, Some(&sheet), rows);
    note_filled(&mut table, filled);
    Ok(table)
}

/// A cell where it stands; its text is a stretch of the sheet's.
#[derive(Debug, Clone, Copy)]
struct PlacedCell {
    row: u32,
    column: u32,
    start: u32,
    len: u32,
    kind: Kind,
}

/// The filled cells of a sheet, in any order.
#[derive(Debug, Default)]
struct Placed {
    cells: Vec<PlacedCell>,
    text: String,
}

impl Placed {
    fn push(&mut self, row: u32, column: u32, text: &str, kind: Kind) -> Result<(), &'static str> {
        let start = self.text.len();
        if (start + text.len()) as u64 > MAX_TEXT {
            return Err(TOO_MUCH_TEXT);
        }
        self.text.push_str(text);
        self.add(PlacedCell {
            row,
            column,
            start: start as u32,
            len: text.len() as u32,
            kind,
        })
    }

    /// The same again in another place.
    fn repeat(&mut self, cell: usize, row: u32, column: u32) -> Result<(), &'static str> {
        match self.cells.get(cell) {
            Some(&cell) => self.add(PlacedCell {
                row,
                column,
                ..cell
            }),
            None => Ok(()),
        }
    }

    fn add(&mut self, cell: PlacedCell) -> Result<(), &'static str> {
        if cell.column >= MAX_COLUMNS || self.cells.len() as u64 >= MAX_CELLS {
            return Err(TOO_MANY_CELLS);
        }
        self.cells.push(cell);
        Ok(())
    }

    /// Rows of cells, empty ones put in; of two cells in one place the first stays.
    fn into_rows(mut self) -> Result<Rows, &'static str> {
        self.cells.sort_by_key(|c| (c.row, c.column));
        self.cells.dedup_by_key(|c| (c.row, c.column));
        let mut rows = Rows::default();
        let (mut cells, mut bytes) = (0_u64, 0_u64);
        for row in self.cells.chunk_by(|a, b| a.row == b.row) {
            let mut next_column = 0;
            for cell in row {
                for _ in next_column..cell.column {
                    rows.push_text("", Kind::Text);
                }
                let (start, len) = (cell.start as usize, cell.len as usize);
                let text = self.text.get(start..start + len).unwrap_or_default();
                rows.push_text(text, cell.kind);
                next_column = cell.column + 1;
                bytes += u64::from(cell.len);
            }
            cells += u64::from(next_column);
            if cells > MAX_CELLS {
                return Err(TOO_MANY_CELLS);
            }
            if bytes > MAX_TEXT {
                return Err(TOO_MUCH_TEXT);
            }
            rows.end_row(row[0].row.saturating_add(1));
        }
        Ok(rows)
    }
}

fn note_filled(table: &mut TextTable, filled: usize) {
    if filled > 0 {
        table.notes.push(format!(
            "{filled} cells of {} are merged with the one above and take its value.",
            table.name()
        ));
    }
}

fn ods(
    bytes: &[u8],
    name: &str,
    sheet: Option<&str>,
    merged: &[Vec<MergedDown>],
) -> Result<TextTable, RecordsError> {
    let broken = |error: calamine::OdsError| broken(name, &error.to_string());
    let mut book: Ods<Cursor<&[u8]>> =
        calamine::open_workbook_from_rs(Cursor::new(bytes)).map_err(broken)?;
    let names = book.sheet_names();
    let sheet = chosen(name, &names, sheet)?;
    let range = book.worksheet_range(&sheet).map_err(broken)?;
    let (first_row, first_column) = range.start().unwrap_or_default();
    let mut rows = Rows::default();
    // Cells merged downwards hold their value once for all their rows.
    let merged = names
        .iter()
        .position(|n| *n == sheet)
        .and_then(|at| merged.get(at));
    let mut from_above: HashMap<(u32, u32), (String, Kind)> = HashMap::new();
    for cell in merged.into_iter().flatten() {
        let value = range
            .get_value((cell.row, cell.column))
            .and_then(of_data)
            .filter(|(text, _)| !text.is_empty());
        if let Some(value) = value {
            for row in cell.row + 1..=cell.row.saturating_add(cell.below) {
                from_above.insert((row, cell.column), value.clone());
            }
        }
    }
    let mut filled = 0_usize;
    for (index, row) in range.rows().enumerate() {
        let number = first_row + index as u32;
        for _ in 0..first_column {
            rows.push_text("", Kind::Text);
        }
        for (at, cell) in row.iter().enumerate() {
            let column = first_column + at as u32;
            match (of_data(cell), from_above.get(&(number, column))) {
                (None, Some((text, kind))) => {
                    filled += 1;
                    rows.push_text(text, *kind);
                }
                (value, _) => {
                    let (text, kind) = value.unwrap_or_default();
                    rows.push_text(&text, kind);
                }
            }
        }
        rows.end_row(number + 1);
    }
    let mut table = TextTable::new(name, Some(&sheet), rows);
    note_filled(&mut table, filled);
    Ok(table)
}

/// The named sheet, or the first.
fn chosen(name: &str, sheets: &[String], wanted: Option<&str>) -> Result<String, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: name.to_owned(),
        what,
    };
    match wanted {
        None => sheets
            .first()
            .cloned()
            .ok_or_else(|| refuse("it has no sheet".into())),
        Some(wanted) => sheets
            .iter()
            .find(|s| s.trim() == wanted.trim())
            .cloned()
            .ok_or_else(|| {
                refuse(format!(
                    "it has no sheet {}; there are {}",
                    quoted(wanted),
                    list(sheets)
                ))
            }),
    }
}

fn of_ref(cell: &DataRef<'_>) -> Option<(String, Kind)> {
    match cell {
        DataRef::SharedString(text) => Some(((*text).to_owned(), Kind::Text)),
        DataRef::Int(n) => of_data(&Data::Int(*n)),
        DataRef::Float(n) => of_data(&Data::Float(*n)),
        DataRef::String(text) => Some((text.clone(), Kind::Text)),
        DataRef::Bool(b) => of_data(&Data::Bool(*b)),
        DataRef::DateTime(stamp) => of_data(&Data::DateTime(*stamp)),
        DataRef::DateTimeIso(text) => of_data(&Data::DateTimeIso(text.clone())),
        DataRef::DurationIso(text) => of_data(&Data::DurationIso(text.clone())),
        DataRef::Error(error) => of_data(&Data::Error(error.clone())),
        DataRef::Empty => None,
    }
}

fn of_data(cell: &Data) -> Option<(String, Kind)> {
    Some(match cell {
        Data::Int(n) => (n.to_string(), Kind::Number),
        Data::Float(n) => (n.to_string(), Kind::Number),
        Data::String(text) => (text.clone(), Kind::Text),
        Data::Bool(b) => (b.to_string(), Kind::Text),
        Data::DateTime(stamp) if stamp.is_duration() => {
            ((stamp.as_f64() * HOURS_PER_DAY).to_string(), Kind::Number)
        }
        Data::DateTime(stamp) => {
            let (year, month, day, ..) = stamp.to_ymd_hms_milli();
            (format!("{year:04}-{month:02}-{day:02}"), Kind::Date)
        }
        Data::DateTimeIso(text) => (text.get(..10).unwrap_or(text).to_owned(), Kind::Date),
        Data::DurationIso(text) => match iso_hours(text) {
            Some(hours) => (hours.to_string(), Kind::Number),
            None => (text.clone(), Kind::Text),
        },
        Data::Error(error) => (error.to_string(), Kind::Text),
        Data::Empty => return None,
    })
}

/// "PT512H30M0S" as hours.
fn iso_hours(text: &str) -> Option<f64> {
    let mut hours = 0.0;
    let mut rest = text.strip_prefix("PT")?;
    while !rest.is_empty() {
        let end = rest.find(|c: char| c.is_ascii_alphabetic())?;
        let value: f64 = rest[..end].parse().ok()?;
        hours += match rest.as_bytes()[end] {
            b'H' => value,
            b'M' => value / 60.0,
            b'S' => value / 3600.0,
            _ => return None,
        };
        rest = &rest[end + 1..];
    }
    Some(hours)
}

fn broken(name: &str, error: &str) -> RecordsError {
    RecordsError::Table {
        file: name.to_owned(),
        what: format!(
            "the spreadsheet cannot be read: {}",
            super::text::shown(error)
        ),
    }
}

fn refused(name: &str, what: &str) -> RecordsError {
    RecordsError::Table {
        file: name.to_owned(),
        what: what.to_owned(),
    }
}

/// The day that a spreadsheet's serial number stands for: days since 1899-12-30 (which makes 61 the
/// first of March 1900 in spite of the 29th of February 1900 that spreadsheets count), or since 1904-01-01.
pub(super) fn serial_day(serial: f64, from_1904: bool) -> Option<jiff::civil::Date> {
    // From 1954 to 2118 in the usual epoch; other numbers are no dates of records.
    if !(20_000.0..80_000.0).contains(&(serial + if from_1904 { 1462.0 } else { 0.0 })) {
        return None;
    }
    let epoch = if from_1904 {
        jiff::civil::date(1904, 1, 1)
    } else {
        jiff::civil::date(1899, 12, 30)
    };
    epoch
        .checked_add(jiff::Span::new().days(serial as i64))
        .ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn serial_days_in_either_epoch() {
        // 45943 is the 13th of October 2025 in the usual epoch (documentation of calamine).
        assert_eq!(serial_day(45_943.541, false), Some(date(2025, 10, 13)));
        // The 1904 epoch lies 1462 days later.
        assert_eq!(
            serial_day(45_943.0 - 1_462.0, true),
            Some(date(2025, 10, 13))
        );
        assert_eq!(serial_day(12.0, false), None);
        assert_eq!(serial_day(f64::NAN, false), None);
    }

    #[test]
    fn durations_are_hours() {
        assert_eq!(iso_hours("PT512H30M0S"), Some(512.5));
        assert_eq!(iso_hours("P1D"), None);
    }

    #[test]
    fn a_sheet_of_far_too_many_cells_is_refused() {
        let mut wide = Placed::default();
        assert_eq!(
            wide.push(0, MAX_COLUMNS, "x", Kind::Text),
            Err(TOO_MANY_CELLS)
        );
        // A cell far to the right in each row stands for all the empty ones before it.
        for row in 0..20_000 {
            wide.push(row, MAX_COLUMNS - 1, "x", Kind::Text).unwrap();
        }
        assert_eq!(wide.into_rows().err(), Some(TOO_MANY_CELLS));
        let mut long = Placed::default();
        long.push(0, 0, &"x".repeat(1 << 20), Kind::Text).unwrap();
        for row in 1..1_100 {
            long.repeat(0, row, 0).unwrap();
        }
        assert_eq!(long.into_rows().err(), Some(TOO_MUCH_TEXT));
    }
}
