//! Rows of the replacement exports → typed records, with a reason for each row that is left out.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::num::NonZeroU16;
use std::ops::Range;

use jiff::civil::Date;

use super::fleet_file::{HoursUnit, RecordsEntry, VerdictWord};
use super::names::Names;
use super::opened::Opened;
use super::reasons::Reasons;
use super::row_cells::{Desk, Known, RowCells, RowReader, Stretch};
use super::shared::Source;
use super::ways_of_writing::{Votes, Ways};
use super::{
    Extras, Gap, NearNames, Problem, RecordsError, Replacement, RowCounts, RowRef, Text, Told,
    Verdict,
};
use crate::numerics::in_order::in_order;

/// More operating hours than any meter shows (over a hundred years without a stop).
pub(super) const ABSURD_HOURS: f64 = 1e6;
/// Most desks at which rows are read side by side before they are added in their order, one a thread.
const MOST_DESKS: usize = 16;
/// Rows that are read at a desk at a time.
const AT_A_DESK: usize = 1 << 13;

/// First rows from which it is guessed how all are written.
const SAMPLE: usize = 1 << 14;

/// What reading the exports gives.
#[derive(Debug, Clone, Default)]
pub(super) struct ReplacementRows {
    pub(super) replacements: Vec<Replacement>,
    /// Rows merged with the first of them.
    pub(super) merged: Vec<Vec<RowRef>>,
    pub(super) gaps: Vec<Gap>,
    pub(super) problems: Vec<Problem>,
    pub(super) rows: RowCounts,
    /// Rows whose part nothing is called, in the order of the files.
    doubtful: Vec<Doubtful>,
    /// Parts near to texts that no part is called.
    near: HashMap<String, BTreeSet<Text>>,
}

/// How much of each there is.
struct Mark {
    replacements: usize,
    gaps: usize,
    problems: usize,
    doubtful: usize,
    rows: RowCounts,
}

/// What becomes of a row.
#[derive(Debug, Clone)]
enum Outcome {
    Used(Replacement),
    SetAside(Box<Aside>),
}

#[derive(Debug, Clone)]
struct Aside {
    problem: Problem,
    /// Changes that the row may hide.
    gaps: Vec<Gap>,
}

impl Outcome {
    /// How many changes it may hide.
    fn gaps(&self) -> usize {
        match self {
            Self::Used(_) => 0,
            Self::SetAside(aside) => aside.gaps.len(),
        }
    }
}

/// A row whose part nothing is called: where its traces stand, and what would become of it with the
/// one part that the text could mean, where it is one.
#[derive(Debug, Clone)]
struct Doubtful {
    /// Among the problems.
    problem: usize,
    /// Among the gaps.
    gaps: Range<usize>,
    /// Replacements read before it.
    before: usize,
    meant: Option<Outcome>,
}

/// One row and what is needed to judge it.
struct Row<'a, 't> {
    opened: &'a Opened,
    source: Source,
    cells: &'a RowCells,
    known: &'a Known<'t>,
    parts: &'a Names,
}

/// Names that all files share.
pub(super) struct SharedNames<'a> {
    pub(super) machines: &'a mut Names,
    pub(super) parts: &'a mut Names,
}

impl ReplacementRows {
    /// Reads one export.
    pub(super) fn read(
        &mut self,
        opened: &Opened,
        entry: &RecordsEntry,
        names: &mut SharedNames<'_>,
        notes: &mut Vec<String>,
    ) -> Result<(), RecordsError> {
        let reader = RowReader::new(opened, per_hour(entry.hours_unit));
        let mut reasons = reasons(entry);
        let all = opened.rows();
        self.replacements.reserve_exact(all.len());
        // What the first rows say of how they are written is nearly always what all of them say, and then
        // one look at each is enough.
        let sample = reader.votes(all.start..all.end.min(all.start + SAMPLE));
        if let Some(guess) = reader.guess(sample) {
            let before = self.mark();
            let votes = self.read_as(&guess, &reader, opened, names, &mut reasons);
            let ways = reader.judge(votes, notes)?;
            if ways != guess {
                self.back_to(&before);
                self.read_as(&ways, &reader, opened, names, &mut reasons);
            }
        } else {
            let ways = reader.judge(reader.votes(all), notes)?;
            self.read_as(&ways, &reader, opened, names, &mut reasons);
        }
        notes.extend(reader.notes());
        Ok(())
    }

    /// Reads the rows of one export as they are said to be written, and gives what they say themselves.
    fn read_as<'t>(
        &mut self,
        ways: &Ways,
        reader: &RowReader<'t>,
        opened: &'t Opened,
        names: &mut SharedNames<'_>,
        reasons: &mut Reasons,
    ) -> Votes<'t, 2> {
        let all = opened.rows();
        let headings: Vec<Text> = reader
            .kept
            .iter()
            .map(|&c| Text::from(&opened.columns.headings[c]))
            .collect();
        let source = opened.table.source();
        // How many there are changes nothing: what they read is added in the order of the file.
        let desk_count = rayon::current_num_threads().clamp(1, MOST_DESKS);
        let mut desks: Vec<Desk<'_>> = (0..desk_count).map(|_| Desk::new(ways)).collect();
        let mut known: Vec<Known<'_>> = (0..desk_count).map(|_| Known::default()).collect();
        let mut votes = Votes::default();
        in_order(
            all.len().div_ceil(AT_A_DESK),
            &mut desks,
            |desk, stretch, read| {
                let from = all.start + stretch * AT_A_DESK;
                reader.read(from..(from + AT_A_DESK).min(all.end), desk, read);
            },
            // In the order of the file: how a name is written first is how it is shown.
            |stretch, read: &mut Stretch<'_>| {
                let known = &mut known[stretch % desk_count];
                votes = votes.and(read.votes);
                learn(read, known, &headings, names, reasons);
                for cells in &read.rows {
                    self.row(&Row {
                        opened,
                        source,
                        cells,
                        known,
                        parts: names.parts,
                    });
                }
            },
        );
        votes
    }

    /// How much has been read so far.
    fn mark(&self) -> Mark {
        Mark {
            replacements: self.replacements.len(),
            gaps: self.gaps.len(),
            problems: self.problems.len(),
            doubtful: self.doubtful.len(),
            rows: self.rows,
        }
    }

    /// Forgets what was read since; names stay known.
    fn back_to(&mut self, mark: &Mark) {
        self.replacements.truncate(mark.replacements);
        self.gaps.truncate(mark.gaps);
        self.problems.truncate(mark.problems);
        self.doubtful.truncate(mark.doubtful);
        self.rows = mark.rows;
    }

    fn row(&mut self, row: &Row<'_, '_>) {
        self.rows.rows_in += 1;
        let (cells, known) = (row.cells, row.known);
        let part = known.parts.of(cells.part);
        let Some(outcome) = self.outcome(row, part) else {
            return;
        };
        let text = known.parts.text(cells.part);
        if part.is_none() && !text.is_empty() {
            let near = self.near_parts(text, row.parts);
            let meant = near.first().filter(|_| near.len() == 1);
            let meant = meant.and_then(|&part| self.outcome(row, Some(part)));
            self.doubtful.push(Doubtful {
                problem: self.problems.len(),
                gaps: self.gaps.len()..self.gaps.len() + outcome.gaps(),
                before: self.replacements.len(),
                meant,
            });
        }
        self.add(outcome);
    }

    fn add(&mut self, outcome: Outcome) {
        match outcome {
            Outcome::Used(record) => {
                self.rows.used += 1;
                self.replacements.push(record);
            }
            Outcome::SetAside(aside) => {
                self.rows.set_aside += 1;
                self.problems.push(aside.problem);
                self.gaps.extend(aside.gaps);
            }
        }
    }

    /// What becomes of a row that is about a part.
    fn outcome(&mut self, row: &Row<'_, '_>, part: Option<Text>) -> Option<Outcome> {
        let (cells, known) = (row.cells, row.known);
        let machine = known.machines.of(cells.machine);
        let position = known.positions.of(cells.position);
        let (reason, mut verdict) = known.reasons.of(cells.reason);
        let usable = !cells.overflows
            && cells
                .hours
                .is_ok_and(|h| h.is_none_or(|h| (0.0..ABSURD_HOURS).contains(&h)));
        let (Some(machine), Some(part), Some(date), Ok(hours), true) =
            (machine, part, cells.date, cells.hours, usable)
        else {
            return self.set_aside(row, machine, part, position);
        };
        let (Ok(quantity), Ok(worn_count)) = (cells.quantity, cells.worn_count) else {
            return Some(bad_count(row, machine, part, position, date, hours));
        };
        if quantity.is_some_and(|q| q == 0 || worn_count.is_some_and(|w| w > q)) {
            return Some(bad_count(row, machine, part, position, date, hours));
        }
        if verdict == Verdict::Unknown && worn_count.is_some_and(|w| w > 0) {
            verdict = Verdict::Worn;
        }
        let number = row.opened.table.number(cells.row as usize);
        Some(Outcome::Used(Replacement {
            date,
            machine,
            part,
            position,
            hours: Told::new(hours),
            reason,
            verdict,
            serial: known.serials.of(cells.serial),
            serial_out: known.serials_out.of(cells.serial_out),
            quantity: quantity.and_then(NonZeroU16::new),
            worn_count,
            extra: known.extras.of(cells.extra),
            row: RowRef::of(row.source, number),
            merged: None,
            unkept: cells.unkept,
        }))
    }

    /// A row that cannot be used as it stands.
    fn set_aside(
        &mut self,
        row: &Row<'_, '_>,
        machine: Option<Text>,
        part: Option<Text>,
        position: Option<Text>,
    ) -> Option<Outcome> {
        let (opened, cells) = (row.opened, row.cells);
        let at = cells.row as usize;
        let part_text = row.known.parts.text(cells.part);
        let mut problem = row_problem(
            opened,
            at,
            machine.as_deref(),
            part.as_deref(),
            cells.date,
            cells.hours,
        )?;
        if problem.code == "unknown_part" && !part_text.is_empty() {
            let near = self.near_parts(part_text, row.parts);
            if !near.is_empty() {
                problem.allowed = Some(
                    format!(
                        "a [[part]] name or one of its aliases; did you mean {}?",
                        super::text::list(near)
                    )
                    .into(),
                );
            }
        }
        let (_, verdict) = row.known.reasons.of(cells.reason);
        let parts = match part {
            _ if verdict == Verdict::InspectedOk => BTreeSet::new(),
            Some(part) => BTreeSet::from([part]),
            None => self.near_parts(part_text, row.parts),
        };
        let hours = cells.hours.ok().flatten();
        let hours = hours.filter(|h| (0.0..ABSURD_HOURS).contains(h));
        let gap = |part| Gap {
            machine,
            part,
            position,
            date: cells.date,
            hours,
            row: opened.row_ref(at),
        };
        Some(Outcome::SetAside(Box::new(Aside {
            problem,
            gaps: parts.into_iter().map(gap).collect(),
        })))
    }

    /// Whether there are rows that [`Self::take_near`] takes in another way.
    pub(super) fn may_hold_near_parts(&self) -> bool {
        !self.doubtful.is_empty()
    }

    /// Takes the rows whose part nothing is called in one way.
    pub(super) fn take_near(&mut self, near: NearNames) {
        let doubtful = std::mem::take(&mut self.doubtful);
        let otherwise: Vec<Doubtful> = match near {
            NearNames::SetAside => return,
            NearNames::AsMeant => doubtful.into_iter().filter(|d| d.meant.is_some()).collect(),
            NearNames::AsOthers => doubtful,
        };
        let hidden: HashSet<usize> = otherwise.iter().flat_map(|d| d.gaps.clone()).collect();
        keep_others(&mut self.gaps, &hidden);
        if near == NearNames::AsOthers {
            return;
        }
        let explained: HashSet<usize> = otherwise.iter().map(|d| d.problem).collect();
        keep_others(&mut self.problems, &explained);
        let read = std::mem::take(&mut self.replacements);
        self.replacements
            .reserve_exact(read.len() + otherwise.len());
        let mut from = 0;
        for row in otherwise {
            self.replacements.extend_from_slice(&read[from..row.before]);
            from = row.before;
            self.rows.set_aside -= 1;
            if let Some(outcome) = row.meant {
                self.add(outcome);
            }
        }
        self.replacements.extend_from_slice(&read[from..]);
    }

    /// Parts that a text no part is called could mean.
    fn near_parts(&mut self, text: &str, parts: &Names) -> BTreeSet<Text> {
        if let Some(near) = self.near.get(text) {
            return near.clone();
        }
        let near = parts.near(text);
        if self.near.len() < 100_000 {
            self.near.insert(text.to_owned(), near.clone());
        }
        near
    }
}

/// Keeps what stands at other places than these.
fn keep_others<T>(all: &mut Vec<T>, places: &HashSet<usize>) {
    let mut at = 0;
    all.retain(|_| {
        at += 1;
        !places.contains(&(at - 1))
    });
}

fn bad_count(
    row: &Row<'_, '_>,
    machine: Text,
    part: Text,
    position: Option<Text>,
    date: Date,
    hours: Option<f64>,
) -> Outcome {
    let (opened, cells) = (row.opened, row.cells);
    let at = cells.row as usize;
    let key = if cells.quantity.is_err() || cells.quantity == Ok(Some(0)) {
        "quantity"
    } else {
        "worn_count"
    };
    let problem = opened.problem(
        at,
        key,
        "unreadable_count",
        "a whole number; worn_count at most quantity",
        "Correct the number in the export, or leave the cell empty.",
    );
    let gap = Gap {
        machine: Some(machine),
        part,
        position,
        date: Some(date),
        hours,
        row: opened.row_ref(at),
    };
    Outcome::SetAside(Box::new(Aside {
        problem,
        gaps: vec![gap],
    }))
}

/// Looks up each text that a desk met for the first time, in the order in which they stand in the file.
fn learn<'t>(
    stretch: &Stretch<'t>,
    known: &mut Known<'t>,
    headings: &[Text],
    names: &mut SharedNames<'_>,
    reasons: &mut Reasons,
) {
    let told = |text: &&str| {
        (!super::numbers::is_not_told(text)).then(|| Text::from(super::names::one_spaced(text)))
    };
    known.machines.learn(&stretch.machines, |text| {
        (!text.is_empty()).then(|| names.machines.learn(text))
    });
    known
        .parts
        .learn(&stretch.parts, |text| names.parts.known(text));
    known.positions.learn(&stretch.positions, told);
    known.reasons.learn(&stretch.reasons, |text| {
        (Text::from(*text), reasons.verdict(text))
    });
    known.serials.learn(&stretch.serials, told);
    known.serials_out.learn(&stretch.serials_out, told);
    known.extras.learn(&stretch.extras, |texts| {
        let filled = headings.iter().zip(texts).filter(|(_, t)| !t.is_empty());
        Extras::new(filled.map(|(h, t)| (*h, Text::from(*t))).collect())
    });
}

/// How many of the file's units make an hour.
pub(super) fn per_hour(unit: Option<HoursUnit>) -> f64 {
    match unit {
        Some(HoursUnit::Minutes) => 60.0,
        Some(HoursUnit::Hours) | None => 1.0,
    }
}

fn reasons(entry: &RecordsEntry) -> Reasons {
    let lists = [
        (&entry.reasons.worn, Verdict::Worn),
        (&entry.reasons.found_worn, Verdict::FoundWorn),
        (&entry.reasons.unworn, Verdict::Unworn),
        (&entry.reasons.swapped, Verdict::Swapped),
        (&entry.reasons.inspected_ok, Verdict::InspectedOk),
    ];
    let patterns = lists
        .iter()
        .flat_map(|(list, verdict)| list.iter().map(|pattern| (pattern.as_str(), *verdict)));
    let when_blank = entry.reason_when_blank.map(|word| match word {
        VerdictWord::Worn => Verdict::Worn,
        VerdictWord::FoundWorn => Verdict::FoundWorn,
        VerdictWord::Unworn => Verdict::Unworn,
        VerdictWord::InspectedOk => Verdict::InspectedOk,
    });
    Reasons::new(patterns, when_blank)
}

/// The first thing that keeps a row from being used.
fn row_problem(
    opened: &Opened,
    row: usize,
    machine: Option<&str>,
    part: Option<&str>,
    date: Option<Date>,
    hours: Result<Option<f64>, ()>,
) -> Option<Problem> {
    if opened.overflows(row) {
        return Some(opened.problem(
            row,
            "date",
            "too_many_cells",
            "no more cells than headings",
            "A delimiter stands inside a cell of this row: put the cell in quotation marks, or state delimiter.",
        ));
    }
    if machine.is_none() {
        return Some(opened.problem(
            row,
            "machine",
            "no_machine",
            "a machine's name",
            "Name the machine in the export.",
        ));
    }
    if part.is_none() {
        return Some(opened.problem(
            row,
            "part",
            "unknown_part",
            "a [[part]] name or one of its aliases",
            "Add a [[part]], or add this name to a part's aliases; leave it out if the part is not planned here.",
        ));
    }
    if date.is_none() {
        return Some(opened.problem(
            row,
            "date",
            "unreadable_date",
            "a day, written as the rest of the column",
            "Correct the date in the export, or state dates = \"…\" if the whole column is written so.",
        ));
    }
    match hours {
        Err(()) => Some(opened.problem(
            row,
            "hours",
            "unreadable_hours",
            "a number of hours, or an empty cell",
            "Correct the reading in the export, or leave the cell empty.",
        )),
        Ok(Some(h)) if h < 0.0 => Some(opened.problem(
            row,
            "hours",
            "negative_hours",
            "hours ≥ 0",
            "Correct the reading in the export.",
        )),
        Ok(Some(h)) if h >= ABSURD_HOURS => Some(opened.problem(
            row,
            "hours",
            "absurd_hours",
            "hours below 1,000,000",
            "Correct the reading in the export.",
        )),
        Ok(_) => None,
    }
}
