//! Times asked of many groups of positions, most of which stand still at most of them.

use std::collections::BTreeMap;

use super::firsts::Firsts;

/// Times asked about, each once for each group: between its jobs a group stands still.
pub(super) struct Moments {
    pub(super) of_groups: Vec<GroupMoments>,
    /// Rows of all groups, one for each moment and first life.
    pub(super) lives: usize,
    /// Moments of all groups.
    pub(super) all: usize,
    pub(super) times: usize,
}

pub(super) struct GroupMoments {
    /// The time at which each moment comes first.
    pub(super) first: Vec<usize>,
    /// The moment of each time.
    of_times: Vec<usize>,
    lives: usize,
    rows_before: usize,
    before: usize,
}

impl Moments {
    pub(super) fn new(firsts: &[Firsts], times: &[Vec<f64>]) -> Self {
        let (mut lives, mut all) = (0, 0);
        let of_group = |(g, firsts): (usize, &Firsts)| {
            let mut known: BTreeMap<u64, usize> = BTreeMap::new();
            let mut first = Vec::new();
            let moment = |(at, by_group): (usize, &Vec<f64>)| {
                *known.entry(by_group[g].to_bits()).or_insert_with(|| {
                    first.push(at);
                    first.len() - 1
                })
            };
            let of_times = times.iter().enumerate().map(moment).collect();
            let (rows_before, before) = (lives, all);
            lives += first.len() * firsts.lives.len();
            all += first.len();
            GroupMoments {
                first,
                of_times,
                lives: firsts.lives.len(),
                rows_before,
                before,
            }
        };
        let of_groups = firsts.iter().enumerate().map(of_group).collect();
        Self {
            of_groups,
            lives,
            all,
            times: times.len(),
        }
    }
}

impl GroupMoments {
    /// Where the rows of a time begin.
    pub(super) fn row(&self, at: usize) -> usize {
        self.rows_before + self.of_times[at] * self.lives
    }

    /// Where the sum of a time stands.
    pub(super) fn sum(&self, at: usize) -> usize {
        self.before + self.of_times[at]
    }
}
