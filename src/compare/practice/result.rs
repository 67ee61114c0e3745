//! What a comparison of tension practice says.

use serde::Serialize;

use super::dose::DoseResponse;
use super::spells::{Band, SpellCounts};
use crate::compare::{Comparison, Expectation, Plan};
use crate::models::Caution;
use crate::records::Practice;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct PracticeOptions {
    /// Part kind the tension is of; the one whose name holds "belt" when not told.
    pub part: Option<String>,
    /// Columns to hold constant; hose size and site, where recorded, when empty.
    pub hold: Vec<String>,
    /// Standard deviation of a reading, inches; that of the fleet file when not told.
    pub reading_error_in: Option<f64>,
    /// Two-sided confidence.
    pub confidence: f64,
}

impl Default for PracticeOptions {
    fn default() -> Self {
        Self {
            part: None,
            hold: Vec::new(),
            reading_error_in: None,
            confidence: 0.95,
        }
    }
}

/// One band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandSummary {
    /// Band.
    pub band: Band,
    /// Least deflection of the band, inches; null below the band.
    pub from_in: Option<f64>,
    /// Greatest deflection of the band, inches; null above the band.
    pub to_in: Option<f64>,
    /// Belt tension at those ends over that on target (`T ∝ 1/deflection`): greatest first.
    pub relative_tension: (Option<f64>, Option<f64>),
    /// Lives with at least one spell in the band.
    pub lives: u32,
    /// Worn lives that ended in the band.
    pub worn: u32,
    /// Machines.
    pub machines: u32,
    /// Operating hours spent in the band.
    pub hours: f64,
    /// Mean life in the band, hours, if wear in all bands differs in speed only.
    pub mean_life: Option<f64>,
    /// Lives under observation in the band at round ages, the same for every band.
    pub at_risk: Vec<AtRisk>,
}

/// Lives under observation at an age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtRisk {
    /// Age, hours.
    pub hours: f64,
    /// Lives.
    pub lives: u32,
}

/// How much longer belts in the band last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandRatio {
    /// Life in the band over life outside it.
    pub ratio: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// What keeping every belt in the band would be worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worth {
    /// Belt hours a year at this fleet's use.
    pub belt_hours_a_year: f64,
    /// Share of the hours under known readings that were outside the band.
    pub share_outside: f64,
    /// Belts a year wearing out now.
    pub belts_a_year: f64,
    /// Belts a year saved, and its limits (negative: more belts).
    pub belts_saved: BandRatio,
    /// Hours of belt life gained a year: belts saved times mean life in the band.
    pub hours_gained: f64,
    /// Money saved a year, and its limits; null without a price.
    pub money_saved: Option<BandRatio>,
    /// Cost of one belt worn out in service.
    pub cost_of_one: Option<f64>,
    /// Currency.
    pub currency: String,
}

/// Lives, and those of them under a known reading.
#[derive(Debug, Clone, Copy)]
pub(super) struct SpellUse {
    pub(super) lives: u32,
    pub(super) lives_used: u32,
    /// Spells, and those of them outside the band.
    pub(super) spells: u32,
    pub(super) outside: u32,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PracticeComparison {
    /// Part kind.
    pub part: String,
    /// The answer as a sentence with its uncertainty.
    pub answer: String,
    /// What it is worth, as a sentence; empty where it cannot be said.
    pub worth_answer: String,
    /// The practice declared in the fleet file.
    pub practice: Practice,
    /// Force of the check, lbf.
    pub force_lbf: f64,
    /// Confidence of the limits.
    pub confidence: f64,
    /// What became of lives and readings.
    pub counts: SpellCounts,
    /// Bands: too tight, on target, too loose.
    pub bands: Vec<BandSummary>,
    /// In the band over outside it: the one comparison declared before looking.
    pub in_band: Option<BandRatio>,
    /// The same with the held columns constant.
    pub in_band_adjusted: Option<BandRatio>,
    /// The same if lives on one machine were no more alike than others.
    pub in_band_model_only: Option<BandRatio>,
    /// The same if each machine has a level of its own (shared frailty).
    pub in_band_shared_frailty: Option<BandRatio>,
    /// Columns held constant in it.
    pub held: Vec<String>,
    /// In the band and outside it, in full.
    pub primary: Option<Comparison>,
    /// The three bands against one another (Holm).
    pub by_band: Option<Comparison>,
    /// Dose and response, allowing for the reading error where one is stated.
    pub dose: Option<DoseResponse>,
    /// The same as read, where a reading error is allowed for in `dose`.
    pub dose_as_read: Option<DoseResponse>,
    /// Machine-to-machine standard deviation of log life (shared frailty); null where the lives show
    /// none beyond luck.
    pub machine_spread: Option<f64>,
    /// Shape that plans are made with: the shared shape less the bias of few worn lives.
    pub planning_shape: Option<f64>,
    /// Machine-to-machine spread that plans are made with: as found, else 0.2, an assumption.
    pub planning_spread: Option<f64>,
    /// What it would take to tell life ratios of 1.2, 1.3, 1.5 and 2.
    pub plans: Vec<Plan>,
    /// How far the limits will lie apart as more wear out.
    pub expectations: Vec<Expectation>,
    /// What it would be worth.
    pub worth: Option<Worth>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

/// Why there is no comparison of practice.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PracticeError {
    /// No practice declared.
    #[error(
        "fleet.toml has no [practice]: declare target, band and unit there before looking, for example target = 0.25, band = [0.20, 0.30], unit = \"in\""
    )]
    NoPractice,
    /// What is declared cannot be used.
    #[error("{0}")]
    Unusable(String),
    /// No readings.
    #[error(
        "the fleet has no tension checks: name a file with date, machine, deflection and force in [[tension]] of fleet.toml"
    )]
    NoReadings,
    /// Which part?
    #[error("cannot tell which part the tension is of: name one of {}", .0.join(", "))]
    WhichPart(Vec<String>),
    /// No such part.
    #[error("there is no part {asked:?}; parts: {}", parts.join(", "))]
    NoPart {
        /// Asked for.
        asked: String,
        /// What there is.
        parts: Vec<String>,
    },
    /// No life under a known reading.
    #[error(
        "no life of {part} was under a known reading: of {lives} lives, {without} have no reading between their days of fitting and removal and {not_placed} cannot be placed on a meter{}",
        if *other_force > 0 { format!("; {other_force} readings were taken under another force than the {force_lbf} lbf of [practice]") } else { String::new() }
    )]
    NoSpells {
        /// Part.
        part: String,
        /// Lives.
        lives: u32,
        /// Without a reading.
        without: u32,
        /// Not placed.
        not_placed: u32,
        /// Readings under another force.
        other_force: u32,
        /// The stated force, lbf.
        force_lbf: String,
    },
    /// Not a practice that can be compared.
    #[error("{0}")]
    Refused(&'static str),
}
