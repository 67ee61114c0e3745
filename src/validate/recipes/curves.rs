//! Curves without a model: product-limit, cumulative hazard, interval estimates, mean cumulative
//! function, cumulative incidence.

use std::collections::BTreeMap;

use super::{Answers, Case, at_time, cached};
use crate::models::curve::{
    CauseCurve, Curve, CurveStep, EventHistory, HazardPoint, MeanPoint, cumulative_incidence,
    kaplan_meier, mean_cumulative, nelson_aalen, turnbull,
};
use crate::validate::Subset;

/// `KM_S(t)`, `KM_greenwood_se(t)`, `nelson_aalen_H(t)`, `n_at_risk(t)`.
pub(super) fn kaplan_meier_and_hazard(case: &Case) -> Answers {
    let mut curves: BTreeMap<String, Result<Curve, String>> = BTreeMap::new();
    let mut hazards: BTreeMap<String, Result<Vec<HazardPoint>, String>> = BTreeMap::new();
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some((what, hours)) = at_time(&quantity.name) else {
            continue;
        };
        let lives = || case.sample.lives(&case.subset(&quantity.subset));
        let answer = match what {
            "KM_S" | "KM_greenwood_se" => cached(&mut curves, &quantity.subset, || {
                kaplan_meier(&lives()?, 0.95).map_err(|e| e.to_string())
            })
            .and_then(|curve| {
                if what == "KM_S" {
                    return curve.reliability_at(hours).ok_or("beyond the curve".into());
                }
                let step = curve.step_at(hours).ok_or("before the first step")?;
                step.standard_error().ok_or("no error there".into())
            }),
            "nelson_aalen_H" | "n_at_risk" => cached(&mut hazards, &quantity.subset, || {
                nelson_aalen(&lives()?).map_err(|e| e.to_string())
            })
            .and_then(|points| {
                let before = points.iter().rev().find(|p| p.hours <= hours);
                let point = before.ok_or("before the first step")?;
                Ok(match what {
                    "n_at_risk" => point.at_risk,
                    _ => point.cumulative_hazard,
                })
            }),
            _ => continue,
        };
        answers.insert(quantity.whole, answer);
    }
    answers
}

/// `nonparametric_F(t)`, `nonparametric_se_F(t)`, `npmle_F(t)`: 1 less the interval estimate.
pub(super) fn interval_curve(case: &Case) -> Answers {
    let lives = case.sample.lives(&Subset::default());
    let curve = lives.and_then(|lives| turnbull(&lives, 0.95).map_err(|e| e.to_string()));
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some((what, hours)) = at_time(&quantity.name) else {
            continue;
        };
        let Some(of) = interval_answer(what) else {
            continue;
        };
        let curve = curve.as_ref().map_err(String::clone);
        let answer = curve.and_then(|curve| of(curve.step_at(hours)));
        answers.insert(quantity.whole, answer);
    }
    answers
}

type OfStep = fn(Option<&CurveStep>) -> Result<f64, String>;

fn interval_answer(what: &str) -> Option<OfStep> {
    match what {
        "nonparametric_F" | "npmle_F" => Some(|step| Ok(step.map_or(0.0, |s| 1.0 - s.reliability))),
        "nonparametric_se_F" => Some(|step| {
            let error = step.and_then(CurveStep::standard_error);
            error.ok_or_else(|| "no error there".to_owned())
        }),
        _ => None,
    }
}

/// `MCF(t)` and its errors, `n_at_risk(t)`, `units`, `replacements`.
pub(super) fn mean_cumulative_function(case: &Case) -> Answers {
    let histories = histories(case);
    let points: Result<Vec<MeanPoint>, String> = histories
        .as_ref()
        .map_err(String::clone)
        .and_then(|all| mean_cumulative(all, 0.95).map_err(|e| e.to_string()));
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let answer = match (quantity.name.as_str(), at_time(&quantity.name)) {
            ("units", _) => histories.as_ref().map(|all| all.len() as f64),
            ("replacements", _) => histories
                .as_ref()
                .map(|all| all.iter().map(|h| h.events.len() as f64).sum()),
            (_, Some((what, hours))) => {
                let of: fn(&MeanPoint) -> f64 = match what {
                    "MCF" => |p| p.mean,
                    "MCF_se_lawless_nadeau" => |p| p.standard_error,
                    "MCF_se_poisson" => |p| p.poisson_standard_error,
                    "n_at_risk" => |p| p.at_risk as f64,
                    _ => continue,
                };
                points.as_ref().map(|points| {
                    let before = points.iter().rev().find(|p| p.hours <= hours);
                    before.map_or(0.0, of)
                })
            }
            _ => continue,
        };
        answers.insert(quantity.whole, answer.map_err(String::clone));
    }
    answers
}

/// One history a unit, from the columns `unit`, `time`, `event`.
pub(super) fn histories(case: &Case) -> Result<Vec<EventHistory>, String> {
    let units = case.sample.text("unit")?;
    let times = case.sample.numbers("time")?;
    let events = case.sample.text("event")?;
    let mut by_unit: BTreeMap<&str, EventHistory> = BTreeMap::new();
    for ((unit, time), event) in units.iter().zip(times).zip(events) {
        let history = by_unit.entry(unit).or_insert_with(|| EventHistory {
            machine: unit.clone(),
            entry: 0.0,
            end: 0.0,
            events: Vec::new(),
        });
        match event.as_str() {
            "replacement" | "failure" => history.events.push(time),
            _ => history.end = time,
        }
    }
    Ok(by_unit.into_values().collect())
}

/// `aalen_johansen_CIF_<cause>(t)`, causes in the column `mode`.
pub(super) fn incidence_by_cause(case: &Case) -> Answers {
    let curves = by_cause(case);
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some((what, hours)) = at_time(&quantity.name) else {
            continue;
        };
        let Some(cause) = what.strip_prefix("aalen_johansen_CIF_") else {
            continue;
        };
        let answer = curves.as_ref().map_err(String::clone).and_then(|curves| {
            let curve = curves.get(cause).ok_or(format!("no cause {cause}"))?;
            Ok(curve.at(hours))
        });
        answers.insert(quantity.whole, answer);
    }
    answers
}

fn by_cause(case: &Case) -> Result<BTreeMap<String, CauseCurve>, String> {
    let modes = case.sample.text("mode")?;
    let lives = case.sample.lives(&Subset::default())?;
    let mut names: Vec<&String> = modes.iter().filter(|m| !m.is_empty()).collect();
    names.sort();
    names.dedup();
    let number = |mode: &String| names.iter().position(|n| *n == mode).unwrap_or(0);
    let causes: Vec<usize> = modes.iter().map(number).collect();
    let curves = cumulative_incidence(&lives, &causes, 0.95).map_err(|e| e.to_string())?;
    let named = |curve: CauseCurve| (names[curve.cause].clone(), curve);
    Ok(curves.into_iter().map(named).collect())
}
