//! A made-up analysis of any size, for the tests of the report alone.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::{Date, date};

use crate::analysis::Analysis;
use crate::compare::practice::PracticeError;
use crate::forecast::{
    Demand, FittedPart, Forecast, ForecastOptions, JobChance, NoForecast, Outlook,
    QuantityProbability, Remaining,
};
use crate::lives::{Fitted, Life, LifeId, LifeRows, Lives, Outcome};
use crate::models::{
    Basis, Caution, CautionCode, Estimate, Family, Fit, GoodnessOfFit, IntervalMethod, LifeCounts,
    LifeModel, MeanLife, Method, QuantileEstimate, WeibullNode,
};
use crate::records::{
    ChangedHow, Disposition, Extras, Fleet, Job, JobSpread, LengthUnit, Part, PlannedChange,
    PositionNotTold, Practice, Problem, Reading, RowCounts, RowRef, TensionCheck, Text,
    UnplannedStop,
};
use crate::stock::{
    Advice, ChangeDecision, FirstShortage, Inspection, KitLine, KitTotal, LackingDay, NeededStock,
    NextLook, Order, PartValue, PlannedInterval, Question, Sensitivity, StockPlan,
};

/// How much of everything.
#[derive(Debug, Clone)]
pub(super) struct Size {
    pub(super) machines: usize,
    pub(super) jobs: usize,
    pub(super) lives: usize,
    /// Goes into every name.
    pub(super) name: String,
}

impl Size {
    pub(super) fn usual() -> Self {
        Self {
            machines: 6,
            jobs: 8,
            lives: 12,
            name: String::new(),
        }
    }
}

const AS_OF: Date = date(2026, 3, 31);

fn row(n: usize) -> RowRef {
    RowRef::new("replacements.csv", None, n as u32 + 2)
}

fn part(name: &str, per_machine: u32) -> Part {
    Part {
        name: name.to_owned(),
        aliases: vec![],
        per_machine,
        positions: (1..=per_machine).map(|i| i.to_string()).collect(),
        machines: vec![],
        changed: ChangedHow::Singly,
        position_not_told: PositionNotTold::SetAside,
        unit_cost: Some(86.0),
        pack: 1,
        minimum_order: 1,
        lead_time: None,
        on_hand: 2,
        on_order: vec![],
        believed_life: None,
        fixed_life: None,
        life_by: None,
        planned_change: PlannedChange::default(),
        unplanned_stop: Some(UnplannedStop {
            hours: 3.0,
            cost_per_hour: 400.0,
        }),
    }
}

fn day(n: usize) -> Date {
    AS_OF.checked_add(i64::try_from(n).unwrap().days()).unwrap()
}

fn estimate(name: &str, value: f64) -> Estimate {
    Estimate {
        name: name.to_owned(),
        estimate: Some(value),
        standard_error: Some(value * 0.2),
        lower: Some(value * 0.7),
        upper: Some(value * 1.5),
    }
}

fn fit(part: &str, lives: LifeCounts) -> Fit {
    Fit {
        part: Some(part.to_owned()),
        distribution: Family::Weibull,
        method: Method::Likelihood,
        lives,
        confidence: 0.95,
        interval_method: IntervalMethod::Posterior,
        log_likelihood: Some(-75.1),
        aic: Some(154.2),
        parameters: vec![estimate("shape", 1.9), estimate("scale", 420.0)],
        coefficients: vec![],
        reduced_bias_shape: Some(1.7),
        quantiles: vec![
            QuantileEstimate {
                probability: 0.1,
                hours: Some(128.0),
                lower: Some(60.0),
                upper: Some(190.0),
            },
            QuantileEstimate {
                probability: 0.5,
                hours: Some(346.0),
                lower: Some(250.0),
                upper: Some(470.0),
            },
        ],
        reliability: vec![],
        mean_life: MeanLife {
            hours: Some(373.0),
            lower: Some(270.0),
            upper: Some(520.0),
        },
        goodness_of_fit: GoodnessOfFit {
            anderson_darling: Some(0.41),
            p_value: Some(0.62),
            plot_correlation: None,
        },
        cautions: vec![Caution::about(
            CautionCode::FewWorn,
            part,
            "Only 6 worn lives: the ranges are wide.",
        )],
    }
}

/// The made-up analysis.
pub(super) fn analysis(size: &Size) -> Analysis {
    let machines: Vec<String> = (1..=size.machines)
        .map(|i| format!("M{i:02}{}", size.name))
        .collect();
    let catalogue = [
        ("drive belt", 1),
        ("drive roller", 3),
        ("wear ring", 2),
        ("guide block", 3),
        ("hose-stop collet", 1),
    ];
    let parts: Vec<Part> = catalogue
        .iter()
        .map(|(n, k)| part(&format!("{n}{}", size.name), *k))
        .collect();
    let jobs: Vec<Job> = (0..size.jobs)
        .map(|i| Job {
            name: format!("Mill {} stop{}", i + 1, size.name),
            start: day(14 + i * 16),
            end: day(22 + i * 16),
            machines: machines
                .iter()
                .enumerate()
                .filter(|(m, _)| (m + i) % 2 == 0 || machines.len() == 1)
                .map(|(_, m)| m.clone())
                .collect(),
            hours: 60.0 + 7.0 * i as f64,
            spread: JobSpread::default(),
            covariates: BTreeMap::new(),
            row: row(i),
        })
        .collect();

    let worn = size.lives / 2;
    let counts = LifeCounts {
        total: size.lives as u64,
        worn: worn as u64,
        right_censored: (size.lives - worn) as u64,
        ..LifeCounts::default()
    };
    let mut lives = Vec::new();
    let mut fitted = Vec::new();
    let mut forecasts = Vec::new();
    let mut changes = Vec::new();
    for (k, p) in parts.iter().enumerate() {
        for i in 0..size.lives {
            let share = (i as f64 + 0.5) / size.lives as f64;
            let hours = 420.0 * (-(1.0 - share).ln()).powf(1.0 / 1.9);
            let is_worn = i % 2 == 0;
            lives.push(Life {
                id: LifeId::new(&p.name, machines.first().map_or("", |m| m), "1", i as u32),
                part: Text::from(&p.name),
                machine: machines
                    .get(i % machines.len().max(1))
                    .map(Text::from)
                    .unwrap_or_default(),
                position: Text::from("1"),
                serial: None,
                outcome: if is_worn {
                    Outcome::Worn
                } else {
                    Outcome::Running
                },
                low: hours,
                high: if is_worn { hours } else { f64::INFINITY },
                entry: 0.0,
                count: 1,
                start: Some(day(i)),
                end: AS_OF,
                rows: LifeRows::new(Some(row(i)), Some(row(i + 1)), None),
                unknown_reason: false,
                covariates: Extras::default(),
            });
        }
        for (m, machine) in machines.iter().enumerate() {
            for position in &p.positions {
                let age = (m as f64 * 53.0 + k as f64 * 31.0) % 400.0;
                fitted.push(Fitted {
                    machine: machine.into(),
                    part: Text::from(&p.name),
                    position: position.into(),
                    age_hours: Some(age),
                    since: Some(row(m)),
                    life: None,
                });
                let near = (m * 11 + k * 7) % 70;
                let mine: Vec<&Job> = jobs
                    .iter()
                    .filter(|j| j.machines.contains(machine))
                    .collect();
                forecasts.push(FittedPart {
                    machine: machine.clone(),
                    part: p.name.clone(),
                    position: position.clone(),
                    age_hours: Some(age),
                    remaining: Remaining {
                        p10: Some(20.0 + near as f64 * 5.0),
                        p50: Some(150.0),
                        p90: None,
                    },
                    date_p10: (near < 60).then(|| day(15 + near)),
                    date_p50: (near < 40).then(|| day(40 + near)),
                    date_p90: (near < 20).then(|| day(90 + near)),
                    jobs: mine
                        .iter()
                        .map(|j| JobChance {
                            job: j.name.clone(),
                            hours: j.hours,
                            probability_worn_out: 0.05 + 0.9 / (near as f64 + 3.0),
                        })
                        .collect(),
                });
                if let Some(job) = mine.first() {
                    changes.push(ChangeDecision {
                        job: job.name.clone(),
                        machine: machine.clone(),
                        part: p.name.clone(),
                        position: position.clone(),
                        age_hours: age,
                        advice: if near < 9 {
                            Advice::Change
                        } else {
                            Advice::RunOn
                        },
                        probability_worn_out: 0.05 + 0.9 / (near as f64 + 3.0),
                        while_open: false,
                        change_if_open_from: Some(190.0),
                        expected_cost_if_changed: Some(131.5),
                        expected_cost_if_left: Some(402.0),
                    });
                }
            }
        }
    }
    let spread = |mean: f64| -> Vec<QuantityProbability> {
        let mut p = (-mean).exp();
        (0..=(mean * 3.0) as u32 + 4)
            .map(|n| {
                if n > 0 {
                    p *= mean / f64::from(n);
                }
                QuantityProbability {
                    quantity: n,
                    probability: p,
                }
            })
            .collect()
    };
    let mut demand = Vec::new();
    let mut kits = Vec::new();
    for p in parts.iter().take(4) {
        for (i, job) in jobs.iter().enumerate() {
            let mean = 0.2 + 0.3 * (i % 4) as f64 * f64::from(p.per_machine);
            demand.push(Demand {
                part: p.name.clone(),
                job: Some(job.name.clone()),
                expected: mean,
                distribution: spread(mean),
            });
            kits.push(KitLine {
                job: job.name.clone(),
                part: p.name.clone(),
                quantity: mean as u32 + 1,
                probability_enough: 0.967,
                short: 0,
                probability_enough_from_shelf: 0.967,
            });
        }
        demand.push(Demand {
            part: p.name.clone(),
            job: None,
            expected: 4.4,
            distribution: spread(4.4),
        });
    }
    let orders = parts
        .iter()
        .take(4)
        .enumerate()
        .map(|(i, p)| Order {
            part: p.name.clone(),
            on_hand: 2,
            on_order: (i % 2) as u32,
            expected_demand: 4.4,
            needed: 8,
            order_quantity: if i == 2 { 0 } else { 6 },
            there_by: (i != 2).then(|| day(24 + i * 9)),
            order_by: (i != 2).then(|| day(10 + i * 9)),
            shortage_probability_if_nothing_ordered: 0.87,
            shortage_probability_if_ordered: 0.031,
            shortage_probability_if_ordered_today: 0.031,
            fill_rate: 0.991,
            fill_rate_if_nothing_ordered: 0.52,
            expected_wear_outs: if i == 0 { 2.9 } else { 4.4 },
            expected_demand_if_run_until_worn: if i == 0 { 3.3 } else { 4.4 },
            needed_if_run_until_worn: if i == 0 { 6 } else { 8 },
            lead_days: Some([10, 14, 20]),
            order_now: (i != 2).then_some(i as u32),
            first_shortage: jobs.get(2).map(|job| FirstShortage {
                job: job.name.clone(),
                start: job.start,
                end: job.end,
                probability: 0.24,
            }),
            lacking_by_date: jobs
                .iter()
                .enumerate()
                .map(|(j, job)| LackingDay {
                    date: job.end,
                    job: job.name.clone(),
                    if_nothing_ordered: 0.1 * j as f64,
                    if_ordered: 0.003 * j as f64,
                })
                .collect(),
        })
        .collect();
    let rows = RowCounts {
        rows_in: 41,
        used: 37,
        merged: 1,
        set_aside: 3,
    };
    let problems = vec![Problem {
        code: "unknown_reason".into(),
        disposition: Disposition::SetAside,
        rows: vec![row(4)],
        column: Some("Why".into()),
        found: Some(format!("n/a{}", size.name).into()),
        allowed: None,
        advice: "Add it to [records.reasons] as worn or unworn.".into(),
    }];
    let nodes = vec![
        WeibullNode {
            shape: 1.5,
            scale: 380.0,
            weight: 0.25,
        },
        WeibullNode {
            shape: 1.9,
            scale: 420.0,
            weight: 0.5,
        },
        WeibullNode {
            shape: 2.6,
            scale: 500.0,
            weight: 0.25,
        },
    ];
    let tension = machines
        .iter()
        .enumerate()
        .map(|(i, m)| TensionCheck {
            date: AS_OF,
            machine: m.clone(),
            deflection_in: 0.18 + 0.02 * (i % 8) as f64,
            force_lbf: Some(5.0),
            row: row(i),
        })
        .collect();
    let readings = machines
        .iter()
        .map(|m| Reading {
            date: AS_OF,
            machine: m.into(),
            hours: 1234.0,
            row: row(0),
        })
        .collect();
    let fits: Vec<Fit> = parts.iter().take(4).map(|p| fit(&p.name, counts)).collect();
    let models: Vec<LifeModel> = parts
        .iter()
        .take(4)
        .map(|p| LifeModel {
            part: p.name.clone(),
            basis: Basis::BeliefAndRecords,
            nodes: nodes.clone(),
            lives: counts,
            shape_interval: Some((1.2, 2.8)),
            by_level: None,
            cautions: vec![],
        })
        .collect();
    let forecast = Forecast {
            as_of: AS_OF,
            fitted: forecasts,
            demand,
            open_jobs: Vec::new(),
            no_forecast: vec![NoForecast {
                part: parts[4].name.clone(),
                reason: "No worn life is recorded and no belief is stated; state believed_life in fleet.toml, or keep records.".to_owned(),
            }],
            cautions: vec![],
        };
    let stock = StockPlan {
        as_of: AS_OF,
        service_level: 0.95,
        orders,
        kits,
        changes,
        planned_intervals: vec![
            PlannedInterval {
                part: parts[0].name.clone(),
                hours: Some(210.0),
                cost_per_hour: Some(0.61),
                cost_per_hour_run_on: Some(0.9),
                about_as_good: Some([170.0, 260.0]),
                saving: Some([-0.04, 0.31, 0.55]),
                probability_saves: Some(0.93),
                cost_per_hour_at_few_hundred: Some(0.68),
                note: "Rests on 6 worn lives.".to_owned(),
            },
            PlannedInterval {
                part: parts[1].name.clone(),
                hours: None,
                cost_per_hour: None,
                cost_per_hour_run_on: Some(0.4),
                about_as_good: None,
                saving: None,
                probability_saves: None,
                cost_per_hour_at_few_hundred: None,
                note: "The shape may be 1 or less: planned change does not pay.".to_owned(),
            },
        ],
        next_look: day(7),
        needed_stock: (parts.iter().take(4))
            .flat_map(|p| {
                [0.8, 0.95].map(|service_level| NeededStock {
                    part: p.name.clone(),
                    service_level,
                    needed: if service_level > 0.9 { 8 } else { 6 },
                    order_quantity: if service_level > 0.9 { 6 } else { 4 },
                    order_cost: Some(516.0),
                })
            })
            .collect(),
        kit_totals: (jobs.iter())
            .map(|job| KitTotal {
                job: job.name.clone(),
                probability_nothing_lacking: 0.957,
                probability_nothing_lacking_from_shelf: 0.91,
                cost: Some(430.0),
            })
            .collect(),
        inspections: (parts.iter().take(4))
            .map(|p| Inspection {
                part: p.name.clone(),
                chance_unseen: 0.1,
                looks: vec![128.0, 180.0, 221.0, 256.0],
                probability_worn_by_few_hundred: 0.38,
                fitted: (machines.iter())
                    .map(|machine| NextLook {
                        machine: machine.clone(),
                        position: "1".to_owned(),
                        age_hours: Some(90.0),
                        within_hours: Some(61.0),
                        by: jobs.first().map(|j| j.end),
                        job: jobs.first().map(|j| j.name.clone()),
                    })
                    .collect(),
            })
            .collect(),
        value: (parts.iter().take(4))
            .map(|p| PartValue {
                part: p.name.clone(),
                stock: Some(172.0),
                on_order: Some(0.0),
                order: Some(516.0),
                left_at_the_end: Some(310.0),
                one_lacking: Some(14_000.0),
                expected_lacking_if_nothing_ordered: 2.1,
                expected_lacking_if_ordered: 0.04,
                shortage_if_nothing_ordered: Some(29_400.0),
                shortage_if_ordered: Some(560.0),
            })
            .collect(),
        courses: vec![],
        sensitivity: (parts.iter().take(4))
            .flat_map(|p| {
                [Question::AsItStands, Question::MoreUse].map(|question| Sensitivity {
                    part: p.name.clone(),
                    question,
                    expected_demand: Some(4.4),
                    needed: Some(8),
                    order_quantity: Some(6),
                    order_by: Some(day(10)),
                })
            })
            .collect(),
        cautions: vec![],
    };
    let lives = Lives {
        lives,
        fitted,
        costs: Vec::new(),
        turned_back: Vec::new(),
        unplaced: Vec::new(),
        unknown_start: 3,
        problems: problems.clone(),
        rows,
    };
    let fleet = Fleet {
        name: format!("Made-up crew{}", size.name),
        as_of: AS_OF,
        currency: "USD".to_owned(),
        service_level: 0.95,
        review_days: 7,
        chance_unseen: 0.1,
        parts,
        machines: machines.iter().map(Into::into).collect(),
        machine_facts: vec![],
        known_ages: vec![],
        gaps: vec![],
        replacements: vec![],
        merged: vec![],
        readings,
        resets: vec![],
        tension,
        jobs,
        practice: Some(Practice {
            target_in: 0.25,
            band_low_in: 0.2,
            band_high_in: 0.3,
            unit: LengthUnit::In,
            force_lbf: 5.0,
            reading_error_in: None,
        }),
        practice_unusable: None,
        problems,
        rows,
        notes: vec!["Column “Datum” read as the date.".to_owned()],
    };
    let outlook = Outlook::new(&fleet, &lives, &models, &ForecastOptions::default());
    Analysis {
        practice: Err(PracticeError::NoReadings),
        fleet,
        lives,
        fits,
        models,
        forecast,
        stock,
        outlook,
    }
}
