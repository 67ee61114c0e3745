//! From a fleet's readings and lives to the answer.

use std::collections::{BTreeMap, BTreeSet};

use super::dose::dose;
use super::result::{
    BandRatio, BandSummary, PracticeComparison, PracticeError, PracticeOptions, Worth,
};
use super::spells::{FORCE_LBF, Spell, spells, table};
use super::{Band, SpellCounts};
use crate::compare::{
    CompareOptions, Comparison, Grouping, compare, covariate_of, plan, worn_per_arm,
};
use crate::lives::{Life, Lives, LivesTable};
use crate::meters::Meters;
use crate::models::regression::{Covariate, RegressionRequest, level_scores};
use crate::models::{Caution, CautionCode};
use crate::numerics::special::ln_gamma;
use crate::records::{Fleet, LengthUnit, Part, Practice};

/// Columns held constant where they are recorded and nothing else is asked.
const USUALLY_HELD: [&str; 2] = ["hose_size", "site"];
/// Life ratios that plans are made for.
const PLANNED: [f64; 4] = [1.2, 1.3, 1.5, 2.0];
/// Machine-to-machine spread assumed for plans when the lives cannot tell: common practice, no source.
const USUAL_SPREAD: f64 = 0.2;
const DAYS_A_YEAR: f64 = 365.25;
const MM_PER_INCH: f64 = 25.4;

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
    let practice = fleet.practice.ok_or(PracticeError::NoPractice)?;
    if fleet.tension.is_empty() {
        return Err(PracticeError::NoReadings);
    }
    let part = part_of(fleet, options.part.as_deref())?;
    let of_part: Vec<&Life> = lives.lives.iter().filter(|l| l.part == part.name).collect();
    let (spells, counts) = spells(&of_part, &fleet.tension, meters);
    if spells.is_empty() {
        return Err(PracticeError::NoSpells {
            part: part.name.clone(),
            lives: counts.lives,
            without: counts.lives_without_reading,
            not_placed: counts.lives_not_placed,
        });
    }
    let held = held(&spells, options);
    let table = table(&spells, &practice, &held);
    let mut cautions = cautions_of(&counts, &practice, options);
    let (primary, by_band) = comparisons(&table, &held, options, &mut cautions);
    let machines = Grouping::of(&table, "machine")
        .map(|g| g.clusters())
        .unwrap_or_default();
    let covariates: Vec<Covariate> = held
        .iter()
        .filter_map(|name| covariate_of(&table, name).ok())
        .collect();
    let enough = distinct(spells.iter().map(|s| s.machine.as_str())) >= 4;
    let dose = match dose(
        &spells,
        &practice,
        &covariates,
        &machines,
        enough,
        options.reading_error_in,
        options.confidence,
    ) {
        Ok(dose) => Some(dose),
        Err(error) => {
            cautions.push(Caution::about(
                CautionCode::Note,
                &part.name,
                format!("No curve of life against deflection: {error}."),
            ));
            None
        }
    };
    let shape = primary
        .as_ref()
        .and_then(|p| p.shared_shape.as_ref()?.estimate)
        .or(dose.as_ref().map(|d| d.shape));
    let ratio = primary.as_ref().and_then(in_band);
    let machine_spread = shape.and_then(|shape| spread(&table, primary.is_some(), shape));
    let bands = bands(&spells, &practice, by_band.as_ref());
    let usage = usage(fleet, meters, part);
    let plans = shape.map_or_else(Vec::new, |shape| {
        let worn: u32 = bands.iter().map(|b| b.worn).sum();
        let hours: f64 = bands.iter().map(|b| b.hours).sum();
        let per_worn = (worn > 0).then(|| hours / f64::from(worn));
        let per_month = usage.map(|u| u / 12.0);
        let per_arm = distinct(spells.iter().map(|s| s.machine.as_str())) as f64 / 2.0;
        PLANNED
            .iter()
            .filter_map(|&r| {
                let sd = machine_spread.unwrap_or(USUAL_SPREAD);
                plan(shape, r, 0.8, sd, per_arm, per_worn, per_month)
            })
            .collect()
    });
    let worth = ratio.and_then(|r| worth(fleet, part, &bands, r, usage?));
    let answer = answer(part, &practice, ratio, primary.as_ref(), &counts, shape);
    let worth_answer = worth.as_ref().map(worth_answer).unwrap_or_default();
    Ok(PracticeComparison {
        part: part.name.clone(),
        answer,
        worth_answer,
        practice,
        force_lbf: FORCE_LBF,
        confidence: options.confidence,
        counts,
        in_band_adjusted: primary.as_ref().and_then(in_band_adjusted),
        bands,
        in_band: ratio,
        held,
        primary,
        by_band,
        dose,
        machine_spread,
        plans,
        worth,
        cautions,
    })
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

fn distinct<'a>(words: impl Iterator<Item = &'a str>) -> usize {
    words.collect::<BTreeSet<_>>().len()
}

fn cautions_of(
    counts: &SpellCounts,
    practice: &Practice,
    options: &PracticeOptions,
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut note = |text: String| cautions.push(Caution::new(CautionCode::Note, text));
    if counts.lives_used < counts.lives {
        note(format!(
            "{} of {} lives were under a known reading; {} had none, {} could not be placed on a meter.",
            counts.lives_used, counts.lives, counts.lives_without_reading, counts.lives_not_placed
        ));
    }
    if counts.lives_read_late > 0 {
        note(format!(
            "{} lives were first read some hours after fitting; those hours are left out, since \
             nobody knew the tension.",
            counts.lives_read_late
        ));
    }
    if counts.other_force > 0 {
        note(format!(
            "{} readings were taken under another force than {FORCE_LBF} lbf and are left out.",
            counts.other_force
        ));
    }
    if practice.band_low_in >= practice.band_high_in
        || !(practice.band_low_in..=practice.band_high_in).contains(&practice.target_in)
    {
        note("The band's low end is not below its high end with the target between: mend [practice] in fleet.toml.".to_owned());
    }
    match options.reading_error_in {
        None => note(
            "Reading error makes the true curve look flatter than it is; none is allowed for unless \
             stated with --reading-error."
                .to_owned(),
        ),
        Some(_) => note(
            "The curve allows for the stated reading error; the bands do not, so their ratio is, if \
             anything, too near 1."
                .to_owned(),
        ),
    }
    note("Belts were not assigned to a tension by chance: crews that keep tension may differ in other ways.".to_owned());
    cautions
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
            stratify: held.first().cloned(),
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
    let (ratio, lower, upper) = (r.ratio?, r.lower?, r.upper?);
    Some(turned(r.of == "in the band", ratio, lower, upper))
}

fn in_band_adjusted(c: &Comparison) -> Option<BandRatio> {
    let r = c.life_ratios.first()?;
    let a = r.adjusted.as_ref()?;
    Some(turned(r.of == "in the band", a.ratio, a.lower, a.upper))
}

fn turned(as_is: bool, ratio: f64, lower: f64, upper: f64) -> BandRatio {
    if as_is {
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

fn bands(spells: &[Spell], practice: &Practice, by_band: Option<&Comparison>) -> Vec<BandSummary> {
    let target = practice.target_in;
    [Band::TooTight, Band::OnTarget, Band::TooLoose]
        .into_iter()
        .map(|band| {
            let inside: Vec<&Spell> = spells
                .iter()
                .filter(|s| Band::of(practice, s.deflection_in) == band)
                .collect();
            let (from_in, to_in) = match band {
                Band::TooTight => (None, Some(practice.band_low_in)),
                Band::OnTarget => (Some(practice.band_low_in), Some(practice.band_high_in)),
                Band::TooLoose => (Some(practice.band_high_in), None),
            };
            let end = |s: &Spell| {
                if s.high.is_finite() {
                    f64::midpoint(s.low, s.high)
                } else {
                    s.low
                }
            };
            let shape = by_band.and_then(|c| c.shared_shape.as_ref()?.estimate);
            BandSummary {
                band,
                from_in,
                to_in,
                relative_tension: (from_in.map(|d| target / d), to_in.map(|d| target / d)),
                lives: inside.iter().map(|s| s.life).collect::<BTreeSet<_>>().len() as u32,
                worn: inside
                    .iter()
                    .filter(|s| s.high.is_finite())
                    .map(|s| s.count)
                    .sum(),
                machines: distinct(inside.iter().map(|s| s.machine.as_str())) as u32,
                hours: inside
                    .iter()
                    .map(|s| (end(s) - s.entry) * f64::from(s.count))
                    .sum(),
                mean_life: shape.and_then(|shape| mean_life(&inside, shape)),
            }
        })
        .collect()
}

/// Mean life under one shape: `η·Γ(1 + 1/β)`, `η^β = Σ(t^β − entry^β)/worn`.
fn mean_life(spells: &[&Spell], shape: f64) -> Option<f64> {
    let worn: f64 = spells
        .iter()
        .filter(|s| s.high.is_finite())
        .map(|s| f64::from(s.count))
        .sum();
    // Scaled by the longest, so that powers do not overflow.
    let longest = spells.iter().map(|s| s.low).fold(0.0, f64::max);
    let risk: f64 = spells
        .iter()
        .map(|s| {
            let end = if s.high.is_finite() {
                f64::midpoint(s.low, s.high)
            } else {
                s.low
            };
            f64::from(s.count) * ((end / longest).powf(shape) - (s.entry / longest).powf(shape))
        })
        .sum();
    (worn > 0.0 && risk > 0.0)
        .then(|| longest * ((risk / worn).ln() / shape + ln_gamma(1.0 + 1.0 / shape)).exp())
        .filter(|m| m.is_finite())
}

/// Machine-to-machine standard deviation of log life by moments: with O worn lives and E expected on
/// a machine, `Var(O − E) ≈ E + θE²`, θ the variance of the machines' wear rates; `√θ/β` on log life.
/// None when the lives vary no more between machines than chance would have it.
fn spread(table: &LivesTable, by_band: bool, shape: f64) -> Option<f64> {
    let machine = Grouping::of(table, "machine").ok()?;
    let covariates = match Grouping::of(table, "in_band") {
        Ok(g) if by_band => vec![g.covariate(0)],
        _ => Vec::new(),
    };
    let scores = level_scores(&table.observations, &RegressionRequest::weibull(covariates)).ok()?;
    let mut sums: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
    for (i, score) in scores.iter().enumerate() {
        let weight = table.observations.count.get(i).copied().unwrap_or(1.0);
        let worn = if table.observations.high[i].is_finite() {
            weight
        } else {
            0.0
        };
        let sum = sums.entry(machine.codes[i]).or_insert((0.0, 0.0));
        sum.0 += score;
        sum.1 += worn - score;
    }
    let excess: f64 = sums.values().map(|(d, e)| d * d - e).sum();
    let squares: f64 = sums.values().map(|(_, e)| e * e).sum();
    let theta = excess / squares;
    (theta > 0.0 && theta.is_finite()).then(|| theta.sqrt() / shape)
}

/// Operating hours a year of all positions of the part; none when no machine's use is known.
fn usage(fleet: &Fleet, meters: &Meters, part: &Part) -> Option<f64> {
    let uses: Vec<f64> = fleet
        .machines
        .iter()
        .filter_map(|m| meters.use_per_day(m))
        .map(|u| u.mean)
        .collect();
    (!uses.is_empty())
        .then(|| uses.iter().sum::<f64>() * DAYS_A_YEAR * f64::from(part.per_machine))
        .filter(|u| *u > 0.0)
}

/// What keeping every belt in the band would save, at the shares of hours seen.
///
/// In H belt hours a year, of which a share w outside: belts now `H(1−w)/L + H·w·R/L`, L the mean life
/// in the band and R the ratio; all in the band: `H/L`; saved `H·w(R − 1)/L`.
fn worth(
    fleet: &Fleet,
    part: &Part,
    bands: &[BandSummary],
    ratio: BandRatio,
    hours_a_year: f64,
) -> Option<Worth> {
    let on_target = bands.iter().find(|b| b.band == Band::OnTarget)?;
    let life = on_target.mean_life?;
    let all: f64 = bands.iter().map(|b| b.hours).sum();
    let share_outside = 1.0 - on_target.hours / all;
    let saved = |r: f64| hours_a_year * share_outside * (r - 1.0) / life;
    let belts_saved = BandRatio {
        ratio: saved(ratio.ratio),
        lower: saved(ratio.lower),
        upper: saved(ratio.upper),
    };
    let cost_of_one = part.unit_cost.map(|price| {
        let stop = part
            .unplanned_stop
            .map_or(0.0, |s| s.hours * s.cost_per_hour);
        price + part.planned_change.cost + stop
    });
    let money = |cost: f64| BandRatio {
        ratio: cost * belts_saved.ratio,
        lower: cost * belts_saved.lower,
        upper: cost * belts_saved.upper,
    };
    Some(Worth {
        belt_hours_a_year: hours_a_year,
        share_outside,
        belts_a_year: hours_a_year * (1.0 - share_outside + share_outside * ratio.ratio) / life,
        belts_saved,
        hours_gained: belts_saved.ratio * life,
        money_saved: cost_of_one.map(money),
        cost_of_one,
        currency: fleet.currency.clone(),
    })
}

fn show(practice: &Practice, inches: f64) -> String {
    match practice.unit {
        LengthUnit::In => format!("{inches:.2} in"),
        LengthUnit::Mm => format!("{:.1} mm", inches * MM_PER_INCH),
    }
}

fn answer(
    part: &Part,
    practice: &Practice,
    ratio: Option<BandRatio>,
    primary: Option<&Comparison>,
    counts: &SpellCounts,
    shape: Option<f64>,
) -> String {
    let band = format!(
        "{} to {}",
        show(practice, practice.band_low_in),
        show(practice, practice.band_high_in)
    );
    let more = shape
        .and_then(|shape| worn_per_arm(shape, 1.3, 0.05, 0.8))
        .map(|arm| {
            format!(
                " To tell a life ratio of 1.3 in four cases of five takes about {arm} worn in the band \
                 and as many outside it, with both practices on every machine."
            )
        })
        .unwrap_or_default();
    let (Some(r), Some(c)) = (ratio, primary) else {
        return format!(
            "The records cannot tell what tension does to the {}: {} lives under a known reading, but \
             not enough worn both in the band ({band}) and outside it.{more}",
            part.name, counts.lives_used
        );
    };
    let worn: f64 = c.groups.iter().map(|g| g.worn).sum();
    let on = c
        .machines
        .map_or_else(String::new, |m| format!(" on {m} machines"));
    let percent = 100.0 * c.confidence;
    let basis = format!(
        "({percent} %: {:.2} to {:.2}; {worn} worn{on})",
        r.lower, r.upper
    );
    let name = capital(&part.name);
    match c.primary_p_value {
        Some(p) if p < 1.0 - c.confidence => format!(
            "{name}s kept in the band ({band}) lasted {:.1} times as long as those outside it {basis}.",
            r.ratio
        ),
        Some(_) => format!(
            "The records cannot tell yet whether keeping {}s in the band ({band}) pays: in it they \
             lasted {:.2} times as long {basis}.{more}",
            part.name, r.ratio
        ),
        None => format!(
            "{name}s in the band ({band}) lasted {:.2} times as long as those outside it {basis}; too \
             few machines for a test, so this is an estimate only.{more}",
            r.ratio
        ),
    }
}

fn worth_answer(w: &Worth) -> String {
    let saved = w.belts_saved;
    let money = w.money_saved.map_or_else(String::new, |m| {
        format!(
            ", {} {:.0} a year (from {:.0} to {:.0})",
            w.currency, m.ratio, m.lower, m.upper
        )
    });
    format!(
        "{:.0} % of the hours under a known reading were outside the band; with none, this fleet would \
         wear out {:.1} fewer a year of {:.0} (from {:.1} to {:.1}){money}.",
        100.0 * w.share_outside,
        saved.ratio,
        w.belts_a_year,
        saved.lower,
        saved.upper
    )
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).collect()
}
