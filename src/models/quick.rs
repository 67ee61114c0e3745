//! The Weibull estimate alone, for many small samples: no sorting, no allocation, few passes.

#![expect(
    clippy::inline_always,
    reason = "a loop becomes vector instructions only as one piece"
)]

use crate::lives::Observations;
use crate::numerics::vector::{BLOCK, Running, exp, ln, widest};

use super::fitting::Curve;
use super::maximise::NoOptimum;

/// Samples up to this many lives are done here.
const MOST: usize = 20_000;
const MOST_STEPS: usize = 12;
/// Relative step from which the next, its cube, is nothing.
const CLOSE: f64 = 3e-6;

/// Room to work in, used again from sample to sample.
#[derive(Debug, Default)]
pub(super) struct Room {
    y: Vec<f64>,
    worn: Vec<f64>,
}

/// A profile likelihood's top: the shape, and ln Σ w t^shape there.
#[derive(Debug, Clone, Copy)]
pub(super) struct ProfileTop {
    pub(super) shape: f64,
    pub(super) ln_sum: f64,
}

/// Root of `1/β + mean worn ln t − Σ w t^β ln t / Σ w t^β` (see [`super::maximise`]) by Halley's
/// method; log ages y at most 0, all weights 1 where there are none. `None` when it does not close in
/// at once: then the careful search has to do it.
#[inline(always)]
pub(super) fn profile_top(
    y: &[f64],
    weights: Option<&[f64]>,
    mean_worn: f64,
    start: f64,
) -> Option<ProfileTop> {
    let mut beta = start;
    for _ in 0..MOST_STEPS {
        let mut sums = [Running::default(); 4];
        let mut e = [0.0; BLOCK];
        for (k, y) in y.chunks(BLOCK).enumerate() {
            let e = &mut e[..y.len()];
            match weights {
                Some(weights) => {
                    let weights = &weights[k * BLOCK..k * BLOCK + y.len()];
                    for ((e, y), w) in e.iter_mut().zip(y).zip(weights) {
                        *e = w * exp(beta * y);
                    }
                }
                None => {
                    for (e, y) in e.iter_mut().zip(y) {
                        *e = exp(beta * y);
                    }
                }
            }
            let [s0, s1, s2, s3] = &mut sums;
            s0.add(e, y, y, |e, _, _| e);
            s1.add(e, y, y, |e, y, _| e * y);
            s2.add(e, y, y, |e, y, _| e * y * y);
            s3.add(e, y, y, |e, y, _| e * y * (y * y));
        }
        let [s0, s1, s2, s3] = sums.map(|s| s.total());
        let (m1, m2, m3) = (s1 / s0, s2 / s0, s3 / s0);
        let variance = m2 - m1 * m1;
        let third = m3 - m1 * (3.0 * m2 - 2.0 * m1 * m1);
        let r = 1.0 / beta;
        let score = r + mean_worn - m1;
        let slope = -r * r - variance;
        let bend = 2.0 * r * r * r - third;
        let newton = score / slope;
        let step = newton / (1.0 - 0.5 * newton * bend / slope);
        let next = beta - step;
        if !(next > 0.25 * beta && next < 4.0 * beta && slope < 0.0) {
            return None;
        }
        if step.abs() < CLOSE * beta {
            // ln Σ to the third order of so small a step.
            let d = -step;
            let ln_sum = s0.ln() + d * (m1 + d * (0.5 * variance + d * (third / 6.0)));
            return Some(ProfileTop {
                shape: next,
                ln_sum,
            });
        }
        beta = next;
    }
    None
}

/// The maximum likelihood curve of exact and right-censored lives seen from new, each counting
/// once. `None` for any other sample and where the quick search does not close in.
pub(super) fn weibull(lives: &Observations, room: &mut Room) -> Option<Result<Curve, NoOptimum>> {
    let n = lives.low.len();
    let plain = lives.entry.is_empty() && lives.count.is_empty() && lives.high.len() == n;
    if n == 0 || n > MOST || !plain {
        return None;
    }
    room.y.resize(n, 0.0);
    room.worn.resize(n, 0.0);
    widest(
        #[inline(always)]
        || {
            let (low, high) = (&lives.low[..n], &lives.high[..n]);
            let (y, worn) = (&mut room.y[..n], &mut room.worn[..n]);
            for (((y, worn), t), high) in y.iter_mut().zip(worn.iter_mut()).zip(low).zip(high) {
                *y = ln(*t);
                *worn = if t == high { 1.0 } else { 0.0 };
            }
            let (mut strange, mut count, mut sum) =
                (Running::default(), Running::default(), Running::default());
            strange.add(low, high, worn, |t, high, worn| {
                let fine = t > 1e-300 && (worn > 0.0 || high == f64::INFINITY);
                if fine { 0.0 } else { 1.0 }
            });
            count.add(worn, worn, worn, |w, _, _| w);
            if strange.total() > 0.0 {
                return None;
            }
            let r = count.total();
            if r == 0.0 {
                return Some(Err(NoOptimum::NoWorn));
            }
            let top = y
                .iter()
                .fold(f64::NEG_INFINITY, |a, &b| if b > a { b } else { a });
            for y in y.iter_mut() {
                *y -= top;
            }
            let first_worn = y.iter().zip(&*worn).fold(0.0, |least, (&y, &w)| {
                let y = if w > 0.0 { y } else { 0.0 };
                if y < least { y } else { least }
            });
            if first_worn >= 0.0 {
                // All worn lives ended at the greatest age seen.
                return Some(Err(NoOptimum::OneAge));
            }
            let (mut worn_sum, mut squares) = (Running::default(), Running::default());
            worn_sum.add(y, worn, worn, |y, w, _| w * y);
            sum.add(y, y, y, |y, _, _| y);
            squares.add(y, y, y, |y, _, _| y * y);
            let (mean, worn_sum) = (sum.total() / n as f64, worn_sum.total());
            let spread = (squares.total() / n as f64 - mean * mean).max(0.0).sqrt();
            if spread < 1e-6 {
                return None;
            }
            let found = profile_top(y, None, worn_sum / r, 1.2 / spread)?;
            let shape = found.shape;
            let mu = (found.ln_sum - r.ln()) / shape;
            // At the top Σ (t/η)^β = r.
            let log_likelihood =
                r * (shape.ln() - top - 1.0) + shape * (worn_sum - r * mu) - worn_sum;
            Some(Ok(Curve {
                shape,
                scale: (mu + top).exp(),
                log_likelihood,
            }))
        },
    )
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::models::kernel::Kernel;
    use crate::models::log_lives::LogLives;
    use crate::models::maximise::maximise;
    use crate::numerics::streams::stream;

    #[test]
    fn the_quick_way_ends_where_the_careful_one_does() {
        let mut room = Room::default();
        for replicate in 0..400 {
            let mut random = stream(21, replicate);
            let n = 2 + random.below(300);
            let shape = 0.3 * 100_f64.powf(random.uniform());
            let unit = 10_f64.powf(-6.0 + 18.0 * random.uniform());
            let mut lives = Observations::default();
            for _ in 0..n {
                let t = unit * random.exponential().powf(1.0 / shape);
                let stop = 1.5 * unit * random.uniform();
                let high = if t <= stop { t } else { f64::INFINITY };
                lives.push(t.min(stop), high, 0.0, 1.0);
            }
            let logs = LogLives::each(&lives);
            let careful = maximise(&logs, Kernel::SmallestExtreme);
            match (weibull(&lives, &mut room), careful) {
                (None, _) => {}
                (Some(Ok(quick)), Ok(careful)) => {
                    assert_relative_eq!(quick.shape, 1.0 / careful.sigma, max_relative = 1e-11);
                    let scale = (careful.mu + logs.shift).exp();
                    assert_relative_eq!(quick.scale, scale, max_relative = 1e-11);
                    assert_relative_eq!(
                        quick.log_likelihood,
                        careful.log_likelihood,
                        max_relative = 1e-11,
                        epsilon = 1e-9
                    );
                }
                (Some(quick), careful) => {
                    assert_eq!(quick.err(), careful.err(), "{lives:?}");
                }
            }
        }
    }
}
