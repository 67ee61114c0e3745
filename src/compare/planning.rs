//! How many worn lives it takes.

use serde::Serialize;

use crate::numerics::special::{normal_cdf, normal_quantile};
use crate::numerics::student_t::t_multiplier;

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

/// How practices are spread over machines that differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Design {
    /// Both practices on every machine, part by part.
    Alternating,
    /// Each machine keeps one practice.
    ByMachine,
}

impl Design {
    /// How much machines that differ cost: the variance of the log life ratio over that of independent
    /// lives, with machine-to-machine standard deviation s on log life and m worn lives of an arm on a
    /// machine.
    ///
    /// A life on a machine at level u is `eᵘ·η·E^{1/β}`, E exponential, and its score `e^{βu}E − 1` (up to
    /// the mean of `e^{βu}`). With `g = E[e^{2βu}]/E[e^{βu}]² = e^{β²s²}` for normal u, the scores of a
    /// machine's n lives sum to a variance of `n·g` where practices alternate (what they share cancels), and
    /// of `n·g + n²(g − 1)` where it keeps one: `g`, and `g + m(g − 1)`. Derived here; held to simulation in
    /// `DEVELOPERS.md`.
    pub fn effect(self, shape: f64, machine_sd: f64, worn_per_machine: f64) -> f64 {
        let spread = (shape * machine_sd).powi(2);
        match self {
            Self::Alternating => spread.exp(),
            Self::ByMachine => spread.exp() + worn_per_machine * spread.exp_m1(),
        }
    }

    /// Degrees of freedom that so many machines in all leave to the error; infinite where machines are not
    /// told (fewer than two).
    fn degrees_of_freedom(self, machines: f64) -> f64 {
        let df = match self {
            Self::Alternating => machines - 1.0,
            Self::ByMachine => machines - 2.0,
        };
        if df >= 1.0 { df } else { f64::INFINITY }
    }

    /// Power of a two-sided test at a level with that many worn lives an arm on so many machines in all:
    /// non-central t in the approximation of Abramowitz & Stegun 26.7.10 (from memory),
    /// `P(T > t | δ) ≈ Φ((δ − t(1 − 1/4ν))/√(1 + t²/2ν))`, `δ = β|ln R|·√(r/2D)`, D [`Design::effect`].
    pub fn power(self, of: &Planned, ratio: f64, level: f64, worn_per_arm: f64) -> f64 {
        let (t, slack) = self.critical(of, level);
        let effect = self.effect(
            of.shape,
            of.machine_sd,
            worn_per_arm / self.machines_with(of),
        );
        let shift = (of.shape * ratio.ln()).abs() * (worn_per_arm / (2.0 * effect)).sqrt();
        normal_cdf((shift - t) / slack) + normal_cdf((-shift - t) / slack)
    }

    /// What |T| exceeds at a level, and its degrees of freedom.
    fn t(self, of: &Planned, level: f64) -> (f64, f64) {
        let df = self.degrees_of_freedom(2.0 * of.machines_per_arm);
        if df.is_infinite() {
            (-normal_quantile(level / 2.0), df)
        } else {
            (t_multiplier(1.0 - level, df), df)
        }
    }

    /// `t(1 − 1/4ν)` and `√(1 + t²/2ν)`.
    fn critical(self, of: &Planned, level: f64) -> (f64, f64) {
        let (t, df) = self.t(of, level);
        (t * (1.0 - 0.25 / df), (1.0 + 0.5 * t * t / df).sqrt())
    }

    /// Machines that lives of one arm are on.
    fn machines_with(self, of: &Planned) -> f64 {
        match self {
            Self::Alternating => 2.0 * of.machines_per_arm,
            Self::ByMachine => of.machines_per_arm,
        }
    }

    /// Worn lives an arm for a power: [`Design::power`] solved for r. None for a ratio of 1, and where more
    /// lives on these machines can never tell.
    fn worn_per_arm(self, of: &Planned, ratio: f64, level: f64, power: f64) -> Option<u64> {
        // Also refuses inputs out of range.
        worn_per_arm(of.shape, ratio, level, power)?;
        let (t, slack) = self.critical(of, level);
        let shift = t + slack * normal_quantile(power);
        let alone = 2.0 * (shift / (of.shape * ratio.ln())).powi(2);
        // r = alone·(c + d·r), the effect being c + d·r in the worn lives of an arm.
        let none = self.effect(of.shape, of.machine_sd, 0.0);
        let each = (self.effect(of.shape, of.machine_sd, 1.0) - none) / self.machines_with(of);
        let left = 1.0 - alone * each;
        (left > 0.0).then(|| (0.999 * alone * none / left).ceil() as u64)
    }

    /// Factor by which the 95 % limits lie above and below the ratio.
    fn limits(self, of: &Planned, worn_per_arm: f64) -> f64 {
        let (t, _) = self.t(of, 0.05);
        let effect = self.effect(
            of.shape,
            of.machine_sd,
            worn_per_arm / self.machines_with(of),
        );
        (t * (2.0 * effect / worn_per_arm).sqrt() / of.shape).exp()
    }
}

/// Fewer machines an arm than this allow no test where each machine keeps one practice.
const LEAST_MACHINES: f64 = 4.0;

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
}

/// A plan for telling a life ratio.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plan {
    /// Life ratio to be told.
    pub ratio: f64,
    /// Power.
    pub power: f64,
    /// Worn lives an arm if lives were independent ([`worn_per_arm`]).
    pub worn_per_arm_independent: u64,
    /// Worn lives an arm when practices alternate on each machine.
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
    let independent = worn_per_arm(of.shape, ratio, 0.05, power)?;
    let alternating = Design::Alternating.worn_per_arm(of, ratio, 0.05, power)?;
    let by_machine = Some(of.machines_per_arm)
        .filter(|m| *m >= LEAST_MACHINES)
        .and_then(|_| Design::ByMachine.worn_per_arm(of, ratio, 0.05, power));
    let effect = by_machine.map(|worn| {
        let each = worn as f64 / of.machines_per_arm;
        Design::ByMachine.effect(of.shape, of.machine_sd, each)
    });
    let short = (alternating as f64 - of.worth_of_worn()).max(0.0);
    Some(Plan {
        ratio,
        power,
        worn_per_arm_independent: independent,
        worn_per_arm_alternating: alternating,
        more_worn_alternating: (2.0 * short).ceil() as u64,
        worn_per_arm_by_machine: by_machine,
        design_effect_by_machine: effect,
        machine_hours_alternating: of.hours(alternating),
        months_alternating: of.months(alternating),
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

/// Expected limits: `exp(t·√(2·D/r)/β)`, D [`Design::effect`], t of the degrees of freedom that the machines
/// leave.
pub fn expected_limits(of: &Planned, worn_per_arm: u64) -> Expectation {
    let worn = worn_per_arm as f64;
    Expectation {
        worn_per_arm,
        factor_alternating: Design::Alternating.limits(of, worn),
        factor_by_machine: Design::ByMachine.limits(of, worn),
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
    fn machines_that_differ_cost_more_where_each_keeps_one_practice() {
        let plan = plan(&FLEET, 1.3, 0.8).unwrap();
        assert_eq!(plan.worn_per_arm_independent, 57);
        // By hand: t(0.975, 15) = 2.1314, δ = 2.1314·(1 − 1/60) + 0.8416·√(1 + 2.1314²/30) = 2.9990;
        // 2·(2.9990/0.52473)²·e^0.04 = 68.0; with 14 degrees 2.1448, δ = 3.0146, r₀ = 66.01 and
        // 66.01·e^0.04/(1 − 66.01·(e^0.04 − 1)/8) = 103.6.
        assert_eq!(plan.worn_per_arm_alternating, 68);
        // 30 and 10 tell as much as 15 and 15: 53 more in each arm.
        assert_eq!(plan.more_worn_alternating, 106);
        assert_eq!(plan.worn_per_arm_by_machine, Some(104));
        let effect = plan.design_effect_by_machine.unwrap();
        let g = 0.04_f64.exp();
        assert!((effect - (g + 13.0 * (g - 1.0))).abs() < 1e-12);
        let back = Design::ByMachine.power(&FLEET, 1.3, 0.05, 104.0);
        assert!((back - 0.8).abs() < 2e-3, "{back}");
        assert_eq!(plan.months_alternating, Some(17.0));
    }

    /// Shares of simulated fleets in which the answer's own test told a ratio of 1.3 (1,000 fleets each,
    /// standard error 1.4 points: `practice_study power`).
    #[test]
    fn the_power_of_simulated_fleets_is_foretold_within_three_points() {
        for (design, shape, machine_sd, machines, worn, told) in [
            (Design::Alternating, 2.0, 0.2, 12.0, 60.0, 0.688),
            (Design::Alternating, 3.0, 0.2, 12.0, 36.0, 0.744),
            (Design::ByMachine, 2.0, 0.1, 24.0, 72.0, 0.752),
            (Design::ByMachine, 3.0, 0.1, 24.0, 36.0, 0.768),
        ] {
            let of = Planned {
                shape,
                machine_sd,
                machines_per_arm: machines / 2.0,
                ..FLEET
            };
            let power = design.power(&of, 1.3, 0.05, worn);
            assert!((power - told).abs() < 0.03, "{design:?} {shape}: {power}");
        }
    }

    /// 50 worn an arm at β = 2 on 16 machines: ln factor = 2.1314·√(2·e^0.04/50)/2 = 0.21745.
    #[test]
    fn limits_draw_together_with_the_root_of_the_worn_lives() {
        let at = expected_limits(&FLEET, 50);
        assert!((at.factor_alternating.ln() - 0.217_45).abs() < 1e-4);
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
