//! A fleet folder as typed, checked data: what every later stage starts from.

use std::collections::BTreeMap;
use std::num::{NonZeroU16, NonZeroU32};

use jiff::civil::Date;
use rayon::prelude::*;
use serde::Serialize;

use super::catalogue::MM_PER_INCH;
use super::{Extras, JobSpread, Problem, RowCounts, RowRef, Text};

/// What a reason in the export says about the part that came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It reached the end of its life.
    Worn,
    /// It was found worn when somebody looked; it wore out at some time since the last look.
    FoundWorn,
    /// It came out for another reason.
    Unworn,
    /// It came out for another reason, and one that is not new went in (a set for another hose range).
    Swapped,
    /// It was looked at, found good and left in.
    InspectedOk,
    /// No mapping in `fleet.toml` covers the text: never counted as worn.
    Unknown,
}

/// A number of at least 0 that may be missing, in eight bytes.
#[derive(Clone, Copy, PartialEq)]
pub struct Told(f64);

impl Told {
    /// The number, where it is told; one below 0 counts as missing.
    pub fn new(number: Option<f64>) -> Self {
        Self(number.unwrap_or(-1.0))
    }

    /// The number.
    pub fn get(self) -> Option<f64> {
        (self.0 >= 0.0).then_some(self.0)
    }
}

impl std::fmt::Debug for Told {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.get().fmt(f)
    }
}

impl Serialize for Told {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.get().serialize(serializer)
    }
}

/// Further rows that say the very same, by their place in [`Fleet::merged`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub(crate) struct Merged(pub(crate) NonZeroU32);

/// One row of the replacement export, read and checked. Millions of them fit into memory: texts
/// are kept once, see [`Text`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Replacement {
    /// Day of the replacement or inspection.
    pub date: Date,
    /// Machine name after aliases.
    pub machine: Text,
    /// Part kind, as named in the catalogue.
    pub part: Text,
    /// Position on the machine, where told.
    pub position: Option<Text>,
    /// Hour meter, operating hours, where told.
    pub hours: Told,
    /// The reason's text as it stood.
    pub reason: Text,
    /// What the reason means.
    pub verdict: Verdict,
    /// Serial number of the part that went in, or that was looked at.
    pub serial: Option<Text>,
    /// Serial number of the part that came out.
    pub serial_out: Option<Text>,
    /// How many were changed together, where told.
    pub quantity: Option<NonZeroU16>,
    /// How many of those were worn, where told.
    pub worn_count: Option<u16>,
    /// Further columns of the export, kept as text for use as groups or covariates.
    pub extra: Extras,
    /// Row it was read from.
    pub row: RowRef,
    /// Further rows merged with it.
    pub(crate) merged: Option<Merged>,
    /// A digest of what tells rows apart and is not kept: the position as it was written, and
    /// columns of numbers that no two rows share.
    pub(crate) unkept: u32,
}

/// One hour-meter reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reading {
    /// Day of the reading.
    pub date: Date,
    /// Machine name.
    pub machine: Text,
    /// Operating hours shown.
    pub hours: f64,
    /// Where it was read.
    pub row: RowRef,
}

/// A declared meter reset or swap: from this date on the meter continues from `new_reading`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterReset {
    /// Machine name.
    pub machine: String,
    /// Day of the reset.
    pub date: Date,
    /// What the meter showed right after, hours.
    pub new_reading: f64,
    /// What it showed right before, hours, where told; else the hours lost are unknown.
    pub old_reading: Option<f64>,
}

/// What `fleet.toml` states about one machine.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct MachineFacts {
    /// Machine name.
    pub name: String,
    /// Other names the exports use for it.
    pub aliases: Vec<String>,
    /// Day it went into service with new parts.
    pub new_on: Option<Date>,
    /// What its meter showed that day, hours.
    pub first_hours: f64,
    /// Day it left service.
    pub retired_on: Option<Date>,
    /// Operating hours per calendar day, where the machine has no meter.
    pub hours_per_day: Option<f64>,
}

/// A stated age of a part at a date: what makes a life that began before the records countable.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KnownAge {
    /// Machine.
    pub machine: String,
    /// Part kind.
    pub part: String,
    /// Position; `None` for all of the machine's.
    pub position: Option<String>,
    /// Day the age holds.
    pub date: Date,
    /// Operating hours since new on that day.
    pub age_hours: f64,
}

/// A row that was set aside and may hide a replacement: lives that could span it are left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gap {
    /// Machine; `None` stands for any machine whose meter it fits.
    pub machine: Option<Text>,
    /// Part kind.
    pub part: Text,
    /// Position, where told.
    pub position: Option<Text>,
    /// Day, where readable.
    pub date: Option<Date>,
    /// Meter, where readable.
    pub hours: Option<f64>,
    /// The row.
    pub row: RowRef,
}

impl Gap {
    /// What a record that is set aside may hide.
    pub(super) fn of(record: &Replacement) -> Self {
        Self {
            machine: Some(record.machine),
            part: record.part,
            position: record.position,
            date: Some(record.date),
            hours: record.hours.get(),
            row: record.row,
        }
    }
}

/// One belt-tension check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TensionCheck {
    /// Day of the check.
    pub date: Date,
    /// Machine name.
    pub machine: String,
    /// Deflection under the stated force, inches.
    pub deflection_in: f64,
    /// Force pressed with, lbf, where told.
    pub force_lbf: Option<f64>,
    /// Where it was read.
    pub row: RowRef,
}

/// One job of the schedule.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Job {
    /// Name of the job, unique.
    pub name: String,
    /// First day.
    pub start: Date,
    /// Last day, not before `start`.
    pub end: Date,
    /// Machines that go, sorted, at least one.
    pub machines: Vec<String>,
    /// Operating hours the job asks of each machine.
    pub hours: f64,
    /// What the schedule leaves open about hours and start.
    #[serde(skip_serializing_if = "JobSpread::is_none")]
    pub spread: JobSpread,
    /// Further columns (hose size, …) as text.
    pub covariates: BTreeMap<String, String>,
    /// Where it was read.
    pub row: RowRef,
}

impl Job {
    /// Text of a further column, its heading compared without case, punctuation and spacing.
    pub fn named(&self, heading: &str) -> Option<&str> {
        let columns = self.covariates.iter();
        super::text::under(
            heading,
            columns.map(|(h, text)| (h.as_str(), text.as_str())),
        )
    }
}

/// How the positions of a part on one machine are changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ChangedHow {
    /// Each position on its own.
    Singly,
    /// All positions of a machine together.
    AsASet,
}

/// What to do with a change whose row does not tell which of several positions it was.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PositionNotTold {
    /// The row is set aside, and the lives that it may have ended with it.
    #[default]
    SetAside,
    /// The likelihood sums over the positions that it may have been.
    Sum,
}

/// A delivery under way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Delivery {
    /// How many parts.
    pub quantity: u32,
    /// Day it is due.
    pub due: Date,
}

/// Lead time from order to delivery, days: a 5–95 % range, equal when it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeadTime {
    /// 5 % of deliveries come sooner.
    pub low_days: f64,
    /// 95 % of deliveries have come by then.
    pub high_days: f64,
}

/// What a planned change takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct PlannedChange {
    /// Minutes of work.
    pub minutes: f64,
    /// Cost on top of the part, fleet currency.
    pub cost: f64,
    /// Cost of an hour of downtime for it, fleet currency; counted only when given.
    pub cost_per_hour: Option<f64>,
}

/// What wearing out in service takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct UnplannedStop {
    /// Hours the machine stands.
    pub hours: f64,
    /// Cost of each of those hours, fleet currency.
    pub cost_per_hour: f64,
}

/// Belief about a part's life before any record: 90 % of such parts wear out in this range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BelievedLife {
    /// 5 % wear out before this many hours.
    pub low_hours: f64,
    /// 95 % have worn out by this many hours.
    pub high_hours: f64,
    /// What the belief is worth, in worn parts.
    pub worth: f64,
}

/// A life model taken as exact.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FixedLife {
    /// Weibull shape.
    pub shape: f64,
    /// Weibull scale, hours.
    pub scale: f64,
}

/// A column of records and jobs whose values make a part last longer or shorter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LifeBy {
    /// Heading, as in the export or in the jobs.
    pub column: String,
    /// 90 % of values are believed to make it last within this factor of the typical life; above 1.
    pub within_factor: f64,
}

/// One part kind of the catalogue.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// Name of the part, unique.
    pub name: String,
    /// Other names the exports use for it.
    pub aliases: Vec<String>,
    /// How many one machine carries.
    pub per_machine: u32,
    /// Names of the positions, `per_machine` of them: as the catalogue gives them, as the records
    /// name them, else `1..`.
    pub positions: Vec<String>,
    /// Machines that carry it; empty for all.
    pub machines: Vec<String>,
    /// Singly or as a set.
    pub changed: ChangedHow,
    /// What becomes of changes of a position that is not told.
    pub position_not_told: PositionNotTold,
    /// Price of one, fleet currency.
    pub unit_cost: Option<f64>,
    /// Sold in packs of.
    pub pack: u32,
    /// Smallest quantity that can be ordered.
    pub minimum_order: u32,
    /// Lead time, needed for an order.
    pub lead_time: Option<LeadTime>,
    /// Parts in stock.
    pub on_hand: u32,
    /// Deliveries under way, sorted by date.
    pub on_order: Vec<Delivery>,
    /// Belief before records.
    pub believed_life: Option<BelievedLife>,
    /// Life model to use as it is.
    pub fixed_life: Option<FixedLife>,
    /// Column by whose values lives are told apart.
    pub life_by: Option<LifeBy>,
    /// What a planned change takes.
    pub planned_change: PlannedChange,
    /// What wearing out in service takes.
    pub unplanned_stop: Option<UnplannedStop>,
}

impl Part {
    /// A part kind with one position a machine, changed singly, sold singly, and nothing else
    /// stated: a start for those who use the library without a fleet folder.
    pub fn named(name: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            aliases: Vec::new(),
            per_machine: 1,
            positions: Vec::new(),
            machines: Vec::new(),
            changed: ChangedHow::Singly,
            position_not_told: PositionNotTold::default(),
            unit_cost: None,
            pack: 1,
            minimum_order: 1,
            lead_time: None,
            on_hand: 0,
            on_order: Vec::new(),
            believed_life: None,
            fixed_life: None,
            life_by: None,
            planned_change: PlannedChange::default(),
            unplanned_stop: None,
        }
    }
}

/// Unit that deflections are shown in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LengthUnit {
    /// Inches.
    In,
    /// Millimetres.
    Mm,
}

impl LengthUnit {
    /// `in` or `mm`.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::In => "in",
            Self::Mm => "mm",
        }
    }

    /// How many of it make an inch.
    pub fn per_inch(self) -> f64 {
        match self {
            Self::In => 1.0,
            Self::Mm => MM_PER_INCH,
        }
    }
}

/// The belt-tension check the crew works to; stored in inches, shown in `unit`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Practice {
    /// Deflection aimed for, inches.
    pub target_in: f64,
    /// Band low, inches.
    pub band_low_in: f64,
    /// Band high, inches.
    pub band_high_in: f64,
    /// Unit the user wrote.
    pub unit: LengthUnit,
    /// Force of the check, lbf.
    pub force_lbf: f64,
    /// Standard deviation of a reading, inches, where stated.
    pub reading_error_in: Option<f64>,
}

/// A whole fleet folder, read and checked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fleet {
    /// Name of the fleet.
    pub name: String,
    /// Records are complete up to this day.
    pub as_of: Date,
    /// Currency of all costs.
    pub currency: String,
    /// Chance of no shortage aimed for, in (0, 1).
    pub service_level: f64,
    /// Days between two looks at the stock.
    pub review_days: u32,
    /// Chance that a part wears out unseen between two looks at it that is allowed, in (0, 1).
    pub chance_unseen: f64,
    /// Catalogue, in the order written.
    pub parts: Vec<Part>,
    /// Every machine known from any record, reading, job or entry in `fleet.toml`, sorted.
    pub machines: Vec<Text>,
    /// What `fleet.toml` states about machines, sorted by name.
    pub machine_facts: Vec<MachineFacts>,
    /// Stated ages of fitted parts, sorted by machine, part, position, date.
    pub known_ages: Vec<KnownAge>,
    /// Replacements and inspections, sorted by machine, part, position, date, row.
    pub replacements: Vec<Replacement>,
    /// Rows merged with the first of them, see [`Fleet::rows_of`].
    pub merged: Vec<Vec<RowRef>>,
    /// Hour-meter readings, sorted by machine, date, row.
    pub readings: Vec<Reading>,
    /// Declared resets.
    pub resets: Vec<MeterReset>,
    /// Tension checks, sorted by machine, date, row.
    pub tension: Vec<TensionCheck>,
    /// Schedule, sorted by start, name.
    pub jobs: Vec<Job>,
    /// The tension practice, where stated.
    pub practice: Option<Practice>,
    /// What `fleet.toml` says of tension that cannot be used as it stands; no practice is compared then,
    /// and everything else goes on.
    pub practice_unusable: Option<String>,
    /// Rows set aside that may hide a replacement.
    pub gaps: Vec<Gap>,
    /// Problems found while reading.
    pub problems: Vec<Problem>,
    /// Row counts of the replacement exports.
    pub rows: RowCounts,
    /// What the program settled or matched by itself, to be shown to the user (column matches, date order, …).
    pub notes: Vec<String>,
}

/// Runs of records that are alike, one after the other.
pub(crate) fn runs(
    records: &[Replacement],
    alike: impl Fn(&Replacement, &Replacement) -> bool + Sync,
) -> Vec<std::ops::Range<usize>> {
    let ends = (1..=records.len()).into_par_iter();
    let ends = ends.filter(|&at| {
        records
            .get(at)
            .is_none_or(|next| !alike(&records[at - 1], next))
    });
    let mut from = 0;
    let ends: Vec<usize> = ends.collect();
    let run = |end| std::mem::replace(&mut from, end)..end;
    ends.into_iter().map(run).collect()
}

impl Fleet {
    /// Rows that a replacement was read from: more than one after merging duplicates.
    pub fn rows_of<'a>(
        &'a self,
        record: &'a Replacement,
    ) -> impl Iterator<Item = RowRef> + use<'a> {
        let more = record
            .merged
            .and_then(|at| self.merged.get(at.0.get() as usize - 1));
        std::iter::once(record.row).chain(more.into_iter().flatten().copied())
    }

    /// How many rows a replacement was read from.
    pub fn row_count(&self, record: &Replacement) -> u64 {
        self.rows_of(record).count() as u64
    }

    /// Where the replacements of a machine stand in [`Fleet::replacements`].
    pub(crate) fn of_machine(&self, machine: &str) -> std::ops::Range<usize> {
        let from = self
            .replacements
            .partition_point(|r| r.machine.as_str() < machine);
        let to =
            from + self.replacements[from..].partition_point(|r| r.machine.as_str() == machine);
        from..to
    }

    /// What `fleet.toml` states about a machine.
    pub fn facts(&self, machine: &str) -> Option<&MachineFacts> {
        let at = self
            .machine_facts
            .binary_search_by(|f| f.name.as_str().cmp(machine))
            .ok()?;
        self.machine_facts.get(at)
    }
}
