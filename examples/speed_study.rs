//! Times one task on one file, as `tests/bench/beside_r.R` does with R's survival package: see
//! DEVELOPERS.md, Bench.
//!
//! `cargo run --release --example speed_study -- make DIR` makes the files (seeded, 160 MB), and
//! `… -- TASK FILE [TIMES]` times a task on one: FILE is a CSV with the columns time, event (and
//! group, grp, x1, x2, x3), or lo, hi. Prints what was estimated, which must agree with the other
//! tool before a time counts, and the least and the median seconds of computing.

use std::error::Error;
use std::io::Write;
use std::path::Path;
use std::time::Instant;

use wearcast::compare::log_rank;
use wearcast::lives::Observations;
use wearcast::models::curve::{kaplan_meier, turnbull};
use wearcast::models::regression::{Covariate, RegressionRequest, regress};
use wearcast::models::{
    Curve, Family, FitRequest, IntervalMethod, estimate, estimate_each, fit,
    reweighted_weibull_curves,
};
use wearcast::numerics::streams::{Stream, stream};

const TASKS: &str =
    "weib, groups, boot, refits, intervals, every_interval, aft, icfit, km, logrank, turnbull";

/// Columns of a CSV by heading; `inf` is a number too.
struct Columns {
    headings: Vec<String>,
    values: Vec<Vec<f64>>,
}

impl Columns {
    fn read(path: &str) -> Result<Self, Box<dyn Error>> {
        let mut reader = csv::Reader::from_path(path)?;
        let headings: Vec<String> = reader.headers()?.iter().map(str::to_owned).collect();
        let mut values = vec![Vec::new(); headings.len()];
        for row in reader.records() {
            for (column, cell) in values.iter_mut().zip(&row?) {
                column.push(cell.parse()?);
            }
        }
        Ok(Self { headings, values })
    }

    fn get(&self, heading: &str) -> Result<&[f64], String> {
        let at = self.headings.iter().position(|h| h == heading);
        at.map(|at| self.values[at].as_slice())
            .ok_or_else(|| format!("the file has no column {heading}"))
    }

    fn lives(&self) -> Result<Observations, String> {
        let mut lives = Observations::default();
        if let (Ok(lo), Ok(hi)) = (self.get("lo"), self.get("hi")) {
            for (&lo, &hi) in lo.iter().zip(hi) {
                lives.push(lo, hi, 0.0, 1.0);
            }
        } else {
            for (&time, &event) in self.get("time")?.iter().zip(self.get("event")?) {
                let high = if event > 0.0 { time } else { f64::INFINITY };
                lives.push(time, high, 0.0, 1.0);
            }
        }
        Ok(lives)
    }
}

/// A Weibull life and where its records stop.
fn life(random: &mut Stream, shape: f64, scale: f64) -> (f64, f64) {
    let t = scale * random.exponential().powf(1.0 / shape);
    (t, scale * (0.15 + 2.2 * random.uniform()))
}

fn ended(t: f64, stop: f64) -> (f64, u8) {
    (t.min(stop), u8::from(t <= stop))
}

/// Writes a file of rows.
fn write(
    path: &Path,
    heading: &str,
    rows: usize,
    row: impl Fn(&mut Stream, usize) -> String,
) -> std::io::Result<()> {
    let mut random = stream(2026, rows as u64 + heading.len() as u64);
    let mut text = format!("{heading}\n");
    for k in 0..rows {
        text.push_str(&row(&mut random, k));
        text.push('\n');
    }
    std::fs::write(path, text)
}

fn make(dir: &Path) -> std::io::Result<()> {
    const MILLION: usize = 1_000_000;
    std::fs::create_dir_all(dir)?;
    let plain = |random: &mut Stream, _: usize| {
        let (t, stop) = life(random, 2.3, 1500.0);
        let (time, event) = ended(t, stop);
        format!("{time},{event}")
    };
    for (name, rows) in [
        ("lives.csv", MILLION),
        ("lives_1000.csv", 1000),
        ("lives_100.csv", 100),
    ] {
        write(&dir.join(name), "time,event", rows, plain)?;
    }
    write(
        &dir.join("whole.csv"),
        "time,event",
        MILLION,
        |random, _| {
            let (t, stop) = life(random, 2.3, 1500.0);
            let (time, event) = ended(t.ceil(), stop.ceil());
            format!("{time},{event}")
        },
    )?;
    write(
        &dir.join("two.csv"),
        "time,event,grp",
        MILLION,
        |random, k| format!("{},{}", plain(random, k), random.below(2)),
    )?;
    write(
        &dir.join("groups.csv"),
        "group,time,event",
        MILLION,
        |random, k| {
            let group = k / 100;
            let shape = 0.9 + 3.1 * (group % 100) as f64 / 100.0;
            let (t, stop) = life(random, shape, 500.0 + (group / 100) as f64 * 45.0);
            let (time, event) = ended(t, stop);
            format!("{group},{time},{event}")
        },
    )?;
    write(
        &dir.join("covariates.csv"),
        "time,event,x1,x2,x3",
        MILLION,
        |random, _| {
            let x = [random.normal(), random.normal(), random.below(2) as f64];
            let scale = (7.3 + 0.3 * x[0] - 0.2 * x[1] + 0.15 * x[2]).exp();
            let (t, _) = life(random, 2.3, scale);
            let (time, event) = ended(t, 200.0 + 4800.0 * random.uniform());
            format!("{time},{event},{},{},{}", x[0], x[1], x[2])
        },
    )?;
    for (name, rows) in [("bounds.csv", 100_000), ("bounds_10000.csv", 10_000)] {
        write(&dir.join(name), "lo,hi", rows, |random, _| {
            let (t, _) = life(random, 2.3, 1500.0);
            let step = 100.0 + 500.0 * random.uniform();
            let low = ((t / step).floor() * step).round();
            let high = (low + step).round();
            let open = random.uniform() < 0.2 && low > 0.0;
            if open {
                format!("{low},inf")
            } else {
                format!("{low},{high}")
            }
        })?;
    }
    write(
        &dir.join("shell.csv"),
        "hours,outcome",
        MILLION,
        |random, _| {
            let (t, stop) = life(random, 2.3, 1500.0);
            let (time, event) = ended(t, stop);
            format!("{time:.1},{}", if event == 1 { "worn" } else { "unworn" })
        },
    )
}

fn timed<T>(times: usize, mut work: impl FnMut() -> T) -> (T, f64, f64) {
    let mut seconds = Vec::new();
    loop {
        let start = Instant::now();
        let answer = work();
        seconds.push(start.elapsed().as_secs_f64());
        if seconds.len() >= times {
            seconds.sort_by(f64::total_cmp);
            return (answer, seconds[0], seconds[seconds.len() / 2]);
        }
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [make_files, dir] = arguments.as_slice()
        && make_files == "make"
    {
        return Ok(make(Path::new(dir))?);
    }
    let [task, file, rest @ ..] = arguments.as_slice() else {
        return Err(format!("usage: speed_study TASK FILE [TIMES]; tasks: {TASKS}").into());
    };
    let times: usize = rest.first().map_or(Ok(9), |times| times.parse())?;
    let columns = Columns::read(file)?;
    let lives = columns.lives()?;
    let (said, least, median) = run(task, times, &columns, &lives)?;
    writeln!(
        std::io::stdout(),
        "wearcast {task} {file} est: {said} | compute_min_s {least:.5} compute_med_s {median:.5}"
    )?;
    Ok(())
}

fn run(
    task: &str,
    times: usize,
    columns: &Columns,
    lives: &Observations,
) -> Result<(String, f64, f64), Box<dyn Error>> {
    let curve = |c: &Curve| {
        format!(
            "beta {:.10} eta {:.10} loglik {:.6}",
            c.shape, c.scale, c.log_likelihood
        )
    };
    Ok(match task {
        "weib" | "icfit" => {
            let (found, least, median) = timed(times, || estimate(lives, Family::Weibull));
            (curve(&found?), least, median)
        }
        "groups" => {
            let mut groups: Vec<Observations> = Vec::new();
            for (i, &group) in columns.get("group")?.iter().enumerate() {
                let group = group as usize;
                if groups.len() <= group {
                    groups.resize(group + 1, Observations::default());
                }
                groups[group].push(lives.low[i], lives.high[i], 0.0, 1.0);
            }
            let (found, least, median) = timed(times, || estimate_each(&groups, Family::Weibull));
            let found: Vec<Curve> = found.into_iter().collect::<Result<_, _>>()?;
            let shapes: f64 = found.iter().map(|c| c.shape).sum();
            let scales: f64 = found.iter().map(|c| c.scale).sum();
            (
                format!("sum_beta {shapes:.6} sum_eta {scales:.4}"),
                least,
                median,
            )
        }
        "boot" | "intervals" => {
            let mut request = FitRequest::weibull();
            if task == "boot" {
                request.interval = IntervalMethod::Bootstrap;
            }
            let (found, least, median) = timed(times, || fit(lives, &request));
            let shape = found?.parameters.swap_remove(0);
            let limits = (shape.lower, shape.estimate, shape.upper);
            (format!("shape {limits:.5?}"), least, median)
        }
        "refits" => {
            let (found, least, median) = timed(times, || reweighted_weibull_curves(lives));
            let mut shapes: Vec<f64> = found?.iter().map(|c| c.0).collect();
            shapes.sort_by(f64::total_cmp);
            let middle = shapes[shapes.len() / 2];
            (
                format!("{} refits, middle shape {middle:.5}", shapes.len()),
                least,
                median,
            )
        }
        "every_interval" => {
            let methods = [
                IntervalMethod::Posterior,
                IntervalMethod::Likelihood,
                IntervalMethod::Wald,
            ];
            let requests = methods.map(|interval| FitRequest {
                interval,
                at_hours: vec![500.0, 1000.0],
                ..FitRequest::weibull()
            });
            let (found, least, median) = timed(times, || {
                requests
                    .iter()
                    .map(|r| fit(lives, r))
                    .collect::<Result<Vec<_>, _>>()
            });
            let lower: Vec<Option<f64>> = found?.iter().map(|f| f.parameters[0].lower).collect();
            (format!("lower shapes {lower:.5?}"), least, median)
        }
        "aft" => {
            let mut covariates = Vec::new();
            for name in ["x1", "x2", "x3"] {
                covariates.push(Covariate::number(name, columns.get(name)?.to_vec()));
            }
            let request = RegressionRequest::weibull(covariates);
            let (found, least, median) = timed(times, || regress(lives, &request));
            let found = found?;
            let slopes: Vec<f64> = found.coefficients.iter().map(|c| c.estimate).collect();
            let said = format!(
                "intercept {:.8} slopes {slopes:.8?} scale {:.8} loglik {:.5}",
                found.intercept.estimate.unwrap_or(f64::NAN),
                found.shapes[0].sigma,
                found.log_likelihood
            );
            (said, least, median)
        }
        "km" => {
            let (found, least, median) = timed(times, || kaplan_meier(lives, 0.95));
            let found = found?;
            let at = found.reliability_at(1000.0).unwrap_or(f64::NAN);
            (
                format!("n {} S1000 {at:.10}", found.steps.len()),
                least,
                median,
            )
        }
        "logrank" => {
            let group: Vec<u32> = columns.get("grp")?.iter().map(|&g| g as u32).collect();
            let (found, least, median) = timed(times, || log_rank(lives, &group, 2, None));
            (format!("chisq {:.8}", found?.test.statistic), least, median)
        }
        "turnbull" => {
            let (found, least, median) = timed(times, || turnbull(lives, 0.95));
            let found = found?;
            let said = match found.convergence {
                Some(c) => format!("loglik {:.8} gap {:.1e}", c.log_likelihood, c.gap),
                None => String::new(),
            };
            (said, least, median)
        }
        _ => return Err(format!("no task {task}; tasks: {TASKS}").into()),
    })
}
