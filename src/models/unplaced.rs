//! The likelihood of lives whose positions are not told: a sum over all ways in which the changes can
//! belong to the positions.
//!
//! Were the positions told, each position would be a chain of lives, and the density of what was seen
//! the product over all lives of f (worn), S (came out for another reason, or still in). What is seen
//! without positions is the union of the told histories, so its density is the **sum** of their
//! densities, each way counted once; no chance of "which position" comes in, for the hazard of each
//! part is in its f. A part that comes out unworn is taken to be any of those that are in, whatever
//! its age: then the chance of having chosen it, 1/m, is the same in every way and drops out.
//!
//! Parts of unknown age at the start are taken as met at a random moment of a long history of
//! replacements, as the forecast takes them: hours until worn then have density S(y)/E(T), so a life
//! that wears out y hours after its machine was first seen has factor S(y)/E(T), one that goes on for
//! y hours `∫_y^∞ S/E(T)` (D. R. Cox, Renewal Theory, 1962). For Weibull lives the integral is
//! `Q(1/β, (y/η)^β)`.
//!
//! The sum runs through the layers of [`Ways`], in logs: each state's sum is that of the choices that
//! lead to it. Many points (μ, τ) are taken through at once.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::lives::{Choice, NO_LIFE, Observations, StillIn, Unplaced, Ways, worn_lives};
use crate::numerics::special::{gamma_p, gamma_q, ln_gamma};
use crate::numerics::vector::{exp, ln, widest};

use super::kernel::{Jet, Kernel};
use super::likelihood::{Local, Second};
use super::maximise::Optimum;
use super::surface::Surface;
use super::{Caution, CautionCode, Family, WeibullNode};

/// Relative steps of differences: the error is about 1e-10 of a first and 1e-7 of a second derivative.
const STEP: f64 = 2e-3;

/// Choices from which machines are shared out to all cores.
const MANY: usize = 2_000;

/// Beyond this the tail of the gamma distribution underflows, and its series is used.
const FAR: f64 = 600.0;

/// One life that a part may have had, in log hours less the shift.
#[derive(Debug, Clone, Copy, PartialEq)]
struct LogLife {
    low: f64,
    high: f64,
    entry: f64,
    met: bool,
}

/// The ways of one machine.
#[derive(Debug, Clone, PartialEq)]
struct LogWays {
    lives: Vec<LogLife>,
    layers: Vec<Vec<Vec<LogChoice>>>,
    last: Vec<Vec<u32>>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct LogChoice {
    from: u32,
    life: u32,
    ln_ways: f64,
}

/// All lives of one fit whose positions are not told.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct LogUnplaced {
    machines: Vec<LogWays>,
    shift: f64,
    worn: u32,
    choices: usize,
    /// Interpolated around the top, once that has been laid out.
    surface: Option<Surface>,
    /// A typical life, in log hours less the shift: hours in all places over worn lives.
    typical: f64,
}

impl LogUnplaced {
    pub(crate) fn new(unplaced: &[Unplaced], shift: f64) -> Self {
        let ways: Vec<&Ways> = unplaced.iter().map(|u| u.ways.as_ref()).collect();
        Self::of(&ways, shift)
    }

    fn of(ways: &[&Ways], shift: f64) -> Self {
        let worn = ways.iter().map(|w| w.worn).sum();
        let likely = ways.iter().map(|w| w.hours()).sum::<f64>();
        Self {
            machines: ways.iter().map(|ways| LogWays::new(ways, shift)).collect(),
            shift,
            worn,
            surface: None,
            choices: ways.iter().map(|w| w.choices()).sum(),
            typical: (likely / f64::from(worn.max(1))).ln() - shift,
        }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.machines.is_empty()
    }

    pub(crate) fn is_interpolated(&self) -> bool {
        self.surface.is_some()
    }

    /// Lives that end worn, in every way.
    pub(crate) fn worn(&self) -> f64 {
        f64::from(self.worn)
    }

    /// A point for a first guess: log hours less the shift, with a weight.
    pub(crate) fn typical(&self) -> Option<(f64, f64)> {
        (self.worn > 0 && self.typical.is_finite()).then_some((self.typical, self.worn()))
    }

    /// Interpolated from here on within reach of the top of the whole likelihood, to 1e-8.
    #[must_use]
    pub(crate) fn around(&self, top: &Optimum) -> Self {
        Self {
            surface: Surface::new(self, top),
            ..self.clone()
        }
    }

    /// Log-likelihood at points (μ, τ = 1/σ), density terms in hours.
    pub(crate) fn values(&self, points: &[(f64, f64)]) -> Vec<f64> {
        let Some(surface) = &self.surface else {
            return self.exact_values(points);
        };
        let near = surface.values(points);
        if let Some(all) = near.iter().copied().collect::<Option<Vec<f64>>>() {
            return all;
        }
        let beyond: Vec<(f64, f64)> = (points.iter().zip(&near))
            .filter(|(_, value)| value.is_none())
            .map(|(point, _)| *point)
            .collect();
        let mut beyond = self.exact_values(&beyond).into_iter();
        near.into_iter()
            .map(|value| value.or_else(|| beyond.next()).unwrap_or(f64::NEG_INFINITY))
            .collect()
    }

    /// The sum itself.
    pub(super) fn exact_values(&self, points: &[(f64, f64)]) -> Vec<f64> {
        let asked = points.len();
        // Whole vectors: the last point again where there are too few.
        let mut points = points.to_vec();
        if let Some(&last) = points.last() {
            points.resize(asked.next_multiple_of(4), last);
        }
        let points = points.as_slice();
        let each = |ways: &LogWays| ways.ln_sum(points, self.shift);
        let each: Vec<Vec<f64>> = if self.choices > MANY && self.machines.len() > 1 {
            self.machines.par_iter().map(each).collect()
        } else {
            self.machines.iter().map(each).collect()
        };
        let mut sums = vec![0.0; points.len()];
        for of_machine in &each {
            for (sum, value) in sums.iter_mut().zip(of_machine) {
                *sum += value;
            }
        }
        sums.truncate(asked);
        sums
    }

    /// With derivatives in (γ = μτ, τ), by central differences of fourth order.
    pub(crate) fn in_gamma_tau(&self, gamma: f64, tau: f64) -> Local {
        let (g, t) = (STEP, STEP * tau);
        let at = |i: f64, k: f64| {
            let tau = tau + k * t;
            ((gamma + i * g) / tau, tau)
        };
        let along = [-2.0, -1.0, 1.0, 2.0];
        let mut points = vec![at(0.0, 0.0)];
        points.extend(along.map(|i| at(i, 0.0)));
        points.extend(along.map(|k| at(0.0, k)));
        for step in [1.0, 2.0] {
            points.extend(
                [(1.0, 1.0), (-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0)]
                    .map(|(i, k)| at(i * step, k * step)),
            );
        }
        let v = self.values(&points);
        let (first_g, second_g) = differences(v[0], &v[1..5], g);
        let (first_t, second_t) = differences(v[0], &v[5..9], t);
        let cross =
            |v: &[f64], step: f64| (v[0] + v[1] - v[2] - v[3]) / (4.0 * step * step * g * t);
        let (near, far) = (cross(&v[9..13], 1.0), cross(&v[13..17], 2.0));
        Local {
            value: v[0],
            first: [first_g, first_t],
            second: Second {
                aa: second_g,
                ab: (4.0 * near - far) / 3.0,
                bb: second_t,
            },
        }
    }

    /// At one τ, as value, slope and bend in γ.
    pub(crate) fn at_tau(&self, gamma: f64, tau: f64) -> Jet {
        let points = [0.0, -2.0, -1.0, 1.0, 2.0].map(|i| ((gamma + i * STEP) / tau, tau));
        let v = self.values(&points);
        let (first, second) = differences(v[0], &v[1..], STEP);
        Jet {
            value: v[0],
            first,
            second,
        }
    }
}

/// First and second derivative from values two steps and one step before and after.
fn differences(middle: f64, v: &[f64], step: f64) -> (f64, f64) {
    let first = (v[0] - 8.0 * v[1] + 8.0 * v[2] - v[3]) / (12.0 * step);
    let second = (-v[0] + 16.0 * v[1] - 30.0 * middle + 16.0 * v[2] - v[3]) / (12.0 * step * step);
    (first, second)
}

impl LogWays {
    fn new(ways: &Ways, shift: f64) -> Self {
        let log = |hours: f64| hours.ln() - shift;
        let none = u32::try_from(ways.lives.len()).unwrap_or(NO_LIFE);
        let place = |life: u32| if life == NO_LIFE { none } else { life };
        Self {
            lives: ways
                .lives
                .iter()
                .map(|life| LogLife {
                    low: log(life.low),
                    high: if life.low == life.high {
                        log(life.low)
                    } else {
                        log(life.high)
                    },
                    entry: log(life.entry),
                    met: life.met,
                })
                .collect(),
            layers: ways
                .layers
                .iter()
                .map(|layer| {
                    let choices = layer.iter().map(|choices| {
                        let choice = |choice: &Choice| LogChoice {
                            from: choice.from,
                            life: place(choice.life),
                            ln_ways: f64::from(choice.ways).ln(),
                        };
                        choices.iter().map(choice).collect()
                    });
                    choices.collect()
                })
                .collect(),
            last: ways
                .last
                .iter()
                .map(|state| state.iter().map(|part| place(part.life)).collect())
                .collect(),
        }
    }

    /// Log factor of each life at each point, one life after another; at the end a row of zeros for
    /// no life.
    fn terms(&self, points: &[(f64, f64)], shift: f64) -> Vec<f64> {
        let mut terms = Vec::with_capacity((self.lives.len() + 1) * points.len());
        for life in &self.lives {
            terms.extend(points.iter().map(|&(mu, tau)| life.term(mu, tau, shift)));
        }
        terms.resize(terms.len() + points.len(), 0.0);
        terms
    }

    /// Log sum of each state after the last layer, at each point, what is still in included.
    fn states(&self, points: &[(f64, f64)], shift: f64) -> Vec<f64> {
        let n = points.len();
        let terms = self.terms(points, shift);
        let row = |at: u32| at as usize * n..(at as usize + 1) * n;
        let mut sums = vec![0.0; n];
        let (mut tops, mut totals) = (vec![0.0; n], vec![0.0; n]);
        for layer in &self.layers {
            let mut next = vec![0.0; layer.len() * n];
            widest(
                #[inline(always)]
                || {
                    for (next, choices) in next.chunks_exact_mut(n).zip(layer) {
                        if let [only] = choices.as_slice() {
                            let before = &sums[row(only.from)];
                            let life = &terms[row(only.life)];
                            for ((next, before), life) in next.iter_mut().zip(before).zip(life) {
                                *next = before + life + only.ln_ways;
                            }
                            continue;
                        }
                        tops.fill(f64::NEG_INFINITY);
                        for choice in choices {
                            let before = &sums[row(choice.from)];
                            let life = &terms[row(choice.life)];
                            for ((top, before), life) in tops.iter_mut().zip(before).zip(life) {
                                let value = before + life + choice.ln_ways;
                                *top = if value > *top { value } else { *top };
                            }
                        }
                        for top in &mut tops {
                            // Where no way is possible there is nothing to take out.
                            *top = if *top > f64::NEG_INFINITY { *top } else { 0.0 };
                        }
                        totals.fill(0.0);
                        for choice in choices {
                            let before = &sums[row(choice.from)];
                            let life = &terms[row(choice.life)];
                            let each = totals.iter_mut().zip(&tops).zip(before).zip(life);
                            for (((total, top), before), life) in each {
                                *total += exp(before + life + choice.ln_ways - top);
                            }
                        }
                        for ((next, top), total) in next.iter_mut().zip(&tops).zip(&totals) {
                            *next = top + ln(*total);
                        }
                    }
                },
            );
            sums = next;
        }
        for (sums, parts) in sums.chunks_exact_mut(n).zip(&self.last) {
            for life in parts {
                for (sum, life) in sums.iter_mut().zip(&terms[row(*life)]) {
                    *sum += life;
                }
            }
        }
        sums
    }

    fn ln_sum(&self, points: &[(f64, f64)], shift: f64) -> Vec<f64> {
        let n = points.len();
        let states = self.states(points, shift);
        (0..n)
            .map(|at| {
                let of_point = states[at..].iter().step_by(n);
                let top = of_point.clone().copied().fold(f64::NEG_INFINITY, f64::max);
                if !top.is_finite() {
                    return top;
                }
                top + of_point.map(|value| (value - top).exp()).sum::<f64>().ln()
            })
            .collect()
    }
}

impl LogLife {
    /// Log factor at one point; lives are Weibull.
    fn term(&self, mu: f64, tau: f64, shift: f64) -> f64 {
        let z = |y: f64| tau * (y - mu);
        let (low, high) = (z(self.low), z(self.high));
        if self.met {
            let sigma = 1.0 / tau;
            if self.low == self.high {
                return -low.exp() - (mu + shift) - ln_gamma(1.0 + sigma);
            }
            return ln_between_met(sigma, low.exp(), high.exp());
        }
        let kernel = Kernel::SmallestExtreme;
        if self.low == self.entry && self.high < f64::INFINITY {
            return kernel.ln_between_since(low, high).value;
        }
        let entered = if self.entry == f64::NEG_INFINITY {
            0.0
        } else {
            z(self.entry).exp()
        };
        let value = if self.low == self.high {
            low - low.exp() + tau.ln() - self.low - shift
        } else if self.high == f64::INFINITY {
            -low.exp()
        } else if self.low == f64::NEG_INFINITY {
            kernel.ln_cdf(high).value
        } else {
            kernel.ln_between(low, high).value
        };
        value + entered
    }
}

/// `ln(Q(a, v) − Q(a, w))`; w may be infinite.
fn ln_between_met(a: f64, v: f64, w: f64) -> f64 {
    if w == f64::INFINITY {
        return ln_gamma_q(a, v);
    }
    if v > FAR {
        return ln_gamma_q(a, v);
    }
    // From the smaller tail, which keeps its digits.
    let share = if v < a + 1.0 {
        gamma_p(a, w) - gamma_p(a, v)
    } else {
        gamma_q(a, v) - gamma_q(a, w)
    };
    share.ln()
}

/// `ln Q(a, v)`; far out by the first terms of its asymptotic series, NIST DLMF 8.11.2.
fn ln_gamma_q(a: f64, v: f64) -> f64 {
    if v <= FAR {
        return gamma_q(a, v).ln();
    }
    let series = 1.0 + (a - 1.0) / v * (1.0 + (a - 2.0) / v * (1.0 + (a - 3.0) / v));
    -v + (a - 1.0) * v.ln() - ln_gamma(a) + series.ln()
}

/// The lives that a family's likelihood can take in: those of untold positions only where it is Weibull.
pub(crate) fn taken_in(observations: &Observations, family: Family) -> Cow<'_, Observations> {
    match family {
        Family::Weibull | Family::Exponential => Cow::Borrowed(observations),
        _ => observations.placed(),
    }
}

/// What a reader must know where the likelihood sums over positions.
pub(crate) fn caution(observations: &Observations) -> Option<Caution> {
    let unplaced = &observations.unplaced;
    let count = |of: fn(&Unplaced) -> u32| unplaced.iter().map(of).sum::<u32>();
    let starts = count(|u| u.unknown_start);
    let met = if starts == 0 {
        String::new()
    } else {
        format!(
            "; {starts} of unknown age at the start of the records are taken as met at a random \
             moment of their life, so say with [[machine]] new_on where all was new"
        )
    };
    (!unplaced.is_empty()).then(|| {
        Caution::new(
            CautionCode::Note,
            format!(
                "the rows do not tell the positions of {} and {} others on {} machines: the \
                 likelihood sums over all positions they can have been in, each way counted alike; \
                 what came out unworn is taken to be any of those in, whatever its age{met}",
                worn_lives(f64::from(count(|u| u.worn + u.worn_between))),
                count(|u| u.unworn + u.running),
                unplaced.len(),
            ),
        )
    })
}

/// What a reader must know where only lives of told positions count.
pub(crate) fn left_out(observations: &Observations) -> Option<Caution> {
    let lives: u32 = observations.unplaced.iter().map(Unplaced::lives).sum();
    (lives > 0).then(|| {
        Caution::new(
            CautionCode::UnknownAge,
            format!(
                "{lives} lives of positions that the rows do not tell are left out, since only a \
                 Weibull or exponential likelihood (not by bootstrap) sums over positions; those \
                 left in tend to be the short ones"
            ),
        )
    })
}

/// What is known of the age of one part now in: ages with their weights, and the weight of having
/// been in, for these hours at least, since before its machine was first seen. Weights sum to 1.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AgeNow {
    /// Hours since new, with weights; ages rise.
    pub ages: Vec<(f64, f64)>,
    /// Weight of an age that nobody knows.
    pub unknown: f64,
    /// Hours for which it has been seen then.
    pub seen: f64,
}

/// What is now in the positions of one machine, the youngest part first, by the weights that the ways
/// have under the curves of a life model.
pub fn ages_now(unplaced: &Unplaced, nodes: &[WeibullNode]) -> Vec<AgeNow> {
    let ways = unplaced.ways.as_ref();
    let places = ways.last.first().map_or(0, Vec::len);
    let log = LogWays::new(ways, 0.0);
    // Curves of next to no weight cost as much as the others.
    let heaviest = nodes.iter().map(|n| n.weight).fold(0.0, f64::max);
    let nodes: Vec<&WeibullNode> = (nodes.iter())
        .filter(|node| node.weight >= 1e-3 * heaviest)
        .collect();
    let points: Vec<(f64, f64)> = nodes.iter().map(|n| (n.scale.ln(), n.shape)).collect();
    let sums = log.states(&points, 0.0);
    let n = points.len();
    let mut weights = vec![0.0; ways.last.len()];
    for (at, node) in nodes.iter().enumerate() {
        let of_point = || sums[at..].iter().step_by(n);
        let top = of_point().copied().fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() {
            continue;
        }
        let total: f64 = of_point().map(|value| (value - top).exp()).sum();
        for (weight, value) in weights.iter_mut().zip(of_point()) {
            *weight += node.weight * (value - top).exp() / total;
        }
    }
    let total: f64 = weights.iter().sum();
    (0..places)
        .map(|place| {
            let of_place = ways.last.iter().map(|state| state[place]);
            age_now(of_place.zip(weights.iter().map(|w| w / total)))
        })
        .collect()
}

fn age_now(states: impl Iterator<Item = (StillIn, f64)>) -> AgeNow {
    let mut now = AgeNow::default();
    for (part, weight) in states {
        if let Some(age) = part.age {
            now.ages.push((age, weight));
        } else {
            now.unknown += weight;
            now.seen = now.seen.max(part.seen);
        }
    }
    now.ages.sort_by(|a, b| a.0.total_cmp(&b.0));
    now.ages.dedup_by(|next, kept| {
        let same = next.0 == kept.0;
        if same {
            kept.1 += next.1;
        }
        same
    });
    now
}

#[cfg(test)]
#[path = "unplaced_tests.rs"]
mod tests;
