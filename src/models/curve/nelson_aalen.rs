//! The cumulative hazard without a model.

use serde::Serialize;

use super::CurveError;
use super::risk_set::risk_steps;
use crate::lives::Observations;

/// Cumulative hazard at one age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HazardPoint {
    /// Age, hours.
    pub hours: f64,
    /// Lives under observation just before.
    pub at_risk: f64,
    /// Lives worn out here.
    pub worn: f64,
    /// Cumulative hazard Σ d/n.
    pub cumulative_hazard: f64,
    /// Its standard error √(Σ d/n²).
    pub standard_error: f64,
}

/// Nelson–Aalen cumulative hazard `H(t) = Σ d/n` with late entry, variance `Σ d/n²`
/// (Nelson 1969, Aalen 1978; both from memory).
///
/// # Errors
/// See [`CurveError`]; lives must be exact or right-censored.
pub fn nelson_aalen(lives: &Observations) -> Result<Vec<HazardPoint>, CurveError> {
    let (mut hazard, mut variance) = (0.0, 0.0);
    Ok(risk_steps(lives)?
        .into_iter()
        .map(|step| {
            hazard += step.worn / step.at_risk;
            variance += step.worn / (step.at_risk * step.at_risk);
            HazardPoint {
                hours: step.hours,
                at_risk: step.at_risk,
                worn: step.worn,
                cumulative_hazard: hazard,
                standard_error: f64::sqrt(variance),
            }
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;

    /// Late entry by hand: at 5, two of the three that entered before 5 are still in; and so on.
    #[test]
    fn late_entrants_count_only_once_they_are_watched() {
        let lives = Observations {
            low: vec![2.0, 5.0, 8.0, 9.0],
            high: vec![2.0, 5.0, f64::INFINITY, 9.0],
            entry: vec![0.0, 1.0, 3.0, 5.0],
            count: Vec::new(),
            unplaced: Vec::new(),
        };
        let points = nelson_aalen(&lives).unwrap();
        let at_risk: Vec<f64> = points.iter().map(|p| p.at_risk).collect();
        assert_eq!(at_risk, [2.0, 2.0, 1.0]);
        assert_relative_eq!(points[2].cumulative_hazard, 0.5 + 0.5 + 1.0);
        assert_relative_eq!(points[2].standard_error, f64::sqrt(0.25 + 0.25 + 1.0));
    }
}
