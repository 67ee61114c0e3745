//! Whole machines dealt out anew: a test that needs no model of how alike the lives on a machine are.

use serde::Serialize;

use crate::numerics::streams::stream;

/// Dealings that are all tried; above this many, that many are drawn.
const ALL: u64 = 50_000;
/// Dealings drawn when there are too many to try all.
const DRAWN: u32 = 20_000;
/// Seed of the drawn dealings.
const SEED: u64 = 0x6465_616c;

/// A test by permutation of machines.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PermutationTest {
    /// Sum over groups of (excess of worn lives over expected)² / machines.
    pub statistic: f64,
    /// Machines dealt.
    pub machines: usize,
    /// Dealings tried, the observed one included.
    pub dealings: u64,
    /// Whether those were all there are.
    pub all: bool,
    /// Share of dealings with a statistic at least as large.
    pub p_value: f64,
}

/// Tests whether groups of machines differ. `excess` is, by machine, worn lives less those expected
/// if all machines wore alike; `group` the group of each machine, below `groups`.
///
/// Under no effect any dealing of the groups to the machines is as likely as the one seen
/// (Fisher 1935), whatever the machines' differences; two groups with at most 50,000 dealings are
/// gone through in full, else 20,000 are drawn from a seeded stream and the observed one added.
pub fn permute_machines(excess: &[f64], group: &[u32], groups: usize) -> Option<PermutationTest> {
    let n = excess.len();
    let mut sizes = vec![0_usize; groups];
    for &g in group {
        sizes[g as usize] += 1;
    }
    if n < 2 || n != group.len() || sizes.iter().filter(|&&s| s > 0).count() < 2 {
        return None;
    }
    let of_sums = |sums: &[f64]| -> f64 {
        sums.iter()
            .zip(&sizes)
            .filter(|(_, size)| **size > 0)
            .map(|(sum, &size)| sum * sum / size as f64)
            .sum()
    };
    let statistic_of = |group: &[u32]| {
        let mut sums = vec![0.0; groups];
        for (&e, &g) in excess.iter().zip(group) {
            sums[g as usize] += e;
        }
        of_sums(&sums)
    };
    let statistic = statistic_of(group);
    // Ties count, and rounding must not break them.
    let as_large = |value: f64| value >= statistic * (1.0 - 1e-10) - 1e-12;
    let used: Vec<usize> = (0..groups).filter(|&g| sizes[g] > 0).collect();
    let ways = if used.len() == 2 {
        choose(n as u64, sizes[used[0]] as u64)
    } else {
        u64::MAX
    };
    let (mut dealings, mut large) = (0_u64, 0_u64);
    let all = ways <= ALL;
    if all {
        let total: f64 = excess.iter().sum();
        let k = sizes[used[0]];
        let mut chosen: Vec<usize> = (0..k).collect();
        loop {
            let mut sums = vec![0.0; groups];
            sums[used[0]] = chosen.iter().map(|&i| excess[i]).sum();
            sums[used[1]] = total - sums[used[0]];
            dealings += 1;
            large += u64::from(as_large(of_sums(&sums)));
            // Next choice of k among n, in order.
            let Some(at) = (0..k).rev().find(|&j| chosen[j] < n - k + j) else {
                break;
            };
            chosen[at] += 1;
            for j in at + 1..k {
                chosen[j] = chosen[j - 1] + 1;
            }
        }
    } else {
        (dealings, large) = (1, 1);
        let mut dealt = group.to_vec();
        let mut s = stream(SEED, 0);
        for _ in 0..DRAWN {
            for i in (1..n).rev() {
                dealt.swap(i, s.below(i + 1));
            }
            dealings += 1;
            large += u64::from(as_large(statistic_of(&dealt)));
        }
    }
    Some(PermutationTest {
        statistic,
        machines: n,
        dealings,
        all,
        p_value: large as f64 / dealings as f64,
    })
}

fn choose(n: u64, k: u64) -> u64 {
    let k = k.min(n - k);
    let mut ways = 1_u64;
    for i in 0..k {
        ways = ways.saturating_mul(n - i) / (i + 1);
        if ways > 10 * ALL {
            return u64::MAX;
        }
    }
    ways
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: of the 6 dealings of 2 + 2 machines, the observed split and its mirror are the most
    /// extreme, so p = 2/6.
    #[test]
    fn four_machines_by_hand() {
        let test = permute_machines(&[3.0, 2.0, -1.0, -4.0], &[0, 0, 1, 1], 2).unwrap();
        assert_eq!((test.dealings, test.all), (6, true));
        approx::assert_relative_eq!(test.p_value, 2.0 / 6.0);
        approx::assert_relative_eq!(test.statistic, 25.0);
    }

    #[test]
    fn drawn_dealings_come_near_the_full_count() {
        let excess: Vec<f64> = (0..24).map(|i| f64::from((i * 7) % 11) - 5.0).collect();
        let group: Vec<u32> = (0..24).map(|i| u32::from(i % 3 == 0)).collect();
        // 735,471 dealings: drawn. The statistic depends only on the sum in group 1; its null
        // variance is that of drawing without replacement, so a normal approximation is near.
        let test = permute_machines(&excess, &group, 2).unwrap();
        assert!(!test.all);
        let mean: f64 = excess.iter().sum::<f64>() / 24.0;
        let s2: f64 = excess.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 23.0;
        let sum: f64 = excess
            .iter()
            .zip(&group)
            .filter(|(_, g)| **g == 1)
            .map(|(e, _)| e)
            .sum();
        let z = (sum - 8.0 * mean) / (s2 * 8.0 * (1.0 - 8.0 / 24.0)).sqrt();
        let p = 2.0 * crate::numerics::special::normal_cdf(-z.abs());
        assert!((test.p_value - p).abs() < 0.12, "{} {p}", test.p_value);
    }

    #[test]
    fn one_group_cannot_be_tested() {
        assert_eq!(permute_machines(&[1.0, 2.0], &[0, 0], 2), None);
    }
}
