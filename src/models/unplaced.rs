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
//! The sum runs through the layers of [`Ways`]: each state's sum is that of the choices that lead to
//! it, each with the factor of the life it ends. Sums are kept as shares of the greatest, and where
//! one that is rounded to 0 might still come to count the point is worked out again by logs. Several
//! points (μ, τ) are taken through at once.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::{Arc, RwLock};

use rayon::prelude::*;

use crate::lives::{Choice, Observations, PossibleLife, StillIn, Unplaced, Ways, worn_lives};
use crate::numerics::special::{gamma_p, gamma_q, ln_gamma};
use crate::numerics::vector::{exp, widest};

use super::kernel::{Jet, Kernel};
use super::likelihood::{Local, Second};
use super::maximise::Optimum;
use super::surface::Surface;
use super::{Caution, CautionCode, Family, WeibullNode};

/// Relative steps of differences: the error is about 1e-10 of a first and 1e-7 of a second derivative.
const STEP: f64 = 2e-3;

/// Points taken through at once.
const LANES: usize = 8;

/// One number for each of them.
type Row = [f64; LANES];

/// Choices at so many points from which they are shared out to all cores.
const MANY: usize = 10_000;

/// A share of the greatest below which it may be lost to rounding: far from the smallest double.
const SMALLEST: f64 = 1e-270;

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
    steps: Vec<LogStep>,
    /// Lives of what is still in, so far.
    last_lives: Vec<Option<LogLife>>,
    /// What is still in, in each state after the last step, as places in these.
    last: Vec<Vec<u32>>,
    /// Log of the most choices that lead from one state, those alike counted each: at each step the
    /// sum over all states grows by no more, but for the lives' factors.
    ln_most: f64,
}

/// One change: the lives that it may have ended (`None` where that says nothing of how long parts
/// last), and for each state after it the choices that lead there.
#[derive(Debug, Clone, PartialEq)]
struct LogStep {
    lives: Vec<Option<LogLife>>,
    choices: Vec<LogChoice>,
    /// Where each state's choices end.
    ends: Vec<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct LogChoice {
    from: u32,
    /// Place in the step's lives.
    life: u32,
    ways: f64,
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
        let blocks: Vec<Lanes> = points.chunks(LANES).map(Lanes::new).collect();
        let pieces: Vec<(&Lanes, &LogWays)> = (blocks.iter())
            .flat_map(|at| self.machines.iter().map(move |ways| (at, ways)))
            .collect();
        let of = |(at, ways): &(&Lanes, &LogWays)| ways.sums(at, self.shift).ln_totals();
        let each: Vec<Row> = if self.choices * blocks.len() > MANY {
            pieces.par_iter().map(of).collect()
        } else {
            pieces.iter().map(of).collect()
        };
        let of_block = each
            .chunks(self.machines.len().max(1))
            .flat_map(|machines| {
                machines
                    .iter()
                    .fold([0.0; LANES], |sum, row| plus(&sum, row))
            });
        let mut values: Vec<f64> = of_block.take(points.len()).collect();
        values.resize(points.len(), 0.0);
        values
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

/// Points (μ, τ) taken through at once, the last one again where there are fewer.
struct Lanes {
    mu: Row,
    tau: Row,
    ln_tau: Row,
}

impl Lanes {
    /// From one point to [`LANES`].
    fn new(points: &[(f64, f64)]) -> Self {
        let at = |lane: usize| points[lane.min(points.len() - 1)];
        let tau: Row = std::array::from_fn(|lane| at(lane).1);
        Self {
            mu: std::array::from_fn(|lane| at(lane).0),
            tau,
            ln_tau: tau.map(f64::ln),
        }
    }
}

fn plus(a: &Row, b: &Row) -> Row {
    std::array::from_fn(|lane| a[lane] + b[lane])
}

/// The sum of each state after the last step, with what is still in: `share · e^top`.
struct Sums {
    shares: Vec<Row>,
    tops: Row,
}

impl Sums {
    fn of_logs(logs: &[Row]) -> Self {
        let tops = tops(logs);
        let share = |log: &Row| std::array::from_fn(|lane| (log[lane] - tops[lane]).exp());
        Self {
            shares: logs.iter().map(share).collect(),
            tops,
        }
    }

    /// Sum of the shares.
    fn totals(&self) -> Row {
        (self.shares.iter()).fold([0.0; LANES], |sum, share| plus(&sum, share))
    }

    fn ln_totals(&self) -> Row {
        plus(&self.tops, &self.totals().map(f64::ln))
    }
}

/// The greatest of each lane; 0 where no way is possible, for there is nothing to take out.
fn tops(logs: &[Row]) -> Row {
    let greatest =
        |lane: usize| (logs.iter()).fold(f64::NEG_INFINITY, |top, log| top.max(log[lane]));
    std::array::from_fn(greatest).map(|top| if top > f64::NEG_INFINITY { top } else { 0.0 })
}

/// Log factor of each life at each point.
fn terms(lives: &[Option<LogLife>], at: &Lanes, shift: f64) -> Vec<Row> {
    let term = |life: &Option<LogLife>| life.map_or([0.0; LANES], |life| life.terms(at, shift));
    lives.iter().map(term).collect()
}

/// The factors themselves, over the greatest of them; and the log of that.
fn factors(lives: &[Option<LogLife>], at: &Lanes, shift: f64) -> (Vec<Row>, Row) {
    let mut factors = terms(lives, at, shift);
    let tops = tops(&factors);
    widest(
        #[inline(always)]
        || {
            for factor in &mut factors {
                for (factor, top) in factor.iter_mut().zip(&tops) {
                    *factor = exp(*factor - top);
                }
            }
        },
    );
    (factors, tops)
}

impl LogStep {
    fn new(layer: &[Vec<Choice>], lives: &mut Numbered<'_>) -> Self {
        lives.begin();
        let mut step = Self {
            lives: Vec::new(),
            choices: Vec::new(),
            ends: Vec::with_capacity(layer.len()),
        };
        for choices in layer {
            for choice in choices {
                step.choices.push(LogChoice {
                    from: choice.from,
                    life: lives.place(choice.life, &mut step.lives),
                    ways: f64::from(choice.ways),
                });
            }
            step.ends.push(step.choices.len());
        }
        step
    }

    /// Choices that lead to each state.
    fn of_states(&self) -> impl Iterator<Item = &[LogChoice]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts
            .zip(&self.ends)
            .map(|(start, &end)| &self.choices[start..end])
    }

    /// The most choices from one state.
    fn most(&self) -> f64 {
        let states = self.choices.iter().map(|c| c.from + 1).max().unwrap_or(0);
        let mut from = vec![0.0; states as usize];
        for choice in &self.choices {
            from[choice.from as usize] += choice.ways;
        }
        from.into_iter().fold(1.0, f64::max)
    }

    /// Shares of the states after this step, from those before and the lives' factors; gives the
    /// least and the greatest of each lane.
    #[expect(
        clippy::inline_always,
        reason = "a loop becomes vector instructions only as one piece"
    )]
    #[inline(always)]
    fn through(&self, before: &[Row], factors: &[Row], after: &mut Vec<Row>) -> (Row, Row) {
        let (mut least, mut greatest) = ([f64::INFINITY; LANES], [0.0; LANES]);
        after.clear();
        let mut start = 0;
        for &end in &self.ends {
            let mut sum = [0.0; LANES];
            for choice in &self.choices[start..end] {
                let before = &before[choice.from as usize];
                let factor = &factors[choice.life as usize];
                for lane in 0..LANES {
                    sum[lane] += choice.ways * (before[lane] * factor[lane]);
                }
            }
            for lane in 0..LANES {
                let value = sum[lane];
                least[lane] = if value < least[lane] {
                    value
                } else {
                    least[lane]
                };
                greatest[lane] = if value > greatest[lane] {
                    value
                } else {
                    greatest[lane]
                };
            }
            after.push(sum);
            start = end;
        }
        (least, greatest)
    }
}

/// Lives of one machine, numbered anew for each step.
struct Numbered<'a> {
    lives: &'a [PossibleLife],
    shift: f64,
    /// Step and place of each, the last for [`NO_LIFE`].
    places: Vec<(u32, u32)>,
    step: u32,
}

impl<'a> Numbered<'a> {
    fn new(lives: &'a [PossibleLife], shift: f64) -> Self {
        Self {
            lives,
            shift,
            places: vec![(0, 0); lives.len() + 1],
            step: 0,
        }
    }

    fn begin(&mut self) {
        self.step += 1;
    }

    fn place(&mut self, life: u32, of_step: &mut Vec<Option<LogLife>>) -> u32 {
        let at = (life as usize).min(self.lives.len());
        let (step, place) = &mut self.places[at];
        if *step != self.step {
            (*step, *place) = (self.step, of_step.len() as u32);
            let life = self.lives.get(at);
            of_step.push(life.map(|life| LogLife::new(life, self.shift)));
        }
        *place
    }
}

impl LogWays {
    fn new(ways: &Ways, shift: f64) -> Self {
        let mut lives = Numbered::new(&ways.lives, shift);
        let steps: Vec<LogStep> = (ways.layers.iter())
            .map(|layer| LogStep::new(layer, &mut lives))
            .collect();
        lives.begin();
        let mut last_lives = Vec::new();
        let last = ways.last.iter().map(|state| {
            let parts = state.iter();
            parts
                .map(|part| lives.place(part.life, &mut last_lives))
                .collect()
        });
        let last = last.collect();
        let most = steps.iter().map(LogStep::most).fold(1.0, f64::max);
        Self {
            steps,
            last_lives,
            last,
            ln_most: most.ln(),
        }
    }

    fn sums(&self, at: &Lanes, shift: f64) -> Sums {
        self.in_shares(at, shift)
            .unwrap_or_else(|| Sums::of_logs(&self.in_logs(at, shift)))
    }

    /// Sums followed as shares of the greatest at each step: no logs or exponentials but those of the
    /// lives. `None` where what is rounded to 0 on the way might come to count in the end.
    fn in_shares(&self, at: &Lanes, shift: f64) -> Option<Sums> {
        let mut sums = Sums {
            shares: vec![[1.0; LANES]],
            tops: [0.0; LANES],
        };
        let mut after = Vec::new();
        // Log of the most that what has been rounded to 0 can still become.
        let mut missed = [f64::NEG_INFINITY; LANES];
        for step in &self.steps {
            let (factors, tops) = factors(&step.lives, at, shift);
            let (least, greatest) = widest(
                #[inline(always)]
                || step.through(&sums.shares, &factors, &mut after),
            );
            std::mem::swap(&mut sums.shares, &mut after);
            sums.tops = plus(&sums.tops, &tops);
            let scale = sums.keep_near_one(&greatest);
            let mass = SMALLEST * sums.shares.len() as f64;
            for lane in 0..LANES {
                missed[lane] += tops[lane] + self.ln_most;
                if least[lane] * scale[lane] < SMALLEST {
                    missed[lane] = missed[lane].max(sums.tops[lane] + mass.ln());
                }
            }
        }
        let (factors, tops) = factors(&self.last_lives, at, shift);
        let parts = self.last.first().map_or(0, Vec::len) as f64;
        let tops = tops.map(|top| parts * top);
        sums.tops = plus(&sums.tops, &tops);
        for (share, parts) in sums.shares.iter_mut().zip(&self.last) {
            for part in parts {
                let factor = &factors[*part as usize];
                for lane in 0..LANES {
                    share[lane] *= factor[lane];
                }
            }
        }
        let holds = |lane: usize| -> bool {
            let total: f64 = sums.shares.iter().map(|share| share[lane]).sum();
            let missed = (missed[lane] + tops[lane] - sums.tops[lane]).exp();
            total > SMALLEST && missed < 1e-16 * total
        };
        (0..LANES).all(holds).then_some(sums)
    }

    /// Log of each state's sum, by logs all the way.
    fn in_logs(&self, at: &Lanes, shift: f64) -> Vec<Row> {
        let mut sums = vec![[0.0; LANES]];
        for step in &self.steps {
            let lives = terms(&step.lives, at, shift);
            let ln_sum = |choices: &[LogChoice]| {
                let each: Vec<Row> = (choices.iter())
                    .map(|choice| {
                        let term = plus(&sums[choice.from as usize], &lives[choice.life as usize]);
                        term.map(|term| term + choice.ways.ln())
                    })
                    .collect();
                Sums::of_logs(&each).ln_totals()
            };
            sums = step.of_states().map(ln_sum).collect();
        }
        let lives = terms(&self.last_lives, at, shift);
        for (sum, parts) in sums.iter_mut().zip(&self.last) {
            for part in parts {
                *sum = plus(sum, &lives[*part as usize]);
            }
        }
        sums
    }
}

impl Sums {
    /// Divides each lane by its greatest share where that has strayed from 1; gives what it
    /// multiplied with.
    fn keep_near_one(&mut self, greatest: &Row) -> Row {
        if greatest.iter().all(|top| (1e-20..1e10).contains(top)) {
            return [1.0; LANES];
        }
        let scale = greatest.map(|top| if top > SMALLEST { 1.0 / top } else { 1.0 });
        for share in &mut self.shares {
            for (share, scale) in share.iter_mut().zip(&scale) {
                *share *= scale;
            }
        }
        self.tops = plus(&self.tops, &scale.map(|scale| -scale.ln()));
        scale
    }
}

impl LogLife {
    fn new(life: &PossibleLife, shift: f64) -> Self {
        let log = |hours: f64| hours.ln() - shift;
        Self {
            low: log(life.low),
            high: log(life.high),
            entry: log(life.entry),
            met: life.met,
        }
    }

    /// Log factor at each point; lives are Weibull.
    fn terms(&self, at: &Lanes, shift: f64) -> Row {
        let exact = self.low == self.high;
        let from_new = !self.met && self.entry == f64::NEG_INFINITY;
        if !from_new || !(exact || self.high == f64::INFINITY) {
            return std::array::from_fn(|lane| self.term(at.mu[lane], at.tau[lane], shift));
        }
        let mut terms = [0.0; LANES];
        widest(
            #[inline(always)]
            || {
                for (lane, term) in terms.iter_mut().enumerate() {
                    let z = at.tau[lane] * (self.low - at.mu[lane]);
                    let density = if exact {
                        z + at.ln_tau[lane] - self.low - shift
                    } else {
                        0.0
                    };
                    *term = density - exp(z);
                }
            },
        );
        terms
    }

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

/// Ages of the parts by the bits of shape and scale.
type Asked = HashMap<(u64, u64), Arc<Vec<AgeNow>>>;

/// What may now be in the positions of one machine: asked for the weights that the ways have under any curve.
#[derive(Debug)]
pub struct PartsNow {
    log: LogWays,
    last: Vec<Vec<StillIn>>,
    /// What has been asked.
    known: RwLock<Asked>,
}

impl PartialEq for PartsNow {
    fn eq(&self, other: &Self) -> bool {
        self.log == other.log && self.last == other.last
    }
}

impl PartsNow {
    /// Of the lives of one machine whose positions are not told.
    pub fn new(unplaced: &Unplaced) -> Self {
        let ways = unplaced.ways.as_ref();
        Self {
            log: LogWays::new(ways, 0.0),
            last: ways.last.clone(),
            known: RwLock::default(),
        }
    }

    /// The youngest part first, averaged over curves; each of them is known from then on.
    pub fn given(&self, nodes: &[WeibullNode]) -> Vec<AgeNow> {
        // Curves of next to no weight cost as much as the others.
        let heaviest = nodes.iter().map(|n| n.weight).fold(0.0, f64::max);
        let nodes: Vec<&WeibullNode> = (nodes.iter())
            .filter(|node| node.weight >= 1e-3 * heaviest)
            .collect();
        let mut mean = vec![0.0; self.last.len()];
        for nodes in nodes.chunks(LANES) {
            for (node, weights) in nodes.iter().zip(self.weights(nodes)) {
                for (mean, weight) in mean.iter_mut().zip(&weights) {
                    *mean += node.weight * weight;
                }
                self.learn(node, &weights);
            }
        }
        self.ages(&mean)
    }

    /// The youngest part first, under one curve.
    pub fn under(&self, node: &WeibullNode) -> Arc<Vec<AgeNow>> {
        let key = (node.shape.to_bits(), node.scale.to_bits());
        let known = self
            .known
            .read()
            .ok()
            .and_then(|known| known.get(&key).cloned());
        known.unwrap_or_else(|| {
            let weights = self.weights(&[node]).swap_remove(0);
            self.learn(node, &weights)
        })
    }

    fn learn(&self, node: &WeibullNode, weights: &[f64]) -> Arc<Vec<AgeNow>> {
        let ages = Arc::new(self.ages(weights));
        if let Ok(mut known) = self.known.write() {
            let key = (node.shape.to_bits(), node.scale.to_bits());
            known.insert(key, Arc::clone(&ages));
        }
        ages
    }

    /// Weights of the states under each of up to [`LANES`] curves, summing to 1; all 0 where a curve gives them no
    /// chance that can be told.
    fn weights(&self, nodes: &[&WeibullNode]) -> Vec<Vec<f64>> {
        let points: Vec<(f64, f64)> = nodes.iter().map(|n| (n.scale.ln(), n.shape)).collect();
        let sums = self.log.sums(&Lanes::new(&points), 0.0);
        let totals = sums.totals();
        let of = |lane: usize| {
            let total = totals[lane];
            let share = |share: &[f64; LANES]| {
                if total > 0.0 {
                    share[lane] / total
                } else {
                    0.0
                }
            };
            sums.shares.iter().map(share).collect()
        };
        (0..nodes.len()).map(of).collect()
    }

    fn ages(&self, weights: &[f64]) -> Vec<AgeNow> {
        let places = self.last.first().map_or(0, Vec::len);
        let total: f64 = weights.iter().sum();
        (0..places)
            .map(|place| {
                let of_place = self.last.iter().map(|state| state[place]);
                age_now(of_place.zip(weights.iter().map(|w| w / total)))
            })
            .collect()
    }
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
