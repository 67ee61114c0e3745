//! Rows of a replacement export, chunk by chunk: dates and numbers read, texts as numbers of the
//! desk. Chunks are read side by side and do not know of each other.

use std::collections::{HashMap, HashSet};
use std::hash::BuildHasher;
use std::ops::Range;

use foldhash::fast::RandomState;
use foldhash::quality::FixedState;
use jiff::civil::Date;

use super::dates::DateColumn;
use super::numbers::DecimalMark;
use super::opened::{Opened, number};
use super::short_text::{NO_TEXT, ShortText, short, slot};
use super::text::quoted;
use super::ways_of_writing::{Asked, Votes, Ways};
use super::{Extras, RecordsError, Text, Verdict};

/// The numbers beside the hours whose way of writing is settled with theirs.
const FURTHER: &str = "quantity";
/// A further column with more different texts than this numbers the rows, and is no group.
const MOST_TEXTS: usize = 100_000;
/// Most parts that one row can be about.
const MOST_COUNTED: f64 = 10_000.0;
/// Quick keys under which the further texts of a row are remembered.
const FEW: usize = 256;
/// Rows whose machines are looked up one right after the other: among very many machines each waits
/// for memory, and so they wait together.
const LOOKED_UP_TOGETHER: usize = 256;
/// Slots of the texts met last in a column.
const NEAR: usize = 64;
/// Different texts of a column that a desk remembers from one stretch of rows to the next.
const MOST_REMEMBERED: usize = 1 << 18;

/// A number below [`FEW`] from a text's end and length, at once.
fn quick_key(text: &str) -> usize {
    let tail = text.as_bytes().last_chunk::<4>();
    let tail = tail.map_or_else(
        || text.bytes().fold(0, |n, b| (n << 8) | u32::from(b)),
        |tail| u32::from_le_bytes(*tail),
    );
    let mixed = (tail ^ text.len() as u32).wrapping_mul(0x9e37_79b1);
    (mixed >> 24) as usize % FEW
}

/// The numbers that a desk gave to the texts of one column.
#[derive(Debug)]
struct TextNumbers<'t> {
    /// Short texts met last, each in a slot of its own: most columns hold few texts.
    near: [(ShortText, u32); NEAR],
    short: HashMap<ShortText, u32, RandomState>,
    long: HashMap<&'t str, u32, RandomState>,
}

impl Default for TextNumbers<'_> {
    fn default() -> Self {
        Self {
            near: [(NO_TEXT, 0); NEAR],
            short: HashMap::default(),
            long: HashMap::default(),
        }
    }
}

impl<'t> TextNumbers<'t> {
    fn len(&self) -> usize {
        self.short.len() + self.long.len()
    }

    /// The number of a text; one that is new gets the next, and is told.
    fn of(&mut self, text: &'t str, met: &mut Met<&'t str>) -> u32 {
        let next = self.len() as u32;
        let number = match short(text) {
            Some(numbers) => {
                let near = &mut self.near[slot::<NEAR>(numbers)];
                if near.0 == numbers {
                    return near.1;
                }
                *near = (numbers, *self.short.entry(numbers).or_insert(next));
                near.1
            }
            None => *self.long.entry(text).or_insert(next),
        };
        if number == next {
            met.texts.push(text);
        }
        number
    }

    /// Ready for more rows: texts that are too many to repeat often are forgotten.
    fn begin(&mut self, met: &mut Met<&'t str>) {
        met.begin(self.len());
        if met.begins_anew {
            *self = Self::default();
        }
    }
}

/// What a stretch of rows brought to a column that its desk had not met before, in the order of their numbers.
#[derive(Debug)]
pub(super) struct Met<T> {
    texts: Vec<T>,
    /// The numbers begin anew with it.
    begins_anew: bool,
}

impl<T> Met<T> {
    /// Ready for more rows at a desk that remembers so many already.
    fn begin(&mut self, remembered: usize) {
        self.texts.clear();
        self.begins_anew = remembered > MOST_REMEMBERED;
    }
}

impl<T> Default for Met<T> {
    fn default() -> Self {
        Self {
            texts: Vec::new(),
            begins_anew: false,
        }
    }
}

/// What a desk met in one column, with what it means, by the desk's numbers.
#[derive(Debug)]
pub(super) struct Meanings<T, M> {
    texts: Vec<T>,
    means: Vec<M>,
}

impl<T, M> Default for Meanings<T, M> {
    fn default() -> Self {
        Self {
            texts: Vec::new(),
            means: Vec::new(),
        }
    }
}

impl<T: Clone, M: Copy> Meanings<T, M> {
    /// Looks up what was met since.
    pub(super) fn learn(&mut self, met: &Met<T>, meaning: impl FnMut(&T) -> M) {
        if met.begins_anew {
            *self = Self::default();
        }
        self.texts.extend_from_slice(&met.texts);
        self.means.extend(met.texts.iter().map(meaning));
    }

    /// What a number means.
    pub(super) fn of(&self, number: u32) -> M {
        self.means[number as usize]
    }

    /// What got a number.
    pub(super) fn text(&self, number: u32) -> &T {
        &self.texts[number as usize]
    }
}

/// A whole number in a cell, where there is one; `Err` when there is something else.
pub(super) type Count = Result<Option<u16>, ()>;

/// One row: numbers lead to the desk's texts.
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

/// Rows that were read at a desk at one time.
#[derive(Debug, Default)]
pub(super) struct Stretch<'t> {
    pub(super) rows: Vec<RowCells>,
    /// What they say about how they are written.
    pub(super) votes: Votes<'t, 2>,
    pub(super) machines: Met<&'t str>,
    pub(super) parts: Met<&'t str>,
    pub(super) positions: Met<&'t str>,
    pub(super) reasons: Met<&'t str>,
    pub(super) serials: Met<&'t str>,
    pub(super) serials_out: Met<&'t str>,
    /// Texts of the further columns, those of a row together.
    pub(super) extras: Met<Vec<&'t str>>,
}

/// Where rows are read, stretch after stretch.
#[derive(Debug)]
pub(super) struct Desk<'t> {
    machines: TextNumbers<'t>,
    parts: TextNumbers<'t>,
    positions: TextNumbers<'t>,
    reasons: TextNumbers<'t>,
    serials: TextNumbers<'t>,
    serials_out: TextNumbers<'t>,
    extras: Vec<Vec<&'t str>>,
    extra_numbers: HashMap<Vec<&'t str>, u32, RandomState>,
    /// The ones met last under each quick key.
    extra_near: [u32; FEW],
    dates: DateColumn,
    /// Of the hours and of the counts.
    marks: [DecimalMark; 2],
}

impl<'t> Desk<'t> {
    /// One that has seen nothing yet.
    pub(super) fn new(ways: &Ways) -> Self {
        Self {
            machines: TextNumbers::default(),
            parts: TextNumbers::default(),
            positions: TextNumbers::default(),
            reasons: TextNumbers::default(),
            serials: TextNumbers::default(),
            serials_out: TextNumbers::default(),
            extras: Vec::new(),
            extra_numbers: HashMap::default(),
            extra_near: [0; FEW],
            dates: DateColumn::new(ways.dates.clone()),
            marks: [ways.hours, ways.further],
        }
    }

    /// The number of a row's further texts.
    fn extra(&mut self, extra: &[&'t str], met: &mut Met<Vec<&'t str>>) -> u32 {
        let key = extra
            .iter()
            .fold(0, |key, text| (key * 31 + quick_key(text)) % FEW);
        if let Some(&near) = self.extra_near.get(key)
            && self.extras.get(near as usize).is_some_and(|e| e == extra)
        {
            return near;
        }
        let next = self.extras.len() as u32;
        let number = if let Some(&number) = self.extra_numbers.get(extra) {
            number
        } else {
            self.extras.push(extra.to_vec());
            met.texts.push(extra.to_vec());
            self.extra_numbers.insert(extra.to_vec(), next);
            next
        };
        self.extra_near[key] = number;
        number
    }

    /// Ready for more rows.
    fn begin(&mut self, stretch: &mut Stretch<'t>) {
        stretch.rows.clear();
        stretch.votes = Votes::default();
        self.machines.begin(&mut stretch.machines);
        self.parts.begin(&mut stretch.parts);
        self.positions.begin(&mut stretch.positions);
        self.reasons.begin(&mut stretch.reasons);
        self.serials.begin(&mut stretch.serials);
        self.serials_out.begin(&mut stretch.serials_out);
        stretch.extras.begin(self.extras.len());
        if stretch.extras.begins_anew {
            self.extras = Vec::new();
            self.extra_numbers = HashMap::default();
        }
    }
}

/// What the texts that a desk met mean.
#[derive(Debug, Default)]
pub(super) struct Known<'t> {
    pub(super) machines: Meanings<&'t str, Option<Text>>,
    pub(super) parts: Meanings<&'t str, Option<Text>>,
    pub(super) positions: Meanings<&'t str, Option<Text>>,
    pub(super) reasons: Meanings<&'t str, (Text, Verdict)>,
    pub(super) serials: Meanings<&'t str, Option<Text>>,
    pub(super) serials_out: Meanings<&'t str, Option<Text>>,
    pub(super) extras: Meanings<Vec<&'t str>, Extras>,
}

/// How the rows of one export are read.
pub(super) struct RowReader<'a> {
    opened: &'a Opened,
    asked: Asked<2>,
    to_hours: f64,
    /// Further columns kept with each row.
    pub(super) kept: Vec<usize>,
    /// Further columns that number the rows.
    numbering: Vec<usize>,
}

impl<'a> RowReader<'a> {
    /// `to_hours` is how many of the file's units make an hour.
    pub(super) fn new(opened: &'a Opened, to_hours: f64) -> Self {
        let (numbering, kept): (Vec<usize>, Vec<usize>) = opened
            .columns
            .others
            .iter()
            .partition(|&&column| numbers_the_rows(opened, column));
        Self {
            opened,
            asked: opened.beside_meter(FURTHER),
            to_hours,
            kept,
            numbering,
        }
    }

    /// What some rows say about how dates and numbers are written.
    pub(super) fn votes(&self, rows: Range<usize>) -> Votes<'a, 2> {
        self.opened.votes(rows, &self.asked)
    }

    /// Guesses it from what some rows say, where that is enough.
    pub(super) fn guess(&self, votes: Votes<'_, 2>) -> Option<Ways> {
        let notes = &mut Vec::new();
        let guess = self.opened.judge_beside_meter(FURTHER, votes, false, notes);
        guess.ok()
    }

    /// Settles how they are written, from what all rows say.
    pub(super) fn judge(
        &self,
        votes: Votes<'_, 2>,
        notes: &mut Vec<String>,
    ) -> Result<Ways, RecordsError> {
        self.opened.judge_beside_meter(FURTHER, votes, true, notes)
    }

    /// What there is to say of columns that are not kept.
    pub(super) fn notes(&self) -> impl Iterator<Item = String> + '_ {
        self.numbering.iter().map(|&column| {
            format!(
                "Column {} of {} has more than {MOST_TEXTS} different texts in its first {} rows: it numbers the rows, so it is no group and is not kept with the lives.",
                quoted(&self.opened.columns.headings[column]),
                self.opened.table.name(),
                2 * MOST_TEXTS,
            )
        })
    }

    /// Reads some rows at a desk.
    pub(super) fn read(&self, rows: Range<usize>, desk: &mut Desk<'a>, stretch: &mut Stretch<'a>) {
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
        desk.begin(stretch);
        stretch.rows.reserve_exact(rows.len());
        let [decimal, whole] = desk.marks;
        let mut cells: Vec<&'a str> = Vec::new();
        let mut extra: Vec<&'a str> = Vec::new();
        let mut machines: Vec<&'a str> = Vec::with_capacity(LOOKED_UP_TOGETHER);
        for row in rows.clone() {
            table.cells(row, &mut cells);
            stretch.votes.add(&self.asked, table, row, &cells);
            let text = |column: Option<usize>| {
                column
                    .and_then(|c| cells.get(c))
                    .copied()
                    .unwrap_or_default()
            };
            let kind = |column: Option<usize>| {
                column.map_or_else(Default::default, |c| table.kind(row, c))
            };
            let count = |column| count(text(column), kind(column), whole);
            extra.clear();
            extra.extend(self.kept.iter().map(|&c| text(Some(c))));
            let read = RowCells {
                row: row as u32,
                machine: 0,
                part: desk.parts.of(text(part), &mut stretch.parts),
                position: desk.positions.of(text(position), &mut stretch.positions),
                reason: desk.reasons.of(text(reason), &mut stretch.reasons),
                serial: desk.serials.of(text(serial), &mut stretch.serials),
                serial_out: desk
                    .serials_out
                    .of(text(serial_out), &mut stretch.serials_out),
                extra: desk.extra(&extra, &mut stretch.extras),
                unkept: self.digest(text(position), &cells),
                date: date.and_then(|_| self.opened.day(text(date), kind(date), &mut desk.dates)),
                hours: number(text(hours), kind(hours), decimal)
                    .map(|h| h.map(|h| h / self.to_hours)),
                quantity: count(quantity),
                worn_count: count(worn),
                overflows: cells
                    .get(columns.headings.len()..)
                    .is_some_and(|beyond| beyond.iter().any(|cell| !cell.is_empty())),
            };
            machines.push(text(machine));
            stretch.rows.push(read);
            if machines.len() == LOOKED_UP_TOGETHER || row + 1 == rows.end {
                let first = stretch.rows.len() - machines.len();
                for (read, text) in stretch.rows[first..].iter_mut().zip(machines.drain(..)) {
                    read.machine = desk.machines.of(text, &mut stretch.machines);
                }
            }
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What is met is looked up later, in the order in which stretches were read.
    #[test]
    fn numbers_lead_to_texts_also_after_they_began_anew() {
        let texts: Vec<String> = (0..MOST_REMEMBERED + 2)
            .map(|i| {
                if i % 3 == 0 {
                    format!("a text of many letters {i}")
                } else {
                    format!("{i}")
                }
            })
            .collect();
        let mut numbers = TextNumbers::default();
        let mut known: Meanings<&str, usize> = Meanings::default();
        let few: Vec<&str> = texts[..40].iter().map(String::as_str).collect();
        let all: Vec<&str> = texts.iter().map(String::as_str).collect();
        for (round, stretch) in [&few, &few, &all, &few, &few].into_iter().enumerate() {
            let mut met = Met::default();
            numbers.begin(&mut met);
            assert_eq!(met.begins_anew, round == 3, "{round}");
            let given: Vec<u32> = stretch
                .iter()
                .map(|text| numbers.of(text, &mut met))
                .collect();
            known.learn(&met, |text| text.len());
            for (text, number) in stretch.iter().zip(given) {
                assert_eq!(known.text(number), text);
                assert_eq!(known.of(number), text.len());
            }
        }
        assert_eq!(numbers.len(), few.len());
    }
}
