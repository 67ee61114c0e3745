//! One machine's meter: stretches between declared resets, and what was read in each.

use std::collections::BTreeMap;
use std::ops::Range;

use jiff::civil::Date;
use serde::Serialize;

use super::readings::Readings;
use super::{HoursBounds, MeterPoint, UsePerDay};
use crate::numerics::sort::{number_in_order, sort_by_number};
use crate::records::{Disposition, MeterReset, Problem, RowRef, day_in_order};

/// Hours in a day: no meter runs faster.
const HOURS_PER_DAY: f64 = 24.0;
/// Two-sided 90 % of the standard normal distribution.
const NORMAL_90: f64 = 1.644_853_626_951_472_2;

/// Most resets of one meter.
const MOST_STRETCHES: usize = 60_000;

/// A row that speaks about a machine's meter.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub(super) date: Date,
    pub(super) hours: Option<f64>,
    pub(super) row: Option<RowRef>,
    /// Place in the fleet's replacements, when it is one.
    pub(super) replacement: Option<usize>,
}

/// What became of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Used.
    Used,
    /// Needs more than 24 hours a day, or lies below the readings around it.
    Absurd,
    /// From here on the meter is in doubt: it went backwards without a declared reset.
    InDoubt,
}

/// A reading as judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterReading {
    /// Day.
    pub date: Date,
    /// What the meter showed.
    pub hours: f64,
    /// Where it was read; `None` for a stated first day.
    pub row: Option<RowRef>,
    /// What became of it.
    pub standing: Standing,
}

/// A meter that went backwards without a declared reset.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TurnedBack {
    /// Machine.
    pub machine: String,
    /// Day of the last reading that is used.
    pub last_day: Date,
    /// What it was.
    pub last_hours: f64,
    /// Day of the first reading below it.
    pub day: Date,
    /// What that was.
    pub hours: f64,
    /// Its row.
    pub row: Option<RowRef>,
}

/// Between two resets.
#[derive(Debug, Clone)]
struct Stretch {
    /// First day; the earliest there is for the first stretch.
    from: Date,
    /// What the meter showed right after the reset that began it.
    begins_at: Option<f64>,
    /// Used readings.
    readings: Readings,
    /// From this day on nothing is known in this stretch.
    in_doubt_from: Option<Date>,
}

/// One machine's meter.
#[derive(Debug, Clone, Default)]
pub(super) struct History {
    stretches: Vec<Stretch>,
    /// Aside, for most of very many machines have none of it.
    rare: Option<Box<Rare>>,
    /// Where the machine's records stand in the fleet's replacements.
    pub(super) records: Range<usize>,
}

/// What few meters have.
#[derive(Debug, Clone, Default)]
struct Rare {
    /// What to add when going from a stretch to the next: old reading minus new reading.
    joins: Vec<HoursBounds>,
    /// Readings that are not used.
    rejected: Vec<MeterReading>,
    /// Hours a day, for a machine without a meter.
    rate: Option<f64>,
}

impl History {
    /// A machine without a meter that runs a stated number of hours a day.
    pub(super) fn at_rate(rate: f64) -> Self {
        Self {
            stretches: vec![Stretch::new(Date::MIN, None)],
            rare: Some(Box::new(Rare {
                rate: Some(rate),
                ..Rare::default()
            })),
            ..Self::default()
        }
    }

    fn rare(&mut self) -> &mut Rare {
        self.rare.get_or_insert_default()
    }

    fn joins(&self) -> &[HoursBounds] {
        self.rare.as_ref().map_or(&[], |rare| &rare.joins)
    }

    fn rejected(&self) -> &[MeterReading] {
        self.rare.as_ref().map_or(&[], |rare| &rare.rejected)
    }

    fn rate(&self) -> Option<f64> {
        self.rare.as_ref()?.rate
    }

    pub(super) fn of_readings(
        mut entries: Vec<Entry>,
        resets: &[&MeterReset],
        read: &mut Vec<(usize, u16)>,
        set_aside: &mut BTreeMap<usize, Problem>,
        problems: &mut Vec<Problem>,
        turned_back: &mut Vec<TurnedBack>,
    ) -> Self {
        let day_and_hours = |entry: &Entry| {
            let hours = number_in_order(entry.hours.unwrap_or(f64::NEG_INFINITY));
            u128::from(day_in_order(entry.date)) << 64 | u128::from(hours)
        };
        sort_by_number(&mut entries, day_and_hours, |entry| entry.row);
        let mut history = Self {
            stretches: vec![Stretch::new(Date::MIN, None)],
            ..Self::default()
        };
        let mut rest: &[Entry] = &entries;
        for reset in resets.iter().copied().map(Some).chain([None]) {
            let here = reset.map_or(rest.len(), |reset| belongs_before(rest, reset));
            let (before, after) = rest.split_at(here);
            history.judge(before, read, set_aside, problems, turned_back);
            rest = after;
            if let Some(reset) = reset {
                let join = history.join(reset);
                history.rare().joins.push(join);
                history
                    .stretches
                    .push(Stretch::new(reset.date, Some(reset.new_reading)));
            }
        }
        history
    }

    /// Old reading minus new reading: exact where the old one is told, else at least from the last
    /// reading and at most 24 hours for each day since.
    fn join(&self, reset: &MeterReset) -> HoursBounds {
        if let Some(old) = reset.old_reading {
            return HoursBounds::exactly(old - reset.new_reading);
        }
        let last = self.stretches.last().and_then(Stretch::last);
        let low = last.map_or(0.0, |(_, hours)| hours) - reset.new_reading;
        let high = last.map_or(f64::INFINITY, |(date, _)| low + at_most(date, reset.date));
        HoursBounds {
            low,
            best: low,
            high,
        }
    }

    /// Judges the entries of the stretch that is open.
    fn judge(
        &mut self,
        entries: &[Entry],
        read: &mut Vec<(usize, u16)>,
        set_aside: &mut BTreeMap<usize, Problem>,
        problems: &mut Vec<Problem>,
        turned_back: &mut Vec<TurnedBack>,
    ) {
        let open = self.stretches.len() - 1;
        let stretch = &mut self.stretches[open];
        let mut rejected: Vec<MeterReading> = Vec::new();
        stretch.readings.reserve(entries.len());
        read.reserve(entries.len());
        let mut previous: Option<&Entry> = None;
        let mut doubt: Option<(Option<RowRef>, Option<RowRef>)> = None;
        for (index, entry) in entries.iter().enumerate() {
            let floor = stretch
                .last()
                .or(stretch.begins_at.map(|h| (stretch.from, h)));
            let mut problem = None;
            let mut standing = Standing::Used;
            if doubt.is_none()
                && let (Some(hours), Some((date, last))) = (entry.hours, floor)
            {
                if hours < last {
                    if is_a_dip(&entries[index + 1..], entry.date, hours, (date, last)) {
                        standing = Standing::Absurd;
                        problem = Some(absurd(
                            entry,
                            hours,
                            format!("at least {last}, as on {date}"),
                        ));
                    } else {
                        turned_back.push(TurnedBack {
                            machine: String::new(),
                            last_day: date,
                            last_hours: last,
                            day: entry.date,
                            hours,
                            row: entry.row,
                        });
                        doubt = Some((previous.and_then(|p| p.row), entry.row));
                        stretch.in_doubt_from = Some(entry.date);
                    }
                } else if hours - last > at_most(date, entry.date) {
                    standing = Standing::Absurd;
                    let most = last + at_most(date, entry.date);
                    problem = Some(absurd(
                        entry,
                        hours,
                        format!("at most {most}: 24 hours a day since {date}"),
                    ));
                }
            }
            if let Some((before, from)) = &doubt {
                standing = Standing::InDoubt;
                problem = Some(backwards(
                    entry,
                    before.as_ref(),
                    from.as_ref(),
                    floor.map(|(_, hours)| hours),
                ));
            }
            if let Some(hours) = entry.hours {
                if standing == Standing::Used {
                    stretch.readings.push(entry.date, hours);
                    previous = Some(entry);
                    if let Some(replacement) = entry.replacement {
                        // A meter that was reset more often than this is none.
                        read.push((replacement, open.min(MOST_STRETCHES) as u16));
                    }
                } else {
                    rejected.push(MeterReading {
                        date: entry.date,
                        hours,
                        row: entry.row,
                        standing,
                    });
                }
            }
            match (problem, entry.replacement) {
                (Some(problem), Some(replacement)) => {
                    set_aside.insert(replacement, problem);
                }
                (Some(problem), None) => problems.push(problem),
                (None, _) => {}
            }
        }
        if !rejected.is_empty() {
            self.rare().rejected.append(&mut rejected);
        }
    }

    /// What the meter shows on a day.
    pub(super) fn at(&self, date: Date) -> Option<MeterPoint> {
        if let Some(rate) = self.rate() {
            let hours = rate * days_between(Date::constant(1950, 1, 1), date);
            return Some(MeterPoint {
                stretch: 0,
                shown: HoursBounds::exactly(hours),
            });
        }
        let index = self.stretch_of(date);
        let stretch = &self.stretches[index];
        if stretch.in_doubt_from.is_some_and(|from| date >= from) {
            return None;
        }
        let readings = &stretch.readings;
        let (first, beyond) = (readings.before(date), readings.up_to(date));
        if first < beyond
            && let (Some((_, low)), Some((_, high))) =
                (readings.get(first), readings.get(beyond - 1))
        {
            return Some(MeterPoint {
                stretch: index,
                shown: HoursBounds {
                    low,
                    best: f64::midpoint(low, high),
                    high,
                },
            });
        }
        let before = first
            .checked_sub(1)
            .and_then(|i| readings.get(i))
            .or(stretch.begins_at.map(|h| (stretch.from, h)));
        let after = readings.get(beyond);
        let shown = match (before, after) {
            (Some((d0, h0)), Some((d1, h1))) => {
                let share = days_between(d0, date) / days_between(d0, d1).max(1.0);
                HoursBounds {
                    low: h0.max(h1 - at_most(date, d1)),
                    best: h0 + (h1 - h0) * share,
                    high: h1.min(h0 + at_most(d0, date)),
                }
            }
            (Some((d0, h0)), None) => HoursBounds {
                low: h0,
                best: h0,
                high: h0 + at_most(d0, date),
            },
            (None, Some((d1, h1))) => {
                let low = (h1 - at_most(date, d1)).max(0.0);
                HoursBounds {
                    low,
                    best: f64::midpoint(low, h1),
                    high: h1,
                }
            }
            (None, None) => return None,
        };
        Some(MeterPoint {
            stretch: index,
            shown,
        })
    }

    pub(super) fn between(&self, from: &MeterPoint, to: &MeterPoint) -> HoursBounds {
        let mut hours = HoursBounds {
            low: to.shown.low - from.shown.high,
            best: to.shown.best - from.shown.best,
            high: to.shown.high - from.shown.low,
        };
        for join in self.joins().iter().take(to.stretch).skip(from.stretch) {
            hours = hours.plus(join);
        }
        HoursBounds {
            low: hours.low.max(0.0),
            best: hours.best.max(0.0),
            high: hours.high.max(0.0),
        }
    }

    /// Hours counted through all resets up to a point.
    pub(super) fn counted_up_to(&self, point: &MeterPoint) -> HoursBounds {
        self.joins()
            .iter()
            .take(point.stretch)
            .fold(point.shown, |sum, join| sum.plus(join))
    }

    pub(super) fn last_read(&self, date: Date) -> Option<(Date, MeterPoint)> {
        self.stretches
            .iter()
            .enumerate()
            .rev()
            .find_map(|(index, stretch)| {
                let beyond = stretch.readings.up_to(date);
                let (day, hours) = stretch.readings.get(beyond.checked_sub(1)?)?;
                Some((
                    day,
                    MeterPoint {
                        stretch: index,
                        shown: HoursBounds::exactly(hours),
                    },
                ))
            })
    }

    /// The last usable reading up to a day.
    pub(super) fn last_reading(&self, date: Date) -> Option<(Date, f64)> {
        let last = |stretch: &Stretch| {
            let readings = &stretch.readings;
            readings.get(readings.up_to(date).checked_sub(1)?)
        };
        self.stretches.iter().rev().find_map(last)
    }

    /// Mean use with a 90 % interval: each step between readings is taken as a sum of independent
    /// days, so the variance per day is `Σ (Δh − r·Δd)² / Δd / (k − 1)` over `k` steps.
    pub(super) fn use_per_day(&self) -> Option<UsePerDay> {
        if let Some(rate) = self.rate() {
            return Some(UsePerDay {
                low: rate,
                mean: rate,
                high: rate,
            });
        }
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for stretch in &self.stretches {
            let mut last: Option<(Date, f64)> = None;
            for (date, hours) in stretch.readings.iter() {
                match last {
                    Some((day, _)) if day == date => {}
                    Some((day, before)) => {
                        steps.push((days_between(day, date), hours - before));
                        last = Some((date, hours));
                    }
                    None => last = Some((date, hours)),
                }
            }
        }
        let days: f64 = steps.iter().map(|(d, _)| d).sum();
        if days <= 0.0 {
            return None;
        }
        let mean = steps.iter().map(|(_, h)| h).sum::<f64>() / days;
        let (low, high) = if steps.len() < 2 {
            (0.0, HOURS_PER_DAY)
        } else {
            let squares: f64 = steps.iter().map(|(d, h)| (h - mean * d).powi(2) / d).sum();
            let half = NORMAL_90 * (squares / (steps.len() - 1) as f64 / days).sqrt();
            ((mean - half).max(0.0), (mean + half).min(HOURS_PER_DAY))
        };
        Some(UsePerDay { low, mean, high })
    }

    /// Every reading in order of its day, rejected ones marked; the rows of the others are to be
    /// filled in.
    pub(super) fn readings(&self) -> Vec<MeterReading> {
        let mut all: Vec<MeterReading> = self
            .stretches
            .iter()
            .flat_map(|stretch| stretch.readings.iter())
            .map(|(date, hours)| MeterReading {
                date,
                hours,
                row: None,
                standing: Standing::Used,
            })
            .chain(self.rejected().iter().cloned())
            .collect();
        all.sort_by_key(|reading| reading.date);
        all
    }

    /// Day of the first reading, used or not.
    pub(super) fn first_read(&self) -> Option<Date> {
        let used = self.stretches.iter().filter_map(|s| s.readings.first());
        let rejected = self.rejected().iter().map(|reading| reading.date);
        used.map(|(date, _)| date).chain(rejected).min()
    }

    fn stretch_of(&self, date: Date) -> usize {
        self.stretches
            .iter()
            .rposition(|s| s.from <= date)
            .unwrap_or(0)
    }
}

impl Stretch {
    fn new(from: Date, begins_at: Option<f64>) -> Self {
        Self {
            from,
            begins_at,
            readings: Readings::default(),
            in_doubt_from: None,
        }
    }

    fn last(&self) -> Option<(Date, f64)> {
        self.readings.last()
    }
}

/// How many of the entries come before a reset. On the day itself a reading within a day's
/// hours of the new reading comes after it.
fn belongs_before(entries: &[Entry], reset: &MeterReset) -> usize {
    entries
        .iter()
        .position(|entry| {
            entry.date > reset.date
                || (entry.date == reset.date
                    && entry.hours.is_none_or(|h| {
                        (reset.new_reading..=reset.new_reading + HOURS_PER_DAY).contains(&h)
                    }))
        })
        .unwrap_or(entries.len())
}

/// A single slip below the readings around it: the next reading goes on from the one before, and
/// could not be reached from the slip at 24 hours a day.
fn is_a_dip(later: &[Entry], date: Date, hours: f64, last: (Date, f64)) -> bool {
    later
        .iter()
        .filter(|e| e.date > date)
        .find_map(|e| e.hours.map(|h| (e.date, h)))
        .is_some_and(|(day, next)| {
            next >= last.1
                && next - last.1 <= at_most(last.0, day)
                && next - hours > at_most(date, day)
        })
}

fn absurd(entry: &Entry, hours: f64, allowed: String) -> Problem {
    Problem {
        code: "absurd_hours".into(),
        disposition: Disposition::SetAside,
        rows: entry.row.into_iter().collect(),
        column: Some("hours".into()),
        found: Some(hours.to_string().into()),
        allowed: Some(allowed.into()),
        advice: "Correct the reading in the export.".into(),
    }
}

fn backwards(
    entry: &Entry,
    before: Option<&RowRef>,
    from: Option<&RowRef>,
    last: Option<f64>,
) -> Problem {
    let mut rows: Vec<RowRef> = entry.row.into_iter().collect();
    for row in [before, from].into_iter().flatten() {
        if !rows.contains(row) {
            rows.push(*row);
        }
    }
    Problem {
        code: "meter_backwards".into(),
        disposition: Disposition::SetAside,
        rows,
        column: Some("hours".into()),
        found: Some(entry.hours.map_or_else(|| "no reading".to_owned(), |h| h.to_string()).into()),
        allowed: last.map(|h| format!("{h} or more, or a declared reset").into()),
        advice: "The meter went backwards: correct the wrong reading, or declare the reset or rollover in [[readings.resets]] with its date and new_reading (the lines are given).".into(),
    }
}

/// Most hours a meter can add from one day to another, both days whole.
fn at_most(from: Date, to: Date) -> f64 {
    HOURS_PER_DAY * (days_between(from, to) + 1.0)
}

fn days_between(from: Date, to: Date) -> f64 {
    f64::from((to - from).get_days())
}
