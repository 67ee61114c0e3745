//! The chance of running short, with deliveries coming in on their days.
//!
//! Stock only falls between deliveries, so running short at some time up to day t means: more parts
//! needed than there were, at the end of the day before some delivery, or at the end of t. Under one
//! curve, the chances at these checks are combined through the parts needed between one check and
//! the next, taken as independent given the curve; each check's own chance is exact. With a single
//! check (no delivery in between) the result is exact.

use jiff::civil::Date;

use crate::forecast::{Counts, Outlook, PartOutlook, Span};

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

/// Chance of having run short by the end of each of `days` (sorted).
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
    let mut spans = Vec::new();
    let mut before = outlook.as_of;
    for &check in &checks {
        spans.push(Span::Days(before, check));
        spans.push(Span::Days(outlook.as_of, check));
        before = check;
    }
    let last_check = |day: Date| checks.iter().rev().find(|c| **c < day).copied();
    for &day in days {
        spans.push(Span::Days(last_check(day).unwrap_or(outlook.as_of), day));
        spans.push(Span::Days(outlook.as_of, day));
    }
    let demand = outlook.demand(part, &spans);
    let mut short = vec![0.0; days.len()];
    for (weight, counts) in &demand.by_curve {
        let mut chain = Chain::new();
        let mut after: Vec<(Date, Chain)> = Vec::new();
        for (k, &check) in checks.iter().enumerate() {
            chain = chain.then(&counts[2 * k], &counts[2 * k + 1], supply.by(check));
            after.push((check, chain.clone()));
        }
        for (i, &day) in days.iter().enumerate() {
            let at = 2 * (checks.len() + i);
            let so_far = after
                .iter()
                .rev()
                .find(|(c, _)| *c < day)
                .map_or_else(Chain::new, |(_, c)| c.clone());
            let end = so_far.then(&counts[at], &counts[at + 1], supply.by(day));
            short[i] += weight * end.short;
        }
    }
    short.iter().map(|p| p.clamp(0.0, 1.0)).collect()
}

/// Parts used so far without having run short.
#[derive(Debug, Clone)]
struct Chain {
    /// Weight of each number used, among the cases not yet short.
    used: Counts,
    /// Chance to have run short.
    short: f64,
}

impl Chain {
    fn new() -> Self {
        Self {
            used: Counts::none(),
            short: 0.0,
        }
    }

    /// One check further: `more` since the last check, `all` since the start (exact), `stock` there.
    fn then(&self, more: &Counts, all: &Counts, stock: u32) -> Self {
        let sum = self.used.plus(more);
        let exact = all.more_than(stock);
        let short = if self.short == 0.0 {
            exact
        } else {
            (self.short + (1.0 - self.short) * sum.more_than(stock))
                .max(exact)
                .min(self.short + exact)
        };
        let kept: Vec<f64> = sum.pmf().iter().take(stock as usize + 1).copied().collect();
        Self {
            used: Counts::from_weights(kept),
            short,
        }
    }
}
