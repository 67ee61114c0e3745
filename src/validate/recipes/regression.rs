//! Accelerated-life regression: coefficients, errors, shape, likelihoods.

use std::collections::BTreeMap;

use super::{Answers, Case, cached};
use crate::models::regression::{Covariate, Regression, RegressionRequest, regress};
use crate::validate::Subset;
use crate::validate::sample::Sample;

/// `coef:x`, `se:x`, `sigma`, `log_sigma`, `se_log_sigma`, `loglik`, `null_loglik`, `LR_chisq`,
/// `LR_p`, `median_at_130C`; `linear:` or `arrhenius:` before them where there are two models.
pub(super) fn regression(case: &Case) -> Answers {
    let quantities = case.quantities();
    let split: Vec<(&str, &str)> = quantities.iter().map(|q| model_of(&q.name)).collect();
    let mut fits: BTreeMap<String, Result<Regression, String>> = BTreeMap::new();
    let mut answers = Answers::new();
    for (quantity, (model, what)) in quantities.iter().zip(&split) {
        if !quantity.subset.is_empty() || !knows(what) {
            continue;
        }
        let covariates: Vec<&str> = split
            .iter()
            .filter(|(other, _)| other == model)
            .filter_map(|(_, what)| what.strip_prefix("coef:"))
            .filter(|name| !name.starts_with("intercept"))
            .collect();
        let fit = cached(&mut fits, model, || fitted(case.sample, &covariates));
        answers.insert(
            quantity.whole.clone(),
            fit.and_then(|fit| answer(fit, what)),
        );
    }
    answers
}

fn model_of(name: &str) -> (&str, &str) {
    match name.split_once(':') {
        Some((model @ ("linear" | "arrhenius"), what)) => (model, what),
        _ => ("", name),
    }
}

fn knows(what: &str) -> bool {
    let plain = [
        "sigma",
        "log_sigma",
        "se_log_sigma",
        "loglik",
        "null_loglik",
        "LR_chisq",
        "LR_p",
        "median_at_130C",
    ];
    plain.contains(&what) || what.starts_with("coef:") || what.starts_with("se:")
}

fn fitted(sample: &Sample, covariates: &[&str]) -> Result<Regression, String> {
    let covariates: Result<Vec<Covariate>, String> = covariates
        .iter()
        .map(|name| Ok(Covariate::number(name, covariate(sample, name)?)))
        .collect();
    let lives = sample.lives(&Subset::default())?;
    regress(&lives, &RegressionRequest::weibull(covariates?)).map_err(|error| error.to_string())
}

/// A covariate by the name its coefficient has in the publication.
fn covariate(sample: &Sample, name: &str) -> Result<Vec<f64>, String> {
    let computed = |column: &str, of: fn(f64) -> f64| {
        Ok(sample.numbers(column)?.into_iter().map(of).collect())
    };
    let indicator = |column: &str, level: &str| {
        let cells = sample.text(column)?.iter();
        Ok(cells
            .map(|cell| f64::from(u8::from(cell == level)))
            .collect())
    };
    match name {
        "ln_voltage" => computed("voltage_kV", f64::ln),
        "1000/(273.2+temp)" => computed("temp_C", |celsius| 1000.0 / (273.2 + celsius)),
        "female" => indicator("sex", "F"),
        "6-MP" => indicator("group", "6-MP"),
        column => sample.numbers(column),
    }
}

fn answer(fit: &Regression, what: &str) -> Result<f64, String> {
    let missing = || format!("the fit gives no {what}");
    let shape = fit.shapes.first().ok_or_else(missing)?;
    let value = match what {
        "sigma" => Some(shape.sigma),
        "log_sigma" => Some(shape.sigma.ln()),
        "se_log_sigma" => Some(shape.standard_error_ln_sigma),
        "loglik" => Some(fit.log_likelihood),
        "null_loglik" => Some(fit.null_log_likelihood),
        "LR_chisq" => Some(fit.likelihood_ratio.statistic),
        "LR_p" => Some(fit.likelihood_ratio.p_value),
        "median_at_130C" => fit.intercept.estimate.map(|intercept| {
            let slope = fit.coefficients.first().map_or(f64::NAN, |c| c.estimate);
            (intercept + slope * 1000.0 / (273.2 + 130.0) + shape.sigma * 2f64.ln().ln()).exp()
        }),
        _ => {
            let (kind, name) = what.split_once(':').ok_or_else(missing)?;
            if name.starts_with("intercept") {
                match kind {
                    "coef" => fit.intercept.estimate,
                    _ => fit.intercept.standard_error,
                }
            } else {
                fit.coefficient(name).map(|found| match kind {
                    "coef" => found.estimate,
                    _ => found.standard_error,
                })
            }
        }
    };
    value.ok_or_else(missing)
}
