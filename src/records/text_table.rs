//! A file as rows of cells, before anybody says what they mean.

use super::RowRef;

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
    /// Its text is in `own`, not in the file's.
    own: bool,
}

/// Rows of cells: most point into the file's text, the others carry their own.
#[derive(Debug, Clone)]
pub(crate) struct Rows {
    cells: Vec<Cell>,
    /// First cell of each row, and one past the last.
    starts: Vec<usize>,
    numbers: Vec<u32>,
    own: String,
    filled: bool,
}

impl Default for Rows {
    fn default() -> Self {
        Self {
            cells: Vec::new(),
            starts: vec![0],
            numbers: Vec::new(),
            own: String::new(),
            filled: false,
        }
    }
}

impl Rows {
    /// Adds a cell that is a piece of the file's text.
    pub(crate) fn push_span(&mut self, source: &str, start: usize, end: usize) {
        self.filled |= !source[start..end].trim().is_empty();
        self.cells.push(Cell {
            start: start as u32,
            len: (end - start) as u32,
            kind: Kind::Text,
            own: false,
        });
    }

    /// Adds a cell with a text of its own.
    pub(crate) fn push_text(&mut self, text: &str, kind: Kind) {
        self.filled |= !text.trim().is_empty();
        let start = self.own.len();
        self.own.push_str(text);
        self.cells.push(Cell {
            start: start as u32,
            len: text.len() as u32,
            kind,
            own: true,
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

    /// Bytes of own text, to keep within 32 bits.
    pub(crate) fn own_bytes(&self) -> usize {
        self.own.len()
    }

    /// Rows ended and kept.
    pub(crate) fn len(&self) -> usize {
        self.numbers.len()
    }
}

/// One file or sheet: rows of cells as text, with the row numbers a spreadsheet program shows.
#[derive(Debug, Clone, Default)]
pub(crate) struct TextTable {
    file: String,
    sheet: Option<String>,
    source: String,
    rows: Rows,
    /// Number cells may stand for days.
    pub(crate) is_spreadsheet: bool,
    /// Such days count from 1904 instead of 1900.
    pub(crate) from_1904: bool,
    /// What the reader settled by itself.
    pub(crate) notes: Vec<String>,
}

impl TextTable {
    /// A table of rows whose cells point into `source` or carry their own text.
    pub(crate) fn new(file: &str, sheet: Option<&str>, source: String, rows: Rows) -> Self {
        Self {
            file: file.to_owned(),
            sheet: sheet.map(str::to_owned),
            source,
            rows,
            is_spreadsheet: false,
            from_1904: false,
            notes: Vec::new(),
        }
    }

    /// Rows, headings among them.
    pub(crate) fn len(&self) -> usize {
        self.rows.len()
    }

    /// Cells in a row.
    pub(crate) fn width(&self, row: usize) -> usize {
        self.rows.starts[row + 1] - self.rows.starts[row]
    }

    /// A cell's text without surrounding blanks; empty beyond the row's end.
    pub(crate) fn cell(&self, row: usize, column: usize) -> &str {
        self.at(row, column).map_or("", |cell| {
            let text = if cell.own {
                &self.rows.own
            } else {
                &self.source
            };
            let start = cell.start as usize;
            text.get(start..start + cell.len as usize)
                .unwrap_or_default()
                .trim()
        })
    }

    /// What a cell was in the file.
    pub(crate) fn kind(&self, row: usize, column: usize) -> Kind {
        self.at(row, column).map_or(Kind::Text, |cell| cell.kind)
    }

    /// Row number as a spreadsheet program shows it.
    pub(crate) fn number(&self, row: usize) -> u32 {
        self.rows.numbers[row]
    }

    /// File and sheet for messages.
    pub(crate) fn name(&self) -> String {
        match &self.sheet {
            Some(sheet) => format!("{} [{sheet}]", self.file),
            None => self.file.clone(),
        }
    }

    /// Where a row stood.
    pub(crate) fn row_ref(&self, row: usize) -> RowRef {
        RowRef {
            file: self.file.clone(),
            sheet: self.sheet.clone(),
            row: self.number(row),
        }
    }

    fn at(&self, row: usize, column: usize) -> Option<Cell> {
        let index = self.rows.starts.get(row)? + column;
        (index < *self.rows.starts.get(row + 1)?).then(|| self.rows.cells[index])
    }
}
