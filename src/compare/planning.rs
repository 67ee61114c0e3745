//! How many worn lives it takes.

use serde::Serialize;

use crate::numerics::special::{normal_cdf, normal_quantile};

/// Worn lives an arm needed to detect a life ratio R with a two-sided test at level α and the given
/// power, when shapes are equal and every life is independent:
/// `2(z_{1−α/2} + z_power)² / (β ln R)²` (the log scale estimate has variance ≈ 1/(r β²) an arm
/// with r worn lives; Lachin 1981 in form). None for a ratio of 1 or inputs out of range.
pub fn worn_per_arm(shape: f64, ratio: f64, level: f64, power: f64) -> Option<u64> {
    let effect = shape * ratio.ln();
    let usable = effect != 0.0
        && effect.is_finite()
        && shape > 0.0
        && (0.0..1.0).contains(&level)
        && level > 0.0
        && power > level
        && power < 1.0;
    if !usable {
        return None;
    }
    let z = -normal_quantile(level / 2.0) + normal_quantile(power);
    // A thousandth less is not worth another worn life.
    Some((0.999 * 2.0 * (z / effect).powi(2)).ceil() as u64)
}

/// Power of such a test with that many worn lives an arm.
pub fn power(shape: f64, ratio: f64, level: f64, worn_per_arm: f64) -> f64 {
    let shift = (shape * ratio.ln()).abs() * (worn_per_arm / 2.0).sqrt();
    let z = -normal_quantile(level / 2.0);
    normal_cdf(shift - z) + normal_cdf(-shift - z)
}

/// How much clustering costs: the variance of an arm's mean log life with m worn lives a machine
/// over that of independent lives.
///
/// With machine-to-machine standard deviation s on log life and extreme-value spread
/// `v = 1/β²` a worn life (the information a worn life carries on the log scale), it is
/// `1 + m·s²/v` when practice goes by machine, and 1 when both practices alternate on the same
/// machine (the machine's own level cancels).
pub fn design_effect(shape: f64, machine_sd: f64, worn_per_machine: f64) -> f64 {
    1.0 + worn_per_machine * (machine_sd * shape).powi(2)
}

/// A plan for telling a life ratio.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plan {
    /// Life ratio to be told.
    pub ratio: f64,
    /// Power.
    pub power: f64,
    /// Worn lives an arm if lives were independent, or practices alternate on each machine.
    pub worn_per_arm_alternating: u64,
    /// Worn lives an arm when each machine keeps one practice; null when more lives on these
    /// machines can never tell it.
    pub worn_per_arm_by_machine: Option<u64>,
    /// Machine-hours an arm for the alternating design.
    pub machine_hours_alternating: Option<f64>,
    /// Months at this fleet's use for the alternating design, both arms running at once.
    pub months_alternating: Option<f64>,
}

/// Plans for a ratio: `hours_per_worn` operating hours of one position pass per worn life;
/// `hours_per_month` are those of all positions of the fleet; `machines_per_arm` when practice goes
/// by machine.
pub fn plan(
    shape: f64,
    ratio: f64,
    power: f64,
    machine_sd: f64,
    machines_per_arm: f64,
    hours_per_worn: Option<f64>,
    hours_per_month: Option<f64>,
) -> Option<Plan> {
    let alone = worn_per_arm(shape, ratio, 0.05, power)?;
    // r/(1 + (r/M)·s²β²) = r0  ⇔  r = r0/(1 − r0·s²β²/M): none when machines' own spread is too much.
    let lost = alone as f64 * (machine_sd * shape).powi(2) / machines_per_arm;
    let by_machine = (lost < 1.0).then(|| (alone as f64 / (1.0 - lost)).ceil() as u64);
    let hours = hours_per_worn.map(|h| h * alone as f64);
    let months = match (hours, hours_per_month) {
        (Some(h), Some(m)) if m > 0.0 => Some(2.0 * h / m),
        _ => None,
    };
    Some(Plan {
        ratio,
        power,
        worn_per_arm_alternating: alone,
        worn_per_arm_by_machine: by_machine,
        machine_hours_alternating: hours,
        months_alternating: months,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The formula with a hand calculation: (1.96 + 0.8416)² = 7.849; ln 1.3 = 0.26236.
    #[test]
    fn worn_lives_by_hand() {
        assert_eq!(worn_per_arm(2.0, 1.3, 0.05, 0.8), Some(57));
        assert_eq!(worn_per_arm(3.0, 1.3, 0.05, 0.8), Some(26));
        assert_eq!(worn_per_arm(2.0, 1.0, 0.05, 0.8), None);
        let p = power(2.0, 1.3, 0.05, 57.02);
        assert!((p - 0.8).abs() < 1e-3, "{p}");
    }

    #[test]
    fn clustering_costs_only_when_practice_goes_by_machine() {
        let plan = plan(2.0, 1.3, 0.8, 0.1, 8.0, Some(500.0), Some(4000.0)).unwrap();
        assert_eq!(plan.worn_per_arm_alternating, 57);
        assert!(plan.worn_per_arm_by_machine.unwrap() > 57);
        assert_eq!(plan.months_alternating, Some(14.25));
        assert!((design_effect(2.0, 0.2, 5.0) - 1.8).abs() < 1e-12);
    }
}
