//! Parts with serial numbers: one life across several machines, its hours added up.

use std::collections::BTreeMap;

use super::chain::{End, LeftOut, Span};
use super::events::SET;
use crate::meters::HoursBounds;
use crate::records::text::quoted;
use crate::records::{Disposition, Fleet, Problem, RowRef, Text};

/// One span of one chain, and what came before it elsewhere.
#[derive(Debug, Clone)]
pub(super) struct Stint {
    pub(super) machine: Text,
    pub(super) chain: Text,
    pub(super) span: Span,
    pub(super) serial: Option<Text>,
    /// Age it brought along from earlier places.
    pub(super) brought: HoursBounds,
    /// Age at which it first came under observation.
    pub(super) entry: f64,
    /// Records of the earlier places.
    pub(super) before: Vec<usize>,
    /// Its life goes on elsewhere and is counted there.
    pub(super) moved_on: bool,
}

impl Stint {
    /// A span of one chain; `numbered` where serial numbers tell its parts, or its sets.
    pub(super) fn new(
        machine: Text,
        chain: Text,
        numbered: bool,
        mut span: Span,
        fleet: &Fleet,
    ) -> Self {
        let went_in = span
            .start
            .and_then(|s| s.record)
            .and_then(|r| fleet.replacements[r].serial);
        let came_out = span
            .end_record
            .and_then(|r| fleet.replacements[r].serial_out);
        let entry = span.start.map_or(0.0, |s| s.age);
        let serial = went_in.or(came_out).filter(|_| numbered);
        if serial.is_none() && span.start.is_some_and(|s| s.used) {
            span.age = Err(LeftOut::UnknownStart);
        }
        Self {
            machine,
            chain,
            serial,
            span,
            brought: HoursBounds::exactly(0.0),
            entry,
            before: Vec::new(),
            moved_on: false,
        }
    }

    /// Age at its end, earlier places included.
    pub(super) fn age(&self) -> Result<HoursBounds, LeftOut> {
        self.span.age.map(|age| age.plus(&self.brought))
    }

    /// Records it rests on.
    pub(super) fn records(&self) -> Vec<usize> {
        let start = self.span.start.and_then(|s| s.record);
        start
            .into_iter()
            .chain(self.span.looks.iter().copied())
            .chain(self.span.end_record)
            .collect()
    }
}

/// Joins the stints of each serial number into lives.
///
/// A stint that ended unworn goes on in the next one of the same number. What cannot be (two places
/// at once, back after worn out, one number in and another out) is left out and said.
pub(super) fn join(stints: &mut [Stint], fleet: &Fleet, problems: &mut Vec<Problem>) {
    check_both_ends(stints, fleet, problems);
    let mut by_serial: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (index, stint) in stints.iter().enumerate() {
        if let Some(serial) = stint.serial {
            by_serial.entry(serial.as_str()).or_default().push(index);
        }
    }
    for (serial, mut places) in by_serial {
        places.sort_by(|&a, &b| {
            let key = |i: usize| {
                (
                    stints[i].span.start.map(|s| s.date),
                    stints[i].span.end_date,
                )
            };
            key(a).cmp(&key(b)).then(a.cmp(&b))
        });
        if let Some(first) = places.first().map(|&at| &mut stints[at])
            && first.span.start.is_some_and(|s| s.used)
        {
            // Nobody saw where it ran before.
            first.span.age = Err(LeftOut::UnknownStart);
        }
        for pair in places.windows(2) {
            let [first, second] = pair else { continue };
            carry(stints, *first, *second, serial, fleet, problems);
        }
    }
}

/// Carries the age at the end of one stint into the next.
fn carry(
    stints: &mut [Stint],
    first: usize,
    second: usize,
    serial: &str,
    fleet: &Fleet,
    problems: &mut Vec<Problem>,
) {
    let (ended, end_date, age, entry) = {
        let s = &stints[first];
        (s.span.end, s.span.end_date, s.age(), s.entry)
    };
    let starts = stints[second].span.start.map(|s| s.date);
    let rows = rows_of(&stints[first], &stints[second], fleet);
    if ended.is_none() || starts.is_none_or(|day| day < end_date) {
        problems.push(flagged(
            "serial_in_two_places",
            serial,
            rows,
            "One serial number cannot be in two places; correct the number or a date. These lives are left out.",
        ));
        stints[first].span.age = Err(LeftOut::NotTold);
        stints[second].span.age = Err(LeftOut::NotTold);
        return;
    }
    if matches!(ended, Some(End::Worn | End::FoundWorn)) {
        problems.push(flagged(
            "serial_back_after_worn",
            serial,
            rows,
            "A part that wore out went in again under its number; correct the number, or the reason if it was not worn. The later life is left out.",
        ));
        stints[second].span.age = Err(LeftOut::NotTold);
        return;
    }
    let before: Vec<usize> = stints[first]
        .before
        .iter()
        .copied()
        .chain(stints[first].records())
        .collect();
    stints[first].moved_on = true;
    let next = &mut stints[second];
    next.before = before;
    next.entry = entry;
    match age {
        Ok(age) => {
            next.brought = age;
            // It came out unworn: it was good at that age.
            let looked = next.span.last_good.map_or(age.low, |good| good + age.low);
            next.span.last_good = Some(looked);
        }
        Err(why) => next.span.age = Err(why),
    }
}

/// The number that went in must be the one that came out.
fn check_both_ends(stints: &mut [Stint], fleet: &Fleet, problems: &mut Vec<Problem>) {
    for stint in stints.iter_mut() {
        let (Some(start), Some(end)) = (
            stint.span.start.and_then(|s| s.record),
            stint.span.end_record,
        ) else {
            continue;
        };
        let (start, end) = (&fleet.replacements[start], &fleet.replacements[end]);
        if let (Some(went_in), Some(came_out)) = (&start.serial, &end.serial_out)
            && went_in != came_out
            && stint.chain != SET
        {
            problems.push(flagged(
                "serial_differs",
                &format!("{went_in} in, {came_out} out"),
                vec![start.row, end.row],
                "One number went in and another came out, so a change between them is missing or a number is wrong; the life is left out.",
            ));
            stint.serial = None;
            stint.span.age = Err(LeftOut::NotTold);
        }
    }
}

fn rows_of(first: &Stint, second: &Stint, fleet: &Fleet) -> Vec<RowRef> {
    let mut rows: Vec<RowRef> = Vec::new();
    for record in first.records().into_iter().chain(second.records()) {
        let row = fleet.replacements[record].row;
        if !rows.contains(&row) {
            rows.push(row);
        }
    }
    rows
}

fn flagged(code: &str, found: &str, rows: Vec<RowRef>, advice: &str) -> Problem {
    Problem {
        code: code.into(),
        disposition: Disposition::Flagged,
        rows,
        column: Some("serial".into()),
        found: Some(quoted(found).into()),
        allowed: None,
        advice: advice.into(),
    }
}
