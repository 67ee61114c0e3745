//! What is asked of a fit and what it answers; field names are the JSON contract.

use serde::Serialize;

use super::{Caution, PlotPosition};

/// Family of life distributions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Weibull, shape and scale.
    Weibull,
    /// Lognormal, mu and sigma of log hours.
    Lognormal,
    /// Loglogistic, scale (the median) and shape.
    Loglogistic,
    /// Exponential, scale.
    Exponential,
    /// Weibull shifted by a threshold.
    WeibullThreshold,
}

/// How the parameters are estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Maximum likelihood.
    Likelihood,
    /// Least squares of log time on the plotting scale of the median rank.
    TimeOnRank,
    /// Least squares of the plotting scale of the median rank on log time.
    RankOnTime,
}

/// How intervals are made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum IntervalMethod {
    /// Likelihood ratio.
    Likelihood,
    /// Normal approximation on the log or complementary log-log scale.
    Wald,
    /// Posterior, flat in ln η and ln β unless a belief is stated.
    Posterior,
    /// Fractional random weights, calibrated.
    Bootstrap,
    /// Samples simulated from the fitted line, for the methods that fit a line through ranks.
    Simulation,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct FitRequest {
    /// Family.
    pub family: Family,
    /// Estimation.
    pub method: Method,
    /// Intervals.
    pub interval: IntervalMethod,
    /// Two-sided confidence (one-sided for a bound with no worn life), in (0, 1).
    pub confidence: f64,
    /// Probabilities worn out at which to give hours.
    pub at_probability: Vec<f64>,
    /// Hours at which to give reliability.
    pub at_hours: Vec<f64>,
    /// Shape taken as known.
    pub known_shape: Option<f64>,
    /// Belief to combine with the lives (posterior only).
    pub belief: Option<Belief>,
    /// Plot positions of the methods that fit a line through ranks.
    pub plot_position: PlotPosition,
}

impl FitRequest {
    /// A Weibull by maximum likelihood with 95 % posterior intervals, at 10 and 50 % worn out.
    pub fn weibull() -> Self {
        Self {
            family: Family::Weibull,
            method: Method::Likelihood,
            interval: IntervalMethod::Posterior,
            confidence: 0.95,
            at_probability: vec![0.1, 0.5],
            at_hours: Vec::new(),
            known_shape: None,
            belief: None,
            plot_position: PlotPosition::MedianRank,
        }
    }
}

/// Belief about a life before any record; see design: 90 % wear out in the range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Belief {
    /// 5 % wear out before, hours.
    pub low: f64,
    /// 95 % have worn out by, hours.
    pub high: f64,
    /// Worth in worn parts.
    pub worth: f64,
}

/// What a data set holds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct LifeCounts {
    /// All lives.
    pub total: u64,
    /// Worn out at an exactly known age.
    pub worn: u64,
    /// Right-censored.
    pub right_censored: u64,
    /// Left-censored.
    pub left_censored: u64,
    /// Interval-censored.
    pub interval_censored: u64,
    /// Under observation only from an age above 0 (counted in the kinds above too).
    pub left_truncated: u64,
}

/// An estimate with its error and interval; what does not exist is null.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Estimate {
    /// Name of the parameter or covariate.
    pub name: String,
    /// Point estimate.
    pub estimate: Option<f64>,
    /// Standard error, in the parameter's own units.
    pub standard_error: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Hours by which a share has worn out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuantileEstimate {
    /// Share worn out.
    pub probability: f64,
    /// Hours.
    pub hours: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Share still good at an age.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReliabilityEstimate {
    /// Age, hours.
    pub hours: f64,
    /// Share still good.
    pub reliability: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Mean life.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct MeanLife {
    /// Hours.
    pub hours: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Does the family fit?
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct GoodnessOfFit {
    /// Anderson–Darling statistic (adjusted ranks under censoring); null where it does not exist.
    pub anderson_darling: Option<f64>,
    /// p-value that accounts for the estimated parameters; null where not computed.
    pub p_value: Option<f64>,
    /// Correlation of the probability plot (log hours against the family's quantile of the median
    /// rank); null where ranks have no meaning.
    pub plot_correlation: Option<f64>,
}

/// The answer, for one part or group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fit {
    /// Part or group; null when the file has none.
    pub part: Option<String>,
    /// Family.
    pub distribution: Family,
    /// Estimation.
    pub method: Method,
    /// What it rests on.
    pub lives: LifeCounts,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// How the intervals were made.
    pub interval_method: IntervalMethod,
    /// Log-likelihood of the lives as given, density terms included, in hours.
    pub log_likelihood: Option<f64>,
    /// Akaike's criterion.
    pub aic: Option<f64>,
    /// Parameters.
    pub parameters: Vec<Estimate>,
    /// Coefficients of covariates; positive means longer life.
    pub coefficients: Vec<Estimate>,
    /// Reduced-bias shape (Weibull, likelihood, few worn lives), beside the estimate.
    pub reduced_bias_shape: Option<f64>,
    /// Quantiles asked for.
    pub quantiles: Vec<QuantileEstimate>,
    /// Reliabilities asked for.
    pub reliability: Vec<ReliabilityEstimate>,
    /// Mean life.
    pub mean_life: MeanLife,
    /// Fit check.
    pub goodness_of_fit: GoodnessOfFit,
    /// Cautions.
    pub cautions: Vec<Caution>,
}
