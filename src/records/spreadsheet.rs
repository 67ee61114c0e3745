//! Spreadsheets (.xlsx, .xlsm, .ods) → [`TextTable`], within bounded memory.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use calamine::{Data, DataRef, Ods, Reader, Xlsx, open_workbook};

use super::RecordsError;
use super::text::{list, quoted};
use super::text_table::{Kind, Rows, TextTable};

/// Most bytes a spreadsheet may unpack to.
const MAX_UNPACKED: u64 = 1 << 30;
/// Most cells that are read from one sheet.
const MAX_CELLS: u64 = 50_000_000;
/// Columns beyond this are no columns of a record.
const MAX_COLUMNS: u32 = 2_000;
/// Hours in a day: a duration cell counts days.
const HOURS_PER_DAY: f64 = 24.0;

/// Reads one sheet, the first when none is named.
pub(super) fn read(
    path: &Path,
    name: &str,
    sheet: Option<&str>,
    is_ods: bool,
) -> Result<TextTable, RecordsError> {
    let package = look_inside(path, name, is_ods, MAX_UNPACKED)?;
    let mut table = if is_ods {
        ods(path, name, sheet, &package.merged)?
    } else {
        xlsx(path, name, sheet)?
    };
    table.from_1904 = package.from_1904;
    table.is_spreadsheet = true;
    Ok(table)
}

/// What the package says before any sheet is read.
#[derive(Default)]
struct Package {
    from_1904: bool,
    /// Cells merged downwards in each sheet of an open document, by the sheet's place.
    merged: Vec<Vec<MergedDown>>,
}

/// A cell that holds its value for the rows below it too.
#[derive(Clone, Copy)]
struct MergedDown {
    row: u32,
    column: u32,
    /// Rows below.
    below: u32,
}

/// Unpacks every entry to nowhere, to know that it stays within bounds, and looks for the date epoch.
fn look_inside(path: &Path, name: &str, is_ods: bool, most: u64) -> Result<Package, RecordsError> {
    let refuse = |what: &str| RecordsError::Table {
        file: name.to_owned(),
        what: what.to_owned(),
    };
    let file = File::open(path).map_err(|source| RecordsError::Read {
        path: path.to_owned(),
        source,
    })?;
    let no_package = "it is no spreadsheet that can be read (an old .xls, one with a password, or a damaged file); save it as .xlsx, .ods or .csv";
    let mut archive = zip::ZipArchive::new(BufReader::new(file)).map_err(|_| refuse(no_package))?;
    let mut package = Package::default();
    let mut unpacked = 0_u64;
    for index in 0..archive.len() {
        let entry = archive.by_index(index).map_err(|_| refuse(no_package))?;
        let entry_name = entry
            .name()
            .map(std::borrow::Cow::into_owned)
            .unwrap_or_default();
        let mut limited = entry.take(most - unpacked + 1);
        let wanted = if is_ods {
            entry_name == "content.xml"
        } else {
            entry_name == "xl/workbook.xml"
        };
        if wanted {
            let mut content = Vec::new();
            limited
                .read_to_end(&mut content)
                .map_err(|_| refuse(no_package))?;
            unpacked += content.len() as u64;
            if is_ods {
                package.merged = look_over_ods(&content).map_err(|what| refuse(&what))?;
            } else {
                let text = String::from_utf8_lossy(&content);
                package.from_1904 = ["date1904=\"1\"", "date1904=\"true\""]
                    .iter()
                    .any(|flag| text.contains(flag));
            }
        } else {
            unpacked += std::io::copy(&mut limited, &mut std::io::sink())
                .map_err(|_| refuse(no_package))?;
        }
        if unpacked > most {
            return Err(refuse(
                "it unpacks to more than 1 GB; export the sheet as .csv",
            ));
        }
    }
    Ok(package)
}

/// Counts the cells that repeated rows and columns stand for, since a small file can ask for billions,
/// and finds those that are merged downwards.
fn look_over_ods(content: &[u8]) -> Result<Vec<Vec<MergedDown>>, String> {
    let mut merged: Vec<Vec<MergedDown>> = Vec::new();
    let text = String::from_utf8_lossy(content);
    let (mut row, mut row_repeat, mut column, mut widest, mut cells, mut lowest) =
        (0_u64, 1_u64, 0_u64, 0_u64, 0_u64, 0_u64);
    for tag in text.split('<') {
        if tag.starts_with("table:table ") || tag.starts_with("table:table>") {
            (row, widest, lowest) = (0, 0, 0);
            row_repeat = 0;
            merged.push(Vec::new());
        } else if tag.starts_with("table:table-row") {
            row = row.saturating_add(row_repeat);
            row_repeat = repeat(tag, "table:number-rows-repeated=\"");
            column = 0;
        } else if tag.starts_with("table:table-cell") || tag.starts_with("table:covered-table-cell")
        {
            let repeats = repeat(tag, "table:number-columns-repeated=\"");
            let rows = repeat(tag, "table:number-rows-spanned=\"");
            if (2..=100_000).contains(&rows)
                && let (Some(sheet), Ok(row), Ok(column)) =
                    (merged.last_mut(), u32::try_from(row), u32::try_from(column))
            {
                sheet.push(MergedDown {
                    row,
                    column,
                    below: rows as u32 - 1,
                });
            }
            column = column.saturating_add(repeats);
            if tag.contains("office:value-type") {
                widest = widest.max(column);
                lowest = lowest.max(row.saturating_add(row_repeat));
                cells = cells.saturating_add(repeats.saturating_mul(row_repeat));
            }
        }
        if cells > MAX_CELLS
            || widest.saturating_mul(lowest) > MAX_CELLS
            || widest > u64::from(MAX_COLUMNS)
        {
            return Err(
                "a sheet reaches over more cells than any record needs; export the sheet as .csv"
                    .into(),
            );
        }
    }
    Ok(merged)
}

fn repeat(tag: &str, attribute: &str) -> u64 {
    tag.split_once(attribute)
        .and_then(|(_, rest)| rest.split('"').next())
        .and_then(|number| number.parse().ok())
        .unwrap_or(1)
}

fn xlsx(path: &Path, name: &str, sheet: Option<&str>) -> Result<TextTable, RecordsError> {
    let broken = |error: calamine::XlsxError| broken(name, &error.to_string());
    let mut book: Xlsx<BufReader<File>> = open_workbook(path).map_err(broken)?;
    let sheet = chosen(name, &book.sheet_names(), sheet)?;
    let merged = book.merge_cells_by_sheet_name(&sheet).map_err(broken)?;
    let mut cells: Vec<(u32, u32, String, Kind)> = Vec::new();
    let mut reader = book.worksheet_cells_reader(&sheet).map_err(broken)?;
    while let Some(cell) = reader.next_cell().map_err(broken)? {
        let (row, column) = cell.get_position();
        if column >= MAX_COLUMNS {
            return Err(too_wide(name));
        }
        if let Some((text, kind)) = of_ref(cell.get_value()) {
            cells.push((row, column, text, kind));
        }
    }
    // Cells merged downwards hold their value once for all their rows.
    let places: HashMap<(u32, u32), usize> = if merged.is_empty() {
        HashMap::new()
    } else {
        cells
            .iter()
            .enumerate()
            .map(|(i, (row, column, ..))| ((*row, *column), i))
            .collect()
    };
    let mut filled = 0_usize;
    for region in merged {
        let (top, left) = region.start;
        let below = region.end.0.saturating_sub(top);
        if let Some(&place) = places.get(&(top, left))
            && (1..=100_000).contains(&below)
        {
            let (_, _, text, kind) = cells[place].clone();
            for row in top + 1..=region.end.0 {
                cells.push((row, left, text.clone(), kind));
                filled += 1;
            }
        }
    }
    cells.sort_by_key(|(row, column, ..)| (*row, *column));
    cells.dedup_by_key(|(row, column, ..)| (*row, *column));
    let mut rows = Rows::default();
    let mut at: Option<u32> = None;
    let mut next_column = 0;
    for (row, column, text, kind) in cells {
        if at != Some(row) {
            if let Some(done) = at {
                rows.end_row(done + 1);
            }
            at = Some(row);
            next_column = 0;
        }
        while next_column < column {
            rows.push_text("", Kind::Text);
            next_column += 1;
        }
        rows.push_text(&text, kind);
        next_column += 1;
    }
    if let Some(done) = at {
        rows.end_row(done + 1);
    }
    let mut table = TextTable::new(name, Some(&sheet), rows);
    note_filled(&mut table, filled);
    Ok(table)
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
    path: &Path,
    name: &str,
    sheet: Option<&str>,
    merged: &[Vec<MergedDown>],
) -> Result<TextTable, RecordsError> {
    let broken = |error: calamine::OdsError| broken(name, &error.to_string());
    let mut book: Ods<BufReader<File>> = open_workbook(path).map_err(broken)?;
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

fn too_wide(name: &str) -> RecordsError {
    RecordsError::Table {
        file: name.to_owned(),
        what: format!("a cell stands beyond column {MAX_COLUMNS}; export the sheet as .csv"),
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
    fn a_package_that_unpacks_beyond_the_limit_is_refused() {
        use std::io::Write;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bomb.xlsx");
        let mut package = zip::ZipWriter::new(File::create(&path).unwrap());
        let options = zip::write::SimpleFileOptions::default()
            .compression_method(zip::CompressionMethod::Deflated);
        package
            .start_file("xl/worksheets/sheet1.xml", options)
            .unwrap();
        package.write_all(&vec![b' '; 100_000]).unwrap();
        package.finish().unwrap();
        assert!(std::fs::metadata(&path).unwrap().len() < 1_000);
        assert!(look_inside(&path, "bomb.xlsx", false, 100_000).is_ok());
        let refused = look_inside(&path, "bomb.xlsx", false, 99_999)
            .err()
            .unwrap();
        assert!(refused.to_string().contains("unpacks to more than"));
    }

    #[test]
    fn repeated_cells_are_counted_before_they_are_made() {
        let row = |cells: &str| {
            format!(
                "<table:table table:name=\"a\"><table:table-row table:number-rows-repeated=\"1000000\">{cells}</table:table-row></table:table>"
            )
        };
        assert!(look_over_ods(row("<table:table-cell office:value-type=\"float\" table:number-columns-repeated=\"1000\"/>").as_bytes()).is_err());
        assert!(
            look_over_ods(
                row("<table:table-cell table:number-columns-repeated=\"16384\"/>").as_bytes()
            )
            .is_ok()
        );
    }
}
