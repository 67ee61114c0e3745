//! New lives from a fitted curve, censored as the lives at hand might have been.
//!
//! Worn lives get the censoring they might have met from the product-limit estimate of censoring ages
//! beyond their own; where none was seen, they stay uncensored. When watching stopped at a worn life (all
//! others are censored at the greatest worn age), it stops at the same worn life again.

use crate::numerics::streams::Stream;

use super::kernel::Kernel;
use super::log_lives::{LogLives, Weighted};

/// Rows by age.
pub(crate) fn sorted(column: &Weighted) -> Vec<(f64, f64)> {
    let mut rows: Vec<(f64, f64)> = column.iter().collect();
    rows.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    rows
}

#[derive(Debug, Clone, Copy)]
enum Limit {
    /// This life was censored there.
    Known(f64),
    /// It wore out there, so its censoring lay beyond.
    Beyond(f64),
}

/// Product-limit estimate of the censoring ages, and each life's own.
#[derive(Debug, Clone)]
pub(crate) struct Censoring {
    shift: f64,
    limits: Vec<Limit>,
    /// How many had worn out when watching stopped, where it stopped with a worn life.
    stopped_at: Option<usize>,
    /// Ages with the chance of being censored later.
    curve: Vec<(f64, f64)>,
}

impl Censoring {
    /// Of exact and right-censored lives.
    pub(crate) fn new(lives: &LogLives) -> Self {
        let mut limits = Vec::new();
        for (y, weight) in lives.exact.iter() {
            limits.extend((0..weight.round() as u64).map(|_| Limit::Beyond(y)));
        }
        for (y, weight) in lives.right.iter() {
            limits.extend((0..weight.round() as u64).map(|_| Limit::Known(y)));
        }
        let exact = sorted(&lives.exact);
        let right = sorted(&lives.right);
        let mut at_risk = lives.exact.total() + lives.right.total();
        let mut worn = exact.iter().peekable();
        let mut later = 1.0;
        let mut curve = Vec::new();
        for &(y, weight) in &right {
            while let Some(w) = worn.next_if(|w| w.0 <= y) {
                at_risk -= w.1;
            }
            later *= ((at_risk - weight) / at_risk).max(0.0);
            at_risk -= weight;
            curve.push((y, later));
        }
        Self {
            shift: lives.shift,
            stopped_at: stopped_at(lives),
            limits,
            curve,
        }
    }

    /// As many lives as there were, drawn from a curve and censored as they might have been.
    pub(crate) fn simulate(
        &self,
        kernel: Kernel,
        mu: f64,
        sigma: f64,
        random: &mut Stream,
    ) -> LogLives {
        let mut simulated = LogLives {
            shift: self.shift,
            ..LogLives::default()
        };
        let mut draw = || mu + sigma * kernel.quantile_of_survival(random.uniform());
        if let Some(worn) = self.stopped_at {
            let mut ages: Vec<f64> = (0..self.limits.len()).map(|_| draw()).collect();
            ages.sort_unstable_by(f64::total_cmp);
            let stop = ages[worn - 1];
            for (k, y) in ages.into_iter().enumerate() {
                if k < worn {
                    simulated.exact.push(y, 1.0);
                } else {
                    simulated.right.push(stop, 1.0);
                }
            }
            return simulated;
        }
        for &limit in &self.limits {
            let limit = match limit {
                Limit::Known(y) => y,
                Limit::Beyond(y) => self.draw(y, random.uniform()),
            };
            let y = mu + sigma * kernel.quantile_of_survival(random.uniform());
            let column = if y <= limit {
                &mut simulated.exact
            } else {
                &mut simulated.right
            };
            column.push(y.min(limit), 1.0);
        }
        simulated
    }

    /// A censoring age beyond y, at the given share of what is left there.
    pub(crate) fn draw(&self, y: f64, share: f64) -> f64 {
        let here = self.curve.partition_point(|c| c.0 <= y);
        let left = if here == 0 {
            1.0
        } else {
            self.curve[here - 1].1
        };
        let target = left * share;
        self.curve[here..]
            .iter()
            .find(|c| c.1 <= target)
            .map_or(f64::INFINITY, |c| c.0)
    }
}

/// Worn lives when watching stopped with one of them, the others all censored there.
fn stopped_at(lives: &LogLives) -> Option<usize> {
    let last = lives.exact.y.iter().copied().max_by(f64::total_cmp)?;
    let there = lives.right.y.iter().all(|y| *y == last);
    let worn = lives.exact.total().round() as usize;
    (there && !lives.right.y.is_empty() && worn > 0).then_some(worn)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lives::Observations;
    use crate::numerics::streams::stream;

    #[test]
    fn watching_that_stopped_at_a_worn_life_stops_at_the_same_one_again() {
        let mut o = Observations::default();
        for (low, high) in [(100.0, 100.0), (150.0, 150.0), (150.0, f64::INFINITY)] {
            o.push(low, high, 0.0, 1.0);
        }
        let censoring = Censoring::new(&LogLives::new(&o));
        for replicate in 0..20 {
            let mut random = stream(1, replicate);
            let again = censoring.simulate(Kernel::SmallestExtreme, 0.0, 0.5, &mut random);
            assert_eq!((again.exact.y.len(), again.right.y.len()), (2, 1));
            assert_eq!(again.right.y[0], again.exact.y[1]);
        }
    }
}
