//! Its greatest value.

use super::DENSE;
use super::likelihood::{Ended, Gradient, Problem};
use crate::numerics::linear::solve_damped;

/// Stop when no more than this much log-likelihood can be missing.
const GAP: f64 = 1e-9;

/// Relative rounding of a log-likelihood.
const ROUNDING: f64 = 1e-12;

/// Rounds of growing the set of mass points.
const ROUNDS: usize = 200;

/// Steps of self-consistency where the set is large.
const STEPS: usize = 20_000;

pub(super) struct Solution {
    pub(super) h: Vec<f64>,
    pub(super) log_likelihood: f64,
    pub(super) gap: f64,
    pub(super) iterations: usize,
}

impl Problem {
    /// One step of self-consistency: hazard = expected worn / expected at risk.
    fn consistent(&self, h: &[f64]) -> Vec<f64> {
        let (at_risk, worn) = self.expected(h);
        at_risk
            .iter()
            .zip(&worn)
            .map(|(&n, &d)| {
                if d > 0.0 {
                    -(-(d / n).min(1.0 - 1e-12)).ln_1p()
                } else {
                    0.0
                }
            })
            .collect()
    }

    pub(super) fn solve(&self) -> Solution {
        let mut h = self.start();
        let mut iterations = 0;
        for _ in 0..3 {
            h = self.consistent(&h);
            iterations += 1;
        }
        let mut now = self.gradient(&h);
        for _ in 0..ROUNDS {
            if now.gap <= GAP {
                break;
            }
            iterations += 1;
            let candidates = candidates(&h, &now.g);
            if candidates.len() > DENSE {
                return self.extrapolate(h, iterations);
            }
            let Some(target) = self.newton_target(&h, &now.g, &candidates) else {
                return self.extrapolate(h, iterations);
            };
            let Some(next) = self.line_search(&h, &target, &now) else {
                break;
            };
            let then = self.gradient(&next);
            // Within rounding of the top only a smaller gap tells a better curve.
            let settled = then.value - now.value <= ROUNDING * now.value.abs();
            if settled && then.gap >= now.gap {
                break;
            }
            h = next;
            now = then;
        }
        Solution {
            log_likelihood: now.value,
            gap: now.gap,
            h,
            iterations,
        }
    }

    /// As few mass points as give every life a positive chance, all of equal hazard.
    fn start(&self) -> Vec<f64> {
        let mut h = vec![0.0; self.cells.len()];
        let mut by_last: Vec<&Ended> = self.ended.iter().collect();
        by_last.sort_by_key(|e| e.last);
        let mut placed: Option<usize> = None;
        let mut points = 0.0;
        for e in by_last {
            if placed.is_none_or(|p| p < e.first) {
                placed = Some(e.last);
                h[e.last] = 1.0;
                points += 1.0;
            }
        }
        for h in &mut h {
            *h /= f64::max(points, 1.0);
        }
        h
    }

    /// Optimum of the quadratic model over `h ≥ 0` on the candidate cells (or near it: any point
    /// better than h will do).
    fn newton_target(&self, h: &[f64], g: &[f64], candidates: &[usize]) -> Option<Vec<f64>> {
        let s = candidates.len();
        let information = self.information(h, candidates);
        // From here on a cell is its place among the candidates.
        let old: Vec<f64> = candidates.iter().map(|&j| h[j]).collect();
        let mut x = old.clone();
        let mut free: Vec<usize> = (0..s).collect();
        // Slope of the quadratic model at x: g − I(x − h).
        let slope = |x: &[f64], a: usize| {
            let row = &information[a * s..(a + 1) * s];
            let moved = row
                .iter()
                .zip(x.iter().zip(&old))
                .map(|(r, (x, h))| r * (x - h));
            g[candidates[a]] - moved.sum::<f64>()
        };
        for _ in 0..3 * s + 10 {
            let mut matrix = Vec::with_capacity(free.len() * free.len());
            for &a in &free {
                matrix.extend(free.iter().map(|&b| information[a * s + b]));
            }
            let mut step: Vec<f64> = free.iter().map(|&a| slope(&x, a)).collect();
            solve_damped(&matrix, &mut step)?;
            // Points at 0 that want to be negative leave at once; else as far as the first that
            // would become negative.
            let blocked = |a: usize, d: f64| d < 0.0 && x[a] <= 0.0;
            if free.iter().zip(&step).any(|(&a, &d)| blocked(a, d)) {
                let mut wants = step.iter();
                free.retain(|&a| !wants.next().is_some_and(|&d| blocked(a, d)));
                continue;
            }
            let length = free
                .iter()
                .zip(&step)
                .filter(|(_, d)| **d < 0.0)
                .map(|(&a, d)| -x[a] / d)
                .fold(1.0, f64::min);
            for (&a, &d) in free.iter().zip(&step) {
                x[a] += length * d;
                if length < 1.0 && x[a] <= 1e-15 * d.abs() {
                    x[a] = 0.0;
                }
            }
            if length < 1.0 {
                free.retain(|&a| x[a] > 0.0);
                continue;
            }
            // Optimal on the free points; one that was dropped may be wanted after all.
            let wanted = (0..s)
                .filter(|a| !free.contains(a))
                .map(|a| (a, slope(&x, a) / self.lasted[candidates[a]]))
                .filter(|(_, gain)| *gain > 1e-10)
                .max_by(|a, b| a.1.total_cmp(&b.1));
            match wanted {
                Some((a, _)) => {
                    free.push(a);
                    free.sort_unstable();
                }
                None => break,
            }
        }
        let mut target = h.to_vec();
        for (&j, x) in candidates.iter().zip(x) {
            target[j] = x;
        }
        Some(target)
    }

    /// Halves the step until the likelihood rises enough; none when it no longer can.
    fn line_search(&self, h: &[f64], target: &[f64], now: &Gradient) -> Option<Vec<f64>> {
        let slope: f64 = (0..h.len()).map(|j| now.g[j] * (target[j] - h[j])).sum();
        if slope <= 0.0 {
            return None;
        }
        let mut length = 1.0;
        for _ in 0..60 {
            let next: Vec<f64> = h
                .iter()
                .zip(target)
                .map(|(h, t)| (h + length * (t - h)).max(0.0))
                .collect();
            let value = self.value(&next);
            let rounding = if slope <= ROUNDING * now.value.abs() {
                ROUNDING * now.value.abs()
            } else {
                0.0
            };
            if value.is_finite() && value >= now.value + 0.1 * length * slope - rounding {
                return Some(next);
            }
            length /= 2.0;
        }
        None
    }

    /// Self-consistency with squared extrapolation (Varadhan & Roland 2008) in ln h.
    fn extrapolate(&self, start: Vec<f64>, already: usize) -> Solution {
        // Every cell must be able to take mass again.
        let mut h = start;
        let floor = 1e-3 / self.cells.len() as f64;
        for (j, h) in h.iter_mut().enumerate() {
            if *h <= 0.0 && self.lasted[j] > 0.0 {
                *h = floor;
            }
        }
        let mut iterations = already;
        let mut best = self.gradient(&h);
        while iterations < STEPS && best.gap > 1e-7 {
            iterations += 3;
            let one = self.consistent(&h);
            let two = self.consistent(&one);
            let (mut r2, mut v2) = (0.0, 0.0);
            let ln = |x: f64| x.max(1e-290).ln();
            for j in 0..h.len() {
                let r = ln(one[j]) - ln(h[j]);
                let v = ln(two[j]) - ln(one[j]) - r;
                r2 += r * r;
                v2 += v * v;
            }
            let mut next = two.clone();
            if v2 > 0.0 {
                let alpha = -f64::sqrt(r2 / v2);
                if alpha < -1.0 {
                    let guess: Vec<f64> = (0..h.len())
                        .map(|j| {
                            let r = ln(one[j]) - ln(h[j]);
                            let v = ln(two[j]) - ln(one[j]) - r;
                            (ln(h[j]) - 2.0 * alpha * r + alpha * alpha * v)
                                .min(4.0)
                                .exp()
                        })
                        .collect();
                    let guess = self.consistent(&guess);
                    if self.value(&guess) >= self.value(&two) {
                        next = guess;
                    }
                }
            }
            h = next;
            best = self.gradient(&h);
        }
        Solution {
            log_likelihood: best.value,
            gap: best.gap,
            h,
            iterations,
        }
    }
}

/// Mass points, and between each two of them the cell where more mass would help most.
fn candidates(h: &[f64], g: &[f64]) -> Vec<usize> {
    let mut chosen = Vec::new();
    let mut best: Option<usize> = None;
    for j in 0..h.len() {
        if h[j] > 0.0 {
            chosen.extend(best.take());
            chosen.push(j);
        } else if g[j] > 0.0 && best.is_none_or(|b| g[j] > g[b]) {
            best = Some(j);
        }
    }
    chosen.extend(best);
    chosen
}
