//! The log-rank test.

use rayon::slice::ParallelSliceMut;
use serde::Serialize;

use crate::lives::Observations;
use crate::models::curve::check_lives;
use crate::models::regression::TestResult;
use crate::numerics::linear::Cholesky;
use crate::numerics::sort::sorted;

use super::CompareError;

/// Worn lives of a group beside what its share of the risk would have led to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tally {
    /// Worn lives.
    pub observed: f64,
    /// Worn lives expected if all groups wore alike.
    pub expected: f64,
}

/// Log-rank test of k groups.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LogRank {
    /// The test.
    #[serde(flatten)]
    pub test: TestResult,
    /// Tally of each group, in the order of the groups.
    pub tallies: Vec<Tally>,
}

/// Sort key of a life's end: ages in order, worn before censored at one age.
fn key(hours: f64, censored: bool) -> u64 {
    ((hours + 0.0).to_bits() << 1) | u64::from(censored)
}

/// Log-rank test (Mantel 1966), stratified when `strata` is given, with late entry and counts.
///
/// At each age with worn lives, group g expects `d·n_g/n` of them; the covariance of the differences
/// is hypergeometric, `d·(n−d)/(n−1)·(n_g/n)·(δ_gh − n_h/n)`, summed over ages and strata; the
/// statistic is the quadratic form over all groups but one. `group` codes are below `groups`; a
/// code beyond stands for a life left out; strata codes are sorted out by value.
///
/// # Errors
/// A life that no life can be, or one known only within bounds.
pub fn log_rank(
    lives: &Observations,
    group: &[u32],
    groups: usize,
    strata: Option<&[u32]>,
) -> Result<LogRank, CompareError> {
    check_lives(lives)?;
    if let Some(i) =
        (0..lives.low.len()).find(|&i| lives.low[i] < lives.high[i] && lives.high[i].is_finite())
    {
        return Err(CompareError::Interval { row: i + 1 });
    }
    let weight = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
    let used = |i: usize| (group[i] as usize) < groups;
    let rows: Vec<u32> = (0..group.len() as u32)
        .filter(|&i| used(i as usize))
        .collect();
    let strata_rows: Vec<Vec<u32>> = match strata {
        None => vec![rows],
        Some(strata) => {
            let of = |i: u32| strata[i as usize];
            let mut order = rows;
            order.sort_by_key(|&i| of(i));
            order
                .chunk_by(|&a, &b| of(a) == of(b))
                .map(<[u32]>::to_vec)
                .collect()
        }
    };
    let mut sums = Sums {
        observed: vec![0.0; groups],
        expected: vec![0.0; groups],
        variance: vec![0.0; groups * groups],
    };
    for rows in &strata_rows {
        sums.add_stratum(lives, group, rows, weight);
    }
    let (statistic, rank) = quadratic_form(&sums.observed, &sums.expected, &sums.variance);
    Ok(LogRank {
        test: TestResult::chi_square(statistic, rank),
        tallies: (sums.observed.iter().zip(&sums.expected))
            .map(|(&observed, &expected)| Tally { observed, expected })
            .collect(),
    })
}

/// What the test adds up over ages and strata.
struct Sums {
    observed: Vec<f64>,
    expected: Vec<f64>,
    /// Lower triangle, row by row.
    variance: Vec<f64>,
}

impl Sums {
    /// One pass over the ages of a stratum.
    fn add_stratum(
        &mut self,
        lives: &Observations,
        group: &[u32],
        rows: &[u32],
        weight: impl Fn(usize) -> f64,
    ) {
        if lives.entry.is_empty() && lives.count.is_empty() {
            self.add_plain_stratum(lives, group, rows);
            return;
        }
        let end = |i: usize| key(lives.low[i], lives.low[i] < lives.high[i]);
        let mut ends: Vec<(u64, u32)> = rows.iter().map(|&i| (end(i as usize), i)).collect();
        ends.par_sort_unstable();
        let mut at_risk = vec![0.0; self.observed.len()];
        let mut entries: Vec<(f64, u32)> = Vec::new();
        if lives.entry.is_empty() {
            for &i in rows {
                at_risk[group[i as usize] as usize] += weight(i as usize);
            }
        } else {
            entries.extend(rows.iter().map(|&i| (lives.entry[i as usize], i)));
            entries.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        }
        let mut entries = entries.into_iter().peekable();
        let mut worn = vec![0.0; self.observed.len()];
        for tied in ends.chunk_by(|a, b| a.0 == b.0) {
            let censored = tied[0].0 & 1 == 1;
            let hours = f64::from_bits(tied[0].0 >> 1);
            // At risk after its entry; one censored where it entered must still be counted in
            // before it is counted out.
            while let Some((_, i)) =
                entries.next_if(|(entry, _)| *entry < hours || (censored && *entry == hours))
            {
                at_risk[group[i as usize] as usize] += weight(i as usize);
            }
            if !censored {
                worn.fill(0.0);
                for &(_, i) in tied {
                    worn[group[i as usize] as usize] += weight(i as usize);
                }
                self.add_age(&at_risk, &worn);
            }
            for &(_, i) in tied {
                at_risk[group[i as usize] as usize] -= weight(i as usize);
            }
        }
    }

    /// The same for lives seen from new that count once each: every group sorted by itself, then all
    /// walked through together.
    fn add_plain_stratum(&mut self, lives: &Observations, group: &[u32], rows: &[u32]) {
        let groups = self.observed.len();
        let mut keys: Vec<Vec<u64>> = vec![Vec::new(); groups];
        for &i in rows {
            let i = i as usize;
            keys[group[i] as usize].push(key(lives.low[i], lives.low[i] < lives.high[i]));
        }
        let keys: Vec<Vec<u64>> = keys.into_iter().map(sorted).collect();
        let mut next: Vec<&[u64]> = keys.iter().map(Vec::as_slice).collect();
        let mut at_risk: Vec<f64> = next.iter().map(|keys| keys.len() as f64).collect();
        let mut ended = vec![0.0; groups];
        while let Some(first) = next.iter().filter_map(|keys| keys.first().copied()).min() {
            for (keys, ended) in next.iter_mut().zip(&mut ended) {
                let tied = keys.iter().take_while(|k| **k == first).count();
                *keys = &keys[tied..];
                *ended = tied as f64;
            }
            if first & 1 == 0 {
                self.add_age(&at_risk, &ended);
            }
            for (at_risk, ended) in at_risk.iter_mut().zip(&ended) {
                *at_risk -= ended;
            }
        }
    }

    /// One age with worn lives.
    fn add_age(&mut self, at_risk: &[f64], worn: &[f64]) {
        let groups = at_risk.len();
        let (n, d) = (at_risk.iter().sum::<f64>(), worn.iter().sum::<f64>());
        if d <= 0.0 || n <= 0.0 {
            return;
        }
        let spread = if n > 1.0 {
            d * (n - d).max(0.0) / (n - 1.0)
        } else {
            0.0
        };
        for g in 0..groups {
            let share = at_risk[g] / n;
            self.observed[g] += worn[g];
            self.expected[g] += d * share;
            let row = &mut self.variance[g * groups..=g * groups + g];
            for (h, (cell, other)) in row.iter_mut().zip(at_risk).enumerate() {
                let own = f64::from(u8::from(g == h));
                *cell += spread * share * (own - other / n);
            }
        }
    }
}

/// Quadratic form over the groups that were ever at risk beside others, less one.
fn quadratic_form(observed: &[f64], expected: &[f64], variance: &[f64]) -> (f64, u32) {
    let k = observed.len();
    let compared: Vec<usize> = (0..k).filter(|&g| variance[g * k + g] > 0.0).collect();
    let Some(kept) = compared.len().checked_sub(1).filter(|&r| r > 0) else {
        return (0.0, 0);
    };
    let kept = &compared[..kept];
    let difference: Vec<f64> = kept.iter().map(|&g| observed[g] - expected[g]).collect();
    let mut matrix = Vec::with_capacity(kept.len() * kept.len());
    for &g in kept {
        matrix.extend(kept.iter().map(|&h| variance[g.max(h) * k + g.min(h)]));
    }
    let Some(factor) = Cholesky::new(matrix, kept.len()) else {
        return (0.0, 0);
    };
    let mut y = difference;
    factor.forward(&mut y);
    (y.iter().map(|y| y * y).sum(), kept.len() as u32)
}
