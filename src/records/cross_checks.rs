//! What the files say about each other: jobs that overlap, machines that only the schedule knows.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use foldhash::fast::RandomState;

use super::fleet::runs;
use super::load::Loading;
use super::text::{list, quoted};
use super::{Disposition, Job, Problem, Text};

impl Loading<'_> {
    /// One machine cannot be at two jobs at once.
    pub(super) fn note_overlapping_jobs(&mut self) {
        let mut by_machine: BTreeMap<&str, Vec<&Job>> = BTreeMap::new();
        for job in &self.jobs {
            for machine in &job.machines {
                by_machine.entry(machine).or_default().push(job);
            }
        }
        for (machine, mut jobs) in by_machine {
            jobs.sort_by(|a, b| (a.start, &a.name).cmp(&(b.start, &b.name)));
            for pair in jobs.windows(2) {
                let [first, second] = pair else { continue };
                if second.start < first.end {
                    self.problems.push(Problem {
                        code: "jobs_overlap".into(),
                        disposition: Disposition::Flagged,
                        rows: vec![first.row, second.row],
                        column: Some("machine".into()),
                        found: Some(format!("{} at {} until {} and at {} from {}", quoted(machine), quoted(&first.name), first.end, quoted(&second.name), second.start).into()),
                        allowed: None,
                        advice: "One machine cannot be at two jobs at once; correct the days or the machines. Until then both jobs count in full.".into(),
                    });
                }
            }
        }
    }

    /// Machines that a record, a reading or a stated fact knows.
    pub(super) fn machines_told(&self) -> HashSet<Text, RandomState> {
        let records = &self.rows.replacements;
        let machines = runs(records, |a, b| a.machine == b.machine);
        let machines = machines.iter().map(|run| records[run.start].machine);
        let mut told: HashSet<Text, RandomState> = machines.collect();
        told.extend(self.rows.gaps.iter().filter_map(|g| g.machine));
        told.extend(self.readings.iter().map(|r| r.machine));
        told.extend(self.facts.iter().map(|f| Text::from(&f.name)));
        told
    }

    /// A machine that only the schedule knows may be a slip of the pen.
    pub(super) fn note_machines_without_records(&mut self) {
        if self.jobs.is_empty() {
            return;
        }
        let known: BTreeSet<Text> = self.machines_told().into_iter().collect();
        let mut problems = Vec::new();
        let mut said = BTreeSet::new();
        for job in &self.jobs {
            for machine in &job.machines {
                if !known.contains(&Text::from(machine)) && said.insert(machine.as_str()) {
                    problems.push(Problem {
                        code: "machine_without_records".into(),
                        disposition: Disposition::Flagged,
                        rows: vec![job.row],
                        column: Some("machine".into()),
                        found: Some(quoted(machine).into()),
                        allowed: Some(format!("a machine of the records: {}", list(&known)).into()),
                        advice: "No record or reading knows this machine, so the ages of its parts are unknown. Correct the name, add it to a [[machine]]'s aliases, or state a new machine with [[machine]] and new_on.".into(),
                    });
                }
            }
        }
        self.problems.append(&mut problems);
    }
}
