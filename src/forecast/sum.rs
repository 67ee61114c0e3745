//! The number of parts that many positions need together, under one curve.

use super::counts::Counts;
use super::firsts::Firsts;

/// Up to so many positions are summed by convolution.
const FEW: u32 = 90;

/// Above this variance the sum is taken from its cumulants.
const MANY: f64 = 90.0;

/// Chances below this are left off at the upper end.
const NEGLIGIBLE: f64 = 1e-14;

/// Distribution of what all positions need together: `row(g, i)` is `P(N ≥ n)`, n = 1, 2, …, of first life
/// i of group g.
///
/// By convolution; where the variance is above 90, from the first five cumulants, which
/// add: the Edgeworth series of lattice variables up to the order −3/2 (Kolassa and `McCullagh`, Annals of
/// Statistics 18, 1990: for whole numbers the series for the density gives the probabilities). What is
/// left out is of the order of the fourth power of 1/sd: below 1e-5 in a cumulative probability.
pub(super) fn total<'b>(firsts: &[Firsts], row: impl Fn(usize, usize) -> &'b [f64]) -> Counts {
    let any = |g: usize| (0..firsts[g].lives.len()).any(|i| !row(g, i).is_empty());
    let needing: Vec<usize> = (0..firsts.len()).filter(|g| any(*g)).collect();
    let count: u32 = needing.iter().map(|g| firsts[*g].count).sum();
    if count > FEW {
        let mut cumulants = [0.0; 5];
        for &g in &needing {
            for (i, share) in firsts[g].shares.iter().enumerate() {
                add_cumulants(&mut cumulants, row(g, i), *share);
            }
        }
        if cumulants[1] > MANY {
            return series(&cumulants);
        }
    }
    let mut sum = vec![1.0];
    let (mut next, mut own, mut buffer) = (Vec::new(), Vec::new(), Vec::new());
    for &g in &needing {
        for place in &firsts[g].places {
            probabilities(place.row(|i| row(g, i), &mut buffer), &mut own);
            if own.len() < 2 {
                continue;
            }
            for _ in 0..place.alike {
                next.clear();
                next.resize(sum.len() + own.len() - 1, 0.0);
                for (shift, p) in own.iter().enumerate() {
                    for (to, from) in next[shift..].iter_mut().zip(&sum) {
                        *to += p * from;
                    }
                }
                while next.len() > 1 && next[next.len() - 1] < NEGLIGIBLE {
                    next.pop();
                }
                std::mem::swap(&mut sum, &mut next);
            }
        }
    }
    Counts::from_weights(sum)
}

/// From `P(N ≥ n)` to `P(N = n)`, undoing what extrapolation may have put out of order.
fn probabilities(at_least: &[f64], own: &mut Vec<f64>) {
    own.clear();
    let mut before = 1.0_f64;
    for &p in at_least {
        let here = p.clamp(0.0, before);
        own.push(before - here);
        before = here;
        if here <= 0.0 {
            return;
        }
    }
    own.push(before);
}

/// Adds the cumulants of one position times its share.
fn add_cumulants(sum: &mut [f64; 5], at_least: &[f64], share: f64) {
    // E N^r = Σ_{n≥1} (n^r − (n−1)^r) P(N ≥ n).
    let mut m = [0.0; 5];
    let mut before = 1.0_f64;
    for (i, &p) in at_least.iter().enumerate() {
        before = p.clamp(0.0, before);
        let (n, less) = ((i + 1) as f64, i as f64);
        let (mut high, mut low) = (1.0, 1.0);
        for m in &mut m {
            (high, low) = (high * n, low * less);
            *m += (high - low) * before;
        }
    }
    let [a, b, c, d, e] = m;
    let a2 = a * a;
    sum[0] += share * a;
    sum[1] += share * (b - a2);
    sum[2] += share * (c - 3.0 * b * a + 2.0 * a2 * a);
    sum[3] += share * (d - 4.0 * c * a - 3.0 * b * b + 12.0 * b * a2 - 6.0 * a2 * a2);
    sum[4] += share
        * (e - 5.0 * d * a - 10.0 * c * b + 20.0 * c * a2 + 30.0 * b * b * a - 60.0 * b * a2 * a
            + 24.0 * a2 * a2 * a);
}

fn series(cumulants: &[f64; 5]) -> Counts {
    let [mean, variance, k3, k4, k5] = *cumulants;
    let sd = variance.sqrt();
    let (s, k, q) = (k3 / sd.powi(3), k4 / sd.powi(4), k5 / sd.powi(5));
    let first = (mean - 9.0 * sd).floor().max(0.0) as usize;
    let last = (mean + 10.0 * sd).ceil() as usize;
    let mut weights = vec![0.0; last + 1];
    for (n, weight) in weights.iter_mut().enumerate().skip(first) {
        let z = (n as f64 - mean) / sd;
        let z2 = z * z;
        let h3 = z * (z2 - 3.0);
        let h4 = z2 * (z2 - 6.0) + 3.0;
        let h5 = z * (z2 * (z2 - 10.0) + 15.0);
        let h6 = z2 * (z2 * (z2 - 15.0) + 45.0) - 15.0;
        let h7 = z * (z2 * (z2 * (z2 - 21.0) + 105.0) - 105.0);
        let h9 = z * (z2 * (z2 * (z2 * (z2 - 36.0) + 378.0) - 1260.0) + 945.0);
        let bend = 1.0
            + s / 6.0 * h3
            + k / 24.0 * h4
            + s * s / 72.0 * h6
            + q / 120.0 * h5
            + s * k / 144.0 * h7
            + s.powi(3) / 1296.0 * h9;
        *weight = ((-0.5 * z2).exp() * bend).max(0.0);
    }
    Counts::from_weights(weights)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series against the convolution: positions that need up to three parts, of many kinds.
    #[test]
    fn many_positions_by_cumulants_as_by_convolution() {
        for (positions, scale) in [(150_u32, 1.0), (260, 0.55), (900, 0.12)] {
            let rows: Vec<[f64; 3]> = (0..positions)
                .map(|i| {
                    let p = scale * (0.35 + 0.6 * f64::from(i % 17) / 17.0);
                    [p, 0.6 * p * p, 0.2 * p * p * p]
                })
                .collect();
            let mut cumulants = [0.0; 5];
            let mut exact = Counts::none();
            for row in &rows {
                add_cumulants(&mut cumulants, row, 1.0);
                exact = exact.plus(&Counts::from_at_least(row));
            }
            let off = series(&cumulants).furthest_from(&exact);
            assert!((cumulants[0] - exact.mean()).abs() < 1e-6);
            assert!((cumulants[1] - exact.variance()).abs() < 1e-4);
            let bound = if cumulants[1] > 60.0 { 1e-5 } else { 4e-5 };
            assert!(off < bound, "variance {}: off by {off}", cumulants[1]);
        }
    }
}
