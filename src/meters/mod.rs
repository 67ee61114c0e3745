//! Hour-meter history of each machine: readings, resets, rollovers → hours at a date, as bounds.

mod history;
mod point;

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::Serialize;

use crate::records::{Fleet, MeterReset, Problem};

use history::{Entry, History};
pub use history::{MeterReading, Standing};
pub use point::{HoursBounds, MeterPoint};

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
    machines: BTreeMap<String, History>,
    /// Point of each of the fleet's replacements, where it can be placed.
    points: Vec<Option<MeterPoint>>,
    /// Replacements whose reading (or whose meter from some day on) cannot be used, by their place
    /// in [`Fleet::replacements`].
    pub set_aside: BTreeMap<usize, Problem>,
    /// Problems with readings that are no replacement rows.
    pub problems: Vec<Problem>,
    /// What was taken as stated instead of read.
    pub notes: Vec<String>,
}

impl Meters {
    /// Puts the readings of every machine in order and judges each of them.
    ///
    /// Readings come from the reading files, from replacement rows and from a stated first day. A
    /// reading that would need more than 24 hours a day is set aside; from a reading below an
    /// earlier one on, nothing is used until a declared reset.
    pub fn new(fleet: &Fleet) -> Self {
        let mut entries: BTreeMap<&str, Vec<Entry>> = BTreeMap::new();
        for (index, record) in fleet.replacements.iter().enumerate() {
            entries.entry(&record.machine).or_default().push(Entry {
                date: record.date,
                hours: record.hours,
                row: record.rows.first().cloned(),
                replacement: Some(index),
            });
        }
        for reading in &fleet.readings {
            entries.entry(&reading.machine).or_default().push(Entry {
                date: reading.date,
                hours: Some(reading.hours),
                row: Some(reading.row.clone()),
                replacement: None,
            });
        }
        let mut resets: BTreeMap<&str, Vec<&MeterReset>> = BTreeMap::new();
        for reset in &fleet.resets {
            resets.entry(&reset.machine).or_default().push(reset);
        }
        let mut meters = Self {
            points: vec![None; fleet.replacements.len()],
            ..Self::default()
        };
        for machine in &fleet.machines {
            let facts = fleet.facts(machine);
            let mut entries = entries.remove(machine.as_str()).unwrap_or_default();
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
            let history = match facts.and_then(|f| f.hours_per_day) {
                Some(rate) if !has_meter => {
                    meters.notes.push(format!(
                        "{machine} has no meter reading; its hours are calendar days times the stated {rate} hours a day."
                    ));
                    History::at_rate(rate)
                }
                _ => {
                    let resets = resets.remove(machine.as_str()).unwrap_or_default();
                    History::of_readings(
                        entries,
                        &resets,
                        &mut meters.set_aside,
                        &mut meters.problems,
                    )
                }
            };
            for (replacement, date) in unread {
                meters.points[replacement] = history.at(date);
            }
            for &(replacement, point) in &history.read {
                meters.points[replacement] = Some(point);
            }
            meters.machines.insert(machine.clone(), history);
        }
        meters
    }

    /// Operating hours of a machine on a day, counted through all resets, as bounds.
    ///
    /// `None` when the machine has no usable reading, or its meter is in doubt from an earlier day on.
    /// After the last reading `best` stays at that reading: nothing is added that nobody read.
    pub fn hours_at(&self, machine: &str, date: Date) -> Option<HoursBounds> {
        let history = self.machines.get(machine)?;
        let point = history.at(date)?;
        Some(history.counted_up_to(&point))
    }

    /// The meter on a day, as a point to measure ages from.
    pub fn point_at(&self, machine: &str, date: Date) -> Option<MeterPoint> {
        self.machines.get(machine)?.at(date)
    }

    /// What a machine's meter shows on a day, as bounds, since its last reset.
    pub fn shown_at(&self, machine: &str, date: Date) -> Option<HoursBounds> {
        Some(self.machines.get(machine)?.at(date)?.shown)
    }

    /// The meter at one of the fleet's replacements: as read, else as bounded by other readings.
    pub fn point_of(&self, replacement: usize) -> Option<MeterPoint> {
        if self.set_aside.contains_key(&replacement) {
            return None;
        }
        self.points.get(replacement).copied().flatten()
    }

    /// Hours run from one point of a machine's meter to a later one, as bounds; never below 0.
    pub fn between(
        &self,
        machine: &str,
        from: &MeterPoint,
        to: &MeterPoint,
    ) -> Option<HoursBounds> {
        Some(self.machines.get(machine)?.between(from, to))
    }

    /// Operating hours per calendar day; `None` with fewer than two readings on different days.
    pub fn use_per_day(&self, machine: &str) -> Option<UsePerDay> {
        self.machines.get(machine)?.use_per_day()
    }

    /// Every reading of a machine in order, rejected ones marked.
    pub fn readings(&self, machine: &str) -> &[MeterReading] {
        self.machines.get(machine).map_or(&[], History::readings)
    }

    /// Last usable reading up to a day: the day and the point.
    pub fn last_read(&self, machine: &str, date: Date) -> Option<(Date, MeterPoint)> {
        self.machines.get(machine)?.last_read(date)
    }
}
