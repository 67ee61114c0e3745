//! Every family, every mix of censoring, every kind of interval, a second way: the likelihood written
//! out from the distribution functions (statrs for the normal one), its maximum looked for by
//! differences, and limits read off a plain grid over (μ, ln σ).

use statrs::distribution::{ContinuousCDF, Normal};

use super::*;
use crate::lives::Observations;

/// `(low, high, entry)` of lives made up for this; ages in hours.
type Row = (f64, f64, f64);
const RUNNING: f64 = f64::INFINITY;
const EXACT: [Row; 9] = [
    (110.0, 110.0, 0.0),
    (190.0, 190.0, 0.0),
    (240.0, 240.0, 0.0),
    (310.0, 310.0, 0.0),
    (330.0, 330.0, 0.0),
    (420.0, 420.0, 0.0),
    (470.0, 470.0, 0.0),
    (640.0, 640.0, 0.0),
    (810.0, 810.0, 0.0),
];
const RIGHT: [Row; 4] = [
    (200.0, RUNNING, 0.0),
    (450.0, RUNNING, 0.0),
    (700.0, RUNNING, 0.0),
    (700.0, RUNNING, 0.0),
];
const LEFT: [Row; 2] = [(0.0, 250.0, 0.0), (0.0, 500.0, 0.0)];
const BETWEEN: [Row; 3] = [
    (300.0, 400.0, 0.0),
    (500.0, 700.0, 0.0),
    (100.0, 300.0, 0.0),
];
const LATE: [Row; 3] = [
    (380.0, 380.0, 150.0),
    (550.0, RUNNING, 300.0),
    (600.0, 750.0, 400.0),
];

fn mixes() -> Vec<(&'static str, Vec<Row>)> {
    vec![
        ("exact", EXACT.to_vec()),
        ("right", [&EXACT[..], &RIGHT].concat()),
        ("left", [&EXACT[..], &LEFT].concat()),
        ("between", [&EXACT[..], &BETWEEN].concat()),
        ("late entry", [&EXACT[..], &LATE].concat()),
        ("all", [&EXACT[..], &RIGHT, &LEFT, &BETWEEN, &LATE].concat()),
        (
            "only bounds",
            [&RIGHT[..], &LEFT, &BETWEEN, &BETWEEN].concat(),
        ),
    ]
}

/// The family's distribution of `ln t`, by its own formula.
struct Plain {
    family: Family,
    normal: Normal,
}

impl Plain {
    /// ln f(t), the density in hours.
    fn ln_density(&self, t: f64, mu: f64, sigma: f64) -> f64 {
        let z = (t.ln() - mu) / sigma;
        let standard = match self.family {
            Family::Lognormal => -0.5 * z * z - 0.5 * (2.0 * std::f64::consts::PI).ln(),
            Family::Loglogistic => z - 2.0 * (1.0 + z.exp()).ln(),
            _ => z - z.exp(),
        };
        standard - sigma.ln() - t.ln()
    }

    /// S(t).
    fn survival(&self, t: f64, mu: f64, sigma: f64) -> f64 {
        if t <= 0.0 {
            return 1.0;
        }
        let z = (t.ln() - mu) / sigma;
        match self.family {
            Family::Lognormal => self.normal.sf(z),
            Family::Loglogistic => 1.0 / (1.0 + z.exp()),
            _ => (-z.exp()).exp(),
        }
    }

    fn value(&self, rows: &[Row], mu: f64, sigma: f64) -> f64 {
        let one = |&(low, high, entry): &Row| {
            let seen = if low == high {
                self.ln_density(low, mu, sigma)
            } else {
                let beyond = if high == RUNNING {
                    0.0
                } else {
                    self.survival(high, mu, sigma)
                };
                // Nothing is learnt below the age of entry.
                (self.survival(low.max(entry), mu, sigma) - beyond).ln()
            };
            seen - self.survival(entry, mu, sigma).ln()
        };
        let sum: f64 = rows.iter().map(one).sum();
        // Far out, zero over zero: the likelihood there is as good as nothing.
        if sum.is_nan() { f64::NEG_INFINITY } else { sum }
    }

    /// The p-quantile of the standard distribution of ln t.
    fn standard_quantile(&self, p: f64) -> f64 {
        match self.family {
            Family::Lognormal => self.normal.inverse_cdf(p),
            Family::Loglogistic => (p / (1.0 - p)).ln(),
            _ => (-(1.0 - p).ln()).ln(),
        }
    }
}

/// μ, σ and their limits, and those of B10, from a fit.
struct Told {
    mu: f64,
    sigma: f64,
    ln_sigma: [f64; 2],
    ln_b10: [f64; 2],
}

fn told(lives: &Observations, family: Family, interval: IntervalMethod) -> Told {
    let asked = FitRequest {
        family,
        interval,
        confidence: 0.9,
        ..FitRequest::weibull()
    };
    let found = fit(lives, &asked).unwrap();
    let of = |name: &str| found.parameters.iter().find(|p| p.name == name);
    let limits = |p: &Estimate| [p.lower.unwrap(), p.upper.unwrap()];
    let (mu, sigma, ln_sigma) = match (of("mu"), of("sigma"), of("shape"), of("scale")) {
        (Some(mu), Some(sigma), ..) => {
            let [low, high] = limits(sigma);
            (
                mu.estimate.unwrap(),
                sigma.estimate.unwrap(),
                [low.ln(), high.ln()],
            )
        }
        (.., Some(shape), Some(scale)) => {
            let [low, high] = limits(shape);
            let sigma = shape.estimate.unwrap().recip();
            (scale.estimate.unwrap().ln(), sigma, [-high.ln(), -low.ln()])
        }
        (.., Some(scale)) => (scale.estimate.unwrap().ln(), 1.0, [0.0, 0.0]),
        _ => panic!("{family:?}"),
    };
    let b10 = &found.quantiles[0];
    Told {
        mu,
        sigma,
        ln_sigma,
        ln_b10: [b10.lower.unwrap().ln(), b10.upper.unwrap().ln()],
    }
}

/// Limits by another way must lie this close, in widths of the interval.
fn close(ours: [f64; 2], other: [f64; 2], share: f64, what: &str) {
    let width = other[1] - other[0];
    for (a, b) in ours.iter().zip(other) {
        assert!(
            (a - b).abs() <= share * width + 1e-12,
            "{what}: {ours:?}, not {other:?}"
        );
    }
}

/// Smallest and greatest of some values.
fn span(values: impl Iterator<Item = f64>) -> [f64; 2] {
    values.fold([f64::INFINITY, f64::NEG_INFINITY], |[a, b], v| {
        [a.min(v), b.max(v)]
    })
}

fn weighted_limits(mut values: Vec<(f64, f64)>, tail: f64) -> [f64; 2] {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = values.iter().map(|v| v.1).sum();
    let at = |p: f64| {
        let mut sum = 0.0;
        let found = values.iter().find(|v| {
            sum += v.1;
            sum >= p * total
        });
        found.unwrap().0
    };
    [at(tail), at(1.0 - tail)]
}

/// 5 % and 95 % normal quantile, and the chi-square (1) quantile of 0.9, from tables.
const Z: f64 = 1.644_853_626_951_472_7;
const CHI_SQUARE: f64 = 2.705_543_454_095_404;
const CELLS: i32 = 160;

fn check(family: Family, name: &str, rows: &[Row]) {
    let plain = Plain {
        family,
        normal: Normal::new(0.0, 1.0).unwrap(),
    };
    let mut lives = Observations::default();
    for &(low, high, entry) in rows {
        lives.push(low, high, entry, 1.0);
    }
    let free = family != Family::Exponential;
    let what = |kind: &str| format!("{family:?}, {name}, {kind}");
    let at = |mu: f64, s: f64| plain.value(rows, mu, s.exp());
    let c = plain.standard_quantile(0.1);

    // The maximum, and errors, by central differences.
    let wald = told(&lives, family, IntervalMethod::Wald);
    let (mu, s) = (wald.mu, wald.sigma.ln());
    let h = 1e-3;
    let (top, right, left) = (at(mu, s), at(mu + h, s), at(mu - h, s));
    let (up, down) = (at(mu, s + h), at(mu, s - h));
    let (aa, bb) = (
        (right - 2.0 * top + left) / (h * h),
        (up - 2.0 * top + down) / (h * h),
    );
    let cross = at(mu + h, s + h) - at(mu + h, s - h) - at(mu - h, s + h) + at(mu - h, s - h);
    let ab = cross / (4.0 * h * h);
    assert!(
        ((right - left) / (2.0 * h)).abs() < 1e-3 * aa.abs(),
        "{}",
        what("slope")
    );
    let (vaa, vab, vbb) = if free {
        assert!(
            ((up - down) / (2.0 * h)).abs() < 1e-3 * bb.abs(),
            "{}",
            what("slope")
        );
        let d = aa * bb - ab * ab;
        (-bb / d, ab / d, -aa / d)
    } else {
        (-1.0 / aa, 0.0, 0.0)
    };
    let d = c * wald.sigma;
    let error = (vaa + 2.0 * d * vab + d * d * vbb).sqrt();
    let middle = mu + c * wald.sigma;
    close(
        wald.ln_b10,
        [middle - Z * error, middle + Z * error],
        1e-3,
        &what("Wald B10"),
    );
    let reach = Z * vbb.sqrt();
    close(
        wald.ln_sigma,
        [s - reach, s + reach],
        1e-3,
        &what("Wald sigma"),
    );

    // A grid of eight errors to each side, wider above for the heavy side of the spread.
    let (em, es) = (vaa.sqrt(), vbb.sqrt());
    let sides = |k: i32, span: f64| f64::from(k) / f64::from(CELLS) * span;
    let spreads: Vec<f64> = if free {
        (-CELLS..=2 * CELLS)
            .map(|k| s + sides(k, 5.5 * es))
            .collect()
    } else {
        vec![0.0]
    };
    let cells: Vec<(f64, f64, f64)> = spreads
        .iter()
        .flat_map(|&s| {
            // Given σ, μ strays in proportion to σ.
            let stretch = (s - wald.sigma.ln()).exp().max(1.0);
            (-CELLS..=CELLS).map(move |k| (mu + sides(k, 8.0 * em * stretch), s, stretch))
        })
        .map(|(m, s, stretch)| (m, s, (at(m, s) - top) + stretch.ln()))
        .collect();
    let height = |cell: &&(f64, f64, f64)| {
        let stretch = (cell.1 - wald.sigma.ln()).exp().max(1.0);
        cell.2 - stretch.ln() >= -0.5 * CHI_SQUARE
    };
    let b10 = |cell: &(f64, f64, f64)| cell.0 + c * cell.1.exp();
    let ratio = told(&lives, family, IntervalMethod::Likelihood);
    close(
        ratio.ln_b10,
        span(cells.iter().filter(height).map(b10)),
        0.02,
        &what("likelihood B10"),
    );
    if free {
        let spread = span(cells.iter().filter(height).map(|cell| cell.1));
        close(ratio.ln_sigma, spread, 0.02, &what("likelihood sigma"));
    }
    let posterior = told(&lives, family, IntervalMethod::Posterior);
    let weighted = |of: &dyn Fn(&(f64, f64, f64)) -> f64| {
        let values = cells.iter().map(|cell| (of(cell), cell.2.exp()));
        weighted_limits(values.collect(), 0.05)
    };
    close(
        posterior.ln_b10,
        weighted(&b10),
        0.012,
        &what("posterior B10"),
    );
    if free {
        close(
            posterior.ln_sigma,
            weighted(&|cell| cell.1),
            0.012,
            &what("posterior sigma"),
        );
    }
}

#[test]
fn weibull_limits_a_second_way() {
    for (name, rows) in mixes() {
        check(Family::Weibull, name, &rows);
    }
}

#[test]
fn lognormal_limits_a_second_way() {
    for (name, rows) in mixes() {
        check(Family::Lognormal, name, &rows);
    }
}

#[test]
fn loglogistic_limits_a_second_way() {
    for (name, rows) in mixes() {
        check(Family::Loglogistic, name, &rows);
    }
}

#[test]
fn exponential_limits_a_second_way() {
    for (name, rows) in mixes() {
        check(Family::Exponential, name, &rows);
    }
}
