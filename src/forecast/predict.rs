//! The forecast itself: remaining life of fitted parts, their chance in each job, demand.

use super::counts::Counts;
use super::demand::without_negligible;
use super::outlook::{ForecastOptions, Outlook, PartOutlook, Span};
use super::remaining::{chance_within, remaining};
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
        fitted.extend(fitted_parts(outlook, part));
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
) -> impl Iterator<Item = FittedPart> + 'a {
    // Chances need no more digits than the demand has.
    let (nodes, _) = without_negligible(&part.nodes, 1e-5);
    part.places.iter().map(move |place| {
        let schedule = &outlook.schedules[place.schedule];
        let remaining = remaining(&nodes, part.per_change, place.first);
        let date = |hours: Option<f64>| hours.and_then(|h| schedule.date_at(h));
        let within = |hours| chance_within(&nodes, part.per_change, place.first, hours);
        let jobs = schedule
            .runs
            .iter()
            .map(|run| JobChance {
                job: outlook.jobs[run.job].name.clone(),
                hours: run.to - run.from,
                probability_worn_out: (within(run.to) - within(run.from)).max(0.0),
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
