//! What the job schedule asks of each machine: hours by day, days by hours.
//!
//! A job's hours accrue evenly over its days, first and last included. The records are complete up
//! to the end of `as_of`; of a job under way on that day only the days after it are ahead.

use jiff::civil::Date;

use crate::records::Job;

/// One job of one machine, on the axis of operating hours after `as_of`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JobRun {
    /// Index into the fleet's jobs.
    pub job: usize,
    /// First day that is still ahead.
    pub first: Date,
    /// Last day.
    pub last: Date,
    /// Hours the machine has run since `as_of` when the job (or what is ahead of it) starts.
    pub from: f64,
    /// The same at its end.
    pub to: f64,
}

/// The hours ahead of one machine.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MachineSchedule {
    /// Jobs ahead, by start.
    pub runs: Vec<JobRun>,
}

fn days(from: Date, to: Date) -> i64 {
    from.until(to).map_or(0, |span| i64::from(span.get_days()))
}

impl MachineSchedule {
    /// The jobs of one machine, given with their indices, after `as_of`; sorted by start.
    pub(super) fn of<'a>(jobs: impl Iterator<Item = (usize, &'a Job)>, as_of: Date) -> Self {
        let mut runs = Vec::new();
        let mut hours = 0.0;
        for (index, job) in jobs {
            if job.end <= as_of {
                continue;
            }
            let first = match as_of.tomorrow() {
                Ok(next) => job.start.max(next),
                Err(_) => continue,
            };
            let ahead = (days(first, job.end) + 1) as f64;
            let whole = (days(job.start, job.end) + 1) as f64;
            let to = hours + job.hours.max(0.0) * ahead / whole;
            runs.push(JobRun {
                job: index,
                first,
                last: job.end,
                from: hours,
                to,
            });
            hours = to;
        }
        Self { runs }
    }

    /// The same jobs, each of their hours counted as `pace(job)` hours.
    #[must_use]
    pub(super) fn at_pace(&self, pace: impl Fn(usize) -> f64) -> Self {
        let mut hours = 0.0;
        let run = |run: &JobRun| {
            let from = hours;
            hours += (run.to - run.from) * pace(run.job);
            JobRun {
                from,
                to: hours,
                ..*run
            }
        };
        Self {
            runs: self.runs.iter().map(run).collect(),
        }
    }

    /// Hours of all jobs ahead.
    pub fn total(&self) -> f64 {
        self.runs.last().map_or(0.0, |run| run.to)
    }

    /// Hours run from `as_of` to the end of `date`.
    pub fn hours_by(&self, date: Date) -> f64 {
        let mut hours = 0.0;
        for run in &self.runs {
            if date < run.first {
                break;
            }
            if date >= run.last {
                hours = run.to;
            } else {
                let share =
                    (days(run.first, date) + 1) as f64 / (days(run.first, run.last) + 1) as f64;
                hours = run.from + share * (run.to - run.from);
                break;
            }
        }
        hours
    }

    /// Day on which the machine has run `hours` since `as_of`; `None` beyond the schedule.
    pub fn date_at(&self, hours: f64) -> Option<Date> {
        let run = self
            .runs
            .iter()
            .find(|run| hours <= run.to && run.to > run.from)?;
        let length = days(run.first, run.last) + 1;
        let share = ((hours - run.from) / (run.to - run.from)).clamp(0.0, 1.0);
        // A hair of slack so that "at the end of day k" is day k, not k + 1.
        let day = ((share * length as f64 - 1e-9).floor() as i64).clamp(0, length - 1);
        run.first
            .checked_add(jiff::Span::new().try_days(day).ok()?)
            .ok()
    }
}

/// Jobs that send one machine to two places: the machine and the two jobs, in order of the schedule. A
/// job may start on the day on which another ends.
pub fn overlaps(jobs: &[Job]) -> Vec<(&str, &Job, &Job)> {
    let mut found = Vec::new();
    for (i, first) in jobs.iter().enumerate() {
        for second in &jobs[i + 1..] {
            if first.start < second.end && second.start < first.end {
                found.extend(
                    first
                        .machines
                        .iter()
                        .filter(|m| second.machines.contains(m))
                        .map(|m| (m.as_str(), first, second)),
                );
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{JobSpread, RowRef};
    use jiff::civil::date;
    use std::collections::BTreeMap;

    pub(crate) fn job(name: &str, start: Date, end: Date, machines: &[&str], hours: f64) -> Job {
        Job {
            name: name.to_owned(),
            start,
            end,
            machines: machines.iter().map(|&m| m.to_owned()).collect(),
            hours,
            spread: JobSpread::default(),
            covariates: BTreeMap::new(),
            row: RowRef::new("jobs.csv", None, 2),
        }
    }

    #[test]
    fn hours_accrue_evenly_and_only_after_the_records_end() {
        let jobs = [
            job("past", date(2026, 1, 1), date(2026, 1, 10), &["M1"], 500.0),
            job("now", date(2026, 1, 6), date(2026, 1, 15), &["M1"], 100.0),
            job("other", date(2026, 1, 20), date(2026, 1, 21), &["M2"], 99.0),
            job(
                "next",
                date(2026, 2, 1),
                date(2026, 2, 4),
                &["M1", "M2"],
                80.0,
            ),
        ];
        let own = jobs.iter().enumerate();
        let own = own.filter(|(_, job)| job.machines.iter().any(|m| m == "M1"));
        let schedule = MachineSchedule::of(own, date(2026, 1, 10));
        assert_eq!(schedule.runs.len(), 2);
        assert_eq!(schedule.runs[0].to, 50.0);
        assert_eq!(schedule.total(), 130.0);
        assert_eq!(schedule.hours_by(date(2026, 1, 10)), 0.0);
        assert_eq!(schedule.hours_by(date(2026, 1, 11)), 10.0);
        assert_eq!(schedule.hours_by(date(2026, 1, 31)), 50.0);
        assert_eq!(schedule.hours_by(date(2026, 2, 2)), 90.0);
        assert_eq!(schedule.hours_by(date(2027, 1, 1)), 130.0);
        assert_eq!(schedule.date_at(10.0), Some(date(2026, 1, 11)));
        assert_eq!(schedule.date_at(10.1), Some(date(2026, 1, 12)));
        assert_eq!(schedule.date_at(50.0), Some(date(2026, 1, 15)));
        assert_eq!(schedule.date_at(50.5), Some(date(2026, 2, 1)));
        assert_eq!(schedule.date_at(130.0), Some(date(2026, 2, 4)));
        assert_eq!(schedule.date_at(131.0), None);
    }

    #[test]
    fn a_machine_cannot_be_in_two_places() {
        let jobs = [
            job("a", date(2026, 2, 1), date(2026, 2, 9), &["M1", "M2"], 80.0),
            job("b", date(2026, 2, 8), date(2026, 2, 20), &["M2"], 80.0),
            job("c", date(2026, 2, 20), date(2026, 2, 25), &["M2"], 80.0),
        ];
        let found = overlaps(&jobs);
        assert_eq!(found.len(), 1);
        assert_eq!(
            (found[0].0, &*found[0].1.name, &*found[0].2.name),
            ("M2", "a", "b")
        );
    }
}
