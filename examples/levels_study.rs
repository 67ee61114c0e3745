//! How far the stock keeps its promise where parts wear faster in some jobs (`life_by`), by simulation;
//! writes the table of the documentation.
//!
//! `cargo run --release --example levels_study -- [data sets]` (default 200).
//!
//! Twelve machines of one part each; every new part is put to one of two uses by chance, and lives are
//! Weibull of one shape with a scale a use. The records end with the w-th worn part. They come in as a
//! planner's folder with `life_by`; ahead are a job of either use, machines 5 to 8 go to both. Given the
//! truth an hour of the second use is so many hours of the first, so the chance that the future stays
//! within the stock is that of a plain demand at scaled hours: one number a data set.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use jiff::civil::{Date, date};
use jiff::{Span as Days, ToSpan as _};
use rayon::prelude::*;
use wearcast::compare::life_model_of_part;
use wearcast::forecast::{
    Accuracy, FirstLife, ForecastOptions, Group, Hours, Outlook, Span, demand,
};
use wearcast::lives::build;
use wearcast::models::WeibullNode;
use wearcast::numerics::streams::{Stream, stream};
use wearcast::records::{Fleet, LoadOptions};

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Hours, of the first use.
const SCALE: f64 = 300.0;
const SHAPE: f64 = 2.0;
const MACHINES: usize = 12;
const FIRST: Date = date(2024, 1, 1);
const HOURS_A_DAY: f64 = 10.0;
/// Hours of each job.
const JOB: f64 = 120.0;
const USES: [&str; 2] = ["small", "large"];
const LEVELS: [f64; 3] = [0.80, 0.95, 0.99];

/// A part put in: its machine, the meter then, its use.
struct Put {
    machine: usize,
    at: f64,
    level: usize,
    worn_at: f64,
}

/// Parts in the order they were put in, and the hours at which the records end.
fn history(ratio: f64, worn: usize, random: &mut Stream) -> (Vec<Put>, f64) {
    let mut puts = Vec::new();
    for machine in 0..MACHINES {
        let mut at = 0.0;
        while at < 40.0 * SCALE {
            let level = usize::from(random.uniform() < 0.5);
            let scale = SCALE * [1.0, ratio][level];
            // Meters are read to a tenth.
            let life = (10.0 * scale * random.exponential().powf(1.0 / SHAPE)).ceil() / 10.0;
            let worn_at = at + life;
            puts.push(Put {
                machine,
                at,
                level,
                worn_at,
            });
            at = worn_at;
        }
    }
    puts.sort_by(|a, b| a.at.total_cmp(&b.at));
    let mut ends: Vec<f64> = puts.iter().map(|p| p.worn_at).collect();
    ends.sort_by(f64::total_cmp);
    let end = ends[worn - 1];
    (puts, end)
}

fn day(hours: f64) -> Result<Date, Failure> {
    let days: Days = ((hours / HOURS_A_DAY) as i64).days();
    Ok(FIRST.checked_add(days)?)
}

fn write(dir: &Path, puts: &[Put], end: f64) -> Result<(), Failure> {
    let as_of = day(end)?;
    let mut log = "date,machine,part,position,hours,reason,use\n".to_owned();
    for put in puts.iter().filter(|p| p.at <= end) {
        let (day, reason) = (day(put.at)?, if put.at > 0.0 { "worn" } else { "planned" });
        let (machine, hours, level) = (put.machine + 1, put.at, USES[put.level]);
        writeln!(log, "{day},M{machine},belt,1,{hours:.1},{reason},{level}")?;
    }
    let mut readings = "date,machine,hours\n".to_owned();
    for machine in 1..=MACHINES {
        writeln!(readings, "{as_of},M{machine},{end:.1}")?;
    }
    let names = |of: std::ops::RangeInclusive<usize>| -> String {
        let each: Vec<String> = of.map(|m| format!("M{m}")).collect();
        each.join(";")
    };
    let day = |days: i64| as_of.checked_add(days.days());
    let jobs = format!(
        "job,start,end,machine,hours,use\nOne,{},{},{},{JOB},small\nTwo,{},{},{},{JOB},large\n",
        day(7)?,
        day(20)?,
        names(1..=8),
        day(27)?,
        day(40)?,
        names(5..=12),
    );
    let settings = format!(
        "[fleet]\nname = \"Two uses (invented)\"\nas_of = {as_of}\n\
         [[records]]\nfile = \"log.csv\"\n[records.columns]\n\
         date = \"date\"\nmachine = \"machine\"\npart = \"part\"\nposition = \"position\"\nhours = \"hours\"\n\
         reason = \"reason\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"planned\"]\n\
         [[readings]]\nfile = \"readings.csv\"\n[[jobs]]\nfile = \"jobs.csv\"\n\
         [[part]]\nname = \"belt\"\nper_machine = 1\nlife_by = \"use\"\n"
    );
    std::fs::write(dir.join("log.csv"), log)?;
    std::fs::write(dir.join("readings.csv"), readings)?;
    std::fs::write(dir.join("jobs.csv"), jobs)?;
    std::fs::write(dir.join("fleet.toml"), settings)?;
    Ok(())
}

/// What one data set came to.
#[derive(Clone, Copy)]
struct One {
    /// Chance that the stock at each level is enough.
    enough: [f64; 3],
    stock: f64,
    stock_if_known: f64,
    /// Chance that the count lies within the 90 % interval.
    count: f64,
}

fn one(ratio: f64, worn: usize, random: &mut Stream) -> Result<One, Failure> {
    let (puts, end) = history(ratio, worn, random);
    let dir = tempfile::tempdir()?;
    write(dir.path(), &puts, end)?;
    let fleet = Fleet::load(dir.path(), &LoadOptions::default())?;
    let lives = build(&fleet);
    let model = life_model_of_part(&fleet, &lives, &fleet.parts[0])?;
    let outlook = Outlook::new(&fleet, &lives, &[model], &ForecastOptions::default());
    let part = outlook.parts.first().ok_or("no forecast")?;
    let found = outlook.demand(part, &[Span::All]).counts;
    let forecast = found.first().ok_or("no demand")?;
    // In hours of the first use: an hour of the second is 1/ratio of them.
    let pace = [1.0, 1.0 / ratio];
    let ahead = |machine: usize| -> f64 {
        let uses = [machine < 8, machine >= 4];
        (uses.iter().zip(pace))
            .map(|(goes, pace)| if *goes { JOB * pace } else { 0.0 })
            .sum()
    };
    let groups: Vec<Group> = (0..MACHINES)
        .filter_map(|machine| {
            let mut own = puts.iter().filter(|p| p.machine == machine);
            let fitted = own.find(|p| p.at <= end && p.worn_at > end)?;
            let age = (end - fitted.at) * pace[fitted.level];
            Some(Group {
                windows: vec![Hours {
                    start: 0.0,
                    end: ahead(machine),
                }],
                positions: vec![(FirstLife::Aged(age), 1)],
                starts: Vec::new(),
            })
        })
        .collect();
    let truth = [WeibullNode {
        shape: SHAPE,
        scale: SCALE,
        weight: 1.0,
    }];
    let known = demand(&truth, &groups, 1, Accuracy::default()).counts;
    let known = known.first().ok_or("no truth")?;
    let (low, high) = (forecast.quantile(0.05), forecast.quantile(0.95));
    let below = if low > 0 { known.at_most(low - 1) } else { 0.0 };
    Ok(One {
        enough: LEVELS.map(|level| known.at_most(forecast.quantile(level))),
        stock: f64::from(high),
        stock_if_known: f64::from(known.quantile(0.95)),
        count: known.at_most(high) - below,
    })
}

fn main() -> Result<(), Failure> {
    let sets: u64 = (std::env::args().nth(1)).map_or(Ok(200), |sets| sets.parse())?;
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{sets} data sets each, 12 machines, shape {SHAPE}; percent, with the standard error of the 95 % column.\n"
    )?;
    writeln!(
        out,
        "| scale of the second use to the first | worn | 80 % stock holds | 95 % stock holds | (se) | 99 % stock \
         holds | excess stock | 90 % count interval |"
    )?;
    writeln!(out, "|---|---|---|---|---|---|---|---|")?;
    for ratio in [1.0, 0.55, 0.3] {
        for worn in [6, 15, 40] {
            let seed = (1000.0 * ratio) as u64 * 100 + worn as u64;
            let each = (0..sets).into_par_iter();
            let found = each.map(|set| one(ratio, worn, &mut stream(seed, set)));
            let found: Vec<One> = found.collect::<Result<_, Failure>>()?;
            let n = found.len() as f64;
            let mean = |of: &dyn Fn(&One) -> f64| found.iter().map(of).sum::<f64>() / n;
            let held = mean(&|o| o.enough[1]);
            let error = mean(&|o| (o.enough[1] - held).powi(2)).sqrt() / n.sqrt();
            let [low, _, high] = [0, 1, 2].map(|i: usize| 100.0 * mean(&|o| o.enough[i]));
            let excess = 100.0 * (mean(&|o| o.stock) / mean(&|o| o.stock_if_known) - 1.0);
            writeln!(
                out,
                "| {ratio} | {worn} | {low:.0} | {:.1} | ({:.1}) | {high:.1} | {excess:.0} | {:.0} |",
                100.0 * held,
                100.0 * error,
                100.0 * mean(&|o| o.count),
            )?;
            out.flush()?;
        }
    }
    Ok(())
}
