//! Where readings stand: found again in the fleet when somebody asks, not kept with each of them.

use std::collections::{HashMap, VecDeque};
use std::ops::Range;

use foldhash::fast::RandomState;
use jiff::civil::Date;

use crate::records::{Fleet, RowRef};

/// Day, hours and row of all that was read on a machine, in no order; a stated first day has no row.
fn all<'a>(
    fleet: &'a Fleet,
    machine: &'a str,
    records: Range<usize>,
) -> impl Iterator<Item = (Date, f64, Option<RowRef>)> + 'a {
    let records = fleet.replacements[records].iter();
    let from = fleet
        .readings
        .partition_point(|r| r.machine.as_str() < machine);
    let readings = fleet.readings[from..].iter();
    let facts = fleet.facts(machine);
    records
        .filter_map(|r| Some((r.date, r.hours.get()?, Some(r.row))))
        .chain(
            readings
                .take_while(move |r| r.machine.as_str() == machine)
                .map(|r| (r.date, r.hours, Some(r.row))),
        )
        .chain(facts.and_then(|f| Some((f.new_on?, f.first_hours, None))))
}

/// The first row with a reading. Readings alike are judged alike, so any of them may be meant.
pub(super) fn first_row(
    fleet: &Fleet,
    machine: &str,
    records: Range<usize>,
    reading: (Date, f64),
) -> Option<RowRef> {
    let alike = all(fleet, machine, records).filter(|r| (r.0, r.1) == reading);
    alike.filter_map(|r| r.2).min()
}

/// Rows of a machine by their readings, each given once.
pub(super) struct RowsByReading(HashMap<(Date, u64), VecDeque<Option<RowRef>>, RandomState>);

impl RowsByReading {
    pub(super) fn of(fleet: &Fleet, machine: &str, records: Range<usize>) -> Self {
        let mut readings: Vec<_> = all(fleet, machine, records).collect();
        readings.sort_by_key(|r| r.2);
        let mut rows: HashMap<_, VecDeque<_>, RandomState> = HashMap::default();
        for (day, hours, row) in readings {
            rows.entry((day, hours.to_bits()))
                .or_default()
                .push_back(row);
        }
        Self(rows)
    }

    /// The next row with a reading.
    pub(super) fn next(&mut self, day: Date, hours: f64) -> Option<RowRef> {
        self.0.get_mut(&(day, hours.to_bits()))?.pop_front()?
    }
}
