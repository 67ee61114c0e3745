//! The forecast itself: remaining life of fitted parts, their chance in each job, demand.

use rayon::prelude::*;

use super::counts::Counts;
use super::outlook::{ForecastOptions, Outlook, PartOutlook, Span};
use super::types::{Demand, FittedPart, Forecast, JobChance, QuantityProbability};
use crate::lives::Lives;
use crate::models::LifeModel;
use crate::records::Fleet;

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
    for part in &outlook.parts {
        fitted.par_extend(fitted_parts(outlook, part));
        demand.extend(part_demand(outlook, part));
    }
    Forecast {
        as_of: outlook.as_of,
        fitted,
        demand,
        no_forecast: outlook.no_forecast.clone(),
        cautions: outlook.cautions.clone(),
    }
}

fn fitted_parts<'a>(
    outlook: &'a Outlook,
    part: &'a PartOutlook,
) -> impl ParallelIterator<Item = FittedPart> + 'a {
    part.places.par_iter().map(move |place| {
        let schedule = &outlook.schedules[place.schedule];
        let ahead = part.chances.ahead(place.first);
        let remaining = ahead.remaining();
        let date = |hours: Option<f64>| hours.and_then(|h| schedule.date_at(h));
        let mut before = 0.0;
        let jobs = schedule
            .runs
            .iter()
            .map(|run| {
                let after = ahead.within(run.to);
                let probability_worn_out = (after - before).max(0.0);
                before = after;
                JobChance {
                    job: outlook.jobs[run.job].name.clone(),
                    hours: run.to - run.from,
                    probability_worn_out,
                }
            })
            .collect();
        FittedPart {
            machine: place.machine.clone(),
            part: part.name.clone(),
            position: place.position.clone(),
            age_hours: place.age_hours,
            remaining,
            date_p10: date(remaining.p10),
            date_p50: date(remaining.p50),
            date_p90: date(remaining.p90),
            jobs,
        }
    })
}

fn part_demand(outlook: &Outlook, part: &PartOutlook) -> Vec<Demand> {
    let spans: Vec<Span> = (0..outlook.jobs.len())
        .map(Span::Job)
        .chain([Span::All])
        .collect();
    outlook
        .demand(part, &spans)
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
