//! Jobs that leave open which machines go: `any 2 of M1;M2;M3` in the machine column.
//!
//! The rule: jobs in the order of their first day, those that name machines before those that leave
//! them open; of the machines that are free on the days of the job, those with the fewest operating
//! hours in the schedule so far go, and of equals the first by name. That spreads the work and can be
//! worked out by hand.

use jiff::civil::Date;

use super::{Disposition, Job, Problem, RecordsError, RowRef};

/// A job that asks for so many of these machines.
#[derive(Debug, Clone)]
pub(super) struct AnyOf {
    pub(super) job: String,
    pub(super) number: usize,
    pub(super) among: Vec<String>,
    pub(super) row: RowRef,
    /// Heading of the column and the cell as written, for messages.
    pub(super) column: String,
    pub(super) found: String,
}

/// `any 2 of M1;M2` → 2 and the machines; `None` for a cell that names machines.
pub(super) fn any_of(cell: &str) -> Option<(usize, &str)> {
    let rest = strip_word(cell.trim(), "any")?;
    let (number, rest) = rest.split_once(char::is_whitespace)?;
    let machines = strip_word(rest.trim_start(), "of")?;
    Some((number.parse().ok()?, machines))
}

fn strip_word<'a>(text: &'a str, word: &str) -> Option<&'a str> {
    let head = text.get(..word.len())?;
    let rest = &text[word.len()..];
    (head.eq_ignore_ascii_case(word) && rest.starts_with(char::is_whitespace))
        .then(|| rest.trim_start())
}

/// Settles which machines go, and says so in one flagged row a job.
pub(super) fn assign(jobs: &mut [Job], mut open: Vec<AnyOf>) -> Result<Vec<Problem>, RecordsError> {
    let day = |jobs: &[Job], open: &AnyOf| -> Option<(Date, Date)> {
        let job = jobs.iter().find(|j| j.name == open.job)?;
        Some((job.start, job.end))
    };
    open.sort_by_cached_key(|o| (day(jobs, o), o.job.clone()));
    let mut said = Vec::new();
    for choice in open {
        let Some((start, end)) = day(jobs, &choice) else {
            continue;
        };
        // Free, and the hours of its jobs that begin before this one.
        let mut free: Vec<(f64, &String)> = choice
            .among
            .iter()
            .filter(|m| {
                !jobs.iter().any(|j| {
                    j.machines.contains(m)
                        && (j.name == choice.job || (j.start < end && start < j.end))
                })
            })
            .map(|m| {
                let before = jobs
                    .iter()
                    .filter(|j| j.machines.contains(m) && j.start < start);
                (before.map(|j| j.hours).sum(), m)
            })
            .collect();
        free.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.cmp(b.1)));
        if free.len() < choice.number {
            let names: Vec<&str> = free.iter().map(|f| f.1.as_str()).collect();
            return Err(RecordsError::Cell {
                row: Box::new(choice.row),
                column: choice.column,
                found: format!("\"{}\"", choice.found),
                allowed: format!(
                    "no more machines than are free from {start} to {end}: {} of these ({})",
                    names.len(),
                    names.join(", ")
                ),
            });
        }
        let mut go: Vec<String> = free[..choice.number].iter().map(|f| f.1.clone()).collect();
        go.sort();
        said.push(Problem {
            code: "machines_assigned".into(),
            disposition: Disposition::Flagged,
            rows: vec![choice.row],
            column: Some(choice.column.into()),
            found: Some(format!("\"{}\"", choice.found).into()),
            allowed: None,
            advice: format!(
                "Taken for \"{}\": {}, the free ones with the fewest hours in the schedule before it (of equals the first by name). Name the machines if others go.",
                choice.job,
                go.join(" and ")
            )
            .into(),
        });
        if let Some(job) = jobs.iter_mut().find(|j| j.name == choice.job) {
            job.machines.extend(go);
            job.machines.sort();
            job.machines.dedup();
        }
    }
    Ok(said)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::JobSpread;
    use jiff::civil::date;
    use std::collections::BTreeMap;

    fn row(row: u32) -> RowRef {
        RowRef::new("jobs.csv", None, row)
    }

    fn job(name: &str, from: Date, to: Date, machines: &[&str], hours: f64) -> Job {
        Job {
            name: name.to_owned(),
            start: from,
            end: to,
            machines: machines.iter().map(|m| (*m).to_owned()).collect(),
            hours,
            spread: JobSpread::default(),
            covariates: BTreeMap::new(),
            row: row(2),
        }
    }

    fn open(job: &str, number: usize, among: &[&str]) -> AnyOf {
        AnyOf {
            job: job.to_owned(),
            number,
            among: among.iter().map(|m| (*m).to_owned()).collect(),
            row: row(3),
            column: "machine".to_owned(),
            found: format!("any {number} of {}", among.join(";")),
        }
    }

    #[test]
    fn the_words_are_read_and_names_that_begin_alike_are_not() {
        assert_eq!(any_of("any 2 of M1;M2; M3"), Some((2, "M1;M2; M3")));
        assert_eq!(any_of(" Any 1  OF  M1"), Some((1, "M1")));
        assert_eq!(any_of("Anywhere 2;M1"), None);
        assert_eq!(any_of("any two of M1"), None);
        assert_eq!(any_of("M1;M2"), None);
    }

    /// By hand: M2 is away; M1 has 80 hours before, M3 and M4 none, so M3 and M4 go; later M1 and
    /// M3 have 80 and 50, M4 50: M3 goes as the first of equals.
    #[test]
    fn the_free_ones_with_the_fewest_hours_go() {
        let mut jobs = vec![
            job("a", date(2026, 5, 1), date(2026, 5, 9), &["M1"], 80.0),
            job("b", date(2026, 6, 1), date(2026, 6, 9), &["M2"], 70.0),
            job("c", date(2026, 6, 5), date(2026, 6, 12), &[], 50.0),
            job("d", date(2026, 7, 1), date(2026, 7, 9), &[], 10.0),
        ];
        let all = ["M1", "M2", "M3", "M4"];
        let said = assign(&mut jobs, vec![open("d", 1, &all), open("c", 2, &all)]).unwrap();
        assert_eq!(jobs[2].machines, ["M3", "M4"]);
        assert_eq!(jobs[3].machines, ["M3"]);
        assert!(said[0].advice.contains("M3 and M4"), "{}", said[0].advice);
        let refused = assign(&mut jobs.clone(), vec![open("d", 4, &all)]).unwrap_err();
        let text = refused.to_string();
        assert!(
            text.contains("row 3") && text.contains("3 of these"),
            "{text}"
        );
    }
}
