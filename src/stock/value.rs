//! What stock and advice cost, and what a shortage costs, where the prices are given.

use serde::Serialize;

use super::orders::Planned;
use super::timeline::Timeline;
use crate::forecast::{Outlook, PartOutlook};
use crate::records::Part;

/// Money about one part kind, fleet currency; what has no price is null.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartValue {
    /// Part kind.
    pub part: String,
    /// What is on hand is worth.
    pub stock: Option<f64>,
    /// What is on order costs.
    pub on_order: Option<f64>,
    /// What the advised order costs.
    pub order: Option<f64>,
    /// Worth of what is expected to be left at the end of the schedule if the advice is followed.
    pub left_at_the_end: Option<f64>,
    /// What lacking one costs: the machine stands for half a job of average length, at what an hour of
    /// an unplanned stop costs. A set changed together stops it once, so that each part of it bears its share.
    pub one_lacking: Option<f64>,
    /// Expected number that wears out with none on the shelf, if nothing is ordered.
    pub expected_lacking_if_nothing_ordered: f64,
    /// The same if the advice is followed.
    pub expected_lacking_if_ordered: f64,
    /// Expected cost of shortage if nothing is ordered.
    pub shortage_if_nothing_ordered: Option<f64>,
    /// The same if the advice is followed.
    pub shortage_if_ordered: Option<f64>,
}

pub(super) fn value(
    outlook: &Outlook,
    ahead: &PartOutlook,
    part: &Part,
    timeline: &Timeline,
    planned: &Planned,
) -> PartValue {
    let order = &planned.order;
    let worth = |n: f64| part.unit_cost.map(|price| price * n);
    // Of the parts needed, those for wear-outs: a change ahead of time that lacks its part stops nothing.
    let lacking = |fill_rate: f64| (1.0 - fill_rate) * order.expected_wear_outs;
    let nothing = lacking(order.fill_rate_if_nothing_ordered);
    let ordered = lacking(order.fill_rate);
    let one_lacking = part
        .unplanned_stop
        .map(|stop| 0.5 * mean_job(outlook, ahead) * stop.cost_per_hour)
        .map(|stop| stop / f64::from(ahead.per_change.max(1)));
    let all = planned
        .supply
        .by(outlook.end)
        .saturating_add(order.order_quantity);
    let left = f64::from(all) - timeline.expected_covered(outlook.end, all);
    PartValue {
        part: part.name.clone(),
        stock: worth(f64::from(part.on_hand)),
        on_order: worth(f64::from(order.on_order)),
        order: worth(f64::from(order.order_quantity)),
        left_at_the_end: worth(left.max(0.0)),
        one_lacking,
        expected_lacking_if_nothing_ordered: nothing,
        expected_lacking_if_ordered: ordered,
        shortage_if_nothing_ordered: one_lacking.map(|cost| cost * nothing),
        shortage_if_ordered: one_lacking.map(|cost| cost * ordered),
    }
}

/// Mean operating hours of the jobs ahead of the machines that carry the part.
fn mean_job(outlook: &Outlook, ahead: &PartOutlook) -> f64 {
    let runs = || {
        ahead
            .places
            .iter()
            .flat_map(|place| &outlook.schedules[place.schedule].runs)
    };
    let count = runs().count();
    if count == 0 {
        return 0.0;
    }
    runs().map(|run| run.to - run.from).sum::<f64>() / count as f64
}
