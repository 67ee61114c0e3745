//! One life, and the columns the models read.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::Serialize;

use crate::records::{Problem, RowCounts, RowRef};

/// How a life ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// It reached the end of its life, by failure or by the replacement criterion.
    Worn,
    /// It came out for another reason.
    Unworn,
    /// It is still in at the end of the records.
    Running,
}

/// What one part (or several alike, see `count`) went through, traced to its rows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Life {
    /// Stable name for tracing, unique in the fleet (`drive-belt/M1/1/3`: part, machine, position, number).
    pub id: String,
    /// Part kind.
    pub part: String,
    /// Machine it ended on or runs on.
    pub machine: String,
    /// Position it ended in or runs in.
    pub position: String,
    /// Serial number where told.
    pub serial: Option<String>,
    /// How it ended.
    pub outcome: Outcome,
    /// Age bounds at wear-out, operating hours: equal = exact; `high` infinite = right-censored at
    /// `low`; `low` 0 = left-censored at `high`; else the interval in which it wore out.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Age at which it came under observation (left truncation), hours; 0 when seen from new.
    pub entry: f64,
    /// How many lives alike (a set changed together without telling which was worn is one worn and
    /// the rest unworn, as two `Life` rows).
    pub count: u32,
    /// Day it went in, where known.
    pub start: Option<Date>,
    /// Day it came out, or the end of the records.
    pub end: Date,
    /// Row that put it in, where one did.
    pub start_row: Option<RowRef>,
    /// Row that took it out, where one did.
    pub end_row: Option<RowRef>,
    /// Every row it rests on: the one that put it in, looks in between, the one that took it out,
    /// duplicates included.
    pub rows: Vec<RowRef>,
    /// It came out for a reason that no mapping covers, so `outcome` is `Unworn` for want of better.
    pub unknown_reason: bool,
    /// Groups and covariates by name.
    pub covariates: BTreeMap<String, String>,
}

/// A part now in a machine: what the forecast starts from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fitted {
    /// Machine.
    pub machine: String,
    /// Part kind.
    pub part: String,
    /// Position.
    pub position: String,
    /// Operating hours since new at `as_of`; `None` when nobody knows.
    pub age_hours: Option<f64>,
    /// Row that put it in, where one did.
    pub since: Option<RowRef>,
    /// Id of its running life, where it has one.
    pub life: Option<String>,
}

/// All lives of a fleet, and what could not become one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lives {
    /// Lives, sorted by id.
    pub lives: Vec<Life>,
    /// Parts now fitted, sorted by part (catalogue order), machine, position.
    pub fitted: Vec<Fitted>,
    /// Lives left out because the age at the start of the records is unknown.
    pub unknown_start: u32,
    /// Problems of reading and of building lives together.
    pub problems: Vec<Problem>,
    /// Row counts after both.
    pub rows: RowCounts,
}

/// The numbers a model reads: columns of equal length, one row a life.
///
/// `low == high`: exact. `high == ∞`: right-censored at `low`. `low == 0` with finite `high`:
/// left-censored. Otherwise the life ended in `(low, high]`. At risk in `(entry, end]`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Observations {
    /// Lower bounds, hours, finite, ≥ 0.
    pub low: Vec<f64>,
    /// Upper bounds, hours, > 0, may be infinite.
    pub high: Vec<f64>,
    /// Entry ages, hours, ≥ 0; empty when none is truncated.
    pub entry: Vec<f64>,
    /// Counts, ≥ 1 and whole; empty when all are 1. Bootstrap weights may be fractional.
    pub count: Vec<f64>,
}
