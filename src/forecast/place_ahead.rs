//! One fitted part through the jobs of its machine, in every way that these may go.

use std::borrow::Cow;

use jiff::civil::Date;

use super::mixture::{Ahead, quantile};
use super::schedule::MachineSchedule;
use super::types::Remaining;

/// One fitted part and the hours ahead of it.
#[derive(Debug, Clone)]
pub struct PlaceAhead<'a> {
    pub(super) as_of: Date,
    pub(super) end: Date,
    /// The machine's hours as stated.
    pub(super) stated: &'a MachineSchedule,
    /// Whether every hour wears it alike and the schedule is as stated.
    pub(super) plain: bool,
    pub(super) under: Vec<Under<'a>>,
}

/// The same under one alternative of how fast hours wear it; most parts have one.
#[derive(Debug, Clone)]
pub(super) struct Under<'a> {
    pub(super) weight: f64,
    pub(super) chances: Ahead<'a>,
    /// What one hour of its own level counts as.
    pub(super) own: f64,
    /// Its hours in each way that differs in hours, equally likely.
    pub(super) by_hours: Vec<Cow<'a, MachineSchedule>>,
    /// Its hours in every way; empty where the schedule is as stated.
    pub(super) all: Vec<Cow<'a, MachineSchedule>>,
}

impl PlaceAhead<'_> {
    /// Chance that it is worn within hours that are taken from each way of its schedule.
    pub fn worn_within(&self, hours: impl Fn(&MachineSchedule) -> f64) -> f64 {
        let under = self.under.iter().map(|under| {
            let ways = under.by_hours.iter();
            let sum: f64 = ways.map(|way| under.chances.within(hours(way))).sum();
            under.weight * (sum / under.by_hours.len() as f64)
        });
        under.sum()
    }

    /// Chance that it wears out in each job of its machine, in order.
    pub fn worn_in_jobs(&self) -> Vec<f64> {
        let mut chances = vec![0.0; self.stated.runs.len()];
        for under in &self.under {
            let mut before = vec![0.0; under.by_hours.len()];
            for (j, chance) in chances.iter_mut().enumerate() {
                let mut worn_out = 0.0;
                for (before, schedule) in before.iter_mut().zip(&under.by_hours) {
                    let after = under.chances.within(schedule.runs[j].to);
                    worn_out += (after - *before).max(0.0);
                    *before = after;
                }
                *chance += under.weight * (worn_out / under.by_hours.len() as f64);
            }
        }
        chances
    }

    /// Hours by which a share `p` of the predictive distribution has worn out, all of them at the level of what is
    /// fitted; `None` where that lies beyond all hours.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if let [only] = &*self.under {
            return only.chances.quantile(p).map(|hours| hours / only.own);
        }
        let within = |x: f64| {
            let under = self.under.iter();
            under.map(|u| u.weight * u.chances.within(x * u.own)).sum()
        };
        let under = self.under.iter();
        let typical = under.map(|u| u.weight * (u.chances.typical() - u.own.ln()));
        quantile(within, typical.sum(), p)
    }

    /// The 10, 50 and 90 % points.
    pub fn remaining(&self) -> Remaining {
        Remaining {
            p10: self.quantile(0.1),
            p50: self.quantile(0.5),
            p90: self.quantile(0.9),
        }
    }

    /// The first day by whose end it is worn out with a chance of `p` at least, given the hours by which it is
    /// ([`quantile`](Self::quantile)); `None` beyond the schedule. Where hours or their wear are open, the chance is
    /// averaged over what they may be.
    pub fn worn_by(&self, p: f64, hours: Option<f64>) -> Option<Date> {
        if self.plain {
            return hours.and_then(|h| self.stated.date_at(h));
        }
        let chance = |days: i32| {
            let day = self.as_of.saturating_add(jiff::Span::new().days(days));
            let of = |under: &Under<'_>| {
                let ways = if under.all.is_empty() {
                    &under.by_hours
                } else {
                    &under.all
                };
                let each = ways
                    .iter()
                    .map(|way| under.chances.within(way.hours_by(day)));
                under.weight * (each.sum::<f64>() / ways.len() as f64)
            };
            self.under.iter().map(of).sum::<f64>()
        };
        let (mut before, mut by) = (0, self.as_of.until(self.end).ok()?.get_days());
        if chance(by) < p {
            return None;
        }
        while by - before > 1 {
            let middle = i32::midpoint(before, by);
            if chance(middle) < p {
                before = middle;
            } else {
                by = middle;
            }
        }
        self.as_of.checked_add(jiff::Span::new().days(by)).ok()
    }
}
