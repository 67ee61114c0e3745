//! When a part is changed ahead of time: at a job start, once it has reached the age from which that
//! costs less than leaving it in.
//!
//! Backwards over the jobs of a machine, with `V_{j+1}(a)` the expected cost from the next job start on
//! for a part of age a, a part left in for job j of w hours costs
//! `C_j(a) = Σ_k p_k(a) [c_f + D_j(w − u_k)] + (1 − Σ_k p_k(a)) V_{j+1}(a + w)`: it wears out around
//! `u_k` and its successor, new with r hours of the job left, costs `D_j(r)` from there on (the same sum
//! from age 0 over r hours), or it lives. Changing first costs `c_p + C_j(0)`. `V_j` is the cost of the
//! one that is chosen (finite-horizon dynamic programming; the ingredients as in age replacement,
//! Barlow & Hunter 1960). The chances `p_k(a) = Σᵢ wᵢ [Rᵢ(a+u_{k−1}) − Rᵢ(a+u_k)] / Rᵢ(a)` are the
//! predictive ones of a fitted part of that age. The schedule is taken to go on with a few more jobs of
//! average length, so that the last ones do not look like the end of the world.
//!
//! A machine that is stopped in the middle of job j for another part is open anyway. There a change costs its
//! downtime less, `c_p − d + C(0)` against `C(a)` with half of the job left, by the same sum.
//!
//! A change must save at least [`LEAST_SAVING`] of what it costs: gains within the noise of the
//! records are not worth a part.

use super::costs::Costs;
use super::remaining::curve;
use crate::models::WeibullNode;
use crate::numerics::vector::{exp, ln_all, widest};

/// Share of the planned cost that a change must save.
pub const LEAST_SAVING: f64 = 0.05;

/// Jobs of average length that are taken to follow the schedule.
const FURTHER_JOBS: usize = 6;

/// Steps of age in the longest job.
const STEPS: f64 = 20.0;

/// Most ages looked at; older parts count as that old.
const MOST_AGES: usize = 1200;

/// Cumulative hazards below this are far from where their exponential would lose digits.
const FAR: f64 = 600.0;

/// Costs at one job start, from there to the end of the schedule and the jobs taken to follow it.
#[derive(Debug, Clone, PartialEq)]
pub struct StartCosts {
    /// A part of at least this age is changed; infinite for never.
    pub change_from: f64,
    /// The same where the machine is open for another part anyway, halfway through the job that starts here.
    pub change_if_open_from: f64,
    /// Cost of leaving a part in, by age in steps.
    left: Vec<f64>,
    step: f64,
    planned: f64,
}

impl StartCosts {
    /// Expected cost of leaving a part of this age in.
    pub fn if_left(&self, age: f64) -> f64 {
        at(&self.left, age / self.step)
    }

    /// Expected cost of changing it first.
    pub fn if_changed(&self) -> f64 {
        self.planned + at(&self.left, 0.0)
    }
}

/// Linear interpolation, level beyond the end.
fn at(values: &[f64], index: f64) -> f64 {
    let last = values.len().saturating_sub(1);
    let k = (index.max(0.0) as usize).min(last);
    let next = (k + 1).min(last);
    values[k] + (values[next] - values[k]) * (index - k as f64).clamp(0.0, 1.0)
}

/// Chances of wearing out by age and step, for one part kind.
#[derive(Debug, Clone)]
pub struct WearTable {
    step: f64,
    /// `p_k(a)` for a = i·step, k = 0, 1, … over the longest job.
    worn: Vec<Vec<f64>>,
}

impl WearTable {
    /// For ages up to `oldest` and jobs up to `longest` hours (above 0).
    pub fn new(nodes: &[WeibullNode], per_change: u32, oldest: f64, longest: f64) -> Self {
        let step = longest / STEPS;
        let ages = ((oldest / step).ceil() as usize + 1).min(MOST_AGES);
        let steps = STEPS as usize;
        let mut worn = vec![vec![0.0; steps]; ages];
        let ln_age: Vec<f64> = ln_all(
            &(0..ages + steps)
                .map(|i| i as f64 * step)
                .collect::<Vec<_>>(),
        );
        let mut hazard = vec![0.0; ages + steps];
        let mut good = vec![1.0; ages + steps];
        let mut ahead = vec![1.0; steps + 1];
        for node in nodes {
            let life = curve(node, per_change);
            let level = life.shape * life.scale.ln();
            widest(
                #[inline(always)]
                || {
                    for (hazard, ln_age) in hazard.iter_mut().zip(&ln_age) {
                        *hazard = exp(life.shape * ln_age - level);
                    }
                    hazard[0] = 0.0;
                    for (good, hazard) in good.iter_mut().zip(&hazard) {
                        *good = exp(-hazard);
                    }
                    for (i, worn) in worn.iter_mut().enumerate() {
                        if hazard[i + steps] < FAR {
                            let weight = node.weight / good[i];
                            let good = &good[i..=i + steps];
                            for (p, good) in worn.iter_mut().zip(good.windows(2)) {
                                *p += weight * (good[0] - good[1]);
                            }
                            continue;
                        }
                        for (ahead, then) in ahead[1..].iter_mut().zip(&hazard[i + 1..]) {
                            let to = hazard[i] - then;
                            *ahead = exp(if to < 0.0 { to } else { 0.0 });
                        }
                        for (p, good) in worn.iter_mut().zip(ahead.windows(2)) {
                            *p += node.weight * (good[0] - good[1]);
                        }
                    }
                },
            );
        }
        Self { step, worn }
    }

    /// Costs at each start of a machine's jobs, given their lengths; planned changes only where
    /// `may_change`.
    pub fn starts(&self, lengths: &[f64], costs: Costs, may_change: bool) -> Vec<StartCosts> {
        if lengths.is_empty() {
            return Vec::new();
        }
        let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
        let mut value = vec![0.0; self.worn.len()];
        let mut starts = Vec::new();
        let all = lengths
            .iter()
            .copied()
            .chain(std::iter::repeat_n(mean, FURTHER_JOBS));
        let all: Vec<f64> = all.collect();
        for (number, &length) in all.iter().enumerate().rev() {
            let left = self.left(length, costs, &value);
            let changed = costs.planned + left[0];
            let limit = changed + LEAST_SAVING * costs.planned;
            let change_from = self.dearer_from(&left, limit, may_change);
            if number < lengths.len() {
                let half = self.left(0.5 * length, costs, &value);
                let if_open = half[0] + (1.0 + LEAST_SAVING) * costs.planned - costs.spared;
                starts.push(StartCosts {
                    change_from,
                    change_if_open_from: self.dearer_from(&half, if_open, may_change),
                    left: left.clone(),
                    step: self.step,
                    planned: costs.planned,
                });
            }
            let oldest = left.iter().position(|c| *c > limit);
            value = left;
            if let Some(i) = oldest.filter(|_| may_change) {
                value[i..].fill(changed);
            }
        }
        starts.reverse();
        starts
    }

    /// The age from which leaving a part in costs more than a limit; infinite for never.
    fn dearer_from(&self, left: &[f64], limit: f64, may_change: bool) -> f64 {
        match left.iter().position(|cost| *cost > limit) {
            Some(i) if may_change && i > 0 => {
                let rise = left[i] - left[i - 1];
                (i as f64 - (left[i] - limit) / rise) * self.step
            }
            _ => f64::INFINITY,
        }
    }

    /// `C_j(a)` at every age.
    fn left(&self, length: f64, costs: Costs, next: &[f64]) -> Vec<f64> {
        let steps = length / self.step;
        let whole = (steps + 1e-9).floor() as usize;
        let part = (steps - whole as f64).max(0.0);
        // D over r = i·step.
        let mut new = vec![at(next, 0.0)];
        let fresh = &self.worn[0];
        for i in 1..=whole + 1 {
            let mut sum = 0.0;
            let mut good = 1.0;
            for k in 0..i.min(fresh.len()) {
                let later = if k == 0 {
                    0.5 * new[i - 1]
                } else {
                    0.5 * (new[i - k] + new[i - k - 1])
                };
                sum += fresh[k] * (costs.in_service + later);
                good -= fresh[k];
            }
            sum += good * at(next, i as f64);
            new.push(sum / (1.0 - 0.5 * fresh[0]));
        }
        // What wearing out in each step costs, and in what is left of one at the end.
        let dear: Vec<f64> = (0..whole)
            .map(|k| costs.in_service + at(&new, steps - k as f64 - 0.5))
            .collect();
        let rest = (part > 1e-9).then(|| (part, costs.in_service + at(&new, 0.5 * part)));
        self.worn
            .iter()
            .enumerate()
            .map(|(i, worn)| {
                let (mut sum, mut good) = (0.0, 1.0);
                for (p, dear) in worn.iter().zip(&dear) {
                    sum += p * dear;
                    good -= p;
                }
                if let (Some((part, dear)), Some(p)) = (rest, worn.get(whole)) {
                    sum += part * p * dear;
                    good -= part * p;
                }
                sum + good * at(next, i as f64 + steps)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::streams::stream;

    fn table(shape: f64) -> WearTable {
        let nodes = [WeibullNode {
            shape,
            scale: 300.0,
            weight: 1.0,
        }];
        WearTable::new(&nodes, 1, 1500.0, 100.0)
    }

    const COSTS: Costs = Costs {
        planned: 100.0,
        in_service: 1300.0,
        spared: 40.0,
    };

    /// Exponential lives: leaving a part in costs the same at any age, `c_f` times the expected
    /// wear-outs, and no change ever pays.
    #[test]
    fn without_wear_out_nothing_is_changed() {
        let starts = table(1.0).starts(&[100.0, 60.0], COSTS, true);
        let expected = 1300.0 * (100.0 + 60.0 + 6.0 * 80.0) / 300.0;
        for age in [0.0, 130.0, 700.0] {
            let left = starts[0].if_left(age);
            assert!((left / expected - 1.0).abs() < 2e-3, "{left} {expected}");
        }
        assert!(starts.iter().all(|s| s.change_from.is_infinite()));
        assert!(starts.iter().all(|s| s.change_if_open_from.is_infinite()));
    }

    /// A part of the age from which a change pays while the machine is open: the costs of both ways from there
    /// on, drawn future by future under the stated changes at the starts, differ by the saving that is asked.
    #[test]
    fn an_open_machine_by_simulation() {
        // Jobs enough that what is taken to follow them does not matter, a wear-out sharp enough to forget.
        let lengths = [60.0; 30];
        let starts = table(4.0).starts(&lengths, COSTS, true);
        let age = starts[0].change_if_open_from;
        assert!(age < starts[0].change_from + 30.0, "{age}");
        let cost = |draw: u64, mut age: f64| {
            let mut random = stream(7, draw);
            let mut life = |from: f64| -> f64 {
                300.0 * ((from / 300.0).powi(4) + random.exponential()).powf(0.25)
            };
            let (mut ends, mut cost) = (life(age), 0.0);
            let mut left = 30.0;
            for (job, start) in starts.iter().enumerate().take(20) {
                if job > 0 {
                    left = 60.0;
                    if age >= start.change_from {
                        cost += COSTS.planned;
                        (age, ends) = (0.0, life(0.0));
                    }
                }
                while age + left >= ends {
                    cost += COSTS.in_service;
                    left -= ends - age;
                    (age, ends) = (0.0, life(0.0));
                }
                age += left;
            }
            cost
        };
        let mean = |from: f64, streams: u64| -> f64 {
            let draws = 400_000;
            let costs = (0..draws).map(|draw| cost(streams * draws + draw, from));
            costs.sum::<f64>() / draws as f64
        };
        let saved = mean(age, 1) - (mean(0.0, 2) + COSTS.planned - COSTS.spared);
        let asked = LEAST_SAVING * COSTS.planned;
        // Costs of a future vary by some 500: 1.1 for the difference of two means.
        assert!((saved - asked).abs() < 4.0, "{saved} {asked}");
    }

    /// Wear-out that is all but certain by 300 h: a part is changed at the last start from which it
    /// would not last the job, and not before.
    #[test]
    fn sharp_wear_out_is_met_at_the_last_start() {
        let starts = table(30.0).starts(&[100.0, 100.0], COSTS, true);
        let from = starts[0].change_from;
        assert!((140.0..200.0).contains(&from), "{from}");
        // What would be changed at the next start is changed halfway through the job for less.
        let (open, next) = (starts[0].change_if_open_from, starts[1].change_from - 50.0);
        assert!((open - next).abs() < 10.0, "{open} {next}");
        let run_on = table(30.0).starts(&[100.0, 100.0], COSTS, false);
        assert!(run_on[0].change_from.is_infinite());
        assert!(run_on[0].if_left(150.0) > starts[0].if_left(150.0));
    }
}
