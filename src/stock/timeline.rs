//! What is needed of one part by the end of each day.

use jiff::civil::Date;

use super::days::{days_between, plus_days};
use crate::forecast::{Counts, Outlook, PartOutlook, Span};

/// Most days inside one job that are looked at, besides its first and last.
const WITHIN_A_JOB: usize = 4;

/// Most such days of all jobs together.
const WITHIN_JOBS: usize = 48;

/// Most days looked at besides where jobs may slip.
const SLIPPING: i32 = 60;

/// Demand from the outlook's day up to the end of each of a row of days: the days before and on which
/// jobs start, those on which they end, and a few in between. Between two of these days chances run
/// straight, since hours accrue evenly within a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Timeline {
    as_of: Date,
    days: Vec<Date>,
    counts: Vec<Counts>,
}

impl Timeline {
    /// Of one part kind; `also` are days to look at besides (of deliveries).
    pub fn of(outlook: &Outlook, ahead: &PartOutlook, also: &[Date]) -> Self {
        let mut days: Vec<Date> = also.to_vec();
        let inner = (WITHIN_JOBS / outlook.jobs.len().max(1)).min(WITHIN_A_JOB);
        let inner = i32::try_from(inner).unwrap_or(0);
        for job in &outlook.jobs {
            days.extend([plus_days(job.start, -1), job.start, job.end]);
            let length = days_between(job.start, job.end);
            days.extend((1..=inner).map(|i| plus_days(job.start, length * i / (inner + 1))));
        }
        days.push(outlook.end);
        if outlook.may_slip() {
            // Starts and ends are spread over days of their own.
            let length = days_between(outlook.as_of, outlook.end);
            let count = length.min(SLIPPING);
            days.extend((1..count).map(|i| plus_days(outlook.as_of, length * i / count)));
        }
        days.retain(|day| *day > outlook.as_of && *day <= outlook.end);
        days.sort_unstable();
        days.dedup();
        let spans: Vec<Span> = days
            .iter()
            .map(|day| Span::Days(outlook.as_of, *day))
            .collect();
        let counts = outlook.demand(ahead, &spans).counts;
        Self {
            as_of: outlook.as_of,
            days,
            counts,
        }
    }

    /// The days looked at.
    pub fn days(&self) -> &[Date] {
        &self.days
    }

    /// The days looked at, with what is needed by their ends.
    pub fn steps(&self) -> impl Iterator<Item = (Date, &Counts)> {
        self.days.iter().copied().zip(&self.counts)
    }

    /// Chance that more than `stock` are needed by the end of a day.
    pub fn more_than(&self, day: Date, stock: u32) -> f64 {
        self.at(day, |counts| counts.more_than(stock))
    }

    /// How many of the parts needed by the end of a day a stock covers, on average.
    pub fn expected_covered(&self, day: Date, stock: u32) -> f64 {
        self.at(day, |counts| counts.expected_covered(stock))
    }

    /// Expected number needed by the end of a day.
    pub fn expected(&self, day: Date) -> f64 {
        self.at(day, Counts::mean)
    }

    /// Straight between the days looked at; nothing is needed by the outlook's own day, and no more
    /// after the last.
    fn at(&self, day: Date, of: impl Fn(&Counts) -> f64) -> f64 {
        let next = self.days.partition_point(|d| *d < day);
        let Some(counts) = self.counts.get(next) else {
            return self.counts.last().map_or(0.0, of);
        };
        if day <= self.as_of {
            return 0.0;
        }
        let (from, before) = match next.checked_sub(1) {
            Some(at) => (self.days[at], of(&self.counts[at])),
            None => (self.as_of, of(&Counts::none())),
        };
        let whole = f64::from(days_between(from, self.days[next]).max(1));
        let share = f64::from(days_between(from, day)) / whole;
        before + share * (of(counts) - before)
    }
}
