//! Rows of the replacement exports → typed records, with a reason for each row that is left out.

use std::collections::{BTreeSet, HashMap};
use std::num::NonZeroU16;

use jiff::civil::Date;
use rayon::prelude::*;

use super::fleet_file::{HoursUnit, RecordsEntry, VerdictWord};
use super::names::Names;
use super::opened::Opened;
use super::reasons::Reasons;
use super::row_cells::{Desk, RowCells, RowReader};
use super::shared::Source;
use super::{
    Extras, Gap, NearNames, Problem, RecordsError, Replacement, RowCounts, RowRef, Text, Told,
    Verdict,
};

/// More operating hours than any meter shows (over a hundred years without a stop).
pub(super) const ABSURD_HOURS: f64 = 1e6;
/// Most desks at which rows are read side by side before they are added in their order, one a thread.
const MOST_DESKS: usize = 16;
/// Rows that are read at a desk at a time.
const AT_A_DESK: usize = 1 << 15;

/// What reading the exports gives.
#[derive(Debug, Default)]
pub(super) struct ReplacementRows {
    pub(super) replacements: Vec<Replacement>,
    /// Rows merged with the first of them.
    pub(super) merged: Vec<Vec<RowRef>>,
    pub(super) gaps: Vec<Gap>,
    pub(super) problems: Vec<Problem>,
    pub(super) rows: RowCounts,
    /// What to make of names nearly like known ones.
    pub(super) near_names: NearNames,
    /// Parts near to texts that no part is called.
    near: HashMap<String, BTreeSet<Text>>,
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
        let reader = RowReader::new(opened, per_hour(entry.hours_unit), notes)?;
        let mut reasons = reasons(entry);
        let all = opened.rows();
        self.replacements.reserve_exact(all.len());
        let headings: Vec<Text> = reader
            .kept
            .iter()
            .map(|&c| Text::from(&opened.columns.headings[c]))
            .collect();
        let source = opened.table.source();
        // How many there are changes nothing: what they read is added in the order of the file.
        let desk_count = rayon::current_num_threads().clamp(1, MOST_DESKS);
        let mut desks: Vec<Desk<'_>> = (0..desk_count).map(|_| reader.desk()).collect();
        let mut from = all.start;
        while from < all.end {
            let stretch = |desk: usize| {
                let first = (from + desk * AT_A_DESK).min(all.end);
                first..(first + AT_A_DESK).min(all.end)
            };
            desks
                .par_iter_mut()
                .enumerate()
                .for_each(|(at, desk)| reader.read(stretch(at), desk));
            // In the order of the file: how a name is written first is how it is shown.
            for desk in &mut desks {
                learn(desk, &headings, names, &mut reasons);
                for cells in &desk.rows {
                    self.row(opened, source, cells, desk, names, &mut reasons);
                }
            }
            from += desk_count * AT_A_DESK;
        }
        Ok(())
    }

    fn row(
        &mut self,
        opened: &Opened,
        source: Source,
        cells: &RowCells,
        desk: &Desk<'_>,
        names: &mut SharedNames<'_>,
        reasons: &mut Reasons,
    ) {
        self.rows.rows_in += 1;
        let machine = desk.machines.meaning(cells.machine);
        let part = desk
            .parts
            .meaning(cells.part)
            .or_else(|| self.meant_part(desk.parts.text(cells.part), names.parts));
        let position = desk.positions.meaning(cells.position);
        let (reason, mut verdict) = desk.reasons.meaning(cells.reason);
        let usable = !cells.overflows
            && cells
                .hours
                .is_ok_and(|h| h.is_none_or(|h| (0.0..ABSURD_HOURS).contains(&h)));
        let (Some(machine), Some(part), Some(date), Ok(hours), true) =
            (machine, part, cells.date, cells.hours, usable)
        else {
            let part_text = desk.parts.text(cells.part);
            self.set_aside(
                opened, cells, machine, part, position, part_text, names, reasons,
            );
            return;
        };
        let (Ok(quantity), Ok(worn_count)) = (cells.quantity, cells.worn_count) else {
            self.bad_count(opened, cells, machine, part, position, date, hours);
            return;
        };
        if quantity.is_some_and(|q| q == 0 || worn_count.is_some_and(|w| w > q)) {
            self.bad_count(opened, cells, machine, part, position, date, hours);
            return;
        }
        if verdict == Verdict::Unknown && worn_count.is_some_and(|w| w > 0) {
            verdict = Verdict::Worn;
        }
        self.replacements.push(Replacement {
            date,
            machine,
            part,
            position,
            hours: Told::new(hours),
            reason,
            verdict,
            serial: desk.serials.meaning(cells.serial),
            serial_out: desk.serials_out.meaning(cells.serial_out),
            quantity: quantity.and_then(NonZeroU16::new),
            worn_count,
            extra: desk.extras_mean[cells.extra as usize],
            row: RowRef::of(source, opened.table.number(cells.row as usize)),
            merged: None,
            unkept: cells.unkept,
        });
        self.rows.used += 1;
    }

    /// A row that cannot be used as it stands.
    #[expect(clippy::too_many_arguments, reason = "all that one row needs")]
    fn set_aside(
        &mut self,
        opened: &Opened,
        cells: &RowCells,
        machine: Option<Text>,
        part: Option<Text>,
        position: Option<Text>,
        part_text: &str,
        names: &mut SharedNames<'_>,
        reasons: &mut Reasons,
    ) {
        let row = cells.row as usize;
        let Some(mut problem) = row_problem(
            opened,
            row,
            machine.as_deref(),
            part.as_deref(),
            cells.date,
            cells.hours,
        ) else {
            return;
        };
        if problem.code == "unknown_part" && !part_text.is_empty() {
            let near = self.near_parts(part_text, names.parts);
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
        if reasons.verdict(opened.text(row, "reason")) != Verdict::InspectedOk {
            let parts = match part {
                Some(part) => std::iter::once(part).collect(),
                None if self.near_names == NearNames::AsOthers && !part_text.is_empty() => {
                    BTreeSet::new()
                }
                None => self.near_parts(part_text, names.parts),
            };
            let hours = cells
                .hours
                .ok()
                .flatten()
                .filter(|h| (0.0..ABSURD_HOURS).contains(h));
            for part in parts {
                self.gaps.push(Gap {
                    machine,
                    part,
                    position,
                    date: cells.date,
                    hours,
                    row: opened.row_ref(row),
                });
            }
        }
        self.rows.set_aside += 1;
        self.problems.push(problem);
    }

    #[expect(clippy::too_many_arguments, reason = "all that one row needs")]
    fn bad_count(
        &mut self,
        opened: &Opened,
        cells: &RowCells,
        machine: Text,
        part: Text,
        position: Option<Text>,
        date: Date,
        hours: Option<f64>,
    ) {
        let row = cells.row as usize;
        let key = if cells.quantity.is_err() || cells.quantity == Ok(Some(0)) {
            "quantity"
        } else {
            "worn_count"
        };
        self.rows.set_aside += 1;
        self.problems.push(opened.problem(
            row,
            key,
            "unreadable_count",
            "a whole number; worn_count at most quantity",
            "Correct the number in the export, or leave the cell empty.",
        ));
        self.gaps.push(Gap {
            machine: Some(machine),
            part,
            position,
            date: Some(date),
            hours,
            row: opened.row_ref(row),
        });
    }

    /// The one part that a text no part is called could mean, where it is to be taken so.
    fn meant_part(&mut self, text: &str, parts: &Names) -> Option<Text> {
        if self.near_names != NearNames::AsMeant || text.is_empty() {
            return None;
        }
        let near = self.near_parts(text, parts);
        near.first().copied().filter(|_| near.len() == 1)
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

/// Looks up each text that a desk has met since, once, in the order in which they stand in the file.
fn learn(
    desk: &mut Desk<'_>,
    headings: &[Text],
    names: &mut SharedNames<'_>,
    reasons: &mut Reasons,
) {
    let told = |text: &str| {
        (!super::numbers::is_not_told(text)).then(|| Text::from(super::names::one_spaced(text)))
    };
    desk.machines
        .learn(|text| (!text.is_empty()).then(|| names.machines.learn(text)));
    desk.parts.learn(|text| names.parts.known(text));
    desk.positions.learn(told);
    desk.reasons
        .learn(|text| (Text::from(text), reasons.verdict(text)));
    desk.serials.learn(told);
    desk.serials_out.learn(told);
    for texts in &desk.extras[desk.extras_mean.len()..] {
        let filled = headings.iter().zip(texts).filter(|(_, t)| !t.is_empty());
        let extras = Extras::new(filled.map(|(h, t)| (*h, Text::from(*t))).collect());
        desk.extras_mean.push(extras);
    }
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
