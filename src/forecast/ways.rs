//! Ways the schedule may go, where it leaves hours or starts open: a few that stand for all, equally likely.
//!
//! A job's hours: the stated ones are the median `m`, and with 1 chance in 20 each it takes fewer than `l` or
//! more than `u`. `ln(hours/m)` is normal on either side of 0, with deviations `ln(m/l)/1.645` and
//! `ln(u/m)/1.645`; for `m = √(l u)` that is the lognormal. A job that slips starts late by a whole number of
//! days D with `P(D ≥ k) = 0.05^(k/s)`, s the days stated: never early, mostly little late. Jobs turn out
//! independently of each other; all machines of one job share its hours and its start.
//!
//! A job keeps its length in days. A machine's next job waits for the end of the one before it, and with it
//! all machines of that next job; a job that is under way does not slip.
//!
//! Each job's hours (and slip) are cut into as many equally likely slices as there are ways, and every way takes
//! one slice of each: hours at its mean, so that expected hours are exact, slips at its middle. The slices are dealt
//! so that no two jobs go together (a Latin hypercube with correlations removed by swaps, after Owen, Journal of the
//! American Statistical Association 89, 1994) and that the summed hours of a machine, and of all, are spread as
//! evenly as those of one job.

use std::collections::BTreeSet;

use jiff::civil::Date;

use crate::numerics::special::{NORMAL_95, normal_cdf, normal_quantile};
use crate::numerics::streams::stream;
use crate::records::Job;

/// Ways looked at; even, so that the median lies between two slices.
pub(super) const WAYS: usize = 32;
/// The same where chances to half a percent will do.
pub(super) const FEW_WAYS: usize = 8;
/// Tolerance of a cumulative chance from which they do.
pub const ROUGH: f64 = 5e-3;

/// How far a chance may be off, in words; measured against simulation (`ways_against_many_draws`).
pub(super) const WAYS_ERROR: &str = "0.02 (0.04 where a range of hours is tenfold)";

/// Seed of the deal.
const SEED: u64 = 41;

/// Rounds of swaps for each job.
const ROUNDS: usize = 4;

/// Machines whose summed hours are spread evenly.
const SUMS: usize = 3;

/// The jobs in each of a number of ways they may go, in the order of `jobs`; none where everything is as
/// stated.
pub(super) fn ways(jobs: &[Job], as_of: Date, number: usize) -> Vec<Vec<Job>> {
    let open_hours = |job: &Job| job.spread.hours.filter(|_| job.hours > 0.0);
    let may_slip = |job: &Job| job.spread.slip_days > 0.0 && job.start > as_of;
    let open: Vec<usize> = (0..jobs.len())
        .filter(|j| open_hours(&jobs[*j]).is_some())
        .collect();
    let late: Vec<usize> = (0..jobs.len()).filter(|j| may_slip(&jobs[*j])).collect();
    if open.is_empty() && late.is_empty() {
        return Vec::new();
    }
    let dealt = deal(open.len() + late.len(), &sums(jobs, &open), number);
    let mut ways = vec![jobs.to_vec(); number];
    for (&j, slices) in open.iter().zip(&dealt) {
        if let Some(range) = open_hours(&jobs[j]) {
            let hours = hours_in_slices(jobs[j].hours, range, number);
            for (way, slice) in ways.iter_mut().zip(slices) {
                way[j].hours = hours[*slice];
            }
        }
    }
    if late.is_empty() {
        return ways;
    }
    let waits = waits(jobs);
    for (w, way) in ways.iter_mut().enumerate() {
        let mut slips = vec![0; jobs.len()];
        for (&j, slices) in late.iter().zip(&dealt[open.len()..]) {
            slips[j] = slip_in_slice(jobs[j].spread.slip_days, slices[w], number);
        }
        shift(way, &slips, &waits);
    }
    ways
}

/// Sums of hours that matter, by the weight of each open job in them: of the machines with the most such
/// jobs, and of all machines together.
fn sums(jobs: &[Job], open: &[usize]) -> Vec<Vec<f64>> {
    let deviation = |j: &usize| {
        jobs[*j]
            .spread
            .hours
            .map_or(0.0, |[low, high]| (high - low) / (2.0 * NORMAL_95))
    };
    let all = |j: &usize| deviation(j) * jobs[*j].machines.len() as f64;
    let mut sums: Vec<Vec<f64>> = vec![open.iter().map(all).collect()];
    let machines: BTreeSet<&String> = open.iter().flat_map(|j| &jobs[*j].machines).collect();
    let mut of_machines: Vec<Vec<f64>> = (machines.into_iter())
        .map(|machine| {
            let goes = |j: &usize| jobs[*j].machines.binary_search(machine).is_ok();
            let weight = |j: &usize| if goes(j) { deviation(j) } else { 0.0 };
            open.iter().map(weight).collect()
        })
        .collect();
    let zeros = |sum: &[f64]| sum.iter().filter(|w| **w == 0.0).count();
    of_machines.sort_by_key(|sum| zeros(sum));
    of_machines.dedup();
    sums.extend(of_machines.into_iter().take(SUMS));
    sums
}

/// Mean hours in each of `n` equally likely slices, from the fewest up.
///
/// Over a slice from z₁ to z₂ of the normal, `E[m exp(σz)] = m exp(σ²/2) (Φ(z₂−σ) − Φ(z₁−σ)) n`.
fn hours_in_slices(median: f64, range: [f64; 2], n: usize) -> Vec<f64> {
    let [below, above] = range.map(|end| (end / median).ln().abs() / NORMAL_95);
    let edge = |k: usize| match k {
        0 => f64::NEG_INFINITY,
        k if k == n => f64::INFINITY,
        k => normal_quantile(k as f64 / n as f64),
    };
    (0..n)
        .map(|k| {
            let sigma = if 2 * k < n { below } else { above };
            let by = |z: f64| normal_cdf(z - sigma);
            median * (0.5 * sigma * sigma).exp() * (by(edge(k + 1)) - by(edge(k))) * n as f64
        })
        .collect()
}

/// Days of delay in the middle of a slice: the largest k with `P(D ≥ k)` above what lies beyond the middle.
fn slip_in_slice(days: f64, slice: usize, n: usize) -> i32 {
    let beyond = 1.0 - (slice as f64 + 0.5) / n as f64;
    (days * beyond.ln() / 0.05_f64.ln() + 1e-9).floor() as i32
}

/// Which slice each of `n` ways takes, for each of `count` jobs: so that no two jobs go together, and that the
/// sums of jobs, from the first on, are spread as evenly as each job is.
fn deal(count: usize, sums: &[Vec<f64>], n: usize) -> Vec<Vec<usize>> {
    let mut scores: Vec<f64> = (0..n)
        .map(|k| normal_quantile((k as f64 + 0.5) / n as f64))
        .collect();
    let length = scores.iter().map(|s| s * s).sum::<f64>().sqrt();
    for score in &mut scores {
        *score /= length;
    }
    let mut dealt: Vec<Vec<usize>> = Vec::new();
    let mut summed: Vec<Vec<f64>> = vec![vec![0.0; n]; sums.len()];
    let mut squares = vec![0.0; sums.len()];
    for job in 0..count {
        let weights: Vec<f64> = (sums.iter().map(|s| s.get(job).copied().unwrap_or(0.0))).collect();
        let mut random = stream(SEED, job as u64);
        let mut own: Vec<usize> = (0..n).collect();
        for last in (1..n).rev() {
            own.swap(last, random.below(last + 1));
        }
        let mut sorted = vec![0.0; n];
        let mut off = |own: &[usize]| -> f64 {
            let product = |other: &Vec<usize>| -> f64 {
                let pairs = own.iter().zip(other);
                pairs.map(|(a, b)| scores[*a] * scores[*b]).sum()
            };
            let together: f64 = dealt.iter().map(|other| product(other).powi(2)).sum();
            let mut uneven = 0.0;
            for ((summed, weight), square) in summed.iter().zip(&weights).zip(&squares) {
                if *weight == 0.0 || *square == 0.0 {
                    continue;
                }
                let length = (square + weight * weight).sqrt();
                for ((to, sum), slice) in sorted.iter_mut().zip(summed).zip(own) {
                    *to = (sum + weight * scores[*slice]) / length;
                }
                sorted.sort_unstable_by(f64::total_cmp);
                let pairs = sorted.iter().zip(&scores);
                uneven += pairs.map(|(a, b)| (a - b).powi(2)).sum::<f64>();
            }
            together + uneven
        };
        let mut now = off(&own);
        for _ in 0..ROUNDS {
            let before = now;
            for a in 0..n {
                for b in a + 1..n {
                    own.swap(a, b);
                    let then = off(&own);
                    if then < now {
                        now = then;
                    } else {
                        own.swap(a, b);
                    }
                }
            }
            if now > 0.99 * before {
                break;
            }
        }
        for ((summed, weight), square) in summed.iter_mut().zip(&weights).zip(&mut squares) {
            *square += weight * weight;
            for (sum, slice) in summed.iter_mut().zip(&own) {
                *sum += weight * scores[*slice];
            }
        }
        dealt.push(own);
    }
    dealt
}

/// The earlier jobs for which each job waits: those over by its start that have a machine with it.
fn waits(jobs: &[Job]) -> Vec<Vec<usize>> {
    let together = |a: &Job, b: &Job| {
        a.machines
            .iter()
            .any(|m| b.machines.binary_search(m).is_ok())
    };
    let over = |i: &usize, job: &Job| jobs[*i].end <= job.start && together(&jobs[*i], job);
    let of = |(j, job): (usize, &Job)| (0..j).filter(|i| over(i, job)).collect();
    jobs.iter().enumerate().map(of).collect()
}

/// Moves jobs by their slips and by those for which they wait; `jobs` sorted by start.
fn shift(jobs: &mut [Job], slips: &[i32], waits: &[Vec<usize>]) {
    for (j, (slip, waits)) in slips.iter().zip(waits).enumerate() {
        let free = waits.iter().map(|&i| jobs[i].end).max();
        let job = &mut jobs[j];
        let start = plus(job.start, *slip).max(free.unwrap_or(Date::MIN));
        if start != job.start {
            let length = job.start.until(job.end).map_or(0, |span| span.get_days());
            job.start = start;
            job.end = plus(start, length);
        }
    }
}

fn plus(day: Date, days: i32) -> Date {
    day.saturating_add(jiff::Span::new().days(days))
}

#[cfg(test)]
#[path = "ways_tests.rs"]
mod tests;
