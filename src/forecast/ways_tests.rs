//! What the ways stand for, against closed forms and against simulation with many draws.

use super::*;
use crate::forecast::testing::{AS_OF, fitted, fleet, job, lives, model, part, spread};
use crate::forecast::{
    Accuracy, Counts, ForecastOptions, Outlook, Span, mix, of_outlook, overlaps,
};
use crate::models::{Basis, LifeModel, WeibullNode};
use crate::numerics::streams::Stream;
use crate::records::JobSpread;
use approx::assert_relative_eq;
use jiff::civil::date;
use proptest::prelude::*;

fn open(mut job: Job, hours: Option<[f64; 2]>, slip_days: f64) -> Job {
    job.spread = JobSpread { hours, slip_days };
    job
}

/// Jobs of three weeks, one after another, of machines that take turns.
fn jobs(count: usize, range: Option<[f64; 2]>, slip_days: f64) -> Vec<Job> {
    (0..count)
        .zip((0_i32..).step_by(21))
        .map(|(j, days)| {
            let start = plus(date(2026, 4, 6), days);
            let machines: &[&str] = [&["M1", "M2"] as &[&str], &["M1"], &["M2", "M3"]][j % 3];
            let name = format!("job {j}");
            open(
                job(&name, start, plus(start, 13), machines, 100.0),
                range,
                slip_days,
            )
        })
        .collect()
}

fn outlook(jobs: Vec<Job>, nodes: Vec<WeibullNode>, age: f64) -> Outlook {
    outlook_within(jobs, nodes, age, Accuracy::default().tolerance)
}

fn outlook_within(jobs: Vec<Job>, nodes: Vec<WeibullNode>, age: f64, tolerance: f64) -> Outlook {
    let fleet = fleet(vec![part("belt")], jobs);
    let places = ["M1", "M2", "M3"].iter().flat_map(|machine| {
        ["1", "2"].map(|position| fitted("belt", machine, position, Some(age)))
    });
    let life = LifeModel {
        basis: Basis::Fixed,
        ..model("belt", nodes)
    };
    let until_worn = ForecastOptions {
        run_until_worn: true,
        accuracy: Accuracy {
            tolerance,
            ..Accuracy::default()
        },
        ..ForecastOptions::default()
    };
    let mut options = ForecastOptions::default();
    options.accuracy.tolerance = tolerance;
    Outlook::new(&fleet, &lives(places.collect()), &[life], &until_worn)
}

fn one(shape: f64, scale: f64) -> Vec<WeibullNode> {
    vec![WeibullNode {
        shape,
        scale,
        weight: 1.0,
    }]
}

/// The mean of a lognormal is `exp(μ + σ²/2)`; with other deviations below and above the median it is
/// `Σ m exp(σ²/2) Φ(±σ)` over the two sides (closed forms).
#[test]
fn slices_keep_the_mean_and_the_ends() {
    for (median, range) in [
        (100.0, [50.0, 200.0]),
        (100.0, [90.0, 200.0]),
        (8.0, [2.0, 8.0]),
    ] {
        let [below, above] = range.map(|end: f64| (end / median).ln().abs() / NORMAL_95);
        let side = |s: f64, share: f64| median * (0.5 * s * s).exp() * share;
        let mean = side(below, normal_cdf(-below)) + side(above, normal_cdf(above));
        for n in [WAYS, 400] {
            let slices = hours_in_slices(median, range, n);
            assert_relative_eq!(
                slices.iter().sum::<f64>() / n as f64,
                mean,
                max_relative = 1e-9
            );
            assert!(slices.windows(2).all(|w| w[0] <= w[1] * (1.0 + 1e-12)));
        }
        let slices = hours_in_slices(median, range, 1000);
        assert!(slices[49] <= range[0] * (1.0 + 1e-12) && range[0] <= slices[50] * (1.0 + 1e-12));
        assert!(slices[949] <= range[1] * (1.0 + 1e-12) && range[1] <= slices[950] * (1.0 + 1e-12));
    }
}

/// Hours of one job: the median where the normal is 0, the ends of the range at its 5 and 95 % points.
fn drawn(random: &mut Stream, median: f64, [low, high]: [f64; 2]) -> f64 {
    let z = random.normal() / 1.644_853_626_951;
    if z < 0.0 {
        median * (median / low).powf(z)
    } else {
        median * (high / median).powf(z)
    }
}

/// `P(D ≥ k) = 0.05^(k/s)` over many slices; never early.
#[test]
fn a_slip_is_that_long_once_in_twenty() {
    let slips: Vec<i32> = (0..10_000)
        .map(|k| slip_in_slice(14.0, k, 10_000))
        .collect();
    for k in [0, 1, 7, 14, 28] {
        let share = slips.iter().filter(|s| **s >= k).count() as f64 / 1e4;
        let expected = 0.05_f64.powf(f64::from(k) / 14.0);
        assert!((share - expected).abs() <= 1.1e-4, "{k} {share} {expected}");
    }
}

#[test]
fn no_two_jobs_go_together() {
    let scores: Vec<f64> = (0..WAYS)
        .map(|k| normal_quantile((k as f64 + 0.5) / WAYS as f64))
        .collect();
    let length: f64 = scores.iter().map(|s| s * s).sum();
    for (count, most) in [(2, 0.02), (8, 0.04), (20, 0.15)] {
        let dealt = deal(count, &[vec![1.0; count]], WAYS);
        for (i, a) in dealt.iter().enumerate() {
            let mut sorted = a.clone();
            sorted.sort_unstable();
            assert!(sorted.into_iter().eq(0..WAYS));
            for b in &dealt[..i] {
                let product: f64 = a.iter().zip(b).map(|(a, b)| scores[*a] * scores[*b]).sum();
                assert!(
                    (product / length).abs() < most,
                    "{count} {}",
                    product / length
                );
            }
        }
    }
}

/// Exponential lives: given the hours demand is Poisson, so it is Poisson mixed over a lognormal mean;
/// by Simpson's rule over the normal.
#[test]
fn exponential_lives_give_the_poisson_mixture() {
    for range in [[70.0, 100.0 * 100.0 / 70.0], [40.0, 250.0]] {
        let outlook = outlook(jobs(1, Some(range), 0.0), one(1.0, 60.0), 30.0);
        let got = &outlook.demand(&outlook.parts[0], &[Span::All]).counts[0];
        let (ln_mean, sigma) = (
            0.5 * (range[0] * range[1]).ln(),
            (range[1] / range[0]).ln() / (2.0 * NORMAL_95),
        );
        let mean = (ln_mean + 0.5 * sigma * sigma).exp() * 4.0 / 60.0;
        assert_relative_eq!(got.mean(), mean, max_relative = 1e-4);
        let (steps, mut at_most, mut apart) = (2000, 0.0, 0.0_f64);
        for n in 0..30_u32 {
            let pmf: f64 = (0..=steps)
                .map(|i| {
                    let z = -8.0 + 16.0 * f64::from(i) / f64::from(steps);
                    let rate = (ln_mean + sigma * z).exp() * 4.0 / 60.0;
                    let ln_factorial: f64 = (1..=n).map(|k| f64::from(k).ln()).sum();
                    let simpson = if i == 0 || i == steps {
                        1.0
                    } else {
                        f64::from(2 + 2 * (i % 2))
                    };
                    let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
                    simpson * density * (f64::from(n) * rate.ln() - rate - ln_factorial).exp()
                })
                .sum::<f64>()
                * 16.0
                / f64::from(steps)
                / 3.0;
            at_most += pmf;
            apart = apart.max((got.at_most(n) - at_most).abs());
        }
        assert!(apart < 3e-3, "{range:?} {apart}");
    }
}

/// Hours and lives drawn one by one, independently of the calculation: every job, all jobs, and up to days
/// that slips move.
fn simulated(
    jobs: &[Job],
    shape: f64,
    scale: f64,
    age: f64,
    days: &[Date],
    draws: u64,
) -> Vec<Counts> {
    let windows = jobs.len() + 1 + days.len();
    let mut seen = vec![vec![0.0; 200]; windows];
    for draw in 0..draws {
        let mut random = stream(977, draw);
        // The jobs as they go.
        let mut told: Vec<(f64, i32, i32)> = Vec::new();
        for job in jobs {
            let range = job.spread.hours;
            let hours = range.map_or(job.hours, |range| drawn(&mut random, job.hours, range));
            let u = random.uniform();
            let slip = (job.spread.slip_days * u.ln() / 0.05_f64.ln()).floor() as i32;
            let free = jobs[..told.len()]
                .iter()
                .zip(&told)
                .filter_map(|(other, told)| {
                    let waits = other.machines.iter().any(|m| job.machines.contains(m));
                    waits.then_some(told.2)
                });
            let from = |day: Date| AS_OF.until(day).unwrap().get_days();
            let start = (from(job.start) + slip).max(free.max().unwrap_or(0));
            told.push((hours, start, start + from(job.end) - from(job.start)));
        }
        let mut counts = vec![0_usize; windows];
        for machine in ["M1", "M2", "M3"] {
            for _ in 0..2 {
                // (t/η)^β of a part is exponential; the first has come to its age.
                let mut ends = scale
                    * ((age / scale).powf(shape) + random.exponential()).powf(1.0 / shape)
                    - age;
                let mut at = 0.0;
                for (j, (hours, start, end)) in told.iter().enumerate() {
                    if !jobs[j].machines.iter().any(|m| m == machine) {
                        continue;
                    }
                    while ends <= at + hours {
                        counts[j] += 1;
                        counts[jobs.len()] += 1;
                        // The day on which it wears out.
                        let length = f64::from(end - start + 1);
                        let day = start + ((ends - at) / hours * length).floor() as i32;
                        for (i, until) in days.iter().enumerate() {
                            if day <= AS_OF.until(*until).unwrap().get_days() {
                                counts[jobs.len() + 1 + i] += 1;
                            }
                        }
                        ends += scale * random.exponential().powf(1.0 / shape);
                    }
                    at += hours;
                }
            }
        }
        for (seen, count) in seen.iter_mut().zip(&counts) {
            seen[(*count).min(199)] += 1.0;
        }
    }
    seen.into_iter().map(Counts::from_weights).collect()
}

/// The furthest of any chance from simulation: demand in each job, in all, and by days.
fn furthest(jobs: Vec<Job>, shape: f64, scale: f64, draws: u64) -> f64 {
    let days: Vec<Date> = [20, 40, 70, 100].map(|n| plus(AS_OF, n)).to_vec();
    let truth = simulated(&jobs, shape, scale, 80.0, &days, draws);
    let outlook = outlook(jobs, one(shape, scale), 80.0);
    let part = &outlook.parts[0];
    let by_job = (0..outlook.jobs.len()).map(Span::Job).chain([Span::All]);
    let by_day: Vec<Span> = days.iter().map(|day| Span::Days(AS_OF, *day)).collect();
    let mut got = outlook.demand(part, &by_job.collect::<Vec<_>>()).counts;
    got.extend(outlook.demand(part, &by_day).counts);
    let apart = got.iter().zip(&truth).map(|(a, b)| a.furthest_from(b));
    apart.fold(0.0, f64::max)
}

#[test]
fn as_in_simulation() {
    // 40,000 draws: chance alone gives up to about 0.006 in the worst of some 40 numbers.
    for (count, range, slip) in [
        (3, Some([60.0, 160.0]), 0.0),
        (5, Some([70.0, 150.0]), 10.0),
        (4, None, 14.0),
    ] {
        let apart = furthest(jobs(count, range, slip), 2.5, 150.0, 40_000);
        assert!(apart < 0.0125, "{count} {range:?} {slip}: {apart}");
    }
}

/// `cargo test --release --lib ways_against_many_draws -- --ignored --nocapture`: how far chances may be off.
#[test]
#[ignore = "minutes long: a measurement"]
fn ways_against_many_draws() {
    for (count, range, slip) in [
        (1, Some([30.0, 300.0]), 0.0),
        (6, Some([60.0, 160.0]), 0.0),
        (20, None, 0.0),
        (20, Some([60.0, 160.0]), 0.0),
        (20, Some([30.0, 300.0]), 0.0),
        (6, Some([60.0, 160.0]), 14.0),
        (6, None, 14.0),
    ] {
        for (shape, scale) in [(1.2, 300.0), (3.0, 150.0)] {
            let apart = furthest(jobs(count, range, slip), shape, scale, 100_000);
            println!(
                "{count} jobs, {range:?} hours, slip {slip} d, shape {shape}, scale {scale}: {apart:.4}"
            );
        }
    }
}

/// Curves dealt to the ways of the schedule, against every curve in every way: each way as a plain schedule of
/// its own, and the mean of their answers.
#[test]
fn a_share_of_the_curves_in_each_way_is_as_all_of_them() {
    let days = [20, 40, 70, 100].map(|n| plus(AS_OF, n));
    // A few ways are for rough answers.
    for (curves, count, range, number, most) in [
        (9, 3, [60.0, 160.0], WAYS, 1e-3),
        (9, 6, [30.0, 300.0], WAYS, 1e-3),
        (9, 3, [60.0, 160.0], FEW_WAYS, 2e-3),
        (5, 3, [60.0, 160.0], WAYS, 1e-3),
        (5, 6, [30.0, 300.0], WAYS, 1e-3),
        (5, 3, [60.0, 160.0], FEW_WAYS, 2e-3),
    ] {
        let mut furthest = 0.0_f64;
        let jobs = jobs(count, Some(range), 0.0);
        let nodes = spread(2.0, 150.0, 0.3, curves);
        let spans: Vec<Span> = (0..count)
            .map(Span::Job)
            .chain([Span::All])
            .chain(days.map(|day| Span::Days(AS_OF, day)))
            .collect();
        let (by_job, by_day) = spans.split_at(count + 1);
        let asked = |outlook: &Outlook| {
            let part = &outlook.parts[0];
            let mut counts = outlook.demand(part, by_job).counts;
            counts.extend(outlook.demand(part, by_day).counts);
            let end = outlook.end;
            let pairs = [(days[0], end), (days[2], end)];
            let enough = outlook.both_enough(part, &pairs, &[(3, 9), (6, 10)]);
            (counts, enough)
        };
        let rough = if number == FEW_WAYS { ROUGH } else { 1e-4 };
        let (dealt, dealt_enough) =
            asked(&outlook_within(jobs.clone(), nodes.clone(), 80.0, rough));
        let each: Vec<_> = (ways(&jobs, AS_OF, number).into_iter())
            .map(|mut way| {
                for job in &mut way {
                    job.spread = JobSpread::default();
                }
                asked(&outlook(way, nodes.clone(), 80.0))
            })
            .collect();
        let weight = 1.0 / each.len() as f64;
        for (i, dealt) in dealt.iter().enumerate() {
            let all = mix(each.iter().map(|(counts, _)| (weight, &counts[i])));
            let apart = dealt.furthest_from(&all);
            println!(
                "{curves} × {curves} curves, {count} {range:?} {number} ways, {:?}: {apart:.5}",
                spans[i]
            );
            furthest = furthest.max(apart);
        }
        for (i, dealt) in dealt_enough.iter().enumerate() {
            let all: f64 = each.iter().map(|(_, enough)| weight * enough[i]).sum();
            println!(
                "{curves} × {curves} curves, {count} {range:?} {number} ways, both enough: {:.5}",
                dealt - all
            );
            furthest = furthest.max((dealt - all).abs());
        }
        assert!(furthest < most, "{furthest}");
    }
}

#[test]
fn a_slip_changes_no_demand_of_jobs_only_when_it_comes() {
    let nodes = spread(2.5, 150.0, 0.2, 3);
    let plain = outlook(jobs(4, None, 0.0), nodes.clone(), 60.0);
    let late = outlook(jobs(4, None, 20.0), nodes, 60.0);
    assert!(late.end > plain.end);
    assert_eq!(of_outlook(&plain).demand, of_outlook(&late).demand);
    let by = |outlook: &Outlook, days: i32| {
        let span = [Span::Days(AS_OF, plus(AS_OF, days))];
        outlook.demand(&outlook.parts[0], &span).counts[0].mean()
    };
    for days in [10, 25, 50, 80] {
        assert!(by(&late, days) < by(&plain, days), "{days}");
    }
    // In the end everything comes.
    assert_relative_eq!(by(&late, 300), by(&plain, 300), max_relative = 1e-9);
    // Later wear-out by the calendar, the same by the meter.
    for (a, b) in of_outlook(&plain)
        .fitted
        .iter()
        .zip(&of_outlook(&late).fitted)
    {
        assert_eq!((a.remaining, &a.jobs), (b.remaining, &b.jobs));
        assert!(a.date_p10 <= b.date_p10 || b.date_p10.is_none());
    }
}

#[test]
fn a_wider_range_spreads_demand_and_no_range_is_the_plain_schedule() {
    let of = |range| {
        let outlook = outlook(jobs(3, range, 0.0), one(1.0, 60.0), 0.0);
        let counts = outlook.demand(&outlook.parts[0], &[Span::All]).counts;
        (counts[0].mean(), counts[0].variance())
    };
    let plain = of(None);
    let mut before = plain;
    for wider in [1.2, 1.6, 2.5] {
        let now = of(Some([100.0 / wider, 100.0 * wider]));
        assert!(now.0 > before.0 && now.1 > before.1, "{wider}");
        before = now;
    }
    let narrow = of(Some([100.0 - 1e-6, 100.0 + 1e-6]));
    assert_relative_eq!(narrow.0, plain.0, max_relative = 1e-6);
    assert_relative_eq!(narrow.1, plain.1, max_relative = 1e-6);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// No machine is ever in two places, jobs keep their length, and none comes early.
    #[test]
    fn jobs_that_slip_wait_for_each_other(
        told in proptest::collection::vec((0_i32..120, 0_i32..20, 0_usize..3, 0.0_f64..30.0), 1..9),
    ) {
        let mut jobs: Vec<Job> = told.iter().enumerate().map(|(j, (from, length, machine, slip))| {
            let start = plus(AS_OF, *from);
            let machines: &[&str] = [&["M1"] as &[&str], &["M2"], &["M1", "M2"]][*machine];
            open(job(&format!("{j:02}"), start, plus(start, *length), machines, 50.0), None, *slip)
        }).collect();
        jobs.sort_by(|a, b| (a.start, &a.name).cmp(&(b.start, &b.name)));
        prop_assume!(overlaps(&jobs).is_empty());
        // Two that share a day, the short one second, are told apart by no date.
        prop_assume!(jobs.windows(2).all(|w| w[0].start < w[1].start));
        for way in ways(&jobs, AS_OF, WAYS) {
            prop_assert!(overlaps(&way).is_empty());
            for (a, b) in jobs.iter().zip(&way) {
                prop_assert!(b.start >= a.start);
                let days = |job: &Job| job.start.until(job.end).unwrap().get_days();
                prop_assert_eq!(days(a), days(b));
                prop_assert!(a.start > AS_OF || a.start == b.start);
            }
        }
    }
}
