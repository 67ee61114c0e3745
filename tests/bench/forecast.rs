//! Times of forecast and stock plan: `cargo bench --bench forecast`. Everything after the life models:
//! remaining lives, demand, orders, kits, changes, intervals, and the course of each stock.

use divan::{Bencher, black_box};
use jiff::civil::{Date, date};
use wearcast::forecast::{ForecastOptions, Outlook, of_outlook};
use wearcast::lives::{Fitted, LifeId, Lives, Observations};
use wearcast::models::{LifeModel, life_model};
use wearcast::numerics::streams::stream;
use wearcast::records::{
    Fleet, Job, JobSpread, LeadTime, Part, PlannedChange, RowCounts, RowRef, UnplannedStop,
};
use wearcast::stock::{StockOptions, plan};

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    divan::main();
}

const AS_OF: Date = date(2026, 3, 31);

struct Case {
    fleet: Fleet,
    lives: Lives,
    models: Vec<LifeModel>,
}

/// Ten positions a machine: five part kinds, one of them with six worn lives, the last with prices
/// that never make a planned change pay.
fn parts() -> Vec<Part> {
    [
        ("drive belt", 1, 3.0),
        ("drive roller", 3, 1.0),
        ("wear ring", 2, 2.0),
        ("guide block", 3, 1.0),
        ("hose-stop collet", 1, 0.1),
    ]
    .into_iter()
    .map(|(name, per_machine, hours)| {
        let mut part = Part::named(name);
        part.per_machine = per_machine;
        part.unit_cost = Some(80.0);
        part.lead_time = Some(LeadTime {
            low_days: 14.0,
            high_days: 35.0,
        });
        part.on_hand = 3;
        part.planned_change = PlannedChange {
            minutes: 20.0,
            cost: 25.0,
            cost_per_hour: None,
        };
        part.unplanned_stop = Some(UnplannedStop {
            hours,
            cost_per_hour: 400.0,
        });
        part
    })
    .collect()
}

/// Jobs one after another for each crew of a third of the machines; every machine works a third of the jobs.
fn case(machines: usize, jobs: usize) -> Case {
    let mut random = stream(5, machines as u64);
    let parts = parts();
    let names: Vec<String> = (0..machines).map(|m| format!("M{m:04}")).collect();
    let jobs: Vec<Job> = (0..jobs)
        .zip((0_i32..).flat_map(|week| [week; 3]))
        .map(|(j, week)| {
            let start = date(2026, 4, 1).saturating_add(jiff::Span::new().weeks(week));
            Job {
                name: format!("job {j}"),
                start,
                end: start.saturating_add(jiff::Span::new().days(5)),
                machines: names.iter().skip(j % 3).step_by(3).cloned().collect(),
                hours: 40.0 + (random.uniform() * 50.0).round(),
                spread: JobSpread::default(),
                covariates: std::collections::BTreeMap::new(),
                row: RowRef::new("jobs.csv", None, j as u32 + 2),
            }
        })
        .collect();
    let mut fitted = Vec::new();
    let mut models = Vec::new();
    for (part, worn) in parts.iter().zip([12, 20, 30, 6, 8]) {
        let mut lives = Observations::default();
        for _ in 0..worn {
            let t = 400.0 * random.exponential().powf(1.0 / 2.6);
            lives.push(t, t, 0.0, 1.0);
        }
        for machine in &names {
            for position in 0..part.per_machine {
                let age = 250.0 * random.uniform();
                lives.push(age, f64::INFINITY, 0.0, 1.0);
                fitted.push(Fitted {
                    machine: machine.into(),
                    part: part.name.as_str().into(),
                    position: position.to_string().into(),
                    age_hours: Some(age),
                    since: None,
                    life: Some(LifeId::new(&part.name, machine, &position.to_string(), 1)),
                });
            }
        }
        models.extend(life_model(part, &lives));
    }
    Case {
        fleet: Fleet {
            name: "bench".to_owned(),
            as_of: AS_OF,
            currency: "USD".to_owned(),
            service_level: 0.95,
            review_days: 7,
            chance_unseen: 0.1,
            parts,
            machines: names.iter().map(Into::into).collect(),
            machine_facts: Vec::new(),
            known_ages: Vec::new(),
            gaps: Vec::new(),
            replacements: Vec::new(),
            merged: Vec::new(),
            readings: Vec::new(),
            resets: Vec::new(),
            tension: Vec::new(),
            jobs,
            practice: None,
            practice_unusable: None,
            problems: Vec::new(),
            rows: RowCounts::default(),
            notes: Vec::new(),
        },
        lives: Lives {
            lives: Vec::new(),
            fitted,
            unplaced: Vec::new(),
            unknown_start: 0,
            turned_back: Vec::new(),
            costs: Vec::new(),
            problems: Vec::new(),
            rows: RowCounts::default(),
        },
        models,
    }
}

fn look_ahead(case: &Case) -> usize {
    let options = ForecastOptions::default();
    let outlook = Outlook::new(&case.fleet, &case.lives, &case.models, &options);
    let forecast = of_outlook(&outlook);
    let plan = plan(&case.fleet, &outlook, &forecast, &StockOptions::default());
    plan.orders.len()
}

#[divan::bench(sample_count = 20)]
fn six_machines_of_ten_positions_through_20_jobs(bencher: Bencher) {
    let case = case(6, 20);
    bencher.bench(|| look_ahead(black_box(&case)));
}

#[divan::bench(sample_count = 3)]
fn a_hundred_machines_of_ten_positions_through_50_jobs(bencher: Bencher) {
    let case = case(100, 50);
    bencher.bench(|| look_ahead(black_box(&case)));
}

#[divan::bench(sample_count = 1)]
fn a_thousand_machines_of_ten_positions_through_50_jobs(bencher: Bencher) {
    let case = case(1000, 50);
    bencher.bench(|| look_ahead(black_box(&case)));
}
