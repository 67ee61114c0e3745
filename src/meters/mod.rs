//! Hour-meter history of each machine: readings, resets, rollovers → hours at a date, as bounds.

mod history;
mod point;
mod readings;
mod rows;

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use foldhash::fast::RandomState;
use jiff::civil::Date;
use rayon::prelude::*;
use serde::Serialize;

use crate::records::{Fleet, MeterReset, Problem, RowRef, Text, runs};

use history::{Entry, History};
pub use history::{MeterReading, Standing, TurnedBack};
pub use point::{HoursBounds, MeterPoint};

/// Machines looked at side by side before what they give is put together.
const MACHINES_AT_A_TIME: usize = 256;

/// Operating hours a machine runs per calendar day, on the average of its readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct UsePerDay {
    /// Lower limit, 90 % two-sided.
    pub low: f64,
    /// Mean over the readings.
    pub mean: f64,
    /// Upper limit, 90 % two-sided.
    pub high: f64,
}

/// The meters of a fleet.
#[derive(Debug, Clone, Default)]
pub struct Meters {
    /// Where each machine's history stands.
    places: HashMap<Text, u32, RandomState>,
    histories: Vec<History>,
    /// The stretch in which each of the fleet's replacements was read; [`NOT_READ`] for the others.
    stretches: Vec<u16>,
    /// Points of replacements without a reading of their own, by their place.
    bounded: BTreeMap<usize, MeterPoint>,
    /// Replacements whose reading (or whose meter from some day on) cannot be used, by their place
    /// in [`Fleet::replacements`].
    pub set_aside: BTreeMap<usize, Problem>,
    /// Problems with readings that are no replacement rows.
    pub problems: Vec<Problem>,
    /// What was taken as stated instead of read.
    pub notes: Vec<String>,
    /// Meters that went backwards, one for each undeclared reset.
    pub turned_back: Vec<TurnedBack>,
}

/// No stretch: the replacement has no exact reading that is used.
const NOT_READ: u16 = u16::MAX;

/// What one machine's readings give.
struct OfMachine {
    name: Text,
    history: History,
    bounded: Vec<(usize, MeterPoint)>,
    /// Stretches of the replacements that were read.
    read: Vec<(usize, u16)>,
    set_aside: BTreeMap<usize, Problem>,
    problems: Vec<Problem>,
    note: Option<String>,
    turned_back: Vec<TurnedBack>,
}

impl Meters {
    /// Puts the readings of every machine in order and judges each of them.
    ///
    /// Readings come from the reading files, from replacement rows and from a stated first day. A
    /// reading that would need more than 24 hours a day is set aside; from a reading below an
    /// earlier one on, nothing is used until a declared reset.
    pub fn new(fleet: &Fleet) -> Self {
        let mut resets: BTreeMap<&str, Vec<&MeterReset>> = BTreeMap::new();
        for reset in &fleet.resets {
            resets.entry(&reset.machine).or_default().push(reset);
        }
        let records = runs(&fleet.replacements, |a, b| a.machine == b.machine);
        let machine_of = |run: Range<usize>| (fleet.replacements[run.start].machine, run);
        let records: HashMap<Text, Range<usize>, RandomState> =
            records.into_iter().map(machine_of).collect();
        let mut meters = Self {
            places: HashMap::with_capacity_and_hasher(fleet.machines.len(), RandomState::default()),
            histories: Vec::with_capacity(fleet.machines.len()),
            stretches: vec![NOT_READ; fleet.replacements.len()],
            ..Self::default()
        };
        for some in fleet.machines.chunks(MACHINES_AT_A_TIME) {
            // What is kept for long is allocated where other work goes on and can use it again.
            let of = some.par_iter().map(|&name| {
                let resets = resets.get(name.as_str()).map_or(&[][..], Vec::as_slice);
                let records = records.get(&name).cloned();
                of_machine(fleet, name, records.unwrap_or_default(), resets)
            });
            let of: Vec<OfMachine> = of.collect();
            for of in of {
                meters.add(of);
            }
        }
        meters
    }

    fn add(&mut self, of: OfMachine) {
        self.bounded.extend(of.bounded);
        for (at, stretch) in of.read {
            self.stretches[at] = stretch;
        }
        self.set_aside.extend(of.set_aside);
        self.problems.extend(of.problems);
        self.notes.extend(of.note);
        let turned = of.turned_back.into_iter().map(|turned| TurnedBack {
            machine: of.name.to_string(),
            ..turned
        });
        self.turned_back.extend(turned);
        self.places.insert(of.name, self.histories.len() as u32);
        self.histories.push(of.history);
    }

    /// The meter of one machine, for looking at it often.
    pub(crate) fn of(&self, machine: Text) -> MachineMeter<'_> {
        MachineMeter(self.history_of(machine))
    }

    fn history(&self, machine: &str) -> Option<&History> {
        self.history_of(Text::from(machine))
    }

    fn history_of(&self, machine: Text) -> Option<&History> {
        self.histories.get(*self.places.get(&machine)? as usize)
    }

    /// Operating hours of a machine on a day, counted through all resets, as bounds.
    ///
    /// `None` when the machine has no usable reading, or its meter is in doubt from an earlier day on.
    /// After the last reading `best` stays at that reading: nothing is added that nobody read.
    pub fn hours_at(&self, machine: &str, date: Date) -> Option<HoursBounds> {
        let history = self.history(machine)?;
        let point = history.at(date)?;
        Some(history.counted_up_to(&point))
    }

    /// The meter on a day, as a point to measure ages from.
    pub fn point_at(&self, machine: &str, date: Date) -> Option<MeterPoint> {
        self.history(machine)?.at(date)
    }

    /// What a machine's meter shows on a day, as bounds, since its last reset.
    pub fn shown_at(&self, machine: &str, date: Date) -> Option<HoursBounds> {
        Some(self.history(machine)?.at(date)?.shown)
    }

    /// The meter at one of the fleet's replacements: as read, else as bounded by other readings.
    pub fn point_of(&self, fleet: &Fleet, replacement: usize) -> Option<MeterPoint> {
        match self.stretches.get(replacement) {
            None => None,
            Some(&NOT_READ) if self.set_aside.contains_key(&replacement) => None,
            Some(&NOT_READ) => self.bounded.get(&replacement).copied(),
            Some(&stretch) => Some(MeterPoint {
                stretch: usize::from(stretch),
                shown: HoursBounds::exactly(fleet.replacements.get(replacement)?.hours.get()?),
            }),
        }
    }

    /// What keeps a replacement's meter from being used.
    pub(crate) fn problem_of(&self, replacement: usize) -> Option<&Problem> {
        if self
            .stretches
            .get(replacement)
            .is_some_and(|&s| s != NOT_READ)
        {
            return None;
        }
        self.set_aside.get(&replacement)
    }

    /// Hours run from one point of a machine's meter to a later one, as bounds; never below 0.
    pub fn between(
        &self,
        machine: &str,
        from: &MeterPoint,
        to: &MeterPoint,
    ) -> Option<HoursBounds> {
        Some(self.history(machine)?.between(from, to))
    }

    /// Operating hours per calendar day; `None` with fewer than two readings on different days.
    pub fn use_per_day(&self, machine: &str) -> Option<UsePerDay> {
        self.history(machine)?.use_per_day()
    }

    /// Every reading of a machine in order, rejected ones marked.
    pub fn readings(&self, fleet: &Fleet, machine: &str) -> Vec<MeterReading> {
        let Some(history) = self.history(machine) else {
            return Vec::new();
        };
        let mut readings = history.readings();
        let mut rows = rows::RowsByReading::of(fleet, machine, history.records.clone());
        for reading in &mut readings {
            if reading.standing == Standing::Used {
                reading.row = rows.next(reading.date, reading.hours);
            }
        }
        readings
    }

    /// Day of the first reading of a machine, used or not.
    pub fn first_read(&self, machine: &str) -> Option<Date> {
        self.history(machine)?.first_read()
    }

    /// The row of the last usable reading of a machine on or before a day: of several alike the
    /// first.
    pub fn row_read(&self, fleet: &Fleet, machine: Text, date: Date) -> Option<RowRef> {
        let history = self.history_of(machine)?;
        let reading = history.last_reading(date)?;
        rows::first_row(fleet, &machine, history.records.clone(), reading)
    }

    /// Last usable reading up to a day: the day and the point.
    pub fn last_read(&self, machine: &str, date: Date) -> Option<(Date, MeterPoint)> {
        self.history(machine)?.last_read(date)
    }
}

/// One machine's meter; the questions are those of [`Meters`].
#[derive(Debug, Clone, Copy)]
pub(crate) struct MachineMeter<'a>(Option<&'a History>);

impl MachineMeter<'_> {
    /// See [`Meters::point_at`].
    pub(crate) fn point_at(self, date: Date) -> Option<MeterPoint> {
        self.0?.at(date)
    }

    /// See [`Meters::hours_at`].
    pub(crate) fn hours_at(self, date: Date) -> Option<HoursBounds> {
        let history = self.0?;
        Some(history.counted_up_to(&history.at(date)?))
    }

    /// See [`Meters::shown_at`].
    pub(crate) fn shown_at(self, date: Date) -> Option<HoursBounds> {
        Some(self.0?.at(date)?.shown)
    }

    /// See [`Meters::between`].
    pub(crate) fn between(self, from: &MeterPoint, to: &MeterPoint) -> Option<HoursBounds> {
        Some(self.0?.between(from, to))
    }

    /// Where the machine's records stand in the fleet's replacements.
    pub(crate) fn records(self) -> Range<usize> {
        self.0.map_or(0..0, |history| history.records.clone())
    }

    /// See [`Meters::last_read`].
    pub(crate) fn last_read(self, date: Date) -> Option<(Date, MeterPoint)> {
        self.0?.last_read(date)
    }
}

/// Puts the readings of one machine in order and judges each of them.
fn of_machine(
    fleet: &Fleet,
    name: Text,
    records: Range<usize>,
    resets: &[&MeterReset],
) -> OfMachine {
    let machine = name.as_str();
    let facts = fleet.facts(machine);
    let first = records.start;
    let from = fleet
        .readings
        .partition_point(|r| r.machine.as_str() < machine);
    let readings = fleet.readings[from..]
        .iter()
        .take_while(|r| r.machine.as_str() == machine);
    let mut entries: Vec<Entry> = fleet.replacements[records.clone()]
        .iter()
        .enumerate()
        .map(|(at, record)| Entry {
            date: record.date,
            hours: record.hours.get(),
            row: Some(record.row),
            replacement: Some(first + at),
        })
        .chain(readings.map(|reading| Entry {
            date: reading.date,
            hours: Some(reading.hours),
            row: Some(reading.row),
            replacement: None,
        }))
        .collect();
    let unread: Vec<(usize, Date)> = entries
        .iter()
        .filter(|e| e.hours.is_none())
        .filter_map(|e| Some((e.replacement?, e.date)))
        .collect();
    let has_meter = entries.iter().any(|e| e.hours.is_some());
    if let Some(new_on) = facts.and_then(|f| f.new_on)
        && (has_meter || facts.is_some_and(|f| f.hours_per_day.is_none()))
    {
        entries.push(Entry {
            date: new_on,
            hours: facts.map(|f| f.first_hours),
            row: None,
            replacement: None,
        });
    }
    let mut of = OfMachine {
        name,
        history: History::default(),
        bounded: Vec::new(),
        read: Vec::new(),
        set_aside: BTreeMap::new(),
        problems: Vec::new(),
        note: None,
        turned_back: Vec::new(),
    };
    of.history = match facts.and_then(|f| f.hours_per_day) {
        Some(rate) if !has_meter => {
            of.note = Some(format!(
                "{machine} has no meter reading; its hours are calendar days times the stated {rate} hours a day."
            ));
            History::at_rate(rate)
        }
        _ => History::of_readings(
            entries,
            resets,
            &mut of.read,
            &mut of.set_aside,
            &mut of.problems,
            &mut of.turned_back,
        ),
    };
    of.history.records = records;
    for (replacement, date) in unread {
        if !of.set_aside.contains_key(&replacement)
            && let Some(point) = of.history.at(date)
        {
            of.bounded.push((replacement, point));
        }
    }
    of
}
