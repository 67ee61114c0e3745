//! The best planned interval: age replacement (Barlow & Hunter, Operations Research 8, 1960).

use crate::forecast::{Costs, WeibullCurve};
use crate::models::WeibullNode;

/// Long-run cost per operating hour of changing at age τ or when worn, whichever comes first,
/// `g(τ) = (c_p R(τ) + c_f F(τ)) / ∫_0^τ R(t) dt`; τ = ∞ is running until worn, `g = c_f / μ`.
pub fn cost_per_hour(life: &WeibullCurve, costs: Costs, hours: Option<f64>) -> f64 {
    match hours {
        None => costs.in_service / life.mean(),
        Some(hours) => {
            let worn = life.cdf(hours);
            (costs.planned * (1.0 - worn) + costs.in_service * worn) / life.mean_up_to(hours)
        }
    }
}

/// The same averaged over the posterior: what is expected of the policy before the curve is known.
pub fn expected_cost_per_hour(
    curves: &[(f64, WeibullCurve)],
    costs: Costs,
    hours: Option<f64>,
) -> f64 {
    curves
        .iter()
        .map(|(weight, life)| weight * cost_per_hour(life, costs, hours))
        .sum()
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

/// Cost of an interval with its spread over the posterior.
pub fn interval_cost(curves: &[(f64, WeibullCurve)], costs: Costs, hours: f64) -> IntervalCost {
    let mut by_curve: Vec<(f64, f64)> = curves
        .iter()
        .map(|(weight, life)| (cost_per_hour(life, costs, Some(hours)), *weight))
        .collect();
    by_curve.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = by_curve.iter().map(|c| c.1).sum();
    let quantile = |p: f64| {
        let mut sum = 0.0;
        let found = by_curve.iter().find(|(_, weight)| {
            sum += weight;
            sum >= p * all
        });
        found.or(by_curve.last()).map_or(f64::NAN, |c| c.0)
    };
    IntervalCost {
        hours,
        expected: by_curve.iter().map(|(cost, weight)| cost * weight).sum(),
        low: quantile(0.05),
        high: quantile(0.95),
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
/// valley), then golden section around the best point. `None` where running until worn costs no
/// more than 0.1 % more.
pub fn best_interval(curves: &[(f64, WeibullCurve)], costs: Costs) -> Option<BestInterval> {
    let run_on = expected_cost_per_hour(curves, costs, None);
    let scales = || curves.iter().map(|(_, c)| c.scale);
    let low = scales().fold(f64::INFINITY, f64::min) * 1e-3;
    let high = curves
        .iter()
        .map(|(_, c)| c.scale * (20.0_f64.ln() / c.shape).exp())
        .fold(0.0, f64::max);
    if !(low > 0.0 && low < high && high.is_finite()) {
        return None;
    }
    let cost = |x: f64| expected_cost_per_hour(curves, costs, Some(x.exp()));
    let (a, b) = (low.ln(), high.ln());
    let steps = 120;
    let at = |i: usize| a + (b - a) * i as f64 / f64::from(steps);
    let best = (0..=steps as usize).min_by(|&i, &j| cost(at(i)).total_cmp(&cost(at(j))))?;
    let (mut left, mut right) = (
        at(best.saturating_sub(1)),
        at((best + 1).min(steps as usize)),
    );
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut x, mut y) = (
        right - ratio * (right - left),
        left + ratio * (right - left),
    );
    let (mut cost_x, mut cost_y) = (cost(x), cost(y));
    while right - left > 1e-9 {
        if cost_x < cost_y {
            (right, y, cost_y) = (y, x, cost_x);
            x = right - ratio * (right - left);
            cost_x = cost(x);
        } else {
            (left, x, cost_x) = (x, y, cost_y);
            y = left + ratio * (right - left);
            cost_y = cost(y);
        }
    }
    let hours = (0.5 * (left + right)).exp();
    let cost_per_hour = expected_cost_per_hour(curves, costs, Some(hours));
    (cost_per_hour < 0.999 * run_on).then_some(BestInterval {
        hours,
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
        };
        let found = interval_cost(&[(0.5, life(1.0)), (0.5, life(3.0))], costs, 0.8);
        let (a, b) = (
            cost_per_hour(&life(3.0), costs, Some(0.8)),
            cost_per_hour(&life(1.0), costs, Some(0.8)),
        );
        assert_eq!((found.low, found.high), (a, b));
        assert_relative_eq!(found.expected, 0.5 * (a + b), max_relative = 1e-14);
    }

    #[test]
    fn planned_change_does_not_pay_without_wear_out() {
        for shape in [0.7, 1.0] {
            let life = WeibullCurve { shape, scale: 1.0 };
            let costs = Costs {
                planned: 1.0,
                in_service: 20.0,
            };
            assert_eq!(best_interval(&[(1.0, life)], costs), None);
        }
    }
}
