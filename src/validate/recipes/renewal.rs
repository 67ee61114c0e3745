//! Parts needed in a stretch of hours, and how long the part now fitted lasts, under one curve.

use std::collections::BTreeMap;

use super::{Answers, Case, numbers_named};
use crate::forecast::{
    Accuracy, Counts, FirstLife, Group, Hours, WeibullCurve, demand, remaining_quantile,
};
use crate::models::WeibullNode;

/// Far finer than a forecast needs: the published values carry seven digits.
const FINE: Accuracy = Accuracy {
    tolerance: 1e-7,
    most_cells: 2048,
};

fn surely(shape: f64, scale: f64) -> [WeibullNode; 1] {
    [WeibullNode {
        shape,
        scale,
        weight: 1.0,
    }]
}

/// Parts needed within `hours` by positions that start at these ages.
fn needed(shape: f64, ages: &[f64], hours: f64) -> Result<Counts, String> {
    let group = Group {
        windows: vec![Hours {
            start: 0.0,
            end: hours,
        }],
        positions: ages.iter().map(|age| (FirstLife::Aged(*age), 1)).collect(),
        starts: Vec::new(),
    };
    let found = demand(&surely(shape, 1.0), &[group], 1, FINE);
    let counts = found.counts.into_iter().next();
    counts.ok_or_else(|| "no demand for the window".to_owned())
}

/// Expected number and counts: `m(t/eta=2),shape=3`, `m(shape=2,age=0.5,t=1)`, `P(N=1),shape=…`.
pub(super) fn renewal(case: &Case) -> Answers {
    let mut answers = Answers::new();
    let mut cache: BTreeMap<String, Result<Counts, String>> = BTreeMap::new();
    for quantity in case.quantities() {
        let name = quantity.name.as_str();
        let given = numbers_named(name);
        let (Some(shape), Some(hours)) = (
            given.get("shape"),
            given.get("t").or_else(|| given.get("t/eta")),
        ) else {
            continue;
        };
        let age = given.get("age").copied().unwrap_or(0.0);
        let key = format!("{shape} {age} {hours}");
        let counts = super::cached(&mut cache, &key, || needed(*shape, &[age], *hours));
        let answer = if name.starts_with("m(") {
            counts.map(Counts::mean)
        } else if let Some(n) = given.get("N") {
            counts.map(|counts| counts.pmf().get(*n as usize).copied().unwrap_or(0.0))
        } else {
            continue;
        };
        answers.insert(quantity.whole, answer);
    }
    answers
}

/// `shape=2,age=0.5,quantile=0.1` and `…,mean`: remaining life of a part of that age.
pub(super) fn residual_life(case: &Case) -> Answers {
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let given = numbers_named(&quantity.name);
        let (Some(&shape), Some(&age)) = (given.get("shape"), given.get("age")) else {
            continue;
        };
        let answer = if let Some(&p) = given.get("quantile") {
            let found = remaining_quantile(&surely(shape, 1.0), 1, &FirstLife::Aged(age), p);
            found.ok_or_else(|| "the quantile is not reached".to_owned())
        } else if quantity.name.ends_with(",mean") {
            let life = WeibullCurve { shape, scale: 1.0 };
            Ok(life.mean() * life.mean_share_beyond(age) / life.reliability(age))
        } else {
            continue;
        };
        answers.insert(quantity.whole, answer);
    }
    answers
}

/// `F1:mean_demand`, `F1:stock_for_service_0.95` and the like, one row of the data a fleet; and
/// stock for Poisson and negative binomial demand, whose distributions are built here: what is
/// checked of those is the smallest stock that meets a service level.
pub(super) fn stock(case: &Case) -> Answers {
    let mut answers = Answers::new();
    let fleets = fleets(case);
    for quantity in case.quantities() {
        let answer = match quantity.name.split_once(':') {
            None => of_family(&quantity.name).map(Ok),
            Some((fleet, what)) => match &fleets {
                Err(reason) => Some(Err(reason.clone())),
                Ok(fleets) => match fleets.get(fleet) {
                    None => Some(Err(format!("the data have no fleet {fleet}"))),
                    Some(counts) => of_fleet(counts, what).map(Ok),
                },
            },
        };
        if let Some(answer) = answer {
            answers.insert(quantity.whole, answer);
        }
    }
    answers
}

fn fleets(case: &Case) -> Result<BTreeMap<String, Counts>, String> {
    let Ok(names) = case.sample.text("fleet") else {
        return Ok(BTreeMap::new());
    };
    let shapes = case.sample.numbers("shape")?;
    let hours = case.sample.numbers("t_over_eta")?;
    let ages = case.sample.text("start_ages")?;
    let rows = names.iter().zip(shapes).zip(hours).zip(ages);
    rows.map(|(((name, shape), hours), ages)| {
        let ages: Result<Vec<f64>, _> = ages.split_whitespace().map(str::parse).collect();
        let ages = ages.map_err(|error| format!("start_ages: {error}"))?;
        Ok((name.clone(), needed(shape, &ages, hours)?))
    })
    .collect()
}

fn of_fleet(counts: &Counts, what: &str) -> Option<f64> {
    let level = |prefix: &str| what.strip_prefix(prefix)?.parse::<f64>().ok();
    if what == "mean_demand" {
        Some(counts.mean())
    } else if what == "variance" {
        Some(counts.variance())
    } else if let Some(level) = level("stock_for_service_") {
        Some(f64::from(counts.quantile(level)))
    } else if let Some(level) = level("P(D<=stock)_at_") {
        Some(counts.at_most(counts.quantile(level)))
    } else {
        let level = level("poisson_approx_stock_")?;
        Some(f64::from(poisson(counts.mean()).quantile(level)))
    }
}

/// `poisson mean=2 service=0.9`, `negbin mean=2 k=4 service=0.9`.
fn of_family(name: &str) -> Option<f64> {
    let given = numbers_named(name);
    let (mean, level) = (*given.get("mean")?, *given.get("service")?);
    let counts = match name.split_whitespace().next()? {
        "poisson" => poisson(mean),
        "negbin" => negative_binomial(mean, *given.get("k")?),
        _ => return None,
    };
    Some(f64::from(counts.quantile(level)))
}

fn poisson(mean: f64) -> Counts {
    let mut weight = 1.0;
    let weights = (0..400).map(|n| {
        if n > 0 {
            weight *= mean / f64::from(n);
        }
        weight
    });
    Counts::from_weights(weights.collect())
}

/// Variance `mean + mean²/k`.
fn negative_binomial(mean: f64, k: f64) -> Counts {
    let mut weight = 1.0;
    let weights = (0..4000).map(|n| {
        if n > 0 {
            let n = f64::from(n);
            weight *= (k + n - 1.0) / n * mean / (mean + k);
        }
        weight
    });
    Counts::from_weights(weights.collect())
}
