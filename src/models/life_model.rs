//! What later stages need of a life model: a weighted set of Weibull curves.

use serde::Serialize;

use super::{Caution, LifeCounts};

/// One Weibull curve of the posterior.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WeibullNode {
    /// Shape β.
    pub shape: f64,
    /// Scale η, hours.
    pub scale: f64,
    /// Weight, > 0; the weights of a model sum to 1.
    pub weight: f64,
}

/// What a life model rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Records only, flat prior in ln η and ln β.
    Records,
    /// Stated belief only: no worn life recorded.
    Belief,
    /// Both.
    BeliefAndRecords,
    /// A stated model taken as exact.
    Fixed,
}

/// The predictive life model of one part kind: a mixture of Weibull curves (the posterior on a
/// deterministic quadrature), or one curve when the life is fixed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LifeModel {
    /// Part kind.
    pub part: String,
    /// What it rests on.
    pub basis: Basis,
    /// Nodes in a fixed order.
    pub nodes: Vec<WeibullNode>,
    /// Lives behind it.
    pub lives: LifeCounts,
    /// Interval of the shape at 95 % (for "does planned change pay"); `None` when fixed.
    pub shape_interval: Option<(f64, f64)>,
    /// Cautions to carry along.
    pub cautions: Vec<Caution>,
}
