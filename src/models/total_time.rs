//! Exact limits of a scale whose shape is known, from the total of transformed hours.

use serde::Serialize;

use crate::lives::Observations;
use crate::numerics::special::chi_square_quantile;

use super::log_lives::LogLives;
use super::maximise::PowerSums;

/// Limits of a Weibull scale given its shape, hours.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScaleLimits {
    /// One-sided lower bound.
    pub one_sided_lower: f64,
    /// Lower of two limits with equal tails.
    pub lower: f64,
    /// Upper of two limits with equal tails; null when nothing wore out.
    pub upper: Option<f64>,
}

/// Limits of the Weibull scale η with its shape β known (1: exponential, η the mean life).
///
/// With r worn lives and `T = Σ t^β` (less the same at ages of late entry), a one-sided bound is
/// `(2T/χ²(confidence; 2r + 2))^(1/β)`, two limits `(2T/χ²(1 − α/2; 2r + 2))^(1/β)` and
/// `(2T/χ²(α/2; 2r))^(1/β)`. They hold at least their level when watching stops at set ages; when it
/// stops at the r-th worn life the lower ones are a little low. Confidence in (0, 1), shape above 0.
///
/// `None` for left- or interval-censored lives, and when no life tells anything.
///
/// Source: B. Epstein & M. Sobel, Life testing, JASA 48 (1953); for time-terminated tests the
/// degrees of freedom 2r + 2 are common practice (both from memory).
pub fn scale_limits(
    observations: &Observations,
    shape: f64,
    confidence: f64,
) -> Option<ScaleLimits> {
    let sound = shape > 0.0 && shape.is_finite() && confidence > 0.0 && confidence < 1.0;
    let lives = LogLives::new(observations);
    if !sound || !lives.exact_or_right() || lives.rows() == 0 {
        return None;
    }
    let worn = lives.worn_exactly();
    let ln_total = PowerSums::at(&lives, shape).ln_sum + std::f64::consts::LN_2;
    if !ln_total.is_finite() {
        return None;
    }
    let at = |p: f64, df: f64| {
        let ln_scale = (ln_total - chi_square_quantile(p, df).ln()) / shape;
        (ln_scale + lives.shift).exp()
    };
    let tail = 0.5 * (1.0 - confidence);
    Some(ScaleLimits {
        one_sided_lower: at(confidence, 2.0 * worn + 2.0),
        lower: at(1.0 - tail, 2.0 * worn + 2.0),
        upper: (worn > 0.0).then(|| at(tail, 2.0 * worn)),
    })
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;

    fn lives(rows: &[(f64, f64)]) -> Observations {
        let mut o = Observations::default();
        for &(low, high) in rows {
            o.push(low, high, 0.0, 1.0);
        }
        o
    }

    /// Without a worn life the chi-square has 2 degrees of freedom and its quantile a closed form:
    /// η ≥ (T/−ln(1 − confidence))^(1/β).
    #[test]
    fn without_a_worn_life_the_bound_has_a_closed_form() {
        let o = lives(&[(300.0, f64::INFINITY), (400.0, f64::INFINITY)]);
        let found = scale_limits(&o, 2.0, 0.9).unwrap();
        let by_hand = (250_000.0_f64 / -(0.1_f64.ln())).sqrt();
        assert_relative_eq!(found.one_sided_lower, by_hand, max_relative = 1e-12);
        assert_eq!(found.upper, None);
    }

    /// By simulation: watching stops at 500 hours, shape 1.5, scale 700; the limits hold at least
    /// their level.
    #[test]
    fn the_limits_hold_their_level_when_watching_stops_at_a_set_age() {
        let (mut low, mut both, mut n) = (0, 0, 0);
        for replicate in 0..4000 {
            let mut s = crate::numerics::streams::stream(31, replicate);
            let mut o = Observations::default();
            for _ in 0..8 {
                let t = 700.0 * s.exponential().powf(1.0 / 1.5);
                let high = if t <= 500.0 { t } else { f64::INFINITY };
                o.push(t.min(500.0), high, 0.0, 1.0);
            }
            let found = scale_limits(&o, 1.5, 0.9).unwrap();
            n += 1;
            low += i32::from(found.one_sided_lower <= 700.0);
            both += i32::from(found.lower <= 700.0 && found.upper.is_none_or(|u| u >= 700.0));
        }
        // Four binomial errors below the level.
        let least = 0.9 - 4.0 * (0.09 / f64::from(n)).sqrt();
        assert!(f64::from(low) / f64::from(n) > least, "{low} of {n}");
        assert!(f64::from(both) / f64::from(n) > least, "{both} of {n}");
    }

    #[test]
    fn lives_between_two_ages_have_no_total() {
        assert_eq!(scale_limits(&lives(&[(100.0, 200.0)]), 1.0, 0.9), None);
    }
}
