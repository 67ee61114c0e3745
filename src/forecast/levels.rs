//! Parts that wear faster in some jobs than in others.
//!
//! A life model by level says how many hours at its level of reference one hour at each level is worth, as
//! alternatives with their weights. Under one alternative everything is as for a part that wears alike: ages and
//! the hours of jobs are counted at its pace, and its curves are those at the level of reference. A job counts at
//! the level that it states, else at that of the part fitted.

use std::fmt::Write as _;

use rayon::prelude::*;

use super::demand::to_one;
use super::first_life::FirstLife;
use super::mixture::Mixture;
use super::outlook::Place;
use super::remaining::curve;
use super::schedule::MachineSchedule;
use super::sum::FEW;
use super::thin::{Curves, thinned};
use crate::compare::TENSION;
use crate::models::{ByLevel, Caution, CautionCode, WeibullNode};
use crate::records::Job;

/// Curves in all for the demand of a few places, and of many, each of which costs more; what so many sharp
/// distributions miss of the mean is about one over their number.
const FOR_FEW: usize = 1_400;
const FOR_MANY: usize = 800;

/// One alternative.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct AtPace {
    pub(super) weight: f64,
    /// Hours at the level of reference that an hour is worth, by level.
    pub(super) pace: Vec<f64>,
    pub(super) few: Vec<WeibullNode>,
    pub(super) chances: Mixture,
    for_demand: Curves,
}

/// What a part kind's levels mean for its places and jobs.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Levels {
    pub(super) alternatives: Vec<AtPace>,
    /// Weighted mean of the paces, by level.
    pub(super) mean: Vec<f64>,
    /// By job of the outlook, where it states one.
    of_job: Vec<Option<usize>>,
    /// Machine and level of what is fitted, one for each course that places take.
    courses: Vec<(usize, usize)>,
}

impl Levels {
    /// Without curves yet.
    pub(super) fn new(by: &ByLevel, jobs: &[Job]) -> Self {
        let of_job = jobs.iter().map(|job| by.level(job.named(&by.column)?));
        let mean = (0..by.levels.len()).map(|level| {
            let each = by.alternatives.iter();
            each.map(|a| a.weight * a.pace[level]).sum()
        });
        Self {
            alternatives: Vec::new(),
            mean: mean.collect(),
            of_job: of_job.collect(),
            courses: Vec::new(),
        }
    }

    /// The course of a place, by machine and level.
    pub(super) fn course(&mut self, machine: usize, level: usize) -> usize {
        let known = self.courses.iter().position(|c| *c == (machine, level));
        known.unwrap_or_else(|| {
            self.courses.push((machine, level));
            self.courses.len() - 1
        })
    }

    /// Takes in the curves of each alternative, as few as its places need.
    pub(super) fn take_curves(
        &mut self,
        alternatives: Vec<(f64, Vec<f64>, Vec<WeibullNode>)>,
        per_change: u32,
        places: &[Place],
        schedules: &[MachineSchedule],
    ) {
        let each = alternatives.into_par_iter().map(|(weight, pace, nodes)| {
            let courses = self.schedules(&pace, schedules);
            let asked: Vec<(FirstLife, f64)> = places
                .iter()
                .map(|p| (p.first.at_pace(pace[p.level]), courses[p.course].total()))
                .filter(|(_, hours)| *hours > 0.0)
                .collect();
            let (few, for_demand) = thinned(&nodes, per_change, &asked);
            AtPace {
                weight,
                chances: Mixture::new(&few, per_change),
                pace,
                few,
                for_demand,
            }
        });
        self.alternatives = each.collect();
    }

    /// Hours of every course at a pace by level.
    pub(super) fn schedules(
        &self,
        pace: &[f64],
        machines: &[MachineSchedule],
    ) -> Vec<MachineSchedule> {
        let courses = 0..self.courses.len();
        courses
            .map(|course| self.course_at(course, pace, machines))
            .collect()
    }

    /// Hours of one course at a pace by level.
    pub(super) fn course_at(
        &self,
        course: usize,
        pace: &[f64],
        machines: &[MachineSchedule],
    ) -> MachineSchedule {
        let (machine, level) = self.courses[course];
        machines[machine].at_pace(|job| pace[self.of_job[job].unwrap_or(level)])
    }

    /// What is fitted, at a pace by level.
    pub(super) fn places(pace: &[f64], places: &[Place]) -> Vec<Place> {
        let of = |place: &Place| Place {
            first: place.first.at_pace(pace[place.level]),
            ..place.clone()
        };
        places.iter().map(of).collect()
    }

    /// Ages from which parts are changed are settled at the mean pace; at another, by course, they count so many
    /// times as much.
    pub(super) fn of_mean(&self, pace: &[f64]) -> Vec<f64> {
        let of = |&(_, level): &(usize, usize)| pace[level] / self.mean[level];
        self.courses.iter().map(of).collect()
    }

    /// Curves under alternative `k` for the demand of so many places: some of them, others for each alternative,
    /// as the mean over all changes slowly from one to the next.
    pub(super) fn for_demand(&self, k: usize, places: usize) -> Curves {
        let all = &self.alternatives[k].for_demand;
        let wanted = if places > FEW as usize {
            FOR_MANY
        } else {
            FOR_FEW
        };
        // Multiples of the golden ratio spread evenly over [0, 1).
        let start = (0.5 + 0.618_033_988_749_895 * k as f64).fract();
        all.taken_evenly(wanted.div_ceil(self.alternatives.len()), start)
    }
}

/// Alternatives, each with its weight, paces and curves, weighed by survivals that the life model has not counted
/// (see [`weighed`](super::weighed)): what is fitted, with its level.
pub(super) fn weighed_by_level(
    by: &ByLevel,
    per_change: u32,
    uncounted: &[(FirstLife, usize)],
) -> Vec<(f64, Vec<f64>, Vec<WeibullNode>)> {
    let ln_weight = |pace: &[f64], node: &WeibullNode| {
        let life = curve(node, per_change);
        let each = uncounted.iter();
        let survived = each.map(|(first, level)| first.at_pace(pace[*level]).log_survival(&life));
        survived.sum::<f64>()
    };
    let logs: Vec<Vec<f64>> = (by.alternatives.iter())
        .map(|a| {
            a.nodes
                .iter()
                .map(|node| ln_weight(&a.pace, node))
                .collect()
        })
        .collect();
    let top = logs
        .iter()
        .flatten()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let mut weighed = Vec::new();
    for (alternative, logs) in by.alternatives.iter().zip(&logs) {
        let mut nodes = alternative.nodes.clone();
        for (node, ln_weight) in nodes.iter_mut().zip(logs) {
            node.weight *= (ln_weight - top).exp();
        }
        let all = to_one(&mut nodes);
        nodes.retain(|node| node.weight > 0.0);
        if all > 0.0 && top.is_finite() {
            weighed.push((alternative.weight * all, alternative.pace.clone(), nodes));
        }
    }
    if weighed.is_empty() {
        let each = by.alternatives.iter();
        weighed.extend(each.map(|a| (a.weight, a.pace.clone(), a.nodes.clone())));
    }
    let all: f64 = weighed.iter().map(|w| w.0).sum();
    for alternative in &mut weighed {
        alternative.0 /= all;
    }
    weighed
}

/// Curves of alternatives with their weights, all together.
pub(super) fn pooled<'a>(
    alternatives: impl Iterator<Item = (f64, &'a [WeibullNode])>,
) -> Vec<WeibullNode> {
    let each = alternatives.flat_map(|(weight, nodes)| {
        nodes.iter().map(move |node| WeibullNode {
            weight: node.weight * weight,
            ..*node
        })
    });
    each.collect()
}

/// What a reader must know of a forecast by level.
pub(super) fn said_of_levels(part: &str, by: &ByLevel) -> Caution {
    let reference = &by.levels[by.reference].name;
    let column = &by.column;
    let how = if column.eq_ignore_ascii_case(TENSION) {
        "each machine's is taken to stay as it was last read".to_owned()
    } else {
        format!(
            "each job's hours count by its {column}, or by that of the part fitted where the job tells none"
        )
    };
    let mut text = format!(
        "wears by {column}: {how}; nine in ten values are believed to make it last within a factor {} of the \
         typical life, and the records do the rest",
        by.within_factor
    );
    if !reference.is_empty() {
        let _ = write!(
            text,
            "; the age at which to change or look is for {column} {reference}"
        );
    }
    let bare: Vec<&str> = (by.levels.iter())
        .filter(|level| level.lives.total == 0 && !level.name.is_empty())
        .map(|level| level.name.as_str())
        .collect();
    if !bare.is_empty() {
        let _ = write!(text, "; no life is recorded at {}", bare.join(", "));
    }
    Caution::about(CautionCode::Note, part, text)
}

#[cfg(test)]
#[path = "levels_tests.rs"]
mod tests;
