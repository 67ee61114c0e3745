use approx::assert_relative_eq;

use super::*;
use crate::lives::Observations;
use crate::numerics::streams::stream;
use crate::records::{BelievedLife, ChangedHow, FixedLife, PlannedChange, PositionNotTold};

fn part() -> Part {
    Part {
        name: "drive belt".into(),
        aliases: vec![],
        machines: vec![],
        per_machine: 1,
        positions: vec![],
        changed: ChangedHow::Singly,
        position_not_told: PositionNotTold::SetAside,
        unit_cost: None,
        pack: 1,
        minimum_order: 1,
        lead_time: None,
        on_hand: 0,
        on_order: vec![],
        believed_life: None,
        fixed_life: None,
        life_by: None,
        planned_change: PlannedChange::default(),
        unplanned_stop: None,
    }
}

fn believing(low: f64, high: f64, worth: f64) -> Part {
    Part {
        believed_life: Some(BelievedLife {
            low_hours: low,
            high_hours: high,
            worth,
        }),
        ..part()
    }
}

fn lives(rows: &[(f64, f64)]) -> Observations {
    let mut o = Observations::default();
    for &(low, high) in rows {
        o.push(low, high, 0.0, 1.0);
    }
    o
}

const RUNNING: f64 = f64::INFINITY;

fn mixture_survival(model: &LifeModel, t: f64) -> f64 {
    model
        .nodes
        .iter()
        .map(|n| n.weight * (-(n.shape * (t.ln() - n.scale.ln())).exp()).exp())
        .sum()
}

/// ln of the Weibull likelihood written out anew, life by life.
fn plain_ln_likelihood(rows: &[(f64, f64)], ln_eta: f64, beta: f64) -> f64 {
    let h = |t: f64| (beta * (t.ln() - ln_eta)).exp();
    rows.iter()
        .map(|&(low, high)| {
            if low == high {
                beta.ln() + beta * (low.ln() - ln_eta) - low.ln() - h(low)
            } else if high == RUNNING {
                -h(low)
            } else if low == 0.0 {
                (-(-h(high)).exp_m1()).ln()
            } else {
                ((-h(low)).exp() - (-h(high)).exp()).ln()
            }
        })
        .sum()
}

/// Predictive survival by plain summation over a fine grid of (ln η, ln β).
fn brute_force_survival(
    rows: &[(f64, f64)],
    ln_prior: impl Fn(f64, f64) -> f64,
    mu: (f64, f64),
    x: (f64, f64),
    t: f64,
) -> f64 {
    let cells = 800;
    let (mut top, mut bottom) = (0.0, 0.0);
    let mut peak = f64::NEG_INFINITY;
    let mut values = Vec::new();
    for i in 0..=cells {
        let mu = mu.0 + (mu.1 - mu.0) * f64::from(i) / f64::from(cells);
        for j in 0..=cells {
            let x = x.0 + (x.1 - x.0) * f64::from(j) / f64::from(cells);
            let v = plain_ln_likelihood(rows, mu, x.exp()) + ln_prior(mu, x);
            peak = peak.max(v);
            values.push((mu, x.exp(), v));
        }
    }
    for (mu, beta, v) in values {
        let w = (v - peak).exp();
        bottom += w;
        top += w * (-(beta * (t.ln() - mu)).exp()).exp();
    }
    top / bottom
}

#[test]
fn the_predictive_agrees_with_plain_summation_over_a_grid() {
    let rows = [
        (210.0, 210.0),
        (330.0, 330.0),
        (395.0, 395.0),
        (480.0, 480.0),
        (520.0, 520.0),
        (610.0, 610.0),
        (300.0, RUNNING),
        (700.0, RUNNING),
        (650.0, RUNNING),
    ];
    let model = life_model(&part(), &lives(&rows)).unwrap();
    assert_eq!(model.basis, Basis::Records);
    assert!(model.nodes.len() < 500, "{} nodes", model.nodes.len());
    assert_relative_eq!(
        model.nodes.iter().map(|n| n.weight).sum::<f64>(),
        1.0,
        max_relative = 1e-12
    );
    for t in [50.0, 150.0, 300.0, 500.0, 900.0, 2000.0] {
        let brute = brute_force_survival(&rows, |_, _| 0.0, (3.0, 20.0), (-3.5, 2.6), t);
        assert_relative_eq!(mixture_survival(&model, t), brute, epsilon = 1e-6);
    }
}

#[test]
fn found_between_inspections_is_averaged_rightly_too() {
    let rows = [
        (210.0, 330.0),
        (300.0, 395.0),
        (395.0, 450.0),
        (0.0, 480.0),
        (520.0, 600.0),
        (610.0, 610.0),
        (500.0, RUNNING),
    ];
    let model = life_model(&part(), &lives(&rows)).unwrap();
    for t in [100.0, 300.0, 500.0, 900.0] {
        let brute = brute_force_survival(&rows, |_, _| 0.0, (3.0, 20.0), (-3.5, 3.3), t);
        assert_relative_eq!(mixture_survival(&model, t), brute, epsilon = 2e-6);
    }
}

#[test]
fn belief_alone_forecasts_the_believed_range() {
    for (low, high, worth) in [
        (150.0, 900.0, 1.0),
        (150.0, 900.0, 2.0),
        (1e-3, 3e-3, 10.0),
        (1e6, 5e7, 0.3),
        (80.0, 100.0, 200.0),
    ] {
        let model = life_model(&believing(low, high, worth), &Observations::default()).unwrap();
        assert_eq!(model.basis, Basis::Belief);
        assert_relative_eq!(mixture_survival(&model, low), 0.95, epsilon = 2e-6);
        assert_relative_eq!(mixture_survival(&model, high), 0.05, epsilon = 2e-6);
    }
}

/// The prior drawn from as its documentation says, without any quadrature.
#[test]
fn a_believed_range_holds_nine_tenths_of_simulated_parts() {
    let belief = Belief {
        low: 150.0,
        high: 900.0,
        worth: 1.5,
    };
    let prior = Prior::of(&belief).unwrap();
    let mut random = stream(20, 0);
    let n = 60_000;
    let (mut early, mut late) = (0, 0);
    for _ in 0..n {
        let beta = (prior.shape.ln() + prior.ln_shape_sd * random.normal()).exp();
        // (M/η)^β ~ gamma(w)/w
        let v = random.gamma(belief.worth) / belief.worth;
        let ln_eta = prior.age.ln() - v.ln() / beta;
        let t = (ln_eta + random.exponential().ln() / beta).exp();
        early += u32::from(t < belief.low);
        late += u32::from(t > belief.high);
    }
    let four_errors = 4.0 * (0.05_f64 * 0.95 / f64::from(n)).sqrt();
    assert!((f64::from(early) / f64::from(n) - 0.05).abs() < four_errors);
    assert!((f64::from(late) / f64::from(n) - 0.05).abs() < four_errors);
}

#[test]
fn belief_and_records_together_agree_with_plain_summation() {
    let rows = [(420.0, 420.0), (500.0, RUNNING), (260.0, RUNNING)];
    let belief = Belief {
        low: 150.0,
        high: 900.0,
        worth: 2.0,
    };
    let prior = Prior::of(&belief).unwrap();
    let ln_prior = |mu: f64, x: f64| {
        let v = x.exp() * (prior.age.ln() - mu);
        let z = (x - prior.shape.ln()) / prior.ln_shape_sd;
        belief.worth * (v - v.exp()) + x - 0.5 * z * z
    };
    let model = life_model(&believing(150.0, 900.0, 2.0), &lives(&rows)).unwrap();
    assert_eq!(model.basis, Basis::BeliefAndRecords);
    for t in [60.0, 200.0, 420.0, 800.0, 1500.0] {
        let brute = brute_force_survival(&rows, ln_prior, (2.0, 15.0), (-3.0, 3.7), t);
        assert_relative_eq!(mixture_survival(&model, t), brute, epsilon = 3e-6);
    }
}

#[test]
fn without_anything_to_go_on_there_is_no_model_and_bounds_stand_in() {
    let rows = [(310.0, RUNNING), (450.0, RUNNING)];
    let none = life_model(&part(), &lives(&rows)).unwrap_err();
    assert_eq!(none.bounds.len(), 5);
    // Shape 1: total time over −ln 0.05.
    assert_relative_eq!(
        none.bounds[0].scale,
        760.0 / -(0.05_f64.ln()),
        max_relative = 1e-12
    );
    assert!(life_model(&part(), &Observations::default()).is_err());
}

#[test]
fn an_improper_posterior_is_refused_not_guessed() {
    // One worn life: the flat prior diverges towards shape 0.
    let one = [(310.0, 310.0), (450.0, RUNNING)];
    assert!(life_model(&part(), &lives(&one)).is_err());
    // All worn at the greatest age: towards infinite shape.
    let same = [(310.0, 310.0), (310.0, 310.0), (100.0, RUNNING)];
    assert!(life_model(&part(), &lives(&same)).is_err());
    // Only looked at once each, weakly: towards shape 0.
    let looks = [
        (0.0, 300.0),
        (200.0, RUNNING),
        (0.0, 450.0),
        (330.0, RUNNING),
    ];
    assert!(life_model(&part(), &lives(&looks)).is_err());
    // With two worn at one age and one that outlived them, it is proper.
    let outlived = [(310.0, 310.0), (310.0, 310.0), (450.0, RUNNING)];
    assert!(life_model(&part(), &lives(&outlived)).is_ok());
    // A belief always makes it proper.
    for rows in [&one[..], &same[..], &looks[..]] {
        let model = life_model(&believing(150.0, 900.0, 1.0), &lives(rows)).unwrap();
        assert!(
            model
                .nodes
                .iter()
                .all(|n| n.weight > 0.0 && n.scale.is_finite())
        );
    }
}

#[test]
fn two_worn_lives_give_a_wide_but_finite_model() {
    let model = life_model(&part(), &lives(&[(100.0, 100.0), (200.0, 200.0)])).unwrap();
    assert!(
        model
            .nodes
            .iter()
            .all(|n| n.shape.is_finite() && n.scale > 0.0 && n.scale.is_finite())
    );
    // Closed form for n = 2 complete lives: P(next > t) integrated here by the same 1-D formula
    // as in the module, but as one plain sum over ln β.
    let exact = |t: f64| {
        let (mut top, mut bottom) = (0.0, 0.0);
        for k in -40_000..6_000 {
            let beta = (f64::from(k) * 1e-3_f64).exp();
            let (a, b) = (beta * 100_f64.ln(), beta * 200_f64.ln());
            // β (t1 t2)^β / (t1^β + t2^β)², and (1 + t^β/(t1^β + t2^β))^−2
            let d = (b - a).exp();
            let p = beta * d / ((1.0 + d) * (1.0 + d));
            bottom += p;
            top += p * (1.0 + (beta * t.ln() - a).exp() / (1.0 + d)).powi(-2);
        }
        top / bottom
    };
    for t in [1.0, 50.0, 150.0, 400.0, 1e4] {
        assert_relative_eq!(mixture_survival(&model, t), exact(t), epsilon = 1e-4);
    }
}

#[test]
fn a_fixed_life_is_taken_as_it_is() {
    let fixed = Part {
        fixed_life: Some(FixedLife {
            shape: 2.0,
            scale: 400.0,
        }),
        ..part()
    };
    let model = life_model(&fixed, &lives(&[(10.0, 10.0), (20.0, 20.0)])).unwrap();
    assert_eq!(model.nodes.len(), 1);
    assert_eq!(model.nodes[0].scale, 400.0);
    assert_eq!(model.basis, Basis::Fixed);
    assert_eq!(model.lives.worn, 2);
}
