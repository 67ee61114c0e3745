//! Writes the invented example fleet `examples/evaporator-crew`, the same bytes on every run.
//!
//! `cargo run --example evaporator_crew` writes it in place; a directory as argument writes it there.
//!
//! Everything in it is made up: crew, mills, machines, prices, lives. Lives are drawn from the
//! Weibull laws in [`KINDS`], so whoever reads the example knows what the program should find.
//! A machine ages its parts only while it runs on a job.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use jiff::civil::{Date, date};
use jiff::{Span, ToSpan};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// Any other seed gives another crew's luck.
const SEED: u64 = 20_260_331;

/// The true law of one kind of part.
struct Kind {
    name: &'static str,
    shape: f64,
    scale: f64,
    /// Positions on one machine, as the log names them.
    positions: &'static [&'static str],
    worn_reasons: &'static [&'static str],
}

const BELT: usize = 0;
const ROLLER: usize = 1;
const RING: usize = 2;
const GUIDE: usize = 3;
const COLLET: usize = 4;

const KINDS: [Kind; 5] = [
    Kind {
        name: "drive belt",
        shape: 2.5,
        scale: 340.0,
        positions: &["1"],
        worn_reasons: &["worn, frayed edges", "worn, snapped", "worn, teeth gone"],
    },
    Kind {
        name: "drive roller",
        shape: 3.0,
        scale: 560.0,
        positions: &["1", "2", "3"],
        worn_reasons: &["worn, slipping", "worn, grooved"],
    },
    Kind {
        name: "wear ring",
        shape: 1.8,
        scale: 620.0,
        positions: &["front", "rear"],
        worn_reasons: &["worn through", "worn, leaking"],
    },
    Kind {
        name: "guide block",
        shape: 3.0,
        scale: 1500.0,
        positions: &["left", "middle", "right"],
        worn_reasons: &["worn, hose rubbing"],
    },
    Kind {
        name: "hose-stop collet",
        shape: 3.0,
        scale: 5000.0,
        positions: &["1"],
        worn_reasons: &["worn, hose creeps"],
    },
];

/// Deflection aimed for, inches under 5 lbf (common practice).
const TARGET_DEFLECTION: f64 = 0.25;
/// A belt set to deflection d lives `exp(−3·ln²(d / 0.25))` times as long as one on target.
const TENSION_PENALTY: f64 = 3.0;

/// Machine, when it came new (the crew bought the others used, ages of their parts unknown), crew,
/// and the deflection its people tend to set.
const MACHINES: [(&str, Option<Date>, char, f64); 8] = [
    ("EV-1", None, 'A', 0.25),
    ("EV-2", None, 'A', 0.34),
    ("EV-3", Some(date(2024, 4, 2)), 'A', 0.25),
    ("EV-4", Some(date(2024, 4, 2)), 'A', 0.24),
    ("EV-5", Some(date(2024, 4, 8)), 'B', 0.25),
    ("EV-6", Some(date(2024, 4, 8)), 'B', 0.26),
    ("EV-7", Some(date(2024, 4, 8)), 'B', 0.18),
    ("EV-8", Some(date(2025, 4, 7)), 'B', 0.25),
];

/// The hour meter of this machine was swapped for a new one between the seasons.
const METER_SWAP: (&str, Date) = ("EV-5", date(2025, 3, 12));

/// When the yard last read every meter.
const YARD_READING: Date = date(2026, 3, 30);

/// Mill, first day, days, crew, hours asked of each machine, hose size in inches.
type PastJob = (&'static str, Date, i32, char, f64, &'static str);

const PAST: [PastJob; 20] = [
    ("Heron Flats", date(2024, 4, 2), 11, 'A', 84.0, "1/2"),
    ("Tidegate", date(2024, 4, 8), 12, 'B', 96.0, "1/2"),
    ("Cane Point", date(2024, 4, 29), 14, 'A', 104.0, "1/2"),
    ("Brackwater", date(2024, 5, 6), 10, 'B', 72.0, "1/2"),
    ("Low Meadow", date(2024, 6, 3), 13, 'A', 98.0, "3/4"),
    ("Gull Island", date(2024, 6, 10), 14, 'B', 110.0, "1/2"),
    ("Saltmarsh", date(2024, 7, 8), 15, 'A', 116.0, "3/4"),
    ("Windmill Reach", date(2024, 7, 15), 11, 'B', 82.0, "3/4"),
    ("Old Weir", date(2024, 8, 19), 10, 'A', 70.0, "1/2"),
    ("Far Levee", date(2024, 8, 26), 12, 'B', 92.0, "3/4"),
    ("Heron Flats", date(2025, 4, 1), 11, 'A', 86.0, "1/2"),
    ("Tidegate", date(2025, 4, 7), 12, 'B', 94.0, "1/2"),
    ("Cane Point", date(2025, 5, 5), 14, 'A', 108.0, "1/2"),
    ("Brackwater", date(2025, 5, 12), 10, 'B', 76.0, "1/2"),
    ("Low Meadow", date(2025, 6, 9), 13, 'A', 96.0, "3/4"),
    ("Gull Island", date(2025, 6, 16), 14, 'B', 112.0, "1/2"),
    ("Saltmarsh", date(2025, 7, 14), 15, 'A', 120.0, "3/4"),
    ("Windmill Reach", date(2025, 7, 21), 11, 'B', 80.0, "3/4"),
    ("Old Weir", date(2025, 8, 25), 10, 'A', 74.0, "1/2"),
    ("Far Levee", date(2025, 9, 1), 12, 'B', 90.0, "3/4"),
];

/// Job, first and last day, machines, hours asked of each, hose size in inches.
type FutureJob = (&'static str, Date, Date, &'static str, f64, &'static str);

const FUTURE: [FutureJob; 10] = [
    (
        "Heron Flats 2026",
        date(2026, 4, 13),
        date(2026, 4, 24),
        "EV-1;EV-2;EV-3;EV-4",
        85.0,
        "1/2",
    ),
    (
        "Tidegate 2026",
        date(2026, 4, 20),
        date(2026, 5, 2),
        "EV-5;EV-6;EV-7;EV-8",
        95.0,
        "1/2",
    ),
    (
        "Cane Point 2026",
        date(2026, 5, 11),
        date(2026, 5, 25),
        "EV-1;EV-3;EV-4",
        110.0,
        "1/2",
    ),
    (
        "Brackwater 2026",
        date(2026, 5, 18),
        date(2026, 5, 28),
        "EV-5;EV-6;EV-8",
        75.0,
        "1/2",
    ),
    (
        "Low Meadow 2026",
        date(2026, 6, 15),
        date(2026, 6, 28),
        "EV-1;EV-2;EV-3;EV-4",
        100.0,
        "3/4",
    ),
    (
        "Gull Island 2026",
        date(2026, 6, 22),
        date(2026, 7, 6),
        "EV-5;EV-6;EV-7;EV-8",
        110.0,
        "1/2",
    ),
    (
        "Saltmarsh 2026",
        date(2026, 7, 20),
        date(2026, 8, 4),
        "EV-1;EV-2;EV-3;EV-4",
        120.0,
        "3/4",
    ),
    (
        "Windmill Reach 2026",
        date(2026, 7, 27),
        date(2026, 8, 7),
        "EV-6;EV-7;EV-8",
        80.0,
        "3/4",
    ),
    (
        "Old Weir 2026",
        date(2026, 8, 24),
        date(2026, 9, 3),
        "EV-1;EV-4",
        70.0,
        "1/2",
    ),
    (
        "Far Levee 2026",
        date(2026, 8, 31),
        date(2026, 9, 12),
        "EV-5;EV-7;EV-8",
        90.0,
        "3/4",
    ),
];

/// A part in a machine, with what nobody there knows: its life.
#[derive(Clone, Copy)]
struct PartIn {
    age: f64,
    life: f64,
    /// Deflection it was set to (belts).
    deflection: f64,
}

struct Machine {
    name: &'static str,
    crew: char,
    habit: f64,
    meter: f64,
    hose: &'static str,
    parts: Vec<Vec<PartIn>>,
}

/// One line of the replacement log.
#[derive(Clone)]
struct LogRow {
    day: Date,
    machine: &'static str,
    part: &'static str,
    position: &'static str,
    meter: f64,
    why: String,
    quantity: u32,
    worn: Option<u32>,
    job: &'static str,
}

#[derive(Default)]
struct Books {
    log: Vec<LogRow>,
    readings: Vec<(Date, &'static str, f64)>,
    tension: Vec<(Date, &'static str, f64)>,
}

struct Luck(Xoshiro256PlusPlus);

impl Luck {
    /// Uniform in (0, 1).
    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Sum of twelve uniforms: near enough normal for a reading.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }

    /// Weibull by inversion; libm, so that every platform writes the same bytes.
    fn weibull(&mut self, shape: f64, scale: f64) -> f64 {
        scale * libm::pow(-libm::log(self.uniform()), 1.0 / shape)
    }

    fn pick<'a>(&mut self, from: &[&'a str]) -> &'a str {
        from[(self.uniform() * from.len() as f64) as usize]
    }

    fn new_part(&mut self, kind: usize, habit: f64) -> PartIn {
        let law = &KINDS[kind];
        let mut life = self.weibull(law.shape, law.scale);
        let mut deflection = TARGET_DEFLECTION;
        if kind == BELT {
            deflection = hundredths(habit * libm::exp(0.10 * self.normal()));
            let x = libm::log(deflection / TARGET_DEFLECTION);
            life *= libm::exp(-TENSION_PENALTY * x * x);
        }
        PartIn {
            age: 0.0,
            life,
            deflection,
        }
    }
}

fn tenths(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

fn hundredths(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

fn days(n: i32) -> Span {
    n.days()
}

/// Every file of the folder, by name.
pub(crate) fn files() -> BTreeMap<&'static str, String> {
    with_seed(SEED)
}

/// The same crew with other luck.
pub(crate) fn with_seed(seed: u64) -> BTreeMap<&'static str, String> {
    let books = two_seasons(seed);
    BTreeMap::from([
        ("README.md", readme()),
        (
            "fleet.toml",
            FLEET.replace("{old}", &last_of_the_old_meter(&books)),
        ),
        ("jobs.csv", jobs_csv()),
        ("meter_readings.csv", readings_csv(&books)),
        ("replacements.csv", log_csv(&books)),
        ("tension_checks.csv", tension_csv(&books)),
    ])
}

/// True shape and scale of a part, for those who check what the program finds.
#[allow(dead_code, reason = "for the tests that include this file")]
pub(crate) fn law(part: &str) -> (f64, f64) {
    let found = KINDS.iter().find(|kind| kind.name == part);
    found.map_or((f64::NAN, f64::NAN), |kind| (kind.shape, kind.scale))
}

fn two_seasons(seed: u64) -> Books {
    let mut luck = Luck(Xoshiro256PlusPlus::seed_from_u64(seed));
    let mut books = Books::default();
    let mut machines = Vec::new();
    for (name, new_on, crew, habit) in MACHINES {
        let parts = KINDS
            .iter()
            .enumerate()
            .map(|(kind, law)| {
                law.positions
                    .iter()
                    .map(|_| {
                        let mut part = luck.new_part(kind, habit);
                        if new_on.is_none() {
                            part.age = 0.5 * luck.uniform() * part.life;
                        }
                        part
                    })
                    .collect()
            })
            .collect();
        let meter = if new_on.is_some() {
            0.0
        } else {
            tenths(400.0 + 900.0 * luck.uniform())
        };
        machines.push((
            new_on,
            Machine {
                name,
                crew,
                habit,
                meter,
                hose: "1/2",
                parts,
            },
        ));
    }
    for job in &PAST {
        if job.1 > METER_SWAP.1
            && !books.readings.iter().any(|r| r.0 == METER_SWAP.1)
            && let Some((_, m)) = machines.iter_mut().find(|(_, m)| m.name == METER_SWAP.0)
        {
            books.readings.push((METER_SWAP.1, m.name, tenths(m.meter)));
            m.meter = 0.0;
        }
        for (new_on, machine) in &mut machines {
            if machine.crew == job.3 && new_on.is_none_or(|day| day <= job.1) {
                work(machine, job, *new_on == Some(job.1), &mut luck, &mut books);
            }
        }
    }
    // The yard reads every meter before the third season; nothing ran over the winter.
    for (_, machine) in &machines {
        books
            .readings
            .push((YARD_READING, machine.name, tenths(machine.meter)));
    }
    soil(&mut books);
    books
        .log
        .sort_by(|a, b| (a.day, a.machine, a.part).cmp(&(b.day, b.machine, b.part)));
    books.readings.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)));
    books.tension.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)));
    books
}

/// One machine on one job: changes before it, wear during it, readings at both ends.
fn work(m: &mut Machine, job: &PastJob, first_day: bool, luck: &mut Luck, books: &mut Books) {
    let (mill, start, length, _, asked, hose) = *job;
    books.readings.push((start, m.name, tenths(m.meter)));
    if !first_day {
        before_the_job(m, job, luck, books);
    }
    m.hose = hose;
    let belt = m.parts[BELT][0];
    let seen = hundredths(belt.deflection + 0.006 * luck.normal());
    books.tension.push((start, m.name, seen));

    let hours = asked * (0.92 + 0.16 * luck.uniform());
    let mut done = 0.0;
    loop {
        // The next part to wear out, if one does before the job is over.
        let mut next = (hours - done, None);
        for (kind, row) in m.parts.iter().enumerate() {
            for (position, part) in row.iter().enumerate() {
                if part.life - part.age < next.0 {
                    next = (part.life - part.age, Some((kind, position)));
                }
            }
        }
        let (step, what) = next;
        for part in m.parts.iter_mut().flatten() {
            part.age += step;
        }
        m.meter += step;
        done += step;
        let Some((kind, position)) = what else { break };
        let day = start + days((done / hours * f64::from(length)) as i32);
        let why = luck.pick(KINDS[kind].worn_reasons);
        // Rollers come as a set: one gone, all three are changed.
        let (name, worn) = if kind == ROLLER {
            ("", Some(1))
        } else {
            (KINDS[kind].positions[position], None)
        };
        replace(m, kind, position, day, why, name, worn, mill, luck, books);
        // With the head open, a ring that has run a while is changed along with its neighbour.
        if kind == RING && luck.uniform() < 0.35 {
            let other = 1 - position;
            if m.parts[RING][other].age > 250.0 {
                let name = KINDS[RING].positions[other];
                replace(
                    m,
                    RING,
                    other,
                    day,
                    "unworn, changed while open",
                    name,
                    None,
                    mill,
                    luck,
                    books,
                );
            }
        }
    }
    books
        .readings
        .push((start + days(length), m.name, tenths(m.meter)));
}

/// Changes in the yard: another hose size takes other rollers and another collet; some belts go early.
fn before_the_job(m: &mut Machine, job: &PastJob, luck: &mut Luck, books: &mut Books) {
    let (mill, start, _, _, _, hose) = *job;
    if hose != m.hose {
        let why = "unworn, hose size change";
        replace(m, ROLLER, 0, start, why, "", Some(0), mill, luck, books);
        if luck.uniform() < 0.5 {
            replace(m, COLLET, 0, start, why, "1", None, mill, luck, books);
        }
    }
    if m.parts[BELT][0].age > 120.0 && luck.uniform() < 0.15 {
        replace(
            m,
            BELT,
            0,
            start,
            "unworn, changed before the job",
            "1",
            None,
            mill,
            luck,
            books,
        );
    }
    if m.parts[GUIDE][1].age > 400.0 && luck.uniform() < 0.08 {
        replace(
            m,
            GUIDE,
            1,
            start,
            "unworn, moved to the training rig",
            "middle",
            None,
            mill,
            luck,
            books,
        );
    }
}

/// Writes the log row and fits the new part; for rollers the whole set.
#[expect(
    clippy::too_many_arguments,
    reason = "they are the columns of the log row"
)]
fn replace(
    m: &mut Machine,
    kind: usize,
    position: usize,
    day: Date,
    why: &str,
    shown: &'static str,
    worn: Option<u32>,
    job: &'static str,
    luck: &mut Luck,
    books: &mut Books,
) {
    let quantity = if kind == ROLLER {
        KINDS[ROLLER].positions.len() as u32
    } else {
        1
    };
    books.log.push(LogRow {
        day,
        machine: m.name,
        part: KINDS[kind].name,
        position: shown,
        meter: tenths(m.meter),
        why: why.to_owned(),
        quantity,
        worn,
        job,
    });
    if kind == ROLLER {
        for slot in &mut m.parts[ROLLER] {
            *slot = luck.new_part(ROLLER, m.habit);
        }
    } else {
        m.parts[kind][position] = luck.new_part(kind, m.habit);
    }
    if kind == BELT {
        books
            .tension
            .push((day, m.name, m.parts[BELT][0].deflection));
    }
}

/// What real logs have and a tidy generator does not.
fn soil(books: &mut Books) {
    let nth = |books: &Books, part: usize, n: usize| {
        let rows = books.log.iter().enumerate();
        rows.filter(|(_, r)| r.part == KINDS[part].name && r.why.starts_with("worn"))
            .nth(n)
            .map(|(i, _)| i)
    };
    if let Some(i) = nth(books, BELT, 6) {
        "see day sheet".clone_into(&mut books.log[i].why);
    }
    if let Some(i) = nth(books, RING, 9) {
        books.log[i].meter = f64::NAN;
    }
    if let Some(i) = nth(books, RING, 4) {
        let again = books.log[i].clone();
        books.log.push(again);
    }
}

fn last_of_the_old_meter(books: &Books) -> String {
    let swap = |r: &&(Date, &str, f64)| (r.0, r.1) == (METER_SWAP.1, METER_SWAP.0);
    let reading = books.readings.iter().find(swap).map_or(0.0, |r| r.2);
    format!("{reading:.1}")
}

fn log_csv(books: &Books) -> String {
    let mut out = "Date,Unit,Item,Pos,Meter,Why,Qty,Qty worn,Mill\n".to_owned();
    for r in &books.log {
        let meter = if r.meter.is_nan() {
            String::new()
        } else {
            format!("{:.1}", r.meter)
        };
        let worn = r.worn.map_or(String::new(), |n| n.to_string());
        let _ = writeln!(
            out,
            "{},{},{},{},{meter},\"{}\",{},{worn},{}",
            r.day, r.machine, r.part, r.position, r.why, r.quantity, r.job
        );
    }
    out
}

fn readings_csv(books: &Books) -> String {
    let mut out = "date,machine,hours\n".to_owned();
    for (day, machine, hours) in &books.readings {
        let _ = writeln!(out, "{day},{machine},{hours:.1}");
    }
    out
}

fn tension_csv(books: &Books) -> String {
    let mut out = "date,machine,deflection,force\n".to_owned();
    for (day, machine, deflection) in &books.tension {
        let _ = writeln!(out, "{day},{machine},{deflection:.2},5");
    }
    out
}

fn jobs_csv() -> String {
    let mut out = "job,start,end,machine,hours,hose_size\n".to_owned();
    for (job, start, end, machines, hours, hose) in &FUTURE {
        let _ = writeln!(out, "{job},{start},{end},{machines},{hours},{hose}");
    }
    out
}

fn readme() -> String {
    let mut out = README.to_owned();
    for law in &KINDS {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} |",
            law.name,
            law.positions.len(),
            law.shape,
            law.scale
        );
    }
    out.push_str(README_END);
    out
}

const README: &str = "\
# An invented crew

Nothing here is real: the crew, the mills, the machines, the prices and every date are made up, and
the records are drawn at random by `cargo run --example evaporator_crew` (the same bytes each time).
No number in this folder says anything about any machine on sale.

The crew cleans evaporator tubes at sugar mills while the mills stand still, April to September.
Eight hose-driving machines, two seasons behind them, ten jobs booked for the third. How many of
each part a machine carries is common practice; the lives are drawn from these Weibull laws:

| part | on a machine | shape | scale, hours |
|---|---|---|---|
";

const README_END: &str = "
A belt set to a deflection d (inches under 5 lbf) instead of 0.25 lives exp(-3 ln(d / 0.25)^2) times
as long; EV-2 tends to run slack and EV-7 tight. A set of three rollers is changed when the first of
them is worn.

Things to look for:

- Belts wear out several times a season: the records say enough, and the stated belief hardly matters.
- Few guide blocks have worn out yet, so their interval is wide.
- No collet has worn out: its forecast rests on the stated belief alone.
- EV-1 and EV-2 were bought used: the first life at each of their positions is left out.
- One reason maps to nothing, one row stands twice, one meter reading is missing, and the meter of
  EV-5 was swapped: `wearcast check examples/evaporator-crew` names the rows.
";

const FLEET: &str = r#"# Invented data, written by `cargo run --example evaporator_crew`; see README.md beside it.

[fleet]
name = "Evaporator crew (invented)"
as_of = 2026-03-31            # the records are complete up to this day
currency = "USD"

[[records]]
file = "replacements.csv"
[records.columns]             # ours = theirs
date = "Date"
machine = "Unit"
part = "Item"
position = "Pos"
hours = "Meter"
reason = "Why"
quantity = "Qty"
worn_count = "Qty worn"
[records.reasons]
worn = ["worn*"]
unworn = ["unworn*"]

[[readings]]
file = "meter_readings.csv"
[[readings.resets]]           # this machine got a new hour meter
machine = "EV-5"
date = 2025-03-12
old_reading = {old}
new_reading = 0.0

[[tension]]
file = "tension_checks.csv"
unit = "in"

[[jobs]]
file = "jobs.csv"

[practice]                    # common practice: deflection under 5 lbf
target = 0.25
band = [0.20, 0.30]
unit = "in"

# Machines that came new, every part with them. EV-1 and EV-2 were bought used.
[[machine]]
name = "EV-3"
new_on = 2024-04-02
[[machine]]
name = "EV-4"
new_on = 2024-04-02
[[machine]]
name = "EV-5"
new_on = 2024-04-08
[[machine]]
name = "EV-6"
new_on = 2024-04-08
[[machine]]
name = "EV-7"
new_on = 2024-04-08
[[machine]]
name = "EV-8"
new_on = 2025-04-07

[[part]]
name = "drive belt"
per_machine = 1
changed = "singly"
unit_cost = 86.0
pack = 1
lead_time_days = [14, 35]     # 5-95 % range
on_hand = 4
on_order = [{ quantity = 2, due = 2026-04-20 }]
believed_life = [150, 900]    # "a few hundred hours"
planned_change = { minutes = 20, cost = 25 }
unplanned_stop = { hours = 1.5, cost_per_hour = 180 }

[[part]]
name = "drive roller"
per_machine = 3
changed = "as a set"
unit_cost = 64.0
pack = 3
lead_time_days = 42
on_hand = 9
planned_change = { minutes = 45, cost = 60 }
unplanned_stop = { hours = 2, cost_per_hour = 180 }

[[part]]
name = "wear ring"
per_machine = 2
positions = ["front", "rear"]
changed = "singly"
unit_cost = 31.0
pack = 2
lead_time_days = 10
on_hand = 4
planned_change = { minutes = 30, cost = 40 }
unplanned_stop = { hours = 1, cost_per_hour = 180 }

[[part]]
name = "guide block"
per_machine = 3
positions = ["left", "middle", "right"]
changed = "singly"
unit_cost = 48.0
pack = 1
lead_time_days = 28
on_hand = 2
planned_change = { minutes = 40, cost = 50 }
unplanned_stop = { hours = 1, cost_per_hour = 180 }

[[part]]
name = "hose-stop collet"
per_machine = 1
changed = "singly"
unit_cost = 120.0
pack = 1
lead_time_days = [35, 70]
on_hand = 0
believed_life = [700, 6000]   # no collet has worn out here yet
belief_worth = 1              # as much as one worn part
planned_change = { minutes = 15, cost = 20 }
unplanned_stop = { hours = 1, cost_per_hour = 180 }

[stock]
service_level = 0.95
review_days = 7
"#;

fn main() -> std::io::Result<()> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/evaporator-crew");
    let folder = std::env::args_os().nth(1).map_or(here, PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    for (name, text) in files() {
        std::fs::write(folder.join(name), text)?;
    }
    Ok(())
}
