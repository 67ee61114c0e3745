//! Change a part before a job, or run on.
//!
//! Both ways are costed up to the next change of the part, with every operating hour that the part
//! still gives credited at the long-run cost per hour `g` of a new part (renewal–reward): a new
//! part put in now then stands at 0, so
//!
//! * changing now costs `c_p`: the life thrown away shows as the credit that running on would get;
//! * running on until worn costs `c_f − g·E[X]`, X the remaining life;
//! * running on up to a later job start, s hours from now, and changing then if it still holds,
//!   costs `c_f P(X ≤ s) + c_p P(X > s) − g·E[min(X, s)]`.
//!
//! Leaving it costs the least of the last two kinds. This is optimal stopping of one renewal, exact
//! for opportunities at job starts given `g` (Cox, Renewal Theory, 1962, for the bookkeeping). Each
//! is averaged over the posterior, weighed by the chance under each curve that the part lives to the
//! job start in question. The choice among the ways is made on the averages: nobody knows the curve.

use super::costs::Costs;
use super::interval::{BestInterval, cost_per_hour};
use crate::forecast::{FirstLife, WeibullCurve};

/// Chances and costs at one job start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Choice {
    /// Chance that it wears out during the job, if it has not before.
    pub(super) worn_in_job: f64,
    /// Costs of changing now and of leaving it in; `None` without prices.
    pub(super) costs: Option<(f64, f64)>,
}

/// At how many later job starts a part left in may be changed: further ones make no difference.
const LATER_STARTS: usize = 4;

/// The choice at each of a place's job starts. `runs` holds hours from now at start and end of each
/// job; `curves` the posterior; `best` the planned interval whose cost rate values an hour (none:
/// running until worn).
pub(super) fn choices(
    curves: &[(f64, WeibullCurve)],
    first: FirstLife,
    runs: &[(f64, f64)],
    costs: Option<Costs>,
    best: Option<BestInterval>,
) -> Vec<Choice> {
    let points: Vec<f64> = runs.iter().map(|r| r.0).collect();
    let mut sums: Vec<Sums> = vec![Sums::default(); runs.len()];
    for &(weight, life) in curves {
        let value = costs.map_or(0.0, |c| cost_per_hour(&life, c, best.map(|b| b.hours)));
        let alive = |x: f64| 1.0 - first.cdf(&life, x);
        let lived_by = lived(&life, first);
        let at: Vec<(f64, f64)> = points.iter().map(|&x| (alive(x), lived_by(x))).collect();
        let whole = lived_by(f64::INFINITY);
        for (j, sum) in sums.iter_mut().enumerate() {
            let (alive_now, lived_now) = at[j];
            sum.alive += weight * alive_now;
            sum.worn += weight * (alive_now - alive(runs[j].1)).max(0.0);
            let Some(costs) = costs else { continue };
            // All conditional quantities times the chance to get here, which weighs the curve.
            sum.until_worn +=
                weight * (costs.in_service * alive_now - value * (whole - lived_now).max(0.0));
            for (k, later) in sum.until_start.iter_mut().enumerate() {
                if let Some(&(alive_then, lived_then)) = at.get(j + 1 + k) {
                    *later += weight
                        * (costs.in_service * (alive_now - alive_then)
                            + costs.planned * alive_then
                            - value * (lived_then - lived_now));
                } else {
                    *later = f64::INFINITY;
                }
            }
        }
    }
    sums.iter()
        .map(|sum| {
            if sum.alive < 1e-12 {
                return Choice {
                    worn_in_job: 1.0,
                    costs: costs.map(|c| (c.planned, c.in_service)),
                };
            }
            let left = sum
                .until_start
                .iter()
                .copied()
                .fold(sum.until_worn, f64::min);
            Choice {
                worn_in_job: (sum.worn / sum.alive).clamp(0.0, 1.0),
                costs: costs.map(|c| (c.planned, left / sum.alive)),
            }
        })
        .collect()
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    alive: f64,
    worn: f64,
    until_worn: f64,
    until_start: [f64; LATER_STARTS],
}

/// `x ↦ ∫_0^x P(X > t) dt`, the expected hours run by then; of everything for x = ∞.
fn lived(life: &WeibullCurve, first: FirstLife) -> impl Fn(f64) -> f64 {
    let life = *life;
    move |x: f64| match first {
        FirstLife::Aged(age) => {
            let now = life.reliability(age);
            let beyond = if x.is_finite() {
                life.mean_share_beyond(age + x)
            } else {
                0.0
            };
            let share = life.mean_share_beyond(age) - beyond;
            if now < 1e-290 {
                0.0
            } else {
                life.mean() * share / now
            }
        }
        // Met at a random moment: no decision is costed for an unknown age.
        FirstLife::Met { .. } => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Exponential lives: an old part is as good as a new one, so leaving it costs nothing more than
    /// a new part stands at, and changing throws `c_p` away.
    #[test]
    fn an_exponential_part_is_left_in() {
        let life = WeibullCurve {
            shape: 1.0,
            scale: 300.0,
        };
        let costs = Costs {
            planned: 100.0,
            in_service: 900.0,
        };
        let all = choices(
            &[(1.0, life)],
            FirstLife::Aged(250.0),
            &[(0.0, 90.0), (90.0, 210.0)],
            Some(costs),
            None,
        );
        assert_relative_eq!(
            all[0].worn_in_job,
            1.0 - (-0.3_f64).exp(),
            max_relative = 1e-10
        );
        assert_relative_eq!(
            all[1].worn_in_job,
            1.0 - (-0.4_f64).exp(),
            max_relative = 1e-10
        );
        let (change, left) = all[0].costs.unwrap();
        assert_relative_eq!(change, 100.0);
        assert!(left.abs() < 1e-9, "{left}");
    }

    /// A part that nearly surely lives to 300 h and no further is changed when a job would take it
    /// past that, and left in while the next start comes in time.
    #[test]
    fn a_part_about_to_wear_out_is_changed_at_the_last_start() {
        let life = WeibullCurve {
            shape: 40.0,
            scale: 300.0,
        };
        let costs = Costs {
            planned: 100.0,
            in_service: 900.0,
        };
        let best = super::super::interval::best_interval(&[(1.0, life)], costs);
        let all = choices(
            &[(1.0, life)],
            FirstLife::Aged(100.0),
            &[(0.0, 100.0), (100.0, 250.0)],
            Some(costs),
            best,
        );
        let (change, left) = all[0].costs.unwrap();
        assert!(left < change, "{left} {change}");
        let (change, left) = all[1].costs.unwrap();
        assert!(left > change, "{left} {change}");
        assert!(all[1].worn_in_job > 0.99);
    }
}
