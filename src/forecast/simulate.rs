//! Demand by simulation: the second way to every number that convolution gives, and the only one
//! for questions about several days at once.

use rayon::prelude::*;

use super::demand::Group;
use super::first_life::{FirstLife, WeibullCurve};
use crate::models::WeibullNode;
use crate::numerics::streams::{Stream, stream};

/// Parts needed in each window in one simulated future, for each of `futures` of them. Every future
/// draws one curve by weight, then each position's lives; it has its own random stream, so the result
/// depends on the seed alone.
pub fn simulate(
    nodes: &[WeibullNode],
    groups: &[Group],
    per_change: u32,
    futures: u32,
    seed: u64,
) -> Vec<Vec<u32>> {
    let windows = groups.first().map_or(0, |g| g.windows.len());
    (0..futures)
        .into_par_iter()
        .map(|number| {
            let mut random = stream(seed, u64::from(number));
            let mut counts = vec![0; windows];
            let Some(life) = draw_curve(nodes, &mut random) else {
                return counts;
            };
            let life = life.first_of(per_change);
            for group in groups {
                let horizon = group.windows.iter().map(|w| w.end).fold(0.0, f64::max);
                for (first, alike) in &group.positions {
                    for _ in 0..*alike {
                        // Of unknown age: never old enough for a planned change.
                        let mut new_at = first.age().map_or(f64::INFINITY, |age| -age);
                        let mut worn_at = draw_first(first, &life, &mut random);
                        let mut starts = group.starts.iter().peekable();
                        loop {
                            let planned = starts.peek().filter(|s| s.at <= worn_at).copied();
                            let at = match planned {
                                Some(start) => {
                                    starts.next();
                                    if start.at - new_at < start.change_from {
                                        continue;
                                    }
                                    start.at
                                }
                                None => worn_at,
                            };
                            if at > horizon {
                                break;
                            }
                            for (count, window) in counts.iter_mut().zip(&group.windows) {
                                let within = if planned.is_some() {
                                    at >= window.start && at < window.end
                                } else {
                                    at > window.start && at <= window.end
                                };
                                if within {
                                    *count += per_change;
                                }
                            }
                            new_at = at;
                            worn_at = at + draw_life(&life, &mut random);
                        }
                    }
                }
            }
            counts
        })
        .collect()
}

fn draw_curve(nodes: &[WeibullNode], random: &mut Stream) -> Option<WeibullCurve> {
    let mut left = random.uniform();
    let mut chosen = None;
    for node in nodes {
        chosen = Some(node);
        left -= node.weight;
        if left <= 0.0 {
            break;
        }
    }
    chosen.map(|n| WeibullCurve {
        shape: n.shape,
        scale: n.scale,
    })
}

/// `η E^(1/β)`, E standard exponential.
fn draw_life(life: &WeibullCurve, random: &mut Stream) -> f64 {
    life.scale * (random.exponential().ln() / life.shape).exp()
}

fn draw_first(first: &FirstLife, life: &WeibullCurve, random: &mut Stream) -> f64 {
    match first {
        &FirstLife::Aged(age) => {
            let hazard = life.cumulative_hazard(age) + random.exponential();
            life.scale * (hazard.ln() / life.shape).exp() - age
        }
        &FirstLife::Met { seen } => {
            // A part met at random: its whole life is drawn in proportion to its length (so its
            // cumulative hazard is gamma with shape 1 + 1/β), met at a uniform moment of it.
            loop {
                let whole =
                    life.scale * (random.gamma(1.0 + 1.0 / life.shape).ln() / life.shape).exp();
                let left = whole * random.uniform();
                if left > seen {
                    return left - seen;
                }
            }
        }
        FirstLife::OneOf(ages) => {
            let mut left = random.uniform();
            let mut chosen = FirstLife::Aged(0.0);
            for (first, weight) in ages.each(life) {
                chosen = first;
                left -= weight;
                if left <= 0.0 {
                    break;
                }
            }
            draw_first(&chosen, life, random)
        }
    }
}
