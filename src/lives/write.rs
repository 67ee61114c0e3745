//! Lives → a lives file, for other programs and for reading back.

use std::collections::BTreeSet;

use super::{Life, LivesTable, NamedColumn, Outcome};
use crate::lives::{ColumnValues, observations};
use crate::records::parquet::{self, ParquetColumn, ParquetValues};

/// Own columns of a lives file, in order; a covariate must not be named like one.
const FILE_COLUMNS: [&str; 14] = [
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

/// A lives file in rows of text: what CSV and Parquet share.
struct FileRows {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// Columns of a lives file that hold numbers.
const NUMBERS: [&str; 5] = ["hours", "low", "high", "entry", "count"];

fn file_rows(lives: &[Life]) -> FileRows {
    let names: Vec<&str> = covariate_names(lives).into_iter().collect();
    let header = FILE_COLUMNS
        .iter()
        .map(|s| (*s).to_owned())
        .chain(names.iter().map(|n| outside_name(n)))
        .collect();
    let rows = lives
        .iter()
        .map(|life| {
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
                life.id.clone(),
                life.part.clone(),
                life.machine.clone(),
                life.position.clone(),
                life.serial.clone().unwrap_or_default(),
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
                    .map(|n| life.covariates.get(*n).cloned().unwrap_or_default()),
            );
            cells
        })
        .collect();
    FileRows { header, rows }
}

/// The lives as a CSV lives file; every number with all its digits.
///
/// Both forms of a lives file are given: `hours` with `outcome` (hours empty where the life is
/// known within bounds only), and `low` with `high`.
pub fn lives_csv(lives: &[Life]) -> String {
    let FileRows { header, rows } = file_rows(lives);
    let mut out = csv::WriterBuilder::new().from_writer(Vec::new());
    // Writing into memory cannot fail; every row has as many cells as the header.
    let _ = out.write_record(header.iter().map(|h| inert(h)));
    for row in rows {
        let _ = out.write_record(row.iter().map(|cell| inert(cell)));
    }
    out.into_inner()
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .unwrap_or_default()
}

/// The lives as a Parquet lives file, with the columns of [`lives_csv`].
///
/// # Errors
/// What the writer says, as a sentence; it has no reason to fail on lives.
pub fn lives_parquet(lives: &[Life]) -> Result<Vec<u8>, String> {
    let FileRows { header, rows } = file_rows(lives);
    let columns = header
        .into_iter()
        .enumerate()
        .map(|(at, name)| {
            let texts = rows.iter().map(|row| row[at].as_str());
            let values = if NUMBERS.contains(&name.as_str()) {
                ParquetValues::Numbers(texts.map(|t| t.parse().ok()).collect())
            } else {
                ParquetValues::Texts(
                    texts
                        .map(|t| (!t.is_empty()).then(|| t.to_owned()))
                        .collect(),
                )
            };
            ParquetColumn { name, values }
        })
        .collect();
    parquet::written(columns)
}

fn covariate_names(lives: &[Life]) -> BTreeSet<&str> {
    lives
        .iter()
        .flat_map(|l| l.covariates.keys().map(String::as_str))
        .collect()
}

/// A covariate's name in the file: never one of the file's own columns.
fn outside_name(name: &str) -> String {
    if FILE_COLUMNS
        .iter()
        .any(|own| name.eq_ignore_ascii_case(own))
    {
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
