//! What a fit may be asked, and lives it can read.

use crate::lives::Observations;
use crate::models::belief::Prior;
use crate::models::{Family, FitRequest, IntervalMethod, Method};

/// A request that cannot be met, or lives that cannot be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// No row.
    #[error("there are no lives to fit")]
    NoLives,
    /// A value outside the allowed.
    #[error("{what} is {found}; allowed: {allowed}")]
    Value {
        /// Which option or column.
        what: &'static str,
        /// What stood there.
        found: f64,
        /// What is allowed.
        allowed: &'static str,
    },
    /// Options that exclude each other.
    #[error("{0}")]
    Combination(&'static str),
}

pub(in crate::models) fn check(
    observations: &Observations,
    request: &FitRequest,
) -> Result<(), FitError> {
    if observations.is_empty() && observations.unplaced.is_empty() {
        return Err(FitError::NoLives);
    }
    let value = |what, found, allowed| FitError::Value {
        what,
        found,
        allowed,
    };
    if !(request.confidence > 0.0 && request.confidence < 1.0) {
        return Err(value(
            "confidence",
            request.confidence,
            "above 0 and below 1",
        ));
    }
    for &p in &request.at_probability {
        if !(p > 0.0 && p < 1.0) {
            return Err(value("probability", p, "above 0 and below 1"));
        }
    }
    for &hours in &request.at_hours {
        if !(hours > 0.0 && hours.is_finite()) {
            return Err(value("hours", hours, "above 0 and finite"));
        }
    }
    if let Some(shape) = request.known_shape {
        if !(shape > 0.0 && shape.is_finite()) {
            return Err(value("known shape", shape, "above 0 and finite"));
        }
        if !matches!(request.family, Family::Weibull | Family::Loglogistic) {
            return Err(FitError::Combination(
                "a known shape goes with the weibull and loglogistic families only",
            ));
        }
        if request.belief.is_some() {
            return Err(FitError::Combination(
                "a known shape and a stated belief exclude each other",
            ));
        }
        if request.method != Method::Likelihood {
            return Err(FitError::Combination(
                "a known shape goes with the likelihood method only",
            ));
        }
    }
    if request.family == Family::WeibullThreshold && request.method != Method::Likelihood {
        return Err(FitError::Combination(
            "a threshold goes with the likelihood method only",
        ));
    }
    if request.method == Method::Likelihood && request.interval == IntervalMethod::Simulation {
        return Err(FitError::Combination(
            "simulated limits go with the methods that fit a line through ranks",
        ));
    }
    if let Some(belief) = &request.belief {
        if Prior::of(belief).is_none() {
            return Err(FitError::Combination(
                "a belief needs 0 < low < high, all finite, and a worth above 0",
            ));
        }
        if request.family != Family::Weibull {
            return Err(FitError::Combination(
                "a stated belief goes with the weibull family only",
            ));
        }
        if request.interval != IntervalMethod::Posterior {
            return Err(FitError::Combination(
                "a stated belief goes with posterior intervals only",
            ));
        }
    }
    for i in 0..observations.len() {
        let (low, high) = (observations.low[i], observations.high[i]);
        let entry = observations.entry.get(i).copied().unwrap_or(0.0);
        let count = observations.count.get(i).copied().unwrap_or(1.0);
        if !(low >= 0.0 && low.is_finite()) {
            return Err(value(
                "a lower bound of a life",
                low,
                "0 or more hours, finite",
            ));
        }
        if !(high > 0.0 && high >= low) {
            return Err(value(
                "an upper bound of a life",
                high,
                "above 0 and not below the lower bound",
            ));
        }
        if !(entry >= 0.0 && entry.is_finite()) {
            return Err(value("an age of entry", entry, "0 or more hours, finite"));
        }
        let end = if high.is_finite() { high } else { low };
        if entry > 0.0 && entry >= end {
            return Err(value("an age of entry", entry, "below the end of its life"));
        }
        if !(count >= 0.0 && count.is_finite()) {
            return Err(value("a count", count, "0 or more, finite"));
        }
    }
    Ok(())
}
