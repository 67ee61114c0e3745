//! From a fleet's readings and lives to the answer.

use super::answer::answer;
use super::bands::{bands, distinct};
use super::cautions::{cautions_of, unread_checks};
use super::dose::{Allowed, DoseRequest, DoseResponse, dose};
use super::result::{BandRatio, PracticeComparison, PracticeError, PracticeOptions, SpellUse};
use super::spells::{IN_BAND, Spell, spells, table};
use super::worth::{usage, worth, worth_answer};
use super::{Band, SpellCounts};
use crate::compare::{
    CompareOptions, Comparison, Expectation, Grouping, LifeRatio, Plan, Planned, compare,
    covariate_of, expected_limits, plan, reduced_bias,
};
use crate::lives::{Life, Lives, LivesTable};
use crate::meters::Meters;
use crate::models::regression::{Covariate, RegressionError};
use crate::models::{Caution, CautionCode};
use crate::records::{Fleet, Part};

/// Columns held constant where they are recorded and nothing else is asked.
const USUALLY_HELD: [&str; 2] = ["hose_size", "site"];
/// Life ratios that plans are made for.
const PLANNED: [f64; 4] = [1.2, 1.3, 1.5, 2.0];
/// Worn lives an arm that expected limits are given for.
const EXPECTED: [u64; 6] = [5, 10, 20, 40, 80, 160];
/// Machine-to-machine spread assumed for plans when the lives cannot tell: an assumption, no source.
const USUAL_SPREAD: f64 = 0.2;
/// Power that plans are made for.
const POWER: f64 = 0.8;

/// Whether a practice of that name can be compared.
///
/// # Errors
/// [`PracticeError::Refused`] with the reason.
pub fn practice_named(name: &str) -> Result<(), PracticeError> {
    match name.to_lowercase().as_str() {
        "tension" => Ok(()),
        "retensioned" | "retension" | "retensioning" => Err(PracticeError::Refused(
            "whether a belt was ever retensioned is not a practice that can be compared: belts that \
             last longer get more chances to be retensioned, so they would look better even if it did \
             nothing; use --practice tension, which goes by what each reading showed at the time",
        )),
        _ => Err(PracticeError::Refused(
            "the practice that can be compared is tension; other groups go with --by COLUMN",
        )),
    }
}

/// Compares belt lives by tension practice.
///
/// # Errors
/// No practice declared, no readings, no part, no life under a known reading. All else that cannot
/// be told is null in the result, with a caution.
pub fn tension_practice(
    fleet: &Fleet,
    meters: &Meters,
    lives: &Lives,
    options: &PracticeOptions,
) -> Result<PracticeComparison, PracticeError> {
    if let Some(why) = &fleet.practice_unusable {
        return Err(PracticeError::Unusable(why.clone()));
    }
    let practice = fleet.practice.ok_or(PracticeError::NoPractice)?;
    if fleet.tension.is_empty() {
        return Err(PracticeError::NoReadings);
    }
    let part = part_of(fleet, options.part.as_deref())?;
    let of_part: Vec<&Life> = lives.lives.iter().filter(|l| l.part == part.name).collect();
    let (spells, counts) = spells(&of_part, &fleet.tension, meters, practice.force_lbf);
    if spells.is_empty() {
        return Err(no_spells(part, &counts, practice.force_lbf));
    }
    let held = held(&spells, options);
    let table = table(&spells, &practice, &held);
    let mut cautions = cautions_of(&counts, &practice, &spells, &held);
    cautions.extend(unread_checks(&fleet.problems));
    let (primary, by_band) = comparisons(&table, &held, options, &mut cautions);
    let reading_error_in = options.reading_error_in.or(practice.reading_error_in);
    let (dose, dose_as_read) = doses(
        &DoseRequest {
            spells: &spells,
            practice: &practice,
            held: &covariates(&table, &held),
            machines: &Grouping::of(&table, "machine")
                .map(|g| g.clusters())
                .unwrap_or_default(),
            clustered: distinct(spells.iter().map(|s| s.machine.as_str())) >= 4,
            confidence: options.confidence,
        },
        reading_error_in,
        &part.name,
        &mut cautions,
    );
    let bands = bands(&spells, &practice, by_band.as_ref());
    let ratio = primary.as_ref().and_then(in_band);
    let usage = usage(fleet, meters, part);
    let spread = primary.as_ref().and_then(|p| p.machine_spread);
    let machine_spread = spread.map(|s| s.standard_deviation).filter(|sd| *sd > 0.0);
    let worn: f64 = bands.iter().map(|b| f64::from(b.worn)).sum();
    let shape = primary
        .as_ref()
        .and_then(|p| p.shared_shape.as_ref()?.estimate)
        .or(dose.as_ref().map(|d| d.shape));
    let planned = shape.map(|shape| {
        let hours: f64 = bands.iter().map(|b| b.hours).sum();
        let of = |on_target: bool| -> f64 {
            let these = bands
                .iter()
                .filter(|b| (b.band == Band::OnTarget) == on_target);
            these.map(|b| f64::from(b.worn)).sum()
        };
        Planned {
            shape: reduced_bias(shape, worn),
            machine_sd: machine_spread.unwrap_or(USUAL_SPREAD),
            machines_per_arm: distinct(spells.iter().map(|s| s.machine.as_str())) as f64 / 2.0,
            hours_per_worn: (worn > 0.0).then(|| hours / worn),
            hours_per_month: usage.map(|u| u / 12.0),
            worn: [of(true), of(false)],
        }
    });
    let plans: Vec<Plan> = planned.iter().flat_map(plans).collect();
    let expectations: Vec<Expectation> = planned
        .iter()
        .flat_map(|of| EXPECTED.iter().map(|&worn| expected_limits(of, worn)))
        .collect();
    let worth = ratio.and_then(|r| worth(fleet, part, &bands, r, usage?));
    let used = SpellUse {
        lives: counts.lives,
        lives_used: counts.lives_used,
        spells: counts.spells,
        outside: spells
            .iter()
            .filter(|s| Band::of(&practice, s.deflection_in) != Band::OnTarget)
            .count() as u32,
    };
    let told = primary.as_ref();
    Ok(PracticeComparison {
        part: part.name.clone(),
        answer: answer(part, &practice, ratio, told, used, &plans),
        worth_answer: worth
            .as_ref()
            .map(|w| worth_answer(w, &part.name))
            .unwrap_or_default(),
        practice,
        force_lbf: practice.force_lbf,
        confidence: options.confidence,
        counts,
        in_band_adjusted: told.and_then(in_band_adjusted),
        in_band_model_only: told.and_then(in_band_model_only),
        in_band_shared_frailty: told.and_then(in_band_frailty),
        bands,
        in_band: ratio,
        held,
        primary,
        by_band,
        dose,
        dose_as_read,
        machine_spread,
        planning_shape: planned.map(|p| p.shape),
        planning_spread: planned.map(|p| p.machine_sd),
        plans,
        expectations,
        worth,
        cautions,
    })
}

fn plans(of: &Planned) -> Vec<Plan> {
    let plans = PLANNED.iter().filter_map(|&ratio| plan(of, ratio, POWER));
    plans.collect()
}

fn no_spells(part: &Part, counts: &SpellCounts, force_lbf: f64) -> PracticeError {
    PracticeError::NoSpells {
        part: part.name.clone(),
        lives: counts.lives,
        without: counts.lives_without_reading,
        not_placed: counts.lives_not_placed,
        other_force: counts.other_force,
        force_lbf: force_lbf.to_string(),
    }
}

fn covariates(table: &LivesTable, held: &[String]) -> Vec<Covariate> {
    held.iter()
        .filter_map(|name| covariate_of(table, name).ok())
        .collect()
}

/// The curve, and beside it the curve as read where a reading error (standard deviation, inches) is allowed
/// for.
fn doses(
    request: &DoseRequest<'_>,
    error_in: Option<f64>,
    part: &str,
    cautions: &mut Vec<Caution>,
) -> (Option<DoseResponse>, Option<DoseResponse>) {
    let mut notes = Vec::new();
    let mut told = |result: Result<DoseResponse, RegressionError>, then: &str| {
        let dose = result
            .map_err(|error| notes.push(format!("No curve of life against deflection: {error}.")))
            .ok();
        notes.push(then.to_owned());
        dose
    };
    let as_read = dose(request, None);
    let behind = error_in.map(|error_in| (error_in, request.true_values(error_in)));
    let (curve, beside) = match behind {
        None => {
            let then = "Reading error makes the true curve look flatter, and the bands more alike, than \
                        they are; none is allowed for unless it is stated beside the practice in fleet.toml.";
            (told(as_read, then), None)
        }
        Some((error_in, Some(behind))) => {
            let curve = as_read.clone().and_then(|as_read| {
                let allowed = Allowed {
                    error_in,
                    behind: &behind,
                    curvature_as_read: as_read.curvature.estimate,
                };
                dose(request, Some(allowed))
            });
            let then = "The curve allows for the stated reading error (not quite: in trials the curvature \
                        stayed 8 to 16% too flat), and the bands not at all, so the true effect of tension \
                        is, if anything, greater than shown.";
            (told(curve, then), as_read.ok())
        }
        Some((_, None)) => {
            let then = "The stated reading error is nearly as large as the whole spread of the readings, \
                        so the readings tell next to nothing about the true tensions and the curve is left \
                        as read.";
            (told(as_read, then), None)
        }
    };
    let notes = notes.into_iter();
    cautions.extend(notes.map(|text| Caution::about(CautionCode::Note, part, text)));
    (curve, beside)
}

/// The part the tension is of: as asked, else the one with "belt" in its name.
fn part_of<'a>(fleet: &'a Fleet, asked: Option<&str>) -> Result<&'a Part, PracticeError> {
    let names = || fleet.parts.iter().map(|p| p.name.clone()).collect();
    if let Some(asked) = asked {
        return fleet
            .parts
            .iter()
            .find(|p| p.name == asked)
            .ok_or_else(|| PracticeError::NoPart {
                asked: asked.to_owned(),
                parts: names(),
            });
    }
    let mut belts = fleet
        .parts
        .iter()
        .filter(|p| p.name.to_lowercase().contains("belt"));
    match (belts.next(), belts.next()) {
        (Some(part), None) => Ok(part),
        _ => Err(PracticeError::WhichPart(names())),
    }
}

/// Columns to hold constant: those asked for, else the usual ones that vary.
fn held(spells: &[Spell], options: &PracticeOptions) -> Vec<String> {
    let varies = |name: &str| {
        distinct(
            spells
                .iter()
                .filter_map(|s| s.covariates.get(name))
                .map(String::as_str),
        ) > 1
    };
    if options.hold.is_empty() {
        USUALLY_HELD
            .iter()
            .filter(|n| varies(n))
            .map(|n| (*n).to_owned())
            .collect()
    } else {
        options.hold.clone()
    }
}

/// In the band against outside it, and the three bands.
fn comparisons(
    table: &LivesTable,
    held: &[String],
    options: &PracticeOptions,
    cautions: &mut Vec<Caution>,
) -> (Option<Comparison>, Option<Comparison>) {
    let mut run = |by: &str| {
        let options = CompareOptions {
            adjust: held.to_vec(),
            stratify: held.to_vec(),
            confidence: options.confidence,
            ..CompareOptions::by(by)
        };
        match compare(table, &options) {
            Ok(c) => Some(c),
            Err(error) => {
                if by == "in_band" {
                    cautions.push(Caution::new(
                        CautionCode::Note,
                        format!("In the band and outside it cannot be compared: {error}."),
                    ));
                }
                None
            }
        }
    };
    (run("in_band"), run("band"))
}

/// Turned so that it is life in the band over life outside it.
fn in_band(c: &Comparison) -> Option<BandRatio> {
    let r = c.life_ratios.first()?;
    Some(turned(r, r.ratio?, r.lower?, r.upper?))
}

fn in_band_model_only(c: &Comparison) -> Option<BandRatio> {
    let r = c.life_ratios.first()?;
    Some(turned(
        r,
        r.ratio?,
        r.lower_model_only?,
        r.upper_model_only?,
    ))
}

fn in_band_adjusted(c: &Comparison) -> Option<BandRatio> {
    let r = c.life_ratios.first()?;
    let a = r.adjusted.as_ref()?;
    Some(turned(r, a.ratio, a.lower, a.upper))
}

fn in_band_frailty(c: &Comparison) -> Option<BandRatio> {
    let r = c.life_ratios.first()?;
    let f = r.shared_frailty?;
    Some(turned(r, f.ratio, f.lower, f.upper))
}

fn turned(r: &LifeRatio, ratio: f64, lower: f64, upper: f64) -> BandRatio {
    if r.of == IN_BAND {
        BandRatio {
            ratio,
            lower,
            upper,
        }
    } else {
        BandRatio {
            ratio: 1.0 / ratio,
            lower: 1.0 / upper,
            upper: 1.0 / lower,
        }
    }
}
