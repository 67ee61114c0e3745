//! One life, and the columns the models read.

use jiff::civil::Date;
use serde::Serialize;
use serde::ser::SerializeStruct;

use super::{LifeRows, Unplaced};
use crate::meters::TurnedBack;
use crate::records::{Extras, Problem, RowCounts, RowRef, Text};

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

/// Which of a set's parts a life stands for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum OfSet {
    /// All there are.
    #[default]
    Whole,
    /// Those that were worn.
    Worn,
    /// Those that were not.
    Unworn,
}

/// Name of a life, unique in the fleet: `drive-belt/M1/1/3` is the third part seen in position 1
/// of M1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct LifeId {
    /// Part and position, as in `drive-belt/1`.
    pub place: Text,
    /// Machine.
    pub machine: Text,
    /// Number in that place, from 1.
    pub number: u32,
    /// Which of a set.
    pub of_set: OfSet,
}

impl LifeId {
    /// The name of a part's life in a place, all that it stands for.
    pub fn new(part: &str, machine: &str, position: &str, number: u32) -> Self {
        Self {
            place: Text::from(format!("{part}/{position}")),
            machine: machine.into(),
            number,
            of_set: OfSet::Whole,
        }
    }
}

impl std::fmt::Display for LifeId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let suffix = match self.of_set {
            OfSet::Whole => "",
            OfSet::Worn => "/worn",
            OfSet::Unworn => "/unworn",
        };
        let (part, position) = self.place.split_once('/').unwrap_or_default();
        let Self {
            machine, number, ..
        } = self;
        write!(f, "{part}/{machine}/{position}/{number}{suffix}")
    }
}

impl Serialize for LifeId {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What one part (or several alike, see `count`) went through, traced to its rows. Millions of them
/// fit into memory: texts are kept once, see [`Text`].
#[derive(Debug, Clone, PartialEq)]
pub struct Life {
    /// Stable name for tracing.
    pub id: LifeId,
    /// Part kind.
    pub part: Text,
    /// Machine it ended on or runs on.
    pub machine: Text,
    /// Position it ended in or runs in.
    pub position: Text,
    /// Serial number where told.
    pub serial: Option<Text>,
    /// How it ended.
    pub outcome: Outcome,
    /// It came out for a reason that no mapping covers, so `outcome` is `Unworn` for want of better.
    pub unknown_reason: bool,
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
    /// The rows it rests on.
    pub(crate) rows: LifeRows,
    /// Groups and covariates by name.
    pub covariates: Extras,
}

/// Operating hours for which a life with these bounds was seen.
pub(super) fn hours_seen(low: f64, high: f64, entry: f64) -> f64 {
    (if high.is_finite() { high } else { low }) - entry
}

impl Life {
    /// Operating hours for which all lives alike were seen.
    pub fn hours_seen(&self) -> f64 {
        f64::from(self.count) * hours_seen(self.low, self.high, self.entry)
    }

    /// Every row it rests on: the one that put it in, looks in between, the one that took it out,
    /// duplicates included.
    pub fn rows(&self) -> Vec<RowRef> {
        self.rows.all()
    }

    /// Row that put it in, where one did.
    pub fn start_row(&self) -> Option<RowRef> {
        self.rows.start()
    }

    /// Row that took it out, where one did.
    pub fn end_row(&self) -> Option<RowRef> {
        self.rows.end()
    }
}

impl Serialize for Life {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut life = serializer.serialize_struct("Life", 17)?;
        life.serialize_field("id", &self.id)?;
        life.serialize_field("part", &self.part)?;
        life.serialize_field("machine", &self.machine)?;
        life.serialize_field("position", &self.position)?;
        life.serialize_field("serial", &self.serial)?;
        life.serialize_field("outcome", &self.outcome)?;
        life.serialize_field("low", &self.low)?;
        life.serialize_field("high", &self.high)?;
        life.serialize_field("entry", &self.entry)?;
        life.serialize_field("count", &self.count)?;
        life.serialize_field("start", &self.start)?;
        life.serialize_field("end", &self.end)?;
        life.serialize_field("start_row", &self.start_row())?;
        life.serialize_field("end_row", &self.end_row())?;
        life.serialize_field("rows", &self.rows())?;
        life.serialize_field("unknown_reason", &self.unknown_reason)?;
        life.serialize_field("covariates", &self.covariates)?;
        life.end()
    }
}

/// A part now in a machine: what the forecast starts from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fitted {
    /// Machine.
    pub machine: Text,
    /// Part kind.
    pub part: Text,
    /// Position.
    pub position: Text,
    /// Operating hours since new at `as_of`; `None` when nobody knows.
    pub age_hours: Option<f64>,
    /// Row that put it in, where one did.
    pub since: Option<RowRef>,
    /// Id of its running life, where it has one.
    pub life: Option<LifeId>,
}

/// What a problem with a row costs: lives that had to be left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cost {
    /// The row.
    pub row: RowRef,
    /// Lives left out, sets counted in full.
    pub lives: u32,
    /// Those of them that the rows call worn.
    pub worn: u32,
    /// Hours of life left out, as far as they can be told.
    pub hours: f64,
}

/// All lives of a fleet, and what could not become one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lives {
    /// Lives, sorted by part, machine, position and number.
    pub lives: Vec<Life>,
    /// Parts now fitted, sorted by part (catalogue order), machine, position.
    pub fitted: Vec<Fitted>,
    /// Lives of which the rows do not tell the positions, by part and machine.
    pub unplaced: Vec<Unplaced>,
    /// Lives left out because the age at the start of the records is unknown.
    pub unknown_start: u32,
    /// Problems of reading and of building lives together.
    pub problems: Vec<Problem>,
    /// Row counts after both.
    pub rows: RowCounts,
    /// Lives left out for a problem with a row.
    pub costs: Vec<Cost>,
    /// Meters that went backwards without a declared reset.
    pub turned_back: Vec<TurnedBack>,
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
    /// Lives besides, of which the rows do not tell the positions.
    pub unplaced: Vec<Unplaced>,
}
