//! Writes a large invented fleet to see how the program fares with it: machines that carry five
//! kinds of part each, two years of records, a schedule that sends out every machine.
//!
//! `cargo run --release --example large_fleet -- /tmp/large 1000` writes 1,000 machines; then
//! `time cargo run --release -- report /tmp/large -o /tmp/large-report`.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use jiff::ToSpan;
use jiff::civil::{Date, date};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

type Failure = Box<dyn std::error::Error>;

const FIRST: Date = date(2024, 4, 1);
const AS_OF: Date = date(2026, 3, 31);
/// Operating hours of a machine on each of the days that it works, on the average.
const HOURS_A_DAY: f64 = 2.2;
/// Machines in one job of the schedule.
const CREW: usize = 25;

/// Name, how many a machine, Weibull shape and scale in hours, price, lead time in days.
const PARTS: [(&str, u32, f64, f64, f64, u32); 5] = [
    ("drive belt", 1, 2.0, 420.0, 86.0, 21),
    ("drive roller", 3, 2.6, 900.0, 64.0, 42),
    ("wear ring", 2, 1.8, 760.0, 31.0, 10),
    ("guide block", 3, 1.4, 1500.0, 48.0, 28),
    ("hose-stop collet", 1, 2.2, 2600.0, 120.0, 35),
];

fn fleet_toml(machines: usize) -> String {
    let mut toml = format!(
        "# Invented data, written by `cargo run --example large_fleet`.\n\n[fleet]\n\
         name = \"Large fleet of {machines} machines (invented)\"\nas_of = {AS_OF}\ncurrency = \"USD\"\n\n\
         [[records]]\nfile = \"replacements.csv\"\n[records.reasons]\nworn = [\"worn\"]\n\
         unworn = [\"unworn\"]\n\n[[readings]]\nfile = \"readings.csv\"\n\n[[jobs]]\nfile = \"jobs.csv\"\n\n\
         [stock]\nservice_level = 0.95\nreview_days = 7\n"
    );
    for (name, per_machine, _, _, cost, lead) in PARTS {
        let on_hand = machines as u32 * per_machine / 20;
        let _ = write!(
            toml,
            "\n[[part]]\nname = \"{name}\"\nper_machine = {per_machine}\nunit_cost = {cost:?}\n\
             lead_time_days = {lead}\non_hand = {on_hand}\nplanned_change = {{ minutes = 20, cost = 25 }}\n\
             unplanned_stop = {{ hours = 1.5, cost_per_hour = 180 }}\n"
        );
    }
    for i in 0..machines {
        let _ = write!(
            toml,
            "\n[[machine]]\nname = \"{}\"\nnew_on = {FIRST}\n",
            machine(i)
        );
    }
    toml
}

fn machine(i: usize) -> String {
    format!("M-{:04}", i + 1)
}

/// A share of (0, 1).
fn share(random: &mut Xoshiro256PlusPlus) -> f64 {
    random.random::<f64>().clamp(1e-12, 1.0 - 1e-12)
}

/// Every part at every position, from new to the end of the records; about one in four comes out
/// unworn.
fn replacements(machines: usize) -> Result<String, jiff::Error> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(20_260_331);
    let days = FIRST.until(AS_OF)?.get_days();
    let end = f64::from(days) * HOURS_A_DAY;
    let mut csv = "date,machine,part,position,hours,reason\n".to_owned();
    for i in 0..machines {
        for (name, per_machine, shape, scale, ..) in PARTS {
            for position in 1..=per_machine {
                let mut hours = 0.0;
                loop {
                    let worn = scale * (-share(&mut random).ln()).powf(1.0 / shape);
                    let pulled = share(&mut random) < 0.25;
                    let life = if pulled {
                        worn * share(&mut random)
                    } else {
                        worn
                    };
                    hours += life.max(1.0);
                    if hours >= end {
                        break;
                    }
                    let day = FIRST.checked_add(((hours / HOURS_A_DAY) as i64).days())?;
                    let why = if pulled { "unworn" } else { "worn" };
                    let _ = writeln!(
                        csv,
                        "{day},{},{name},{position},{hours:.1},{why}",
                        machine(i)
                    );
                }
            }
        }
    }
    Ok(csv)
}

/// A reading on the first day of every quarter, and one on the last day of the records.
fn readings(machines: usize) -> Result<String, jiff::Error> {
    let mut csv = "date,machine,hours\n".to_owned();
    let mut days: Vec<Date> = Vec::new();
    let mut day = FIRST;
    while day < AS_OF {
        days.push(day);
        day = day.checked_add(3.months())?;
    }
    days.push(AS_OF);
    for i in 0..machines {
        for &day in &days {
            let hours = f64::from(FIRST.until(day)?.get_days()) * HOURS_A_DAY;
            let _ = writeln!(csv, "{day},{},{hours:.1}", machine(i));
        }
    }
    Ok(csv)
}

/// Three rounds through the fleet, a crew of machines at a time.
fn jobs(machines: usize) -> Result<String, jiff::Error> {
    let mut csv = "job,start,end,machine,hours\n".to_owned();
    for round in 0..3i32 {
        let start = AS_OF.checked_add((14 + 60 * round).days())?;
        for (i, crew) in (0i32..).zip((0..machines).collect::<Vec<_>>().chunks(CREW)) {
            let start = start.checked_add((i % 10).days())?;
            let end = start.checked_add(13.days())?;
            let names: Vec<String> = crew.iter().map(|&m| machine(m)).collect();
            let _ = writeln!(
                csv,
                "Round {} crew {},{start},{end},{},{}",
                round + 1,
                i + 1,
                names.join(";"),
                70 + 5 * (i % 7)
            );
        }
    }
    Ok(csv)
}

fn write(dir: &Path, machines: usize) -> Result<(), Failure> {
    std::fs::create_dir_all(dir)?;
    std::fs::write(dir.join("fleet.toml"), fleet_toml(machines))?;
    std::fs::write(dir.join("replacements.csv"), replacements(machines)?)?;
    std::fs::write(dir.join("readings.csv"), readings(machines)?)?;
    std::fs::write(dir.join("jobs.csv"), jobs(machines)?)?;
    Ok(())
}

fn main() -> Result<(), Failure> {
    let mut args = std::env::args().skip(1);
    let dir = args.next().map(PathBuf::from);
    let dir = dir.ok_or("say where: large_fleet DIR [MACHINES]")?;
    let machines = args.next().map_or(Ok(1000), |n| n.parse())?;
    write(&dir, machines)
}
