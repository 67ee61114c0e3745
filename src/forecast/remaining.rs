//! Remaining life of one fitted part, averaged over the posterior.

use super::first_life::{FirstLife, WeibullCurve};
use super::mixture::Mixture;
use crate::models::WeibullNode;

/// Chance that a part wears out within the next `x` operating hours: `Σ wᵢ F₁ᵢ(x)`.
///
/// The weights are those of a posterior that has counted this part's survival to its age already,
/// as one of the running lives; then the mean of the conditional chances `1 − Rᵢ(a+x)/Rᵢ(a)` under
/// the weights as they stand is the predictive chance, and conditioning the weights on the survival
/// once more would count it twice. Survivals that the life model has *not* counted are put into
/// the weights beforehand, once (see [`weighed`]).
pub fn chance_within(nodes: &[WeibullNode], per_change: u32, first: &FirstLife, x: f64) -> f64 {
    nodes
        .iter()
        .map(|n| n.weight * first.cdf(&curve(n, per_change), x))
        .sum::<f64>()
        .clamp(0.0, 1.0)
}

/// The curve by which a position is renewed: of the part itself, or of the first of a set to wear.
pub(crate) fn curve(node: &WeibullNode, per_change: u32) -> WeibullCurve {
    WeibullCurve {
        shape: node.shape,
        scale: node.scale,
    }
    .first_of(per_change)
}

/// Curves weighed by survivals that the life model has not counted: `wᵢ ∏ Sᵢ`, rescaled.
/// `uncounted` holds each such part with the number of positions alike.
pub fn weighed(
    nodes: &[WeibullNode],
    per_change: u32,
    uncounted: &[(FirstLife, u32)],
) -> Vec<WeibullNode> {
    if uncounted.is_empty() || nodes.len() < 2 {
        return nodes.to_vec();
    }
    let logs: Vec<f64> = nodes
        .iter()
        .map(|n| {
            let life = curve(n, per_change);
            n.weight.ln()
                + uncounted
                    .iter()
                    .map(|(first, alike)| f64::from(*alike) * first.log_survival(&life))
                    .sum::<f64>()
        })
        .collect();
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return nodes.to_vec();
    }
    let sum: f64 = logs.iter().map(|l| (l - top).exp()).sum();
    nodes
        .iter()
        .zip(&logs)
        .map(|(n, l)| WeibullNode {
            weight: (l - top).exp() / sum,
            ..*n
        })
        .filter(|n| n.weight > 0.0)
        .collect()
}

/// Hours by which a share `p` of the predictive distribution has worn out.
pub fn remaining_quantile(
    nodes: &[WeibullNode],
    per_change: u32,
    first: &FirstLife,
    p: f64,
) -> Option<f64> {
    Mixture::new(nodes, per_change).ahead(first).quantile(p)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// `t_p(a) = (a^β − ln(1 − p))^(1/β) − a` with η = 1: case `residual_life_open`, closed form.
    #[test]
    fn remaining_life_of_one_curve() {
        for (shape, age, quantiles) in [
            (0.8, 0.0, [0.0600270995752, 0.632458197972, 2.83641393842]),
            (0.8, 0.5, [0.117169320519, 0.844879582008, 3.24681650414]),
            (0.8, 1.0, [0.133391454862, 0.931382934463, 3.45212675351]),
            (0.8, 2.0, [0.152411792409, 1.0405776287, 3.73418644822]),
            (2.0, 0.0, [0.324592845975, 0.832554611158, 1.51742712939]),
            (2.0, 0.5, [0.0961212256394, 0.471157649694, 1.09768116124]),
            (2.0, 1.0, [0.0513612679083, 0.301209891048, 0.817301596597]),
            (2.0, 2.0, [0.0261689257458, 0.166367277393, 0.510494989637]),
        ] {
            let nodes = [WeibullNode {
                shape,
                scale: 1.0,
                weight: 1.0,
            }];
            for (p, hours) in [0.1, 0.5, 0.9].into_iter().zip(quantiles) {
                let got = remaining_quantile(&nodes, 1, &FirstLife::Aged(age), p).unwrap();
                assert_relative_eq!(got, hours, max_relative = 2e-9);
            }
        }
    }

    /// A survival can be counted in the weights or be one of the lives behind them, with the same
    /// answer: two exponential curves, prior ½ each, a part seen to age a by Bayes' rule by hand.
    #[test]
    fn an_uncounted_survival_is_counted_once() {
        let nodes = [
            WeibullNode {
                shape: 1.0,
                scale: 10.0,
                weight: 0.5,
            },
            WeibullNode {
                shape: 1.0,
                scale: 40.0,
                weight: 0.5,
            },
        ];
        let after = weighed(&nodes, 1, &[(FirstLife::Aged(20.0), 1)]);
        let (a, b) = ((-2.0_f64).exp(), (-0.5_f64).exp());
        assert_relative_eq!(after[0].weight, a / (a + b), max_relative = 1e-12);
        let direct = 0.5 * ((-2.0_f64).exp() - (-3.0_f64).exp())
            + 0.5 * ((-0.5_f64).exp() - (-0.75_f64).exp());
        assert_relative_eq!(
            chance_within(&after, 1, &FirstLife::Aged(20.0), 10.0),
            direct / (0.5 * (a + b)),
            max_relative = 1e-12
        );
    }
}
