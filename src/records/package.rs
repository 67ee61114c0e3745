//! What a spreadsheet file says before any sheet of it is read: whether it stays within bounds, and
//! what the reader of its sheets does not tell.
//!
//! A small file can unpack to terabytes, or ask for billions of cells. Everything that could is
//! looked at here first, entry by entry, in bounded memory.

use std::io::{Cursor, Read};

use quick_xml::events::Event;

use super::RecordsError;

/// Most cells that are read from one sheet.
pub(super) const MAX_CELLS: u64 = 30_000_000;
/// Most bytes of text that the cells of one sheet may hold together.
pub(super) const MAX_TEXT: u64 = 1 << 30;
/// Columns beyond this are no columns of a record.
pub(super) const MAX_COLUMNS: u32 = 2_000;
/// Most rows that one merged cell is carried down.
pub(super) const MOST_BELOW: u64 = 100_000;
/// Fewest bytes that a shared text takes in its file.
const SHORTEST_SHARED: u64 = 5;
/// Digits of the last row of a sheet, 1048576.
const MOST_DIGITS: usize = 7;
/// Letters of its last column, XFD, and two marks of a fixed place.
const MOST_LETTERS: usize = 5;
/// The refusal of sheets with places that cannot be.
const BAD_REFERENCE: &str = "it is damaged: a cell or an area has a place that no sheet has; save it again as .xlsx or .csv";
/// The refusal of sheets with far too many cells.
pub(super) const TOO_MANY_CELLS: &str =
    "a sheet reaches over more cells than any record needs; export the sheet as .csv";
/// The refusal of sheets with far too much text.
pub(super) const TOO_MUCH_TEXT: &str =
    "the cells of a sheet hold more than 1 GB of text; export the sheet as .csv";

/// What the package says before any sheet is read.
#[derive(Debug, Default)]
pub(super) struct Package {
    /// Days count from 1904.
    pub(super) from_1904: bool,
    /// Cells merged downwards in each sheet of an open document, by the sheet's place.
    pub(super) merged: Vec<Vec<MergedDown>>,
}

/// A cell that holds its value for the rows below it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct MergedDown {
    pub(super) row: u32,
    pub(super) column: u32,
    /// Rows below.
    pub(super) below: u32,
}

/// Unpacks every entry, to know that it stays within bounds, and looks at those that say something.
pub(super) fn look_inside(
    bytes: &[u8],
    name: &str,
    is_ods: bool,
    most: u64,
) -> Result<Package, RecordsError> {
    let refuse = |what: &str| RecordsError::Table {
        file: name.to_owned(),
        what: what.to_owned(),
    };
    let no_package = "it is no spreadsheet that can be read (an old .xls, one with a password, or a damaged file); save it as .xlsx, .ods or .csv";
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|_| refuse(no_package))?;
    let mut package = Package::default();
    let mut unpacked = 0_u64;
    for index in 0..archive.len() {
        let entry = archive.by_index(index).map_err(|_| refuse(no_package))?;
        // As the reader of the sheets looks for it.
        let entry_name = entry
            .name()
            .map(|n| n.replace('\\', "/").to_ascii_lowercase())
            .unwrap_or_default();
        let mut limited = entry.take(most - unpacked + 1);
        let says_something = if is_ods {
            entry_name == "content.xml"
        } else {
            entry_name.ends_with("workbook.xml") || entry_name.ends_with("sharedstrings.xml")
        };
        let mut content = Vec::new();
        unpacked += if entry_name.contains("worksheets/") {
            read_sheet(&mut limited).ok_or_else(|| refuse(BAD_REFERENCE))?
        } else if says_something {
            limited
                .read_to_end(&mut content)
                .map_err(|_| refuse(no_package))? as u64
        } else {
            std::io::copy(&mut limited, &mut std::io::sink()).map_err(|_| refuse(no_package))?
        };
        if unpacked > most {
            return Err(refuse(
                "it unpacks to more than 1 GB; export the sheet as .csv",
            ));
        }
        let text = String::from_utf8_lossy(&content);
        if is_ods {
            if !is_closed(&content) {
                return Err(refuse(
                    "it is damaged: it breaks off or its elements do not close; save it again as .ods, .xlsx or .csv",
                ));
            }
            package.merged.extend(look_over_ods(&text).map_err(refuse)?);
        } else if entry_name.ends_with("workbook.xml") {
            package.from_1904 |= ["date1904=\"1\"", "date1904=\"true\""]
                .iter()
                .any(|flag| text.contains(flag));
        } else if most_shared(&text) > content.len() as u64 / SHORTEST_SHARED + 1 {
            return Err(refuse(
                "it is damaged: it claims more texts than it can hold; save it again as .xlsx or .csv",
            ));
        }
    }
    Ok(package)
}

/// Reads a sheet's text to its end; `None` where it cannot be read, or where a cell or an area has a
/// place that no sheet has, which the reader of sheets would take for another.
fn read_sheet(sheet: &mut impl Read) -> Option<u64> {
    let mut block = vec![0_u8; 1 << 18];
    let mut open: Vec<u8> = Vec::new();
    let mut length = 0;
    loop {
        let read = sheet.read(&mut block).ok()?;
        length += read as u64;
        open.extend_from_slice(&block[..read]);
        // A tag may go on in the next block; text that long is none.
        let whole = match memchr::memrchr(b'<', &open) {
            Some(at) if read > 0 && open.len() - at < 1 << 20 => at,
            _ => open.len(),
        };
        if !open[..whole].split(|b| *b == b'<').all(has_real_places) {
            return None;
        }
        open.drain(..whole);
        if read == 0 {
            return Some(length);
        }
    }
}

/// Whether the places that a tag names in `r` and `ref` can be places of a sheet.
fn has_real_places(tag: &[u8]) -> bool {
    let end = memchr::memchr(b'>', tag).unwrap_or(tag.len());
    let head = &tag[..end];
    memchr::memchr_iter(b'r', head).all(|at| {
        if at == 0 || !head[at - 1].is_ascii_whitespace() {
            return true;
        }
        let rest = &head[at + 1..];
        let rest = rest.strip_prefix(b"ef").unwrap_or(rest).trim_ascii_start();
        let Some(value) = rest.strip_prefix(b"=").map(<[u8]>::trim_ascii_start) else {
            return true;
        };
        let Some(mark) = value.first().filter(|b| matches!(b, b'"' | b'\'')) else {
            return true;
        };
        let value = &value[1..];
        let end = memchr::memchr(*mark, value).unwrap_or(value.len());
        let value = &value[..end];
        let digits = |place: &[u8]| place.iter().filter(|b| b.is_ascii_digit()).count();
        let is_place = |place: &[u8]| {
            let digits = digits(place);
            digits <= MOST_DIGITS && place.len() - digits <= MOST_LETTERS
        };
        let mut places = value.split(|b| *b == b':');
        places.all(is_place) && runs_forward(value)
    })
}

/// Whether an area of two places ends at or behind its start; the reader of the sheets takes one from the other.
fn runs_forward(area: &[u8]) -> bool {
    // Letters and digits, without zeros before them and marks of a fixed place, compare by length first.
    let part = |place: &[u8], wanted: fn(&u8) -> bool| -> (usize, Vec<u8>) {
        let all = place.iter().filter(|b| wanted(b));
        let all = all.skip_while(|b| **b == b'0').map(u8::to_ascii_uppercase);
        let part: Vec<u8> = all.collect();
        (part.len(), part)
    };
    let Some(at) = area.iter().position(|b| *b == b':') else {
        return true;
    };
    let (start, end) = (&area[..at], &area[at + 1..]);
    [
        u8::is_ascii_alphabetic as fn(&u8) -> bool,
        u8::is_ascii_digit,
    ]
    .into_iter()
    .all(|wanted| part(start, wanted) <= part(end, wanted))
}

/// How many shared texts a workbook claims to have; room is made for them before they are read.
fn most_shared(text: &str) -> u64 {
    text.match_indices("uniqueCount")
        .filter_map(|(at, _)| number_in(&text[at..], "uniqueCount"))
        .max()
        .unwrap_or(0)
}

/// Whether every element closes: the reader of the sheets waits for the ends of tables and rows, and would
/// wait for ever in a file that breaks off.
fn is_closed(content: &[u8]) -> bool {
    let mut reader = quick_xml::Reader::from_reader(content);
    let mut open = 0_u64;
    loop {
        match reader.read_event() {
            Ok(Event::Start(_)) => open += 1,
            Ok(Event::End(_)) => open = open.saturating_sub(1),
            Ok(Event::Eof) => return open == 0,
            Ok(_) => (),
            Err(_) => return false,
        }
    }
}

/// Counts the cells and the text that repeated rows and columns stand for, since a small file can ask
/// for billions, and finds those that are merged downwards.
fn look_over_ods(text: &str) -> Result<Vec<Vec<MergedDown>>, &'static str> {
    let mut merged: Vec<Vec<MergedDown>> = Vec::new();
    let (mut row, mut row_repeat, mut column, mut widest, mut cells, mut lowest) =
        (0_u64, 1_u64, 0_u64, 0_u64, 0_u64, 0_u64);
    let (mut cell_repeat, mut bytes) = (1_u64, 0_u64);
    for tag in text.split('<') {
        if is_tag(tag, "table:table") {
            (row, widest, lowest) = (0, 0, 0);
            row_repeat = 0;
            merged.push(Vec::new());
        } else if is_tag(tag, "table:table-row") {
            row = row.saturating_add(row_repeat);
            row_repeat = number_in(tag, "table:number-rows-repeated").unwrap_or(1);
            column = 0;
        } else if is_tag(tag, "table:table-cell") || is_tag(tag, "table:covered-table-cell") {
            let repeats = number_in(tag, "table:number-columns-repeated").unwrap_or(1);
            let rows = number_in(tag, "table:number-rows-spanned").unwrap_or(1);
            if (2..=MOST_BELOW).contains(&rows)
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
            cell_repeat = 0;
            if tag.contains("office:value-type") {
                cell_repeat = repeats.saturating_mul(row_repeat);
                widest = widest.max(column);
                lowest = lowest.max(row.saturating_add(row_repeat));
                cells = cells.saturating_add(cell_repeat);
            }
        }
        let blanks = if is_tag(tag, "text:s") {
            number_in(tag, "text:c").unwrap_or(1)
        } else {
            0
        };
        let here = (tag.len() as u64).saturating_add(blanks);
        bytes = bytes.saturating_add(here.saturating_mul(cell_repeat));
        if cells > MAX_CELLS
            || widest.saturating_mul(lowest) > MAX_CELLS
            || widest > u64::from(MAX_COLUMNS)
        {
            return Err(TOO_MANY_CELLS);
        }
        if bytes > MAX_TEXT {
            return Err(TOO_MUCH_TEXT);
        }
    }
    Ok(merged)
}

/// Whether what follows a `<` is this tag.
fn is_tag(text: &str, tag: &str) -> bool {
    text.strip_prefix(tag).is_some_and(|rest| {
        rest.starts_with(|c: char| c.is_ascii_whitespace() || c == '>' || c == '/')
    })
}

/// The number of an attribute; beyond all bounds where it is written in a way that hides it.
fn number_in(tag: &str, attribute: &str) -> Option<u64> {
    let (_, rest) = tag.split_once(attribute)?;
    let value = rest.trim_start().strip_prefix('=')?.trim_start();
    let mark = value.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    let number = value[1..].split(mark).next().unwrap_or_default();
    Some(number.trim().parse().unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn package(name: &str, content: &[u8]) -> Vec<u8> {
        let mut package = zip::ZipWriter::new(Cursor::new(Vec::new()));
        let options = zip::write::SimpleFileOptions::default()
            .compression_method(zip::CompressionMethod::Deflated);
        package.start_file(name, options).unwrap();
        package.write_all(content).unwrap();
        package.finish().unwrap().into_inner()
    }

    #[test]
    fn a_package_that_unpacks_beyond_the_limit_is_refused() {
        let bomb = package("xl/worksheets/sheet1.xml", &vec![b' '; 100_000]);
        assert!(bomb.len() < 1_000);
        assert!(look_inside(&bomb, "bomb.xlsx", false, 100_000).is_ok());
        let refused = look_inside(&bomb, "bomb.xlsx", false, 99_999).unwrap_err();
        assert!(refused.to_string().contains("unpacks to more than"));
    }

    #[test]
    fn room_is_made_only_for_texts_that_can_be_there() {
        let claims = |n: &str| {
            let book = package(
                "xl/SharedStrings.xml",
                format!("<sst uniqueCount = '{n}'><si><t>a</t></si></sst>").as_bytes(),
            );
            look_inside(&book, "a.xlsx", false, 100_000)
        };
        assert!(claims("1").is_ok());
        for too_many in ["1000000000", "&#49;000000000"] {
            let message = claims(too_many).unwrap_err().to_string();
            assert!(message.contains("more texts than it can hold"), "{message}");
        }
    }

    #[test]
    fn a_place_that_no_sheet_has_is_refused() {
        let sheet = |tag: &str| {
            let text = format!(
                "<sheetData>{}<row r=\"1\">{tag}</row>",
                "<c/>".repeat(100_000)
            );
            let book = package("xl/worksheets/sheet1.xml", text.as_bytes());
            look_inside(&book, "a.xlsx", false, 10_000_000)
        };
        assert!(sheet("<c r=\"XFD1048576\" s=\"1\"/>").is_ok());
        assert!(sheet("<mergeCell ref=\"Z9:AA10\"/><autoFilter ref=\"A:C\"/>").is_ok());
        assert!(sheet("<mergeCell ref=\"$A$1:$XFD$1048576\"/><v>45943.123456789</v>").is_ok());
        for bad in [
            "<c r=\"A9999999999\"/>",
            "<row r=\"9999999999\">",
            "<c r = 'AAAAAAAAAAAAA1'/>",
            "<mergeCell ref=\"A1:B99999999999999\"/>",
            "<mergeCell ref=\"B5:A5\"/>",
            "<mergeCell ref=\"AA10:AA9\"/>",
        ] {
            let message = sheet(bad).unwrap_err().to_string();
            assert!(message.contains("a place that no sheet has"), "{message}");
        }
    }

    #[test]
    fn repeated_cells_are_counted_before_they_are_made() {
        let sheet = |row: &str, cells: &str| {
            look_over_ods(&format!(
                "<table:table table:name=\"a\"><table:table-row {row}>{cells}</table:table-row></table:table>"
            ))
        };
        let many = "table:number-rows-repeated=\"1000000\"";
        for wide in [
            "table:number-columns-repeated=\"1000\"",
            "table:number-columns-repeated = '1000'",
            "table:number-columns-repeated=\"&#49;000\"",
        ] {
            let cell = format!("<table:table-cell office:value-type=\"float\" {wide}/>");
            assert_eq!(sheet(many, &cell).err(), Some(TOO_MANY_CELLS));
        }
        let empty = "<table:table-cell table:number-columns-repeated=\"16384\"/>";
        assert!(sheet(many, empty).is_ok());
        let text = |inner: &str| {
            format!(
                "<table:table-cell office:value-type=\"string\"><text:p>{inner}</text:p></table:table-cell>"
            )
        };
        assert_eq!(
            sheet(many, &text(&"x".repeat(2_000))).err(),
            Some(TOO_MUCH_TEXT)
        );
        assert_eq!(
            sheet("", &text("<text:s text:c=\"2000000000\"/>")).err(),
            Some(TOO_MUCH_TEXT)
        );
        assert!(sheet("", &text("<text:s text:c=\"20\"/>")).is_ok());
    }

    #[test]
    fn cells_merged_downwards_are_found() {
        let text = "<table:table table:name=\"a\"><table:table-row/><table:table-row>\
            <table:table-cell table:number-columns-repeated=\"2\"/>\
            <table:table-cell table:number-rows-spanned=\"3\" office:value-type=\"string\"/>";
        let below = MergedDown {
            row: 1,
            column: 2,
            below: 2,
        };
        assert_eq!(look_over_ods(text).unwrap(), [[below]]);
    }
}
