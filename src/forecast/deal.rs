//! The curves of a posterior dealt to the ways a schedule may go.
//!
//! Every curve in every way is the whole product; but a demand changes slowly from curve to curve, and mostly
//! with the sum of hours from way to way. So each curve meets every second way by that sum, its neighbours the
//! ways between, and the mean over all is as if each had met all.

use super::schedule::MachineSchedule;
use super::sum::FEW;
use super::thin::Curves;

/// Fewer curves than these each go with every way.
const FEWEST: usize = 16;

/// The curves for each way the schedule may go, with the way's weight: all of them for a few curves or many
/// positions, else every way its share of them. Ways that are neighbours by their hours have different
/// curves, so that each curve meets hours of every kind.
pub(super) fn dealt<'a>(
    positions: usize,
    all: &Curves,
    ways: impl Iterator<Item = &'a [MachineSchedule]>,
) -> impl Iterator<Item = (f64, Curves, &'a [MachineSchedule])> {
    let ways: Vec<&[MachineSchedule]> = ways.collect();
    let total = |way: &[MachineSchedule]| way.iter().map(MachineSchedule::total).sum::<f64>();
    let totals: Vec<f64> = ways.iter().map(|way| total(way)).collect();
    let differ = totals.iter().any(|hours| *hours != totals[0]);
    let hands = if !differ || positions > FEW as usize || all.nodes.len() < FEWEST {
        1
    } else {
        2
    };
    let mut by_hours: Vec<usize> = (0..ways.len()).collect();
    by_hours.sort_by(|a, b| totals[*a].total_cmp(&totals[*b]));
    let mut rank = vec![0; ways.len()];
    for (at, way) in by_hours.into_iter().enumerate() {
        rank[way] = at;
    }
    ways.into_iter().zip(rank).map(move |(schedules, rank)| {
        let (weight, curves) = all.hand(rank, hands);
        (weight, curves, schedules)
    })
}
