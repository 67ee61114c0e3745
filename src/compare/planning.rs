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

/// The shape less what few worn lives add to it: `β·(n − 2)/(n − 0.68)` (Ross 1994, from memory;
/// it agrees with the unbiasing factors 0.859 at 10 and 0.931 at 20 of Thoman, Bain & Antle 1969,
/// from memory). As it is below three worn lives.
pub fn reduced_bias(shape: f64, worn: f64) -> f64 {
    if worn < 3.0 {
        shape
    } else {
        shape * (worn - 2.0) / (worn - 0.68)
    }
}

/// What a plan is made from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    /// Weibull shape.
    pub shape: f64,
    /// Standard deviation of log life between machines.
    pub machine_sd: f64,
    /// Machines an arm when each machine keeps one practice: half of them.
    pub machines_per_arm: f64,
    /// Operating hours of one position that pass per worn life.
    pub hours_per_worn: Option<f64>,
    /// Operating hours a month of all positions of the fleet.
    pub hours_per_month: Option<f64>,
    /// Worn lives there are in each arm.
    pub worn: [f64; 2],
}

impl Planned {
    /// Worn lives an arm, equal arms, that tell as much as those there are: `2/(1/r₁ + 1/r₂)`.
    pub fn worth_of_worn(&self) -> f64 {
        let [a, b] = self.worn;
        if a > 0.0 && b > 0.0 {
            2.0 / (1.0 / a + 1.0 / b)
        } else {
            0.0
        }
    }

    fn hours(&self, worn_per_arm: u64) -> Option<f64> {
        self.hours_per_worn.map(|h| 2.0 * h * worn_per_arm as f64)
    }

    fn months(&self, worn_per_arm: u64) -> Option<f64> {
        let month = self.hours_per_month.filter(|m| *m > 0.0)?;
        Some(self.hours(worn_per_arm)? / month)
    }

    /// Factor by which the limits lie above and below the ratio.
    fn factor(&self, worn_per_arm: f64, effect: f64) -> f64 {
        (-normal_quantile(0.025) * (2.0 * effect / worn_per_arm).sqrt() / self.shape).exp()
    }
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
    /// Worn lives in all that are still to come for that, half of them in each arm.
    pub more_worn_alternating: u64,
    /// Worn lives an arm when each machine keeps one practice; null when more lives on these
    /// machines can never tell it.
    pub worn_per_arm_by_machine: Option<u64>,
    /// Variance of that design over that of independent lives, at that number.
    pub design_effect_by_machine: Option<f64>,
    /// Machine-hours, both arms together, for the alternating design.
    pub machine_hours_alternating: Option<f64>,
    /// Months at this fleet's use for the alternating design, both arms running at once.
    pub months_alternating: Option<f64>,
    /// Machine-hours, both arms together, when each machine keeps one practice.
    pub machine_hours_by_machine: Option<f64>,
    /// Months at this fleet's use when each machine keeps one practice.
    pub months_by_machine: Option<f64>,
}

/// Plans for a ratio, at a two-sided level of 5 %; None for a ratio of 1 or inputs out of range.
pub fn plan(of: &Planned, ratio: f64, power: f64) -> Option<Plan> {
    let alone = worn_per_arm(of.shape, ratio, 0.05, power)?;
    // r/(1 + (r/M)·s²β²) = r0  ⇔  r = r0/(1 − r0·s²β²/M): none when machines' own spread is too much.
    let lost = alone as f64 * (of.machine_sd * of.shape).powi(2) / of.machines_per_arm;
    let by_machine = (lost < 1.0).then(|| (alone as f64 / (1.0 - lost)).ceil() as u64);
    let effect = by_machine
        .map(|worn| design_effect(of.shape, of.machine_sd, worn as f64 / of.machines_per_arm));
    let short = (alone as f64 - of.worth_of_worn()).max(0.0);
    Some(Plan {
        ratio,
        power,
        worn_per_arm_alternating: alone,
        more_worn_alternating: (2.0 * short).ceil() as u64,
        worn_per_arm_by_machine: by_machine,
        design_effect_by_machine: effect,
        machine_hours_alternating: of.hours(alone),
        months_alternating: of.months(alone),
        machine_hours_by_machine: by_machine.and_then(|worn| of.hours(worn)),
        months_by_machine: by_machine.and_then(|worn| of.months(worn)),
    })
}

/// How far the 95 % limits will lie apart once there are so many worn lives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expectation {
    /// Worn lives an arm.
    pub worn_per_arm: u64,
    /// Limits of a ratio R are about `R/factor` to `R·factor`, practices alternating on each machine.
    pub factor_alternating: f64,
    /// The same when each machine keeps one practice.
    pub factor_by_machine: f64,
    /// Months at this fleet's use until then, from none, both arms running at once.
    pub months: Option<f64>,
}

/// Expected limits, from the same variance as [`worn_per_arm`]: `exp(1.96·√(2·D/r)/β)`, D the design
/// effect.
pub fn expected_limits(of: &Planned, worn_per_arm: u64) -> Expectation {
    let worn = worn_per_arm as f64;
    let effect = design_effect(of.shape, of.machine_sd, worn / of.machines_per_arm);
    Expectation {
        worn_per_arm,
        factor_alternating: of.factor(worn, 1.0),
        factor_by_machine: of.factor(worn, effect),
        months: of.months(worn_per_arm),
    }
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

    const FLEET: Planned = Planned {
        shape: 2.0,
        machine_sd: 0.1,
        machines_per_arm: 8.0,
        hours_per_worn: Some(500.0),
        hours_per_month: Some(4000.0),
        worn: [30.0, 10.0],
    };

    #[test]
    fn clustering_costs_only_when_practice_goes_by_machine() {
        let plan = plan(&FLEET, 1.3, 0.8).unwrap();
        assert_eq!(plan.worn_per_arm_alternating, 57);
        // 30 and 10 tell as much as 15 and 15: 42 more in each arm.
        assert_eq!(plan.more_worn_alternating, 84);
        // 57/(1 − 57·0.04/8) = 79.7.
        assert_eq!(plan.worn_per_arm_by_machine, Some(80));
        let effect = plan.design_effect_by_machine.unwrap();
        assert!((effect - (1.0 + 80.0 / 8.0 * 0.04)).abs() < 1e-12);
        assert_eq!(plan.months_alternating, Some(14.25));
        assert!((design_effect(2.0, 0.2, 5.0) - 1.8).abs() < 1e-12);
    }

    /// 50 worn an arm at β = 2: ln factor = 1.96·√(2/50)/2 = 0.196.
    #[test]
    fn limits_draw_together_with_the_root_of_the_worn_lives() {
        let at = expected_limits(&FLEET, 50);
        assert!((at.factor_alternating.ln() - 0.195_996_4).abs() < 1e-6);
        assert!(at.factor_by_machine > at.factor_alternating);
        let later = expected_limits(&FLEET, 200);
        let ratio = at.factor_alternating.ln() / later.factor_alternating.ln();
        assert!((ratio - 2.0).abs() < 1e-12);
    }

    /// Unbiasing factors of Thoman, Bain & Antle 1969, Table 2 (from memory).
    #[test]
    fn shapes_from_few_worn_lives_are_taken_down() {
        for (worn, factor) in [(10.0, 0.859), (20.0, 0.931), (50.0, 0.973)] {
            assert!((reduced_bias(1.0, worn) - factor).abs() < 1e-3, "{worn}");
        }
    }
}
