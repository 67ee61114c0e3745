//! Records and meters → lives.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::ops::Range;
use std::sync::Arc;

use foldhash::fast::RandomState;
use jiff::civil::Date;
use rayon::prelude::*;

use super::chain::{End, LeftOut, Span, walk};
use super::events::{NOT_GUESSED, Places, SET, Sorting};
use super::ids::Slugs;
use super::stints::{self, Stint};
use super::unplaced::{NotSummed, Unplaced};
use super::ways::Laying;
use super::{Cost, Fitted, Life, LifeId, LifeRows, Lives, OfSet, Outcome};
use crate::meters::{HoursBounds, Meters};
use crate::numerics::in_order::each_in_order;
use crate::records::{
    ChangedHow, Disposition, Extras, Fleet, Gap, Part, PositionNotTold, Problem, Replacement,
    RowCounts, RowRef, Text, Verdict,
};

/// Machines up to which a text of its own is made for each.
const FEW_MACHINES: usize = 10_000;
/// Days without a reading before the ages now shown are worth a caution.
const READING_IS_OLD_DAYS: i32 = 31;
/// Machines that one thread looks at together.
const MACHINES_AT_A_TIME: usize = 64;
/// Choices on all machines up to which the ways of one part kind are summed; see [`Laying`].
const MOST_CHOICES: usize = 150_000;

/// Kept by text, or by several.
type ByText<K, V> = HashMap<K, V, RandomState>;

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
    let mut gaps: ByText<(Text, Text), Vec<&Gap>> = HashMap::default();
    let mut gaps_anywhere: ByText<Text, Vec<&Gap>> = HashMap::default();
    for gap in &fleet.gaps {
        match gap.machine {
            Some(machine) => gaps.entry((gap.part, machine)).or_default().push(gap),
            None => gaps_anywhere.entry(gap.part).or_default().push(gap),
        }
    }
    let mut slugs = Slugs::default();
    let part_names: Vec<Text> = fleet.parts.iter().map(|p| Text::from(&p.name)).collect();
    let part_slugs: Vec<Text> = part_names.iter().map(|&name| slugs.of(name)).collect();
    let machines: Vec<Machine> = fleet
        .machines
        .iter()
        .map(|&name| {
            let slug = slugs.of(name);
            Machine { name, slug }
        })
        .collect();
    let with_serials = parts_with_serials(fleet);
    let summed = |part: &Part| part.position_not_told == PositionNotTold::Sum;
    let first_record = || fleet.replacements.iter().map(|r| r.date).min();
    let records_from = if fleet.parts.iter().any(summed) {
        first_record()
    } else {
        None
    };
    let mut lives = Lives {
        lives: Vec::with_capacity(fleet.replacements.len() + fleet.replacements.len() / 32),
        fitted: Vec::new(),
        unknown_start: 0,
        problems: fleet.problems.clone(),
        rows: fleet.rows,
        costs: Vec::new(),
        unplaced: Vec::new(),
        turned_back: meters.turned_back.clone(),
    };
    lives.problems.extend(meters.problems.iter().cloned());
    let mut order: Vec<usize> = (0..fleet.parts.len()).collect();
    order.sort_by_key(|&at| part_slugs[at]);
    let mut rest: Vec<Found> = (0..fleet.parts.len()).map(|_| Found::default()).collect();
    let named: Vec<(usize, Places, ByText<Text, Text>)> = (order.into_iter())
        .map(|at| {
            let places = Places::of(&fleet.parts[at]);
            let chains = places.positions.iter().copied().chain([Text::from(SET)]);
            let slug = part_slugs[at];
            let ids = chains
                .map(|chain| (chain, Text::from(format!("{slug}/{}", slugs.of(chain)))))
                .collect();
            (at, places, ids)
        })
        .collect();
    // Nothing is named from here on, and among very many machines names take room.
    drop(slugs);
    for (at, places, ids) in named {
        let part = &fleet.parts[at];
        let name = part_names[at];
        let slug = part_slugs[at];
        let building = Building {
            fleet,
            meters,
            part,
            name,
            places: &places,
            slug,
            ids: &ids,
            has_serials: with_serials.contains(&name),
            gaps: &gaps,
            gaps_anywhere: gaps_anywhere.get(&name).map_or(&[][..], Vec::as_slice),
            records_from,
        };
        rest[at] = building.all(&machines, &mut lives.lives);
    }
    for mut found in rest {
        move_all(&mut lives.fitted, &mut found.fitted);
        lives.problems.append(&mut found.problems);
        move_all(&mut lives.costs, &mut found.costs);
        lives.unplaced.append(&mut found.unplaced);
        lives.unknown_start += found.unknown_start;
        lives.rows.used -= found.unused.used;
        lives.rows.merged -= found.unused.merged;
        lives.rows.set_aside += found.unused.used + found.unused.merged;
    }
    drop(machines);
    note_old_readings(fleet, meters, &mut lives);
    lives
}

/// Moves all there is from one list to another, without a copy where the other is empty.
fn move_all<T>(to: &mut Vec<T>, from: &mut Vec<T>) {
    if to.is_empty() {
        std::mem::swap(to, from);
    } else {
        to.append(from);
    }
}

/// Parts of which some have serial numbers.
fn parts_with_serials(fleet: &Fleet) -> BTreeSet<Text> {
    let numbered = |r: &&Replacement| r.serial.is_some() || r.serial_out.is_some();
    let add = |mut parts: BTreeSet<Text>, part| {
        parts.insert(part);
        parts
    };
    let records = fleet.replacements.par_iter().filter(numbered);
    records
        .map(|r| r.part)
        .fold(BTreeSet::new, add)
        .reduce(BTreeSet::new, |all, some| some.into_iter().fold(all, add))
}

/// A machine, as the fleet and as ids name it.
struct Machine {
    name: Text,
    slug: Text,
}

/// What the records of a part give.
#[derive(Default)]
struct Found {
    lives: Vec<Life>,
    /// With the place in its machine.
    fitted: Vec<Fitted>,
    problems: Vec<Problem>,
    unknown_start: u32,
    costs: Vec<Cost>,
    /// Rows that turned out not to be usable.
    unused: RowCounts,
    /// Stints that may go on elsewhere.
    stints: Vec<Stint>,
    /// Lives of which the positions are not told.
    unplaced: Vec<Unplaced>,
    /// There are more ways than can be summed.
    too_many: bool,
}

impl Found {
    /// Takes all there is from another.
    fn append(&mut self, other: &mut Self) {
        self.lives.append(&mut other.lives);
        self.fitted.append(&mut other.fitted);
        self.problems.append(&mut other.problems);
        self.stints.append(&mut other.stints);
        self.unplaced.append(&mut other.unplaced);
        self.too_many |= other.too_many;
        self.costs.append(&mut other.costs);
        self.unknown_start += std::mem::take(&mut other.unknown_start);
        let unused = std::mem::take(&mut other.unused);
        self.unused.used += unused.used;
        self.unused.merged += unused.merged;
    }
}

/// One part kind on all machines.
struct Building<'a> {
    fleet: &'a Fleet,
    meters: &'a Meters,
    part: &'a Part,
    name: Text,
    places: &'a Places,
    slug: Text,
    /// Part and chain as ids name them, by chain.
    ids: &'a ByText<Text, Text>,
    /// Some of them have serial numbers.
    has_serials: bool,
    /// Rows set aside while reading, by part and machine.
    gaps: &'a ByText<(Text, Text), Vec<&'a Gap>>,
    /// Those of this part that name no machine.
    gaps_anywhere: &'a [&'a Gap],
    /// Day of the first replacement that is recorded anywhere.
    records_from: Option<Date>,
}

impl<'a> Building<'a> {
    /// Adds the lives of this part to those of others, and gives what else was found.
    fn all(&self, machines: &[Machine], lives: &mut Vec<Life>) -> Found {
        let not_summed = match self.part.position_not_told {
            PositionNotTold::SetAside => Some(NOT_GUESSED),
            PositionNotTold::Sum if self.has_serials => Some(NotSummed::Serials.reason()),
            PositionNotTold::Sum => None,
        };
        let before = lives.len();
        let mut found = self.on_all(machines, not_summed, lives);
        let choices = found.unplaced.iter().map(|u| u.ways.choices());
        if found.too_many || choices.sum::<usize>() > MOST_CHOICES {
            // Leaving out only the machines with the most changes would favour long lives.
            lives.truncate(before);
            let too_many = Some(NotSummed::TooMany.reason());
            found = self.on_all(machines, too_many, lives);
        }
        if self.has_serials {
            self.sort_fitted(&mut found.fitted);
        }
        found
    }

    fn on_all(
        &self,
        machines: &[Machine],
        not_summed: Option<&'static str>,
        lives: &mut Vec<Life>,
    ) -> Found {
        let mut found = Found::default();
        found
            .fitted
            .reserve_exact(machines.len() * self.places.positions.len());
        each_in_order(
            machines,
            MACHINES_AT_A_TIME,
            |machine, piece: &mut Found| self.on_machine(machine, not_summed, piece),
            |piece| {
                lives.append(&mut piece.lives);
                found.append(piece);
            },
        );
        if self.has_serials {
            let slugs: ByText<Text, Text> = machines.iter().map(|m| (m.name, m.slug)).collect();
            let mut stints = std::mem::take(&mut found.stints);
            stints::join(&mut stints, self.fleet, &mut found.problems);
            for stint in &stints {
                if let Some(&slug) = slugs.get(&stint.machine) {
                    self.add(stint, slug, &mut found);
                }
            }
            lives.append(&mut found.lives);
        }
        found
    }

    fn on_machine(&self, machine: &Machine, not_summed: Option<&'static str>, found: &mut Found) {
        let records = self.records(machine.name);
        let carries = self.part.machines.is_empty()
            || self.part.machines.iter().any(|m| *m == machine.name)
            || !records.is_empty();
        if !carries {
            return;
        }
        let mut sorting = self.sorted(machine, records.clone(), not_summed);
        if !sorting.untold.is_empty() {
            match self.unplaced(machine, &sorting) {
                Ok(unplaced) => {
                    sorting.mark_untold();
                    found.unplaced.push(unplaced);
                }
                Err(why) => {
                    found.too_many |= why == NotSummed::TooMany;
                    sorting = self.sorted(machine, records, Some(why.reason()));
                }
            }
        }
        for (record, problem) in sorting.set_aside.drain(..) {
            let merged = self.fleet.row_count(&self.fleet.replacements[record]) - 1;
            found.unused.used += 1;
            found.unused.merged += merged;
            found.problems.push(problem);
        }
        found.problems.append(&mut sorting.flagged);
        let as_of = self.fleet.as_of;
        let meter = sorting.meter;
        let until = (as_of, meter.point_at(as_of));
        let last_read = meter.last_read(as_of);
        let fitted_before = found.fitted.len();
        for chain in &sorting.chains {
            walk(&chain.events, until, last_read, meter, |span| {
                let stint = Stint::new(machine.name, chain.name, chain.numbered, span, self.fleet);
                if self.has_serials {
                    found.stints.push(stint);
                } else {
                    self.add(&stint, machine.slug, found);
                }
            });
        }
        self.sort_fitted(&mut found.fitted[fitted_before..]);
    }

    /// Where the records of this part on one machine stand: those of a machine are in the order of parts.
    fn records(&self, machine: Text) -> Range<usize> {
        let all = self.meters.of(machine).records();
        let records = &self.fleet.replacements[all.clone()];
        let is_own = |r: &Replacement| r.part == self.name;
        if records.first().is_some_and(is_own) && records.last().is_some_and(is_own) {
            return all;
        }
        let from = records.partition_point(|r| r.part < self.name);
        let own = records[from..].partition_point(is_own);
        all.start + from..all.start + from + own
    }

    /// The records of this part on one machine, sorted into chains.
    fn sorted(
        &self,
        machine: &Machine,
        records: Range<usize>,
        not_summed: Option<&'static str>,
    ) -> Sorting<'a> {
        let mut sorting = Sorting::new(
            self.fleet,
            self.meters,
            machine.name,
            self.part,
            self.places,
            records,
        );
        sorting.not_summed = not_summed;
        if let Some(gaps) = self.gaps.get(&(self.name, machine.name)) {
            sorting.gaps.extend(gaps);
        }
        sorting.gaps.extend(self.gaps_anywhere);
        sorting.run();
        sorting
    }

    /// The ways in which changes of no told position can belong to the positions.
    fn unplaced(&self, machine: &Machine, sorting: &Sorting<'_>) -> Result<Unplaced, NotSummed> {
        let (meter, as_of) = (sorting.meter, self.fleet.as_of);
        let now = meter.point_at(as_of);
        let until = now.or_else(|| meter.last_read(as_of).map(|(_, point)| point));
        let seen = self.meters.first_read(&machine.name).max(self.records_from);
        let laid = Laying {
            meter,
            chains: &sorting.chains,
            untold: &sorting.untold,
            from: seen.and_then(|day| meter.point_at(day)),
            until,
            up_to_date: now.is_some(),
        }
        .lay()?;
        let ended = |wanted: &[End]| {
            let of = laid.ended.iter().filter(|(_, end)| wanted.contains(end));
            of.count() as u32
        };
        let mut rows: Vec<RowRef> = Vec::new();
        for (record, _) in &laid.ended {
            for row in self.fleet.rows_of(&self.fleet.replacements[*record]) {
                if !rows.contains(&row) {
                    rows.push(row);
                }
            }
        }
        let still_in = laid.open.len() as u32;
        Ok(Unplaced {
            id: format!("{}/{}/not-told", self.slug, machine.slug),
            part: self.name,
            machine: machine.name,
            positions: laid
                .open
                .iter()
                .map(|&at| sorting.chains[at].name)
                .collect(),
            worn: laid.exactly,
            worn_between: laid.ways.worn - laid.exactly,
            unworn: ended(&[End::Unworn, End::Unknown]) + if laid.retired { still_in } else { 0 },
            unknown_reason: ended(&[End::Unknown]),
            running: if laid.retired { 0 } else { still_in },
            hours: laid.ways.hours(),
            unknown_start: laid.unknown_start,
            retired: laid.retired,
            states: laid.ways.last.len(),
            ages: if laid.retired {
                Vec::new()
            } else {
                laid.ways.ages()
            },
            rows,
            ways: Arc::new(laid.ways),
        })
    }

    /// The life of a stint, and the part it leaves fitted.
    fn add(&self, stint: &Stint, machine_slug: Text, found: &mut Found) {
        let Some(id) = self.id(stint, machine_slug) else {
            return;
        };
        let before = found.lives.len();
        if !stint.moved_on {
            self.count_left_out(stint, found);
            self.add_lives(stint, id, found);
        }
        if stint.span.end.is_none() {
            let has_life = found.lives.len() > before;
            for &position in &self.places.positions {
                if stint.chain == SET || stint.chain == position {
                    found
                        .fitted
                        .push(self.fitted_part(stint, position, has_life.then_some(id)));
                }
            }
        }
    }

    /// By machine, then as the catalogue orders the positions.
    fn sort_fitted(&self, fitted: &mut [Fitted]) {
        let order = |position| self.places.order.get(&position);
        fitted.sort_by(|a, b| {
            a.machine
                .cmp(&b.machine)
                .then_with(|| order(a.position).cmp(&order(b.position)))
        });
    }

    fn fitted_part(&self, stint: &Stint, position: Text, life: Option<LifeId>) -> Fitted {
        let meter = self.meters.of(stint.machine);
        let meter_known = meter.point_at(self.fleet.as_of).is_some();
        let age = stint.age().ok().filter(|_| meter_known);
        Fitted {
            machine: stint.machine,
            part: self.name,
            position,
            age_hours: age.map(|a| a.best),
            since: stint
                .span
                .start
                .and_then(|s| s.record)
                .and_then(|r| self.row(r)),
            life,
        }
    }

    /// Counts parts whose start is unknown, and says why any other life is left out.
    fn count_left_out(&self, stint: &Stint, found: &mut Found) {
        let Err(why) = stint.span.age else { return };
        self.leave_out(stint, why, found);
    }

    fn leave_out(&self, stint: &Stint, why: LeftOut, found: &mut Found) {
        let span = &stint.span;
        if !matches!(why, LeftOut::UnknownStart | LeftOut::Untold) {
            found.costs.extend(self.cost(stint));
        }
        let (code, advice) = match why {
            LeftOut::UnknownStart => {
                found.unknown_start += parts_in(self.part);
                return;
            }
            // Said where the row was set aside or flagged.
            LeftOut::NotTold | LeftOut::NoMeter | LeftOut::Untold => return,
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
        for row in span.gap.into_iter().chain(ends) {
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
                    Some(End::Unworn | End::Swapped | End::Unknown | End::NotTold) => "unworn",
                };
                format!(
                    "{hours:.0} hours of life on {}, {outcome}, left out",
                    stint.machine
                )
                .into()
            });
        }
        found.problems.push(problem);
    }

    /// What leaving out a stint's life costs, laid on the row that is at fault, else on its end.
    fn cost(&self, stint: &Stint) -> Option<Cost> {
        let span = &stint.span;
        let start = span.start.and_then(|s| s.record);
        let row = span
            .gap
            .or_else(|| span.end_record.or(start).and_then(|r| self.row(r)))?;
        let lives = if stint.chain == SET {
            self.part.per_machine
        } else {
            1
        };
        let worn = match span.end {
            Some(End::Worn | End::FoundWorn) => lives,
            Some(End::FirstOfSet) => 1,
            Some(End::OfSet(k)) => k,
            Some(End::Unworn | End::Swapped | End::Unknown | End::NotTold) | None => 0,
        };
        Some(Cost {
            row,
            lives,
            worn,
            hours: span.in_doubt.unwrap_or(0.0) * f64::from(lives),
        })
    }

    fn add_lives(&self, stint: &Stint, id: LifeId, found: &mut Found) {
        let span = &stint.span;
        let (Ok(age), Some(start)) = (stint.age(), span.start) else {
            return;
        };
        let n = if stint.chain == SET {
            self.part.per_machine
        } else {
            1
        };
        let whole = |outcome| [Some((outcome, n, OfSet::Whole)), None];
        let split = |worn| {
            [
                Some((Outcome::Worn, worn, OfSet::Worn)),
                Some((Outcome::Unworn, n - worn, OfSet::Unworn)),
            ]
        };
        let pieces = match span.end {
            None => whole(Outcome::Running),
            Some(End::Worn | End::FoundWorn) => whole(Outcome::Worn),
            Some(End::FirstOfSet) => split(1),
            Some(End::OfSet(k)) => split(k),
            Some(End::Unworn | End::Swapped | End::Unknown | End::NotTold) => {
                whole(Outcome::Unworn)
            }
        };
        let record = |at: usize| &self.fleet.replacements[at];
        let covariates = start.record.map_or(Extras::default(), |r| record(r).extra);
        let first = stint.before.first().copied();
        let by_look = span
            .end_record
            .is_some_and(|r| record(r).verdict == Verdict::FoundWorn);
        let filled = pieces.iter().flatten().filter(|(_, count, _)| *count > 0);
        let single = filled.count() == 1;
        let rows = LifeRows::new(
            first.or(start.record).and_then(|r| self.row(r)),
            span.end_record.and_then(|r| self.row(r)),
            self.all_rows(stint),
        );
        let before = found.lives.len();
        for (outcome, count, of_set) in pieces.into_iter().flatten() {
            let Some((low, high)) = bounds(outcome, span, &age, stint.entry, by_look) else {
                if by_look && outcome == Outcome::Unworn {
                    // The rest of a set that nobody had looked at before: nothing is known of them.
                    continue;
                }
                if count > 0 && age.high > stint.entry {
                    self.leave_out(stint, LeftOut::HoursNotKnown, found);
                } else if count > 0 && outcome != Outcome::Running {
                    self.leave_out(stint, LeftOut::NoHours, found);
                }
                return;
            };
            if count == 0 {
                continue;
            }
            found.lives.push(Life {
                id: LifeId {
                    of_set: if single { OfSet::Whole } else { of_set },
                    ..id
                },
                part: self.name,
                machine: stint.machine,
                position: stint.chain,
                serial: stint.serial,
                outcome,
                low,
                high,
                entry: stint.entry,
                count,
                start: Some(first.map_or(start.date, |r| record(r).date)),
                end: span.end_date,
                rows,
                unknown_reason: span.end == Some(End::Unknown),
                covariates,
            });
        }
        // The order of their names.
        if let [.., worn, unworn] = &mut found.lives[before..] {
            std::mem::swap(worn, unworn);
        }
    }

    /// The name of a stint's life.
    fn id(&self, stint: &Stint, machine_slug: Text) -> Option<LifeId> {
        Some(LifeId {
            place: *self.ids.get(&stint.chain)?,
            machine: machine_slug,
            number: stint.span.number,
            of_set: OfSet::Whole,
        })
    }

    fn row(&self, record: usize) -> Option<RowRef> {
        Some(self.fleet.replacements.get(record)?.row)
    }

    /// Rows a span rests on, each once, in the order of events, where they are more than its ends.
    fn all_rows(&self, stint: &Stint) -> Option<Vec<RowRef>> {
        let merged = |at: usize| self.fleet.replacements[at].merged.is_some();
        let start = stint.span.start.and_then(|s| s.record);
        if stint.before.is_empty()
            && stint.span.looks.is_empty()
            && !start.is_some_and(merged)
            && !stint.span.end_record.is_some_and(merged)
        {
            return None;
        }
        let mut rows: Vec<RowRef> = Vec::new();
        for record in stint.before.iter().copied().chain(stint.records()) {
            for row in self.fleet.rows_of(&self.fleet.replacements[record]) {
                if !rows.contains(&row) {
                    rows.push(row);
                }
            }
        }
        Some(rows)
    }
}

/// Ages now shown rest on the last reading; say so where that is long ago.
fn note_old_readings(fleet: &Fleet, meters: &Meters, lives: &mut Lives) {
    let aged: HashSet<Text, RandomState> = lives
        .fitted
        .iter()
        .filter(|f| f.age_hours.is_some())
        .map(|f| f.machine)
        .collect();
    // Among very many machines the row tells which, and those read last on one day share their text.
    let is_shared = fleet.machines.len() > FEW_MACHINES;
    let old = Problem {
        allowed: Some("a reading near the day we look from".into()),
        ..flagged(
            "old_reading",
            Vec::new(),
            "Parts of this machine may be older than shown; add a reading.",
        )
    };
    let found = |whose: &str, day: Date, days: i32| -> Text {
        let as_of = fleet.as_of;
        format!("the last reading{whose} on {day}, {days} days before {as_of}").into()
    };
    let of_machine = |shared: &mut ByText<Date, Text>, &machine: &Text| {
        let (day, _) = meters.of(machine).last_read(fleet.as_of)?;
        let days = days_between(day, fleet.as_of);
        if days <= READING_IS_OLD_DAYS || !aged.contains(&machine) {
            return None;
        }
        let row = meters.row_read(fleet, machine, fleet.as_of);
        let found = if row.is_some() && is_shared {
            *shared.entry(day).or_insert_with(|| found("", day, days))
        } else {
            found(&format!(" of {machine}"), day, days)
        };
        Some(Problem {
            rows: row.into_iter().collect(),
            found: Some(found),
            ..old.clone()
        })
    };
    let machines = fleet.machines.par_iter();
    let problems = machines
        .map_init(ByText::default, of_machine)
        .flatten_iter();
    lives.problems.par_extend(problems);
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
        code: code.into(),
        disposition: Disposition::Flagged,
        rows,
        column: None,
        found: None,
        allowed: None,
        advice: advice.into(),
    }
}

fn days_between(from: Date, to: Date) -> i32 {
    (to - from).get_days()
}
