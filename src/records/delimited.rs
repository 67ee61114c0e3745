//! Text files with delimiters → [`TextTable`]: encoding, delimiter, quoting.

use std::collections::BTreeMap;
use std::path::Path;

use super::RecordsError;
use super::contents;
use super::text_table::{Lines, TextTable, holds};

/// Longest line, bytes; an export's rows are far shorter.
const MAX_LINE: usize = 4 << 20;
/// Largest file, bytes: cell positions are kept in 32 bits.
const MAX_FILE: u64 = 3 << 30;
/// Delimiters looked for, in order of preference.
const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];
/// Rows looked at to find the delimiter.
const SAMPLE_ROWS: usize = 200;

/// Reads a text file into rows of cells.
///
/// `name` is the file as the user wrote it; `delimiter` is used when stated, else the one that
/// cuts most of the first rows into equally many cells.
pub(super) fn read(
    path: &Path,
    name: &str,
    delimiter: Option<u8>,
) -> Result<TextTable, RecordsError> {
    let (content, encoding) = decode(bytes_of(path, name)?, name)?;
    let delimiter = delimiter.unwrap_or_else(|| sniff(&content));
    let mut lines = Lines::new(content, delimiter);
    cut(&mut lines, delimiter).map_err(|what| RecordsError::Table {
        file: name.to_owned(),
        what,
    })?;
    if lines.bytes() > u32::MAX as usize {
        return Err(RecordsError::Table {
            file: name.to_owned(),
            what: "it holds more than 4 GB of text; split it into several files".into(),
        });
    }
    let mut table = TextTable::of_lines(name, lines);
    if let Some(encoding) = encoding {
        table.notes.push(format!("{name} is read as {encoding}."));
    }
    if delimiter != b',' {
        let shown = if delimiter == b'\t' {
            "a tab".to_owned()
        } else {
            format!("\"{}\"", delimiter as char)
        };
        table
            .notes
            .push(format!("Cells of {name} are separated by {shown}."));
    }
    Ok(table)
}

fn bytes_of(path: &Path, name: &str) -> Result<Vec<u8>, RecordsError> {
    let mut since_newline = 0_usize;
    contents::read_judging(path, name, MAX_FILE, |block| {
        let last = block.iter().rposition(|&b| b == b'\n' || b == b'\r');
        since_newline = match last {
            Some(at) => block.len() - at,
            None => since_newline + block.len(),
        };
        if since_newline > MAX_LINE {
            return Err(
                "a line is longer than 4 MB; this is no export with one record a row".into(),
            );
        }
        Ok(())
    })
}

/// Bytes → text, and the encoding's name when it was not plain UTF-8.
fn decode(bytes: Vec<u8>, name: &str) -> Result<(String, Option<&'static str>), RecordsError> {
    let refuse = |what: &str| RecordsError::Table {
        file: name.to_owned(),
        what: what.to_owned(),
    };
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(refuse(
            "this is a spreadsheet or zip file under a text file's name; give it its own ending (.xlsx, .ods)",
        ));
    }
    let utf16 = if bytes.starts_with(b"\xff\xfe") {
        Some(encoding_rs::UTF_16LE)
    } else if bytes.starts_with(b"\xfe\xff") {
        Some(encoding_rs::UTF_16BE)
    } else {
        utf16_without_mark(&bytes)
    };
    let (text, encoding) = if let Some(encoding) = utf16 {
        let (text, _, broken) = encoding.decode(&bytes);
        if broken {
            return Err(refuse(
                "it begins like UTF-16 text but is not; save the export again as UTF-8",
            ));
        }
        (text.into_owned(), Some(encoding.name()))
    } else {
        let mut bytes = bytes;
        if bytes.starts_with(b"\xef\xbb\xbf") {
            bytes.drain(..3);
        }
        match String::from_utf8(bytes) {
            Ok(text) => (text, None),
            Err(error) if memchr::memchr(0, error.as_bytes()).is_some() => {
                return Err(refuse("this is a binary file, not text"));
            }
            Err(error) => {
                let (text, _, _) = encoding_rs::WINDOWS_1252.decode(error.as_bytes());
                (
                    text.into_owned(),
                    Some("Windows-1252 (it is not valid UTF-8)"),
                )
            }
        }
    };
    let controls = text
        .chars()
        .take(100_000)
        .filter(|c| c.is_control() && !matches!(c, '\t' | '\n' | '\r' | '\u{c}' | '\u{1a}'))
        .count();
    if holds(text.as_bytes(), 0) || controls > 20 + text.len().min(100_000) / 50 {
        return Err(refuse("this is a binary file, not text"));
    }
    Ok((text, encoding))
}

/// UTF-16 text of mostly Latin letters has a zero in every second byte.
fn utf16_without_mark(bytes: &[u8]) -> Option<&'static encoding_rs::Encoding> {
    let sample = &bytes[..bytes.len().min(4096) & !1];
    if sample.len() < 8 {
        return None;
    }
    let pairs = sample.len() / 2;
    let zeros = |offset: usize| {
        sample
            .iter()
            .skip(offset)
            .step_by(2)
            .filter(|&&b| b == 0)
            .count()
    };
    let (even, odd) = (zeros(0), zeros(1));
    if odd * 10 > pairs * 8 && even * 10 < pairs {
        Some(encoding_rs::UTF_16LE)
    } else if even * 10 > pairs * 8 && odd * 10 < pairs {
        Some(encoding_rs::UTF_16BE)
    } else {
        None
    }
}

/// The delimiter that cuts the most of the first rows into equally many (two or more) cells.
fn sniff(content: &str) -> u8 {
    let mut best = (0_usize, b',');
    let sample = content
        .char_indices()
        .nth(1 << 16)
        .map_or(content, |(at, _)| &content[..at]);
    for delimiter in DELIMITERS {
        let mut rows_by_width: BTreeMap<usize, usize> = BTreeMap::new();
        let mut at = 0;
        // An open quotation mark in the sample only means that the sample was cut.
        for _ in 0..SAMPLE_ROWS {
            let Some(row) = row_from(sample.as_bytes(), at, delimiter) else {
                break;
            };
            *rows_by_width.entry(row.width).or_default() += 1;
            at = row.next;
        }
        let score = rows_by_width
            .iter()
            .filter(|(width, _)| **width > 1)
            .map(|(width, rows)| rows * 1000 + width)
            .max()
            .unwrap_or(0);
        if score > best.0 {
            best = (score, delimiter);
        }
    }
    best.1
}

/// Cuts a text into rows; rows without a filled cell are dropped but counted.
///
/// A quotation mark that nothing closes is an error, told as soon as the row it makes is longer
/// than any row.
fn cut(lines: &mut Lines, delimiter: u8) -> Result<(), String> {
    let mut number = 1_u32;
    let mut at = 0;
    if !lines.has_quotes() {
        lines.cut_plain();
        return Ok(());
    }
    while at < lines.text().len() {
        let bytes = lines.text().as_bytes();
        let window = bytes.get(..at + 2 * MAX_LINE).unwrap_or(bytes);
        let row = row_from(window, at, delimiter)
            .filter(|row| row.end < window.len() || window.len() == bytes.len())
            .ok_or_else(|| {
                let within = if window.len() < bytes.len() {
                    " within 4 MB"
                } else {
                    ""
                };
                format!("row {number} opens a quotation mark that nothing closes{within}")
            })?;
        if row.awkward {
            let cells = cells_of(lines.text(), at, row.end, delimiter);
            if cells.iter().any(|cell| !cell.trim().is_empty()) {
                lines.push_anew(&cells, number);
            }
        } else if is_filled_quoted(&lines.text()[at..row.end], delimiter) {
            lines.push(at, row.end, number);
        }
        number = number.saturating_add(1);
        at = row.next;
    }
    Ok(())
}

fn is_filled_quoted(row: &str, delimiter: u8) -> bool {
    row.chars()
        .any(|c| !c.is_whitespace() && c != '"' && c != delimiter as char)
        || cells_of(row, 0, row.len(), delimiter)
            .iter()
            .any(|cell| !cell.trim().is_empty())
}

/// One row as it is cut from a text.
struct CutRow {
    /// One past its last cell.
    end: usize,
    /// Where the next row begins.
    next: usize,
    width: usize,
    /// It has doubled quotation marks, or text behind a closing one.
    awkward: bool,
}

/// The row that begins at a place; `None` where the text ends there, or within quotation marks. A
/// quotation mark counts as one only at the start of a cell.
fn row_from(bytes: &[u8], mut at: usize, delimiter: u8) -> Option<CutRow> {
    if at >= bytes.len() {
        return None;
    }
    let (mut width, mut awkward) = (1, false);
    loop {
        if bytes.get(at) == Some(&b'"') {
            let (end, doubled) = closing_quote(bytes, at + 1)?;
            // Anything between the closing mark and the delimiter belongs to the cell too.
            let rest = end_of_bare(bytes, end + 1, delimiter);
            awkward |= doubled || rest > end + 1;
            at = rest;
        } else {
            at = end_of_bare(bytes, at, delimiter);
        }
        if bytes.get(at) != Some(&delimiter) {
            break;
        }
        at += 1;
        width += 1;
    }
    let line_end = if bytes.get(at) == Some(&b'\r') && bytes.get(at + 1) == Some(&b'\n') {
        2
    } else {
        1
    };
    Some(CutRow {
        end: at,
        next: at + line_end,
        width,
        awkward,
    })
}

/// Cells of a row, doubled quotation marks made single.
fn cells_of(content: &str, mut at: usize, end: usize, delimiter: u8) -> Vec<String> {
    let bytes = content.as_bytes();
    let mut cells = Vec::new();
    loop {
        let mut cell = String::new();
        let quoted = bytes.get(at) == Some(&b'"');
        let close = quoted.then(|| closing_quote(bytes, at + 1)).flatten();
        let bare_from = match close {
            Some((close, _)) => {
                cell.push_str(&content[at + 1..close].replace("\"\"", "\""));
                close + 1
            }
            None => at,
        };
        let rest = end_of_bare(bytes, bare_from, delimiter)
            .min(end)
            .max(bare_from);
        cell.push_str(&content[bare_from..rest]);
        cells.push(cell);
        if rest >= end || bytes.get(rest) != Some(&delimiter) {
            return cells;
        }
        at = rest + 1;
    }
}

/// Where the quotation closes, and whether it holds doubled marks.
fn closing_quote(bytes: &[u8], mut at: usize) -> Option<(usize, bool)> {
    let mut doubled = false;
    loop {
        at += memchr::memchr(b'"', bytes.get(at..)?)?;
        if bytes.get(at + 1) == Some(&b'"') {
            doubled = true;
            at += 2;
        } else {
            return Some((at, doubled));
        }
    }
}

fn end_of_bare(bytes: &[u8], from: usize, delimiter: u8) -> usize {
    bytes
        .get(from..)
        .and_then(|rest| memchr::memchr3(delimiter, b'\n', b'\r', rest))
        .map_or(bytes.len(), |length| from + length)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(bytes: &[u8]) -> Result<TextTable, RecordsError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("export.csv");
        std::fs::write(&path, bytes).unwrap();
        read(&path, "export.csv", None)
    }

    fn cells(table: &TextTable) -> Vec<Vec<String>> {
        (0..table.len())
            .map(|row| {
                (0..table.width(row))
                    .map(|c| table.cell(row, c).to_owned())
                    .collect()
            })
            .collect()
    }

    #[test]
    fn quotes_delimiters_and_line_ends() {
        let table = table(b"a;b\r\n\"x;1\";\"say \"\"so\"\"\"\r\n\r\n14\" hose;two\n").unwrap();
        assert_eq!(
            cells(&table),
            [
                vec!["a", "b"],
                vec!["x;1", "say \"so\""],
                vec!["14\" hose", "two"]
            ]
        );
        // The blank line counts as a row of the file but is no row of data.
        assert_eq!(
            (0..3).map(|r| table.number(r)).collect::<Vec<_>>(),
            [1, 2, 4]
        );
    }

    #[test]
    fn a_decimal_comma_does_not_make_the_comma_the_delimiter() {
        let table = table(b"Datum;Meter\n1.2.2026;10,5\n2.2.2026;11,5\n").unwrap();
        assert_eq!(table.cell(1, 1), "10,5");
    }

    #[test]
    fn a_line_end_inside_quotes_stays_in_its_cell() {
        let table = table(b"a,b\n\"one\ntwo\",2\n3,4\n").unwrap();
        assert_eq!(table.cell(1, 0), "one\ntwo");
        assert_eq!(table.number(2), 3);
    }

    #[test]
    fn encodings_are_told_apart() {
        for bytes in [
            "\u{feff}Gerät,b\n1,2\n".as_bytes().to_vec(),
            b"Ger\xe4t,b\n1,2\n".to_vec(),
            encode_utf16("\u{feff}Gerät,b\n1,2\n", u16::to_le_bytes),
            encode_utf16("\u{feff}Gerät,b\n1,2\n", u16::to_be_bytes),
            encode_utf16("Gerät,b\n1,2\n", u16::to_le_bytes),
        ] {
            let table = table(&bytes).unwrap();
            assert_eq!(table.cell(0, 0), "Gerät");
            assert_eq!(table.cell(1, 1), "2");
        }
    }

    fn encode_utf16(text: &str, order: impl Fn(u16) -> [u8; 2]) -> Vec<u8> {
        text.encode_utf16().flat_map(order).collect()
    }

    #[test]
    fn what_is_no_text_is_refused() {
        for (bytes, said) in [
            (b"PK\x03\x04rest".to_vec(), "spreadsheet or zip"),
            (b"\x00\x01\x02\x03abc\x00\xff\x00".to_vec(), "binary"),
            (b"a,b\n\"open,2\n".to_vec(), "row 2 opens a quotation mark"),
            (vec![b'x'; MAX_LINE + (1 << 19)], "longer than 4 MB"),
        ] {
            let message = table(&bytes).unwrap_err().to_string();
            assert!(message.contains(said), "{message}");
        }
    }

    proptest::proptest! {
        #[test]
        fn cells_written_with_quotes_are_read_back(cells in proptest::collection::vec("[a-z,;\"\n é]{1,12}", 2..5)) {
            let row: Vec<String> = cells.iter().map(|c| format!("\"{}\"", c.replace('"', "\"\""))).collect();
            let text = format!("a,b\n{}\n", row.join(","));
            let mut lines = Lines::new(text, b',');
            cut(&mut lines, b',').unwrap();
            let table = TextTable::of_lines("x", lines);
            if table.len() == 2 {
                for (column, cell) in cells.iter().enumerate() {
                    proptest::prop_assert_eq!(table.cell(1, column), cell.trim());
                }
            } else {
                proptest::prop_assert!(cells.iter().all(|c| c.trim().is_empty()));
            }
        }

        #[test]
        fn no_bytes_break_the_reader(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            if let Ok((text, _)) = decode(bytes, "x") {
                let delimiter = sniff(&text);
                let mut lines = Lines::new(text, delimiter);
                if cut(&mut lines, delimiter).is_ok() {
                    let table = TextTable::of_lines("x", lines);
                    for row in 0..table.len() {
                        let mut cells = Vec::new();
                        table.cells(row, &mut cells);
                        proptest::prop_assert!(cells.iter().any(|c| !c.is_empty()));
                        proptest::prop_assert_eq!(cells.len(), table.width(row));
                    }
                }
            }
        }
    }
}
