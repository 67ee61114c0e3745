//! How long the part that is fitted now still lasts, under one Weibull curve.

use statrs::function::gamma::gamma_ur;

/// One Weibull curve: `R(t) = exp(−(t/η)^β)`, computed through logarithms so that no power
/// overflows on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeibullCurve {
    /// Shape β > 0.
    pub shape: f64,
    /// Scale η > 0, hours.
    pub scale: f64,
}

impl WeibullCurve {
    /// `(t/η)^β`; 0 for t ≤ 0.
    pub fn cumulative_hazard(&self, t: f64) -> f64 {
        if t <= 0.0 {
            0.0
        } else {
            (self.shape * (t / self.scale).ln()).exp()
        }
    }

    /// `F(t) = 1 − R(t)`, with its digits kept where it is small.
    pub fn cdf(&self, t: f64) -> f64 {
        -(-self.cumulative_hazard(t)).exp_m1()
    }

    /// `R(t)`.
    pub fn reliability(&self, t: f64) -> f64 {
        (-self.cumulative_hazard(t)).exp()
    }

    /// `μ = η Γ(1 + 1/β)`; may be infinite for tiny shapes.
    pub fn mean(&self) -> f64 {
        self.scale * libm::tgamma(1.0 + 1.0 / self.shape)
    }

    /// `∫_y^∞ R(t) dt / μ = Q(1/β, (y/η)^β)`, Q the regularised upper incomplete gamma function.
    /// (Substitute v = (t/η)^β.)
    pub fn mean_share_beyond(&self, y: f64) -> f64 {
        let v = self.cumulative_hazard(y);
        if v <= 0.0 {
            1.0
        } else if v > 700.0 {
            0.0
        } else {
            gamma_ur(1.0 / self.shape, v)
        }
    }

    /// `∫_0^y R(t) dt`, hours.
    pub fn mean_up_to(&self, y: f64) -> f64 {
        self.mean_up_to_of(y, self.mean())
    }

    /// The same where the mean is known already.
    pub fn mean_up_to_of(&self, y: f64, mean: f64) -> f64 {
        let v = self.cumulative_hazard(y);
        if v <= 0.0 {
            return 0.0;
        }
        if v < 1e-6 {
            // R = 1 − v + …: ∫ = y (1 − v/(β+1)) to 1e-12 relative.
            return y * (1.0 - v / (self.shape + 1.0));
        }
        if !mean.is_finite() {
            // Next to level from early on: ∫F is about y F(y)/(β + 1).
            return y * (1.0 - self.cdf(y) / (self.shape + 1.0));
        }
        mean * (1.0 - self.mean_share_beyond(y))
    }

    /// The first to wear of `n` parts alike is Weibull too: `R(t)^n`, so `η n^(−1/β)`, same shape.
    #[must_use]
    pub fn first_of(&self, n: u32) -> Self {
        Self {
            shape: self.shape,
            scale: self.scale * (-f64::from(n.max(1)).ln() / self.shape).exp(),
        }
    }
}

/// What is known about the age of the part that is fitted now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FirstLife {
    /// Its age in operating hours.
    Aged(f64),
    /// Nobody knows when it went in, only that it has been in for at least `seen` hours.
    ///
    /// It is then taken as a part met at a random moment of a long history of replacements of the
    /// same kind: when first seen, its remaining life V has the stationary distribution
    /// `P(V > y) = ∫_y^∞ R / μ` (Cox, Renewal Theory, 1962), and V > `seen` since.
    Met {
        /// Operating hours for which it has been seen in service.
        seen: f64,
    },
}

impl FirstLife {
    /// Chance that it wears out within the next `x` operating hours.
    pub fn cdf(&self, life: &WeibullCurve, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        match *self {
            Self::Aged(age) => {
                let ahead = life.cumulative_hazard(age + x) - life.cumulative_hazard(age);
                -(-ahead.max(0.0)).exp_m1()
            }
            Self::Met { seen } => {
                let now = life.mean_share_beyond(seen);
                if now < 1e-290 {
                    return Self::Aged(seen).cdf(life, x);
                }
                (1.0 - life.mean_share_beyond(seen + x) / now).clamp(0.0, 1.0)
            }
        }
    }

    /// [`cdf`](Self::cdf) at each of the hours given, which rise.
    pub fn cdf_at(&self, life: &WeibullCurve, hours: &[f64], out: &mut Vec<f64>) {
        out.clear();
        match *self {
            Self::Aged(age) => {
                let now = life.cumulative_hazard(age);
                out.extend(hours.iter().map(|x| {
                    let ahead = life.cumulative_hazard(age + x) - now;
                    -(-ahead.max(0.0)).exp_m1()
                }));
            }
            Self::Met { .. } => out.extend(hours.iter().map(|x| self.cdf(life, *x))),
        }
    }

    /// Log of the chance to have come this far, for weighing curves by a survival that the life
    /// model has not counted yet.
    pub fn log_survival(&self, life: &WeibullCurve) -> f64 {
        match *self {
            Self::Aged(age) => -life.cumulative_hazard(age),
            Self::Met { seen } => life.mean_share_beyond(seen).max(1e-300).ln(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Mean remaining life at an age, η = 1: closed form evaluated with mpmath
    /// (published-cases file, `residual_life_open`).
    #[test]
    fn mean_remaining_life() {
        for (shape, age, mean) in [
            (0.8, 0.0, 1.13300309632),
            (0.8, 0.5, 1.35858062391),
            (0.8, 1.0, 1.45918497818),
            (0.8, 2.0, 1.59229101444),
            (2.0, 0.0, 0.886226925453),
            (2.0, 0.5, 0.545641360765),
            (2.0, 1.0, 0.378936078071),
            (2.0, 2.0, 0.226338524991),
        ] {
            let life = WeibullCurve { shape, scale: 1.0 };
            let got = life.mean() * life.mean_share_beyond(age) / life.reliability(age);
            assert_relative_eq!(got, mean, max_relative = 1e-9);
        }
    }

    #[test]
    fn an_exponential_part_met_in_service_is_as_good_as_new() {
        let life = WeibullCurve {
            shape: 1.0,
            scale: 40.0,
        };
        for first in [
            FirstLife::Aged(0.0),
            FirstLife::Aged(90.0),
            FirstLife::Met { seen: 0.0 },
            FirstLife::Met { seen: 55.0 },
        ] {
            let expected = 1.0 - (-0.5_f64).exp();
            assert_relative_eq!(first.cdf(&life, 20.0), expected, max_relative = 1e-10);
        }
    }

    #[test]
    fn extreme_shapes_and_hours_stay_finite() {
        for shape in [0.1, 1.0, 100.0] {
            for scale in [1e-6, 1.0, 1e12] {
                let life = WeibullCurve { shape, scale };
                for x in [0.0, 0.5, 1.0, 2.0, 1e6] {
                    for first in [
                        FirstLife::Aged(x * scale),
                        FirstLife::Met { seen: x * scale },
                    ] {
                        let p = first.cdf(&life, scale);
                        assert!((0.0..=1.0).contains(&p), "{shape} {scale} {x} {p}");
                    }
                }
            }
        }
    }

    #[test]
    fn the_first_of_a_set_has_the_product_of_reliabilities() {
        let life = WeibullCurve {
            shape: 2.3,
            scale: 400.0,
        };
        assert_relative_eq!(
            life.first_of(3).reliability(210.0),
            life.reliability(210.0).powi(3),
            max_relative = 1e-13
        );
    }
}
