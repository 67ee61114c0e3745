//! Model-free curves: what the lives say before any family of distributions is assumed.
//!
//! [`reliability_curve`] chooses between [`kaplan_meier`] (every worn life known exactly) and
//! [`turnbull`] (some known only within bounds). For repeated replacements of one machine there is
//! the [`mean_cumulative`] function, and for parts that end for several causes the
//! [`cumulative_incidence`] of each.

mod cumulative_incidence;
mod kaplan_meier;
mod mean_cumulative;
mod nelson_aalen;
mod reliability;
mod risk_set;
mod turnbull;

pub use cumulative_incidence::*;
pub use kaplan_meier::*;
pub use mean_cumulative::*;
pub use nelson_aalen::*;
pub use reliability::*;
pub use turnbull::*;

use crate::lives::Observations;

pub(crate) use reliability::whole;
pub(crate) use risk_set::{check as check_lives, first_interval, hours_of, key};

/// Why there is no curve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// No lives.
    #[error("there are no lives to draw a curve from")]
    NoLives,
    /// Columns of different length.
    #[error("column {column} has {found} values where {expected} are needed")]
    Length {
        /// Column.
        column: &'static str,
        /// Its length.
        found: usize,
        /// The length of the others.
        expected: usize,
    },
    /// A value that no life can have.
    #[error("life {row}: {column} is {value}; allowed: {allowed}")]
    Value {
        /// Position in the data, from 1.
        row: usize,
        /// Column.
        column: &'static str,
        /// Value found.
        value: f64,
        /// What would have been allowed.
        allowed: &'static str,
    },
    /// Confidence outside (0, 1).
    #[error("confidence is {0}; allowed: above 0 and below 1")]
    Confidence(f64),
    /// An interval where only exactly known or right-censored lives can be used.
    #[error(
        "life {row} is known only within bounds; this method needs exact or right-censored lives"
    )]
    Interval {
        /// Position in the data, from 1.
        row: usize,
    },
}

/// Reliability curve of lives of any kind: Kaplan–Meier where every worn life is known exactly,
/// Turnbull's estimate where some are known only within bounds.
///
/// # Errors
/// See [`CurveError`].
pub fn reliability_curve(lives: &Observations, confidence: f64) -> Result<Curve, CurveError> {
    let intervals = lives
        .low
        .iter()
        .zip(&lives.high)
        .any(|(low, high)| low < high && high.is_finite());
    if intervals {
        turnbull(lives, confidence)
    } else {
        kaplan_meier(lives, confidence)
    }
}
