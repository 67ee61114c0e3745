//! Used readings of one stretch, in two columns: a fleet holds millions of them. Where each stands
//! is found again in the fleet, see [`super::rows`].

use jiff::civil::Date;

/// Readings by day, then hours.
#[derive(Debug, Clone, Default)]
pub(super) struct Readings {
    days: Vec<Date>,
    hours: Vec<f64>,
}

impl Readings {
    /// Makes room for so many more.
    pub(super) fn reserve(&mut self, more: usize) {
        self.days.reserve_exact(more);
        self.hours.reserve_exact(more);
    }

    /// Adds one that comes after all others.
    pub(super) fn push(&mut self, day: Date, hours: f64) {
        self.days.push(day);
        self.hours.push(hours);
    }

    pub(super) fn get(&self, at: usize) -> Option<(Date, f64)> {
        Some((*self.days.get(at)?, *self.hours.get(at)?))
    }

    pub(super) fn first(&self) -> Option<(Date, f64)> {
        self.get(0)
    }

    pub(super) fn last(&self) -> Option<(Date, f64)> {
        self.get(self.days.len().checked_sub(1)?)
    }

    /// How many were read before a day.
    pub(super) fn before(&self, day: Date) -> usize {
        self.days.partition_point(|d| *d < day)
    }

    /// How many were read up to a day.
    pub(super) fn up_to(&self, day: Date) -> usize {
        self.days.partition_point(|d| *d <= day)
    }

    /// Days and hours.
    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = (Date, f64)> {
        self.days.iter().copied().zip(self.hours.iter().copied())
    }
}
