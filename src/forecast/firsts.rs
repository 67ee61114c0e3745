//! Positions of one group by what is fitted in them. Where there are many, only some ages are worked
//! out and the rest lie between them.

use super::demand::{Group, JobStart};
use super::first_life::FirstLife;

/// Positions with a first planned change in common are worked out one by one up to this number.
const FEW: usize = 30;

/// Ages worked out for more.
const AGES: usize = 20;

/// Ages between which a position's chances are interpolated.
const NEIGHBOURS: usize = 4;

/// One position, or several alike.
#[derive(Debug, Clone)]
pub(super) struct Place {
    /// First of the lives between which it lies.
    from: usize,
    /// Their weights, summing to 1; zero from `count` on.
    weights: [f64; NEIGHBOURS],
    count: usize,
    pub(super) alike: u32,
}

/// The first lives of a group that are worked out, and where each position lies among them.
///
/// Chances are smooth in the age of the part fitted now, except where it is first changed ahead of time at
/// another start; so positions are taken together by that, and cubic interpolation over 20 ages is
/// exact to `(3/128) (range/19)⁴` times the fourth derivative by age.
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
    pub(super) fn new(group: &Group) -> Self {
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
                FirstLife::Met { .. } | FirstLife::OneOf(_) => firsts.alone(*first, *alike),
            }
        }
        for mut ages in by_change.into_values() {
            ages.sort_by(|a, b| a.0.total_cmp(&b.0));
            let (Some(low), Some(high)) = (ages.first(), ages.last()) else {
                continue;
            };
            let (low, step) = (low.0, (high.0 - low.0) / (AGES - 1) as f64);
            if ages.len() <= FEW || step <= 0.0 {
                for (age, alike) in ages {
                    firsts.alone(FirstLife::Aged(age), alike);
                }
                continue;
            }
            let begin = firsts.lives.len();
            let lives = (0..AGES).map(|i| FirstLife::Aged(low + i as f64 * step));
            firsts.lives.extend(lives);
            for (age, alike) in ages {
                let at = (age - low) / step;
                let from = (at as usize).saturating_sub(1).min(AGES - NEIGHBOURS);
                let x = at - from as f64;
                let weight = |i: usize| -> f64 {
                    (0..NEIGHBOURS)
                        .filter(|&j| j != i)
                        .map(|j| (x - j as f64) / (i as f64 - j as f64))
                        .product()
                };
                firsts.places.push(Place {
                    from: begin + from,
                    weights: std::array::from_fn(weight),
                    count: NEIGHBOURS,
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
        let mut weights = [0.0; NEIGHBOURS];
        weights[0] = 1.0;
        self.places.push(Place {
            from: self.lives.len(),
            weights,
            count: 1,
            alike,
        });
        self.lives.push(first);
    }
}

impl Place {
    /// The lives between which it lies, with their weights.
    pub(super) fn neighbours(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        let weights = self.weights[..self.count].iter();
        weights
            .enumerate()
            .map(|(i, weight)| (self.from + i, *weight))
    }

    /// Its row among the rows of the lives worked out; `into` is used where it lies between some.
    pub(super) fn row<'a, 'b: 'a>(
        &self,
        row_of: impl Fn(usize) -> &'b [f64],
        into: &'a mut Vec<f64>,
    ) -> &'a [f64] {
        if self.count == 1 {
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

    /// Two hundred positions at once, whose ages are interpolated, against seven groups of fewer, whose
    /// ages are not: the same sums.
    #[test]
    fn many_ages_as_if_each_were_worked_out() {
        for (shape, from) in [(0.9, f64::INFINITY), (2.4, f64::INFINITY), (2.4, 230.0)] {
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
            let split: Vec<Group> = all.chunks(29).map(|c| group(c.to_vec())).collect();
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
