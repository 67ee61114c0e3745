//! How long the part that is fitted now still lasts, under one Weibull curve.

use std::sync::Arc;

use statrs::function::gamma::gamma_ur;

use crate::models::{AgeNow, PartsNow, WeibullNode};

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
#[derive(Debug, Clone, PartialEq)]
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
    /// It is one of several ages, each with its weight: the rows do not tell which position was
    /// changed when.
    OneOf(Ages),
}

/// Most ages that one part is followed at.
pub(super) const MOST_AGES: usize = 6;

/// Ages of one part with their weights under each curve, which sum to 1 with that of an age that nobody knows.
///
/// The likelier lives are short, the likelier a part has been changed: so the weights go with the curve, as the
/// demand does.
#[derive(Debug, Clone, PartialEq)]
pub struct Ages(Arc<Possible>);

#[derive(Debug, PartialEq)]
struct Possible {
    /// Operating hours, rising, each for the ages up to the next one's.
    ages: [f64; MOST_AGES],
    /// The greatest age that each stands for.
    up_to: Vec<f64>,
    /// Weights averaged over curves.
    mean: Weights,
    /// Operating hours for which it has been seen in service where nobody knows its age.
    seen: f64,
    /// What the rows leave open, and which part of the machine it is, the youngest first; `None` where the weights
    /// are the same under every curve.
    of: Option<(Arc<PartsNow>, usize)>,
}

/// Weights of the ages, and of an age that nobody knows.
type Weights = ([f64; MOST_AGES], f64);

impl Ages {
    /// From what the ways in which the changes can belong to the positions say on average. More ages than
    /// [`MOST_AGES`] are brought down to as many, by taking together, at their mean, the two
    /// neighbours that this moves least. `of` tells the weights under each curve, for the part of that rank by age.
    pub fn new(now: &AgeNow, of: Option<(Arc<PartsNow>, usize)>) -> Self {
        let known = now.ages.iter().filter(|a| a.1 > 0.0);
        // Age, weight, greatest age.
        let mut few: Vec<(f64, f64, f64)> = known.map(|&(a, w)| (a, w, a)).collect();
        while few.len() > MOST_AGES {
            // The spread that is lost: w₁w₂/(w₁ + w₂) (a₂ − a₁)².
            let lost = |i: usize| {
                let ((a, v, _), (b, w, _)) = (few[i], few[i + 1]);
                v * w / (v + w) * (b - a).powi(2)
            };
            let least = (0..few.len() - 1).min_by(|&i, &k| lost(i).total_cmp(&lost(k)));
            let Some(at) = least else { break };
            let (b, w, up_to) = few.remove(at + 1);
            let (a, v, _) = few[at];
            few[at] = ((a * v + b * w) / (v + w), v + w, up_to);
        }
        let (mut ages, mut weights) = ([0.0; MOST_AGES], [0.0; MOST_AGES]);
        for (i, (age, weight, _)) in few.iter().enumerate() {
            (ages[i], weights[i]) = (*age, *weight);
        }
        Self(Arc::new(Possible {
            ages,
            up_to: few.iter().map(|f| f.2).collect(),
            mean: (weights, now.unknown),
            seen: now.seen,
            of,
        }))
    }

    /// Weights under one curve; those of the mean where it gives the ways no chance that can be told.
    fn weights(&self, life: &WeibullCurve) -> Weights {
        let Some((parts, rank)) = &self.0.of else {
            return self.0.mean;
        };
        let node = WeibullNode {
            shape: life.shape,
            scale: life.scale,
            weight: 1.0,
        };
        let now = parts.under(&node);
        let Some(now) = now.get(*rank) else {
            return self.0.mean;
        };
        let mut weights = [0.0; MOST_AGES];
        for (age, weight) in &now.ages {
            let last = self.0.up_to.len().saturating_sub(1);
            let slot = self.0.up_to.partition_point(|up_to| up_to < age).min(last);
            weights[slot] += weight;
        }
        let all = weights.iter().sum::<f64>() + now.unknown;
        if all > 0.0 && all.is_finite() {
            (weights.map(|w| w / all), now.unknown / all)
        } else {
            self.0.mean
        }
    }

    /// First lives of one age, or of none that is known, with their weights under a curve.
    pub fn each(&self, life: &WeibullCurve) -> impl Iterator<Item = (FirstLife, f64)> + use<> {
        let (weights, unknown) = self.weights(life);
        let aged = self.0.ages.into_iter().zip(weights);
        let aged = aged.map(|(age, weight)| (FirstLife::Aged(age), weight));
        aged.chain([(FirstLife::Met { seen: self.0.seen }, unknown)])
            .filter(|(_, weight)| *weight > 0.0)
    }
}

impl FirstLife {
    /// Its age, where it is known.
    pub fn age(&self) -> Option<f64> {
        match self {
            Self::Aged(age) => Some(*age),
            Self::Met { .. } | Self::OneOf(_) => None,
        }
    }

    /// The same with each hour counted as `pace` hours. Positions that are not told do not go with paces.
    #[must_use]
    pub fn at_pace(&self, pace: f64) -> Self {
        match self {
            Self::Aged(age) => Self::Aged(age * pace),
            Self::Met { seen } => Self::Met { seen: seen * pace },
            Self::OneOf(ages) => Self::OneOf(ages.clone()),
        }
    }

    /// Chance that it wears out within the next `x` operating hours.
    pub fn cdf(&self, life: &WeibullCurve, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        match self {
            Self::Aged(age) => {
                let ahead = life.cumulative_hazard(age + x) - life.cumulative_hazard(*age);
                -(-ahead.max(0.0)).exp_m1()
            }
            &Self::Met { seen } => {
                let now = life.mean_share_beyond(seen);
                if now < 1e-290 {
                    return Self::Aged(seen).cdf(life, x);
                }
                (1.0 - life.mean_share_beyond(seen + x) / now).clamp(0.0, 1.0)
            }
            Self::OneOf(ages) => {
                let chances = ages
                    .each(life)
                    .map(|(first, weight)| weight * first.cdf(life, x));
                chances.sum::<f64>().clamp(0.0, 1.0)
            }
        }
    }

    /// [`cdf`](Self::cdf) at each of the hours given, which rise.
    pub fn cdf_at(&self, life: &WeibullCurve, hours: &[f64], out: &mut Vec<f64>) {
        out.clear();
        match self {
            Self::Aged(age) => {
                let now = life.cumulative_hazard(*age);
                out.extend(hours.iter().map(|x| {
                    let ahead = life.cumulative_hazard(age + x) - now;
                    -(-ahead.max(0.0)).exp_m1()
                }));
            }
            Self::Met { .. } => out.extend(hours.iter().map(|x| self.cdf(life, *x))),
            Self::OneOf(ages) => {
                let each: Vec<(Self, f64)> = ages.each(life).collect();
                let at = |x: &f64| {
                    let chances = each
                        .iter()
                        .map(|(first, weight)| weight * first.cdf(life, *x));
                    chances.sum::<f64>().clamp(0.0, 1.0)
                };
                out.extend(hours.iter().map(at));
            }
        }
    }

    /// Log of the chance to have come this far, for weighing curves by a survival that the life
    /// model has not counted yet.
    pub fn log_survival(&self, life: &WeibullCurve) -> f64 {
        match self {
            Self::Aged(age) => -life.cumulative_hazard(*age),
            Self::Met { seen } => life.mean_share_beyond(*seen).max(1e-300).ln(),
            // The ways have counted it.
            Self::OneOf(_) => 0.0,
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

    fn either(ages: &[(f64, f64)], unknown: f64) -> FirstLife {
        FirstLife::OneOf(Ages::new(
            &AgeNow {
                ages: ages.to_vec(),
                unknown,
                seen: 40.0,
            },
            None,
        ))
    }

    /// Of one position, the demand at ages that are not told is the mixture of the demands at each.
    #[test]
    fn one_of_several_ages_is_a_mixture_of_them() {
        use super::super::demand::{Accuracy, Group, Hours, demand};
        let node = crate::models::WeibullNode {
            shape: 2.4,
            scale: 300.0,
            weight: 1.0,
        };
        let of = |first: FirstLife| {
            let group = Group {
                windows: vec![Hours {
                    start: 0.0,
                    end: 450.0,
                }],
                positions: vec![(first, 1)],
                starts: Vec::new(),
            };
            demand(&[node], &[group], 1, Accuracy::default())
                .counts
                .remove(0)
        };
        let both = of(either(&[(20.0, 0.5), (260.0, 0.3)], 0.2));
        let parts = [
            (0.5, of(FirstLife::Aged(20.0))),
            (0.3, of(FirstLife::Aged(260.0))),
            (0.2, of(FirstLife::Met { seen: 40.0 })),
        ];
        for n in 0..5 {
            let mixed: f64 = parts.iter().map(|(w, counts)| w * counts.at_most(n)).sum();
            assert!((both.at_most(n) - mixed).abs() < 1e-5, "{n}");
        }
    }

    #[test]
    fn many_ages_are_taken_together_without_moving_their_mean() {
        let many: Vec<(f64, f64)> = (0..15).map(|i| (f64::from(i * i), 1.0 / 15.0)).collect();
        let mean: f64 = many.iter().map(|(a, w)| a * w).sum();
        let FirstLife::OneOf(ages) = either(&many, 0.0) else {
            panic!()
        };
        let each: Vec<(FirstLife, f64)> = ages
            .each(&WeibullCurve {
                shape: 2.0,
                scale: 100.0,
            })
            .collect();
        assert_eq!(each.len(), MOST_AGES);
        assert_relative_eq!(
            each.iter().map(|e| e.1).sum::<f64>(),
            1.0,
            max_relative = 1e-12
        );
        let kept: f64 = each.iter().map(|(first, w)| first.age().unwrap() * w).sum();
        assert_relative_eq!(kept, mean, max_relative = 1e-12);
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
