//! The stock plan of a fleet.

use jiff::civil::Date;
use rayon::prelude::*;

use super::carry::Carried;
use super::changes::{all_decisions, policy_caution};
use super::course::course;
use super::days::plus_days;
use super::inspect::inspection;
use super::orders::{Asked, Planned};
use super::planned_interval::planned_interval;
use super::timeline::Timeline;
use super::types::{NeededStock, Order, PlannedInterval, StockPlan};
use super::value::value;
use super::{Inspection, PartValue, StockCourse};
use crate::forecast::{Counts, Forecast, Outlook, PartOutlook, Span};
use crate::models::{Caution, CautionCode};
use crate::records::{Fleet, Part};

/// What is asked of a stock plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StockOptions {
    /// Chance of no shortage aimed for, in (0, 1).
    pub service_level: f64,
    /// Lead time of every part, days, instead of the catalogue's.
    pub lead_time_days: Option<f64>,
    /// Chance of wearing out unseen that is allowed between two looks at a part, in (0, 1).
    pub chance_unseen: f64,
}

impl Default for StockOptions {
    fn default() -> Self {
        Self {
            service_level: 0.95,
            lead_time_days: None,
            chance_unseen: 0.1,
        }
    }
}

/// Chances of running short are exact to this.
const TOLERANCE: f64 = 5e-4;

/// Orders, kits, changes and intervals for the jobs ahead.
pub fn plan(
    fleet: &Fleet,
    outlook: &Outlook,
    forecast: &Forecast,
    options: &StockOptions,
) -> StockPlan {
    let mut plan = StockPlan {
        as_of: outlook.as_of,
        service_level: options.service_level,
        orders: Vec::new(),
        kits: Vec::new(),
        changes: Vec::new(),
        planned_intervals: Vec::new(),
        next_look: plus_days(
            outlook.as_of,
            i32::try_from(fleet.review_days).unwrap_or(i32::MAX),
        ),
        needed_stock: Vec::new(),
        kit_totals: Vec::new(),
        inspections: Vec::new(),
        value: Vec::new(),
        courses: Vec::new(),
        sensitivity: Vec::new(),
        cautions: outlook.cautions.clone(),
    };
    let exact = outlook.roughly(TOLERANCE);
    let of_part = |ahead: &PartOutlook| {
        let part = &fleet.parts[ahead.part];
        let mut cautions = Vec::new();
        let demand = Demand::of(outlook, forecast, ahead);
        let timeline = Timeline::of(&exact, ahead, &eves(part));
        let asked = Asked {
            outlook: &exact,
            ahead,
            part,
            all: &demand.all,
            timeline: &timeline,
            allowed: 1.0 - options.service_level,
            lead_time_days: options.lead_time_days,
            review_days: fleet.review_days,
        };
        let mut planned = asked.order(&mut cautions);
        demand.tell(&exact, ahead, &mut planned.order, options.service_level);
        cautions.extend(policy_caution(ahead, part));
        cautions.extend(comes_late(&planned.order, options.service_level));
        PartPlan {
            needed_stock: asked.needed_stock(),
            interval: planned_interval(ahead, part),
            inspection: inspection(outlook, ahead, options.chance_unseen),
            value: value(outlook, ahead, part, &timeline, &planned),
            course: course(outlook, &timeline, &planned),
            in_jobs: demand.in_jobs,
            planned,
            cautions,
        }
    };
    let parts: Vec<PartPlan> = outlook.parts.par_iter().map(of_part).collect();
    let mut orders: Vec<Planned> = Vec::new();
    let mut in_jobs: Vec<Vec<Counts>> = Vec::new();
    for part in parts {
        plan.cautions.extend(part.cautions);
        plan.needed_stock.extend(part.needed_stock);
        plan.planned_intervals.push(part.interval);
        plan.inspections.push(part.inspection);
        plan.value.push(part.value);
        plan.courses.extend(part.course);
        in_jobs.push(part.in_jobs);
        orders.push(part.planned);
    }
    plan.changes = all_decisions(outlook, &fleet.parts);
    let carried = Carried {
        fleet,
        outlook,
        forecast,
        orders: &orders,
        in_jobs: &in_jobs,
        service_level: options.service_level,
    };
    (plan.kits, plan.kit_totals) = carried.kits();
    plan.orders = orders.into_iter().map(|planned| planned.order).collect();
    plan
}

/// What the plan has for one part kind.
struct PartPlan {
    planned: Planned,
    needed_stock: Vec<NeededStock>,
    interval: PlannedInterval,
    inspection: Inspection,
    value: PartValue,
    course: Option<StockCourse>,
    in_jobs: Vec<Counts>,
    cautions: Vec<Caution>,
}

/// Demand of one part kind, as the forecast has it.
struct Demand {
    /// Wear-outs in each job: planned changes are done in the workshop before, its kit is for the rest.
    in_jobs: Vec<Counts>,
    /// All parts used over the schedule.
    all: Counts,
    /// Expected wear-outs over the schedule.
    wear_outs: f64,
}

impl Demand {
    fn of(outlook: &Outlook, forecast: &Forecast, ahead: &PartOutlook) -> Self {
        let mut in_jobs: Vec<Counts> = forecast
            .demand
            .iter()
            .filter(|d| d.part == ahead.name)
            .map(|d| Counts::from_weights(d.distribution.iter().map(|q| q.probability).collect()))
            .collect();
        let all = in_jobs.pop().unwrap_or_else(Counts::none);
        let mut wear_outs = all.mean();
        if ahead.planned {
            in_jobs = outlook.wear_outs(ahead, &outlook.spans_of_jobs()).counts;
            wear_outs = in_jobs.pop().map_or(0.0, |c| c.mean()).min(all.mean());
        }
        Self {
            in_jobs,
            all,
            wear_outs,
        }
    }

    /// How much of the need is for wear-outs, and what it would be without changes ahead of time.
    fn tell(&self, outlook: &Outlook, ahead: &PartOutlook, order: &mut Order, service_level: f64) {
        order.expected_wear_outs = self.wear_outs;
        order.expected_demand_if_run_until_worn = self.all.mean();
        order.needed_if_run_until_worn = order.needed;
        if ahead.planned {
            let until_worn = outlook.demand_until_worn(ahead, &[Span::All]).counts;
            if let Some(counts) = until_worn.first() {
                order.expected_demand_if_run_until_worn = counts.mean();
                order.needed_if_run_until_worn = counts.quantile(service_level);
            }
        }
    }
}

/// The days before deliveries, on which stock is lowest.
fn eves(part: &Part) -> Vec<Date> {
    part.on_order.iter().map(|d| plus_days(d.due, -1)).collect()
}

/// Enough is on its way, but it comes too late.
fn comes_late(order: &Order, service_level: f64) -> Option<Caution> {
    let short = order.shortage_probability_if_nothing_ordered;
    (order.order_quantity == 0 && short > 1.0 - service_level + 1e-3).then(|| {
        let job = order.first_shortage.as_ref();
        let first = job.map_or(String::new(), |f| format!(", first in {}", f.job));
        Caution::about(
            CautionCode::TooLate,
            &order.part,
            format!(
                "enough is on hand and on order, but with deliveries on their days the chance of running \
                 short before one comes is {:.0}%{first}; ask for a faster delivery",
                100.0 * short
            ),
        )
    })
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
