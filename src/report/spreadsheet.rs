//! The tables as one spreadsheet: a sheet a table, typed cells, real days, frozen headings.

use jiff::civil::Date;
use rayon::prelude::*;
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, FormatBorder, Workbook, Worksheet, XlsxError,
};

use super::{Align, Cell, SAFETY, SAFETY_IN_SHORT, Table, format};

/// Rows a sheet holds, less the heading and the notes.
const ROWS: usize = 1_048_000;
/// Characters a cell holds.
const CELL: usize = 32_000;

/// The tables as an XLSX file, yet to be saved. Text is written as text, so nothing in it runs; numbers keep their
/// digits and are shown as the page shows them. The file's date is `as_of`: no clock is read.
///
/// # Errors
/// What the writer says, when a sheet cannot be made.
pub(super) fn spreadsheet(
    title: &str,
    as_of: Date,
    tables: &[Table],
) -> Result<Workbook, XlsxError> {
    let mut workbook = Workbook::new();
    // A large fleet's sheets take seconds to press any tighter, for a file a tenth smaller.
    workbook.set_zip_compression_level(3);
    let made = day(as_of)?;
    workbook.set_properties(
        &DocProperties::new()
            .set_title(format::shortened(&format::plain(title), 200))
            .set_creation_datetime(&made),
    );
    let shown = Shown::new();
    // The longest first, so that none is left to be written alone.
    let mut order: Vec<usize> = (0..tables.len()).collect();
    order.sort_by_key(|at| std::cmp::Reverse(tables[*at].rows.len()));
    let sheets = order.into_par_iter().with_max_len(1).map(|at| {
        let table = &tables[at];
        let mut sheet = Worksheet::new();
        sheet.set_name(format::shortened(&table.key.replace('_', " "), 31))?;
        fill(&mut sheet, table, &shown)?;
        Ok((at, sheet))
    });
    let mut sheets = sheets.collect::<Result<Vec<_>, XlsxError>>()?;
    sheets.sort_by_key(|(at, _)| *at);
    for (_, sheet) in sheets {
        workbook.push_worksheet(sheet);
    }
    Ok(workbook)
}

fn day(date: Date) -> Result<ExcelDateTime, XlsxError> {
    let year = u16::try_from(date.year()).unwrap_or(0);
    ExcelDateTime::from_ymd(year, date.month().unsigned_abs(), date.day().unsigned_abs())
}

fn fill(sheet: &mut Worksheet, table: &Table, shown: &Shown) -> Result<(), XlsxError> {
    let heading = Format::new()
        .set_bold()
        .set_text_wrap()
        .set_border_bottom(FormatBorder::Thin);
    let mut usuals: Vec<Option<&Format>> = Vec::with_capacity(table.columns.len());
    for (i, column) in (0u16..).zip(&table.columns) {
        let aligned = match column.align {
            Align::Left => heading.clone().set_align(FormatAlign::Left),
            Align::Right => heading.clone().set_align(FormatAlign::Right),
        };
        sheet.write_string_with_format(0, i, format::plain(&column.heading), &aligned)?;
        let widest = table
            .rows
            .iter()
            .take(500)
            .map(|row| format::cell(&row[usize::from(i)]).chars().count());
        let widest = widest
            .max()
            .unwrap_or(0)
            .max(column.heading.chars().count() / 2);
        sheet.set_column_width(i, widest.clamp(8, 50) as f64 + 2.0)?;
        let usual = usual(table, i, shown);
        if let Some(format) = usual {
            sheet.set_column_format(i, format)?;
        }
        usuals.push(usual);
    }
    let rows = table.rows.len().min(ROWS);
    for (r, row) in (1u32..).zip(&table.rows[..rows]) {
        for ((c, cell), usual) in (0u16..).zip(row).zip(&usuals) {
            let format = shown.of(cell);
            let own = format.filter(|own| !usual.is_some_and(|usual| std::ptr::eq(*own, usual)));
            write(sheet, (r, c), cell, own)?;
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    sheet.set_repeat_rows(0, 0)?;
    sheet.set_landscape();
    sheet.set_print_fit_to_pages(1, 0);
    if rows > 0 && !table.columns.is_empty() {
        let last = table.columns.len() as u16 - 1;
        sheet.autofilter(0, 0, rows as u32, last)?;
    }
    let mut foot = rows as u32 + 2;
    for note in &table.notes {
        // A sheet may be read alone, so the caution stands on it in full.
        let note = if note == SAFETY_IN_SHORT {
            SAFETY
        } else {
            note
        };
        sheet.write_string(foot, 0, format::plain(note))?;
        foot += 1;
    }
    if table.rows.len() > rows {
        sheet.write_string(
            foot,
            0,
            "More rows than a sheet holds; the CSV file has them all.",
        )?;
    }
    Ok(())
}

/// How each kind of cell is shown; made once, since a large fleet has a million cells.
struct Shown {
    count: Format,
    decimals: [Format; 7],
    short_hours: Format,
    cost: Format,
    chance: Format,
    day: Format,
}

impl Shown {
    fn new() -> Self {
        let shown = |code: &str| Format::new().set_num_format(code);
        let decimals = std::array::from_fn(|n| match n {
            0 => shown("#,##0"),
            n => shown(&format!("#,##0.{}", "0".repeat(n))),
        });
        Self {
            count: shown("#,##0"),
            decimals,
            short_hours: shown("0.0"),
            cost: shown("#,##0.00"),
            chance: shown("0.0%"),
            day: shown("d mmm yyyy"),
        }
    }

    /// How a cell is shown; `None` for text.
    fn of(&self, cell: &Cell) -> Option<&Format> {
        let most = self.decimals.len() - 1;
        Some(match cell {
            Cell::Text(_) | Cell::Empty => return None,
            Cell::Date(_) => &self.day,
            Cell::Number { decimals, .. } => &self.decimals[usize::from(*decimals).min(most)],
            Cell::Hours(value) if value.abs() < 9.95 => &self.short_hours,
            Cell::Count(_) | Cell::Hours(_) => &self.count,
            Cell::Cost(_) => &self.cost,
            Cell::Probability(_) => &self.chance,
        })
    }
}

/// How the first cell of a column that is no text is shown: formats are dear, so only cells that are shown
/// otherwise carry their own.
fn usual<'a>(table: &Table, column: u16, shown: &'a Shown) -> Option<&'a Format> {
    let mut cells = table.rows.iter().map(|row| &row[usize::from(column)]);
    cells.find_map(|cell| shown.of(cell))
}

/// Writes a cell, with a format where it is not the column's.
fn write(
    sheet: &mut Worksheet,
    (r, c): (u32, u16),
    cell: &Cell,
    format: Option<&Format>,
) -> Result<(), XlsxError> {
    let value = match cell {
        Cell::Text(text) => {
            sheet.write_string(r, c, format::shortened(&format::plain(text), CELL))?;
            return Ok(());
        }
        Cell::Date(date) => {
            // Spreadsheets know no day before 1900.
            match (day(*date), format) {
                (Ok(day), Some(format)) => sheet.write_datetime_with_format(r, c, &day, format)?,
                (Ok(day), None) => sheet.write_datetime(r, c, &day)?,
                (Err(_), _) => sheet.write_string(r, c, date.to_string())?,
            };
            return Ok(());
        }
        Cell::Empty => return Ok(()),
        Cell::Count(n) => *n as f64,
        Cell::Number { value, .. } | Cell::Hours(value) | Cell::Cost(value) => *value,
        Cell::Probability(p) => *p,
    };
    if value.is_finite() {
        match format {
            Some(format) => sheet.write_number_with_format(r, c, value, format)?,
            None => sheet.write_number(r, c, value)?,
        };
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use calamine::{Data, Reader, Xlsx};

    #[test]
    fn another_reader_finds_the_same_values() {
        let mut table = Table::new("orders", "What to order")
            .words("part", "Part")
            .figures("n", "Number")
            .figures("p", "Chance")
            .figures("day", "Day");
        let when = jiff::civil::date(2026, 5, 12);
        table.push(vec![
            Cell::text("=cmd()"),
            Cell::number(-12.345_678_9, 1),
            Cell::Probability(0.083),
            Cell::Date(when),
        ]);
        table.push(vec![
            Cell::text("x".repeat(100_000)),
            Cell::Number {
                value: f64::NAN,
                decimals: 0,
            },
        ]);
        let saved = || {
            let mut book = spreadsheet("Crew", when, std::slice::from_ref(&table)).unwrap();
            book.save_to_buffer().unwrap()
        };
        let bytes = saved();
        assert_eq!(bytes, saved(), "same bytes every time");
        let mut book: Xlsx<_> = Xlsx::new(std::io::Cursor::new(bytes)).unwrap();
        assert_eq!(book.sheet_names(), ["orders"]);
        assert!(book.worksheet_formula("orders").unwrap().is_empty());
        let sheet = book.worksheet_range("orders").unwrap();
        assert_eq!(sheet.get((1, 0)), Some(&Data::String("=cmd()".to_owned())));
        assert_eq!(sheet.get((1, 1)), Some(&Data::Float(-12.345_678_9)));
        assert_eq!(sheet.get((1, 2)), Some(&Data::Float(0.083)));
        let Some(Data::DateTime(day)) = sheet.get((1, 3)) else {
            panic!("a real day")
        };
        // Day 46154 of the spreadsheet calendar: 1 January 1900 is 1, with a 29 February 1900.
        assert_eq!(day.as_f64(), 46154.0);
        assert_eq!(sheet.get((2, 1)), Some(&Data::Empty));
    }
}
