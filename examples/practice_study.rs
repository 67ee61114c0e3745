//! How well the comparison of practices holds, by simulation; writes the tables of the documentation.
//!
//! `cargo run --release --example practice_study -- size|power|optimum|reading-error [replicates]`

use std::fmt::Write as _;
use std::io::{Error, Write};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use wearcast::compare::practice::{PracticeComparison, PracticeOptions, tension_practice};
use wearcast::compare::{
    self, CompareOptions, Comparison, Planned, compare, plan, power, worn_per_arm,
};
use wearcast::lives::{ColumnValues, LivesTable, NamedColumn, build_with};
use wearcast::meters::Meters;
use wearcast::numerics::streams::{Stream, stream};
use wearcast::records::{Fleet, LoadOptions};

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let study = arguments.next().unwrap_or_default();
    let replicates = arguments.next().and_then(|a| a.parse().ok());
    let text = match study.as_str() {
        "size" => size(replicates.unwrap_or(4000)),
        "power" => powers(replicates.unwrap_or(4000)),
        "optimum" => optimum(replicates.unwrap_or(500)),
        "reading-error" => reading_error(replicates.unwrap_or(200)),
        other => {
            return Err(Error::other(format!(
                "{other:?} is no study; studies: size, power, optimum, reading-error"
            )));
        }
    };
    std::io::stdout().lock().write_all(text.as_bytes())
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn share<T>(of: &[T], is: impl Fn(&T) -> bool) -> f64 {
    of.iter().filter(|&x| is(x)).count() as f64 / of.len().max(1) as f64
}

/// How practice is spread over machines.
#[derive(Clone, Copy, PartialEq)]
enum Design {
    ByMachine,
    Alternating,
    /// Three lives in ten are in the arm, by chance.
    AtRandom,
}

impl Design {
    const ALL: [Self; 3] = [Self::ByMachine, Self::Alternating, Self::AtRandom];

    fn name(self) -> &'static str {
        match self {
            Self::ByMachine => "each machine keeps one",
            Self::Alternating => "alternates on each machine",
            Self::AtRandom => "by chance, 30 % of lives",
        }
    }
}

/// When a life is stopped unworn.
#[derive(Clone, Copy)]
enum Stop {
    /// Never: every life wears out.
    Never,
    /// At an age drawn evenly up to so many hours; lives last about 500.
    Evenly(f64),
}

struct Made {
    design: Design,
    machines: u32,
    lives_each: u32,
    shape: f64,
    spread: f64,
    ratio: f64,
    stop: Stop,
}

impl Made {
    fn table(&self, s: &mut Stream) -> LivesTable {
        let mut table = LivesTable::default();
        let (mut group, mut machine) = (Vec::new(), Vec::new());
        for m in 0..self.machines {
            let own = self.spread * s.normal();
            for j in 0..self.lives_each {
                let kept = match self.design {
                    Design::ByMachine => m % 2 == 0,
                    Design::Alternating => (m + j) % 2 == 0,
                    Design::AtRandom => s.uniform() < 0.3,
                };
                let effect = if kept { self.ratio.ln() } else { 0.0 };
                let t = 500.0 * (own + effect).exp() * s.exponential().powf(1.0 / self.shape);
                let end = match self.stop {
                    Stop::Never => f64::INFINITY,
                    Stop::Evenly(most) => most * s.uniform(),
                };
                let (low, high) = if t <= end {
                    (t, t)
                } else {
                    (end, f64::INFINITY)
                };
                table.observations.push(low, high, 0.0, 1.0);
                group.push(if kept { "kept" } else { "other" });
                machine.push(format!("M{m:02}"));
            }
        }
        let text = |name: &str, values: ColumnValues| NamedColumn {
            name: name.to_owned(),
            values,
        };
        table.columns = vec![
            text("practice", ColumnValues::from_texts(&group)),
            text("machine", ColumnValues::from_texts(&machine)),
        ];
        table
    }

    fn compared(&self, seed: u64, replicates: u64) -> Vec<Comparison> {
        (0..replicates)
            .into_par_iter()
            .filter_map(|r| {
                let table = self.table(&mut stream(seed, r));
                compare(&table, &CompareOptions::by("practice")).ok()
            })
            .collect()
    }
}

/// Share of the fleets in which 1 lies outside the limits of the shared frailty model.
fn by_frailty(all: &[Comparison]) -> f64 {
    share(all, |c| {
        let ratio = c.life_ratios.first().and_then(|r| r.shared_frailty);
        ratio.is_some_and(|r| r.lower > 1.0 || r.upper < 1.0)
    })
}

fn size(replicates: u64) -> String {
    let mut out = format!(
        "No effect, machines differ by 0.2 in log life, eight lives a machine, about half of them \
         stopped unworn. Tests at 5 %; {replicates} fleets a row (standard error {}).\n\n\
         | machines an arm | shape | practice | test of the answer | shared frailty | every life for itself |\n\
         |---|---|---|---|---|---|\n",
        percent((0.05 * 0.95 / replicates as f64).sqrt())
    );
    for design in Design::ALL {
        for arm in [6, 8] {
            for shape in [2.0, 3.0] {
                let made = Made {
                    design,
                    machines: 2 * arm,
                    lives_each: 8,
                    shape,
                    spread: 0.2,
                    ratio: 1.0,
                    stop: Stop::Evenly(900.0),
                };
                let all = made.compared(1, replicates);
                let told = |p: Option<f64>| p.is_some_and(|p| p < 0.05);
                let _ = writeln!(
                    out,
                    "| {arm} | {shape} | {} | {} | {} | {} |",
                    design.name(),
                    percent(share(&all, |c| told(c.primary_p_value))),
                    percent(by_frailty(&all)),
                    percent(share(&all, |c| told(c.equal_life.map(|t| t.p_value)))),
                );
            }
        }
    }
    out
}

fn powers(replicates: u64) -> String {
    let mut out = format!(
        "Life ratio 1.3, two-sided 5 %; {replicates} fleets a row (standard error {}).\n\n\
         | shape | machines | differ by | practice | worn an arm | power by formula | by simulation |\n\
         |---|---|---|---|---|---|---|\n",
        percent((0.8 * 0.2 / replicates as f64).sqrt())
    );
    let told = |all: &[Comparison]| share(all, |c| c.primary_p_value.is_some_and(|p| p < 0.05));
    for shape in [2.0, 3.0] {
        let Some(arm) = worn_per_arm(shape, 1.3, 0.05, 0.8) else {
            continue;
        };
        // Every life for itself: no machine is told. All worn, and with as many again stopped unworn.
        for (words, lives, stop) in [
            ("not told, all wear out", 2 * arm, Stop::Never),
            ("not told, half stopped", 4 * arm, Stop::Evenly(900.0)),
        ] {
            let made = Made {
                design: Design::Alternating,
                machines: 1,
                lives_each: lives as u32,
                shape,
                spread: 0.0,
                ratio: 1.3,
                stop,
            };
            let all: Vec<Comparison> = (0..replicates)
                .into_par_iter()
                .filter_map(|r| {
                    let mut table = made.table(&mut stream(2, r));
                    table.columns.pop();
                    compare(&table, &CompareOptions::by("practice")).ok()
                })
                .collect();
            row(&mut out, (shape, words, 0.0), &made, &all, told(&all));
        }
        // Twelve machines and more, practices alternating.
        let each = (2 * arm).div_ceil(12) as u32;
        let made = Made {
            design: Design::Alternating,
            machines: 12,
            lives_each: each + each % 2,
            shape,
            spread: 0.2,
            ratio: 1.3,
            stop: Stop::Never,
        };
        let all = made.compared(3, replicates);
        row(&mut out, (shape, "12", 0.2), &made, &all, told(&all));
        // Each machine keeps one practice: 24 machines that differ a little.
        let planned = Planned {
            shape,
            machine_sd: 0.1,
            machines_per_arm: 12.0,
            hours_per_worn: None,
            hours_per_month: None,
            worn: [0.0, 0.0],
        };
        let Some(needed) = plan(&planned, 1.3, 0.8).and_then(|p| p.worn_per_arm_by_machine) else {
            continue;
        };
        let made = Made {
            design: Design::ByMachine,
            machines: 24,
            lives_each: needed.div_ceil(12) as u32,
            shape,
            spread: 0.1,
            ratio: 1.3,
            stop: Stop::Never,
        };
        let all = made.compared(4, replicates);
        row(&mut out, (shape, "24", 0.1), &made, &all, told(&all));
    }
    out
}

fn row(
    out: &mut String,
    (shape, machines, spread): (f64, &str, f64),
    made: &Made,
    all: &[Comparison],
    told: f64,
) {
    let worn: f64 = all
        .iter()
        .map(|c| {
            let r: f64 = c.groups.iter().map(|g| 1.0 / g.worn.max(1.0)).sum();
            2.0 / r
        })
        .sum::<f64>()
        / all.len().max(1) as f64;
    let foretold = if made.machines > 1 {
        let planned = Planned {
            shape,
            machine_sd: spread,
            machines_per_arm: f64::from(made.machines) / 2.0,
            hours_per_worn: None,
            hours_per_month: None,
            worn: [0.0, 0.0],
        };
        let design = match made.design {
            Design::ByMachine => compare::Design::ByMachine,
            _ => compare::Design::Alternating,
        };
        design.power(&planned, 1.3, 0.05, worn)
    } else {
        power(shape, 1.3, 0.05, worn)
    };
    let _ = writeln!(
        out,
        "| {shape} | {machines} | {spread} | {} | {worn:.1} | {} | {} |",
        made.design.name(),
        percent(foretold),
        percent(told)
    );
}

const HEAD: &str = "[fleet]\nname = \"made\"\nas_of = 2025-12-31\ncurrency = \"USD\"\n
[[records]]\nfile = \"r.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n
[[readings]]\nfile = \"m.csv\"\n[[tension]]\nfile = \"t.csv\"\nunit = \"in\"\nforce = 5\n
[[part]]\nname = \"drive belt\"\nper_machine = 1\nunit_cost = 80.0\n
[practice]\ntarget = 0.25\nband = [0.20, 0.30]\nunit = \"in\"\n";

/// A fleet of belts, each set to its own deflection, spread by 0.35 in ln d about the target: life
/// `400·exp(c·(x − b)² − c·b²)`, x = ln(d/0.25), times `W^(1/3)`, W exponential, and the machine's own.
struct Belts {
    machines: u32,
    curvature: f64,
    /// Deflection of the longest lives, inches.
    best_in: f64,
    spread: f64,
    /// Standard deviation of a reading, inches.
    error_in: f64,
}

impl Belts {
    fn write(&self, dir: &Path, replicate: u64) -> std::io::Result<()> {
        let mut s = stream(21, replicate);
        let (mut records, mut readings, mut checks) = (
            "date,machine,part,hours,reason\n".to_owned(),
            "date,machine,hours\n".to_owned(),
            "date,machine,deflection,force\n".to_owned(),
        );
        let first = jiff::civil::date(2024, 1, 1);
        let on = |day: f64| first.saturating_add(jiff::Span::new().days(day as i32));
        let best = (self.best_in / 0.25).ln();
        for m in 0..self.machines {
            let own = self.spread * s.normal();
            let mut at: f64 = 20.0;
            let _ = writeln!(readings, "{},M{m:02},0", on(0.0));
            let _ = writeln!(records, "{},M{m:02},drive belt,{at},unworn", on(at / 10.0));
            loop {
                let x = 0.35 * s.normal();
                let d = 0.25 * x.exp();
                let read = (d + self.error_in * s.normal()).max(0.02);
                let _ = writeln!(checks, "{},M{m:02},{read:.4},5", on(at / 10.0));
                let level = own + self.curvature * ((x - best).powi(2) - best * best);
                // A belt a day at most, so that every reading is one belt's.
                at += (400.0 * level.exp() * s.exponential().powf(1.0 / 3.0)).max(20.0);
                if at > 7000.0 {
                    break;
                }
                let _ = writeln!(records, "{},M{m:02},drive belt,{at:.1},worn", on(at / 10.0));
            }
            let _ = writeln!(readings, "{},M{m:02},7000", on(700.0));
        }
        std::fs::create_dir_all(dir)?;
        std::fs::write(dir.join("fleet.toml"), HEAD)?;
        std::fs::write(dir.join("r.csv"), records)?;
        std::fs::write(dir.join("m.csv"), readings)?;
        std::fs::write(dir.join("t.csv"), checks)
    }

    fn compared(&self, name: &str, replicates: u64, error: Option<f64>) -> Vec<PracticeComparison> {
        let root: PathBuf =
            std::env::temp_dir().join(format!("practice-study-{}", std::process::id()));
        let options = PracticeOptions {
            reading_error_in: error,
            ..PracticeOptions::default()
        };
        let found = (0..replicates)
            .into_par_iter()
            .filter_map(|r| {
                let dir = root.join(format!("{name}-{r}"));
                self.write(&dir, r).ok()?;
                let fleet = Fleet::load(&dir, &LoadOptions::default()).ok()?;
                let meters = Meters::new(&fleet);
                let lives = build_with(&fleet, &meters);
                tension_practice(&fleet, &meters, &lives, &options).ok()
            })
            .collect();
        let _ = std::fs::remove_dir_all(&root);
        found
    }
}

fn optimum(replicates: u64) -> String {
    let mut out = format!(
        "About 17 belts a machine, shape 3, readings spread by 0.35 in ln d. {replicates} fleets a row \
         (standard error of 95 %: {}).\n\n\
         | machines | differ by | true curvature | true best, in | dependence found at 5 % | every life for itself | limits of the best given | holding the truth |\n\
         |---|---|---|---|---|---|---|---|\n",
        percent((0.05 * 0.95 / replicates as f64).sqrt())
    );
    for (machines, spread, curvature, best_in) in [
        (8, 0.0, 0.0, 0.25),
        (8, 0.2, 0.0, 0.25),
        (12, 0.2, 0.0, 0.25),
        (8, 0.2, -0.5, 0.25),
        (8, 0.2, -1.5, 0.25),
        (12, 0.2, -0.5, 0.25),
        (12, 0.2, -1.5, 0.25),
        (12, 0.2, -1.5, 0.21),
    ] {
        let belts = Belts {
            machines,
            curvature,
            best_in,
            spread,
            error_in: 0.0,
        };
        let all = belts.compared("optimum", replicates, None);
        let doses: Vec<_> = all.iter().filter_map(|p| p.dose.as_ref()).collect();
        let given: Vec<(f64, f64)> = doses
            .iter()
            .filter_map(|d| d.optimum.and_then(|o| o.lower_in.zip(o.upper_in)))
            .collect();
        let held = if curvature == 0.0 {
            "(no best)".to_owned()
        } else {
            percent(share(&given, |l| l.0 <= best_in && best_in <= l.1))
        };
        let _ = writeln!(
            out,
            "| {machines} | {spread} | {curvature} | {best_in} | {} | {} | {} | {held} |",
            percent(share(&doses, |d| d.p_value < 0.05)),
            percent(share(&doses, |d| d.p_value_model_only < 0.05)),
            percent(given.len() as f64 / doses.len().max(1) as f64),
        );
    }
    out
}

fn reading_error(replicates: u64) -> String {
    let mut out = format!(
        "12 machines, about 17 belts each, shape 3, true curvature −1.5, readings spread by 0.35 in \
         ln d before their error. Means over {replicates} fleets.\n\n\
         | reading error, in | share of the readings' spread that is true | curvature as read, over the true | allowed for, over the true | life ratio in the band |\n\
         |---|---|---|---|---|\n"
    );
    for error_in in [0.0, 0.02, 0.04, 0.06] {
        let belts = Belts {
            machines: 12,
            curvature: -1.5,
            best_in: 0.25,
            spread: 0.0,
            error_in,
        };
        let stated = (error_in > 0.0).then_some(error_in);
        let all = belts.compared("error", replicates, stated);
        let mean = |of: &dyn Fn(&PracticeComparison) -> Option<f64>| {
            let values: Vec<f64> = all.iter().filter_map(of).collect();
            values.iter().sum::<f64>() / values.len().max(1) as f64
        };
        let curvature = |p: &PracticeComparison| Some(p.dose.as_ref()?.curvature.estimate / -1.5);
        let as_read = |p: &PracticeComparison| {
            let dose = p.dose_as_read.as_ref().or(p.dose.as_ref())?;
            Some(dose.curvature.estimate / -1.5)
        };
        let share_true = mean(&|p| {
            let error = p.dose.as_ref()?.reading_error;
            Some(error.map_or(1.0, |e| e.share_true))
        });
        let ratio = mean(&|p| Some(p.in_band?.ratio.ln())).exp();
        let _ = writeln!(
            out,
            "| {error_in} | {share_true:.3} | {:.3} | {:.3} | {ratio:.2} |",
            mean(&as_read),
            mean(&curvature),
        );
    }
    out
}
