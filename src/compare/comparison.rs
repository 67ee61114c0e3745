//! Lives by group: what is asked, what comes out.

use serde::Serialize;

use super::{LogRank, PermutationTest};
use crate::models::curve::{Curve, CurveError, CurvePoint, MedianLife};
use crate::models::regression::{Frailty, RegressionError, TestResult};
use crate::models::{Caution, Estimate, Family};

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct CompareOptions {
    /// Column that tells the groups.
    pub by: String,
    /// Column that tells the machine; lives on one machine are alike. None where there is none.
    pub machine: Option<String>,
    /// Columns to hold constant in the life ratios.
    pub adjust: Vec<String>,
    /// Columns within whose values only the log-rank test compares.
    pub stratify: Vec<String>,
    /// Family of the life model.
    pub family: Family,
    /// Two-sided confidence.
    pub confidence: f64,
}

impl CompareOptions {
    /// Weibull lives at 95 %, by one column, machines from a column of that name where there is one.
    pub fn by(column: &str) -> Self {
        Self {
            by: column.to_owned(),
            machine: Some("machine".to_owned()),
            adjust: Vec::new(),
            stratify: Vec::new(),
            family: Family::Weibull,
            confidence: 0.95,
        }
    }
}

/// One group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// Value of the column.
    pub value: String,
    /// Lives.
    #[serde(serialize_with = "crate::models::curve::whole")]
    pub lives: f64,
    /// Worn lives.
    #[serde(serialize_with = "crate::models::curve::whole")]
    pub worn: f64,
    /// Machines with lives in this group, where machines are known.
    pub machines: Option<usize>,
    /// Median life without a model.
    pub median: MedianLife,
    /// Weibull (or other family's) shape of this group alone; null where it has none.
    pub shape: Option<Estimate>,
    /// Scale of this group alone, hours (median for lognormal and loglogistic).
    pub scale: Option<f64>,
    /// Model-free curve.
    #[serde(serialize_with = "points_only")]
    pub curve: Curve,
}

fn points_only<S: serde::Serializer>(curve: &Curve, serializer: S) -> Result<S::Ok, S::Error> {
    let points: Vec<CurvePoint> = curve.points().collect();
    serializer.collect_seq(points)
}

/// How many times as long lives in `of` last as in `to`, if both wear alike but for speed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LifeRatio {
    /// Group.
    pub of: String,
    /// Group it is held against.
    pub to: String,
    /// Ratio of lives; null where one of the groups has no worn life.
    pub ratio: Option<f64>,
    /// Lower limit: clustered by machine where machines are known (the wider of that and the model's
    /// own where they are too few for a test), else from the model alone.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// p-value behind those limits.
    pub p_value: Option<f64>,
    /// The p-value held to one level together with the other pairs' (Holm).
    pub p_value_holm: Option<f64>,
    /// Lower limit if lives on one machine were no more alike than others.
    pub lower_model_only: Option<f64>,
    /// Upper limit likewise.
    pub upper_model_only: Option<f64>,
    /// The ratio if each machine has a level of its own, drawn from a normal curve on log life
    /// (shared frailty): a check on the limits above; null where machines are unknown.
    pub shared_frailty: Option<RatioLimits>,
    /// The ratio with the other stated columns held constant.
    pub adjusted: Option<AdjustedRatio>,
}

/// A ratio with its limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RatioLimits {
    /// Ratio.
    pub ratio: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// How much machines differ in the lives of their parts, from the shared frailty model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MachineSpread {
    /// Machines.
    pub machines: usize,
    /// Standard deviation of log life between machines; 0 where the lives show none beyond luck.
    pub standard_deviation: f64,
    /// Its standard error; null at 0.
    pub standard_error: Option<f64>,
    /// Chance of so much spread if the machines were alike.
    pub p_value: f64,
}

impl From<&Frailty> for MachineSpread {
    fn from(f: &Frailty) -> Self {
        Self {
            machines: f.clusters,
            standard_deviation: f.standard_deviation,
            standard_error: f.standard_error,
            p_value: f.test.p_value,
        }
    }
}

/// A life ratio with other columns held constant.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustedRatio {
    /// Columns held constant.
    pub held: Vec<String>,
    /// Ratio.
    pub ratio: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// A test of all groups at once with errors clustered by machine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClusteredTest {
    /// Wald statistic in Hotelling's form.
    pub statistic: f64,
    /// Numerator degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Denominator degrees of freedom.
    pub error_degrees_of_freedom: f64,
    /// p-value (F).
    pub p_value: f64,
}

/// Which p-value the answer rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PrimaryTest {
    /// Whole machines dealt out anew: each machine is in one group only.
    PermutationByMachine,
    /// Errors clustered by machine: groups are mixed within machines.
    ClusteredByMachine,
    /// Likelihood ratio for equal life: no machine is known.
    EqualLife,
    /// None: too few machines or worn lives.
    None,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Part kind, where told.
    pub part: Option<String>,
    /// Column.
    pub by: String,
    /// The answer as one sentence, with its uncertainty.
    pub answer: String,
    /// Confidence of the limits.
    pub confidence: f64,
    /// Family behind the life ratios.
    pub distribution: Family,
    /// Groups, sorted by value.
    pub groups: Vec<Group>,
    /// Log-rank test, within strata where they are asked for; null where lives are known only within
    /// bounds.
    pub log_rank: Option<LogRank>,
    /// The same without strata, where they are asked for.
    pub log_rank_unstratified: Option<LogRank>,
    /// Columns it is stratified by.
    pub strata: Vec<String>,
    /// Likelihood-ratio test for one shape, scales free; null where it does not exist.
    pub equal_shape: Option<TestResult>,
    /// Likelihood-ratio test for one scale, given one shape.
    pub equal_life: Option<TestResult>,
    /// Likelihood-ratio test for one shape and one scale together.
    pub equal_shape_and_life: Option<TestResult>,
    /// Permutation of whole machines, where each machine is in one group.
    pub permutation_by_machine: Option<PermutationTest>,
    /// Test clustered by machine.
    pub clustered_by_machine: Option<ClusteredTest>,
    /// Which of those the answer rests on.
    pub primary_test: PrimaryTest,
    /// Its p-value.
    pub primary_p_value: Option<f64>,
    /// That p-value held to one level together with the other comparisons of one command (Holm); null
    /// for the one declared primary, which stands by itself.
    pub p_value_holm: Option<f64>,
    /// Shape shared by all groups, with its limits.
    pub shared_shape: Option<Estimate>,
    /// Life ratios of every pair of groups.
    pub life_ratios: Vec<LifeRatio>,
    /// Machines in all.
    pub machines: Option<usize>,
    /// How much they differ; null where machines are unknown or the model cannot be fitted.
    pub machine_spread: Option<MachineSpread>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

/// Why there is no comparison.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CompareError {
    /// The column is not there.
    #[error("there is no column {column}; found: {}", if known.is_empty() { "none".to_owned() } else { known.join(", ") })]
    NoColumn {
        /// Asked for.
        column: String,
        /// What there is.
        known: Vec<String>,
    },
    /// One group only.
    #[error(
        "column {column} has {found} among these lives; a comparison needs at least two groups"
    )]
    OneGroup {
        /// Column.
        column: String,
        /// What was found.
        found: String,
    },
    /// Too many groups.
    #[error(
        "column {column} has {groups} different values; at most {most} groups can be compared: a number to be held constant goes with --adjust"
    )]
    ManyGroups {
        /// Column.
        column: String,
        /// Found.
        groups: usize,
        /// Allowed.
        most: usize,
    },
    /// No lives.
    #[error("there are no lives to compare")]
    NoLives,
    /// A life known only within bounds where an exact one is needed.
    #[error(
        "life {row} is known only within bounds; the log-rank test needs exact or right-censored lives"
    )]
    Interval {
        /// Row, from 1.
        row: usize,
    },
    /// A value no life can have.
    #[error(transparent)]
    Curve(#[from] CurveError),
    /// A regression that cannot be.
    #[error(transparent)]
    Regression(#[from] RegressionError),
}
