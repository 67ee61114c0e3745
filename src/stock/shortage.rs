//! The chance of running short, with deliveries coming in on their days.
//!
//! Stock only falls between deliveries, so running short at some time up to day t means: more parts
//! needed than there were, at the end of the day before some delivery, or at the end of t. Call these
//! events `A₁ … A_m`. With one of them the chance is that of a demand distribution; with two it is
//! `P(A₁) + P(A₂) − P(A₁ ∩ A₂)`, the last from the joint distribution of what is needed by either
//! day. With more it is bounded from above by `Σ P(A_k) − Σ P(A_k ∩ A_{k+1})` (Hunter, Journal of
//! Applied Probability 13, 1976: the sum over a tree of pairs, here the path), so a promise made on
//! it holds.

use jiff::civil::Date;

use crate::forecast::{Outlook, PartOutlook, Span};

/// Parts in stock and on their way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Supply {
    /// There now.
    pub on_hand: u32,
    /// Day from which a delivery can be used, and how many; sorted.
    pub deliveries: Vec<(Date, u32)>,
}

impl Supply {
    /// With one more delivery.
    #[must_use]
    pub fn and(&self, day: Date, quantity: u32) -> Self {
        let mut more = self.clone();
        more.deliveries.push((day, quantity));
        more.deliveries.sort_unstable();
        more
    }

    /// All that is there by the end of `day`.
    pub fn by(&self, day: Date) -> u32 {
        self.deliveries
            .iter()
            .filter(|(d, _)| *d <= day)
            .fold(self.on_hand, |sum, (_, q)| sum.saturating_add(*q))
    }
}

/// An event this unlikely is only added, not looked at together with others.
const RARE: f64 = 1e-6;

/// Chance of having run short by the end of each of `days` (sorted, none before the outlook's day).
pub fn shortage_by(
    outlook: &Outlook,
    part: &PartOutlook,
    supply: &Supply,
    days: &[Date],
) -> Vec<f64> {
    // The end of the day before each delivery that comes while parts are in use.
    let mut checks: Vec<Date> = supply
        .deliveries
        .iter()
        .filter_map(|(day, _)| day.yesterday().ok())
        .filter(|day| *day > outlook.as_of && *day < outlook.end)
        .collect();
    checks.dedup();
    let spans: Vec<Span> = checks
        .iter()
        .chain(days)
        .map(|day| Span::Days(outlook.as_of, *day))
        .collect();
    let alone: Vec<f64> = outlook
        .demand(part, &spans)
        .counts
        .iter()
        .zip(checks.iter().chain(days))
        .map(|(counts, day)| counts.more_than(supply.by(*day)))
        .collect();
    let (at_checks, at_days) = alone.split_at(checks.len());
    let common: Vec<(Date, f64)> = checks
        .iter()
        .copied()
        .zip(at_checks.iter().copied())
        .filter(|(_, p)| *p > RARE)
        .collect();
    // Pairs that are wanted: each common check with the next one, and with the days that follow it.
    let mut pairs: Vec<(Date, Date)> = common.windows(2).map(|w| (w[0].0, w[1].0)).collect();
    let last_before = |day: Date| common.iter().rposition(|(check, _)| *check < day);
    for (day, p) in days.iter().zip(at_days) {
        if let Some(k) = last_before(*day)
            && *p > RARE
        {
            pairs.push((common[k].0, *day));
        }
    }
    let limits: Vec<(u32, u32)> = pairs
        .iter()
        .map(|(a, b)| (supply.by(*a), supply.by(*b)))
        .collect();
    let both_enough = if pairs.is_empty() {
        Vec::new()
    } else {
        outlook.both_enough(part, &pairs, &limits)
    };
    // P(A ∩ B) = P(A) + P(B) − 1 + P(neither), so what B adds to A is 1 − P(A) − P(neither).
    let added = |p_first: f64, pair: usize, p_second: f64| {
        (1.0 - p_first - both_enough[pair]).clamp(0.0, p_second)
    };
    let mut by_check: Vec<f64> = Vec::new();
    for (k, (_, p)) in common.iter().enumerate() {
        let so_far = if k == 0 {
            *p
        } else {
            by_check[k - 1] + added(common[k - 1].1, k - 1, *p)
        };
        by_check.push(so_far);
    }
    let mut next_pair = common.len().saturating_sub(1);
    days.iter()
        .zip(at_days)
        .map(|(day, p)| {
            let rare: f64 = checks
                .iter()
                .zip(at_checks)
                .filter(|(check, q)| **check < *day && **q <= RARE)
                .map(|(_, q)| q)
                .sum();
            let chance = match last_before(*day) {
                None => *p,
                Some(k) if *p > RARE => {
                    next_pair += 1;
                    by_check[k] + added(common[k].1, next_pair - 1, *p)
                }
                Some(k) => by_check[k] + p,
            };
            (chance + rare).clamp(0.0, 1.0)
        })
        .collect()
}
