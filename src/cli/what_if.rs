//! Questions of the kind "what if", shared by `forecast`, `stock` and `report`.

use clap::Args;

use super::CliError;
use super::fleet_args::FleetArgs;
use crate::analysis::{Analysis, AnalysisOptions};
use crate::forecast::overlaps;
use crate::records::{Fleet, LoadOptions, RecordsError};

/// What to change about the schedule and the supply before looking ahead; nothing is refitted.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "What if")]
pub(super) struct WhatIf {
    /// Chance of no shortage to aim for, between 0 and 1 (0.95), instead of the fleet's own.
    #[arg(long, value_name = "CHANCE")]
    service_level: Option<f64>,
    /// Leave out this job; may be given more than once.
    #[arg(long, value_name = "JOB")]
    skip_job: Vec<String>,
    /// Lead time of every part in days, instead of the catalogue's.
    #[arg(long, value_name = "DAYS")]
    lead_time: Option<f64>,
    /// Multiply every job's hours by this.
    #[arg(long, value_name = "FACTOR")]
    hours_factor: Option<f64>,
    /// Run every part until it is worn: no planned change, whatever it costs.
    #[arg(long)]
    run_until_worn: bool,
}

/// Reads the folder and runs the stages.
pub(super) fn analyse(
    fleet: &FleetArgs,
    what_if: &WhatIf,
    without_stock: bool,
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
        ..what_if.options(&fleet)?
    };
    Ok(Analysis::of(fleet, &options))
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
        for job in &self.skip_job {
            if !fleet.jobs.iter().any(|j| &j.name == job) {
                let known: Vec<&str> = fleet.jobs.iter().map(|j| j.name.as_str()).collect();
                return Err(CliError::Usage(format!(
                    "--skip-job \"{job}\": the schedule has no such job; it has {}",
                    known.join(", ")
                )));
            }
            options.forecast.skip_jobs.push(job.clone());
        }
        Ok(options)
    }
}
