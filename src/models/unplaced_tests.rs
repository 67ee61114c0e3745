//! The sum over ways against enumeration: every position for every change, one way at a time.

use std::fmt::Write;

use approx::assert_relative_eq;

use super::*;
use crate::lives::{Lives, build};
use crate::models::likelihood::Likelihood;
use crate::models::log_lives::LogLives;
use crate::numerics::streams::{Stream, stream};
use crate::records::{Fleet, LoadOptions};

/// One change on one machine, positions from 0.
#[derive(Debug, Clone, Copy)]
struct Change {
    hours: f64,
    told: Option<usize>,
    worn: bool,
}

/// A history, with parts new at hour 0 or of unknown age then, seen up to `until`.
struct History {
    positions: usize,
    from_new: bool,
    changes: Vec<Change>,
    until: f64,
}

impl History {
    fn random(
        random: &mut Stream,
        positions: usize,
        changes: usize,
        share_told: f64,
        from_new: bool,
    ) -> Self {
        let mut hours = 0.0;
        let changes = (0..changes)
            .map(|_| {
                hours += (20.0 + 180.0 * random.uniform()).round();
                Change {
                    hours,
                    told: (random.uniform() < share_told)
                        .then(|| (random.uniform() * positions as f64) as usize),
                    worn: random.uniform() < 0.7,
                }
            })
            .collect();
        Self {
            positions,
            from_new,
            changes,
            until: hours + 55.0,
        }
    }

    /// As a planner's folder tells it; months stand for changes, for only the meter counts.
    fn lives(&self) -> Lives {
        let dir = tempfile::tempdir().unwrap();
        let day = |i: usize| {
            jiff::civil::date(2000, 1, 1)
                .checked_add(jiff::Span::new().days(30 * i64::try_from(i).unwrap()))
                .unwrap()
        };
        let mut records = String::from("date,machine,part,position,hours,reason\n");
        for (i, change) in self.changes.iter().enumerate() {
            let position = change.told.map_or(String::new(), |p| (p + 1).to_string());
            let reason = if change.worn { "worn" } else { "unworn" };
            writeln!(
                records,
                "{},M1,ring,{position},{},{reason}",
                day(i + 1),
                change.hours
            )
            .unwrap();
        }
        let end = day(self.changes.len() + 1);
        let readings = format!(
            "date,machine,hours\n{},M1,0\n{end},M1,{}\n",
            day(0),
            self.until
        );
        let new_on = if self.from_new {
            format!("new_on = {}\n", day(0))
        } else {
            String::new()
        };
        let settings = format!(
            "[fleet]\nname = \"Test\"\nas_of = {end}\n[[records]]\nfile = \"records.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n\
             [[readings]]\nfile = \"readings.csv\"\n[[machine]]\nname = \"M1\"\n{new_on}\
             [[part]]\nname = \"ring\"\nper_machine = {}\nposition_not_told = \"sum over positions\"\n",
            self.positions
        );
        for (name, text) in [
            ("fleet.toml", settings),
            ("records.csv", records),
            ("readings.csv", readings),
        ] {
            std::fs::write(dir.path().join(name), text).unwrap();
        }
        build(&Fleet::load(dir.path(), &LoadOptions::default()).unwrap())
    }

    /// Log of the sum over all m^k ways of the product of the densities of all lives, by the formulas
    /// as they stand in any textbook. Records begin with the first change, so parts of unknown age are
    /// seen from there.
    fn enumerated(&self, shape: f64, scale: f64) -> f64 {
        let open: Vec<usize> = (0..self.changes.len())
            .filter(|&i| self.changes[i].told.is_none())
            .collect();
        let ways = self.positions.pow(open.len() as u32);
        let first_open = open.first().copied();
        let from = self.changes[0].hours;
        let met_at = |hours: f64, worn: bool| met(shape, scale, hours - from, worn);
        let mets: Vec<f64> = (self.changes.iter())
            .map(|change| met_at(change.hours, change.worn))
            .chain([met_at(self.until, false)])
            .collect();
        let mut sum = 0.0;
        for way in 0..ways {
            let mut rest = way;
            let mut births: Vec<Option<f64>> = vec![self.from_new.then_some(0.0); self.positions];
            let mut product = 1.0;
            for (i, change) in self.changes.iter().enumerate() {
                let position = change.told.unwrap_or_else(|| {
                    let position = rest % self.positions;
                    rest /= self.positions;
                    position
                });
                product *= match births[position] {
                    Some(birth) => life(shape, scale, change.hours - birth, change.worn),
                    // Told and before anything was left open: left out, as always.
                    None if first_open.is_none_or(|first| i < first) => 1.0,
                    None => mets[i],
                };
                births[position] = Some(change.hours);
            }
            for birth in births {
                product *= match birth {
                    Some(birth) => life(shape, scale, self.until - birth, false),
                    None if first_open.is_none() => 1.0,
                    None => mets[self.changes.len()],
                };
            }
            sum += product;
        }
        sum.ln()
    }

    fn check(&self, tolerance: f64) {
        let lives = self.lives();
        let observed = lives.of_part("ring");
        let logs = LogLives::new(&observed);
        let likelihood = Likelihood {
            kernel: Kernel::SmallestExtreme,
            lives: &logs,
        };
        for (shape, scale) in [(0.8, 150.0), (2.0, 300.0), (3.5, 220.0)] {
            let ours = likelihood.value(f64::ln(scale) - logs.shift, 1.0 / shape);
            let all = self.enumerated(shape, scale);
            assert!(
                (ours - all).abs() < tolerance * all.abs(),
                "{shape} {scale}: {ours} {all} {:?}",
                self.changes
            );
        }
    }
}

/// f or S of one life.
fn life(shape: f64, scale: f64, age: f64, worn: bool) -> f64 {
    if age <= 0.0 {
        return if worn { 0.0 } else { 1.0 };
    }
    let good = (-(age / scale).powf(shape)).exp();
    if worn {
        shape / scale * (age / scale).powf(shape - 1.0) * good
    } else {
        good
    }
}

/// S/E(T), or its integral from y on by Simpson's rule over u with t = y + u/(1 − u).
fn met(shape: f64, scale: f64, y: f64, worn: bool) -> f64 {
    if y <= 0.0 {
        // What came out when its machine was first seen says nothing.
        return 1.0;
    }
    let good = |t: f64| (-(t / scale).powf(shape)).exp();
    let mean = integral(good, 0.0, scale);
    if worn {
        good(y) / mean
    } else {
        integral(good, y, scale) / mean
    }
}

fn integral(f: impl Fn(f64) -> f64, from: f64, unit: f64) -> f64 {
    const STEPS: usize = 40_000;
    let at = |i: usize| {
        // t = from + unit s²/(1 − s): smooth also where f has a cusp at 0.
        let s = i as f64 / STEPS as f64;
        if i == STEPS {
            return 0.0;
        }
        let slope = (2.0 * s - s * s) / (1.0 - s).powi(2);
        f(from + unit * s * s / (1.0 - s)) * unit * slope
    };
    let inner: f64 = (1..STEPS)
        .map(|i| at(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
        .sum();
    (at(0) + inner + at(STEPS)) / (3.0 * STEPS as f64)
}

#[test]
fn the_sum_is_that_of_all_ways_one_by_one() {
    let mut random = stream(11, 0);
    for (positions, changes, share) in [
        (2, 8, 0.0),
        (3, 7, 0.0),
        (2, 9, 0.4),
        (3, 9, 0.5),
        (4, 6, 0.3),
        (3, 12, 0.8),
        (5, 5, 0.0),
    ] {
        for _ in 0..4 {
            History::random(&mut random, positions, changes, share, true).check(1e-11);
        }
    }
}

#[test]
fn parts_of_unknown_age_count_as_met_at_random() {
    let mut random = stream(12, 0);
    for (positions, changes, share) in [(2, 7, 0.0), (3, 6, 0.0), (3, 8, 0.5)] {
        for _ in 0..3 {
            History::random(&mut random, positions, changes, share, false).check(1e-8);
        }
    }
}

#[test]
fn with_every_position_told_nothing_is_summed() {
    let mut random = stream(13, 0);
    for positions in [1, 2, 4] {
        let history = History::random(&mut random, positions, 12, 1.0, true);
        let lives = history.lives();
        assert!(lives.unplaced.is_empty());
        history.check(1e-12);
    }
    // One position is always told.
    let mut history = History::random(&mut random, 1, 9, 0.0, true);
    history.changes.iter_mut().for_each(|c| c.told = None);
    assert!(history.lives().unplaced.is_empty());
    history.check(1e-12);
}

#[test]
fn derivatives_are_those_of_the_value() {
    let mut random = stream(14, 0);
    let lives = History::random(&mut random, 3, 14, 0.2, true).lives();
    let logs = LogLives::new(&lives.of_part("ring"));
    let likelihood = Likelihood {
        kernel: Kernel::SmallestExtreme,
        lives: &logs,
    };
    let (mu, s) = (-0.9_f64, -0.8_f64);
    let value = |mu: f64, s: f64| likelihood.value(mu, s.exp());
    let local = likelihood.in_mu_s(mu, s.exp());
    let h = 1e-4;
    let first_mu = (value(mu + h, s) - value(mu - h, s)) / (2.0 * h);
    let first_s = (value(mu, s + h) - value(mu, s - h)) / (2.0 * h);
    let cross = (value(mu + h, s + h) - value(mu + h, s - h) - value(mu - h, s + h)
        + value(mu - h, s - h))
        / (4.0 * h * h);
    let second_s = (value(mu, s + h) - 2.0 * value(mu, s) + value(mu, s - h)) / (h * h);
    assert!((local.value - value(mu, s)).abs() < 1e-10);
    assert!(
        (local.first[0] / first_mu - 1.0).abs() < 1e-5,
        "{local:?} {first_mu}"
    );
    assert!(
        (local.first[1] / first_s - 1.0).abs() < 1e-5,
        "{local:?} {first_s}"
    );
    assert!(
        (local.second.ab / cross - 1.0).abs() < 1e-3,
        "{local:?} {cross}"
    );
    assert!(
        (local.second.bb / second_s - 1.0).abs() < 1e-3,
        "{local:?} {second_s}"
    );
    let jet = likelihood.at_shape((-s).exp()).at(mu * (-s).exp());
    assert!((jet.second / (local.second.aa * s.exp().powi(2)) - 1.0).abs() < 1e-6);
}

#[test]
fn the_tail_joins_its_series() {
    // Q(a, v) at the seam, from both sides; ln Q(1, v) = −v exactly.
    assert!((ln_gamma_q(1.0, 900.0) + 900.0).abs() < 1e-9);
    for a in [0.2, 0.5, 1.7] {
        let (below, above) = (ln_gamma_q(a, FAR - 1e-9), ln_gamma_q(a, FAR + 1e-9));
        assert!((below - above).abs() < 1e-7, "{a} {below} {above}");
    }
}

/// Two positions, new at 0, one change at 100 of unknown position, now 150: the youngest is 50 old,
/// the oldest 150, whatever the life model.
#[test]
fn ages_now_follow_from_the_ways() {
    let history = History {
        positions: 2,
        from_new: true,
        changes: vec![
            Change {
                hours: 100.0,
                told: None,
                worn: true,
            },
            Change {
                hours: 130.0,
                told: None,
                worn: true,
            },
        ],
        until: 150.0,
    };
    let lives = history.lives();
    let node = WeibullNode {
        shape: 3.0,
        scale: 120.0,
        weight: 1.0,
    };
    let now = PartsNow::new(&lives.unplaced[0]).given(&[node]);
    assert_eq!(now.len(), 2);
    assert_eq!(now[0].ages, [(20.0, 1.0)]);
    // The other went in at 100, unless the part that did so wore out at 130 already: two ways (either
    // position first) against two.
    let both = life(3.0, 120.0, 100.0, true)
        * life(3.0, 120.0, 130.0, true)
        * life(3.0, 120.0, 50.0, false);
    let same = life(3.0, 120.0, 100.0, true)
        * life(3.0, 120.0, 30.0, true)
        * life(3.0, 120.0, 150.0, false);
    let expected = both / (both + same);
    assert_eq!(now[1].ages.len(), 2);
    assert_eq!((now[1].ages[0].0, now[1].ages[1].0), (50.0, 150.0));
    assert!((now[1].ages[0].1 - expected).abs() < 1e-12);
}

/// At curves far from any that the lives suggest, too, where shares are rounded to 0 on the way.
#[test]
fn sums_by_shares_are_those_by_logs() {
    let mut random = stream(16, 0);
    let mut by_logs_only = 0;
    for (positions, changes, from_new) in [(2, 16, true), (3, 14, true), (3, 10, false)] {
        let lives = History::random(&mut random, positions, changes, 0.1, from_new).lives();
        let ways = LogWays::new(&lives.unplaced[0].ways, 0.0);
        for shape in [0.3, 1.0, 3.0, 9.0, 30.0] {
            for scale in [3.0, 40.0, 200.0, 700.0, 9e4] {
                let at = Lanes::new(&[(f64::ln(scale), shape)]);
                let logs = Sums::of_logs(&ways.in_logs(&at, 0.0)).ln_totals();
                let Some(shares) = ways.in_shares(&at, 0.0) else {
                    by_logs_only += 1;
                    continue;
                };
                let shares = shares.ln_totals();
                assert!(
                    (shares[0] - logs[0]).abs() <= 1e-12 * logs[0].abs(),
                    "{positions} {shape} {scale}: {shares:?} {logs:?}"
                );
                assert_eq!(shares[0], shares[LANES - 1]);
            }
        }
    }
    // Of 75 points, those that no one would ask for.
    assert!((1..30).contains(&by_logs_only), "{by_logs_only}");
}

/// The surface against the sum, at points that no grid has; and the posterior from it.
#[test]
fn interpolated_as_the_sum_itself() {
    let mut random = stream(15, 0);
    for (positions, changes, from_new) in
        [(3, 12, true), (2, 16, false), (4, 9, true), (2, 4, true)]
    {
        let lives = History::random(&mut random, positions, changes, 0.1, from_new).lives();
        let logs = LogLives::new(&lives.of_part("ring"));
        let Ok(top) = crate::models::maximise::maximise(&logs, Kernel::SmallestExtreme) else {
            continue;
        };
        let near = logs.unplaced.around(&top);
        let (sd_mu, sd_s) = (top.covariance.aa.sqrt(), top.covariance.bb.sqrt());
        for _ in 0..40 {
            let mu = top.mu + 3.0 * sd_mu * (2.0 * random.uniform() - 1.0);
            let s = top.sigma.ln() + 3.0 * sd_s * (2.0 * random.uniform() - 1.0);
            let point = [(mu, (-s).exp())];
            let (ours, exact) = (
                near.values(&point)[0],
                logs.unplaced.exact_values(&point)[0],
            );
            assert!(
                (ours - exact).abs() < 1e-7,
                "{positions} {changes} {point:?}: {ours} {exact}"
            );
        }
    }
}

/// By mpmath 1.4 at 60 digits: at z = 20 the two halves of the term, each of 5e8, leave −0.956.
#[test]
fn a_life_seen_late_and_worn_by_an_age_keeps_its_digits() {
    let life = LogLife {
        low: 20.0,
        high: 20.000000001,
        entry: 20.0,
        met: false,
    };
    assert_relative_eq!(
        life.term(0.0, 1.0, 0.0),
        -0.956_059_817_234_082_5,
        max_relative = 1e-10
    );
}
