//! The log-rank test.

use rayon::prelude::*;
use serde::Serialize;

use crate::lives::Observations;
use crate::models::curve::{check_lives, first_interval, hours_of, key};
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
    if let Some(i) = first_interval(lives) {
        return Err(CompareError::Interval { row: i + 1 });
    }
    let weight = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
    // One censored at age 0 was never at risk.
    let used = |i: usize| (group[i] as usize) < groups && lives.low[i] > 0.0;
    let mut rows = Vec::with_capacity(group.len());
    rows.extend((0..group.len() as u32).filter(|&i| used(i as usize)));
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
    let mut sums = Sums::new(groups);
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

/// Ends worked on at a time.
const PART: usize = 1 << 14;

/// What the test adds up over ages and strata.
struct Sums {
    observed: Vec<f64>,
    expected: Vec<f64>,
    /// Lower triangle, row by row.
    variance: Vec<f64>,
}

impl Sums {
    fn new(groups: usize) -> Self {
        Self {
            observed: vec![0.0; groups],
            expected: vec![0.0; groups],
            variance: vec![0.0; groups * groups],
        }
    }

    /// One pass over the ages of a stratum.
    fn add_stratum(
        &mut self,
        lives: &Observations,
        group: &[u32],
        rows: &[u32],
        weight: impl Fn(usize) -> f64,
    ) {
        if lives.entry.is_empty()
            && lives.count.is_empty()
            && let Some(ends) = Ends::of(lives, group, rows, self.observed.len())
        {
            self.add_plain_stratum(&ends);
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
            let hours = hours_of(tied[0].0);
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

    /// The same for lives seen from new that count once each: stretches of the sorted ends at the same
    /// time, added up in their order.
    fn add_plain_stratum(&mut self, ends: &Ends) {
        let groups = self.observed.len();
        let stretches = ends.stretches();
        let ended: Vec<Vec<f64>> = stretches
            .par_iter()
            .map(|stretch| ends.by_group(stretch, groups))
            .collect();
        // At risk where each begins: what ends in it and after it.
        let mut at_risk = ended;
        for k in (1..at_risk.len()).rev() {
            let (before, after) = at_risk.split_at_mut(k);
            for (sum, later) in before[k - 1].iter_mut().zip(&after[0]) {
                *sum += later;
            }
        }
        let parts: Vec<Self> = stretches
            .par_iter()
            .zip(at_risk)
            .map(|(stretch, at_risk)| {
                let mut part = Self::new(groups);
                part.add_stretch(ends, stretch, at_risk);
                part
            })
            .collect();
        for part in &parts {
            self.join(part);
        }
    }

    fn add_stretch(&mut self, ends: &Ends, stretch: &[u64], mut at_risk: Vec<f64>) {
        let mut worn = vec![0.0; at_risk.len()];
        let mut rest = stretch;
        while let Some(&first) = rest.first() {
            let count = rest
                .iter()
                .take_while(|end| ends.tied(**end, first))
                .count();
            let (tied, beyond) = rest.split_at(count);
            if ends.is_worn(first) {
                worn.fill(0.0);
                for &end in tied {
                    worn[ends.group(end)] += 1.0;
                }
                self.add_age(&at_risk, &worn);
            }
            for &end in tied {
                at_risk[ends.group(end)] -= 1.0;
            }
            rest = beyond;
        }
    }

    fn join(&mut self, other: &Self) {
        let columns = [
            (&mut self.observed, &other.observed),
            (&mut self.expected, &other.expected),
            (&mut self.variance, &other.variance),
        ];
        for (sums, more) in columns {
            for (sum, more) in sums.iter_mut().zip(more) {
                *sum += more;
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
        let spread = match (n > 1.0, d == 1.0) {
            (true, true) => 1.0,
            (true, false) => d * (n - d).max(0.0) / (n - 1.0),
            (false, _) => 0.0,
        };
        let per_life = 1.0 / n;
        let tallies = self.observed.iter_mut().zip(&mut self.expected);
        for ((observed, expected), (worn, own)) in tallies.zip(worn.iter().zip(at_risk)) {
            *observed += worn;
            *expected += d * own * per_life;
        }
        let rows = self.variance.chunks_exact_mut(groups);
        for (g, (row, own)) in rows.zip(at_risk).enumerate() {
            let spread = spread * own * per_life;
            row[g] += spread * (n - own) * per_life;
            for (cell, other) in row[..g].iter_mut().zip(at_risk) {
                *cell -= spread * other * per_life;
            }
        }
    }
}

/// Ends of lives seen from new that count once each, sorted: the age above the least, whether
/// censored, and the group, in one number.
struct Ends {
    sorted: Vec<u64>,
    group_bits: u32,
}

impl Ends {
    /// `None` when ages and groups do not fit into one number: ages from hundreds of orders of
    /// magnitude, or very many groups.
    fn of(lives: &Observations, group: &[u32], rows: &[u32], groups: usize) -> Option<Self> {
        let rows = rows.par_iter().with_min_len(PART);
        let end = |&i: &u32| {
            let (low, high) = (lives.low[i as usize], lives.high[i as usize]);
            key(low, low < high)
        };
        let mut ends: Vec<u64> = rows.clone().map(end).collect();
        let bounds = |ends: &[u64]| {
            let least = ends.iter().fold(u64::MAX, |a, &b| a.min(b));
            (least, ends.iter().fold(0, |a, &b| a.max(b)))
        };
        let (least, greatest) = ends
            .par_chunks(PART)
            .map(bounds)
            .reduce(|| (u64::MAX, 0), |a, b| (a.0.min(b.0), a.1.max(b.1)));
        let group_bits = u64::BITS - (groups.saturating_sub(1) as u64).leading_zeros();
        // Kept even, so that the last bit goes on telling worn from censored.
        let least = least & !1;
        if greatest.saturating_sub(least).leading_zeros() < group_bits {
            return None;
        }
        ends.par_iter_mut().zip(rows).for_each(|(end, &i)| {
            *end = ((*end - least) << group_bits) | u64::from(group[i as usize]);
        });
        Some(Self {
            sorted: sorted(ends),
            group_bits,
        })
    }

    fn tied(&self, a: u64, b: u64) -> bool {
        a >> self.group_bits == b >> self.group_bits
    }

    fn is_worn(&self, end: u64) -> bool {
        (end >> self.group_bits) & 1 == 0
    }

    fn group(&self, end: u64) -> usize {
        (end & ((1 << self.group_bits) - 1)) as usize
    }

    /// Stretches of about [`PART`] ends that keep what is tied together; the number of threads does
    /// not show in them.
    fn stretches(&self) -> Vec<&[u64]> {
        let mut rest = self.sorted.as_slice();
        let mut out = Vec::new();
        while rest.len() > PART {
            let tied = |end: &&u64| self.tied(**end, rest[PART - 1]);
            let cut = PART + rest[PART..].iter().take_while(tied).count();
            let (stretch, beyond) = rest.split_at(cut);
            out.push(stretch);
            rest = beyond;
        }
        out.push(rest);
        out
    }

    fn by_group(&self, ends: &[u64], groups: usize) -> Vec<f64> {
        let mut count = vec![0.0; groups];
        for &end in ends {
            count[self.group(end)] += 1.0;
        }
        count
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

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::numerics::streams::stream;

    /// Sorted in one number each and as rows with counts, ties and one age of 0 included.
    #[test]
    fn many_lives_give_the_same_test_either_way() {
        let mut random = stream(61, 0);
        let mut lives = Observations::default();
        let mut group = Vec::new();
        for k in 0..60_000_u32 {
            let t = (900.0 * random.exponential()).ceil();
            let stop = (1500.0 * random.uniform()).floor();
            let high = if t <= stop { t } else { f64::INFINITY };
            lives.push(t.min(stop), high, 0.0, 1.0);
            group.push(k % 4);
        }
        let packed = log_rank(&lives, &group, 3, None).unwrap();
        lives.count = vec![1.0; lives.len()];
        let by_row = log_rank(&lives, &group, 3, None).unwrap();
        assert_eq!(packed.test.degrees_of_freedom, 2);
        assert_relative_eq!(
            packed.test.statistic,
            by_row.test.statistic,
            max_relative = 1e-10
        );
        for (a, b) in packed.tallies.iter().zip(&by_row.tallies) {
            assert_eq!(a.observed, b.observed);
            assert_relative_eq!(a.expected, b.expected, max_relative = 1e-12);
        }
    }
}
