//! The spreadsheet, opened by another reader (calamine) than its writer, holds what the CSV tables
//! hold: every sheet, every cell, numbers as numbers and days as days; nothing in it runs.

use std::path::Path;

use calamine::{Data, Reader, Xlsx, open_workbook};

use crate::fleets::{crew, hostile};

/// Cells that hold a number in both.
fn compare(report: &Path) -> usize {
    let mut book: Xlsx<_> = open_workbook(report.join("wearcast.xlsx")).unwrap();
    let sheets = book.sheet_names();
    let mut numbers = 0;
    let mut tables = 0;
    for entry in std::fs::read_dir(report.join("tables")).unwrap() {
        let path = entry.unwrap().path();
        let key = path.file_stem().unwrap().to_string_lossy().into_owned();
        let sheet = key.replace('_', " ");
        assert!(sheets.contains(&sheet), "no sheet {sheet} in {sheets:?}");
        assert!(
            book.worksheet_formula(&sheet).unwrap().is_empty(),
            "{sheet} has a formula"
        );
        let range = book.worksheet_range(&sheet).unwrap();
        let mut rows = csv::Reader::from_path(&path).unwrap();
        for (r, record) in (1u32..).zip(rows.records()) {
            for (c, field) in (0u32..).zip(&record.unwrap()) {
                let cell = range.get_value((r, c)).unwrap_or(&Data::Empty);
                let place = format!("{sheet}, row {r}, column {c}: {field:?} and {cell:?}");
                match cell {
                    Data::Empty => assert_eq!(field, "", "{place}"),
                    Data::Float(value) => {
                        let there: f64 = field.parse().unwrap_or_else(|_| panic!("{place}"));
                        assert!((value - there).abs() <= 1e-9 * there.abs(), "{place}");
                        numbers += 1;
                    }
                    Data::DateTime(day) => {
                        let there: jiff::civil::Date = field.parse().unwrap();
                        // Day 1 of the calendar of spreadsheets is 1 January 1900, and it knows a
                        // 29 February 1900.
                        let first = jiff::civil::date(1899, 12, 30);
                        let days = first.until(there).unwrap().get_days();
                        assert_eq!(day.as_f64(), f64::from(days), "{place}");
                        numbers += 1;
                    }
                    // The CSV marks text that a program might run; a typed cell needs no mark.
                    Data::String(text) => {
                        let plain = field.strip_prefix('\'').unwrap_or(field);
                        let shown: String = plain.replace('\u{202e}', "\u{fffd}");
                        assert_eq!(*text, shown, "{place}");
                    }
                    _ => panic!("{place}"),
                }
            }
        }
        tables += 1;
    }
    assert_eq!(sheets.len(), tables, "a sheet a table");
    numbers
}

#[test]
fn another_reader_finds_the_numbers_of_the_tables_in_the_spreadsheet() {
    assert!(compare(crew()) > 1000);
    assert!(compare(hostile()) > 20);
}
