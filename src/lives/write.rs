//! Lives → a lives file, for other programs and for reading back.

use std::borrow::Cow;
use std::collections::{BTreeSet, HashSet};
use std::fmt::Write as _;

use jiff::civil::Date;
use rayon::prelude::*;

use super::{Life, LifeId, LivesTable, NamedColumn, Outcome};
use crate::lives::{ColumnValues, observations};
use crate::records::parquet::{self, WrittenCells, WrittenColumn};
use crate::records::{Extras, Text};

/// Own columns of a lives file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Own {
    Hours,
    Outcome,
    Low,
    High,
    Entry,
    Count,
    Id,
    Part,
    Machine,
    Position,
    Serial,
    Start,
    End,
    UnknownReason,
}

/// Their names, in order; a covariate must not be named like one.
const FILE_COLUMNS: [(&str, Own); 14] = [
    ("hours", Own::Hours),
    ("outcome", Own::Outcome),
    ("low", Own::Low),
    ("high", Own::High),
    ("entry", Own::Entry),
    ("count", Own::Count),
    ("id", Own::Id),
    ("part", Own::Part),
    ("machine", Own::Machine),
    ("position", Own::Position),
    ("serial", Own::Serial),
    ("start", Own::Start),
    ("end", Own::End),
    ("unknown_reason", Own::UnknownReason),
];

/// Lives that one thread writes at a time.
const LIVES_AT_A_TIME: usize = 1 << 13;
/// Such groups written side by side before they go into the file.
const GROUPS_AT_A_TIME: usize = 16;
/// Lives that stand together in a Parquet file.
const LIVES_TOGETHER: usize = 1 << 17;

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
        let shared = |name: &str, of: &dyn Fn(&Life) -> &'static str| NamedColumn {
            name: name.to_owned(),
            values: ColumnValues::from_texts(lives.iter().map(of)),
        };
        let written = |name: &str, of: &dyn Fn(&Life) -> String| NamedColumn {
            name: name.to_owned(),
            values: ColumnValues::from_texts(lives.iter().map(of)),
        };
        let mut columns = vec![
            shared("outcome", &|l| l.outcome.word()),
            written("id", &|l| l.id.to_string()),
            shared("part", &|l| l.part.as_str()),
            shared("machine", &|l| l.machine.as_str()),
            shared("position", &|l| l.position.as_str()),
            shared("serial", &|l| l.serial.map_or("", Text::as_str)),
            written("start", &|l| {
                l.start.map_or_else(String::new, |d| d.to_string())
            }),
            written("end", &|l| l.end.to_string()),
            shared("unknown_reason", &|l| {
                if l.unknown_reason { "yes" } else { "" }
            }),
        ];
        for name in covariate_names(lives) {
            let values: Vec<&str> = lives
                .iter()
                .map(|l| l.covariates.get(name).unwrap_or_default())
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

impl Own {
    fn is_number(self) -> bool {
        matches!(
            self,
            Self::Hours | Self::Low | Self::High | Self::Entry | Self::Count
        )
    }
}

fn header(names: &[&str]) -> Vec<String> {
    FILE_COLUMNS
        .iter()
        .map(|(name, _)| (*name).to_owned())
        .chain(names.iter().map(|n| outside_name(n)))
        .collect()
}

/// What a life has to say in one column.
enum Cell {
    Nothing,
    Number(f64),
    Text(&'static str),
    Day(Date),
    Id(LifeId),
}

impl Cell {
    /// `names` are those of the covariates, whose columns come last.
    fn of(life: &Life, column: usize, names: &[&str]) -> Self {
        let told = |text: &'static str| match text {
            "" => Self::Nothing,
            text => Self::Text(text),
        };
        let Some((_, own)) = FILE_COLUMNS.get(column) else {
            let name = names.get(column - FILE_COLUMNS.len());
            let value = name.and_then(|name| life.covariates.get(name));
            return told(value.unwrap_or_default());
        };
        let exact = life.low == life.high || life.high.is_infinite();
        match own {
            Own::Hours if exact => Self::Number(life.low),
            Own::Outcome => Self::Text(life.outcome.word()),
            Own::Low => Self::Number(life.low),
            Own::High if life.high.is_finite() => Self::Number(life.high),
            Own::Entry => Self::Number(life.entry),
            Own::Count => Self::Number(f64::from(life.count)),
            Own::Id => Self::Id(life.id),
            Own::Part => told(life.part.as_str()),
            Own::Machine => told(life.machine.as_str()),
            Own::Position => told(life.position.as_str()),
            Own::Serial => told(life.serial.map_or("", Text::as_str)),
            Own::Start => life.start.map_or(Self::Nothing, Self::Day),
            Own::End => Self::Day(life.end),
            Own::UnknownReason if life.unknown_reason => Self::Text("yes"),
            Own::Hours | Own::High | Own::UnknownReason => Self::Nothing,
        }
    }

    fn number(&self) -> Option<f64> {
        match self {
            Self::Number(value) => Some(*value),
            _ => None,
        }
    }

    fn text(&self) -> Option<Cow<'static, str>> {
        match self {
            Self::Nothing => None,
            Self::Text(text) => Some(Cow::Borrowed(text)),
            other => Some(Cow::Owned(other.to_string())),
        }
    }
}

impl std::fmt::Display for Cell {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Nothing => Ok(()),
            Self::Number(value) => value.fmt(f),
            Self::Text(text) => f.write_str(text),
            Self::Day(day) => day.fmt(f),
            Self::Id(id) => id.fmt(f),
        }
    }
}

/// Writes the lives as a CSV lives file, row by row; every number with all its digits.
///
/// Both forms of a lives file are given: `hours` with `outcome` (hours empty where the life is
/// known within bounds only), and `low` with `high`.
///
/// # Errors
/// What the writer underneath says.
pub fn write_lives_csv(lives: &[Life], mut into: impl std::io::Write) -> std::io::Result<()> {
    let names: Vec<&str> = covariate_names(lives).into_iter().collect();
    let header = header(&names);
    let mut head = csv::Writer::from_writer(Vec::new());
    head.write_record(header.iter().map(|h| inert(h).into_owned()))?;
    into.write_all(&written(head)?)?;
    for some in lives.chunks(GROUPS_AT_A_TIME * LIVES_AT_A_TIME) {
        let groups: Vec<std::io::Result<Vec<u8>>> = some
            .par_chunks(LIVES_AT_A_TIME)
            .map(|some| rows(some, header.len(), &names))
            .collect();
        for rows in groups {
            into.write_all(&rows?)?;
        }
    }
    into.flush()
}

/// Some lives as rows of a CSV file.
fn rows(lives: &[Life], columns: usize, names: &[&str]) -> std::io::Result<Vec<u8>> {
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut text = String::new();
    for life in lives {
        for column in 0..columns {
            text.clear();
            // Writing into a string cannot fail.
            let _ = write!(text, "{}", Cell::of(life, column, names));
            out.write_field(inert(&text).as_bytes())?;
        }
        out.write_record(None::<&[u8]>)?;
    }
    written(out)
}

fn written(out: csv::Writer<Vec<u8>>) -> std::io::Result<Vec<u8>> {
    out.into_inner().map_err(csv::IntoInnerError::into_error)
}

/// [`write_lives_csv`] into a text.
pub fn lives_csv(lives: &[Life]) -> String {
    let mut bytes = Vec::new();
    // Writing into memory cannot fail.
    let _ = write_lives_csv(lives, &mut bytes);
    String::from_utf8(bytes).unwrap_or_default()
}

/// Writes the lives as a Parquet lives file, with the columns of [`write_lives_csv`], some at a time.
///
/// # Errors
/// What the writer underneath says.
pub fn write_lives_parquet(lives: &[Life], into: impl std::io::Write) -> std::io::Result<()> {
    let names: Vec<&str> = covariate_names(lives).into_iter().collect();
    let header = header(&names);
    let columns = |some: &[Life]| -> Vec<WrittenColumn> {
        let column = |(at, name): (usize, &String)| {
            let cells = some.iter().map(|life| Cell::of(life, at, &names));
            let is_number = FILE_COLUMNS.get(at).is_some_and(|(_, own)| own.is_number());
            let cells = if is_number {
                WrittenCells::Numbers(cells.map(|cell| cell.number()).collect())
            } else {
                WrittenCells::Texts(cells.map(|cell| cell.text()).collect())
            };
            (name.clone(), cells)
        };
        header.par_iter().enumerate().map(column).collect()
    };
    let first = columns(lives.get(..LIVES_TOGETHER).unwrap_or(lives));
    let rest = lives.get(LIVES_TOGETHER..).unwrap_or_default();
    let rest = rest.chunks(LIVES_TOGETHER).map(columns);
    parquet::write(into, first, rest)
}

fn covariate_names(lives: &[Life]) -> BTreeSet<&'static str> {
    let sets: HashSet<Extras> = lives.iter().map(|l| l.covariates).collect();
    sets.into_iter()
        .flat_map(|set| set.columns().iter().map(|(name, _)| name.as_str()))
        .collect()
}

/// A covariate's name in the file: never one of the file's own columns.
fn outside_name(name: &str) -> String {
    if FILE_COLUMNS
        .iter()
        .any(|(own, _)| name.eq_ignore_ascii_case(own))
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
fn inert(text: &str) -> Cow<'_, str> {
    let risky = text.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠', '\t', '\r', '\n']);
    if risky && text.parse::<f64>().is_err() {
        format!("'{text}").into()
    } else {
        text.into()
    }
}
