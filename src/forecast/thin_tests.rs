//! Fewer curves against all of them.

use super::super::courses::Courses;
use super::super::demand::{Accuracy, Group, Hours, WindowDemand, demand};
use super::*;
use crate::lives::Observations;
use crate::models::life_model;
use crate::numerics::streams::stream;
use crate::records::{BelievedLife, Part};
use approx::assert_abs_diff_eq;

/// A posterior from simulated lives, `worn` of them worn and three times as many running.
fn posterior(worn: u32, seed: u64) -> Vec<WeibullNode> {
    let mut random = stream(71, seed);
    let mut lives = Observations::default();
    for _ in 0..worn {
        let t = 400.0 * random.exponential().powf(1.0 / 2.2);
        lives.push(t, t, 0.0, 1.0);
        for _ in 0..3 {
            lives.push(250.0 * random.uniform(), f64::INFINITY, 0.0, 1.0);
        }
    }
    life_model(&Part::named("belt"), &lives).unwrap().nodes
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
    let asked: Vec<Asked> = group
        .positions
        .iter()
        .map(|p| (p.0.clone(), 450.0))
        .collect();
    let (_, few) = thinned(nodes, 1, &asked);
    let demand = Courses::of_windows(&few, vec![group.clone()], 1, EXACT);
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
