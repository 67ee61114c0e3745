//! Lives cut where the tension was read: a belt counts as what it was known to be at the time.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::lives::{ColumnValues, Life, LivesTable, NamedColumn, Observations, Outcome};
use crate::meters::Meters;
use crate::records::{Practice, TensionCheck};

/// Share by which a force may differ from the stated one and still be it.
const FORCE_TOLERANCE: f64 = 0.05;
/// What lives on target are grouped under; the rest are "outside it".
pub(super) const IN_BAND: &str = "in the band";
/// Hours by which a life and the meter of its machine may disagree before its spells are not placed.
const SLACK_HOURS: f64 = 2.0;

/// Where a reading lies against the band declared in the fleet file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Band {
    /// Too little give.
    TooTight,
    /// In the band, its ends included.
    OnTarget,
    /// Too much give.
    TooLoose,
}

impl Band {
    /// Band of a deflection.
    pub fn of(practice: &Practice, deflection_in: f64) -> Self {
        // Readings come in hundredths and through unit conversion: ends count as inside.
        let slack = 1e-9;
        if deflection_in < practice.band_low_in - slack {
            Self::TooTight
        } else if deflection_in > practice.band_high_in + slack {
            Self::TooLoose
        } else {
            Self::OnTarget
        }
    }

    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Self::TooTight => "too tight",
            Self::OnTarget => "on target",
            Self::TooLoose => "too loose",
        }
    }
}

/// A stretch of one life under one reading.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Spell {
    /// Place of its life among those looked at.
    pub(super) life: usize,
    pub(super) machine: String,
    /// Age at the reading.
    pub(super) entry: f64,
    /// End of the stretch: as in [`Observations`].
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) count: u32,
    pub(super) deflection_in: f64,
    pub(super) covariates: BTreeMap<String, String>,
}

/// What became of the lives and the readings.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct SpellCounts {
    /// Lives of the part.
    pub lives: u32,
    /// Lives with at least one spell under a known reading.
    pub lives_used: u32,
    /// Lives no reading was taken on.
    pub lives_without_reading: u32,
    /// Lives that cannot be placed on their machine's meter (no day of fitting, or moved).
    pub lives_not_placed: u32,
    /// Lives whose first reading came only after some hours; those hours are left out.
    pub lives_read_late: u32,
    /// Spells.
    pub spells: u32,
    /// Readings under another force than the stated one, left out.
    pub other_force: u32,
    /// Readings that state no force, taken to be under the stated one.
    pub unstated_force: u32,
    /// Machines with lives of the part and no reading at all.
    pub machines_without_reading: Vec<String>,
    /// Readings used.
    pub readings: u32,
}

/// Cuts the lives of a part at the readings taken on them.
///
/// A reading on the day a belt went in is that belt's own (it is set when it is fitted); one on the
/// day it came out is the next belt's. A reading holds until the next one. What lies before the
/// first reading is left out by late entry: nobody knew.
pub(super) fn spells(
    lives: &[&Life],
    tension: &[TensionCheck],
    meters: &Meters,
    force_lbf: f64,
) -> (Vec<Spell>, SpellCounts) {
    let mut counts = SpellCounts {
        lives: lives.len() as u32,
        ..SpellCounts::default()
    };
    let mut by_machine: BTreeMap<&str, Vec<&TensionCheck>> = BTreeMap::new();
    for check in tension {
        counts.unstated_force += u32::from(check.force_lbf.is_none());
        if is_other_force(check, force_lbf) {
            counts.other_force += 1;
        } else {
            by_machine.entry(&check.machine).or_default().push(check);
        }
    }
    let read: BTreeSet<&str> = tension.iter().map(|c| c.machine.as_str()).collect();
    let unread: BTreeSet<&str> = lives
        .iter()
        .map(|l| l.machine.as_str())
        .filter(|m| !read.contains(m))
        .collect();
    counts.machines_without_reading = unread.into_iter().map(str::to_owned).collect();
    let mut spells = Vec::new();
    for (index, life) in lives.iter().enumerate() {
        let Some(start) = life.start else {
            counts.lives_not_placed += 1;
            continue;
        };
        let running = life.outcome == Outcome::Running;
        let checks: Vec<&&TensionCheck> = by_machine
            .get(life.machine.as_str())
            .into_iter()
            .flatten()
            .filter(|c| c.date >= start && (c.date < life.end || (running && c.date <= life.end)))
            .collect();
        if checks.is_empty() {
            counts.lives_without_reading += 1;
            continue;
        }
        let point = |day| meters.point_at(&life.machine, day);
        let Some((from, to)) = point(start).zip(point(life.end)) else {
            counts.lives_not_placed += 1;
            continue;
        };
        let until = if life.high.is_finite() {
            life.high
        } else {
            life.low
        };
        let placed = meters
            .between(&life.machine, &from, &to)
            .is_some_and(|hours| {
                hours.high + SLACK_HOURS >= life.low - life.entry
                    && hours.low - SLACK_HOURS <= until
            });
        if !placed {
            counts.lives_not_placed += 1;
            continue;
        }
        let mut cuts: Vec<(f64, f64)> = Vec::new();
        for check in checks {
            let age = if check.date == start {
                Some(0.0)
            } else {
                point(check.date)
                    .and_then(|at| meters.between(&life.machine, &from, &at))
                    .map(|hours| hours.best)
            };
            if let Some(age) = age.map(|a| a.max(life.entry)).filter(|a| *a < life.low) {
                // Two readings at one age: the later one is how it was left.
                cuts.retain(|(other, _)| *other < age);
                cuts.push((age, check.deflection_in));
            }
        }
        if cuts.is_empty() {
            counts.lives_without_reading += 1;
            continue;
        }
        counts.lives_used += 1;
        counts.lives_read_late += u32::from(cuts[0].0 > life.entry);
        counts.readings += cuts.len() as u32;
        for (k, &(entry, deflection_in)) in cuts.iter().enumerate() {
            let (low, high) = cuts
                .get(k + 1)
                .map_or((life.low, life.high), |next| (next.0, f64::INFINITY));
            spells.push(Spell {
                life: index,
                machine: life.machine.to_string(),
                entry,
                low,
                high,
                count: life.count,
                deflection_in,
                covariates: life
                    .covariates
                    .columns()
                    .iter()
                    .map(|(name, text)| (name.to_string(), text.to_string()))
                    .collect(),
            });
        }
    }
    counts.spells = spells.len() as u32;
    (spells, counts)
}

/// Spells of lives by the band they were under, `None` for lives that no reading was taken on; and the band that
/// each machine was left in by its last reading.
pub(in crate::compare) fn by_tension<'a>(
    lives: &[&Life],
    tension: &'a [TensionCheck],
    meters: &Meters,
    practice: &Practice,
) -> (
    BTreeMap<Option<Band>, Observations>,
    BTreeMap<&'a str, Band>,
) {
    let (spells, _) = spells(lives, tension, meters, practice.force_lbf);
    let mut by_band: BTreeMap<Option<Band>, Observations> = BTreeMap::new();
    let mut read = BTreeSet::new();
    for spell in &spells {
        read.insert(spell.life);
        let band = Band::of(practice, spell.deflection_in);
        let of_band = by_band.entry(Some(band)).or_default();
        of_band.push(spell.low, spell.high, spell.entry, f64::from(spell.count));
    }
    for (index, life) in lives.iter().enumerate() {
        if !read.contains(&index) {
            let unread = by_band.entry(None).or_default();
            unread.push(life.low, life.high, life.entry, f64::from(life.count));
        }
    }
    // Sorted by machine and date: the last one stays.
    let last = tension
        .iter()
        .filter(|check| !is_other_force(check, practice.force_lbf))
        .map(|check| {
            (
                check.machine.as_str(),
                Band::of(practice, check.deflection_in),
            )
        });
    (by_band, last.collect())
}

/// Whether a reading states another force than the one that the band is for.
fn is_other_force(check: &TensionCheck, force_lbf: f64) -> bool {
    let other = |f: f64| (f - force_lbf).abs() > FORCE_TOLERANCE * force_lbf;
    check.force_lbf.is_some_and(other)
}

/// Spells as a table that lives can be compared from, with the columns `machine`, `band`, `in_band`
/// and those of `held`.
pub(super) fn table(spells: &[Spell], practice: &Practice, held: &[String]) -> LivesTable {
    let mut observations = Observations::default();
    for s in spells {
        observations.push(s.low, s.high, s.entry, f64::from(s.count));
    }
    let band = |s: &Spell| Band::of(practice, s.deflection_in);
    let text = |name: &str, of: &dyn Fn(&Spell) -> String| NamedColumn {
        name: name.to_owned(),
        values: ColumnValues::from_texts(spells.iter().map(of)),
    };
    let mut columns = vec![
        text("machine", &|s| s.machine.clone()),
        text("band", &|s| band(s).word().to_owned()),
        text("in_band", &|s| {
            if band(s) == Band::OnTarget {
                IN_BAND
            } else {
                "outside it"
            }
            .to_owned()
        }),
    ];
    for name in held {
        columns.push(text(name, &|s| {
            let recorded = s.covariates.get(name).filter(|v| !v.trim().is_empty());
            recorded
                .cloned()
                .unwrap_or_else(|| "not recorded".to_owned())
        }));
    }
    LivesTable {
        observations,
        columns,
    }
}
