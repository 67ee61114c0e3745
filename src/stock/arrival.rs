//! The chance of running short by the day on which an order can be used.

use std::collections::BTreeSet;

use jiff::civil::Date;

use super::days::{days_between, plus_days};
use super::lead_time::LeadDays;
use super::shortage::{Supply, shortages_along, single_checks};
use super::timeline::Timeline;
use crate::forecast::{Outlook, PartOutlook};

/// Rounds in which the curve is made exact around the day that was found.
const ROUNDS: usize = 3;

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Ordered<'a> {
    /// How exact, by its accuracy.
    pub outlook: &'a Outlook,
    /// Part kind.
    pub ahead: &'a PartOutlook,
    /// Its demand.
    pub timeline: &'a Timeline,
    /// Stock and deliveries without the order.
    pub supply: &'a Supply,
    /// How many are ordered.
    pub quantity: u32,
    /// Days from order to delivery.
    pub lead: &'a LeadDays,
    /// Chance of running short that is allowed.
    pub allowed: f64,
}

/// Chance of running short at any time up to the end of the schedule, by the day on which the order
/// arrives.
///
/// For each day it is the sum of the chances of the single checks (see [`single_checks`]) less their
/// overlap. The sums come from the timeline; the overlap, small and smooth, is computed at a few days
/// and runs straight between them. Later arrival never lessens the chance.
#[derive(Debug, Clone, PartialEq)]
pub struct ArrivalCurve {
    as_of: Date,
    short: Vec<f64>,
}

impl ArrivalCurve {
    /// Chance if the order arrives on a day.
    pub fn at(&self, day: Date) -> f64 {
        let index = days_between(self.as_of, day).max(0) as usize;
        let last = self.short.len().saturating_sub(1);
        self.short.get(index.min(last)).copied().unwrap_or(0.0)
    }

    /// Chance if it is ordered on a day: averaged over the days from order to delivery.
    pub fn if_ordered_on(&self, day: Date, lead: &LeadDays) -> f64 {
        let sum: f64 = lead
            .days()
            .map(|(days, chance)| chance * self.at(plus_days(day, days)))
            .sum();
        sum.min(1.0)
    }

    /// The latest day to order that keeps the chance within `allowed`; the first day where none does.
    fn latest(&self, lead: &LeadDays, allowed: f64) -> Date {
        let beyond = i32::try_from(self.short.len()).unwrap_or(i32::MAX);
        let (mut good, mut bad) = (0, beyond);
        while bad - good > 1 {
            let middle = i32::midpoint(good, bad);
            if self.if_ordered_on(plus_days(self.as_of, middle), lead) <= allowed {
                good = middle;
            } else {
                bad = middle;
            }
        }
        plus_days(self.as_of, good)
    }
}

/// When to order at the latest.
#[derive(Debug, Clone, PartialEq)]
pub struct LatestOrder {
    /// Latest day.
    pub day: Date,
    /// Chance of running short if ordered on that day.
    pub short: f64,
    /// The same if ordered today.
    pub short_if_today: f64,
    /// The curve behind it.
    pub curve: ArrivalCurve,
}

impl Ordered<'_> {
    /// The latest day to order, with the chance of running short.
    pub fn latest(&self) -> LatestOrder {
        let mut knots = self.first_knots();
        let as_of = self.outlook.as_of;
        let mut overlaps = Vec::new();
        self.measure(&knots, &mut overlaps);
        let mut curve = self.curve(&overlaps);
        let mut day = curve.latest(self.lead, self.allowed);
        for _ in 0..ROUNDS {
            let from = days_between(as_of, day);
            let around = [0.05, 0.5, 0.95].map(|p| self.index(from + self.lead.by(p)));
            let new: BTreeSet<usize> = around.into_iter().filter(|k| !knots.contains(k)).collect();
            if new.is_empty() {
                break;
            }
            self.measure(&new, &mut overlaps);
            knots.extend(new);
            curve = self.curve(&overlaps);
            day = curve.latest(self.lead, self.allowed);
        }
        LatestOrder {
            day,
            short: curve.if_ordered_on(day, self.lead),
            short_if_today: curve.if_ordered_on(as_of, self.lead),
            curve,
        }
    }

    /// Days after the outlook's; the first beyond the schedule stands for all later ones.
    fn index(&self, days: i32) -> usize {
        days.clamp(0, self.last()) as usize
    }

    fn last(&self) -> i32 {
        days_between(self.outlook.as_of, self.outlook.end) + 1
    }

    fn day(&self, index: usize) -> Date {
        plus_days(self.outlook.as_of, i32::try_from(index).unwrap_or(i32::MAX))
    }

    /// The first day on which an order could be there, the last, and those between at which running
    /// short without it becomes possible, likely and all but certain: there the overlap bends. Roughly the allowed
    /// chance and a likely one do: the days around the one that is found are measured in any case.
    fn first_knots(&self) -> BTreeSet<usize> {
        let earliest = self.index(self.lead.by(0.0));
        let last = self.index(i32::MAX);
        let mut knots = BTreeSet::from([earliest, last]);
        let bends = [
            self.allowed,
            0.4,
            0.4 * self.allowed,
            2.5 * self.allowed,
            0.8,
        ];
        let enough = if self.outlook.is_rough() {
            2
        } else {
            bends.len()
        };
        for &limit in &bends[..enough] {
            let reached = (earliest..=last).find(|&i| {
                let eve = plus_days(self.day(i), -1);
                self.timeline.more_than(eve, self.supply.by(eve)) > limit
            });
            knots.extend(reached);
        }
        knots
    }

    /// Adds the overlap of the checks at each knot.
    fn measure(&self, knots: &BTreeSet<usize>, overlaps: &mut Vec<(usize, f64)>) {
        let supplies: Vec<Supply> = knots
            .iter()
            .map(|&k| self.supply.and(self.day(k), self.quantity))
            .collect();
        let questions: Vec<(&Supply, Date)> =
            supplies.iter().map(|s| (s, self.outlook.end)).collect();
        let exact = shortages_along(self.outlook, self.ahead, self.timeline, &questions);
        for ((&k, supply), exact) in knots.iter().zip(&supplies).zip(exact) {
            let sum: f64 = self.checks(supply).iter().sum();
            overlaps.push((k, (sum - exact).max(0.0)));
        }
        overlaps.sort_by_key(|o| o.0);
    }

    fn checks(&self, supply: &Supply) -> Vec<f64> {
        single_checks(self.outlook, self.timeline, supply, self.outlook.end)
    }

    fn curve(&self, overlaps: &[(usize, f64)]) -> ArrivalCurve {
        let mut short = Vec::new();
        let mut before = 0.0_f64;
        for i in 0..=self.index(i32::MAX) {
            let checks = self.checks(&self.supply.and(self.day(i), self.quantity));
            let sum: f64 = checks.iter().sum();
            let least = checks.iter().copied().fold(0.0, f64::max);
            let here = (sum - between(overlaps, i)).clamp(least, sum.max(least));
            before = here.min(1.0).max(before);
            short.push(before);
        }
        ArrivalCurve {
            as_of: self.outlook.as_of,
            short,
        }
    }
}

/// Straight between knots, level beyond them.
fn between(knots: &[(usize, f64)], at: usize) -> f64 {
    let next = knots.partition_point(|k| k.0 < at);
    match (
        next.checked_sub(1).and_then(|i| knots.get(i)),
        knots.get(next),
    ) {
        (Some(a), Some(b)) => {
            let share = (at - a.0) as f64 / (b.0 - a.0) as f64;
            a.1 + share * (b.1 - a.1)
        }
        (Some(only), None) | (None, Some(only)) => only.1,
        (None, None) => 0.0,
    }
}
