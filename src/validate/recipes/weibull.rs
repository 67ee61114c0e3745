//! Two-parameter Weibull by maximum likelihood: estimates, errors, limits, quantiles.

use std::collections::BTreeMap;

use super::{Answers, Case};
use crate::lives::Observations;
use crate::models::{Estimate, Family, Fit, FitRequest, IntervalMethod, Method, PlotPosition, fit};

/// `shape`, `scale`, `mu`, `sigma`, `loglik`, their errors, `B10`, `B50`, `mean` and the 95 % limits
/// (`_wald95_lo`, `_lr95_hi`, `_posterior95_lo` and so on), of the whole sample or of a subset.
pub(super) fn weibull(case: &Case) -> Answers {
    let mut all = BTreeMap::new();
    let mut answers = Answers::new();
    // Where the case is about a richer model, its plain names belong to that one.
    let richer = |recipe: &String| ["regression", "threshold"].contains(&recipe.as_str());
    let whole_too = !case.dataset.recipes.iter().any(richer);
    for quantity in case.quantities() {
        if !knows(&quantity.name) || (quantity.subset.is_empty() && !whole_too) {
            continue;
        }
        let fits = all
            .entry(quantity.subset.clone())
            .or_insert_with(|| Fits::of(&case.sample.lives(&case.subset(&quantity.subset))));
        answers.insert(quantity.whole, fits.answer(&quantity.name));
    }
    answers
}

/// A fit with each kind of interval that the published examples print.
struct Fits {
    wald: Result<Fit, String>,
    likelihood: Result<Fit, String>,
    posterior: Result<Fit, String>,
}

pub(super) fn request(interval: IntervalMethod) -> FitRequest {
    FitRequest {
        family: Family::Weibull,
        method: Method::Likelihood,
        interval,
        confidence: 0.95,
        at_probability: vec![0.1, 0.5],
        at_hours: Vec::new(),
        known_shape: None,
        belief: None,
        plot_position: PlotPosition::MedianRank,
    }
}

/// Standard normal quantile at 0.975, for turning Wald limits back into errors.
const Z: f64 = 1.959_963_984_540_054;

impl Fits {
    fn of(lives: &Result<Observations, String>) -> Self {
        let with = |interval| {
            let lives = lives.as_ref().map_err(String::clone)?;
            fit(lives, &request(interval)).map_err(|error| error.to_string())
        };
        Self {
            wald: with(IntervalMethod::Wald),
            likelihood: with(IntervalMethod::Likelihood),
            posterior: with(IntervalMethod::Posterior),
        }
    }

    fn answer(&self, name: &str) -> Result<f64, String> {
        let wald = self.wald.as_ref().map_err(String::clone)?;
        let shape = parameter(wald, "shape")?;
        let scale = parameter(wald, "scale")?;
        let value = match name {
            "shape" => shape.estimate,
            "scale" => scale.estimate,
            "mu" => scale.estimate.map(f64::ln),
            "sigma" => shape.estimate.map(f64::recip),
            "loglik" => wald.log_likelihood,
            "se_shape" => shape.standard_error,
            "se_scale" => scale.standard_error,
            // By the delta rule from the errors of shape and scale.
            "se_mu" => relative_error(pair(scale)),
            "se_log_sigma" => relative_error(pair(shape)),
            "se_sigma" => relative_error(pair(shape))
                .zip(shape.estimate)
                .map(|(error, shape)| error / shape),
            "cov_mu_logsigma" => return covariance(wald, shape, scale),
            _ => return self.limit(name, wald),
        };
        value.ok_or_else(|| format!("the fit gives no {name}"))
    }

    /// Quantiles and limits: `B10`, `shape_wald95_lo`, `B50_lr95_hi`…
    fn limit(&self, name: &str, wald: &Fit) -> Result<f64, String> {
        let mut pieces = name.split('_');
        let of = pieces.next().unwrap_or_default();
        let (fit, side) = match (pieces.next(), pieces.next()) {
            (None, None) => (wald, "estimate"),
            (Some("wald95"), Some(side)) => (wald, side),
            (Some("lr95"), Some(side)) => (self.likelihood.as_ref().map_err(String::clone)?, side),
            (Some("posterior95"), Some(side)) => {
                (self.posterior.as_ref().map_err(String::clone)?, side)
            }
            _ => return Err(format!("unknown quantity {name}")),
        };
        let (estimate, lower, upper) = match of {
            "B10" | "B50" => {
                let probability = if of == "B10" { 0.1 } else { 0.5 };
                let found = fit.quantiles.iter().find(|q| q.probability == probability);
                let found = found.ok_or("the fit gives no such quantile")?;
                (found.hours, found.lower, found.upper)
            }
            "mean" => (
                fit.mean_life.hours,
                fit.mean_life.lower,
                fit.mean_life.upper,
            ),
            of => {
                let found = parameter(fit, of)?;
                (found.estimate, found.lower, found.upper)
            }
        };
        match side {
            "lo" => lower,
            "hi" => upper,
            _ => estimate,
        }
        .ok_or_else(|| format!("the fit gives no {name}"))
    }
}

fn knows(name: &str) -> bool {
    let plain = [
        "shape",
        "scale",
        "mu",
        "sigma",
        "loglik",
        "se_shape",
        "se_scale",
        "se_mu",
        "se_log_sigma",
        "se_sigma",
        "cov_mu_logsigma",
        "B10",
        "B50",
    ];
    let limits = [
        "wald95_lo",
        "wald95_hi",
        "lr95_lo",
        "lr95_hi",
        "posterior95_lo",
        "posterior95_hi",
    ];
    plain.contains(&name)
        || limits.iter().any(|limit| {
            let of = name.strip_suffix(limit).and_then(|of| of.strip_suffix('_'));
            of.is_some_and(|of| ["shape", "scale", "B10", "B50", "mean"].contains(&of))
        })
}

/// A parameter of a fit by name.
pub(super) fn parameter<'a>(fit: &'a Fit, name: &str) -> Result<&'a Estimate, String> {
    let found = fit.parameters.iter().find(|p| p.name == name);
    found.ok_or_else(|| format!("the fit has no parameter {name}"))
}

fn pair(estimate: &Estimate) -> (Option<f64>, Option<f64>) {
    (estimate.estimate, estimate.standard_error)
}

fn relative_error((estimate, error): (Option<f64>, Option<f64>)) -> Option<f64> {
    error
        .zip(estimate)
        .map(|(error, estimate)| error / estimate)
}

/// Cov(μ, ln σ), which no result carries, from the Wald limits of the median on the log scale:
/// ln t = μ + wσ, so Var ln t = Var μ + (wσ)² Var ln σ + 2wσ Cov(μ, ln σ) with w = ln ln 2.
fn covariance(wald: &Fit, shape: &Estimate, scale: &Estimate) -> Result<f64, String> {
    let median = wald.quantiles.iter().find(|q| q.probability == 0.5);
    let known = || {
        let median = median?;
        let error = (median.upper? / median.lower?).ln() / (2.0 * Z);
        let (mu, log_sigma) = (relative_error(pair(scale))?, relative_error(pair(shape))?);
        let lever = 2f64.ln().ln() / shape.estimate?;
        Some((error.powi(2) - mu.powi(2) - (lever * log_sigma).powi(2)) / (2.0 * lever))
    };
    known().ok_or_else(|| "the fit gives no error of the median".to_owned())
}
