//! Fewer curves against all of them.

use super::super::courses::{Courses, demand_by_few_curves};
use super::super::demand::{Accuracy, Group, Hours, WindowDemand, demand};
use super::*;
use crate::lives::Observations;
use crate::models::life_model;
use crate::numerics::streams::stream;
use crate::records::{BelievedLife, Part};
use approx::assert_abs_diff_eq;

/// Simulated lives, `worn` of them worn and three times as many running: hours, and whether worn.
fn lives(worn: u32, seed: u64) -> Vec<(f64, bool)> {
    let mut random = stream(71, seed);
    let mut lives = Vec::new();
    for _ in 0..worn {
        lives.push((400.0 * random.exponential().powf(1.0 / 2.2), true));
        for _ in 0..3 {
            lives.push((250.0 * random.uniform(), false));
        }
    }
    lives
}

/// Their posterior.
fn posterior(worn: u32, seed: u64) -> Vec<WeibullNode> {
    let mut observations = Observations::default();
    for (t, is_worn) in lives(worn, seed) {
        observations.push(t, if is_worn { t } else { f64::INFINITY }, 0.0, 1.0);
    }
    life_model(&Part::named("belt"), &observations)
        .unwrap()
        .nodes
}

/// Nodes whose weights are given as logs.
fn from_logs(mut nodes: Vec<WeibullNode>) -> Vec<WeibullNode> {
    let top = nodes.iter().map(|n| n.weight).fold(f64::MIN, f64::max);
    for node in &mut nodes {
        node.weight = (node.weight - top).exp();
    }
    to_one(&mut nodes);
    nodes.retain(|n| n.weight > 1e-9);
    nodes
}

/// The same posterior written down anew, on a lattice many times as dense: likelihood times a level density in
/// ln η and ln β. Given β, `g = Σ tᵝ/ηᵝ` has a gamma distribution with as many as are worn.
fn dense_posterior(worn: u32, seed: u64) -> Vec<WeibullNode> {
    let lives = lives(worn, seed);
    let r = f64::from(worn);
    let sum_of_logs: f64 = lives.iter().filter(|l| l.1).map(|l| l.0.ln()).sum();
    let mut nodes = Vec::new();
    for i in 0..70 {
        let shape = f64::exp(-2.0 + 4.5 * f64::from(i) / 70.0);
        let ln_powers = lives.iter().map(|l| l.0.powf(shape)).sum::<f64>().ln();
        for k in 0..90 {
            let u = r.ln() + (f64::from(k) / 90.0 - 0.55) * 15.0 / r.sqrt();
            let ln_scale = (ln_powers - u) / shape;
            let ln_likelihood =
                r * shape.ln() + (shape - 1.0) * sum_of_logs - r * shape * ln_scale - u.exp();
            nodes.push(WeibullNode {
                shape,
                scale: ln_scale.exp(),
                weight: ln_likelihood - shape.ln(),
            });
        }
    }
    from_logs(nodes)
}

/// Moments by the rule and by the points that it stands for, to the power 2k − 1.
#[test]
fn a_rule_keeps_the_moments_of_its_points() {
    let nodes = posterior(9, 0);
    for row in rows(&nodes).iter().filter(|row| row.points.len() > 5) {
        let rule = gauss(&row.points, 5).unwrap();
        for power in 0..10 {
            let moment =
                |points: &Points| points.iter().map(|(x, w)| w * x.powi(power)).sum::<f64>();
            let size: f64 = row
                .points
                .iter()
                .map(|(x, w)| w * x.abs().powi(power))
                .sum();
            assert_abs_diff_eq!(moment(&rule), moment(&row.points), epsilon = 1e-9 * size);
        }
    }
}

fn group(positions: u32) -> Group {
    let window = |start, end| Hours { start, end };
    let age = |i: u32| FirstLife::Aged(250.0 * f64::from(i * 7 % 10) / 10.0);
    Group {
        windows: vec![window(0.0, 450.0), window(0.0, 70.0), window(300.0, 380.0)],
        positions: (0..positions).map(|i| (age(i), 1)).collect(),
        starts: Vec::new(),
    }
}

/// The demand by fewer curves, and how many.
fn by_fewer(nodes: &[WeibullNode], group: &Group) -> (WindowDemand, usize) {
    let asked = group.positions.iter().map(|p| (p.0.clone(), 450.0));
    let (_, few) = thinned(nodes, 1, &asked.collect::<Vec<Asked>>());
    let demand = demand_by_few_curves(nodes, vec![group.clone()], 1, EXACT);
    (demand, few.nodes.len())
}

fn furthest(a: &WindowDemand, b: &WindowDemand) -> f64 {
    let apart = a
        .counts
        .iter()
        .zip(&b.counts)
        .map(|(a, b)| a.furthest_from(b));
    apart.fold(0.0, f64::max)
}

/// How far off any chance of the demand by fewer curves is from that under every curve of a dense posterior, and how
/// many those are.
fn off_from_dense(nodes: &[WeibullNode], dense: Vec<WeibullNode>, positions: u32) -> (f64, usize) {
    let accuracy = Accuracy {
        tolerance: 1e-4,
        most_cells: 4096,
    };
    let group = group(positions);
    let (thin, curves) = by_fewer(nodes, &group);
    let exact = Courses::of_windows(&dense.into(), vec![group], 1, accuracy);
    (furthest(&thin, &exact), curves)
}

const EXACT: Accuracy = Accuracy {
    tolerance: 1e-5,
    most_cells: 4096,
};

/// Every chance of the demand, by fewer curves and by all.
#[test]
fn fewer_curves_change_no_demand_that_anyone_sees() {
    for (worn, positions) in [(3, 4), (6, 18), (12, 60), (40, 18)] {
        let nodes = posterior(worn, u64::from(worn));
        let group = group(positions);
        let (thin, curves) = by_fewer(&nodes, &group);
        let off = furthest(&thin, &demand(&nodes, &[group], 1, EXACT));
        println!(
            "{worn} worn, {positions} positions: {curves} of {} curves, {off:.1e}",
            nodes.len()
        );
        assert!(off < 4e-4, "{off}");
    }
}

/// A posterior of few worn lives or none and a belief, as wide as they come.
fn wide_posterior(worn: u32, running: u32) -> Vec<WeibullNode> {
    let mut random = stream(72, u64::from(worn));
    let mut lives = Observations::default();
    for _ in 0..worn {
        let t = 900.0 * random.exponential().powf(1.0 / 1.3);
        lives.push(t, t, 0.0, 1.0);
    }
    for _ in 0..running {
        lives.push(600.0 * random.uniform(), f64::INFINITY, 0.0, 1.0);
    }
    let mut part = Part::named("collet");
    part.believed_life = Some(BelievedLife {
        low_hours: 150.0,
        high_hours: 2_000.0,
        worth: 1.0,
    });
    life_model(&part, &lives).unwrap().nodes
}

/// Where every shape is kept: the demand of few positions and of many, and the chances of one part.
#[test]
fn fewer_curves_of_a_wide_posterior_change_nothing_either() {
    for (worn, running, positions) in [(0, 12, 8), (1, 20, 24), (2, 30, 60), (4, 90, 24)] {
        let nodes = wide_posterior(worn, running);
        let group = group(positions);
        let (thin, curves) = by_fewer(&nodes, &group);
        let off = furthest(&thin, &demand(&nodes, &[group], 1, EXACT));
        let (few, _) = thinned(&nodes, 1, &[(FirstLife::Aged(0.0), 450.0)]);
        let chance = |nodes: &[WeibullNode], (age, ahead): (f64, f64)| {
            Mixture::new(nodes, 1).within(&FirstLife::Aged(age), ahead)
        };
        let each = [(0.0, 30.0), (0.0, 2_000.0), (150.0, 100.0), (800.0, 900.0)];
        let apart = each.map(|asked| (chance(&few, asked) - chance(&nodes, asked)).abs());
        let one = apart.into_iter().fold(0.0, f64::max);
        println!(
            "{worn} worn, {positions} positions: {curves} of {} curves, {off:.1e}; one part {}, {one:.1e}",
            nodes.len(),
            few.len(),
        );
        assert!(2 * curves < nodes.len() && off < 4e-4, "{curves}: {off}");
        assert!(one < 4e-4, "{one}");
    }
}

/// More positions than are summed by convolution, whose demand is interpolated between the curves and sharp under
/// each of them: against a dense lattice. As a mixture of the posterior's own curves, or of the points of a rule, the
/// whole schedule's demand was off by 0.01 to 0.02.
#[test]
fn the_demand_of_many_positions_has_no_steps_from_curve_to_curve() {
    for (worn, positions, most) in [(3, 100, 4e-3), (6, 100, 2e-3), (12, 300, 5e-4)] {
        let nodes = posterior(worn, u64::from(worn));
        let dense = dense_posterior(worn, u64::from(worn));
        let (off, curves) = off_from_dense(&nodes, dense, positions);
        println!("{worn} worn, {positions} positions: {curves} curves, {off:.5}");
        assert!(off < most, "{off}");
    }
}

/// Lives of which it is known between which looks they wore out: bounds of each.
fn between_looks(worn: u32, seed: u64) -> Vec<(f64, f64)> {
    const EVERY: f64 = 60.0;
    let bounds = |(t, is_worn): (f64, bool)| {
        let low = (t / EVERY).floor() * EVERY;
        if is_worn {
            (low, low + EVERY)
        } else {
            (t, f64::INFINITY)
        }
    };
    lives(worn, seed).into_iter().map(bounds).collect()
}

/// Their posterior on a dense lattice, by the chance of each between its bounds.
fn dense_posterior_between_looks(worn: u32, seed: u64) -> Vec<WeibullNode> {
    let lives = between_looks(worn, seed);
    let r = f64::from(worn);
    let middle = |&(low, high): &(f64, f64)| {
        if high.is_finite() {
            0.5 * (low + high)
        } else {
            low
        }
    };
    let mut nodes = Vec::new();
    for i in 0..100 {
        let shape = f64::exp(-3.5 + 6.5 * f64::from(i) / 100.0);
        let powers = lives.iter().map(|life| middle(life).powf(shape));
        let ln_powers = powers.sum::<f64>().ln();
        for k in 0..120 {
            let u = r.ln() + (f64::from(k) / 120.0 - 0.6) * 20.0 / r.sqrt();
            let scale = ((ln_powers - u) / shape).exp();
            let hazard = |t: f64| (t / scale).powf(shape);
            let ln_chance = |&(low, high): &(f64, f64)| {
                let within = if high.is_finite() {
                    -(hazard(low) - hazard(high)).exp_m1()
                } else {
                    1.0
                };
                within.ln() - hazard(low)
            };
            nodes.push(WeibullNode {
                shape,
                scale,
                weight: lives.iter().map(ln_chance).sum::<f64>() - shape.ln(),
            });
        }
    }
    from_logs(nodes)
}

/// The same of lives that are known between two looks only. With the points of a Gauss rule for each shape, the whole
/// schedule's demand was off by 0.0075 and 0.006 at 3 and 12 worn.
#[test]
fn the_demand_of_many_positions_has_no_steps_where_lives_have_bounds() {
    for (worn, positions, most) in [(3, 100, 4e-3), (6, 100, 2e-3), (12, 300, 2e-3)] {
        let seed = u64::from(worn);
        let mut observations = Observations::default();
        for (low, high) in between_looks(worn, seed) {
            observations.push(low, high, 0.0, 1.0);
        }
        let nodes = life_model(&Part::named("belt"), &observations)
            .unwrap()
            .nodes;
        let dense = dense_posterior_between_looks(worn, seed);
        let mean_ln_shape =
            |nodes: &[WeibullNode]| -> f64 { nodes.iter().map(|n| n.weight * n.shape.ln()).sum() };
        assert_abs_diff_eq!(mean_ln_shape(&nodes), mean_ln_shape(&dense), epsilon = 2e-4);
        let (off, curves) = off_from_dense(&nodes, dense, positions);
        println!(
            "{worn} worn, {positions} positions: {curves} of {} curves, {off:.5}",
            nodes.len()
        );
        assert!(off < most, "{off}");
    }
}

/// The same where the shape is stated: scales of one shape, as a posterior has them and densely.
#[test]
fn the_demand_of_many_positions_has_no_steps_where_the_shape_is_stated() {
    let scales = |step: f64| -> Vec<WeibullNode> {
        let count = (10.0 / step) as usize;
        let each = (0..count).map(|i| step * (i as f64 + 0.5) - 5.0);
        let node = |z: f64| WeibullNode {
            shape: 2.0,
            scale: 300.0 * (0.2 * z).exp(),
            weight: step * (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt(),
        };
        each.map(node).collect()
    };
    let (off, curves) = off_from_dense(&scales(0.7), scales(0.05), 300);
    println!("{curves} curves, {off:.1e}");
    assert!(curves < 12 && off < 1e-3, "{curves}: {off}");
}
