//! Fleets with a known truth, written as an export and dirtied in every way, seed by seed; shared by
//! the tests and the study that counts what becomes of rows and lives.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use wearcast::lives::{Life, Outcome};

/// Dirty exports there are; each with its own seed.
pub(crate) const EXPORTS: u64 = 500;

/// One change as it happened.
#[derive(Debug, Clone)]
pub(crate) struct Change {
    pub(crate) date: Date,
    pub(crate) machine: String,
    pub(crate) part: &'static str,
    pub(crate) position: &'static str,
    pub(crate) hours: f64,
    pub(crate) worn: bool,
}

/// One life as it was: in at `start`, out (or last seen) at `end`, meter hours.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct True {
    pub(crate) machine: String,
    pub(crate) part: &'static str,
    pub(crate) position: &'static str,
    pub(crate) outcome: Outcome,
    pub(crate) hours: f64,
    pub(crate) ended: Date,
}

pub(crate) struct Truth {
    pub(crate) changes: Vec<Change>,
    pub(crate) lives: Vec<True>,
    pub(crate) last: Vec<(String, Date, f64)>,
}

const PLACES: [(&str, &str); 3] = [("belt", ""), ("ring", "front"), ("ring", "rear")];
const FIRST: Date = date(2024, 1, 3);

/// Machines run a steady number of hours a day, so a reading tells the day and no two days share one.
fn truth(random: &mut Xoshiro256PlusPlus) -> Truth {
    let mut truth = Truth {
        changes: Vec::new(),
        lives: Vec::new(),
        last: Vec::new(),
    };
    let machines = random.random_range(1..4);
    for machine in 1..=machines {
        let name = format!("EV-{machine}");
        let rate = f64::from(random.random_range(8..80)) / 4.0;
        let begins = f64::from(random.random_range(0..4000));
        let at = |day: i32| begins + rate * f64::from(day);
        let days = 600;
        let on = |day: i32| FIRST.saturating_add(day.days());
        for (part, position) in PLACES {
            let mut day = random.random_range(1..60);
            let mut started: Option<i32> = None;
            while day < days {
                let worn = random.random_range(0..10) < 6;
                truth.changes.push(Change {
                    date: on(day),
                    machine: name.clone(),
                    part,
                    position,
                    hours: at(day),
                    worn,
                });
                if let Some(start) = started {
                    truth.lives.push(True {
                        machine: name.clone(),
                        part,
                        position,
                        outcome: if worn { Outcome::Worn } else { Outcome::Unworn },
                        hours: at(day) - at(start),
                        ended: on(day),
                    });
                }
                started = Some(day);
                day += random.random_range(15..150);
            }
            if let Some(start) = started {
                truth.lives.push(True {
                    machine: name.clone(),
                    part,
                    position,
                    outcome: Outcome::Running,
                    hours: at(days) - at(start),
                    ended: on(days),
                });
            }
        }
        truth.last.push((name, on(days), at(days)));
    }
    truth
}

/// What was done to an export.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Dirt {
    Nothing,
    Twice,
    NoDate,
    WrongHours,
    NoHours,
    NoPosition,
    NoMachine,
    Misspelled,
    OddMachine,
    Unmapped,
    MeterSlip,
    MeterReset,
    TwiceDifferently,
    LateDate,
}

pub(crate) const DIRT: [Dirt; 14] = [
    Dirt::Nothing,
    Dirt::Twice,
    Dirt::NoDate,
    Dirt::WrongHours,
    Dirt::NoHours,
    Dirt::NoPosition,
    Dirt::NoMachine,
    Dirt::Misspelled,
    Dirt::OddMachine,
    Dirt::Unmapped,
    Dirt::MeterSlip,
    Dirt::MeterReset,
    Dirt::TwiceDifferently,
    Dirt::LateDate,
];

/// A row of the export: date, machine, part, position, hours, reason.
type Row = [String; 6];

/// Ways of writing that must not matter.
#[expect(clippy::struct_excessive_bools, reason = "independent ways of writing")]
struct Habit {
    delimiter: char,
    day_first: bool,
    decimal_comma: bool,
    title: bool,
    mark: bool,
    loud: bool,
}

fn row(change: &Change, habit: &Habit) -> Row {
    let day = change.date;
    let day = if habit.day_first {
        format!("{:02}.{:02}.{}", day.day(), day.month(), day.year())
    } else {
        day.to_string()
    };
    let machine = if habit.loud {
        format!(" {} ", change.machine.to_lowercase())
    } else {
        change.machine.clone()
    };
    [
        day,
        machine,
        change.part.into(),
        change.position.into(),
        hours(change.hours, habit),
        if change.worn {
            "Worn out".into()
        } else {
            "while open".into()
        },
    ]
}

fn hours(hours: f64, habit: &Habit) -> String {
    let text = format!("{hours:.2}");
    if habit.decimal_comma {
        text.replace('.', ",")
    } else {
        text
    }
}

fn dirty(random: &mut Xoshiro256PlusPlus, truth: &Truth, dirt: Dirt, habit: &Habit) -> String {
    let mut rows: Vec<Row> = truth.changes.iter().map(|c| row(c, habit)).collect();
    let candidates: Vec<usize> = (0..rows.len())
        .filter(|&i| {
            let change = &truth.changes[i];
            match dirt {
                // Only a part of which a machine has several needs a position.
                Dirt::NoPosition => change.part == "ring",
                // The first reading of a machine cannot lie below an earlier one.
                Dirt::MeterReset | Dirt::MeterSlip => truth
                    .changes
                    .iter()
                    .any(|c| c.machine == change.machine && c.date < change.date),
                _ => true,
            }
        })
        .collect();
    let hit = candidates[random.random_range(0..candidates.len())];
    let change = &truth.changes[hit];
    match dirt {
        Dirt::Nothing => {}
        Dirt::Twice => rows.push(rows[hit].clone()),
        Dirt::NoDate => rows[hit][0] = "last week".into(),
        Dirt::WrongHours => {
            rows[hit][4] = ["-5", "full", "99999999"][random.random_range(0..3)].into();
        }
        Dirt::NoHours => rows[hit][4].clear(),
        Dirt::NoPosition => rows[hit][3].clear(),
        Dirt::NoMachine => rows[hit][1].clear(),
        Dirt::Misspelled => rows[hit][2] = format!("{}t", change.part),
        Dirt::OddMachine => rows[hit][1] = change.machine.replace('-', ""),
        Dirt::Unmapped => rows[hit][5] = "see day sheet".into(),
        // More than 24 hours a day could ever make of it.
        Dirt::MeterSlip => rows[hit][4] = hours(change.hours + 40_000.0, habit),
        Dirt::MeterReset => {
            for (row, other) in rows.iter_mut().zip(&truth.changes) {
                if other.machine == change.machine && other.date >= change.date {
                    row[4] = hours(other.hours - change.hours, habit);
                }
            }
        }
        Dirt::TwiceDifferently => {
            let mut again = rows[hit].clone();
            again[5] = if change.worn {
                "while open".into()
            } else {
                "Worn out".into()
            };
            rows.push(again);
        }
        Dirt::LateDate => {
            let late = date(2062, 5, 28);
            rows[hit][0] = if habit.day_first {
                "28.05.2062".into()
            } else {
                late.to_string()
            };
        }
    }
    for index in (1..rows.len()).rev() {
        rows.swap(index, random.random_range(0..=index));
    }
    let mut text = String::new();
    if habit.mark {
        text.push('\u{feff}');
    }
    if habit.title {
        text.push_str("Change log\n\n");
    }
    let rows = std::iter::once(["Date", "Unit", "Item", "Pos", "Meter", "Why"].map(str::to_owned))
        .chain(rows);
    for row in rows {
        let cells: Vec<String> = row
            .iter()
            .map(|c| {
                if c.contains(habit.delimiter) {
                    format!("\"{c}\"")
                } else {
                    c.clone()
                }
            })
            .collect();
        text.push_str(&cells.join(&habit.delimiter.to_string()));
        text.push('\n');
    }
    text
}

/// The fleet.toml beside it.
pub(crate) fn settings(truth: &Truth) -> String {
    let as_of = truth
        .last
        .iter()
        .map(|(_, day, _)| *day)
        .max()
        .unwrap_or(FIRST);
    format!(
        "[fleet]\nname = \"Invented\"\nas_of = {as_of}\n[[records]]\nfile = \"log.csv\"\n[records.reasons]\nworn = [\"worn*\"]\nunworn = [\"while*\"]\n\
         [[readings]]\nfile = \"meter.csv\"\n[[part]]\nname = \"belt\"\n[[part]]\nname = \"ring\"\nper_machine = 2\npositions = [\"front\", \"rear\"]\n"
    )
}

/// How a life that came back stands for a true one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kept {
    /// The same to the hundredth of an hour, and the same end.
    Equal,
    /// Within bounds that hold the truth, or of an end that the export does not tell and that counts
    /// as unworn.
    Bounded,
}

/// How a life that came back may stand for a true one; `None` where it cannot.
pub(crate) fn stands_for(life: &Life, truth: &True, dirt: Dirt) -> Option<Kept> {
    let position = if truth.position.is_empty() {
        "1"
    } else {
        truth.position
    };
    // A running life is seen no longer than its meter can be trusted.
    let day =
        life.end == truth.ended || (dirt == Dirt::MeterReset && life.outcome == Outcome::Running);
    if !life.machine.eq_ignore_ascii_case(&truth.machine)
        || life.part != truth.part
        || life.position != position
        || !day
    {
        return None;
    }
    let close = |a: f64, b: f64| (a - b).abs() < 0.011;
    let same_end = life.outcome == truth.outcome;
    let unknown =
        life.unknown_reason && life.outcome == Outcome::Unworn && truth.outcome != Outcome::Running;
    let open = life.high.is_infinite() == (life.outcome != Outcome::Worn);
    let equal = close(life.low, truth.hours) && open;
    if same_end
        && !life.unknown_reason
        && equal
        && (life.high.is_infinite() || close(life.high, truth.hours))
    {
        return Some(Kept::Equal);
    }
    let bounded = match dirt {
        // Bounds that hold the truth.
        Dirt::NoHours => {
            life.low <= truth.hours + 0.011
                && (life.outcome != Outcome::Worn || life.high >= truth.hours - 0.011)
        }
        // Followed as far as the meter can be trusted.
        Dirt::MeterReset if life.outcome == Outcome::Running => life.low <= truth.hours + 0.011,
        _ => equal,
    };
    ((same_end || unknown) && bounded).then_some(Kept::Bounded)
}

/// One dirty export, with the truth behind it.
pub(crate) struct Case {
    pub(crate) truth: Truth,
    pub(crate) dirt: Dirt,
    pub(crate) export: String,
    pub(crate) readings: String,
}

/// The export of a seed: `log.csv` and `meter.csv` beside [`settings`].
pub(crate) fn case(seed: u64) -> Case {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let truth = truth(&mut random);
    let dirt = DIRT[(seed as usize) % DIRT.len()];
    let habit = Habit {
        delimiter: [',', ';', '\t'][random.random_range(0..3)],
        day_first: random.random_range(0..2) == 0,
        decimal_comma: random.random_range(0..2) == 0,
        title: random.random_range(0..2) == 0,
        mark: random.random_range(0..2) == 0,
        loud: random.random_range(0..2) == 0,
    };
    let export = dirty(&mut random, &truth, dirt, &habit);
    // A meter that was reset shows less at the end too.
    let last = (truth.last.iter()).filter(|_| dirt != Dirt::MeterReset);
    let lines = last.map(|(machine, day, hours)| format!("{day},{machine},{hours:.2}\n"));
    let readings = std::iter::once("date,machine,hours\n".to_owned())
        .chain(lines)
        .collect();
    Case {
        truth,
        dirt,
        export,
        readings,
    }
}
