//! Times of curves, tests between groups and regressions: `cargo bench --bench groups`. Absolute
//! times mean little on shared machines; the ratios to other tools on the same data do.

use divan::{Bencher, black_box};
use wearcast::compare::log_rank;
use wearcast::lives::Observations;
use wearcast::models::curve::{kaplan_meier, turnbull};
use wearcast::models::regression::{Covariate, RegressionRequest, regress};
use wearcast::numerics::streams::{Stream, stream};

fn main() {
    divan::main();
}

/// Weibull lives (shape 2.3, scale 1,500 h), some right-censored.
fn life(random: &mut Stream, ln_ratio: f64) -> (f64, f64) {
    let t = 1500.0 * ln_ratio.exp() * random.exponential().powf(1.0 / 2.3);
    let stop = 200.0 + 3300.0 * random.uniform();
    if t <= stop {
        (t, t)
    } else {
        (stop, f64::INFINITY)
    }
}

fn lives(n: usize) -> Observations {
    let mut random = stream(7, 0);
    let mut lives = Observations::default();
    for _ in 0..n {
        let (low, high) = life(&mut random, 0.0);
        lives.push(low, high, 0.0, 1.0);
    }
    lives
}

#[divan::bench(sample_count = 20)]
fn kaplan_meier_of_a_million(bencher: Bencher) {
    let lives = lives(1_000_000);
    bencher.bench(|| kaplan_meier(black_box(&lives), 0.95));
}

#[divan::bench(sample_count = 20)]
fn log_rank_of_a_million(bencher: Bencher) {
    let lives = lives(1_000_000);
    let group: Vec<u32> = (0..1_000_000).map(|i| i % 2).collect();
    bencher.bench(|| log_rank(black_box(&lives), &group, 2, None));
}

#[divan::bench(sample_count = 5)]
fn turnbull_of_ten_thousand_intervals(bencher: Bencher) {
    let mut random = stream(8, 0);
    let mut lives = Observations::default();
    for _ in 0..10_000 {
        let (t, _) = life(&mut random, 0.0);
        let step = 100.0 + 500.0 * random.uniform();
        let low = ((t / step).floor() * step).round();
        let high = if random.uniform() < 0.2 {
            f64::INFINITY
        } else {
            low + step.round()
        };
        lives.push(low, high, 0.0, 1.0);
    }
    bencher.bench(|| turnbull(black_box(&lives), 0.95));
}

#[divan::bench(sample_count = 5)]
fn regression_of_a_million_on_three(bencher: Bencher) {
    let mut random = stream(9, 0);
    let mut lives = Observations::default();
    let mut x = [Vec::new(), Vec::new(), Vec::new()];
    for _ in 0..1_000_000 {
        let values = [random.normal(), random.normal(), random.below(2) as f64];
        let (low, high) = life(
            &mut random,
            0.3 * values[0] - 0.2 * values[1] + 0.15 * values[2],
        );
        lives.push(low, high, 0.0, 1.0);
        for (column, value) in x.iter_mut().zip(values) {
            column.push(value);
        }
    }
    let names = ["x1", "x2", "x3"];
    let covariates = names
        .iter()
        .zip(x)
        .map(|(name, x)| Covariate::number(name, x))
        .collect();
    let request = RegressionRequest::weibull(covariates);
    bencher.bench(|| regress(black_box(&lives), black_box(&request)));
}
