//! What a forecast is made of; field names are the JSON contract.

use jiff::civil::Date;
use serde::Serialize;

use crate::models::Caution;
use crate::records::Part;

/// Quantiles of the predictive distribution of remaining life, operating hours.
/// `None`: not reached (the predictive distribution never gets there in the hours looked at).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Remaining {
    /// 10 % have worn out by then.
    pub p10: Option<f64>,
    /// Median.
    pub p50: Option<f64>,
    /// 90 % have worn out by then.
    pub p90: Option<f64>,
}

/// The chance that a fitted part (or its successor position) wears out in one job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobChance {
    /// Job name.
    pub job: String,
    /// Operating hours the job asks of this machine.
    pub hours: f64,
    /// Chance that the part fitted at `as_of` wears out during this job (not before it).
    pub probability_worn_out: f64,
}

/// One fitted part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedPart {
    /// Machine.
    pub machine: String,
    /// Part kind.
    pub part: String,
    /// Position.
    pub position: String,
    /// Operating hours since new at `as_of`; null when unknown.
    pub age_hours: Option<f64>,
    /// Remaining life.
    pub remaining: Remaining,
    /// Day the machine reaches `p10` by the schedule; null beyond the schedule.
    pub date_p10: Option<Date>,
    /// Likewise for the median.
    pub date_p50: Option<Date>,
    /// Likewise for `p90`.
    pub date_p90: Option<Date>,
    /// The machine's jobs in order.
    pub jobs: Vec<JobChance>,
}

/// One value of a count distribution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct QuantityProbability {
    /// Parts needed.
    pub quantity: u32,
    /// Probability of needing exactly that many.
    pub probability: f64,
}

/// Parts needed in one job, or (job `None`) over the whole schedule.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Demand {
    /// Part kind.
    pub part: String,
    /// Job name; null for the whole schedule.
    pub job: Option<String>,
    /// Expected number.
    pub expected: f64,
    /// Whole distribution from 0 up; sums to 1.
    pub distribution: Vec<QuantityProbability>,
}

/// A part kind that gets no forecast, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NoForecast {
    /// Part kind.
    pub part: String,
    /// Why, and what to do, as a sentence.
    pub reason: String,
}

impl NoForecast {
    pub(super) fn of(part: &Part, reason: String) -> Self {
        Self {
            part: part.name.clone(),
            reason,
        }
    }
}

/// What the schedule leaves open about one job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OpenJob {
    /// Job name.
    pub job: String,
    /// Operating hours per machine, median.
    pub hours: f64,
    /// It takes fewer with 1 chance in 20.
    pub hours_low: f64,
    /// It takes more with 1 chance in 20.
    pub hours_high: f64,
    /// It starts so many days late, or later still, with 1 chance in 20.
    pub slip_days: f64,
}

/// The whole forecast.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forecast {
    /// Day from which it looks ahead.
    pub as_of: Date,
    /// Fitted parts, sorted by part (catalogue order), machine, position.
    pub fitted: Vec<FittedPart>,
    /// Demand by part and job (schedule order, then null).
    pub demand: Vec<Demand>,
    /// Jobs ahead whose hours or start the schedule leaves open; absent where there are none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub open_jobs: Vec<OpenJob>,
    /// Parts without a forecast.
    pub no_forecast: Vec<NoForecast>,
    /// Cautions by part.
    pub cautions: Vec<Caution>,
}
