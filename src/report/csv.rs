//! A table as CSV: full digits, ISO days, stable column names, and no cell that a spreadsheet
//! program would run as a formula.

use super::{Cell, Table};

/// The table as CSV (RFC 4180, but with `\n` line ends), column keys as the header row.
///
/// Words that begin with `=`, `+`, `-`, `@` (or their full-width forms), a tab or a line break
/// get an apostrophe in front, so that a spreadsheet program takes them as text. Numbers are
/// written as numbers and never touched; so is text that reads as a plain number, like `-5`.
/// A value that does not exist is an empty cell.
pub fn csv(table: &Table) -> String {
    let mut out = ::csv::WriterBuilder::new().from_writer(Vec::new());
    // Writing into memory cannot fail; rows all have the length of the header.
    let header = table.columns.iter().map(|column| inert(&column.key));
    let _ = out.write_record(header);
    for row in &table.rows {
        let _ = out.write_record(row.iter().map(written));
    }
    out.into_inner()
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .unwrap_or_default()
}

/// What a cell is in a file for machines.
fn written(cell: &Cell) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Text(words) => inert(words),
        Cell::Count(n) => n.to_string(),
        Cell::Number { value, .. }
        | Cell::Hours(value)
        | Cell::Probability(value)
        | Cell::Cost(value) => digits(*value),
        Cell::Date(day) => day.to_string(),
    }
}

/// Ten significant digits, the shortest way to write them: more would differ between maths
/// libraries, and the files are compared byte by byte.
fn digits(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    format!("{value:.9e}")
        .parse::<f64>()
        .map_or_else(|_| String::new(), |rounded| (rounded + 0.0).to_string())
}

/// Text that no spreadsheet program takes for a formula.
pub(super) fn inert(words: &str) -> String {
    const STARTS: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
    let runs = words.starts_with(STARTS) && !is_plain_number(words);
    if runs {
        format!("'{words}")
    } else {
        words.to_owned()
    }
}

/// Digits with a sign and at most one point: what a spreadsheet program reads as a number.
fn is_plain_number(words: &str) -> bool {
    let unsigned = words.strip_prefix(['+', '-']).unwrap_or(words);
    let digits = unsigned.bytes().filter(u8::is_ascii_digit).count();
    let points = unsigned.bytes().filter(|b| *b == b'.').count();
    digits > 0 && points <= 1 && digits + points == unsigned.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one_column(cells: Vec<Cell>) -> Table {
        let mut table = Table::new("t", "T").words("a", "A").words("b", "B");
        for cell in cells {
            table.push(vec![cell, Cell::Empty]);
        }
        table
    }

    #[test]
    fn formulas_become_text_and_numbers_stay_numbers() {
        let table = one_column(vec![
            Cell::text("=HYPERLINK(\"http://x\",\"y\")"),
            Cell::text("+cmd|' /C calc'!A0"),
            Cell::text("-2+3"),
            Cell::text("@SUM(A1)"),
            Cell::text("\t=1"),
            Cell::text("\r=1"),
            Cell::text("＝1"),
            Cell::text("-5"),
            Cell::text("-0.25"),
            Cell::text("plain - name"),
            Cell::number(-5.25, 0),
            Cell::Count(7),
            Cell::Number {
                value: f64::NAN,
                decimals: 1,
            },
            Cell::Date(jiff::civil::date(2026, 3, 31)),
        ]);
        let written = csv(&table);
        let mut reader = ::csv::Reader::from_reader(written.as_bytes());
        let first: Vec<String> = reader.records().map(|r| r.unwrap()[0].to_owned()).collect();
        assert_eq!(
            first,
            [
                "'=HYPERLINK(\"http://x\",\"y\")",
                "'+cmd|' /C calc'!A0",
                "'-2+3",
                "'@SUM(A1)",
                "'\t=1",
                "'\r=1",
                "'＝1",
                "-5",
                "-0.25",
                "plain - name",
                "-5.25",
                "7",
                "",
                "2026-03-31",
            ]
        );
    }

    #[test]
    fn numbers_keep_ten_digits_at_any_size() {
        for (value, shown) in [
            (0.1 + 0.2, "0.3"),
            (1e12, "1000000000000"),
            (1.234_567_890_123, "1.23456789"),
            (-0.0, "0"),
            (2.5e-7, "0.00000025"),
        ] {
            assert_eq!(digits(value), shown);
        }
    }

    #[test]
    fn a_table_without_rows_is_its_header() {
        assert_eq!(csv(&one_column(vec![])), "a,b\n");
    }
}
