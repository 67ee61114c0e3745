use std::collections::BTreeMap;

use jiff::civil::date;

use super::super::first_life::FirstLife;
use super::super::outlook::{ForecastOptions, Outlook, Span};
use super::super::predict::of_outlook;
use super::super::schedule::MachineSchedule;
use super::super::testing::{fitted, fleet, job, lives, model, part, spread};
use crate::models::{
    Alternative, ByLevel, Level, LevelLives, LifeCounts, LifeModel, WeibullNode,
    life_model_by_level,
};
use crate::numerics::streams::{Stream, stream};
use crate::records::{Fleet, Job, LifeBy};

fn at(name: &str, level: &str, from: i8, machines: &[&str], hours: f64) -> Job {
    let start = date(2026, 5, from);
    let mut job = job(name, start, date(2026, 5, from + 5), machines, hours);
    if !level.is_empty() {
        job.covariates
            .insert("Hose size".to_owned(), level.to_owned());
    }
    job
}

/// Belts whose lives differ by hose size, the first level as the reference.
fn by_size(alternatives: Vec<Alternative>) -> LifeModel {
    let level = |name: &str| Level {
        name: name.to_owned(),
        lives: LifeCounts::default(),
        ratio: [1.0; 3],
    };
    let by = ByLevel {
        column: "hose_size".to_owned(),
        within_factor: 2.0,
        levels: vec![level("1/2"), level("3/4")],
        reference: 0,
        fitted: BTreeMap::new(),
        alternatives,
    };
    LifeModel {
        by_level: Some(by.clone()),
        ..model("belt", by.nodes_at(0))
    }
}

fn a_fleet(jobs: Vec<Job>) -> Fleet {
    let mut belt = part("belt");
    belt.life_by = Some(LifeBy {
        column: "hose_size".to_owned(),
        within_factor: 2.0,
    });
    fleet(vec![belt], jobs)
}

fn outlook(jobs: Vec<Job>, ages: &[f64], model: LifeModel) -> Outlook {
    let places = ages.iter().enumerate();
    let places = places.map(|(i, age)| fitted("belt", &format!("M{}", i + 1), "1", Some(*age)));
    let options = ForecastOptions {
        run_until_worn: true,
        ..ForecastOptions::default()
    };
    Outlook::new(&a_fleet(jobs), &lives(places.collect()), &[model], &options)
}

fn alternative(weight: f64, pace: f64, nodes: Vec<WeibullNode>) -> Alternative {
    Alternative {
        weight,
        pace: vec![1.0, pace],
        nodes,
    }
}

/// At one known pace, a job at the faster level is a job of so many times the hours.
#[test]
fn a_faster_level_is_more_hours() {
    let nodes = spread(2.0, 300.0, 0.3, 5);
    let jobs = |hours: f64, level: &str| {
        vec![
            at("one", "1/2", 1, &["M1", "M2"], 80.0),
            at("two", level, 10, &["M1", "M2"], hours),
        ]
    };
    let by = by_size(vec![alternative(1.0, 1.7, nodes.clone())]);
    let fast = outlook(jobs(100.0, "3/4"), &[50.0, 220.0], by);
    let plain = outlook(jobs(170.0, "1/2"), &[50.0, 220.0], model("belt", nodes));
    let demand = |outlook: &Outlook| {
        let spans = [
            Span::Job(0),
            Span::Job(1),
            Span::All,
            Span::Days(outlook.as_of, date(2026, 5, 12)),
        ];
        [&spans[..3], &spans[3..]].map(|spans| outlook.demand(&outlook.parts[0], spans).counts)
    };
    for (a, b) in demand(&fast)
        .iter()
        .flatten()
        .zip(demand(&plain).iter().flatten())
    {
        assert!(a.furthest_from(b) < 2e-4);
    }
    let (fast, plain) = (of_outlook(&fast).fitted, of_outlook(&plain).fitted);
    for (a, b) in fast.iter().zip(&plain) {
        for (a, b) in a.jobs.iter().zip(&b.jobs) {
            assert!((a.probability_worn_out - b.probability_worn_out).abs() < 1e-3);
        }
        // Hours as the machine runs them, not as they wear.
        assert_eq!(a.jobs[1].hours, 100.0);
        assert_eq!(a.date_p50, b.date_p50);
    }
}

/// One future: the parts used in each job, machine by machine, under drawn curves and paces.
fn drawn(
    random: &mut Stream,
    alternatives: &[Alternative],
    jobs: &[(f64, [usize; 3])],
    ages: &[f64; 3],
    own: [usize; 3],
) -> Vec<u32> {
    let mut pick = |weights: &mut dyn Iterator<Item = f64>| {
        let mut left = random.uniform();
        let mut found = 0;
        for (i, weight) in weights.enumerate() {
            found = i;
            left -= weight;
            if left < 0.0 {
                break;
            }
        }
        found
    };
    let alternative = &alternatives[pick(&mut alternatives.iter().map(|a| a.weight))];
    let node = alternative.nodes[pick(&mut alternative.nodes.iter().map(|n| n.weight))];
    let mut used = vec![0; jobs.len()];
    for machine in 0..3 {
        let mut worn_hours = ages[machine] * alternative.pace[own[machine]];
        let life = |random: &mut Stream, from: f64| {
            let spent = (from / node.scale).powf(node.shape);
            node.scale * (spent + random.exponential()).powf(1.0 / node.shape)
        };
        let mut ends = life(random, worn_hours);
        for (number, (hours, levels)) in jobs.iter().enumerate() {
            let mut left = hours * alternative.pace[levels[machine]];
            while worn_hours + left >= ends {
                left -= ends - worn_hours;
                worn_hours = 0.0;
                ends = life(random, 0.0);
                used[number] += 1;
            }
            worn_hours += left;
        }
    }
    used
}

/// Four alternatives of the pace with curves of their own, jobs at both levels and at none: drawn future by
/// future.
#[test]
fn levels_left_open_as_drawn() {
    let alternatives: Vec<Alternative> = [(0.1, 0.8), (0.4, 1.3), (0.3, 1.8), (0.2, 2.6)]
        .into_iter()
        .map(|(weight, pace)| alternative(weight, pace, spread(2.2, 330.0 + 20.0 * pace, 0.25, 5)))
        .collect();
    let ages = [40.0, 200.0, 310.0];
    let jobs = vec![
        at("one", "", 1, &["M1", "M2", "M3"], 90.0),
        at("two", "3/4", 10, &["M1", "M2", "M3"], 110.0),
        at("three", "1/2", 20, &["M1", "M2", "M3"], 150.0),
    ];
    let outlook = outlook(jobs, &ages, by_size(alternatives.clone()));
    let part = &outlook.parts[0];
    // Where a job tells no level it is that of the part; no row tells that of these, so it is the reference.
    let levels = [(90.0, [0; 3]), (110.0, [1; 3]), (150.0, [0; 3])];
    let spans = [Span::Job(0), Span::Job(1), Span::Job(2), Span::All];
    let demand = outlook.demand(part, &spans).counts;
    let days = (date(2026, 5, 15), date(2026, 5, 25));
    let both = outlook.both_enough(part, &[days], &[(2, 3)])[0];
    let draws = 200_000;
    let mut at_most = vec![[0.0; 8]; 4];
    let mut both_drawn = 0.0;
    for draw in 0..draws {
        let mut random = stream(41, draw);
        let used = drawn(&mut random, &alternatives, &levels, &ages, [0; 3]);
        let all = used.iter().sum::<u32>();
        for (at_most, used) in at_most.iter_mut().zip(used.iter().chain([&all])) {
            for (n, at_most) in at_most.iter_mut().enumerate() {
                *at_most += f64::from(u8::from(*used as usize <= n));
            }
        }
        both_drawn += f64::from(u8::from(used[0] + used[1] <= 2 && all <= 3));
    }
    for (counts, at_most) in demand.iter().zip(&at_most) {
        for (n, drawn) in at_most.iter().enumerate() {
            let (ours, drawn) = (counts.at_most(n as u32), drawn / draws as f64);
            assert!((ours - drawn).abs() < 0.005, "{n}: {ours} {drawn}");
        }
    }
    // The curves dealt out cost a little.
    let both_drawn = both_drawn / draws as f64;
    assert!((both - both_drawn).abs() < 0.006, "{both} {both_drawn}");
    // A single part's chances agree with the demand of one position.
    let ahead = outlook.place_ahead(part, &part.places[1], &FirstLife::Aged(200.0));
    let worn: f64 = ahead.worn_in_jobs().iter().sum();
    let hours = ahead.worn_within(MachineSchedule::total);
    assert!((worn - hours).abs() < 1e-9);
    let median = ahead.quantile(0.5).unwrap();
    let by_hand: f64 = (alternatives.iter())
        .flat_map(|a| a.nodes.iter().map(move |n| (a, n)))
        .map(|(a, n)| {
            let spent = |t: f64| (t / n.scale).powf(n.shape);
            a.weight * n.weight * (spent(200.0) - spent(200.0 + median)).exp()
        })
        .sum();
    assert!((by_hand - 0.5).abs() < 1e-3, "{by_hand}");
}

/// The same with the many alternatives of a posterior, whose curves are dealt out: three levels, one of them without
/// a life.
#[test]
fn a_posterior_by_level_as_drawn() {
    let level = |name: &str, lives: &[f64], running: f64| {
        let mut of = crate::lives::Observations::default();
        for hours in lives {
            of.push(*hours, *hours, 0.0, 1.0);
        }
        of.push(running, f64::INFINITY, 0.0, 1.0);
        LevelLives {
            name: name.to_owned(),
            lives: of,
        }
    };
    let mut levels = vec![
        level("1", &[], 0.0),
        level("1/2", &[210.0, 330.0, 415.0, 280.0], 150.0),
        level("3/4", &[95.0, 160.0, 190.0], 140.0),
    ];
    levels[0].lives = crate::lives::Observations::default();
    let mut belt = part("belt");
    belt.life_by = Some(LifeBy {
        column: "hose_size".to_owned(),
        within_factor: 2.0,
    });
    let mut model = life_model_by_level(&belt, "hose_size", 2.0, &levels).unwrap();
    let by = model.by_level.as_mut().unwrap();
    assert!(by.alternatives.len() > 60);
    let reference = by.reference;
    assert_eq!(reference, 1);
    let machines = ["M1", "M2", "M3"];
    for (machine, level) in machines.iter().zip([1, 1, 2]) {
        by.fitted
            .insert(((*machine).to_owned(), "1".to_owned()), level);
    }
    let alternatives = by.alternatives.clone();
    let ages = [40.0, 200.0, 110.0];
    let jobs = vec![
        at("one", "", 1, &machines, 90.0),
        at("two", "3/4", 10, &machines, 70.0),
        at("three", "1", 20, &machines, 60.0),
    ];
    let outlook = outlook(jobs, &ages, model);
    let part = &outlook.parts[0];
    let spans = [Span::Job(0), Span::Job(1), Span::Job(2), Span::All];
    let demand = outlook.demand(part, &spans).counts;
    let levels = [(90.0, [1, 1, 2]), (70.0, [2; 3]), (60.0, [0; 3])];
    let draws = 200_000;
    let mut at_most = vec![[0.0; 10]; 4];
    for draw in 0..draws {
        let mut random = stream(43, draw);
        let used = drawn(&mut random, &alternatives, &levels, &ages, [1, 1, 2]);
        let all = used.iter().sum::<u32>();
        for (at_most, used) in at_most.iter_mut().zip(used.iter().chain([&all])) {
            for (n, at_most) in at_most.iter_mut().enumerate() {
                *at_most += f64::from(u8::from(*used as usize <= n));
            }
        }
    }
    for (k, (counts, at_most)) in demand.iter().zip(&at_most).enumerate() {
        for (n, drawn) in at_most.iter().enumerate() {
            let (ours, drawn) = (counts.at_most(n as u32), drawn / draws as f64);
            assert!((ours - drawn).abs() < 0.01, "{k} {n}: {ours} {drawn}");
        }
    }
}
