//! Records and meters → lives.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::chain::{End, LeftOut, Span, walk};
use super::events::{SET, Sorting};
use super::ids::Slugs;
use super::stints::{self, Stint};
use super::{Fitted, Life, Lives, Outcome};
use crate::meters::{HoursBounds, Meters};
use crate::records::{
    ChangedHow, Disposition, Fleet, Gap, Part, Problem, RowCounts, RowRef, Verdict,
};

/// Days without a reading before the ages now shown are worth a caution.
const READING_IS_OLD_DAYS: i32 = 31;

/// Turns a fleet's records into lives.
///
/// A change ends the life at its position and starts the next one there. A part whose age at the
/// start of the records is unknown is left out and counted; a stated age makes it left-truncated.
/// What is still in at `as_of` is right-censored at the meter's last reading up to that day. A life
/// that could span a row set aside is left out.
pub fn build(fleet: &Fleet) -> Lives {
    build_with(fleet, &Meters::new(fleet))
}

/// [`build`] with meters at hand.
pub fn build_with(fleet: &Fleet, meters: &Meters) -> Lives {
    let mut gaps: BTreeMap<(&str, &str), Vec<&Gap>> = BTreeMap::new();
    let mut gaps_anywhere: BTreeMap<&str, Vec<&Gap>> = BTreeMap::new();
    for gap in &fleet.gaps {
        if gap.machine_told {
            gaps.entry((&gap.part, &gap.machine)).or_default().push(gap);
        } else {
            gaps_anywhere.entry(&gap.part).or_default().push(gap);
        }
    }
    let mut building = Building {
        fleet,
        gaps,
        gaps_anywhere,
        meters,
        slugs: Slugs::default(),
        lives: Vec::new(),
        fitted: Vec::new(),
        unknown_start: 0,
        problems: fleet.problems.clone(),
        rows: fleet.rows,
    };
    building.problems.extend(meters.problems.iter().cloned());
    let mut records: BTreeMap<(&str, &str), Vec<usize>> = BTreeMap::new();
    for (index, record) in fleet.replacements.iter().enumerate() {
        records
            .entry((&record.part, &record.machine))
            .or_default()
            .push(index);
    }
    for part in &fleet.parts {
        let mut stints = Vec::new();
        for machine in &fleet.machines {
            let records = records
                .remove(&(part.name.as_str(), machine.as_str()))
                .unwrap_or_default();
            let carries =
                part.machines.is_empty() || part.machines.contains(machine) || !records.is_empty();
            if carries {
                building.part_on_machine(part, machine, &records, &mut stints);
            }
        }
        stints::join(&mut stints, fleet, &mut building.problems);
        building.add_part(part, &stints);
    }
    building.note_old_readings();
    building.lives.sort_by(|a, b| a.id.cmp(&b.id));
    Lives {
        lives: building.lives,
        fitted: building.fitted,
        unknown_start: building.unknown_start,
        problems: building.problems,
        rows: building.rows,
    }
}

struct Building<'a> {
    fleet: &'a Fleet,
    /// Rows set aside while reading, by part and machine.
    gaps: BTreeMap<(&'a str, &'a str), Vec<&'a Gap>>,
    /// Those that name no machine, by part.
    gaps_anywhere: BTreeMap<&'a str, Vec<&'a Gap>>,
    meters: &'a Meters,
    slugs: Slugs,
    lives: Vec<Life>,
    fitted: Vec<Fitted>,
    unknown_start: u32,
    problems: Vec<Problem>,
    rows: RowCounts,
}

impl<'a> Building<'a> {
    fn part_on_machine(
        &mut self,
        part: &'a Part,
        machine: &'a str,
        records: &[usize],
        stints: &mut Vec<Stint>,
    ) {
        let mut sorting = Sorting::new(self.fleet, self.meters, machine, part, records);
        sorting.gaps = self
            .gaps
            .remove(&(part.name.as_str(), machine))
            .unwrap_or_default();
        sorting.gaps.extend(
            self.gaps_anywhere
                .get(part.name.as_str())
                .into_iter()
                .flatten(),
        );
        sorting.run();
        for (record, _) in &sorting.set_aside {
            let merged = self.fleet.replacements[*record].rows.len() as u64 - 1;
            self.rows.used -= 1;
            self.rows.merged -= merged;
            self.rows.set_aside += 1 + merged;
        }
        self.problems
            .extend(sorting.set_aside.into_iter().map(|(_, problem)| problem));
        self.problems.append(&mut sorting.flagged);
        let until = (
            self.fleet.as_of,
            self.meters.point_at(machine, self.fleet.as_of),
        );
        let last_read = self.meters.last_read(machine, self.fleet.as_of);
        for (chain, events) in &sorting.chains {
            for span in walk(machine, events, until, last_read, self.meters) {
                stints.push(Stint::new(machine, chain, span, self.fleet));
            }
        }
    }

    /// Lives and fitted parts of one part kind.
    fn add_part(&mut self, part: &Part, stints: &[Stint]) {
        let mut fitted: Vec<(String, usize, Fitted)> = Vec::new();
        for stint in stints {
            if !stint.moved_on {
                self.count_left_out(part, stint);
                self.add_lives(part, stint);
            }
            if stint.span.end.is_none() {
                for (place, position) in part.positions.iter().enumerate() {
                    if stint.chain == SET || stint.chain == *position {
                        fitted.push((
                            stint.machine.clone(),
                            place,
                            self.fitted_part(part, stint, position),
                        ));
                    }
                }
            }
        }
        fitted.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
        self.fitted
            .extend(fitted.into_iter().map(|(_, _, fitted)| fitted));
    }

    fn fitted_part(&mut self, part: &Part, stint: &Stint, position: &str) -> Fitted {
        let meter_known = self
            .meters
            .point_at(&stint.machine, self.fleet.as_of)
            .is_some();
        let age = stint.age().ok().filter(|_| meter_known);
        let life = self.id(part, stint);
        Fitted {
            machine: stint.machine.clone(),
            part: part.name.clone(),
            position: position.to_owned(),
            age_hours: age.map(|a| a.best),
            since: stint
                .span
                .start
                .and_then(|s| s.record)
                .and_then(|r| self.row(r)),
            life: self
                .lives
                .iter()
                .rev()
                .take(4)
                .any(|l| l.id == life)
                .then_some(life),
        }
    }

    /// Counts parts whose start is unknown, and says why any other life is left out.
    fn count_left_out(&mut self, part: &Part, stint: &Stint) {
        let span = &stint.span;
        let Err(why) = span.age else { return };
        let (code, advice) = match why {
            LeftOut::UnknownStart => {
                self.unknown_start += parts_in(part);
                return;
            }
            // Said where the row was set aside or flagged.
            LeftOut::NotTold | LeftOut::NoMeter => return,
            LeftOut::Gap => (
                "life_across_a_gap",
                "A row set aside may hide a change within this life, so the life is left out. Correct that row.",
            ),
            LeftOut::HoursNotKnown => (
                "hours_not_known",
                "Without a reading at its start or end this life may have run no hours at all, so it tells nothing; give the reading.",
            ),
            LeftOut::NoHours => (
                "no_hours_between",
                "Two changes without an hour between them give no life; correct one of the readings, or remove the row if the change was written down twice.",
            ),
        };
        let ends = [span.start.and_then(|s| s.record), span.end_record]
            .into_iter()
            .flatten()
            .filter_map(|r| self.row(r));
        let mut rows: Vec<RowRef> = Vec::new();
        for row in span.gap.iter().cloned().chain(ends) {
            if !rows.contains(&row) {
                rows.push(row);
            }
        }
        if rows.is_empty() {
            return;
        }
        let mut problem = flagged(code, rows, advice);
        if why == LeftOut::Gap {
            problem.found = span.in_doubt.map(|hours| {
                let outcome = match span.end {
                    None => "still running",
                    Some(End::Worn | End::FoundWorn | End::FirstOfSet | End::OfSet(_)) => "worn",
                    Some(End::Unworn | End::Unknown | End::NotTold) => "unworn",
                };
                format!(
                    "{hours:.0} hours of life on {}, {outcome}, left out",
                    stint.machine
                )
            });
        }
        self.problems.push(problem);
    }

    fn add_lives(&mut self, part: &Part, stint: &Stint) {
        let span = &stint.span;
        let (Ok(age), Some(start)) = (stint.age(), span.start) else {
            return;
        };
        let n = if stint.chain == SET {
            part.per_machine
        } else {
            1
        };
        let pieces: Vec<(Outcome, u32, &str)> = match span.end {
            None => vec![(Outcome::Running, n, "")],
            Some(End::Worn | End::FoundWorn) => vec![(Outcome::Worn, n, "")],
            Some(End::FirstOfSet) => vec![
                (Outcome::Worn, 1, "/worn"),
                (Outcome::Unworn, n - 1, "/unworn"),
            ],
            Some(End::OfSet(k)) => vec![
                (Outcome::Worn, k, "/worn"),
                (Outcome::Unworn, n - k, "/unworn"),
            ],
            Some(End::Unworn | End::Unknown | End::NotTold) => vec![(Outcome::Unworn, n, "")],
        };
        let covariates = start
            .record
            .map(|r| self.fleet.replacements[r].extra.clone())
            .unwrap_or_default();
        let id = self.id(part, stint);
        let first = stint.before.first().copied();
        let found = span
            .end_record
            .is_some_and(|r| self.fleet.replacements[r].verdict == Verdict::FoundWorn);
        let single = pieces.iter().filter(|(_, count, _)| *count > 0).count() == 1;
        for (outcome, count, suffix) in pieces {
            let Some((low, high)) = bounds(outcome, span, &age, stint.entry, found) else {
                if found && outcome == Outcome::Unworn {
                    // The rest of a set that nobody had looked at before: nothing is known of them.
                    continue;
                }
                if count > 0 && age.high > stint.entry {
                    self.leave_out(part, stint, LeftOut::HoursNotKnown);
                } else if count > 0 && outcome != Outcome::Running {
                    self.leave_out(part, stint, LeftOut::NoHours);
                }
                return;
            };
            if count == 0 {
                continue;
            }
            self.lives.push(Life {
                id: if single {
                    id.clone()
                } else {
                    format!("{id}{suffix}")
                },
                part: part.name.clone(),
                machine: stint.machine.clone(),
                position: stint.chain.clone(),
                serial: stint.serial.clone(),
                outcome,
                low,
                high,
                entry: stint.entry,
                count,
                start: Some(first.map_or(start.date, |r| self.fleet.replacements[r].date)),
                end: span.end_date,
                start_row: first.or(start.record).and_then(|r| self.row(r)),
                end_row: span.end_record.and_then(|r| self.row(r)),
                rows: self.rows_of(stint),
                unknown_reason: span.end == Some(End::Unknown),
                covariates: covariates.clone(),
            });
        }
    }

    fn leave_out(&mut self, part: &Part, stint: &Stint, why: LeftOut) {
        let mut left_out = stint.clone();
        left_out.span.age = Err(why);
        self.count_left_out(part, &left_out);
    }

    fn id(&mut self, part: &Part, stint: &Stint) -> String {
        let (part, machine, chain) = (
            self.slugs.of(&part.name),
            self.slugs.of(&stint.machine),
            self.slugs.of(&stint.chain),
        );
        format!("{part}/{machine}/{chain}/{}", stint.span.number)
    }

    fn row(&self, record: usize) -> Option<RowRef> {
        self.fleet.replacements.get(record)?.rows.first().cloned()
    }

    /// Rows a span rests on, each once, in the order of events.
    fn rows_of(&self, stint: &Stint) -> Vec<RowRef> {
        let mut rows: Vec<RowRef> = Vec::new();
        for record in stint.before.iter().copied().chain(stint.records()) {
            for row in &self.fleet.replacements[record].rows {
                if !rows.contains(row) {
                    rows.push(row.clone());
                }
            }
        }
        rows
    }

    /// Ages now shown rest on the last reading; say so where that is long ago.
    fn note_old_readings(&mut self) {
        let aged: BTreeSet<&str> = self
            .fitted
            .iter()
            .filter(|f| f.age_hours.is_some())
            .map(|f| f.machine.as_str())
            .collect();
        for machine in &self.fleet.machines {
            let Some((day, _)) = self.meters.last_read(machine, self.fleet.as_of) else {
                continue;
            };
            let days = days_between(day, self.fleet.as_of);
            if days > READING_IS_OLD_DAYS && aged.contains(machine.as_str()) {
                let row = self
                    .meters
                    .readings(machine)
                    .iter()
                    .rev()
                    .find_map(|r| r.row.clone());
                self.problems.push(Problem {
                    found: Some(format!(
                        "the last reading of {machine} on {day}, {days} days before {}",
                        self.fleet.as_of
                    )),
                    allowed: Some("a reading near the day we look from".into()),
                    ..flagged(
                        "old_reading",
                        row.into_iter().collect(),
                        "Parts of this machine may be older than shown; add a reading.",
                    )
                });
            }
        }
    }
}

/// Age bounds of a life by its outcome; `None` when nothing is left of it.
///
/// What was `found` worn wore out at some time since the last look that found it good. Of a set
/// whose first to wear was found so, the others are known to have been good at that look only.
fn bounds(
    outcome: Outcome,
    span: &Span,
    age: &HoursBounds,
    entry: f64,
    found: bool,
) -> Option<(f64, f64)> {
    let last_good = span.last_good.unwrap_or(0.0);
    let (low, high) = match (outcome, span.end) {
        (Outcome::Worn, _) if found => (last_good, age.high),
        (Outcome::Unworn, Some(End::FirstOfSet)) if found => (last_good, f64::INFINITY),
        (Outcome::Worn, _) => (age.low, age.high),
        (Outcome::Unworn | Outcome::Running, _) => (age.low, f64::INFINITY),
    };
    let low = low.max(entry);
    let end = if high.is_finite() { high } else { low };
    (end > entry && end > 0.0 && low <= high).then_some((low, high))
}

fn parts_in(part: &Part) -> u32 {
    match part.changed {
        ChangedHow::Singly => 1,
        ChangedHow::AsASet => part.per_machine,
    }
}

fn flagged(code: &str, rows: Vec<RowRef>, advice: &str) -> Problem {
    Problem {
        code: code.to_owned(),
        disposition: Disposition::Flagged,
        rows,
        column: None,
        found: None,
        allowed: None,
        advice: advice.to_owned(),
    }
}

fn days_between(from: Date, to: Date) -> i32 {
    (to - from).get_days()
}
