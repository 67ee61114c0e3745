//! Writes `datasets/valve_seats/fleet`: published replacement records as a fleet folder.
//!
//! `cargo run --example valve_seat_fleet` writes it in place; a directory as argument writes it there.
//!
//! The ages at replacement and at the end of observation are the published ones
//! (`datasets/valve_seats/data.csv`). Calendar dates, schedule, prices and stock are invented and
//! marked so in every file that holds them.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use jiff::ToSpan;
use jiff::civil::{Date, date};

const PUBLISHED: &str = include_str!("../datasets/valve_seats/data.csv");

/// Invented: the day on which all 41 engines are taken to have been looked at last.
const AS_OF: Date = date(2026, 1, 31);

/// Invented schedule: job, first and last day, engines by their place in the list, days of running.
const JOBS: [(&str, Date, Date, std::ops::Range<usize>, u32); 8] = [
    (
        "first half, spring",
        date(2026, 2, 2),
        date(2026, 4, 30),
        0..20,
        80,
    ),
    (
        "second half, spring",
        date(2026, 2, 9),
        date(2026, 5, 7),
        20..41,
        80,
    ),
    (
        "first half, summer",
        date(2026, 5, 11),
        date(2026, 8, 7),
        0..20,
        85,
    ),
    (
        "second half, summer",
        date(2026, 5, 18),
        date(2026, 8, 14),
        20..41,
        85,
    ),
    (
        "first half, autumn",
        date(2026, 8, 17),
        date(2026, 11, 6),
        0..20,
        75,
    ),
    (
        "second half, autumn",
        date(2026, 8, 24),
        date(2026, 11, 13),
        20..41,
        75,
    ),
    (
        "first half, winter",
        date(2026, 11, 16),
        date(2027, 1, 29),
        0..20,
        70,
    ),
    (
        "second half, winter",
        date(2026, 11, 23),
        date(2027, 2, 5),
        20..41,
        70,
    ),
];

/// One line of the published data.
struct Event {
    engine: &'static str,
    /// Age of the engine, days.
    days: i64,
    replaced: bool,
}

fn published() -> Vec<Event> {
    PUBLISHED
        .lines()
        .skip(1)
        .filter_map(|line| {
            let mut cells = line.split(',');
            let engine = cells.next()?;
            let days: f64 = cells.next()?.parse().ok()?;
            let replaced = cells.next()? == "replacement";
            Some(Event {
                engine,
                days: days as i64,
                replaced,
            })
        })
        .collect()
}

/// Every file of the folder, by name.
pub(crate) fn files() -> BTreeMap<&'static str, String> {
    let events = published();
    let ends: Vec<(&str, i64)> = events
        .iter()
        .filter(|e| !e.replaced)
        .map(|e| (e.engine, e.days))
        .collect();
    let end_of: BTreeMap<&str, i64> = ends.iter().copied().collect();

    let mut replacements = "date,machine,part,hours,reason\n".to_owned();
    for event in events.iter().filter(|e| e.replaced) {
        let day = AS_OF - (end_of[event.engine] - event.days).days();
        let _ = writeln!(
            replacements,
            "{day},engine {},valve seat,{},replaced",
            event.engine, event.days
        );
    }

    let mut readings = "date,machine,hours\n".to_owned();
    let mut fleet = FLEET.to_owned();
    for (engine, end) in &ends {
        let new_on = AS_OF - end.days();
        let _ = writeln!(readings, "{new_on},engine {engine},0");
        let _ = writeln!(readings, "{AS_OF},engine {engine},{end}");
        let _ = write!(
            fleet,
            "\n[[machine]]\nname = \"engine {engine}\"\nnew_on = {new_on}  # invented date\n"
        );
    }

    let mut jobs = "job,start,end,machine,hours\n".to_owned();
    for (name, start, end, engines, days) in JOBS {
        let names: Vec<String> = ends[engines]
            .iter()
            .map(|(engine, _)| format!("engine {engine}"))
            .collect();
        let _ = writeln!(
            jobs,
            "\"{name} (invented)\",{start},{end},{},{days}",
            names.join(";")
        );
    }

    BTreeMap::from([
        ("README.md", README.to_owned()),
        ("fleet.toml", fleet),
        ("invented_jobs.csv", jobs),
        ("readings.csv", readings),
        ("replacements.csv", replacements),
    ])
}

const README: &str = "\
# Published replacement records as a fleet

Replacements of valve seats in 41 diesel engines (Nelson & Doganaksoy 1989; see `../source.md`),
written as a fleet folder by `cargo run --example valve_seat_fleet`.

**Published:** which engine, its age in days at each replacement, its age when observation ended.

**Invented, so that there is something to plan:** every calendar date (each engine is given the
installation date that puts the end of its observation on 2026-01-31), the schedule, the price, the
lead time and the stock. No order that comes out of this folder means anything for a real fleet.

**The meter counts days.** The published axis is the age of the engine in days, so one meter unit
here is one day; wherever the program prints hours for this folder, read days.

**One position an engine.** An engine has many valve seats and the records do not tell which of them
was replaced. Each engine is taken as one position, and a life is the time from one replacement in an
engine to the next, whichever seat it was. So the lives are shorter than those of one seat, their
shape is drawn towards 1, and the demand counts visits to an engine. The reason of a replacement is not
told either; all are taken as worn.

**Two rows merge.** Engines 328 and 402 had two seats replaced on one day. The two rows read alike,
so they count as one replacement: 46 of the 48 stay.
";

const FLEET: &str = r#"# Published records with invented dates, stock and schedule; see README.md beside it.
# Written by `cargo run --example valve_seat_fleet`.

[fleet]
name = "Valve seats of 41 diesel engines (published ages; dates, stock and schedule invented; hours are days)"
as_of = 2026-01-31            # invented
currency = "USD"

[[records]]
file = "replacements.csv"
[records.reasons]
worn = ["replaced"]           # the source tells no reason; taken as worn

[[readings]]
file = "readings.csv"

[[jobs]]
file = "invented_jobs.csv"

[[part]]
name = "valve seat"
per_machine = 1               # one position an engine: README.md says what that means
changed = "singly"
unit_cost = 40.0              # invented, like everything below
pack = 5
lead_time_days = 30
on_hand = 10
on_order = [{ quantity = 5, due = 2026-03-15 }]
planned_change = { minutes = 240, cost = 0 }
unplanned_stop = { hours = 8, cost_per_hour = 150 }

[stock]
service_level = 0.95
review_days = 30
"#;

fn main() -> std::io::Result<()> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets/valve_seats/fleet");
    let folder = std::env::args_os().nth(1).map_or(here, PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    for (name, text) in files() {
        std::fs::write(folder.join(name), text)?;
    }
    Ok(())
}
