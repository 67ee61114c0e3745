use approx::{assert_abs_diff_eq, assert_relative_eq};

use super::*;
use crate::models::curve::kaplan_meier;

const INF: f64 = f64::INFINITY;

fn lives(rows: &[(f64, f64, f64)]) -> Observations {
    Observations {
        low: rows.iter().map(|r| r.0).collect(),
        high: rows.iter().map(|r| r.1).collect(),
        count: rows.iter().map(|r| r.2).collect(),
        entry: Vec::new(),
        unplaced: Vec::new(),
    }
}

/// Cracks in 432 turbine wheels, each inspected once (Nelson 1982, from memory); expected values
/// by pool-adjacent-violators with scipy 1.17.1.
#[test]
fn turbine_wheels_agree_with_pooling_of_violators() {
    let rows = [
        (4., 39., 0.),
        (10., 49., 4.),
        (14., 31., 2.),
        (18., 66., 7.),
        (22., 25., 5.),
        (26., 30., 9.),
        (30., 33., 9.),
        (34., 7., 6.),
        (38., 12., 22.),
        (42., 19., 21.),
        (46., 15., 21.),
    ];
    let mut data = Vec::new();
    for (hours, good, cracked) in rows {
        data.push((hours, INF, good));
        if cracked > 0.0 {
            data.push((0.0, hours, cracked));
        }
    }
    let curve = turnbull(&lives(&data), 0.95).unwrap();
    for (hours, share) in [
        (4., 0.),
        (10., 0.0697674418605),
        (14., 0.0697674418605),
        (18., 0.0958904109589),
        (22., 0.166666666667),
        (26., 0.222222222222),
        (30., 0.222222222222),
        (34., 0.461538461538),
        (38., 0.581081081081),
        (42., 0.581081081081),
        (46., 0.583333333333),
    ] {
        let reliability = curve.reliability_at(hours).unwrap();
        assert_abs_diff_eq!(1.0 - reliability, share, epsilon = 1e-7);
    }
    assert!(curve.convergence.unwrap().gap < 1e-9);
}

/// 300 heat-exchanger tubes (Meeker & Escobar 1998, tables 3.2 and 3.4, from memory, confirmed by
/// recomputation with scipy 1.17.1).
#[test]
fn heat_exchanger_tubes_have_greenwood_errors_on_a_grid() {
    let curve = turnbull(
        &lives(&[
            (0., 1., 4.),
            (1., 2., 5.),
            (2., 3., 2.),
            (1., INF, 99.),
            (2., INF, 95.),
            (3., INF, 95.),
        ]),
        0.95,
    )
    .unwrap();
    for (hours, share, error) in [
        (1., 0.0133333333333, 0.00662207307811),
        (2., 0.0383756345178, 0.0128021151962),
        (3., 0.0582029410226, 0.0187006295033),
    ] {
        let point = curve.point_at(hours).unwrap();
        assert_abs_diff_eq!(1.0 - point.reliability, share, epsilon = 1e-10);
        assert_relative_eq!(point.standard_error.unwrap(), error, max_relative = 1e-8);
    }
    assert_eq!(curve.steps[0].at_risk.round(), 300.0);
    assert_eq!(curve.steps[0].worn.round(), 4.0);
}

fn random(seed: u64, n: usize, exact_share: f64, late: bool) -> Observations {
    use rand::{RngExt, SeedableRng};
    let mut rng = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut lives = Observations::default();
    for _ in 0..n {
        let t = 1500.0 * (-f64::ln(rng.random::<f64>())).powf(1.0 / 2.3) + 1.0;
        let entry = if late {
            (rng.random::<f64>() * t * 1.2 - 0.3 * t).clamp(0.0, 0.9 * t)
        } else {
            0.0
        };
        let (mut low, mut high) = (t, t);
        if rng.random::<f64>() >= exact_share {
            let step = 100.0 + 500.0 * rng.random::<f64>();
            let offset = step * rng.random::<f64>();
            let k = ((t - offset) / step).floor();
            low = if k < 0.0 {
                0.0
            } else {
                (offset + k * step).round()
            };
            high = (offset + (k + 1.0) * step).round().max(low + 1.0);
        }
        if rng.random::<f64>() < 0.2 && low > entry {
            high = INF;
        }
        lives.low.push(low);
        lives.high.push(high.max(entry + 1.0));
        lives.entry.push(entry);
        lives.count.push(1.0);
    }
    lives
}

#[test]
fn the_optimality_gap_closes_on_random_lives_of_every_kind() {
    for seed in 0..40 {
        let data = random(
            seed,
            5 + 7 * seed as usize,
            0.3 * f64::from(seed as u32 % 3),
            seed % 2 == 1,
        );
        let curve = turnbull(&data, 0.95).unwrap();
        let convergence = curve.convergence.unwrap();
        assert!(convergence.gap < 1e-6, "seed {seed}: {convergence:?}");
        assert!(
            curve
                .steps
                .windows(2)
                .all(|w| w[0].reliability >= w[1].reliability)
        );
        assert!(
            curve
                .steps
                .iter()
                .all(|s| (0.0..=1.0).contains(&s.reliability))
        );
    }
}

#[test]
fn exact_and_censored_lives_with_late_entry_give_kaplan_meier() {
    let mut data = random(3, 60, 1.0, true);
    // A first worn life while many are watched, so that the early curve is not at 0.
    data.entry.iter_mut().take(20).for_each(|e| *e = 0.0);
    let (a, b) = (
        turnbull(&data, 0.95).unwrap(),
        kaplan_meier(&data, 0.95).unwrap(),
    );
    for step in &b.steps {
        let other = a.step_at(step.hours).unwrap();
        assert_abs_diff_eq!(other.reliability, step.reliability, epsilon = 1e-6);
        if let (Some(x), Some(y)) = (other.log_variance(), step.log_variance()) {
            assert_relative_eq!(x, y, max_relative = 1e-4);
        }
    }
}

#[test]
fn when_none_outlives_the_last_bound_the_curve_ends_at_zero() {
    let curve = turnbull(&lives(&[(0., 2., 1.), (1., 3., 1.), (5., 9., 2.)]), 0.95).unwrap();
    let last = curve.steps.last().unwrap();
    assert_eq!(
        (last.from_hours, last.hours, last.reliability),
        (5.0, 9.0, 0.0)
    );
    assert_abs_diff_eq!(curve.reliability_at(3.0).unwrap(), 0.5, epsilon = 1e-9);
}

#[test]
#[ignore = "timing by hand: cargo test --release -- --ignored turnbull_ten_thousand"]
fn turnbull_ten_thousand() {
    for n in [1_000, 10_000] {
        let data = random(12, n, 0.0, false);
        let start = std::time::Instant::now();
        let curve = turnbull(&data, 0.95).unwrap();
        println!(
            "{n}: {:?} {:?} {}",
            start.elapsed(),
            curve.convergence,
            curve.steps.len()
        );
    }
}
