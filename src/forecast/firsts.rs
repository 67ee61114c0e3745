//! Positions of one group by what is fitted in them. Where there are many, only some ages are worked
//! out and the rest lie between them.

use super::demand::{Group, JobStart};
use super::first_life::FirstLife;
use crate::numerics::interpolate::{chebyshev, lagrange};

/// Ages worked out for a range of no hours, and more for every standard deviation of a life that it has.
const AGES: f64 = 5.0;
const AGES_PER_DEVIATION: f64 = 2.5;

/// Most ages worked out for positions with a first planned change in common.
const MOST_AGES: usize = 40;

/// One position, or several alike.
#[derive(Debug, Clone)]
pub(super) struct Place {
    /// First of the lives between which it lies.
    from: usize,
    /// Their weights, summing to 1.
    weights: Vec<f64>,
    pub(super) alike: u32,
}

/// The first lives of a group that are worked out, and where each position lies among them.
///
/// Chances are smooth in the age of the part fitted now, except where it is first changed ahead of time at
/// another start; so positions are taken together by that, and between them lies a polynomial through m
/// Chebyshev points of their ages. What it misses is at most `2 (h/2)^m / m!` times the m-th derivative by
/// age, h half the range (Trefethen, Approximation Theory and Approximation Practice, from memory); m grows
/// with the range in standard deviations of the sharpest life.
#[derive(Debug, Clone)]
pub(super) struct Firsts {
    pub(super) lives: Vec<FirstLife>,
    pub(super) places: Vec<Place>,
    /// Weight of each life in a sum over all places.
    pub(super) shares: Vec<f64>,
    /// The same of the absolute weights: by how much a sum can be off where each life is off by one.
    pub(super) most: Vec<f64>,
    /// Places in all.
    pub(super) count: u32,
}

impl Firsts {
    /// `sharpest` is the greatest shape over scale of any curve, by the hour: about one over the smallest
    /// standard deviation.
    pub(super) fn new(group: &Group, sharpest: f64) -> Self {
        let mut firsts = Self {
            lives: Vec::new(),
            places: Vec::new(),
            shares: Vec::new(),
            most: Vec::new(),
            count: 0,
        };
        let mut by_change: std::collections::BTreeMap<usize, Vec<(f64, u32)>> =
            std::collections::BTreeMap::new();
        for (first, alike) in &group.positions {
            match first {
                FirstLife::Aged(age) => {
                    let change = first_change(&group.starts, *age);
                    by_change.entry(change).or_default().push((*age, *alike));
                }
                FirstLife::Met { .. } | FirstLife::OneOf(_) => firsts.alone(first.clone(), *alike),
            }
        }
        for mut ages in by_change.into_values() {
            ages.sort_by(|a, b| a.0.total_cmp(&b.0));
            let (Some(low), Some(high)) = (ages.first(), ages.last()) else {
                continue;
            };
            let (middle, half) = (0.5 * (low.0 + high.0), 0.5 * (high.0 - low.0));
            let wanted = AGES + AGES_PER_DEVIATION * 2.0 * half * sharpest;
            let count = (wanted.ceil() as usize).min(MOST_AGES);
            if ages.len() <= count || half <= 0.0 {
                for (age, alike) in ages {
                    firsts.alone(FirstLife::Aged(age), alike);
                }
                continue;
            }
            let from = firsts.lives.len();
            let points = chebyshev(count);
            let lives = points.iter().map(|x| FirstLife::Aged(middle + half * x));
            firsts.lives.extend(lives);
            for (age, alike) in ages {
                firsts.places.push(Place {
                    from,
                    weights: lagrange(&points, (age - middle) / half),
                    alike,
                });
            }
        }
        (firsts.shares, firsts.most) =
            (vec![0.0; firsts.lives.len()], vec![0.0; firsts.lives.len()]);
        for place in &firsts.places {
            firsts.count += place.alike;
            for (life, weight) in place.neighbours() {
                let weight = f64::from(place.alike) * weight;
                firsts.shares[life] += weight;
                firsts.most[life] += weight.abs();
            }
        }
        firsts
    }

    fn alone(&mut self, first: FirstLife, alike: u32) {
        self.places.push(Place {
            from: self.lives.len(),
            weights: vec![1.0],
            alike,
        });
        self.lives.push(first);
    }
}

impl Place {
    /// The lives between which it lies, with their weights.
    pub(super) fn neighbours(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        (self.from..).zip(self.weights.iter().copied())
    }

    /// Its row among the rows of the lives worked out; `into` is used where it lies between some.
    pub(super) fn row<'a, 'b: 'a>(
        &self,
        row_of: impl Fn(usize) -> &'b [f64],
        into: &'a mut Vec<f64>,
    ) -> &'a [f64] {
        if self.weights.len() == 1 {
            return row_of(self.from);
        }
        into.clear();
        for (i, weight) in self.weights.iter().enumerate() {
            let row = row_of(self.from + i);
            if into.len() < row.len() {
                into.resize(row.len(), 0.0);
            }
            for (sum, p) in into.iter_mut().zip(row) {
                *sum += weight * p;
            }
        }
        for p in into.iter_mut() {
            *p = p.clamp(0.0, 1.0);
        }
        into
    }
}

/// The number of the first start at which a part of this age is changed, or their number.
fn first_change(starts: &[JobStart], age: f64) -> usize {
    starts
        .iter()
        .position(|s| age + s.at >= s.change_from)
        .unwrap_or(starts.len())
}

#[cfg(test)]
mod tests {
    use super::super::demand::{Accuracy, Hours, demand};
    use super::*;
    use crate::models::WeibullNode;

    /// Two hundred positions at once, whose ages are interpolated, against groups of five, whose ages are
    /// not: the same sums.
    #[test]
    fn many_ages_as_if_each_were_worked_out() {
        for (shape, from) in [
            (0.9, f64::INFINITY),
            (2.4, f64::INFINITY),
            (2.4, 230.0),
            (9.0, f64::INFINITY),
            (9.0, 230.0),
        ] {
            let nodes = [WeibullNode {
                shape,
                scale: 300.0,
                weight: 1.0,
            }];
            let group = |positions: Vec<(FirstLife, u32)>| Group {
                windows: vec![
                    Hours {
                        start: 0.0,
                        end: 200.0,
                    },
                    Hours {
                        start: 80.0,
                        end: 200.0,
                    },
                ],
                positions,
                starts: [0.0, 80.0]
                    .map(|at| JobStart {
                        at,
                        change_from: from,
                    })
                    .to_vec(),
            };
            let all: Vec<(FirstLife, u32)> = (0..200)
                .map(|i| (FirstLife::Aged(1.5 * f64::from(i * 37 % 200)), 1))
                .collect();
            let split: Vec<Group> = all.chunks(5).map(|c| group(c.to_vec())).collect();
            let together = demand(&nodes, &[group(all)], 1, Accuracy::default());
            let apart = demand(&nodes, &split, 1, Accuracy::default());
            for (a, b) in together.counts.iter().zip(&apart.counts) {
                let off = a.furthest_from(b);
                assert!(off < 2e-4, "shape {shape}: {off}");
                assert!((a.mean() / b.mean() - 1.0).abs() < 1e-4);
            }
        }
    }
}
