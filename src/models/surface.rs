//! The likelihood of lives whose positions are not told, worked out on a grid and interpolated.
//!
//! A posterior asks for it at a hundred thousand points. It is smooth: for each shape the log of a sum
//! of `C e^(−A u)` in `u = η^−β`. So it is worked out at Chebyshev points of a region around its top,
//! in `x = ln τ` and `w = τ(μ − m − c (x₀ − x))`, which follows the ridge, and interpolated by the
//! barycentric formula (J.-P. Berrut & L. N. Trefethen, SIAM Review 46, 2004, from memory). Points
//! between are checked against the sum itself; where no grid is fine enough there is no surface.

use std::f64::consts::PI;

use super::maximise::Optimum;
use super::unplaced::LogUnplaced;

/// Half-width of the region in standard errors.
const WIDTH: f64 = 10.0;
/// Points a side, tried in turn.
const SIDES: [usize; 3] = [16, 28, 44];
/// Largest error of a log-likelihood at the points that are checked.
const TOLERANCE: f64 = 1e-8;
/// Points checked a side.
const CHECKED: usize = 7;

/// See the module.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Surface {
    region: Region,
    side: usize,
    nodes: Vec<f64>,
    /// By row of x, then w.
    values: Vec<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Region {
    /// ln τ at the top, and half the width around it.
    x: f64,
    half_x: f64,
    /// μ at the top, its change with ln σ along the ridge, and half the width in w.
    mu: f64,
    slope: f64,
    half_w: f64,
}

impl Region {
    fn around(top: &Optimum) -> Option<Self> {
        let c = top.covariance;
        let (of_x, of_mu) = (c.bb.sqrt(), (c.aa - c.ab * c.ab / c.bb).sqrt());
        let region = Self {
            x: -top.sigma.ln(),
            half_x: (WIDTH * of_x).min(2.5),
            mu: top.mu,
            slope: c.ab / c.bb,
            half_w: (WIDTH * of_mu / top.sigma).min(6.0),
        };
        (region.half_x > 0.0 && region.half_w > 0.0).then_some(region)
    }

    /// (μ, τ) of a point with both coordinates in [−1, 1].
    fn point(&self, along_x: f64, along_w: f64) -> (f64, f64) {
        let dx = self.half_x * along_x;
        let tau = (self.x + dx).exp();
        (self.mu - self.slope * dx + self.half_w * along_w / tau, tau)
    }

    fn along_x(&self, tau: f64) -> f64 {
        (tau.ln() - self.x) / self.half_x
    }

    fn along_w(&self, mu: f64, tau: f64) -> f64 {
        let ridge = self.mu - self.slope * (tau.ln() - self.x);
        tau * (mu - ridge) / self.half_w
    }
}

impl Surface {
    pub(super) fn new(sum: &LogUnplaced, top: &Optimum) -> Option<Self> {
        let region = Region::around(top)?;
        SIDES.iter().find_map(|&side| {
            let surface = Self::with_side(sum, region, side);
            surface.holds(sum).then_some(surface)
        })
    }

    fn with_side(sum: &LogUnplaced, region: Region, side: usize) -> Self {
        let angle = PI / (side - 1) as f64;
        let nodes: Vec<f64> = (0..side).map(|i| (angle * i as f64).cos()).collect();
        let points: Vec<(f64, f64)> = (nodes.iter())
            .flat_map(|x| nodes.iter().map(|w| region.point(*x, *w)))
            .collect();
        Self {
            region,
            side,
            values: sum.exact_values(&points),
            nodes,
        }
    }

    fn holds(&self, sum: &LogUnplaced) -> bool {
        let along = |i: usize| (2.0 * (i as f64 + 0.37) / CHECKED as f64 - 1.0).clamp(-1.0, 1.0);
        let points: Vec<(f64, f64)> = (0..CHECKED * CHECKED)
            .map(|i| self.region.point(along(i / CHECKED), along(i % CHECKED)))
            .collect();
        let ours = self.values(&points);
        let exact = sum.exact_values(&points);
        (ours.iter().zip(&exact)).all(|(a, b)| a.is_some_and(|a| (a - b).abs() < TOLERANCE))
    }

    /// Values at points (μ, τ); `None` outside the region.
    pub(super) fn values(&self, points: &[(f64, f64)]) -> Vec<Option<f64>> {
        // Points mostly come with one τ in common.
        let mut row: Option<(f64, Vec<f64>)> = None;
        let mut value = |(mu, tau): (f64, f64)| {
            let (x, w) = (self.region.along_x(tau), self.region.along_w(mu, tau));
            if !(x.abs() <= 1.0 && w.abs() <= 1.0) {
                return None;
            }
            if row.as_ref().is_none_or(|(of, _)| *of != tau) {
                row = Some((tau, self.row(x)));
            }
            let shares = self.shares(w);
            row.as_ref()
                .map(|(_, row)| row.iter().zip(&shares).map(|(v, s)| v * s).sum())
        };
        points.iter().map(|point| value(*point)).collect()
    }

    /// Values by w at one x.
    fn row(&self, x: f64) -> Vec<f64> {
        let mut row = vec![0.0; self.side];
        for (share, values) in self
            .shares(x)
            .iter()
            .zip(self.values.chunks_exact(self.side))
        {
            for (sum, value) in row.iter_mut().zip(values) {
                *sum += share * value;
            }
        }
        row
    }

    /// Weights of the nodes at a point; they sum to 1.
    fn shares(&self, at: f64) -> Vec<f64> {
        if let Some(hit) = self.nodes.iter().position(|node| *node == at) {
            let mut shares = vec![0.0; self.side];
            shares[hit] = 1.0;
            return shares;
        }
        let weight = |i: usize| {
            let end = i == 0 || i + 1 == self.side;
            let size = if end { 0.5 } else { 1.0 };
            if i.is_multiple_of(2) { size } else { -size }
        };
        let each = self.nodes.iter().enumerate();
        let mut shares: Vec<f64> = each.map(|(i, node)| weight(i) / (at - node)).collect();
        let total: f64 = shares.iter().sum();
        for share in &mut shares {
            *share /= total;
        }
        shares
    }
}
