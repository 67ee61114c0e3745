//! What the lives of each part come to.

use rayon::prelude::*;

use super::{Life, Lives, Outcome};
use crate::records::{Part, Text};

/// Lives that one thread counts at a time; always the same, so that hours are always added in the same order.
const LIVES_AT_A_TIME: usize = 1 << 16;

/// Lives counted by how they ended, each as often as it stands for parts alike.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tally {
    /// Worn out.
    pub worn: u64,
    /// Came out for another reason.
    pub unworn: u64,
    /// Still in.
    pub running: u64,
    /// Of the unworn, those that came out for a reason that no mapping covers.
    pub unknown_reason: u64,
    /// Operating hours for which they were seen.
    pub hours: f64,
}

impl Tally {
    /// Lives in all.
    pub fn lives(&self) -> u64 {
        self.worn + self.unworn + self.running
    }

    fn add(&mut self, life: &Life) {
        let count = u64::from(life.count);
        *match life.outcome {
            Outcome::Worn => &mut self.worn,
            Outcome::Unworn => &mut self.unworn,
            Outcome::Running => &mut self.running,
        } += count;
        self.unknown_reason += if life.unknown_reason { count } else { 0 };
        self.hours += life.hours_seen();
    }

    fn and(self, more: Self) -> Self {
        Self {
            worn: self.worn + more.worn,
            unworn: self.unworn + more.unworn,
            running: self.running + more.running,
            unknown_reason: self.unknown_reason + more.unknown_reason,
            hours: self.hours + more.hours,
        }
    }
}

impl Lives {
    /// What the lives of each of these parts come to, those included of which the rows do not tell the position.
    pub fn tallies(&self, parts: &[Part]) -> Vec<Tally> {
        let of_some = |some: &[Life]| {
            let mut by_part: Vec<(Text, Tally)> = Vec::new();
            for of_part in some.chunk_by(|a, b| a.part == b.part) {
                let mut tally = Tally::default();
                for life in of_part {
                    tally.add(life);
                }
                by_part.push((of_part[0].part, tally));
            }
            by_part
        };
        let placed: Vec<Vec<(Text, Tally)>> = self
            .lives
            .par_chunks(LIVES_AT_A_TIME)
            .map(of_some)
            .collect();
        let unplaced = self.unplaced.iter().map(|lives| {
            let tally = Tally {
                worn: u64::from(lives.worn + lives.worn_between),
                unworn: u64::from(lives.unworn),
                running: u64::from(lives.running),
                unknown_reason: u64::from(lives.unknown_reason),
                hours: lives.hours,
            };
            (lives.part, tally)
        });
        let each: Vec<(Text, Tally)> = placed.into_iter().flatten().chain(unplaced).collect();
        let of = |part: &Part| {
            let own = each.iter().filter(|(name, _)| *name == part.name);
            own.fold(Tally::default(), |sum, (_, tally)| sum.and(*tally))
        };
        parts.iter().map(of).collect()
    }
}
