//! Estimates without errors or intervals, for many groups at once.

use rayon::prelude::*;

use super::kernel_of;
use crate::lives::Observations;
use crate::models::Family;
use crate::models::log_lives::LogLives;
use crate::models::maximise::{NoOptimum, maximise, maximise_known_sigma};
use crate::models::quick::{self, Room};
use crate::models::unplaced;

/// A curve without errors or intervals, for many fits at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Curve {
    /// Shape 1/σ (for lognormal lives the reciprocal of sigma).
    pub shape: f64,
    /// Scale e^μ, hours.
    pub scale: f64,
    /// Log-likelihood of the lives as given, in hours.
    pub log_likelihood: f64,
}

/// The maximum likelihood curve only; lives whose positions are not told count for Weibull and
/// exponential families. Lives must be as [`Observations`] promises.
///
/// # Errors
/// [`NoOptimum`] where the likelihood has no greatest value, and for thresholds, which have none by
/// nature.
pub fn estimate(observations: &Observations, family: Family) -> Result<Curve, NoOptimum> {
    estimate_in(observations, family, &mut Room::default())
}

fn estimate_in(
    observations: &Observations,
    family: Family,
    room: &mut Room,
) -> Result<Curve, NoOptimum> {
    let observations = &*unplaced::taken_in(observations, family);
    if family == Family::Weibull
        && observations.unplaced.is_empty()
        && let Some(answer) = quick::weibull(observations, room)
    {
        return answer;
    }
    let lives = LogLives::new(observations);
    let kernel = kernel_of(family);
    let optimum = match family {
        Family::WeibullThreshold => return Err(NoOptimum::Flat),
        Family::Exponential => maximise_known_sigma(&lives, kernel, 1.0)?,
        _ => maximise(&lives, kernel)?,
    };
    Ok(Curve {
        shape: 1.0 / optimum.sigma,
        scale: (optimum.mu + lives.shift).exp(),
        log_likelihood: optimum.log_likelihood,
    })
}

/// [`estimate`] for each of many groups, on all cores; the order is kept.
pub fn estimate_each(groups: &[Observations], family: Family) -> Vec<Result<Curve, NoOptimum>> {
    groups
        .par_iter()
        .map_init(Room::default, |room, lives| {
            estimate_in(lives, family, room)
        })
        .collect()
}
