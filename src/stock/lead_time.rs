//! Lead time as a distribution over whole days.

use crate::numerics::special::{NORMAL_95, normal_cdf};
use crate::records::LeadTime;

/// A lead time range is taken to start no sooner than this, days: a lognormal needs a start above 0.
const SHORTEST: f64 = 0.5;

/// Probability beyond which a very late delivery counts as coming on the last day looked at.
const TAIL: f64 = 1e-4;

/// Most days looked at.
const MOST_DAYS: i32 = 4000;

/// Days from order to delivery: a whole number, with its chance.
///
/// A stated 5–95 % range `[a, b]` is taken as lognormal: `ln L` normal with mean `(ln a + ln b)/2` and
/// standard deviation `(ln b − ln a)/(2·1.645)`; deliveries are seldom early and sometimes very late, which
/// is what the long right tail of the lognormal says. A part that comes after k − 1 and within k days is
/// there on day k: `P(k) = F(k) − F(k−1)`. Equal ends are one sure day.
#[derive(Debug, Clone, PartialEq)]
pub struct LeadDays {
    first: i32,
    chances: Vec<f64>,
}

impl LeadDays {
    /// From a range of days, `0 ≤ low ≤ high`.
    pub fn of(lead: LeadTime) -> Self {
        let (low, high) = (lead.low_days.max(SHORTEST), lead.high_days.max(SHORTEST));
        if high - low < 1e-9 || lead.high_days <= SHORTEST {
            return Self::surely(lead.high_days.ceil() as i32);
        }
        let mean = f64::midpoint(low.ln(), high.ln());
        let deviation = (high.ln() - low.ln()) / (2.0 * NORMAL_95);
        let by = |days: i32| normal_cdf((f64::from(days).ln() - mean) / deviation);
        let (mut first, mut chances) = (1, Vec::new());
        let mut before = 0.0;
        for days in 1..=MOST_DAYS {
            let now = by(days);
            if chances.is_empty() && now < TAIL {
                first = days + 1;
                continue;
            }
            chances.push(now - before);
            before = now;
            if 1.0 - now < TAIL {
                break;
            }
        }
        match chances.last_mut() {
            Some(last) => *last += 1.0 - before,
            None => chances.push(1.0),
        }
        Self { first, chances }
    }

    /// A known number of days.
    pub fn surely(days: i32) -> Self {
        Self {
            first: days.max(0),
            chances: vec![1.0],
        }
    }

    /// Days and their chances, from the shortest.
    pub fn days(&self) -> impl Iterator<Item = (i32, f64)> + '_ {
        (self.first..).zip(self.chances.iter().copied())
    }

    /// The fewest days by which it is there with at least this chance.
    pub fn by(&self, chance: f64) -> i32 {
        let (mut sum, mut last) = (0.0, self.first);
        for (days, p) in self.days() {
            (sum, last) = (sum + p, days);
            if sum >= chance - 1e-9 {
                break;
            }
        }
        last
    }

    /// Chance that it is there within so many days.
    pub fn within(&self, days: i32) -> f64 {
        let sum: f64 = self
            .days()
            .take_while(|(d, _)| *d <= days)
            .map(|(_, p)| p)
            .sum();
        sum.min(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(low_days: f64, high_days: f64) -> LeadDays {
        LeadDays::of(LeadTime {
            low_days,
            high_days,
        })
    }

    /// The ends of the range are the 5 and 95 % points, its geometric mean the median; the mean of a
    /// lognormal is `exp(μ + σ²/2)` (closed form), half a day more for rounding up to whole days.
    #[test]
    fn a_range_is_lognormal() {
        let lead = range(14.0, 35.0);
        assert!((lead.within(14) - 0.05).abs() < 2e-3);
        assert!((lead.within(35) - 0.95).abs() < 1e-9);
        assert_eq!(lead.by(0.95), 35);
        assert_eq!(lead.by(0.5), 23); // √(14·35) = 22.1
        let (mu, sigma) = ((14.0_f64 * 35.0).ln() / 2.0, (2.5_f64).ln() / 3.289_707);
        let mean: f64 = lead.days().map(|(d, p)| f64::from(d) * p).sum();
        let expected = (mu + sigma * sigma / 2.0).exp() + 0.5;
        assert!((mean - expected).abs() < 0.05, "{mean} {expected}");
        assert!((lead.days().map(|(_, p)| p).sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_number_is_one_sure_day_and_odd_ranges_stay_sane() {
        assert_eq!(range(21.0, 21.0), LeadDays::surely(21));
        assert_eq!(range(0.0, 0.0), LeadDays::surely(0));
        assert_eq!(range(10.2, 10.2), LeadDays::surely(11));
        for (low, high) in [(0.0, 7.0), (0.0, 0.3), (1.0, 3660.0), (30.0, 31.0)] {
            let lead = range(low, high);
            let sum: f64 = lead.days().map(|(_, p)| p).sum();
            assert!((sum - 1.0).abs() < 1e-12 && lead.days().all(|(d, p)| d >= 0 && p >= 0.0));
            assert!(f64::from(lead.by(0.95)) <= high.ceil() + 1.0);
        }
    }
}
