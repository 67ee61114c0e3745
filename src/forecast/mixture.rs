//! Many Weibull curves side by side: chances of one part, averaged over all of them.

use super::first_life::{FirstLife, WeibullCurve};
use super::remaining::curve;
use crate::models::WeibullNode;
use crate::numerics::roots::brent;
use crate::numerics::vector::{exp, exp_m1, widest};

/// Hours beyond which a quantile counts as not reached.
const NOT_REACHED: f64 = 1e12;

/// Hours below which a quantile counts as now.
const SMALLEST: f64 = 1e-9;

/// Curves with their weights, as renewed: of the part itself, or of the first of a set to wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixture {
    shape: Vec<f64>,
    /// η.
    scale: Vec<f64>,
    /// β ln η.
    level: Vec<f64>,
    weight: Vec<f64>,
    /// Weighted mean of ln η.
    typical: f64,
}

/// The chances of one fitted part.
#[derive(Debug, Clone)]
pub struct Ahead<'a> {
    mixture: &'a Mixture,
    first: FirstLife,
    /// Cumulative hazard at its age under each curve.
    now: Vec<f64>,
}

impl Mixture {
    /// Of curves; `per_change` parts are changed at once.
    pub fn new(nodes: &[WeibullNode], per_change: u32) -> Self {
        let lives = || nodes.iter().map(|n| (curve(n, per_change), n.weight));
        Self {
            shape: lives().map(|(life, _)| life.shape).collect(),
            scale: lives().map(|(life, _)| life.scale).collect(),
            level: lives()
                .map(|(life, _)| life.shape * life.scale.ln())
                .collect(),
            weight: lives().map(|(_, weight)| weight).collect(),
            typical: lives().map(|(life, weight)| weight * life.scale.ln()).sum(),
        }
    }

    /// Looks ahead from what is fitted.
    pub fn ahead(&self, first: &FirstLife) -> Ahead<'_> {
        let mut now = vec![0.0; self.shape.len()];
        if let &FirstLife::Aged(age) = first
            && age > 0.0
        {
            let ln_age = age.ln();
            for (now, (shape, level)) in now.iter_mut().zip(self.shape.iter().zip(&self.level)) {
                *now = exp(shape * ln_age - level);
            }
        }
        Ahead {
            mixture: self,
            first: first.clone(),
            now,
        }
    }

    /// Chance that it wears out within the next `x` operating hours: `Σ wᵢ F₁ᵢ(x)`; see
    /// [`chance_within`](super::chance_within).
    pub fn within(&self, first: &FirstLife, x: f64) -> f64 {
        self.ahead(first).within(x)
    }
}

impl Ahead<'_> {
    /// Chance that it wears out within the next `x` operating hours.
    pub fn within(&self, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        let Mixture {
            shape,
            scale,
            level,
            weight,
            ..
        } = self.mixture;
        match self.first {
            FirstLife::Aged(age) => {
                let ln_then = (age + x).ln();
                let n = shape.len();
                let (level, weight, now) = (&level[..n], &weight[..n], &self.now[..n]);
                let mut sums = [0.0; 4];
                widest(
                    #[inline(always)]
                    || {
                        let whole = n - n % 4;
                        for at in (0..whole).step_by(4) {
                            for (l, sum) in sums.iter_mut().enumerate() {
                                let i = at + l;
                                let ahead = exp(shape[i] * ln_then - level[i]) - now[i];
                                let ahead = if ahead > 0.0 { ahead } else { 0.0 };
                                *sum -= weight[i] * exp_m1(-ahead);
                            }
                        }
                        for i in whole..n {
                            let ahead = exp(shape[i] * ln_then - level[i]) - now[i];
                            let ahead = if ahead > 0.0 { ahead } else { 0.0 };
                            sums[i - whole] -= weight[i] * exp_m1(-ahead);
                        }
                    },
                );
                ((sums[0] + sums[1]) + (sums[2] + sums[3])).clamp(0.0, 1.0)
            }
            FirstLife::Met { .. } | FirstLife::OneOf(_) => {
                let each = shape.iter().zip(scale).zip(weight);
                each.map(|((&shape, &scale), weight)| {
                    weight * self.first.cdf(&WeibullCurve { shape, scale }, x)
                })
                .sum::<f64>()
                .clamp(0.0, 1.0)
            }
        }
    }

    /// Hours by which a share `p` of the predictive distribution has worn out; `None` where that lies beyond
    /// all hours.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        quantile(|x| self.within(x), self.typical(), p)
    }

    /// Log of the hours around which it is looked for.
    pub(super) fn typical(&self) -> f64 {
        self.mixture.typical
    }
}

/// Hours by which a rising chance reaches `p`, looked for around `e^typical`; `None` where that lies beyond all
/// hours.
pub(super) fn quantile(within: impl Fn(f64) -> f64, typical: f64, p: f64) -> Option<f64> {
    // Over y = ln x: Brent's method inside a bracket that is walked out from the typical scale.
    let excess = |y: f64| within(y.exp()) - p;
    let typical = typical.clamp(SMALLEST.ln(), NOT_REACHED.ln());
    let (mut low, mut high) = (typical, typical);
    if excess(typical) > 0.0 {
        loop {
            low -= 1.0;
            if excess(low) <= 0.0 {
                break;
            }
            if low < SMALLEST.ln() {
                return Some(0.0);
            }
            high = low;
        }
    } else {
        loop {
            high += 1.0;
            if excess(high) >= 0.0 {
                break;
            }
            if high > NOT_REACHED.ln() {
                return None;
            }
            low = high;
        }
    }
    brent(excess, low, high, 1e-11).map(f64::exp)
}

#[cfg(test)]
mod tests {
    use super::super::remaining::chance_within;
    use super::super::testing::spread;
    use super::*;

    /// Side by side as one by one, with the functions of the standard library.
    #[test]
    fn side_by_side_as_one_by_one() {
        for n in 1..7 {
            let nodes = spread(2.0, 300.0, 0.3, n);
            let mixture = Mixture::new(&nodes, 2);
            for first in [0.0, 3.0, 250.0, 4000.0].map(FirstLife::Aged) {
                for x in [1e-6, 20.0, 300.0, 1e5] {
                    let a = mixture.within(&first, x);
                    let b = chance_within(&nodes, 2, &first, x);
                    assert!((a - b).abs() < 3e-10, "{a} {b}");
                }
            }
        }
    }
}
