//! Times of fits: `cargo bench --bench models`. Absolute times mean little on shared machines; the
//! ratios to other tools on the same data do.

use divan::{Bencher, black_box};
use wearcast::lives::Observations;
use wearcast::models::{
    Family, FitRequest, IntervalMethod, Method, PlotPosition, estimate, estimate_each, fit,
};
use wearcast::numerics::streams::stream;

fn main() {
    divan::main();
}

/// Weibull lives (shape 1.8, scale 1,000 h), a good third right-censored.
fn sample(n: usize, replicate: u64, whole_hours: bool) -> Observations {
    let mut random = stream(12, replicate);
    let mut lives = Observations::default();
    for _ in 0..n {
        let mut t = 1000.0 * random.exponential().powf(1.0 / 1.8);
        let mut stop = 1500.0 * random.uniform();
        if whole_hours {
            (t, stop) = (t.ceil(), stop.ceil());
        }
        let high = if t <= stop { t } else { f64::INFINITY };
        lives.push(t.min(stop), high, 0.0, 1.0);
    }
    lives
}

fn request(interval: IntervalMethod) -> FitRequest {
    FitRequest {
        family: Family::Weibull,
        method: Method::Likelihood,
        interval,
        confidence: 0.95,
        at_probability: vec![0.1, 0.5],
        at_hours: vec![500.0],
        known_shape: None,
        belief: None,
        plot_position: PlotPosition::MedianRank,
    }
}

#[divan::bench(sample_count = 20)]
fn weibull_a_million_right_censored(bencher: Bencher) {
    let lives = sample(1_000_000, 0, false);
    bencher.bench(|| estimate(black_box(&lives), Family::Weibull));
}

#[divan::bench(sample_count = 20)]
fn weibull_a_million_in_whole_hours(bencher: Bencher) {
    let lives = sample(1_000_000, 0, true);
    bencher.bench(|| estimate(black_box(&lives), Family::Weibull));
}

#[divan::bench(sample_count = 20)]
fn lognormal_a_million_right_censored(bencher: Bencher) {
    let lives = sample(1_000_000, 0, false);
    bencher.bench(|| estimate(black_box(&lives), Family::Lognormal));
}

#[divan::bench(sample_count = 20)]
fn ten_thousand_fits_of_a_hundred(bencher: Bencher) {
    let groups: Vec<Observations> = (0..10_000).map(|k| sample(100, k, false)).collect();
    bencher.bench(|| estimate_each(black_box(&groups), Family::Weibull));
}

#[divan::bench(sample_count = 20)]
fn interval_censored_a_hundred_thousand(bencher: Bencher) {
    let exact = sample(100_000, 0, false);
    let mut lives = Observations::default();
    let mut random = stream(13, 0);
    for t in exact.low {
        let look = 100.0 + 200.0 * random.uniform();
        let low = (t / look).floor() * look;
        lives.push(low, low + look, 0.0, 1.0);
    }
    bencher.bench(|| estimate(black_box(&lives), Family::Weibull));
}

#[divan::bench(sample_count = 20)]
fn two_thousand_reweighted_refits_of_a_hundred(bencher: Bencher) {
    let lives = sample(100, 0, false);
    let asked = request(IntervalMethod::Bootstrap);
    bencher.bench(|| fit(black_box(&lives), &asked));
}

#[divan::bench(args = [IntervalMethod::Wald, IntervalMethod::Likelihood, IntervalMethod::Posterior], sample_count = 20)]
fn a_whole_fit_of_a_thousand(bencher: Bencher, interval: IntervalMethod) {
    let lives = sample(1000, 0, false);
    let asked = request(interval);
    bencher.bench(|| fit(black_box(&lives), &asked));
}
