//! Tests that allow for lives on one machine being alike.

use super::prepare::{Prepared, keep_covariate};
use super::{ClusteredTest, PermutationTest, permute_machines};
use crate::models::regression::{
    Covariate, Errors, Regression, RegressionError, level_scores, regress,
};
use crate::numerics::linear::Cholesky;
use crate::numerics::special::beta_cdf;

impl Prepared<'_> {
    /// Whole machines dealt anew, where every machine is in one group.
    pub(super) fn permutation(
        &self,
        clusters: Option<&[u32]>,
        few: bool,
    ) -> Option<PermutationTest> {
        let clusters = clusters?;
        if few {
            return None;
        }
        let scores = level_scores(&self.lives, &self.request(Vec::new())).ok()?;
        let mut machine: Vec<(u32, u32, f64)> = (0..clusters.len())
            .map(|i| (clusters[i], self.grouping.codes[i], scores[i]))
            .collect();
        machine.sort_by_key(|m| m.0);
        let mut excess = Vec::new();
        let mut group = Vec::new();
        for lives in machine.chunk_by(|a, b| a.0 == b.0) {
            if lives.iter().any(|l| l.1 != lives[0].1) {
                return None;
            }
            excess.push(lives.iter().map(|l| l.2).sum());
            group.push(lives[0].1);
        }
        permute_machines(&excess, &group, self.grouping.levels.len())
    }

    /// All groups at once, errors clustered by machine.
    pub(super) fn clustered(
        &self,
        clusters: Option<&[u32]>,
        active: &[usize],
        few: bool,
    ) -> Option<ClusteredTest> {
        if few {
            return None;
        }
        let fit = self.clustered_fit(clusters?, active, 0, &[]).ok()?;
        let q = fit.coefficients.len();
        let k = q + 1 + fit.shapes.len();
        let mut matrix = Vec::with_capacity(q * q);
        for a in 1..=q {
            matrix.extend((1..=q).map(|b| fit.covariance[a * k + b]));
        }
        let mut y: Vec<f64> = fit.coefficients.iter().map(|c| c.estimate).collect();
        Cholesky::new(matrix, q)?.forward(&mut y);
        // Hotelling's T²: w·(d − q + 1)/(d·q) is F(q, d − q + 1).
        let clusters = fit.clusters?.degrees_of_freedom;
        let df = clusters - q as f64 + 1.0;
        if df < 1.0 {
            return None;
        }
        let wald = y.iter().map(|y| y * y).sum::<f64>();
        let statistic = wald * df / (clusters * q as f64);
        let x = df / (df + q as f64 * statistic);
        Some(ClusteredTest {
            statistic,
            degrees_of_freedom: q as u32,
            error_degrees_of_freedom: df,
            p_value: beta_cdf(x, 0.5 * df, 0.5 * q as f64),
        })
    }

    pub(super) fn clustered_fit(
        &self,
        clusters: &[u32],
        active: &[usize],
        base: usize,
        adjust: &[Covariate],
    ) -> Result<Regression, RegressionError> {
        let mut covariates = vec![self.grouping.keep(active).covariate(base)];
        covariates.extend(adjust.iter().map(|c| keep_covariate(c, active)));
        let mut request = self.request(covariates);
        request.errors = Errors::ByClusterUnbiased;
        request.clusters = Some(active.iter().map(|&i| clusters[i]).collect());
        regress(&self.lives.rows(active), &request)
    }
}
