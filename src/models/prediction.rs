//! What a life model predicts at an age: the share worn out, with its band, and ages by share.

use serde::Serialize;

use crate::numerics::roots::brent;

use super::{LifeModel, WeibullNode};

/// A share with the band that holds the true one with the stated probability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ShareBand {
    /// Age, hours.
    pub hours: f64,
    /// Predictive share (the average over the nodes).
    pub share: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

impl LifeModel {
    /// Predictive share worn out by an age in hours: the average over the nodes of
    /// `1 − exp(−(t/η)^β)`, each computed in log space so that no power overflows. 0 at age 0.
    pub fn worn_by(&self, hours: f64) -> f64 {
        self.nodes
            .iter()
            .map(|node| node.weight * worn_by(node, hours))
            .sum::<f64>()
            .clamp(0.0, 1.0)
    }

    /// [`Self::worn_by`] with the central interval over the nodes: with the stated confidence the
    /// true share lies between its limits.
    pub fn worn_by_with_band(&self, hours: f64, confidence: f64) -> ShareBand {
        let mut shares: Vec<(f64, f64)> = self
            .nodes
            .iter()
            .map(|node| (worn_by(node, hours), node.weight))
            .collect();
        shares.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = shares.iter().map(|s| s.1).sum();
        // Each node stands at the middle of its weight; between nodes the line is straight, so
        // that the band does not jump from node to node.
        let at = |level: f64| {
            let mut before: Option<(f64, f64)> = None;
            let mut sum = 0.0;
            for &(share, weight) in &shares {
                let middle = (sum + weight / 2.0) / total;
                if middle >= level {
                    return match before {
                        Some((m, s)) if middle > m => s + (share - s) * (level - m) / (middle - m),
                        _ => share,
                    };
                }
                before = Some((middle, share));
                sum += weight;
            }
            shares.last().map_or(0.0, |s| s.0)
        };
        let tail = (1.0 - confidence) / 2.0;
        ShareBand {
            hours,
            share: self.worn_by(hours),
            lower: at(tail),
            upper: at(1.0 - tail),
        }
    }

    /// Age in hours by which the predictive share `p` in (0, 1) has worn out, by Brent's method on
    /// the log of the age between the extremes over the nodes.
    pub fn hours_at(&self, p: f64) -> Option<f64> {
        if !(p > 0.0 && p < 1.0) {
            return None;
        }
        // ln t = ln η + ln(−ln(1 − p)) / β for each node; the mixture lies between them.
        let inner = (-(-p).ln_1p()).ln();
        let each = self.nodes.iter().map(|n| n.scale.ln() + inner / n.shape);
        let (low, high) = each.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| {
            (a.min(t), b.max(t))
        });
        if !(low.is_finite() && high.is_finite()) {
            return None;
        }
        let miss = |ln_hours: f64| self.worn_by(ln_hours.exp()) - p;
        // Nodes that all agree leave no bracket.
        let ln_hours = brent(miss, low, high, 1e-14).unwrap_or(f64::midpoint(low, high));
        Some(ln_hours.exp())
    }
}

fn worn_by(node: &WeibullNode, hours: f64) -> f64 {
    if hours <= 0.0 {
        return 0.0;
    }
    let hazard = (node.shape * (hours.ln() - node.scale.ln())).exp();
    -(-hazard).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::models::{Basis, LifeCounts};

    fn model(nodes: &[(f64, f64, f64)]) -> LifeModel {
        LifeModel {
            part: "belt".to_owned(),
            basis: Basis::Records,
            nodes: nodes
                .iter()
                .map(|&(shape, scale, weight)| WeibullNode {
                    shape,
                    scale,
                    weight,
                })
                .collect(),
            lives: LifeCounts::default(),
            shape_interval: None,
            by_level: None,
            cautions: vec![],
        }
    }

    #[test]
    fn one_node_is_a_plain_weibull() {
        // At t = η the share worn out is 1 − 1/e whatever the shape.
        let one = model(&[(2.0, 400.0, 1.0)]);
        assert!((one.worn_by(400.0) - (1.0 - (-1.0f64).exp())).abs() < 1e-15);
        // Median = η (ln 2)^(1/β).
        let median = one.hours_at(0.5).unwrap();
        assert!((median - 400.0 * 2f64.ln().sqrt()).abs() < 1e-9);
        let band = one.worn_by_with_band(100.0, 0.95);
        assert_eq!((band.lower, band.upper), (band.share, band.share));
    }

    #[test]
    fn a_mixture_lies_between_its_nodes_and_extremes_stay_finite() {
        let two = model(&[(1.0, 100.0, 0.5), (3.0, 1000.0, 0.5)]);
        let band = two.worn_by_with_band(200.0, 0.9);
        assert!(band.lower < band.share && band.share < band.upper);
        let p = two.worn_by(two.hours_at(0.9).unwrap());
        assert!((p - 0.9).abs() < 1e-9);
        // A power of (t/η) would overflow or vanish here.
        let steep = model(&[(95.0, 3000.0, 1.0)]);
        assert_eq!(steep.worn_by(1e12), 1.0);
        assert_eq!(steep.worn_by(1e-6), 0.0);
        assert!((steep.worn_by(2990.0) - 0.517).abs() < 0.01);
        assert_eq!(two.worn_by(0.0), 0.0);
        assert_eq!(two.hours_at(1.0), None);
    }
}
