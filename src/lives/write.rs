//! Lives → a lives file, for other programs and for reading back.

use std::collections::BTreeSet;

use super::{Life, LivesTable, NamedColumn, Outcome};
use crate::lives::{ColumnValues, observations};

/// Columns of a lives file that a covariate must not be named like.
const OWN: [&str; 14] = [
    "hours",
    "outcome",
    "low",
    "high",
    "entry",
    "count",
    "id",
    "part",
    "machine",
    "position",
    "serial",
    "start",
    "end",
    "unknown_reason",
];

impl Outcome {
    /// Its word in a lives file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Worn => "worn",
            Self::Unworn => "unworn",
            Self::Running => "running",
        }
    }
}

impl LivesTable {
    /// Lives as columns: names, days and covariates as text or numbers.
    pub fn from_lives(lives: &[Life]) -> Self {
        let text = |name: &str, of: &dyn Fn(&Life) -> String| NamedColumn {
            name: name.to_owned(),
            values: ColumnValues::from_texts(lives.iter().map(of)),
        };
        let mut columns = vec![
            text("outcome", &|l| l.outcome.word().to_owned()),
            text("id", &|l| l.id.clone()),
            text("part", &|l| l.part.clone()),
            text("machine", &|l| l.machine.clone()),
            text("position", &|l| l.position.clone()),
            text("serial", &|l| l.serial.clone().unwrap_or_default()),
            text("start", &|l| {
                l.start.map_or_else(String::new, |d| d.to_string())
            }),
            text("end", &|l| l.end.to_string()),
            text("unknown_reason", &|l| {
                if l.unknown_reason {
                    "yes".into()
                } else {
                    String::new()
                }
            }),
        ];
        for name in covariate_names(lives) {
            let values: Vec<&str> = lives
                .iter()
                .map(|l| l.covariates.get(name).map_or("", String::as_str))
                .collect();
            columns.push(NamedColumn {
                name: outside_name(name),
                values: numbers(&values).unwrap_or_else(|| ColumnValues::from_texts(&values)),
            });
        }
        Self {
            observations: observations(lives),
            columns,
        }
    }
}

/// The lives as a CSV lives file; every number with all its digits.
///
/// Both forms of a lives file are given: `hours` with `outcome` (hours empty where the life is
/// known within bounds only), and `low` with `high`.
pub fn lives_csv(lives: &[Life]) -> String {
    let names: Vec<&str> = covariate_names(lives).into_iter().collect();
    let mut out = csv::WriterBuilder::new().from_writer(Vec::new());
    let own = [
        "hours",
        "outcome",
        "low",
        "high",
        "entry",
        "count",
        "id",
        "part",
        "machine",
        "position",
        "serial",
        "start",
        "end",
        "unknown_reason",
    ];
    // Writing into memory cannot fail; every row has as many cells as the header.
    let header = own
        .iter()
        .map(|s| (*s).to_owned())
        .chain(names.iter().map(|n| inert(&outside_name(n))));
    let _ = out.write_record(header);
    for life in lives {
        let exact = life.low == life.high || life.high.is_infinite();
        let mut cells = vec![
            if exact {
                life.low.to_string()
            } else {
                String::new()
            },
            life.outcome.word().to_owned(),
            life.low.to_string(),
            if life.high.is_finite() {
                life.high.to_string()
            } else {
                String::new()
            },
            life.entry.to_string(),
            life.count.to_string(),
            inert(&life.id),
            inert(&life.part),
            inert(&life.machine),
            inert(&life.position),
            inert(life.serial.as_deref().unwrap_or_default()),
            life.start.map_or_else(String::new, |d| d.to_string()),
            life.end.to_string(),
            if life.unknown_reason {
                "yes".into()
            } else {
                String::new()
            },
        ];
        cells.extend(
            names
                .iter()
                .map(|n| inert(life.covariates.get(*n).map_or("", String::as_str))),
        );
        let _ = out.write_record(cells);
    }
    out.into_inner()
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .unwrap_or_default()
}

fn covariate_names(lives: &[Life]) -> BTreeSet<&str> {
    lives
        .iter()
        .flat_map(|l| l.covariates.keys().map(String::as_str))
        .collect()
}

/// A covariate's name in the file: never one of the file's own columns.
fn outside_name(name: &str) -> String {
    if OWN.iter().any(|own| name.eq_ignore_ascii_case(own)) {
        format!("export {name}")
    } else {
        name.to_owned()
    }
}

/// A number column when every value that is there is one.
fn numbers(values: &[&str]) -> Option<ColumnValues> {
    let mut numbers = Vec::with_capacity(values.len());
    for value in values {
        numbers.push(if value.is_empty() {
            f64::NAN
        } else {
            value.trim().parse().ok().filter(|v: &f64| v.is_finite())?
        });
    }
    numbers
        .iter()
        .any(|v| !v.is_nan())
        .then_some(ColumnValues::Numbers(numbers))
}

/// A cell that no spreadsheet program takes for a formula: text that begins like one gets an
/// apostrophe in front; plain numbers stay as they are.
fn inert(text: &str) -> String {
    let risky = text.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠', '\t', '\r', '\n']);
    if risky && text.parse::<f64>().is_err() {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}
