//! The chance that two stocks are both enough: so many parts at most by a first time, and so many by a
//! second, summed over the positions under one curve.

use std::f64::consts::TAU;
use std::sync::LazyLock;

use super::counts::Counts;
use super::firsts::Firsts;
use super::sum::{every, total};
use crate::numerics::quadrature::{Rule, gauss_legendre};
use crate::numerics::special::{normal_cdf, normal_quantile};

/// Most multiplications for one pair of stocks; beyond, the two sums are taken as normal together.
const MOST_WORK: usize = 300_000;

/// Chances below this are left out.
const NEGLIGIBLE: f64 = 1e-11;

/// Chances of one first life: i parts by the first time and m by the second, at `i·width + m`.
#[derive(Debug, Clone, Default)]
pub(super) struct Both {
    pub(super) width: usize,
    pub(super) chances: Vec<f64>,
}

impl Both {
    fn steps(&self) -> impl Iterator<Item = (usize, usize, f64)> + '_ {
        let each = self.chances.iter().enumerate();
        each.filter(|(_, p)| **p > NEGLIGIBLE)
            .map(|(at, p)| (at / self.width, at % self.width, *p))
    }

    /// `P(N ≥ 1), P(N ≥ 2), …` by either time, and the mean of their product.
    fn margins(&self) -> (Vec<f64>, Vec<f64>, f64) {
        let mut exactly = [vec![0.0; self.width + 1], vec![0.0; self.width + 1]];
        let mut product = 0.0;
        for (i, m, p) in self.steps() {
            exactly[0][i] += p;
            exactly[1][m] += p;
            product += (i * m) as f64 * p;
        }
        let [first, second] = exactly.map(|mut p| {
            for n in (1..p.len()).rev() {
                p[n - 1] += p[n];
            }
            p.remove(0);
            while p.last().is_some_and(|p| *p <= 0.0) {
                p.pop();
            }
            p
        });
        (first, second, product)
    }
}

/// `P(at most first by the one time and at most second by the other)`, by convolution, or where that is too
/// much work as by [`together`].
pub(super) fn both_at_most(
    firsts: &[Firsts],
    lives: &[Vec<Both>],
    (first, second): (usize, usize),
) -> f64 {
    let positions: u32 = firsts.iter().map(|f| f.count).sum();
    let cells = (first + 1) * (second + 1);
    if positions as usize * cells * 4 > MOST_WORK {
        return as_normal(firsts, lives, (first, second));
    }
    // Chance of a parts by the first time and b by the second, at [a][b].
    let width = second + 1;
    let mut used = vec![0.0; cells];
    used[0] = 1.0;
    let mut next = vec![0.0; cells];
    let mut steps: Vec<(usize, usize, f64)> = Vec::new();
    let mut highest = (0, 0);
    for (firsts, lives) in firsts.iter().zip(lives) {
        for place in &firsts.places {
            steps.clear();
            for (life, weight) in place.neighbours() {
                for (i, m, p) in lives[life].steps() {
                    if i > first || m > second {
                        continue;
                    }
                    match steps.iter_mut().find(|s| (s.0, s.1) == (i, m)) {
                        Some(step) => step.2 += weight * p,
                        None => steps.push((i, m, weight * p)),
                    }
                }
            }
            let most = steps
                .iter()
                .fold((0, 0), |most, s| (most.0.max(s.0), most.1.max(s.1)));
            for _ in 0..place.alike {
                let reach = (
                    (highest.0 + most.0).min(first),
                    (highest.1 + most.1).min(second),
                );
                for row in next.chunks_exact_mut(width).take(reach.0 + 1) {
                    row[..=reach.1].fill(0.0);
                }
                for &(i, m, p) in &steps {
                    for a in 0..=highest.0.min(first - i) {
                        let length = (highest.1 + 1).min(width - m);
                        let from = &used[a * width..][..length];
                        let to = &mut next[(a + i) * width + m..][..length];
                        for (to, from) in to.iter_mut().zip(from) {
                            *to += p * from;
                        }
                    }
                }
                highest = reach;
                std::mem::swap(&mut used, &mut next);
            }
        }
    }
    let rows = used.chunks_exact(width).take(highest.0 + 1);
    rows.map(|row| row[..=highest.1].iter().sum::<f64>()).sum()
}

fn as_normal(firsts: &[Firsts], lives: &[Vec<Both>], limit: (usize, usize)) -> f64 {
    let margins: Vec<Vec<_>> = (lives.iter())
        .map(|lives| lives.iter().map(Both::margins).collect())
        .collect();
    let all = every(firsts);
    let by_first = total(firsts, &all, |g, i| &margins[g][i].0);
    let by_second = total(firsts, &all, |g, i| &margins[g][i].1);
    let mut covariance = 0.0;
    for (firsts, margins) in firsts.iter().zip(&margins) {
        for (share, (first, second, product)) in firsts.shares.iter().zip(margins) {
            let means = first.iter().sum::<f64>() * second.iter().sum::<f64>();
            covariance += share * (product - means);
        }
    }
    together(&by_first, &by_second, covariance, limit)
}

/// The chance that two sums of many positions stay within two limits, from the distribution of each and
/// their covariance: joined as two normal variables of that correlation are.
pub(super) fn together(
    by_first: &Counts,
    by_second: &Counts,
    covariance: f64,
    (first, second): (usize, usize),
) -> f64 {
    let at_most =
        |counts: &Counts, limit: usize| counts.at_most(u32::try_from(limit).unwrap_or(u32::MAX));
    let (p, q) = (at_most(by_first, first), at_most(by_second, second));
    let (least, most) = ((p + q - 1.0).max(0.0), p.min(q));
    let spread = (by_first.variance() * by_second.variance()).sqrt();
    if most - least < 1e-12 || spread <= 0.0 {
        return most;
    }
    let correlation = (covariance / spread).clamp(-0.9999, 0.9999);
    let (h, k) = (normal_quantile(p), normal_quantile(q));
    both_below(h, k, correlation).clamp(least, most)
}

static RULE: LazyLock<Rule> = LazyLock::new(|| gauss_legendre(48));

/// `P(X ≤ h, Y ≤ k)` of two standard normal variables with correlation ρ:
/// `Φ(h)Φ(k) + 1/2π ∫_0^{asin ρ} exp(−(h² + k² − 2hk sin θ)/(2 cos² θ)) dθ` (Plackett, Biometrika 41, 1954,
/// with r = sin θ).
fn both_below(h: f64, k: f64, correlation: f64) -> f64 {
    let density = |theta: f64| {
        let (sin, cos) = theta.sin_cos();
        (-(h * h + k * k - 2.0 * h * k * sin) / (2.0 * cos * cos)).exp()
    };
    normal_cdf(h) * normal_cdf(k) + RULE.integrate(0.0, correlation.asin(), density) / TAU
}

#[cfg(test)]
mod tests {
    use super::super::demand::Group;
    use super::super::first_life::FirstLife;
    use super::*;
    use approx::assert_abs_diff_eq;

    /// `P(X ≤ 0, Y ≤ 0) = 1/4 + asin(ρ)/2π` (Sheppard 1899); at ρ = 0 the product; by integrating the
    /// conditional chance elsewhere.
    #[test]
    fn two_normal_variables() {
        for rho in [-0.9, -0.3, 0.0, 0.5, 0.95] {
            assert_abs_diff_eq!(
                both_below(0.0, 0.0, rho),
                0.25 + f64::asin(rho) / TAU,
                epsilon = 1e-12
            );
            for (h, k) in [(1.3, 0.4), (-0.7, 2.0), (1.6, 1.9)] {
                let step = 1e-3;
                let sum: f64 = (0..9000)
                    .map(|i| h - (f64::from(i) + 0.5) * step)
                    .map(|x| {
                        (-0.5 * x * x).exp() * normal_cdf((k - rho * x) / (1.0 - rho * rho).sqrt())
                    })
                    .sum();
                let expected = sum * step / TAU.sqrt();
                assert_abs_diff_eq!(both_below(h, k, rho), expected, epsilon = 1e-6);
            }
        }
    }

    /// Sixty positions that need none, one or two parts by either time: as normal as by convolution.
    #[test]
    fn many_positions_are_normal_together() {
        let ages: Vec<(FirstLife, u32)> = (0..29)
            .map(|i| (FirstLife::Aged(f64::from(i)), 6))
            .collect();
        let group = Group {
            windows: Vec::new(),
            positions: ages,
            starts: Vec::new(),
        };
        let firsts = [Firsts::new(&group, 1.0)];
        let lives: Vec<Both> = (0..29)
            .map(|i| {
                let a = 0.2 + 0.015 * f64::from(i);
                let chances = vec![
                    0.6 * (1.0 - a),
                    0.3 * (1.0 - a),
                    0.1 * (1.0 - a),
                    0.0,
                    0.5 * a,
                    0.4 * a,
                    0.0,
                    0.0,
                    0.1 * a,
                ];
                Both { width: 3, chances }
            })
            .collect();
        let lives = [lives];
        for limit in [(70, 140), (75, 150), (80, 150), (90, 160)] {
            let exact = by_hand(&firsts[0], &lives[0], limit);
            let normal = as_normal(&firsts, &lives, limit);
            assert!(
                (exact - normal).abs() < 1.5e-3,
                "{limit:?} {exact} {normal}"
            );
            assert_abs_diff_eq!(exact, both_at_most(&firsts, &lives, limit), epsilon = 2e-3);
        }
    }

    fn by_hand(firsts: &Firsts, lives: &[Both], (first, second): (usize, usize)) -> f64 {
        let mut used = vec![vec![0.0; second + 1]; first + 1];
        used[0][0] = 1.0;
        for place in &firsts.places {
            for (life, _) in place.neighbours() {
                for _ in 0..place.alike {
                    let mut next = vec![vec![0.0; second + 1]; first + 1];
                    for (i, m, p) in lives[life].steps() {
                        for a in i..=first {
                            for b in m..=second {
                                next[a][b] += p * used[a - i][b - m];
                            }
                        }
                    }
                    used = next;
                }
            }
        }
        used.iter().flatten().sum()
    }
}
