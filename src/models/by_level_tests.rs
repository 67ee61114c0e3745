use super::*;
use crate::models::{Basis, life_model, life_model_by_level};
use crate::numerics::special::normal_quantile;
use crate::records::{BelievedLife, Part};

/// `(low, high)` of each life, from new.
fn level(name: &str, lives: &[(f64, f64)]) -> LevelLives {
    let mut of = Observations::default();
    for (low, high) in lives {
        of.push(*low, *high, 0.0, 1.0);
    }
    LevelLives {
        name: name.to_owned(),
        lives: of,
    }
}

/// Quantiles of Student's t with 4 degrees of freedom from printed tables: 0.95, 0.975, 0.99.
#[test]
fn student_of_four() {
    for (p, t) in [
        (0.95, 2.132),
        (0.975, 2.776),
        (0.99, 3.747),
        (0.05, -2.132),
        (0.5, 0.0),
    ] {
        assert!((student_4(p) - t).abs() < 5e-4, "{p}");
    }
}

const RUNNING: f64 = f64::INFINITY;

fn small() -> [LevelLives; 2] {
    [
        level(
            "1/2",
            &[
                (210.0, 210.0),
                (330.0, 330.0),
                (415.0, 415.0),
                (120.0, RUNNING),
            ],
        ),
        level("3/4", &[(95.0, 95.0), (160.0, 160.0), (140.0, RUNNING)]),
    ]
}

fn bounded() -> [LevelLives; 2] {
    [
        level(
            "a",
            &[(180.0, 230.0), (300.0, 360.0), (0.0, 400.0), (420.0, 420.0)],
        ),
        level("b", &[(80.0, 130.0), (150.0, RUNNING)]),
    ]
}

/// Likelihood of one life written out.
fn likelihood((low, high): (f64, f64), shape: f64, ln_scale: f64) -> f64 {
    let survival = |t: f64| {
        if t == 0.0 {
            1.0
        } else {
            (-(shape * (t.ln() - ln_scale)).exp()).exp()
        }
    };
    if low == high {
        shape * (shape * (low.ln() - ln_scale)).exp() / low * survival(low)
    } else if high == RUNNING {
        survival(low)
    } else {
        survival(low) - survival(high)
    }
}

/// A second way: the whole density on a grid of (ln β, ln η₁, ln η₂), and averages of some functions over it.
fn by_grid(
    levels: &[LevelLives; 2],
    spread: f64,
    of: impl Fn(f64, [f64; 2]) -> Vec<f64>,
) -> Vec<f64> {
    let (mut sums, mut total) = (Vec::new(), 0.0);
    let steps = |from: f64, to: f64, n: usize| -> Vec<f64> {
        let step = (to - from) / n as f64;
        (0..=n).map(|i| from + step * i as f64).collect()
    };
    for x in steps(-1.8, 2.6, 44) {
        let shape = x.exp();
        let each = |level: &LevelLives| -> Vec<(f64, f64)> {
            let lives = &level.lives;
            let value = |m: f64| {
                let rows = lives.low.iter().zip(&lives.high);
                rows.map(|(l, h)| likelihood((*l, *h), shape, m))
                    .product::<f64>()
            };
            steps(2.5, 9.5, 100)
                .into_iter()
                .map(|m| (m, value(m)))
                .collect()
        };
        let [first, second] = [each(&levels[0]), each(&levels[1])];
        for (a, in_a) in &first {
            for (b, in_b) in &second {
                // Deviations from the mean of the two: squares sum to half the squared difference.
                let apart = 0.5 * (a - b).powi(2);
                let density = in_a * in_b * (-0.5 * apart / (spread * spread)).exp();
                if density > 0.0 {
                    let values = of(shape, [*a, *b]);
                    sums.resize(values.len(), 0.0);
                    for (sum, value) in sums.iter_mut().zip(&values) {
                        *sum += density * value;
                    }
                    total += density;
                }
            }
        }
    }
    sums.iter().map(|sum| sum / total).collect()
}

/// Chances to outlast some ages at each level, and mean and square of the log ratio.
fn asked(shape: f64, ln_scales: [f64; 2]) -> Vec<f64> {
    let mut values = Vec::new();
    for m in ln_scales {
        for t in [60.0_f64, 150.0, 300.0, 600.0] {
            values.push((-(shape * (t.ln() - m)).exp()).exp());
        }
    }
    let ratio = ln_scales[1] - ln_scales[0];
    values.extend([ratio, ratio * ratio]);
    values
}

fn ours(levels: &[LevelLives], spread: f64) -> Vec<f64> {
    let (alternatives, _) = by_level(levels, 0, None, spread).unwrap();
    let mut sums = vec![0.0; 10];
    for alternative in &alternatives {
        for node in &alternative.nodes {
            let m = |level: usize| (node.scale / alternative.pace[level]).ln();
            let values = asked(node.shape, [m(0), m(1)]);
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += alternative.weight * node.weight * value;
            }
        }
    }
    sums
}

#[test]
fn two_levels_as_on_a_grid() {
    for (levels, spread) in [(small(), 0.42), (small(), 1.5), (bounded(), 0.42)] {
        let (ours, grid) = (ours(&levels, spread), by_grid(&levels, spread, asked));
        for (k, (a, b)) in ours.iter().zip(&grid).enumerate() {
            assert!((a - b).abs() < 2e-3, "{k} of {spread}: {a} {b}");
        }
    }
}

/// A level without a life is the others' mean, and apart from it by its own spread and what the mean of so few
/// leaves open: `ln η₃ | others ~ N(mean, s²(1 + 1/2))`. On the grid, with the normal by its quantiles.
#[test]
fn a_level_without_lives_is_as_wide_as_its_spread() {
    let spread = 0.42;
    let [a, b] = small();
    let third = |shape: f64, m: [f64; 2]| -> Vec<f64> {
        let middle = 0.5 * (m[0] + m[1]);
        let sd = spread * 1.5_f64.sqrt();
        let draws: Vec<f64> = (0..60)
            .map(|i| middle + sd * normal_quantile((f64::from(i) + 0.5) / 60.0))
            .collect();
        let outlasts = |t: f64| {
            let each = draws.iter().map(|m| (-(shape * (t.ln() - m)).exp()).exp());
            each.sum::<f64>() / 60.0
        };
        vec![
            outlasts(60.0),
            outlasts(150.0),
            outlasts(300.0),
            outlasts(600.0),
        ]
    };
    let grid = by_grid(&[a.clone(), b.clone()], spread, third);
    let (alternatives, _) = by_level(&[a, b, level("1", &[])], 0, None, spread).unwrap();
    for (t, exact) in [60.0_f64, 150.0, 300.0, 600.0].into_iter().zip(grid) {
        let each = alternatives.iter().flat_map(|alternative| {
            alternative.nodes.iter().map(move |n| {
                let m = (n.scale / alternative.pace[2]).ln();
                alternative.weight * n.weight * (-(n.shape * (t.ln() - m)).exp()).exp()
            })
        });
        let found: f64 = each.sum();
        assert!((found - exact).abs() < 5e-3, "{t}: {found} {exact}");
    }
}

/// Many levels go through a lattice. A second way: a random walk (Metropolis) over ln β and the ln scales of five
/// levels, one of them with a single running life.
#[test]
fn five_levels_as_by_a_random_walk() {
    let lives: [&[f64]; 4] = [
        &[210.0, 330.0, 415.0, 250.0],
        &[95.0, 160.0],
        &[300.0, 520.0, 610.0],
        &[180.0],
    ];
    let spread = 0.42;
    let mut levels: Vec<LevelLives> = Vec::new();
    for (name, lives) in ["a", "b", "c", "d"].iter().zip(lives) {
        let lives: Vec<(f64, f64)> = lives.iter().map(|t| (*t, *t)).collect();
        levels.push(level(name, &lives));
    }
    levels.push(level("e", &[(400.0, RUNNING)]));
    let ln_density = |at: &[f64; 6]| {
        let shape = at[0].exp();
        let mean = at[1..].iter().sum::<f64>() / 5.0;
        let apart: f64 = at[1..].iter().map(|m| (m - mean).powi(2)).sum();
        let mut value = -0.5 * apart / (spread * spread);
        for (lives, m) in lives.iter().zip(&at[1..]) {
            for t in *lives {
                let z = shape * (t.ln() - m);
                value += shape.ln() + z - z.exp();
            }
        }
        value - (shape * (400.0_f64.ln() - at[5])).exp()
    };
    let mut random = crate::numerics::streams::stream(31, 0);
    let mut at = [0.9, 5.8, 5.2, 6.2, 5.4, 6.0];
    let mut value = ln_density(&at);
    let step = [0.2, 0.2, 0.25, 0.2, 0.3, 0.35];
    let ages = [80.0_f64, 200.0, 450.0];
    let (mut sums, mut count) = ([[0.0; 3]; 5], 0.0);
    for k in 0..800_000 {
        let mut next = at;
        for (x, s) in next.iter_mut().zip(step) {
            *x += 0.6 * s * random.normal();
        }
        let there = ln_density(&next);
        if random.uniform().ln() < there - value {
            (at, value) = (next, there);
        }
        if k >= 50_000 && k % 5 == 0 {
            count += 1.0;
            for (sums, m) in sums.iter_mut().zip(&at[1..]) {
                for (sum, t) in sums.iter_mut().zip(ages) {
                    *sum += (-(at[0].exp() * (t.ln() - m)).exp()).exp();
                }
            }
        }
    }
    let (alternatives, _) = by_level(&levels, 0, None, spread).unwrap();
    for (number, sums) in sums.iter().enumerate() {
        for (sum, t) in sums.iter().zip(ages) {
            let each = alternatives.iter().flat_map(|alternative| {
                alternative.nodes.iter().map(move |n| {
                    let m = (n.scale / alternative.pace[number]).ln();
                    alternative.weight * n.weight * (-(n.shape * (t.ln() - m)).exp()).exp()
                })
            });
            let found: f64 = each.sum();
            let walked = sum / count;
            assert!(
                (found - walked).abs() < 0.012,
                "{number} {t}: {found} {walked}"
            );
        }
    }
}

/// Levels believed to be next to alike are one kind of life.
#[test]
fn levels_believed_alike_are_one_kind() {
    let part = Part {
        believed_life: Some(BelievedLife {
            low_hours: 100.0,
            high_hours: 800.0,
            worth: 2.0,
        }),
        ..Part::named("roller")
    };
    let levels = small();
    let by = life_model_by_level(&part, "hose_size", 1.001, &levels).unwrap();
    let mut all = levels[0].lives.clone();
    for i in 0..levels[1].lives.len() {
        all.push(levels[1].lives.low[i], levels[1].lives.high[i], 0.0, 1.0);
    }
    let plain = life_model(&part, &all).unwrap();
    assert_eq!((by.basis, by.lives), (Basis::BeliefAndRecords, plain.lives));
    let outlasts = |nodes: &[WeibullNode], t: f64| -> f64 {
        let each = nodes
            .iter()
            .map(|n| n.weight * (-(t / n.scale).powf(n.shape)).exp());
        each.sum()
    };
    for t in [50.0, 200.0, 500.0] {
        let (a, b) = (outlasts(&by.nodes, t), outlasts(&plain.nodes, t));
        assert!((a - b).abs() < 1e-3, "{a} {b}");
    }
    let (low, high) = by.shape_interval.unwrap();
    let (plain_low, plain_high) = plain.shape_interval.unwrap();
    assert!((low / plain_low - 1.0).abs() < 2e-3 && (high / plain_high - 1.0).abs() < 2e-3);
}

/// The unit of hours scales every curve and nothing else.
#[test]
fn the_unit_of_hours_does_not_show() {
    let in_minutes = small().map(|mut level| {
        for hours in level.lives.low.iter_mut().chain(&mut level.lives.high) {
            *hours *= 60.0;
        }
        level
    });
    let (hours, _) = by_level(&small(), 0, None, 0.42).unwrap();
    let (minutes, _) = by_level(&in_minutes, 0, None, 0.42).unwrap();
    assert_eq!(hours.len(), minutes.len());
    for (h, m) in hours.iter().zip(&minutes) {
        assert!((h.weight - m.weight).abs() < 1e-6);
        assert!((h.pace[1] - m.pace[1]).abs() < 1e-6 * h.pace[1]);
        let scale =
            |nodes: &[WeibullNode]| nodes.iter().map(|n| n.weight * n.scale.ln()).sum::<f64>();
        assert!((scale(&m.nodes) - scale(&h.nodes) - 60.0_f64.ln()).abs() < 1e-5);
    }
}

/// Two worn lives, one a level, fit any shape however sharp: no posterior, and the caller is told.
#[test]
fn one_worn_life_a_level_says_nothing_of_the_shape() {
    let part = Part::named("roller");
    let levels = [
        level("a", &[(100.0, 100.0), (50.0, RUNNING)]),
        level("b", &[(180.0, 180.0)]),
    ];
    let found = life_model_by_level(&part, "hose_size", 2.0, &levels);
    assert!(found.is_err(), "{found:?}");
    assert!(life_model_by_level(&part, "hose_size", 2.0, &levels[..1]).is_err());
}
