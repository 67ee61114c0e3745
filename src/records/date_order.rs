//! Which of day and month comes first, as the hour meter tells it: a meter does not run backwards,
//! nor more than 24 hours a day, so the order under which it would is not the one meant.

use std::ops::Range;

use jiff::civil::Date;

use super::dates::{DateReader, DayMonth};
use super::numbers::DecimalMark;
use super::opened::number;
use super::text_table::{Kind, TextTable};

/// Rows looked at; any part of a meter's readings must rise.
const ROWS: usize = 100_000;
/// Readings that must be impossible under one order before the other is taken: a single one may be
/// a slip or a reset.
const ENOUGH: usize = 2;
const HOURS_PER_DAY: f64 = 24.0;

/// Where dates stand beside a meter.
#[derive(Debug, Clone, Copy)]
pub(super) struct BesideMeter {
    pub(super) date: usize,
    pub(super) machine: usize,
    pub(super) hours: usize,
    pub(super) mark: DecimalMark,
}

/// How many readings are impossible under each order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Impossible {
    pub(super) day_first: usize,
    pub(super) month_first: usize,
}

impl Impossible {
    /// Counts them in the first rows of a table.
    pub(super) fn count(table: &TextTable, rows: Range<usize>, at: &BesideMeter) -> Self {
        let of = |order| {
            let reader = DateReader::Settled(Some(order));
            let mut readings: Vec<(&str, Date, f64)> = rows
                .clone()
                .take(ROWS)
                .filter(|&row| table.kind(row, at.date) == Kind::Text)
                .filter_map(|row| {
                    let hours = number(
                        table.cell(row, at.hours),
                        table.kind(row, at.hours),
                        at.mark,
                    );
                    let date = reader.read(table.cell(row, at.date))?;
                    Some((table.cell(row, at.machine), date, hours.ok()??))
                })
                .collect();
            readings.sort_unstable_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)));
            let of_machines = readings.chunk_by(|a, b| a.0 == b.0);
            of_machines.map(impossible).sum()
        };
        Self {
            day_first: of(DayMonth::DayFirst),
            month_first: of(DayMonth::MonthFirst),
        }
    }

    /// The order that the meter leaves, where it leaves one.
    pub(super) fn order(self) -> Option<DayMonth> {
        match (self.day_first, self.month_first) {
            (0, ENOUGH..) => Some(DayMonth::DayFirst),
            (ENOUGH.., 0) => Some(DayMonth::MonthFirst),
            _ => None,
        }
    }
}

/// How many of one machine's readings, by day, lie below an earlier one or too far above the last.
fn impossible(readings: &[(&str, Date, f64)]) -> usize {
    let mut highest = f64::NEG_INFINITY;
    let mut last: Option<(Date, f64)> = None;
    let mut count = 0;
    for &(_, day, hours) in readings {
        let too_fast = last.is_some_and(|(before, read)| {
            let days = f64::from((day - before).get_days());
            hours - read > HOURS_PER_DAY * (days + 1.0)
        });
        count += usize::from(hours < highest || too_fast);
        highest = highest.max(hours);
        last = Some((day, hours));
    }
    count
}

impl DayMonth {
    /// In words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::DayFirst => "day first",
            Self::MonthFirst => "month first",
        }
    }
}
