//! Errors that allow for lives on one machine being alike.

use super::likelihood::{Coordinates, fill_upper};
use super::rows::Rows;
use super::{ClusterSummary, RegressionError};
use crate::models::Kernel;
use crate::numerics::linear::{Cholesky, symmetric_eigen};

/// Clustered covariance of the free parameters, in natural coordinates of the scaled design.
///
/// Leaves out one cluster at a time with one Newton step, `δ_g = (A − A_g)⁻¹·s_g`, A the information
/// and s the score: `V = (G−1)/G·Σ δ_g·δ_gᵀ` (the jackknife form of the sandwich, as in Lipsitz, Dear
/// & Zhao 1994; for least squares it is HC3 by cluster, Bell and others 2002, from memory), which
/// does not understate the error with few clusters as the plain sandwich does. Where a cluster
/// cannot be left out, the plain sandwich times G/(G−1). Degrees of freedom for Student's t: clusters
/// less the columns that are constant within every cluster (the intercept among them).
///
/// # Errors
/// Fewer than two clusters.
pub(super) fn clustered(
    rows: &Rows,
    kernel: Kernel,
    at: &[f64],
    free: &[usize],
    information: &[f64],
    clusters: &[u32],
) -> Result<(Vec<f64>, ClusterSummary), RegressionError> {
    let f = free.len();
    let k = at.len();
    let mut order: Vec<usize> = (0..clusters.len()).collect();
    order.sort_by_key(|&i| clusters[i]);
    let groups: Vec<&[usize]> = order
        .chunk_by(|&a, &b| clusters[a] == clusters[b])
        .collect();
    let g = groups.len();
    if g < 2 {
        return Err(RegressionError::Clusters(g));
    }
    let mut without = vec![0.0; f * f];
    let mut plain_middle = vec![0.0; f * f];
    let mut leave_one_out = true;
    for members in &groups {
        let mut sums = rows.sums_over(
            kernel,
            at,
            Coordinates::Natural,
            &[],
            members.iter().copied(),
        );
        fill_upper(&mut sums.hessian, k);
        let score: Vec<f64> = free.iter().map(|&a| sums.gradient[a]).collect();
        add_square(&mut plain_middle, &score);
        let mut rest = information.to_vec();
        for (r, &a) in free.iter().enumerate() {
            for (c, &b) in free.iter().enumerate() {
                rest[r * f + c] += sums.hessian[a * k + b];
            }
        }
        // A direction that only this cluster tells about leaves (almost) nothing behind.
        let alone = (0..f).any(|r| rest[r * f + r] < 1e-8 * information[r * f + r]);
        match Cholesky::new(rest, f) {
            Some(factor) if leave_one_out && !alone => {
                let mut delta = score;
                factor.solve(&mut delta);
                add_square(&mut without, &delta);
            }
            _ => leave_one_out = false,
        }
    }
    let scale = (g as f64 - 1.0) / g as f64;
    let covariance = if leave_one_out {
        without.iter().map(|v| v * scale).collect()
    } else {
        let inverse = Cholesky::new(information.to_vec(), f).map(|c| c.inverse());
        let inverse = inverse.unwrap_or_else(|| vec![0.0; f * f]);
        let half = product(&inverse, &plain_middle, f);
        product(&half, &inverse, f)
            .iter()
            .map(|v| v / scale)
            .collect()
    };
    let between = (0..rows.p())
        .filter(|&a| {
            groups.iter().all(|members| {
                let value = |i: usize| rows.x(i, a);
                members.iter().all(|&i| value(i) == value(members[0]))
            })
        })
        .count();
    Ok((
        covariance,
        ClusterSummary {
            clusters: g,
            degrees_of_freedom: (g.saturating_sub(between) as f64).max(1.0),
            leave_one_out,
        },
    ))
}

/// Free parameters and clusters up to which the unbiased form is worked out; beyond, it and the
/// jackknife form are the same for all that can be seen.
const MOST_FREE: usize = 12;
const MOST_CLUSTERS: usize = 400;

/// Share of the information that counts as left without a cluster, at least.
const LEAST_LEFT: f64 = 0.05;

/// Clustered covariance that is unbiased when the model is right: each cluster's score is stretched
/// by `(I − M_g)^(−1/2)`, `M_g` its share of the information (for least squares CR2, Bell and others
/// 2002). Where practice goes by machine or from life to life, with Student's t on the clusters less
/// the columns that are constant within each, tests keep near their level with 12 clusters; the
/// jackknife form is on the safe side there.
///
/// # Errors
/// Fewer than two clusters.
pub(super) fn unbiased(
    rows: &Rows,
    kernel: Kernel,
    at: &[f64],
    free: &[usize],
    information: &[f64],
    clusters: &[u32],
) -> Result<(Vec<f64>, ClusterSummary), RegressionError> {
    let (jackknife, summary) = clustered(rows, kernel, at, free, information, clusters)?;
    let f = free.len();
    let Some(factor) = Cholesky::new(information.to_vec(), f)
        .filter(|_| f <= MOST_FREE && summary.clusters <= MOST_CLUSTERS)
    else {
        return Ok((jackknife, summary));
    };
    let k = at.len();
    let mut order: Vec<usize> = (0..clusters.len()).collect();
    order.sort_by_key(|&i| clusters[i]);
    let mut covariance = vec![0.0; f * f];
    let mut leave_one_out = true;
    for members in order.chunk_by(|&a, &b| clusters[a] == clusters[b]) {
        let members = members.iter().copied();
        let mut sums = rows.sums_over(kernel, at, Coordinates::Natural, &[], members);
        fill_upper(&mut sums.hessian, k);
        let part: Vec<f64> = free
            .iter()
            .flat_map(|&a| free.iter().map(move |&b| (a, b)))
            .map(|(a, b)| -sums.hessian[a * k + b])
            .collect();
        // L⁻¹·A_g·L⁻ᵀ.
        let half = columns(&part, f, |column| factor.forward(column));
        let share = columns(&transposed(&half, f), f, |column| factor.forward(column));
        let mut rest: Vec<f64> = share.iter().map(|v| -v).collect();
        for i in 0..f {
            rest[i * f + i] += 1.0;
        }
        let (values, vectors) = symmetric_eigen(rest, f);
        leave_one_out &= (0..f).all(|r| part[r * f + r] < (1.0 - 1e-8) * information[r * f + r]);
        // What only this cluster tells about has no score to stretch; and the observed information of
        // a cluster may be negative for the shape, so that the others have more than there is.
        let stretch = |v: f64| 1.0 / v.max(LEAST_LEFT).sqrt();
        let mut score: Vec<f64> = free.iter().map(|&a| sums.gradient[a]).collect();
        factor.forward(&mut score);
        let inside: Vec<f64> = (0..f)
            .map(|e| {
                let along: f64 = (0..f).map(|i| vectors[i * f + e] * score[i]).sum();
                along * stretch(values[e])
            })
            .collect();
        let mut delta: Vec<f64> = (0..f)
            .map(|i| (0..f).map(|e| vectors[i * f + e] * inside[e]).sum())
            .collect();
        factor.backward(&mut delta);
        add_square(&mut covariance, &delta);
    }
    Ok((
        covariance,
        ClusterSummary {
            leave_one_out,
            ..summary
        },
    ))
}

/// A matrix with `each` done to its columns.
fn columns(matrix: &[f64], n: usize, each: impl Fn(&mut [f64])) -> Vec<f64> {
    let mut out = vec![0.0; n * n];
    for j in 0..n {
        let mut column: Vec<f64> = (0..n).map(|i| matrix[i * n + j]).collect();
        each(&mut column);
        for i in 0..n {
            out[i * n + j] = column[i];
        }
    }
    out
}

fn transposed(matrix: &[f64], n: usize) -> Vec<f64> {
    (0..n * n).map(|at| matrix[(at % n) * n + at / n]).collect()
}

fn add_square(matrix: &mut [f64], v: &[f64]) {
    for (a, row) in v.iter().zip(matrix.chunks_exact_mut(v.len())) {
        for (cell, b) in row.iter_mut().zip(v) {
            *cell += a * b;
        }
    }
}

fn product(a: &[f64], b: &[f64], n: usize) -> Vec<f64> {
    let mut out = vec![0.0; n * n];
    for i in 0..n {
        for k in 0..n {
            for j in 0..n {
                out[i * n + j] += a[i * n + k] * b[k * n + j];
            }
        }
    }
    out
}
