//! Small fleets for tests.

use std::collections::BTreeMap;

use jiff::civil::{Date, date};

use crate::lives::{Fitted, Lives};
use crate::models::{Basis, LifeCounts, LifeModel, WeibullNode};
use crate::records::{
    ChangedHow, Fleet, Job, JobSpread, LeadTime, Part, PlannedChange, PositionNotTold, RowCounts,
    RowRef, UnplannedStop,
};

pub(crate) const AS_OF: Date = date(2026, 3, 31);

pub(crate) fn part(name: &str) -> Part {
    Part {
        name: name.to_owned(),
        aliases: Vec::new(),
        per_machine: 1,
        positions: Vec::new(),
        machines: Vec::new(),
        changed: ChangedHow::Singly,
        position_not_told: PositionNotTold::SetAside,
        unit_cost: Some(86.0),
        pack: 1,
        minimum_order: 1,
        lead_time: Some(LeadTime {
            low_days: 14.0,
            high_days: 14.0,
        }),
        on_hand: 0,
        on_order: Vec::new(),
        believed_life: None,
        fixed_life: None,
        life_by: None,
        planned_change: PlannedChange {
            minutes: 20.0,
            cost: 10.0,
            cost_per_hour: None,
        },
        unplanned_stop: Some(UnplannedStop {
            hours: 3.0,
            cost_per_hour: 400.0,
        }),
    }
}

pub(crate) fn job(name: &str, start: Date, end: Date, machines: &[&str], hours: f64) -> Job {
    Job {
        name: name.to_owned(),
        start,
        end,
        machines: machines.iter().map(|&m| m.to_owned()).collect(),
        hours,
        spread: JobSpread::default(),
        covariates: BTreeMap::new(),
        row: RowRef::new("jobs.csv", None, 2),
    }
}

/// A fleet of one part kind per entry and the given jobs.
pub(crate) fn fleet(parts: Vec<Part>, jobs: Vec<Job>) -> Fleet {
    let mut machines: Vec<String> = jobs.iter().flat_map(|j| j.machines.clone()).collect();
    machines.sort();
    machines.dedup();
    Fleet {
        name: "test".to_owned(),
        as_of: AS_OF,
        currency: "USD".to_owned(),
        service_level: 0.95,
        review_days: 7,
        chance_unseen: 0.1,
        parts,
        machines: machines.iter().map(Into::into).collect(),
        machine_facts: Vec::new(),
        known_ages: Vec::new(),
        gaps: Vec::new(),
        replacements: Vec::new(),
        merged: Vec::new(),
        readings: Vec::new(),
        resets: Vec::new(),
        tension: Vec::new(),
        jobs,
        practice: None,
        practice_unusable: None,
        problems: Vec::new(),
        rows: RowCounts::default(),
        notes: Vec::new(),
    }
}

pub(crate) fn fitted(part: &str, machine: &str, position: &str, age: Option<f64>) -> Fitted {
    Fitted {
        machine: machine.into(),
        part: part.into(),
        position: position.into(),
        age_hours: age,
        since: None,
        life: Some(crate::lives::LifeId::new(part, machine, position, 1)),
    }
}

pub(crate) fn lives(fitted: Vec<Fitted>) -> Lives {
    Lives {
        lives: Vec::new(),
        fitted,
        costs: Vec::new(),
        turned_back: Vec::new(),
        unplaced: Vec::new(),
        unknown_start: 0,
        problems: Vec::new(),
        rows: RowCounts::default(),
    }
}

pub(crate) fn model(part: &str, nodes: Vec<WeibullNode>) -> LifeModel {
    LifeModel {
        part: part.to_owned(),
        basis: Basis::Records,
        nodes,
        lives: LifeCounts::default(),
        shape_interval: Some((0.9, 4.0)),
        by_level: None,
        cautions: Vec::new(),
    }
}

/// A spread of curves like that of a posterior from few worn lives: `n × n` nodes, normal in
/// `ln β` and in `ln η`.
pub(crate) fn spread(shape: f64, scale: f64, sd: f64, n: usize) -> Vec<WeibullNode> {
    let mut nodes = Vec::new();
    let z = |i: usize| -2.5 + 5.0 * (i as f64 + 0.5) / n as f64;
    for i in 0..n {
        for j in 0..n {
            nodes.push(WeibullNode {
                shape: shape * (sd * z(i)).exp(),
                scale: scale * (0.7 * sd * z(j)).exp(),
                weight: (-0.5 * (z(i).powi(2) + z(j).powi(2))).exp(),
            });
        }
    }
    let sum: f64 = nodes.iter().map(|n| n.weight).sum();
    for node in &mut nodes {
        node.weight /= sum;
    }
    nodes
}
