//! The forecast itself: remaining life of fitted parts, their chance in each job, demand.

use rayon::prelude::*;

use super::counts::Counts;
use super::outlook::{ForecastOptions, Outlook, PartOutlook};
use super::types::{Demand, FittedPart, Forecast, JobChance, OpenJob, QuantityProbability};
use crate::lives::Lives;
use crate::models::LifeModel;
use crate::records::{Fleet, Job};

/// Forecasts over the schedule.
pub fn forecast(
    fleet: &Fleet,
    lives: &Lives,
    models: &[LifeModel],
    options: &ForecastOptions,
) -> Forecast {
    let outlook = Outlook::new(fleet, lives, models, options);
    let mut forecast = of_outlook(&outlook);
    for model in models {
        forecast
            .cautions
            .extend(model.cautions.iter().cloned().map(|mut c| {
                c.part.get_or_insert_with(|| model.part.clone());
                c
            }));
    }
    forecast.cautions.sort();
    forecast.cautions.dedup();
    forecast
}

/// Forecast from an outlook that is at hand.
pub fn of_outlook(outlook: &Outlook) -> Forecast {
    let mut fitted = Vec::new();
    let mut demand = Vec::new();
    for part in outlook.parts.iter() {
        fitted.par_extend(fitted_parts(outlook, part));
        demand.extend(part_demand(outlook, part));
    }
    Forecast {
        as_of: outlook.as_of,
        fitted,
        demand,
        open_jobs: open_jobs(&outlook.jobs),
        no_forecast: outlook.no_forecast.clone(),
        cautions: outlook.cautions.clone(),
    }
}

fn open_jobs(jobs: &[Job]) -> Vec<OpenJob> {
    let open = |job: &Job| {
        let [hours_low, hours_high] = job.spread.hours.unwrap_or([job.hours; 2]);
        OpenJob {
            job: job.name.clone(),
            hours: job.hours,
            hours_low,
            hours_high,
            slip_days: job.spread.slip_days,
        }
    };
    let jobs = jobs.iter().filter(|job| !job.spread.is_none());
    jobs.map(open).collect()
}

fn fitted_parts<'a>(
    outlook: &'a Outlook,
    part: &'a PartOutlook,
) -> impl ParallelIterator<Item = FittedPart> + 'a {
    part.places.par_iter().map(move |place| {
        let ahead = outlook.place_ahead(part, place, &place.first);
        let remaining = ahead.remaining();
        let date = |p: f64, hours| ahead.worn_by(p, hours);
        let runs = outlook.schedules[place.schedule].runs.iter();
        let jobs = runs
            .zip(ahead.worn_in_jobs())
            .map(|(run, probability_worn_out)| JobChance {
                job: outlook.jobs[run.job].name.clone(),
                hours: run.to - run.from,
                probability_worn_out,
            })
            .collect();
        FittedPart {
            machine: place.machine.clone(),
            part: part.name.clone(),
            position: place.position.clone(),
            age_hours: place.age_hours,
            remaining,
            date_p10: date(0.1, remaining.p10),
            date_p50: date(0.5, remaining.p50),
            date_p90: date(0.9, remaining.p90),
            jobs,
        }
    })
}

fn part_demand(outlook: &Outlook, part: &PartOutlook) -> Vec<Demand> {
    outlook
        .demand(part, &outlook.spans_of_jobs())
        .counts
        .iter()
        .enumerate()
        .map(|(i, counts)| Demand {
            part: part.name.clone(),
            job: outlook.jobs.get(i).map(|j| j.name.clone()),
            expected: counts.mean(),
            distribution: distribution(counts),
        })
        .collect()
}

fn distribution(counts: &Counts) -> Vec<QuantityProbability> {
    counts
        .pmf()
        .iter()
        .enumerate()
        .map(|(n, &probability)| QuantityProbability {
            quantity: n as u32,
            probability,
        })
        .collect()
}
