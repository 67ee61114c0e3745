//! The best planned interval: age replacement (Barlow & Hunter, Operations Research 8, 1960).

use crate::forecast::{Costs, WeibullCurve};
use crate::models::WeibullNode;
use crate::numerics::roots::maximum;

/// Where what falls to a curve is spread to, in steps from one scale to the next.
const SPREAD: [f64; 3] = [-1.0 / 3.0, 0.0, 1.0 / 3.0];
/// Fewer scales of one shape are taken as they are.
const FEW_SCALES: usize = 4;

/// Steps of the scan for the best interval.
const STEPS: usize = 60;

/// Long-run cost per operating hour of changing at age τ or when worn, whichever comes first,
/// `g(τ) = (c_p R(τ) + c_f F(τ)) / ∫_0^τ R(t) dt`; τ = ∞ is running until worn, `g = c_f / μ`.
pub fn cost_per_hour(life: &WeibullCurve, costs: Costs, hours: Option<f64>) -> f64 {
    Priced::new(1.0, *life).cost_per_hour(costs, hours)
}

/// The same averaged over the posterior: what is expected of the policy before the curve is known.
pub fn expected_cost_per_hour(
    curves: &[(f64, WeibullCurve)],
    costs: Costs,
    hours: Option<f64>,
) -> f64 {
    expected(&priced(curves), costs, hours)
}

/// One curve with its mean life, which takes longest to work out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Priced {
    weight: f64,
    life: WeibullCurve,
    mean: f64,
}

impl Priced {
    fn new(weight: f64, life: WeibullCurve) -> Self {
        let mean = life.mean();
        Self { weight, life, mean }
    }

    fn cost_per_hour(&self, costs: Costs, hours: Option<f64>) -> f64 {
        let Some(hours) = hours else {
            return costs.in_service / self.mean;
        };
        let worn = self.life.cdf(hours);
        let lived = self.life.mean_up_to_of(hours, self.mean);
        (costs.planned * (1.0 - worn) + costs.in_service * worn) / lived
    }
}

pub(super) fn priced(curves: &[(f64, WeibullCurve)]) -> Vec<Priced> {
    let each = curves.iter();
    each.map(|(weight, life)| Priced::new(*weight, *life))
        .collect()
}

pub(super) fn expected(curves: &[Priced], costs: Costs, hours: Option<f64>) -> f64 {
    let each = curves.iter();
    each.map(|c| c.weight * c.cost_per_hour(costs, hours)).sum()
}

/// What an interval costs per operating hour, and how sure that is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IntervalCost {
    /// Operating hours.
    pub hours: f64,
    /// Averaged over the posterior.
    pub expected: f64,
    /// 5 % of the curves, by weight, cost less.
    pub low: f64,
    /// 5 % cost more.
    pub high: f64,
}

/// Costs of intervals with their spread over the posterior.
pub fn interval_costs(
    curves: &[(f64, WeibullCurve)],
    costs: Costs,
    hours: impl Iterator<Item = f64>,
) -> Vec<IntervalCost> {
    let curves = priced(&by_shape(curves));
    hours
        .map(|hours| interval_cost(&curves, costs, hours))
        .collect()
}

fn interval_cost(curves: &[Priced], costs: Costs, hours: f64) -> IntervalCost {
    let cost = |curve: &Priced| {
        (
            curve.life.shape,
            curve.weight,
            curve.cost_per_hour(costs, Some(hours)),
        )
    };
    let each: Vec<(f64, f64, f64)> = curves.iter().map(cost).collect();
    let shares = Shares::of(&each);
    IntervalCost {
        hours,
        expected: each.iter().map(|(_, weight, cost)| cost * weight).sum(),
        low: shares.quantile(0.05),
        high: shares.quantile(0.95),
    }
}

/// Curves in the order of their shapes, those of one shape by scale.
pub(super) fn by_shape(curves: &[(f64, WeibullCurve)]) -> Vec<(f64, WeibullCurve)> {
    let mut curves = curves.to_vec();
    curves
        .sort_by(|(_, a), (_, b)| (a.shape.total_cmp(&b.shape)).then(a.scale.total_cmp(&b.scale)));
    curves
}

/// A number under every curve of a posterior, from the smallest. Between the scales of one shape it changes
/// smoothly, so what falls to a curve is spread to either side: else shares of the posterior were those of whole
/// curves.
pub(super) struct Shares {
    /// Number and weight.
    sorted: Vec<(f64, f64)>,
    all: f64,
}

impl Shares {
    /// Of shape, weight and number under each curve, in the order of [`by_shape`].
    pub(super) fn of(curves: &[(f64, f64, f64)]) -> Self {
        let mut sorted = Vec::with_capacity(SPREAD.len() * curves.len());
        for row in curves.chunk_by(|a, b| a.0 == b.0) {
            if row.len() < FEW_SCALES {
                let finite = row.iter().filter(|(_, _, value)| value.is_finite());
                sorted.extend(finite.map(|(_, weight, value)| (*value, *weight)));
                continue;
            }
            for (i, &(_, weight, value)) in row.iter().enumerate() {
                // The neighbour on the side of an offset; at an end the one on the other side, seen from behind.
                let near = |offset: f64| {
                    let forward = if offset < 0.0 {
                        i == 0
                    } else {
                        i + 1 < row.len()
                    };
                    let (_, w, v) = if forward { row[i + 1] } else { row[i - 1] };
                    let by = if forward { offset } else { -offset };
                    (weight * (w / weight).powf(by), value + by * (v - value))
                };
                let spread = SPREAD.map(near);
                let sum: f64 = spread.iter().map(|s| s.0).sum();
                if sum.is_finite() && sum > 0.0 && spread.iter().all(|s| s.1.is_finite()) {
                    sorted.extend(spread.map(|(w, v)| (v, weight * w / sum)));
                } else if value.is_finite() {
                    sorted.push((value, weight));
                }
            }
        }
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all = sorted.iter().map(|s| s.1).sum();
        Self { sorted, all }
    }

    /// The number that a share of the posterior does not exceed: half of what falls to a number lies on either side
    /// of it.
    pub(super) fn quantile(&self, p: f64) -> f64 {
        let wanted = p * self.all;
        let mut before = 0.0;
        let middles = self.sorted.iter().map(|(value, weight)| {
            before += weight;
            (*value, before - 0.5 * weight)
        });
        let mut last: Option<(f64, f64)> = None;
        for (value, middle) in middles {
            if middle >= wanted {
                return last.map_or(value, |(below, from)| {
                    below + (value - below) * (wanted - from) / (middle - from)
                });
            }
            last = Some((value, middle));
        }
        last.map_or(f64::NAN, |(value, _)| value)
    }

    /// Share of the posterior with a number above zero.
    pub(super) fn above_zero(&self) -> f64 {
        let above = self.sorted.iter().filter(|s| s.0 > 0.0).map(|s| s.1);
        if self.all > 0.0 {
            above.sum::<f64>() / self.all
        } else {
            0.0
        }
    }
}

/// The interval of least expected cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BestInterval {
    /// Operating hours.
    pub hours: f64,
    /// Expected cost per operating hour there.
    pub cost_per_hour: f64,
}

/// Searches between 1/1000 of the shortest scale and the hours by which nearly all have worn out
/// under every curve: a scan on a log scale (the average over curves may have more than one
/// valley), then Brent's method around the best point. `None` where running until worn costs no
/// more than 0.1 % more.
pub fn best_interval(curves: &[(f64, WeibullCurve)], costs: Costs) -> Option<BestInterval> {
    let scales = || curves.iter().map(|(_, c)| c.scale);
    let low = scales().fold(f64::INFINITY, f64::min) * 1e-3;
    let high = curves
        .iter()
        .map(|(_, c)| c.scale * (20.0_f64.ln() / c.shape).exp())
        .fold(0.0, f64::max);
    if !(low > 0.0 && low < high && high.is_finite()) {
        return None;
    }
    let curves = priced(curves);
    let run_on = expected(&curves, costs, None);
    // What cannot be told of some interval is no reason to choose it.
    let saved = |x: f64| {
        let cost = expected(&curves, costs, Some(x.exp()));
        if cost.is_nan() {
            f64::NEG_INFINITY
        } else {
            -cost
        }
    };
    let (a, b) = (low.ln(), high.ln());
    let at = |i: usize| a + (b - a) * i.min(STEPS) as f64 / STEPS as f64;
    let scanned: Vec<f64> = (0..=STEPS).map(|i| saved(at(i))).collect();
    let best = (0..=STEPS).max_by(|&i, &j| scanned[i].total_cmp(&scanned[j]))?;
    let (ln_hours, saved) = maximum(saved, at(best.saturating_sub(1)), at(best + 1), 1e-10);
    let cost_per_hour = -saved;
    (cost_per_hour < 0.999 * run_on).then_some(BestInterval {
        hours: ln_hours.exp(),
        cost_per_hour,
    })
}

/// Curves of a part as renewed: of the part, or of the first of its set.
pub(super) fn curves(nodes: &[WeibullNode], per_change: u32) -> Vec<(f64, WeibullCurve)> {
    nodes
        .iter()
        .map(|n| {
            let life = WeibullCurve {
                shape: n.shape,
                scale: n.scale,
            };
            (n.weight, life.first_of(per_change))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Optimal age replacement, η = 1, planned cost 1: case `age_replacement_open` (definition Barlow &
    /// Hunter 1960; values computed two ways outside this project). Two neighbours of the optimum
    /// cost the same to 15 digits over 1e-7 of its width, so the interval is held to 1e-6.
    #[test]
    fn optimal_age_replacement() {
        for (shape, ratio, hours, cost, run_on) in [
            (1.5, 5.0, 0.6754919921, 4.931299192, 5.538660837),
            (1.5, 10.0, 0.3781444916, 8.301616324, 11.07732167),
            (1.5, 20.0, 0.2261198746, 13.55233811, 22.15464335),
            (3.0, 2.0, 0.8103420274, 1.969962604, 2.239693043),
            (3.0, 5.0, 0.5026095821, 3.031396704, 5.599232609),
            (3.0, 10.0, 0.3824555311, 3.949350299, 11.19846522),
        ] {
            let life = WeibullCurve { shape, scale: 1.0 };
            let costs = Costs {
                planned: 1.0,
                in_service: ratio,
                spared: 0.0,
            };
            let best = best_interval(&[(1.0, life)], costs).unwrap();
            assert_relative_eq!(best.hours, hours, max_relative = 1e-6);
            assert_relative_eq!(best.cost_per_hour, cost, max_relative = 1e-8);
            assert_relative_eq!(
                cost_per_hour(&life, costs, None),
                run_on,
                max_relative = 1e-8
            );
        }
        // β = 1.5 and a ratio of 2: the optimum saves 0.16 %.
        let life = WeibullCurve {
            shape: 1.5,
            scale: 1.0,
        };
        let costs = Costs {
            planned: 1.0,
            in_service: 2.0,
            spared: 0.0,
        };
        let best = best_interval(&[(1.0, life)], costs).unwrap();
        assert_relative_eq!(best.hours, 2.17464138, max_relative = 1e-6);
        assert_relative_eq!(best.cost_per_hour, 2.211999798, max_relative = 1e-8);
    }

    /// Two curves of weight ½: the expected cost is their mean, the ends of the spread are theirs.
    #[test]
    fn the_spread_of_a_cost_is_that_of_the_curves() {
        let life = |scale| WeibullCurve { shape: 2.0, scale };
        let costs = Costs {
            planned: 1.0,
            in_service: 10.0,
            spared: 0.0,
        };
        let found = interval_costs(
            &[(0.5, life(1.0)), (0.5, life(3.0))],
            costs,
            [0.8].into_iter(),
        )[0];
        let (a, b) = (
            cost_per_hour(&life(3.0), costs, Some(0.8)),
            cost_per_hour(&life(1.0), costs, Some(0.8)),
        );
        assert_eq!((found.low, found.high), (a, b));
        assert_relative_eq!(found.expected, 0.5 * (a + b), max_relative = 1e-14);
    }

    /// Shares of a normal distribution from points 0.7 of its standard deviations apart, wherever they lie: quantiles
    /// from a table (−1.645, 0, 1.645). Points alone are off by up to 0.35.
    #[test]
    fn shares_are_not_those_of_whole_curves() {
        for start in [-7.0, -6.9, -6.75, -6.6, -6.45] {
            let z = (0..21).map(|i| start + 0.7 * f64::from(i));
            let curves: Vec<(f64, f64, f64)> = z.map(|z| (2.0, (-0.5 * z * z).exp(), z)).collect();
            let shares = Shares::of(&curves);
            for (p, quantile) in [(0.05, -1.645), (0.5, 0.0), (0.95, 1.645)] {
                let found = shares.quantile(p);
                assert!((found - quantile).abs() < 0.03, "{start} {p}: {found}");
            }
            assert!(
                (shares.above_zero() - 0.5).abs() < 0.05,
                "{}",
                shares.above_zero()
            );
        }
    }

    #[test]
    fn planned_change_does_not_pay_without_wear_out() {
        for shape in [0.7, 1.0] {
            let life = WeibullCurve { shape, scale: 1.0 };
            let costs = Costs {
                planned: 1.0,
                in_service: 20.0,
                spared: 0.0,
            };
            assert_eq!(best_interval(&[(1.0, life)], costs), None);
        }
    }
}
