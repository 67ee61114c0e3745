//! What a stock plan is made of; field names are the JSON contract.

use jiff::civil::Date;
use serde::Serialize;

use super::{Inspection, PartValue, Sensitivity, StockCourse};
use crate::models::Caution;

/// What to order of one part.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
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
    /// The same if nothing is ordered.
    pub fill_rate_if_nothing_ordered: f64,
    /// Of the expected demand, what wears out in service; the rest are changes ahead of time.
    pub expected_wear_outs: f64,
    /// Expected demand if every part ran until worn.
    pub expected_demand_if_run_until_worn: f64,
    /// Smallest stock that meets the service level if every part ran until worn.
    pub needed_if_run_until_worn: u32,
    /// Days from order to delivery: 5 %, 50 % and 95 % points; null without a lead time.
    pub lead_days: Option<[i32; 3]>,
    /// Of the order, the fewest that cannot wait for the next look at the stock: up to a review and a
    /// lead time from now the chance of lacking one stays within what is allowed. Null without a lead
    /// time or an order.
    pub order_now: Option<u32>,
    /// Where it would bite first if nothing is ordered; null where the chance stays within what is
    /// allowed in every job.
    pub first_shortage: Option<FirstShortage>,
    /// Chance of lacking one on the last day of each job, by that day.
    pub lacking_by_date: Vec<LackingDay>,
}

/// The first job in which the chance of lacking a part on some day passes what is allowed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FirstShortage {
    /// Job.
    pub job: String,
    /// Its first day.
    pub start: Date,
    /// Its last day.
    pub end: Date,
    /// The largest chance, on any of its days, that more have been needed than there were.
    pub probability: f64,
}

/// Chance that by the end of a day more have been needed than there were.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LackingDay {
    /// Day: the last of a job.
    pub date: Date,
    /// That job.
    pub job: String,
    /// If nothing is ordered.
    pub if_nothing_ordered: f64,
    /// If the advice is followed by its last day.
    pub if_ordered: f64,
}

/// What one service level takes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NeededStock {
    /// Part kind.
    pub part: String,
    /// Chance of no shortage.
    pub service_level: f64,
    /// Smallest stock, deliveries included, that meets it over the schedule.
    pub needed: u32,
    /// What to order for it.
    pub order_quantity: u32,
    /// What that costs; null without a price.
    pub order_cost: Option<f64>,
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
    /// by then (the advised order with them), less what jobs that are over by then are expected to have
    /// used and the whole kits of jobs still under way.
    pub short: u32,
    /// Chance that what is expected to be on the shelf is enough, if no more than that is carried.
    pub probability_enough_from_shelf: f64,
}

/// The kit of one job as a whole.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KitTotal {
    /// Job.
    pub job: String,
    /// Chance that nothing is lacking, over all parts.
    pub probability_nothing_lacking: f64,
    /// The same with no more than what is expected to be on the shelf.
    pub probability_nothing_lacking_from_shelf: f64,
    /// What the kit is worth; null where a part that is carried has no price.
    pub cost: Option<f64>,
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
    /// Changing pays only because the machine is open for another part before that job.
    pub while_open: bool,
    /// Age from which changing it pays where the machine is stopped for another part halfway through the job,
    /// operating hours; null for never. The plan does not count such changes.
    pub change_if_open_from: Option<f64>,
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
    /// Hours between which an interval costs at most 2 % more than the best.
    pub about_as_good: Option<[f64; 2]>,
    /// Share of the cost of running until worn that the interval saves: 5 %, 50 % and 95 % points over
    /// what the records leave uncertain; negative is a loss.
    pub saving: Option<[f64; 3]>,
    /// Chance, over the same, that it saves anything.
    pub probability_saves: Option<f64>,
    /// Cost per operating hour at a few hundred hours (300; common practice).
    pub cost_per_hour_at_few_hundred: Option<f64>,
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
    /// Day of the next look at the stock.
    pub next_look: Date,
    /// Stock at a row of service levels, catalogue order.
    pub needed_stock: Vec<NeededStock>,
    /// Kits as wholes, schedule order.
    pub kit_totals: Vec<KitTotal>,
    /// When to look, catalogue order.
    pub inspections: Vec<Inspection>,
    /// What stock, advice and shortage cost, catalogue order.
    pub value: Vec<PartValue>,
    /// How the orders would change, catalogue order; empty where it is not asked for.
    pub sensitivity: Vec<Sensitivity>,
    /// Course of each part's stock if the advice is followed, for the chart.
    #[serde(skip)]
    pub courses: Vec<StockCourse>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}
