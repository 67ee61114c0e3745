//! Practice on made fleets whose truth is known.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::dose::{Allowed, DoseRequest, dose};
use super::spells::Spell;
use super::*;
use crate::lives::build_with;
use crate::meters::Meters;
use crate::numerics::streams::stream;
use crate::records::{Fleet, LengthUnit, LoadOptions, Practice};

const HEAD: &str = "[fleet]\nname = \"made\"\nas_of = 2025-12-31\ncurrency = \"USD\"\n
[[records]]\nfile = \"r.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n
[[readings]]\nfile = \"m.csv\"\n
[[tension]]\nfile = \"t.csv\"\nunit = \"in\"\n
[[part]]\nname = \"drive belt\"\nper_machine = 1\nunit_cost = 80.0\n";
const PRACTICE: &str = "\n[practice]\ntarget = 0.25\nband = [0.20, 0.30]\nunit = \"in\"\n";

/// A fleet of machines that run 10 h a day for 700 days; each belt is set to its own deflection,
/// read on that day, and lives `400·exp(−curvature·x²)·W^(1/3)` hours, W exponential.
fn made(replicate: u64, machines: u32, curvature: f64, force: &str) -> (Fleet, tempfile::TempDir) {
    let mut s = stream(21, replicate);
    let dir = tempfile::tempdir().unwrap();
    let (mut records, mut readings, mut checks) = (
        "date,machine,part,hours,reason\n".to_owned(),
        "date,machine,hours\n".to_owned(),
        "date,machine,deflection,force\n".to_owned(),
    );
    let first = jiff::civil::date(2024, 1, 1);
    let on = |day: f64| {
        first
            .checked_add(jiff::Span::new().days(day as i32))
            .unwrap()
    };
    for m in 0..machines {
        let mut at = 20.0;
        writeln!(readings, "{},M{m:02},0", on(0.0)).unwrap();
        writeln!(records, "{},M{m:02},drive belt,{at},unworn", on(at / 10.0)).unwrap();
        loop {
            let x = 0.45 * s.normal();
            let deflection = 0.25 * f64::exp(x);
            writeln!(checks, "{},M{m:02},{deflection:.3},{force}", on(at / 10.0)).unwrap();
            let life = 400.0 * f64::exp(-curvature * x * x) * s.exponential().powf(1.0 / 3.0);
            // A belt a day at most, so that every reading is one belt's.
            at += life.max(20.0);
            if at > 7000.0 {
                break;
            }
            writeln!(records, "{},M{m:02},drive belt,{at:.1},worn", on(at / 10.0)).unwrap();
        }
        writeln!(readings, "{},M{m:02},7000", on(700.0)).unwrap();
    }
    std::fs::write(dir.path().join("fleet.toml"), format!("{HEAD}{PRACTICE}")).unwrap();
    for (name, text) in [("r.csv", records), ("m.csv", readings), ("t.csv", checks)] {
        std::fs::write(dir.path().join(name), text).unwrap();
    }
    (
        Fleet::load(dir.path(), &LoadOptions::default()).unwrap(),
        dir,
    )
}

fn practice(fleet: &Fleet, options: &PracticeOptions) -> Result<PracticeComparison, PracticeError> {
    let meters = Meters::new(fleet);
    tension_practice(fleet, &meters, &build_with(fleet, &meters), options)
}

#[test]
fn a_true_effect_of_tension_is_found_with_its_best_deflection() {
    let (fleet, _dir) = made(1, 12, 1.5, "5");
    let p = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert!(p.counts.lives_used > 150, "{:?}", p.counts);
    assert_eq!(p.counts.lives_not_placed, 0);
    assert!(
        p.answer.starts_with("Drive belts kept in the band"),
        "{}",
        p.answer
    );
    assert!(p.in_band.unwrap().lower > 1.1);
    let d = p.dose.unwrap();
    assert!((d.curvature.estimate + 1.5).abs() < 3.0 * d.curvature.standard_error);
    assert!((d.shape - 3.0).abs() < 0.6, "{}", d.shape);
    let best = d.optimum.unwrap();
    assert!(
        best.lower_in.unwrap() < 0.25 && 0.25 < best.upper_in.unwrap(),
        "{best:?}"
    );
    // Nothing is claimed outside the readings.
    assert!(d.points[0].deflection_in >= d.least_in * (1.0 - 1e-12));
    let tight = &p.bands[0];
    assert_eq!(tight.band, Band::TooTight);
    approx::assert_relative_eq!(tight.relative_tension.1.unwrap(), 1.25);
    let worth = p.worth.unwrap();
    assert!(worth.belts_saved.ratio > 0.0 && worth.money_saved.unwrap().ratio > 0.0);
}

#[test]
fn without_an_effect_the_records_cannot_tell() {
    let (fleet, _dir) = made(2, 8, 0.0, "5");
    let p = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert!(
        p.answer.starts_with("The records cannot tell yet"),
        "{}",
        p.answer
    );
    let r = p.in_band.unwrap();
    assert!(r.lower < 1.0 && 1.0 < r.upper);
}

#[test]
fn reading_error_steepens_the_curve_it_flattened() {
    let (fleet, _dir) = made(3, 12, 1.5, "5");
    let plain = practice(&fleet, &PracticeOptions::default())
        .unwrap()
        .dose
        .unwrap();
    let options = PracticeOptions {
        reading_error_in: Some(0.05),
        ..PracticeOptions::default()
    };
    let allowed = practice(&fleet, &options).unwrap().dose.unwrap();
    let share = allowed.reading_error.unwrap().share_true;
    // ln d spreads by 0.45, the error by about 0.05/0.25 = 0.2: near 1 − 0.04/0.2025 = 0.80.
    assert!((share - 0.80).abs() < 0.06, "{share}");
    assert!(allowed.curvature.estimate < 1.1 * plain.curvature.estimate);
    // Nothing is claimed outside what the readings say of the true values.
    assert!(allowed.least_in > plain.least_in && allowed.greatest_in < plain.greatest_in);
    let options = PracticeOptions {
        reading_error_in: Some(0.5),
        ..PracticeOptions::default()
    };
    let p = practice(&fleet, &options).unwrap();
    assert!(p.dose.unwrap().reading_error.is_none() && p.dose_as_read.is_none());
    assert!(p.cautions.iter().any(|c| c.text.contains("left as read")));
}

#[test]
fn most_of_the_flattening_is_taken_back() {
    // 4,000 belts read with an error of 0.04 in, curvature −1.5, shape 3. The same written anew in R (survreg,
    // four samples): 0.21 to 0.37 of the curvature as read, 0.86 to 0.89 with the expected true values.
    let mut s = stream(5, 0);
    let spells: Vec<Spell> = (0..4000)
        .map(|i| {
            let x = 0.35 * s.normal();
            let hours = 400.0 * f64::exp(-1.5 * x * x) * s.exponential().powf(1.0 / 3.0);
            Spell {
                life: i,
                machine: "M".to_owned(),
                entry: 0.0,
                low: hours,
                high: hours,
                count: 1,
                deflection_in: (0.25 * x.exp() + 0.04 * s.normal()).max(0.02),
                covariates: BTreeMap::new(),
            }
        })
        .collect();
    let practice = Practice {
        target_in: 0.25,
        band_low_in: 0.2,
        band_high_in: 0.3,
        unit: LengthUnit::In,
        force_lbf: 5.0,
        reading_error_in: None,
    };
    let request = DoseRequest {
        spells: &spells,
        practice: &practice,
        held: &[],
        machines: &[],
        clustered: false,
        confidence: 0.95,
    };
    let read = dose(&request, None).unwrap().curvature.estimate;
    let allowed = Allowed {
        error_in: 0.04,
        behind: &request.true_values(0.04).unwrap(),
        curvature_as_read: read,
    };
    let allowed = dose(&request, Some(allowed)).unwrap().curvature.estimate;
    assert!((0.2..0.4).contains(&(read / -1.5)), "{read}, {allowed}");
    assert!((0.8..1.0).contains(&(allowed / -1.5)), "{read}, {allowed}");
}

#[test]
fn readings_under_another_force_and_late_readings_are_left_out() {
    let (fleet, _dir) = made(4, 6, 1.0, "10");
    let error = practice(&fleet, &PracticeOptions::default()).unwrap_err();
    assert!(matches!(error, PracticeError::NoSpells { .. }), "{error}");
    let (mut fleet, _dir) = made(4, 6, 1.0, "");
    let whole = practice(&fleet, &PracticeOptions::default()).unwrap();
    for check in &mut fleet.tension {
        check.date = check.date.checked_add(jiff::Span::new().days(3)).unwrap();
    }
    let late = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert!(late.counts.lives_read_late > 0);
    let hours = |p: &PracticeComparison| p.bands.iter().map(|b| b.hours).sum::<f64>();
    // Thirty hours of each belt are nobody's.
    let lost = hours(&whole) - hours(&late);
    let expected = 30.0 * f64::from(late.counts.lives_read_late);
    assert!(lost > 0.8 * expected, "{lost} {expected}");
}

#[test]
fn a_second_reading_starts_a_second_spell() {
    let (mut fleet, _dir) = made(5, 6, 1.0, "5");
    let before = practice(&fleet, &PracticeOptions::default())
        .unwrap()
        .counts;
    let mut second: Vec<_> = fleet.tension.clone();
    for check in &mut second {
        check.date = check.date.checked_add(jiff::Span::new().days(5)).unwrap();
        check.deflection_in *= 1.5;
    }
    fleet.tension.extend(second);
    fleet
        .tension
        .sort_by(|a, b| (&a.machine, a.date).cmp(&(&b.machine, b.date)));
    let after = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert_eq!(after.counts.lives_used, before.lives_used);
    assert!(after.counts.spells > before.spells + before.lives_used / 2);
}

#[test]
fn what_cannot_be_compared_is_refused_with_the_reason() {
    assert!(
        practice_named("retensioned")
            .unwrap_err()
            .to_string()
            .contains("more chances")
    );
    assert!(practice_named("colour").is_err());
    let (mut fleet, _dir) = made(6, 4, 0.0, "5");
    let asked = PracticeOptions {
        part: Some("rope".to_owned()),
        ..PracticeOptions::default()
    };
    assert!(matches!(
        practice(&fleet, &asked),
        Err(PracticeError::NoPart { .. })
    ));
    // All in one band: the rest goes on.
    for check in &mut fleet.tension {
        check.deflection_in = 0.24 + 0.0001 * check.deflection_in;
    }
    let p = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert!(p.in_band.is_none() && p.dose.is_some());
    assert!(p.answer.contains("all of them in the band"), "{}", p.answer);
    assert!(
        p.cautions
            .iter()
            .any(|c| c.text.contains("cannot be compared"))
    );
    fleet.practice = None;
    assert_eq!(
        practice(&fleet, &PracticeOptions::default()),
        Err(PracticeError::NoPractice)
    );
}

#[test]
fn a_force_of_its_own_a_machine_nobody_read_and_a_force_not_told_are_said() {
    let (mut fleet, _dir) = made(7, 8, 1.0, "10");
    fleet.practice.as_mut().unwrap().force_lbf = 10.0;
    let whole = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert_eq!(
        (whole.counts.other_force, whole.counts.unstated_force),
        (0, 0)
    );
    fleet.tension.retain(|c| c.machine != "M03");
    for check in fleet.tension.iter_mut().take(5) {
        check.force_lbf = None;
    }
    let p = practice(&fleet, &PracticeOptions::default()).unwrap();
    assert_eq!(p.counts.machines_without_reading, ["M03"]);
    assert_eq!(p.counts.unstated_force, 5);
    let said = |words: &str| p.cautions.iter().any(|c| c.text.contains(words));
    assert!(said("No reading was taken on M03") && said("state no force"));
}

#[test]
fn the_evidence_stands_beside_the_answer() {
    let (fleet, _dir) = made(8, 12, 1.5, "5");
    let p = practice(&fleet, &PracticeOptions::default()).unwrap();
    let (main, frailty) = (p.in_band.unwrap(), p.in_band_shared_frailty.unwrap());
    // Machines are alike here, so a level of its own for each changes little.
    approx::assert_relative_eq!(main.ratio, frailty.ratio, max_relative = 0.05);
    assert!(p.in_band_model_only.unwrap().lower > 1.0);
    let target = &p.bands[1];
    assert_eq!(target.at_risk[0].hours, 0.0);
    assert!(target.at_risk.windows(2).all(|w| w[0].lives >= w[1].lives));
    // What is planned for shrinks as the ratio grows, and limits close as more wear out.
    assert!(
        p.plans
            .windows(2)
            .all(|w| w[0].worn_per_arm_alternating > w[1].worn_per_arm_alternating)
    );
    assert!(
        p.expectations
            .windows(2)
            .all(|w| w[0].factor_alternating > w[1].factor_alternating)
    );
}
