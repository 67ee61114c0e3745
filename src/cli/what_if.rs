//! Questions of the kind "what if", shared by `forecast`, `stock` and `report`.

use clap::Args;

use super::CliError;
use super::fleet_args::FleetArgs;
use crate::analysis::{Analysis, AnalysisOptions, Watch};
use crate::forecast::overlaps;
use crate::records::{Fleet, LoadOptions, RecordsError};

/// What to change about the schedule and the supply before looking ahead; nothing is refitted.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "What if")]
pub(super) struct WhatIf {
    /// Chance of no shortage to aim for, between 0 and 1 (0.95), instead of the fleet's own.
    #[arg(long, value_name = "CHANCE", allow_negative_numbers = true)]
    service_level: Option<f64>,
    /// Leave out this job; may be given more than once.
    #[arg(long, value_name = "JOB")]
    skip_job: Vec<String>,
    /// Lead time of every part in days, instead of the catalogue's.
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    lead_time: Option<f64>,
    /// Multiply every job's hours by this.
    #[arg(long, value_name = "FACTOR", allow_negative_numbers = true)]
    hours_factor: Option<f64>,
    /// Chance of wearing out unseen between two looks, between 0 and 1 (0.1), instead of the fleet's own.
    #[arg(long, value_name = "CHANCE", allow_negative_numbers = true)]
    chance_unseen: Option<f64>,
    /// Run every part until it is worn: no planned change, whatever it costs.
    #[arg(long)]
    run_until_worn: bool,
}

/// Reads the folder and runs the stages.
pub(super) fn analyse(
    fleet: &FleetArgs,
    what_if: &WhatIf,
    without_stock: bool,
    watch: &dyn Watch,
) -> Result<Analysis, CliError> {
    let options = LoadOptions {
        as_of: fleet.as_of,
        ..LoadOptions::default()
    };
    let fleet = Fleet::load(&fleet.dir, &options).map_err(unusable)?;
    if let Some((machine, a, b)) = overlaps(&fleet.jobs).first() {
        return Err(CliError::Input(format!(
            "{} and {}: jobs \"{}\" and \"{}\" overlap and both have machine {machine}; a machine can be \
             in one place only: correct the dates, or take it out of one of them",
            a.row, b.row, a.name, b.name
        )));
    }
    let options = AnalysisOptions {
        without_stock,
        sensitivity: !without_stock && places(&fleet) <= MOST_PLACES,
        ..what_if.options(&fleet)?
    };
    Ok(Analysis::watched(fleet, &options, watch))
}

/// With more fitted parts than this the orders are not worked out again for other beliefs.
const MOST_PLACES: usize = 600;

fn places(fleet: &Fleet) -> usize {
    let on_one: u32 = fleet.parts.iter().map(|p| p.per_machine).sum();
    fleet.machines.len().saturating_mul(on_one as usize)
}

fn unusable(error: RecordsError) -> CliError {
    match error {
        RecordsError::Read { path, source } => CliError::Read { path, source },
        other => CliError::Input(other.to_string()),
    }
}

impl WhatIf {
    fn options(&self, fleet: &Fleet) -> Result<AnalysisOptions, CliError> {
        let mut options = AnalysisOptions::default();
        options.forecast.run_until_worn = self.run_until_worn;
        if let Some(level) = self.service_level {
            if !(level > 0.0 && level < 1.0) {
                return Err(CliError::Usage(format!(
                    "--service-level {level}: a chance between 0 and 1 is needed, such as 0.95"
                )));
            }
            options.service_level = Some(level);
        }
        if let Some(days) = self.lead_time {
            if !(0.0..=3660.0).contains(&days) {
                return Err(CliError::Usage(format!(
                    "--lead-time {days}: a number of days from 0 to 3660 is needed"
                )));
            }
            options.lead_time_days = Some(days);
        }
        if let Some(factor) = self.hours_factor {
            if !(factor > 0.0 && factor <= 100.0) {
                return Err(CliError::Usage(format!(
                    "--hours-factor {factor}: a number above 0, up to 100, is needed"
                )));
            }
            options.forecast.hours_factor = factor;
        }
        if let Some(chance) = self.chance_unseen {
            if !(chance > 0.0 && chance < 1.0) {
                return Err(CliError::Usage(format!(
                    "--chance-unseen {chance}: a chance between 0 and 1 is needed, such as 0.1"
                )));
            }
            options.chance_unseen = Some(chance);
        }
        let known: Vec<&str> = fleet.jobs.iter().map(|j| j.name.as_str()).collect();
        for job in &self.skip_job {
            let Some(name) = named(job, &known) else {
                return Err(CliError::Usage(unknown_job(job, &known)));
            };
            options.forecast.skip_jobs.push(name.to_owned());
        }
        Ok(options)
    }
}

/// The job of that name; case and spacing do not matter where they leave one job only.
fn named<'a>(asked: &str, known: &[&'a str]) -> Option<&'a str> {
    if let Some(exact) = known.iter().find(|name| **name == asked) {
        return Some(exact);
    }
    let mut alike = known.iter().filter(|name| folded(name) == folded(asked));
    match (alike.next(), alike.next()) {
        (Some(name), None) => Some(name),
        _ => None,
    }
}

fn folded(name: &str) -> String {
    let words: Vec<String> = name.split_whitespace().map(str::to_lowercase).collect();
    words.join(" ")
}

/// Jobs named in an error at most.
const NAMED: usize = 12;

fn unknown_job(asked: &str, known: &[&str]) -> String {
    let start = format!("--skip-job \"{asked}\": the schedule has no such job");
    if known.is_empty() {
        return format!("{start}, nor any other; list jobs under [[jobs]] in fleet.toml");
    }
    let near: Vec<String> = known
        .iter()
        .filter(|name| is_near(asked, name))
        .map(|name| format!("\"{name}\""))
        .collect();
    if !near.is_empty() {
        return format!("{start}; did you mean {}?", near.join(" or "));
    }
    let more = known.len().saturating_sub(NAMED);
    let rest = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    format!(
        "{start}; it has {}{rest}",
        known[..known.len().min(NAMED)].join(", ")
    )
}

/// A slip of the pen, or a piece of the name.
fn is_near(asked: &str, name: &str) -> bool {
    let (asked, name) = (folded(asked), folded(name));
    (asked.chars().count() >= 3 && name.contains(&asked))
        || strsim::osa_distance(&asked, &name) <= 2.max(name.chars().count() / 5)
}

#[cfg(test)]
mod tests {
    use super::*;

    const JOBS: [&str; 3] = ["Heron Flats 2026", "Tidegate 2026", "Old Weir 2026"];

    #[test]
    fn a_job_is_found_by_its_name_and_a_slip_is_asked_about() {
        assert_eq!(named("tidegate  2026", &JOBS), Some("Tidegate 2026"));
        assert_eq!(named("Tidegate", &JOBS), None);
        for (asked, meant) in [
            ("Tidegate", "did you mean \"Tidegate 2026\"?"),
            ("Heron Falts 2026", "did you mean \"Heron Flats 2026\"?"),
            (
                "Far Levee",
                "it has Heron Flats 2026, Tidegate 2026, Old Weir 2026",
            ),
        ] {
            let error = unknown_job(asked, &JOBS);
            assert!(error.contains(meant), "{error}");
        }
        assert!(unknown_job("x", &[]).contains("nor any other"));
    }

    #[test]
    fn names_that_differ_in_case_only_are_not_guessed() {
        assert_eq!(named("A", &["a", "A"]), Some("A"));
        assert_eq!(named("MILL", &["mill", "Mill"]), None);
    }
}
