//! What a stock plan is made of; field names are the JSON contract.

use jiff::civil::Date;
use serde::Serialize;

use crate::models::Caution;

/// What to order of one part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Order {
    /// Part kind.
    pub part: String,
    /// In stock.
    pub on_hand: u32,
    /// Under way.
    pub on_order: u32,
    /// Expected demand over the schedule.
    pub expected_demand: f64,
    /// Smallest total stock that meets the service level over the schedule.
    pub needed: u32,
    /// What to order now (packs and minimum order respected).
    pub order_quantity: u32,
    /// Latest day to order so that it can be there in time; null when nothing is to be ordered.
    pub order_by: Option<Date>,
    /// Day by which it is there with 95 % certainty when ordered on `order_by`; null without one.
    pub there_by: Option<Date>,
    /// Chance of running short at some time in the schedule if nothing is ordered.
    pub shortage_probability_if_nothing_ordered: f64,
    /// The same if the advice is followed by `order_by`.
    pub shortage_probability_if_ordered: f64,
    /// The same if ordered today.
    pub shortage_probability_if_ordered_today: f64,
    /// Expected share of the parts needed that are on the shelf when they are needed, if the advice is
    /// followed; 1 where nothing is expected to be needed.
    pub fill_rate: f64,
}

/// How many of one part to carry to one job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KitLine {
    /// Job.
    pub job: String,
    /// Part kind.
    pub part: String,
    /// How many to carry.
    pub quantity: u32,
    /// Chance that so many are enough in that job.
    pub probability_enough: f64,
    /// How many of them are expected not to be on the shelf when the job starts: stock and deliveries
    /// by then (the advised order with them), less what earlier starts are expected to use.
    pub short: u32,
}

/// What to do with a fitted part before a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Advice {
    /// Change it in the workshop first.
    Change,
    /// Run on.
    RunOn,
}

/// Change before the job, or run on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangeDecision {
    /// Job.
    pub job: String,
    /// Machine.
    pub machine: String,
    /// Part kind.
    pub part: String,
    /// Position.
    pub position: String,
    /// Age at the start of the job if it has not worn out, operating hours.
    pub age_hours: f64,
    /// The cheaper way.
    pub advice: Advice,
    /// Chance that it wears out during the job.
    pub probability_worn_out: f64,
    /// Expected cost if changed first, fleet currency; null without prices.
    pub expected_cost_if_changed: Option<f64>,
    /// Expected cost if left in; null without prices.
    pub expected_cost_if_left: Option<f64>,
}

/// The best planned interval of one part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedInterval {
    /// Part kind.
    pub part: String,
    /// Operating hours at which to change; null where planned change does not pay.
    pub hours: Option<f64>,
    /// Cost per operating hour at that interval; null where it does not pay.
    pub cost_per_hour: Option<f64>,
    /// Cost per operating hour when run until worn.
    pub cost_per_hour_run_on: Option<f64>,
    /// Why not, or what it rests on, as a sentence.
    pub note: String,
}

/// The whole stock plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StockPlan {
    /// Day from which it looks ahead.
    pub as_of: Date,
    /// Service level aimed for.
    pub service_level: f64,
    /// Orders, catalogue order.
    pub orders: Vec<Order>,
    /// Kits, by job then part.
    pub kits: Vec<KitLine>,
    /// Change-before-job decisions, by job, machine, part, position.
    pub changes: Vec<ChangeDecision>,
    /// Planned intervals, catalogue order.
    pub planned_intervals: Vec<PlannedInterval>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}
