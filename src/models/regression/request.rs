//! What is asked of an accelerated-life regression, and what it answers.

use serde::Serialize;

use super::{Covariate, PosteriorPoints};
use crate::models::{Caution, Estimate, Family, LifeCounts};

/// What each stratum has of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum StratumOwns {
    /// Its own scale; the shape is shared.
    Scale,
    /// Its own shape; the scale is shared.
    Shape,
    /// Both.
    Both,
}

/// Groups that do not share everything.
#[derive(Debug, Clone, PartialEq)]
pub struct Strata {
    /// A categorical covariate that tells the stratum of each life.
    pub of: Covariate,
    /// What each stratum has of its own.
    pub own: StratumOwns,
}

/// How intervals of coefficients are made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Errors {
    /// Observed information, normal quantile.
    Wald,
    /// Profile likelihood.
    Likelihood,
    /// Posterior, flat in the coefficients and ln σ; Wald limits where it does not exist, which is
    /// then what the answer says.
    Posterior,
    /// Leaving out one cluster (machine) at a time, Student's t.
    ByCluster,
    /// Clustered, unbiased under the model, Student's t.
    ByClusterUnbiased,
}

/// An accelerated-life regression: `ln T = μ + x·b + σ·W`.
#[derive(Debug, Clone, PartialEq)]
pub struct RegressionRequest {
    /// Family; a Weibull with a threshold has no regression.
    pub family: Family,
    /// Covariates.
    pub covariates: Vec<Covariate>,
    /// Strata, if any.
    pub strata: Option<Strata>,
    /// Cluster of each life (its machine), for [`Errors::ByCluster`].
    pub clusters: Option<Vec<u32>>,
    /// Errors.
    pub errors: Errors,
    /// Two-sided confidence, in (0, 1).
    pub confidence: f64,
    /// Shape (1/σ) taken as known.
    pub known_shape: Option<f64>,
}

impl RegressionRequest {
    /// A Weibull regression on some covariates with Wald errors at 95 %.
    pub fn weibull(covariates: Vec<Covariate>) -> Self {
        Self {
            family: Family::Weibull,
            covariates,
            strata: None,
            clusters: None,
            errors: Errors::Wald,
            confidence: 0.95,
            known_shape: None,
        }
    }
}

/// Result of a chi-square test; the p-value is null where the statistic has no distribution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TestResult {
    /// Statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Chance of a statistic at least this large if there were no difference.
    pub p_value: f64,
}

impl TestResult {
    /// A chi-square test.
    pub fn chi_square(statistic: f64, degrees_of_freedom: u32) -> Self {
        let statistic = statistic.max(0.0);
        let df = f64::from(degrees_of_freedom);
        let p_value = if degrees_of_freedom == 0 {
            1.0
        } else {
            crate::numerics::special::chi_square_sf(statistic, df).clamp(0.0, 1.0)
        };
        Self {
            statistic,
            degrees_of_freedom,
            p_value,
        }
    }
}

/// A coefficient in the covariate's own units; positive means longer life.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Coefficient {
    /// `covariate`, or `covariate: level`.
    pub name: String,
    /// Covariate.
    pub covariate: String,
    /// Level against the first (sorted) one, for categories.
    pub level: Option<String>,
    /// Estimate.
    pub estimate: f64,
    /// Standard error, clustered when asked so.
    pub standard_error: f64,
    /// Standard error from the model alone, beside it.
    pub model_standard_error: f64,
    /// Lower limit; null where the profile likelihood never falls far enough.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// Two-sided p-value of the coefficient being 0 (Wald; Student's t when clustered).
    pub p_value: f64,
}

/// Shape of a stratum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StratumShape {
    /// Stratum; null when there is one.
    pub stratum: Option<String>,
    /// σ on the log scale: 1/shape for Weibull and loglogistic.
    pub sigma: f64,
    /// Standard error of ln σ.
    pub standard_error_ln_sigma: f64,
    /// Shape 1/σ.
    pub shape: Estimate,
}

/// How the clustered errors were made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClusterSummary {
    /// Clusters with at least one life.
    pub clusters: usize,
    /// Degrees of freedom of Student's t: clusters less the coefficients that do not vary within any.
    pub degrees_of_freedom: f64,
    /// Whether leaving out each cluster was possible; else the plain sandwich was used.
    pub leave_one_out: bool,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Regression {
    /// Family.
    pub family: Family,
    /// Lives used.
    pub lives: LifeCounts,
    /// Rows left out because a covariate is missing.
    pub left_out: usize,
    /// Confidence.
    pub confidence: f64,
    /// How errors were made.
    pub errors: Errors,
    /// μ at covariates zero in their own units and base levels, ln hours.
    pub intercept: Estimate,
    /// Coefficients.
    pub coefficients: Vec<Coefficient>,
    /// Shape, or one a stratum.
    pub shapes: Vec<StratumShape>,
    /// Log-likelihood of the lives as given, in hours.
    pub log_likelihood: f64,
    /// The same without covariates (strata kept).
    pub null_log_likelihood: f64,
    /// Likelihood-ratio test of all covariates together.
    pub likelihood_ratio: TestResult,
    /// Covariance of (intercept, coefficients, ln σ a stratum), row by row; clustered when asked so.
    pub covariance: Vec<f64>,
    /// Clusters, when asked for.
    pub clusters: Option<ClusterSummary>,
    /// Weighted points of the posterior, when asked for and there.
    #[serde(skip)]
    pub posterior: Option<PosteriorPoints>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

impl Regression {
    /// Coefficient by its shown name.
    pub fn coefficient(&self, name: &str) -> Option<&Coefficient> {
        self.coefficients.iter().find(|c| c.name == name)
    }

    /// Variance of a linear combination of (intercept, coefficients, ln σ).
    pub fn variance_of(&self, weights: &[f64]) -> f64 {
        let k = weights.len();
        let mut sum = 0.0;
        for a in 0..k {
            for b in 0..k {
                sum += weights[a] * weights[b] * self.covariance[a * k + b];
            }
        }
        sum.max(0.0)
    }
}

/// Why there is no regression; each is a named outcome.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RegressionError {
    /// No lives left.
    #[error("there are no lives with all covariates known")]
    NoLives,
    /// No life ended.
    #[error("no life ended worn, so the likelihood has no top; only lower bounds exist")]
    NoWorn,
    /// Columns of different length.
    #[error("{name} has {found} values where {expected} are needed")]
    Length {
        /// Which.
        name: String,
        /// Found.
        found: usize,
        /// Needed.
        expected: usize,
    },
    /// A value no life can have.
    #[error(transparent)]
    Value(#[from] crate::models::curve::CurveError),
    /// A covariate that is the same for all lives.
    #[error(
        "covariate {covariate} has one value only among the lives used, so it explains nothing; leave it out"
    )]
    OneValue {
        /// Covariate.
        covariate: String,
    },
    /// An infinite covariate.
    #[error("covariate {covariate} is infinite in life {row}; allowed: finite numbers, or empty")]
    NotFinite {
        /// Covariate.
        covariate: String,
        /// Row, from 1.
        row: usize,
    },
    /// A covariate that the others already tell.
    #[error("covariate {term} can be worked out from the ones before it; leave one of them out")]
    Collinear {
        /// Column.
        term: String,
    },
    /// A coefficient without a finite estimate.
    #[error("no finite estimate for {}: along it the lives that wore out are separated from those that did not", terms.join(", "))]
    Separated {
        /// Columns involved.
        terms: Vec<String>,
    },
    /// The model passes through every worn life exactly.
    #[error(
        "the worn lives lie exactly on the model (all at one age, or too few for so many covariates), so the shape has no finite estimate"
    )]
    PerfectFit,
    /// No one top.
    #[error("the likelihood is flat: the lives cannot tell {}", terms.join(", "))]
    Flat {
        /// Columns involved.
        terms: Vec<String>,
    },
    /// A family without regression.
    #[error(
        "a Weibull with a threshold has no regression here; use weibull, lognormal, loglogistic or exponential"
    )]
    Family,
    /// A known shape that cannot be one.
    #[error("known shape is {0}; allowed: finite, above 0")]
    KnownShape(f64),
    /// Strata must be categories.
    #[error("strata must be categories; {0} holds numbers")]
    StrataNumbers(String),
    /// Clustered errors without clusters.
    #[error("clustered errors need at least two clusters; found {0}")]
    Clusters(usize),
}
