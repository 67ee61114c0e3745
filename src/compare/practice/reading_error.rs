//! What a reading with error says of the true deflection.

use std::collections::BTreeMap;

/// Errors' widths looked at on either side of a reading, and points over them.
const REACH: f64 = 8.0;
const POINTS: usize = 161;
/// Rounds of the fit, and the change at which it stops.
const ROUNDS: usize = 2000;
const SETTLED: f64 = 1e-10;

/// Expected true values behind readings.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TrueValues {
    /// Mean of `x = ln(d / target)` given each reading.
    pub(super) x: Vec<f64>,
    /// Mean of x² given each reading.
    pub(super) square: Vec<f64>,
    /// Share of the variance of the readings' logarithms that is not reading error.
    pub(super) share_true: f64,
}

/// Expected x and x² of the true deflection behind each reading, inches, when a reading is the true
/// deflection plus a normal error of standard deviation `error_in` inches, and the true deflections are
/// lognormal; the two parameters of the lognormal are fitted to the readings (maximum likelihood, by
/// expectation and maximisation).
///
/// Regressing log life on these means is regression calibration (Carroll, Ruppert, Stefanski &
/// Crainiceanu 2006, chapter 4; from memory): `E[ln T | reading] = μ + b₁·E[x | reading] + b₂·E[x² | reading]`
/// holds exactly, since the life depends on the reading through the true value only.
///
/// None where the readings spread no more than their error.
pub(super) fn true_values(
    readings_in: &[f64],
    target_in: f64,
    error_in: f64,
) -> Option<TrueValues> {
    // Readings come in hundredths: each value is worked out once.
    let mut distinct: BTreeMap<u64, f64> = BTreeMap::new();
    for r in readings_in {
        // The bits of positive numbers are in the order of the numbers.
        *distinct.entry(r.to_bits()).or_default() += 1.0;
    }
    let total = readings_in.len() as f64;
    let kernels: Vec<Kernel> = distinct
        .iter()
        .map(|(&bits, &count)| Kernel::new(f64::from_bits(bits), count, target_in, error_in))
        .collect();
    let mean_of = |of: &dyn Fn(f64) -> f64| {
        let sum: f64 = kernels.iter().map(|k| k.count * of(k.read_x)).sum();
        sum / total
    };
    let mut mean = mean_of(&|x| x);
    let read_variance = mean_of(&|x| (x - mean).powi(2));
    let mut variance = read_variance;
    if variance <= 0.0 {
        return None;
    }
    for _ in 0..ROUNDS {
        let (mut first, mut second) = (0.0, 0.0);
        for k in &kernels {
            let [x, square] = k.means(mean, variance)?;
            first += k.count * x / total;
            second += k.count * square / total;
        }
        let next = second - first * first;
        let settled = (next - variance).abs() <= SETTLED * read_variance;
        (mean, variance) = (first, next);
        if settled {
            break;
        }
        if variance < 1e-4 * read_variance {
            return None;
        }
    }
    let of_reading: BTreeMap<u64, [f64; 2]> = kernels
        .iter()
        .map(|k| Some((k.read_in.to_bits(), k.means(mean, variance)?)))
        .collect::<Option<_>>()?;
    let (x, square) = readings_in
        .iter()
        .map(|r| of_reading[&r.to_bits()].into())
        .unzip();
    Some(TrueValues {
        x,
        square,
        share_true: variance / read_variance,
    })
}

/// True values that could stand behind one reading, weighted by the chance of the error.
struct Kernel {
    read_in: f64,
    read_x: f64,
    /// How many readings are alike.
    count: f64,
    /// x of the true value, and its weight against dx.
    points: Vec<[f64; 2]>,
}

impl Kernel {
    fn new(read_in: f64, count: f64, target_in: f64, error_in: f64) -> Self {
        let step = 2.0 * REACH / (POINTS - 1) as f64;
        let points = (0..POINTS)
            .map(|i| -REACH + step * i as f64)
            .map(|z| (z, read_in + error_in * z))
            .filter(|&(_, deflection)| deflection > 0.0)
            // dx = dd / d.
            .map(|(z, deflection)| {
                [
                    (deflection / target_in).ln(),
                    (-z * z / 2.0).exp() / deflection,
                ]
            })
            .collect();
        Self {
            read_in,
            read_x: (read_in / target_in).ln(),
            count,
            points,
        }
    }

    /// Mean of x and of x² given the reading, where true x are normal; None where no true value could
    /// stand behind it.
    fn means(&self, mean: f64, variance: f64) -> Option<[f64; 2]> {
        let (mut mass, mut first, mut second) = (0.0, 0.0, 0.0);
        for &[x, weight] in &self.points {
            let w = weight * (-(x - mean).powi(2) / (2.0 * variance)).exp();
            mass += w;
            first += w * x;
            second += w * x * x;
        }
        (mass > 0.0).then(|| [first / mass, second / mass])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::streams::stream;

    /// Readings of lognormal deflections, spread by 0.35 in ln d about the target, and their x.
    fn read(n: usize, error_in: f64) -> (Vec<f64>, Vec<f64>) {
        let mut s = stream(77, 0);
        (0..n)
            .map(|_| {
                let x = 0.35 * s.normal();
                let read = 0.25 * x.exp() + error_in * s.normal();
                (read.max(0.02), x)
            })
            .unzip()
    }

    #[test]
    fn without_error_a_reading_is_the_true_value() {
        let (readings, x) = read(200, 0.0);
        let found = true_values(&readings, 0.25, 1e-6).unwrap();
        for (found, x) in found.x.iter().zip(&x) {
            approx::assert_abs_diff_eq!(found, x, epsilon = 1e-4);
        }
        approx::assert_abs_diff_eq!(found.share_true, 1.0, epsilon = 1e-6);
    }

    #[test]
    fn expected_values_are_right_on_average_whatever_is_read() {
        // Simulation: among readings between two values, the true x and x² average to those expected.
        let (readings, x) = read(40_000, 0.05);
        let found = true_values(&readings, 0.25, 0.05).unwrap();
        for (low, high) in [
            (0.05, 0.15),
            (0.15, 0.2),
            (0.2, 0.3),
            (0.3, 0.4),
            (0.4, 0.6),
        ] {
            let inside: Vec<usize> = (0..readings.len())
                .filter(|&i| (low..high).contains(&readings[i]))
                .collect();
            let average = |of: &dyn Fn(usize) -> f64| {
                inside.iter().map(|&i| of(i)).sum::<f64>() / inside.len() as f64
            };
            let [first, second] = [average(&|i| x[i]), average(&|i| x[i] * x[i])];
            approx::assert_abs_diff_eq!(average(&|i| found.x[i]), first, epsilon = 0.015);
            approx::assert_abs_diff_eq!(average(&|i| found.square[i]), second, epsilon = 0.015);
        }
        let spread = found.share_true.sqrt() * deviation(&readings);
        approx::assert_abs_diff_eq!(spread, 0.35, epsilon = 0.01);
    }

    fn deviation(readings: &[f64]) -> f64 {
        let n = readings.len() as f64;
        let mean = readings.iter().map(|r| r.ln()).sum::<f64>() / n;
        (readings
            .iter()
            .map(|r| (r.ln() - mean).powi(2))
            .sum::<f64>()
            / n)
            .sqrt()
    }

    #[test]
    fn readings_that_spread_less_than_their_error_say_nothing() {
        let (readings, _) = read(50, 0.0);
        assert!(true_values(&readings, 0.25, 0.5).is_none_or(|t| t.share_true < 0.2));
        assert_eq!(true_values(&[0.25, 0.25], 0.25, 0.01), None);
    }
}
