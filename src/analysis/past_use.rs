//! What the crew's own habit so far would use up, beside what the plan expects.

use std::collections::{BTreeMap, HashSet};

use super::Analysis;
use crate::records::{Text, Verdict};

/// How often parts of one kind were taken out in the records, and what that rate would use in the schedule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastUse {
    /// Parts taken out for good, worn or not; what was swapped for another set is not used up.
    pub taken_out: u64,
    /// Of these, parts that had not worn out.
    pub unworn: u64,
    /// Operating hours that all parts of the kind were seen to run, position by position.
    pub hours: f64,
    /// Parts that the schedule's hours would use at that rate.
    pub expected: f64,
}

impl Analysis {
    /// What the records' own rate would use of a part; `None` where none was taken out.
    pub fn past_use(&self, part: &str) -> Option<PastUse> {
        let name = Text::from(part);
        let swapped: HashSet<_> = (self.fleet.replacements.iter())
            .filter(|r| r.verdict == Verdict::Swapped)
            .map(|r| r.row)
            .collect();
        let (mut taken_out, mut unworn, mut hours) = (0, 0, 0.0);
        for life in self.lives.lives.iter().filter(|l| l.part == name) {
            hours += life.hours_seen();
            let for_good = life.end_row().is_some_and(|row| !swapped.contains(&row));
            if for_good {
                taken_out += u64::from(life.count);
                if life.high.is_infinite() {
                    unworn += u64::from(life.count);
                }
            }
        }
        for untold in self.lives.unplaced.iter().filter(|u| u.part == name) {
            taken_out += u64::from(untold.worn + untold.worn_between + untold.unworn);
            unworn += u64::from(untold.unworn);
            hours += untold.hours;
        }
        if taken_out == 0 || hours <= 0.0 {
            return None;
        }
        let positions = (self.fleet.parts.iter())
            .find(|p| p.name == part)
            .map(|p| f64::from(p.per_machine))?;
        let mut ahead: BTreeMap<&str, f64> = BTreeMap::new();
        for fitted in &self.forecast.fitted {
            let sum: f64 = fitted.jobs.iter().map(|j| j.hours).sum();
            let most = ahead.entry(&fitted.machine).or_default();
            *most = most.max(sum);
        }
        let to_run: f64 = ahead.values().sum();
        Some(PastUse {
            taken_out,
            unworn,
            hours,
            expected: positions * to_run * taken_out as f64 / hours,
        })
    }
}
