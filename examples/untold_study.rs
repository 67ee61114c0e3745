//! How far lives can be trusted of which the records do not tell the positions; writes the table of
//! the documentation.
//!
//! `cargo run --release --example untold_study -- [fleets]` (default 300). Fleets with a known Weibull
//! life, several parts alike on each machine, come in as a planner's folder with
//! `position_not_told = "sum over positions"`; the true median, B10 and shape are looked for in the
//! 95 % intervals of the posterior.

use std::fmt::Write as _;
use std::io::Write as _;

use rayon::prelude::*;
use wearcast::lives::{Lives, build};
use wearcast::models::{FitRequest, fit};
use wearcast::numerics::streams::{Stream, stream};
use wearcast::records::{Fleet, LoadOptions};

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Which rows tell the position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Told {
    /// This share of them, by chance.
    Share(f64),
    /// Those of the second half of the hours: a column that was added later.
    FromHalfway,
}

/// A known truth and how its records are kept.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Case {
    pub(crate) machines: usize,
    pub(crate) positions: usize,
    pub(crate) shape: f64,
    /// Chance that a part is bound to come out unworn at a random age up to 1.5 scales.
    pub(crate) unworn: f64,
    pub(crate) told: Told,
    /// All parts new at the start of the records, or met in the middle of a long history.
    pub(crate) from_new: bool,
    /// Hours seen, in scales.
    pub(crate) seen: f64,
}

/// Scale, hours: it only sets the unit.
pub(crate) const SCALE: f64 = 400.0;
/// Hours a machine runs a day.
const HOURS_A_DAY: f64 = 10.0;

impl Case {
    /// Rows of the export with their hours and machine, sorted.
    fn rows(&self, random: &mut Stream) -> Vec<(f64, usize, String)> {
        let seen = self.seen * SCALE;
        // Long enough before the records that the age then is that of a part met at random.
        let before = if self.from_new { 0.0 } else { 15.0 * SCALE };
        let mut rows = Vec::new();
        for machine in 1..=self.machines {
            for position in 1..=self.positions {
                let mut hours = -before;
                loop {
                    let life = SCALE * random.exponential().powf(1.0 / self.shape);
                    let unworn = if random.uniform() < self.unworn {
                        SCALE * 1.5 * random.uniform()
                    } else {
                        f64::INFINITY
                    };
                    hours += life.min(unworn);
                    if hours > seen {
                        break;
                    }
                    if hours <= 0.0 {
                        continue;
                    }
                    let told = match self.told {
                        Told::Share(share) => random.uniform() < share,
                        Told::FromHalfway => hours > 0.5 * seen,
                    };
                    let place = if told {
                        position.to_string()
                    } else {
                        String::new()
                    };
                    let reason = if unworn < life { "unworn" } else { "worn" };
                    rows.push((hours, machine, format!("ring,{place},{hours},{reason}")));
                }
            }
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        rows
    }

    /// One fleet, through the files of a folder.
    pub(crate) fn lives(&self, random: &mut Stream) -> Result<Lives, Failure> {
        let start = jiff::civil::date(2020, 1, 1);
        let day = |hours: f64| {
            start.checked_add(jiff::Span::new().days((hours / HOURS_A_DAY).floor() as i64))
        };
        let seen = self.seen * SCALE;
        let mut records = String::from("date,machine,part,position,hours,reason\n");
        for (hours, machine, rest) in self.rows(random) {
            writeln!(records, "{},M{machine},{rest}", day(hours)?)?;
        }
        let end = day(seen + HOURS_A_DAY)?;
        let mut settings = format!(
            "[fleet]\nname = \"Study\"\nas_of = {end}\n[[records]]\nfile = \"records.csv\"\n\
             [records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n[[readings]]\nfile = \"readings.csv\"\n\
             [[part]]\nname = \"ring\"\nper_machine = {}\nposition_not_told = \"sum over positions\"\n",
            self.positions
        );
        let mut readings = String::from("date,machine,hours\n");
        for machine in 1..=self.machines {
            writeln!(settings, "[[machine]]\nname = \"M{machine}\"")?;
            if self.from_new {
                writeln!(settings, "new_on = {start}")?;
            }
            writeln!(readings, "{start},M{machine},0\n{end},M{machine},{seen}")?;
        }
        let dir = tempfile::tempdir()?;
        for (name, text) in [
            ("fleet.toml", settings),
            ("records.csv", records),
            ("readings.csv", readings),
        ] {
            std::fs::write(dir.path().join(name), text)?;
        }
        Ok(build(&Fleet::load(dir.path(), &LoadOptions::default())?))
    }
}

/// What one fleet says.
struct Found {
    worn: u64,
    /// Whether the interval holds the truth: B10, median, shape.
    held: [bool; 3],
    /// Estimated median over the true one.
    ratio: f64,
}

/// `None` where there is no posterior.
fn look(case: &Case, fleet: u64) -> Result<Option<Found>, Failure> {
    let lives = case.lives(&mut stream(91, fleet))?;
    if lives.rows.set_aside > 0 {
        return Err(format!("rows were set aside: {:?}", lives.problems).into());
    }
    let asked = FitRequest {
        at_probability: vec![0.1, 0.5],
        ..FitRequest::weibull()
    };
    let Ok(fit) = fit(&lives.of_part("ring"), &asked) else {
        return Ok(None);
    };
    let truth = |p: f64| SCALE * (-f64::ln(1.0 - p)).powf(1.0 / case.shape);
    let within = |lower: Option<f64>, upper: Option<f64>, truth: f64| {
        lower.is_some_and(|lower| lower < truth) && upper.is_some_and(|upper| upper > truth)
    };
    let [b10, median] = &fit.quantiles[..] else {
        return Err("two quantiles were asked for".into());
    };
    let Some(shape) = fit.parameters.iter().find(|p| p.name == "shape") else {
        return Err("a Weibull fit without a shape".into());
    };
    let Some(hours) = median.hours else {
        return Ok(None);
    };
    Ok(Some(Found {
        worn: fit.lives.worn,
        held: [
            within(b10.lower, b10.upper, truth(0.1)),
            within(median.lower, median.upper, truth(0.5)),
            within(shape.lower, shape.upper, case.shape),
        ],
        ratio: hours / truth(0.5),
    }))
}

fn main() -> Result<(), Failure> {
    let fleets: u64 = std::env::args().nth(1).map_or(Ok(300), |n| n.parse())?;
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{fleets} fleets a row; percent of 95 % posterior intervals that hold the truth, and the mean of median over true median with its standard error.\n\n\
         | machines × positions | shape | told | unworn | at the start | worn | B10 / median / shape | median over true | no posterior |\n\
         |---|---|---|---|---|---|---|---|---|"
    )?;
    let half = Told::Share(0.5);
    let none = Told::Share(0.0);
    for (machines, positions, shape, told, unworn, from_new, seen) in [
        (2, 2, 2.5, none, 0.0, true, 3.0),
        (2, 3, 2.5, none, 0.0, true, 4.0),
        (2, 3, 2.5, half, 0.0, true, 4.0),
        (2, 3, 2.5, Told::FromHalfway, 0.0, true, 4.0),
        (2, 3, 2.5, half, 0.3, true, 4.0),
        (2, 3, 2.5, none, 0.0, false, 4.0),
        (2, 3, 2.5, half, 0.3, false, 4.0),
        (2, 3, 1.2, half, 0.0, true, 4.0),
        (2, 3, 1.2, Told::Share(1.0), 0.0, true, 4.0),
        (2, 3, 4.0, none, 0.0, true, 4.0),
        (2, 3, 4.0, half, 0.0, false, 4.0),
        (6, 2, 2.5, half, 0.2, true, 4.0),
        (6, 3, 2.5, half, 0.2, false, 3.0),
    ] {
        let case = Case {
            machines,
            positions,
            shape,
            unworn,
            told,
            from_new,
            seen,
        };
        let found: Vec<Option<Found>> = (0..fleets)
            .into_par_iter()
            .map(|fleet| look(&case, fleet))
            .collect::<Result<_, _>>()?;
        let given: Vec<&Found> = found.iter().flatten().collect();
        let n = given.len() as f64;
        let share = |at: usize| 100.0 * given.iter().filter(|f| f.held[at]).count() as f64 / n;
        let mean = given.iter().map(|f| f.ratio).sum::<f64>() / n;
        let spread = given.iter().map(|f| (f.ratio - mean).powi(2)).sum::<f64>() / (n - 1.0);
        writeln!(
            out,
            "| {machines} × {positions} | {shape} | {} | {unworn} | {} | {:.0} | {:.1} / {:.1} / {:.1} | {mean:.3} ± {:.3} | {} |",
            match told {
                Told::Share(share) => format!("{:.0} %", 100.0 * share),
                Told::FromHalfway => "from halfway".to_owned(),
            },
            if from_new { "new" } else { "unknown age" },
            given.iter().map(|f| f.worn as f64).sum::<f64>() / n,
            share(0),
            share(1),
            share(2),
            (spread / n).sqrt(),
            found.len() - given.len(),
        )?;
    }
    Ok(())
}
