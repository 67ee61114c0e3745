//! A file as rows of cells, before anybody says what they mean.

use std::ops::Range;

use rayon::prelude::*;

use super::byte_places::each_place;
use super::shared::Source;
use super::{RowRef, Text};

/// Bytes of a text that one thread looks at together.
const PIECE: usize = 1 << 20;

/// What a cell was in the file.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Text as written; how to read it is open.
    #[default]
    Text,
    /// A date cell, written as year-month-day.
    Date,
    /// A number cell of a spreadsheet or a typed file, written with a decimal point.
    Number,
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    start: u32,
    len: u32,
    kind: Kind,
}

/// Rows of cells that carry their own text: of a spreadsheet or a typed file.
#[derive(Debug, Clone)]
pub(crate) struct Rows {
    cells: Vec<Cell>,
    /// First cell of each row, and one past the last.
    starts: Vec<usize>,
    numbers: Vec<u32>,
    text: String,
    filled: bool,
}

impl Default for Rows {
    fn default() -> Self {
        Self {
            cells: Vec::new(),
            starts: vec![0],
            numbers: Vec::new(),
            text: String::new(),
            filled: false,
        }
    }
}

impl Rows {
    /// Adds a cell.
    pub(crate) fn push_text(&mut self, text: &str, kind: Kind) {
        self.filled |= !text.trim().is_empty();
        let start = self.text.len();
        self.text.push_str(text);
        self.cells.push(Cell {
            start: start as u32,
            len: text.len() as u32,
            kind,
        });
    }

    /// Ends the row begun by the cells pushed last; a row of empty cells is dropped.
    pub(crate) fn end_row(&mut self, number: u32) {
        if self.filled {
            self.starts.push(self.cells.len());
            self.numbers.push(number);
        } else {
            self.cells
                .truncate(self.starts.last().copied().unwrap_or_default());
        }
        self.filled = false;
    }

    /// Bytes of text, to keep within 32 bits.
    pub(crate) fn own_bytes(&self) -> usize {
        self.text.len()
    }

    fn text_of(&self, cell: Cell) -> &str {
        let start = cell.start as usize;
        self.text
            .get(start..start + cell.len as usize)
            .unwrap_or_default()
    }
}

/// A row of a delimited file: where it stands in the text, cut into cells when it is looked at.
#[derive(Debug, Clone, Copy)]
struct Line {
    start: u32,
    end: u32,
    number: u32,
}

/// Separates the cells of rows that were written anew; no export has it in a cell.
const OWN_DELIMITER: char = '\u{1f}';

/// Rows of a delimited file. A cell may stand in quotation marks; rows with doubled marks are kept
/// anew, behind the file's own text.
#[derive(Debug, Clone)]
pub(crate) struct Lines {
    text: String,
    /// Where rows written anew begin.
    own_from: usize,
    delimiter: u8,
    quotes: bool,
    rows: Vec<Line>,
}

impl Lines {
    /// No rows yet of a text whose cells `delimiter` separates.
    pub(crate) fn new(text: String, delimiter: u8) -> Self {
        let quotes = holds(text.as_bytes(), b'"');
        Self {
            own_from: text.len(),
            text,
            delimiter,
            quotes,
            rows: Vec::new(),
        }
    }

    /// The file's own text.
    pub(crate) fn text(&self) -> &str {
        &self.text[..self.own_from]
    }

    /// Whether there is a quotation mark at all.
    pub(crate) fn has_quotes(&self) -> bool {
        self.quotes
    }

    /// Cuts a text without quotation marks into its rows; those without a filled cell are dropped
    /// but counted.
    pub(crate) fn cut_plain(&mut self) {
        let bytes = self.text.as_bytes();
        // Cut where a line ends: each piece by itself, and then numbered through.
        let mut pieces = Vec::with_capacity(bytes.len() / PIECE + 1);
        let mut from = 0;
        while from < bytes.len() {
            let to = (from + PIECE).min(bytes.len());
            let to = memchr::memchr(b'\n', &bytes[to..]).map_or(bytes.len(), |end| to + end + 1);
            pieces.push(from..to);
            from = to;
        }
        let delimiter = self.delimiter;
        let cut: Vec<(Vec<Line>, u32)> = (pieces.into_par_iter())
            .map(|piece| lines_of(bytes, piece, delimiter))
            .collect();
        // Where the rows and the lines of each piece begin among all.
        let mut begins = Vec::with_capacity(cut.len());
        let mut before = (0, 0_u32);
        for (lines, count) in &cut {
            begins.push(before);
            before = (before.0 + lines.len(), before.1.saturating_add(*count));
        }
        let in_place = |piece: &mut usize, row: usize| {
            // Rows are nearly always asked for one after the other.
            let is_there = begins[*piece].0 <= row && row - begins[*piece].0 < cut[*piece].0.len();
            if !is_there {
                *piece = begins.partition_point(|(first, _)| *first <= row) - 1;
            }
            let (first, before) = begins[*piece];
            let line = cut[*piece].0[row - first];
            Line {
                number: line.number.saturating_add(before),
                ..line
            }
        };
        let rows = (0..before.0).into_par_iter();
        let rows = rows.map_init(|| 0, in_place).collect();
        self.rows = rows;
    }

    /// Adds the row between two places of the text.
    pub(crate) fn push(&mut self, start: usize, end: usize, number: u32) {
        self.rows.push(Line {
            start: start as u32,
            end: end as u32,
            number,
        });
    }

    /// Adds a row of cells written anew.
    pub(crate) fn push_anew(&mut self, cells: &[String], number: u32) {
        let start = self.text.len();
        for (at, cell) in cells.iter().enumerate() {
            if at > 0 {
                self.text.push(OWN_DELIMITER);
            }
            self.text.extend(
                cell.chars()
                    .map(|c| if c == OWN_DELIMITER { ' ' } else { c }),
            );
        }
        self.push(start, self.text.len(), number);
    }

    /// Bytes of text, to keep within 32 bits.
    pub(crate) fn bytes(&self) -> usize {
        self.text.len()
    }

    /// A row's text and what separates its cells.
    fn line(&self, row: usize) -> (&str, u8) {
        let line = self.rows[row];
        let text = self
            .text
            .get(line.start as usize..line.end as usize)
            .unwrap_or_default();
        if line.start as usize >= self.own_from {
            (text, OWN_DELIMITER as u8)
        } else {
            (text, self.delimiter)
        }
    }

    /// Whether any cell of a line stands in quotation marks; rows written anew keep theirs as text.
    fn is_quoted(&self, text: &str, delimiter: u8) -> bool {
        self.quotes
            && delimiter != OWN_DELIMITER as u8
            && memchr::memchr(b'"', text.as_bytes()).is_some()
    }

    fn width(&self, row: usize) -> usize {
        let (text, delimiter) = self.line(row);
        if self.is_quoted(text, delimiter) {
            QuotedCells::new(text, delimiter).count()
        } else {
            memchr::memchr_iter(delimiter, text.as_bytes()).count() + 1
        }
    }

    /// One cell; empty beyond the row's end.
    fn cell(&self, row: usize, column: usize) -> &str {
        let (text, delimiter) = self.line(row);
        if self.is_quoted(text, delimiter) {
            return QuotedCells::new(text, delimiter)
                .nth(column)
                .unwrap_or_default();
        }
        let mut ends = memchr::memchr_iter(delimiter, text.as_bytes());
        let start = match column.checked_sub(1).map(|before| ends.nth(before)) {
            None => 0,
            Some(Some(end)) => end + 1,
            Some(None) => return "",
        };
        let end = ends.next().unwrap_or(text.len());
        text.get(start..end).unwrap_or_default()
    }

    /// All cells of a row.
    fn cells<'t>(&'t self, row: usize, into: &mut Vec<&'t str>) {
        let (text, delimiter) = self.line(row);
        if self.is_quoted(text, delimiter) {
            into.extend(QuotedCells::new(text, delimiter).map(trimmed));
            return;
        }
        let mut start = 0;
        each_place(text.as_bytes(), delimiter, |end| {
            into.push(trimmed(text.get(start..end).unwrap_or_default()));
            start = end + 1;
        });
        into.push(trimmed(text.get(start..).unwrap_or_default()));
    }
}

/// Whether a byte stands in a text.
pub(super) fn holds(bytes: &[u8], wanted: u8) -> bool {
    bytes
        .par_chunks(PIECE)
        .any(|piece| memchr::memchr(wanted, piece).is_some())
}

/// The filled lines of a piece of a text without quotation marks, numbered from 1, and how many lines it has. A piece
/// begins where a line does, and ends where one ends or with the text.
fn lines_of(bytes: &[u8], piece: Range<usize>, delimiter: u8) -> (Vec<Line>, u32) {
    let sample = &bytes[piece.start..piece.end.min(piece.start + (1 << 14))];
    let in_sample = memchr::memchr_iter(b'\n', sample).count() + 1;
    // A little more room than the rows need, so that they seldom have to be moved.
    let share = (piece.len() as f64 / sample.len().max(1) as f64 * 1.1).max(1.0);
    let mut lines = Vec::with_capacity((in_sample as f64 * share) as usize);
    let (mut at, mut count) = (piece.start, 0_u32);
    let ends = memchr::memchr2_iter(b'\n', b'\r', &bytes[piece.clone()]);
    let ends = ends.map(|end| piece.start + end);
    for end in ends.chain((piece.end == bytes.len()).then_some(bytes.len())) {
        if bytes.get(end) == Some(&b'\n') && at == end && end > 0 && bytes[end - 1] == b'\r' {
            at = end + 1;
            continue;
        }
        count = count.saturating_add(1);
        if is_filled(&bytes[at..end], delimiter) {
            lines.push(Line {
                start: at as u32,
                end: end as u32,
                number: count,
            });
        }
        at = end + 1;
    }
    (lines, count)
}

/// The cells of one line with quotation marks, one after the other.
struct QuotedCells<'t> {
    rest: Option<&'t str>,
    delimiter: u8,
}

impl<'t> QuotedCells<'t> {
    fn new(line: &'t str, delimiter: u8) -> Self {
        Self {
            rest: Some(line),
            delimiter,
        }
    }
}

impl<'t> Iterator for QuotedCells<'t> {
    type Item = &'t str;

    fn next(&mut self) -> Option<&'t str> {
        let rest = self.rest?;
        let bytes = rest.as_bytes();
        if bytes.first() == Some(&b'"') {
            let end = memchr::memchr(b'"', &bytes[1..]).map_or(bytes.len(), |at| at + 1);
            let cell = rest.get(1..end).unwrap_or_default();
            self.rest = (bytes.get(end + 1) == Some(&self.delimiter))
                .then(|| rest.get(end + 2..))
                .flatten();
            return Some(cell);
        }
        match memchr::memchr(self.delimiter, bytes) {
            Some(at) => {
                self.rest = rest.get(at + 1..);
                rest.get(..at)
            }
            None => self.rest.take(),
        }
    }
}

#[derive(Debug, Clone)]
enum Form {
    Lines(Lines),
    Rows(Rows),
}

impl Default for Form {
    fn default() -> Self {
        Self::Rows(Rows::default())
    }
}

/// One file or sheet: rows of cells as text, with the row numbers a spreadsheet program shows.
#[derive(Debug, Clone, Default)]
pub(crate) struct TextTable {
    file: String,
    sheet: Option<String>,
    form: Form,
    /// Number cells may stand for days.
    pub(crate) is_spreadsheet: bool,
    /// Such days count from 1904 instead of 1900.
    pub(crate) from_1904: bool,
    /// What the reader settled by itself.
    pub(crate) notes: Vec<String>,
}

impl TextTable {
    /// A table of rows whose cells carry their own text.
    pub(crate) fn new(file: &str, sheet: Option<&str>, rows: Rows) -> Self {
        Self {
            file: file.to_owned(),
            sheet: sheet.map(str::to_owned),
            form: Form::Rows(rows),
            ..Self::default()
        }
    }

    /// A table of the lines of a delimited file.
    pub(crate) fn of_lines(file: &str, lines: Lines) -> Self {
        Self {
            file: file.to_owned(),
            form: Form::Lines(lines),
            ..Self::default()
        }
    }

    /// Rows, headings among them.
    pub(crate) fn len(&self) -> usize {
        match &self.form {
            Form::Lines(lines) => lines.rows.len(),
            Form::Rows(rows) => rows.numbers.len(),
        }
    }

    /// Cells in a row.
    pub(crate) fn width(&self, row: usize) -> usize {
        match &self.form {
            Form::Lines(lines) => lines.width(row),
            Form::Rows(rows) => rows.starts[row + 1] - rows.starts[row],
        }
    }

    /// A cell's text without surrounding blanks; empty beyond the row's end.
    pub(crate) fn cell(&self, row: usize, column: usize) -> &str {
        match &self.form {
            Form::Lines(lines) => trimmed(lines.cell(row, column)),
            Form::Rows(rows) => {
                at(rows, row, column).map_or("", |cell| trimmed(rows.text_of(cell)))
            }
        }
    }

    /// All cells of a row at once, as [`Self::cell`] gives them.
    pub(crate) fn cells<'t>(&'t self, row: usize, into: &mut Vec<&'t str>) {
        into.clear();
        match &self.form {
            Form::Lines(lines) => lines.cells(row, into),
            Form::Rows(rows) => into.extend(
                rows.cells[rows.starts[row]..rows.starts[row + 1]]
                    .iter()
                    .map(|&cell| trimmed(rows.text_of(cell))),
            ),
        }
    }

    /// What a cell was in the file.
    pub(crate) fn kind(&self, row: usize, column: usize) -> Kind {
        match &self.form {
            Form::Lines(_) => Kind::Text,
            Form::Rows(rows) => at(rows, row, column).map_or(Kind::Text, |cell| cell.kind),
        }
    }

    /// Row number as a spreadsheet program shows it.
    pub(crate) fn number(&self, row: usize) -> u32 {
        match &self.form {
            Form::Lines(lines) => lines.rows[row].number,
            Form::Rows(rows) => rows.numbers[row],
        }
    }

    /// File and sheet for messages.
    pub(crate) fn name(&self) -> String {
        match &self.sheet {
            Some(sheet) => format!("{} [{sheet}]", self.file),
            None => self.file.clone(),
        }
    }

    /// File and sheet for the places of rows.
    pub(super) fn source(&self) -> Source {
        Source::new(
            Text::from(&self.file),
            self.sheet.as_deref().map(Text::from),
        )
    }

    /// Where a row stood.
    pub(crate) fn row_ref(&self, row: usize) -> RowRef {
        RowRef::of(self.source(), self.number(row))
    }
}

/// Whether any cell of a row without quotation marks holds more than blanks.
fn is_filled(row: &[u8], delimiter: u8) -> bool {
    match row
        .iter()
        .find(|&&b| b != delimiter && !b.is_ascii_whitespace())
    {
        None => false,
        Some(b) if b.is_ascii() => true,
        Some(_) => std::str::from_utf8(row).is_ok_and(|text| {
            text.chars()
                .any(|c| !c.is_whitespace() && c != delimiter as char)
        }),
    }
}

fn at(rows: &Rows, row: usize, column: usize) -> Option<Cell> {
    let index = rows.starts.get(row)? + column;
    (index < *rows.starts.get(row + 1)?).then(|| rows.cells[index])
}

/// Without surrounding blanks; most cells have none.
fn trimmed(text: &str) -> &str {
    let bare = |b: Option<&u8>| b.is_none_or(u8::is_ascii_graphic);
    let bytes = text.as_bytes();
    if bare(bytes.first()) && bare(bytes.last()) {
        text
    } else {
        text.trim()
    }
}
