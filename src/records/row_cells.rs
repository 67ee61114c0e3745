//! Rows of a replacement export, chunk by chunk: dates and numbers read, texts as numbers of the
//! chunk. Chunks are read side by side and do not know of each other.

use std::collections::{HashMap, HashSet};
use std::hash::BuildHasher;
use std::ops::Range;

use foldhash::fast::RandomState;
use foldhash::quality::FixedState;
use jiff::civil::Date;

use super::RecordsError;
use super::dates::DateColumn;
use super::numbers::DecimalMark;
use super::opened::{Opened, number};
use super::text::quoted;

/// A further column with more different texts than this numbers the rows, and is no group.
const MOST_TEXTS: usize = 100_000;
/// Most parts that one row can be about.
const MOST_COUNTED: f64 = 10_000.0;

/// Texts of one column in a chunk, each once, in the order in which they first stand there.
#[derive(Debug)]
pub(super) struct ChunkTexts<'t> {
    texts: Vec<&'t str>,
    codes: HashMap<&'t str, u32, RandomState>,
    last: u32,
}

impl<'t> ChunkTexts<'t> {
    fn new() -> Self {
        Self {
            texts: Vec::new(),
            codes: HashMap::default(),
            last: 0,
        }
    }

    fn code(&mut self, text: &'t str) -> u32 {
        if self.texts.get(self.last as usize) == Some(&text) {
            return self.last;
        }
        let next = self.texts.len() as u32;
        let code = *self.codes.entry(text).or_insert(next);
        if code == next {
            self.texts.push(text);
        }
        self.last = code;
        code
    }

    /// The texts by number.
    pub(super) fn texts(&self) -> &[&'t str] {
        &self.texts
    }

    /// The text of a number.
    pub(super) fn text(&self, code: u32) -> &'t str {
        self.texts.get(code as usize).copied().unwrap_or_default()
    }
}

/// A whole number in a cell, where there is one; `Err` when there is something else.
pub(super) type Count = Result<Option<u16>, ()>;

/// One row: numbers lead to the chunk's texts.
#[derive(Debug, Clone, Copy)]
pub(super) struct RowCells {
    /// Row of the table.
    pub(super) row: u32,
    pub(super) machine: u32,
    pub(super) part: u32,
    pub(super) position: u32,
    pub(super) reason: u32,
    pub(super) serial: u32,
    pub(super) serial_out: u32,
    pub(super) extra: u32,
    pub(super) unkept: u32,
    pub(super) date: Option<Date>,
    /// Operating hours; `Err` when the cell holds something else.
    pub(super) hours: Result<Option<f64>, ()>,
    pub(super) quantity: Count,
    pub(super) worn_count: Count,
    /// There are filled cells beyond the last heading.
    pub(super) overflows: bool,
}

/// Some rows of an export.
#[derive(Debug)]
pub(super) struct Chunk<'t> {
    pub(super) rows: Vec<RowCells>,
    pub(super) machines: ChunkTexts<'t>,
    pub(super) parts: ChunkTexts<'t>,
    pub(super) positions: ChunkTexts<'t>,
    pub(super) reasons: ChunkTexts<'t>,
    pub(super) serials: ChunkTexts<'t>,
    pub(super) serials_out: ChunkTexts<'t>,
    /// Texts of the further columns, one each.
    pub(super) extras: Vec<Vec<&'t str>>,
}

/// How the rows of one export are read.
pub(super) struct RowReader<'a> {
    opened: &'a Opened,
    dates: DateColumn,
    decimal: DecimalMark,
    whole: DecimalMark,
    to_hours: f64,
    /// Further columns kept with each row.
    pub(super) kept: Vec<usize>,
    /// Further columns that number the rows.
    numbering: Vec<usize>,
}

impl<'a> RowReader<'a> {
    /// Settles how dates and numbers are written; `to_hours` is how many of the file's units make
    /// an hour.
    pub(super) fn new(
        opened: &'a Opened,
        to_hours: f64,
        notes: &mut Vec<String>,
    ) -> Result<Self, RecordsError> {
        let dates = opened.dates("date", notes)?;
        let decimal = opened.decimal("hours", notes)?;
        let whole = opened.decimal("quantity", notes)?;
        let (numbering, kept): (Vec<usize>, Vec<usize>) = opened
            .columns
            .others
            .iter()
            .partition(|&&column| numbers_the_rows(opened, column));
        for &column in &numbering {
            notes.push(format!(
                "Column {} of {} has more than {MOST_TEXTS} different texts in its first {} rows: it numbers the rows, so it is no group and is not kept with the lives.",
                quoted(&opened.columns.headings[column]),
                opened.table.name(),
                2 * MOST_TEXTS,
            ));
        }
        Ok(Self {
            opened,
            dates,
            decimal,
            whole,
            to_hours,
            kept,
            numbering,
        })
    }

    /// Reads some rows.
    pub(super) fn read(&self, rows: Range<usize>) -> Chunk<'a> {
        let table = &self.opened.table;
        let columns = &self.opened.columns;
        let [
            date,
            machine,
            part,
            position,
            hours,
            reason,
            serial,
            serial_out,
            quantity,
            worn,
        ] = [
            "date",
            "machine",
            "part",
            "position",
            "hours",
            "reason",
            "serial",
            "serial_out",
            "quantity",
            "worn_count",
        ]
        .map(|key| columns.get(key));
        let mut chunk = Chunk {
            rows: Vec::with_capacity(rows.len()),
            machines: ChunkTexts::new(),
            parts: ChunkTexts::new(),
            positions: ChunkTexts::new(),
            reasons: ChunkTexts::new(),
            serials: ChunkTexts::new(),
            serials_out: ChunkTexts::new(),
            extras: Vec::new(),
        };
        let mut extra_codes: HashMap<Vec<&'a str>, u32, RandomState> = HashMap::default();
        let mut dates = DateColumn::new(self.dates.reader().clone());
        let mut cells: Vec<&'a str> = Vec::new();
        let mut extra: Vec<&'a str> = Vec::new();
        for row in rows {
            table.cells(row, &mut cells);
            let text = |column: Option<usize>| {
                column
                    .and_then(|c| cells.get(c))
                    .copied()
                    .unwrap_or_default()
            };
            let kind = |column: Option<usize>| {
                column.map_or_else(Default::default, |c| table.kind(row, c))
            };
            let count = |column| count(text(column), kind(column), self.whole);
            extra.clear();
            extra.extend(self.kept.iter().map(|&c| text(Some(c))));
            let extra_code = if let Some(&code) = extra_codes.get(&extra) {
                code
            } else {
                let code = chunk.extras.len() as u32;
                chunk.extras.push(extra.clone());
                extra_codes.insert(extra.clone(), code);
                code
            };
            chunk.rows.push(RowCells {
                row: row as u32,
                machine: chunk.machines.code(text(machine)),
                part: chunk.parts.code(text(part)),
                position: chunk.positions.code(text(position)),
                reason: chunk.reasons.code(text(reason)),
                serial: chunk.serials.code(text(serial)),
                serial_out: chunk.serials_out.code(text(serial_out)),
                extra: extra_code,
                unkept: self.digest(text(position), &cells),
                date: date.and_then(|_| self.opened.day(text(date), kind(date), &mut dates)),
                hours: number(text(hours), kind(hours), self.decimal)
                    .map(|h| h.map(|h| h / self.to_hours)),
                quantity: count(quantity),
                worn_count: count(worn),
                overflows: cells
                    .get(columns.headings.len()..)
                    .is_some_and(|beyond| beyond.iter().any(|cell| !cell.is_empty())),
            });
        }
        chunk
    }

    /// A digest of what tells rows apart and is not kept with them.
    fn digest(&self, position: &str, cells: &[&str]) -> u32 {
        const FIXED: FixedState = FixedState::with_seed(20);
        let numbering = self
            .numbering
            .iter()
            .map(|&c| cells.get(c).copied().unwrap_or_default());
        let mut digest = if position.is_empty() {
            0
        } else {
            FIXED.hash_one(position)
        };
        for text in numbering {
            digest = digest.rotate_left(7) ^ FIXED.hash_one(text);
        }
        (digest ^ (digest >> 32)) as u32
    }
}

/// A whole number from a cell.
fn count(text: &str, kind: super::text_table::Kind, mark: DecimalMark) -> Count {
    match number(text, kind, mark)? {
        None => Ok(None),
        Some(n) if n.fract() == 0.0 && (0.0..=MOST_COUNTED).contains(&n) => Ok(Some(n as u16)),
        Some(_) => Err(()),
    }
}

/// Whether the first rows of a long file hold too many different texts in a further column.
fn numbers_the_rows(opened: &Opened, column: usize) -> bool {
    let rows = opened.rows();
    if rows.len() <= MOST_TEXTS {
        return false;
    }
    let mut texts: HashSet<&str, RandomState> = HashSet::default();
    for row in rows.take(2 * MOST_TEXTS) {
        texts.insert(opened.table.cell(row, column));
        if texts.len() > MOST_TEXTS {
            return true;
        }
    }
    false
}
