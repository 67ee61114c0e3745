//! How long it takes from an export to lives: writes large invented exports, clean or dirty, and
//! times the reading of them.
//!
//! `cargo run --release --example records_study -- make /tmp/five 5000000 clean` writes 5 million
//! rows and their settings; `… -- time /tmp/five` prints seconds, rows and lives. The rows stand in
//! no order. A dirty export has one damaged row in fifty: no reading, no date, an unmapped reason,
//! a misspelt part, the row twice.
//!
//! `… -- situations [500]` prints what becomes of rows and lives in the dirty exports of the tests: how
//! often each situation ends in "set aside", with which reason.

use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Instant;

use jiff::ToSpan;
use jiff::civil::{Date, date};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use wearcast::lives::{self, Lives};
use wearcast::records::{Fleet, LoadOptions};

#[path = "../tests/records/dirty.rs"]
mod dirty;
#[path = "records_study/situations.rs"]
mod situations;

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

type Failure = Box<dyn std::error::Error>;

const FIRST: Date = date(2012, 1, 1);
const POSITIONS: u64 = 10;
/// Changes of each position.
const CHANGES: u64 = 25;
/// Hours a machine runs in a day.
const HOURS_A_DAY: f64 = 14.0;
/// Rows to one damaged row of a dirty export.
const DAMAGED: u64 = 50;
const REASONS: [&str; 5] = ["worn", "broken", "planned", "hose size", "moved"];

/// One change: machine, position, tenths of an hour on the meter.
type Change = (u32, u8, u32);

/// Writes a folder with an export of about so many rows.
pub(crate) fn write(dir: &Path, rows: u64, is_dirty: bool) -> Result<(), Failure> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(20);
    let machines = rows.div_ceil(POSITIONS * CHANGES);
    let mut changes: Vec<Change> = Vec::with_capacity(rows as usize);
    for machine in 0..machines {
        for position in 0..POSITIONS {
            let mut meter = 0;
            for _ in 0..CHANGES {
                // Weibull lives of shape 2.3 and scale 1,500 hours.
                let share: f64 = random.random();
                meter += (15_000.0 * (-f64::ln(1.0 - share)).powf(1.0 / 2.3)) as u32 + 10;
                changes.push((machine as u32, position as u8, meter));
            }
        }
    }
    for at in (1..changes.len()).rev() {
        changes.swap(at, random.random_range(0..=at));
    }
    std::fs::create_dir_all(dir)?;
    let mut out = BufWriter::new(std::fs::File::create(dir.join("events.csv"))?);
    writeln!(
        out,
        "work_order,unit,position,part_no,date,hour_meter,reason,qty"
    )?;
    for (order, &(machine, position, meter)) in changes.iter().enumerate() {
        let hours = f64::from(meter) / 10.0;
        // Machines began on different days.
        let days = i64::from(machine % 2000) + (hours / HOURS_A_DAY) as i64;
        let mut day = FIRST.checked_add(days.days())?.to_string();
        let mut hours = hours.to_string();
        let mut part = "roller".to_owned();
        let mut reason = REASONS[random.random_range(0..REASONS.len())].to_owned();
        let mut times = 1;
        if is_dirty && random.random_range(0..DAMAGED) == 0 {
            match random.random_range(0..5) {
                0 => hours.clear(),
                1 => "last week".clone_into(&mut day),
                2 => reason = format!("see sheet {}", order % 500),
                3 => part = format!("roler {}", order % 50),
                _ => times = 2,
            }
        }
        for _ in 0..times {
            writeln!(
                out,
                "WO-{order:09},UNIT-{machine:06},POS-{position:02},{part},{day},{hours},{reason},1"
            )?;
        }
    }
    out.flush()?;
    let positions: Vec<String> = (0..POSITIONS).map(|p| format!("\"POS-{p:02}\"")).collect();
    std::fs::write(
        dir.join("fleet.toml"),
        format!(
            "[fleet]\nname = \"Large export (invented)\"\n[[records]]\nfile = \"events.csv\"\n[records.columns]\npart = \"part_no\"\n\
             [records.reasons]\nworn = [\"worn\", \"broken\"]\nunworn = [\"planned\", \"hose size\", \"moved\"]\n\
             [[part]]\nname = \"roller\"\nper_machine = {POSITIONS}\npositions = [{}]\n",
            positions.join(", ")
        ),
    )?;
    Ok(())
}

/// The records of a folder, and their lives.
pub(crate) fn read(dir: &Path) -> Result<(Fleet, Lives), Failure> {
    let fleet = Fleet::load(dir, &LoadOptions::default())?;
    let lives = lives::build(&fleet);
    Ok((fleet, lives))
}

fn main() -> Result<(), Failure> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match args[..] {
        ["make", dir, rows, kind @ ("clean" | "dirty")] => {
            write(Path::new(dir), rows.parse()?, kind == "dirty")
        }
        ["time", dir] => {
            let start = Instant::now();
            let (_fleet, lives) = read(Path::new(dir))?;
            let seconds = start.elapsed().as_secs_f64();
            writeln!(
                std::io::stdout(),
                "{} rows, {} used, {} lives in {seconds:.2} s",
                lives.rows.rows_in,
                lives.rows.used,
                lives.lives.len()
            )?;
            Ok(())
        }
        ["situations", ref exports @ ..] => {
            let exports = exports.first().map_or(Ok(dirty::EXPORTS), |n| n.parse())?;
            write!(std::io::stdout(), "{}", situations::tables(exports)?)?;
            Ok(())
        }
        _ => Err("make DIR ROWS clean|dirty, time DIR, or situations [EXPORTS]".into()),
    }
}
