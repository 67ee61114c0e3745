//! An export nobody described yet → a `fleet.toml` with what is sure, and marked blanks for the rest.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::columns::RECORDS;
use super::dates::{DateReader, DayMonth};
use super::numbers::{DecimalMark, is_not_told};
use super::opened::read_file;
use super::text::{list, plain};
use super::text_table::{Kind, TextTable};
use super::{RecordsError, spreadsheet};

/// Rows looked at for the headings.
const HEADING_SEARCH: usize = 60;

/// Words in a heading that speak for a key, beside its plain names.
const HINTS: [(&str, &[&str]); 10] = [
    ("date", &["date", "datum", "day", "fecha", "data"]),
    (
        "machine",
        &[
            "machine",
            "unit",
            "equipment",
            "asset",
            "maschine",
            "equipo",
        ],
    ),
    (
        "part",
        &["part", "item", "component", "material", "teil", "pieza"],
    ),
    (
        "position",
        &["pos", "position", "location", "place", "side", "where"],
    ),
    (
        "hours",
        &[
            "hours",
            "hour",
            "meter",
            "hrs",
            "clock",
            "counter",
            "reading",
            "stunden",
            "betriebsstunden",
            "horas",
        ],
    ),
    ("reason", &["reason", "why", "cause", "grund", "motivo"]),
    ("serial", &["serial"]),
    ("serial_out", &["serial"]),
    (
        "quantity",
        &["quantity", "qty", "pieces", "pcs", "menge", "anzahl"],
    ),
    ("worn_count", &["worn"]),
];

/// What is proposed for one of our columns.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct ColumnProposal {
    /// Our name of the column.
    pub key: &'static str,
    /// Their heading, where it is sure.
    pub heading: Option<String>,
    /// What speaks for it, or why it is left open.
    pub evidence: String,
    /// Whether nothing works without it.
    pub required: bool,
}

/// What an export seems to hold.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Proposal {
    /// Our columns in order, those that were found or must be filled in.
    pub columns: Vec<ColumnProposal>,
    /// Data rows below the headings.
    pub rows: usize,
    /// What was settled: encoding, delimiter, heading row, date order, decimal mark.
    pub settled: Vec<String>,
    /// What the user has to decide, as sentences.
    pub to_fill_in: Vec<String>,
    /// The settings file.
    pub toml: String,
}

/// Looks at an export and proposes a settings file for it. `file` is its name in the fleet folder.
///
/// # Errors
/// A file that cannot be read, or that holds no row that could be headings.
pub fn propose(path: &Path, file: &str, fleet_name: &str) -> Result<Proposal, RecordsError> {
    let table = read_file(path, file, None, None)?;
    let heading_row = heading_row(&table).ok_or_else(|| RecordsError::Table {
        file: file.to_owned(),
        what: "no row looks like headings with rows below them".into(),
    })?;
    let mut looking = Looking {
        table: &table,
        heading_row,
        headings: (0..table.width(heading_row))
            .map(|c| table.cell(heading_row, c).to_owned())
            .collect(),
        settled: table.notes.clone(),
        to_fill_in: Vec::new(),
        left_over: Vec::new(),
    };
    if heading_row > 0 || table.number(heading_row) > 1 {
        looking.settled.push(format!(
            "The headings are in row {}.",
            table.number(heading_row)
        ));
    }
    let columns = looking.columns();
    let toml = looking.toml(&columns, file, fleet_name);
    Ok(Proposal {
        columns: columns
            .into_iter()
            .filter(|c| c.heading.is_some() || c.required || !c.evidence.is_empty())
            .collect(),
        rows: table.len() - heading_row - 1,
        settled: looking.settled,
        to_fill_in: looking.to_fill_in,
        toml,
    })
}

/// The row most of whose cells are known headings; without any, the first full row of words.
fn heading_row(table: &TextTable) -> Option<usize> {
    let last = table.len().checked_sub(1)?;
    let known = |row: usize| {
        (0..table.width(row))
            .filter(|&c| {
                HINTS
                    .iter()
                    .any(|(key, _)| match_strength(key, table.cell(row, c)) > 0)
            })
            .count()
    };
    let best =
        (0..last.min(HEADING_SEARCH)).max_by_key(|&row| (known(row), std::cmp::Reverse(row)))?;
    if known(best) >= 2 {
        return Some(best);
    }
    let width = (0..table.len().min(200)).map(|r| table.width(r)).max()?;
    (0..last.min(HEADING_SEARCH)).find(|&row| {
        let cells: BTreeSet<&str> = (0..table.width(row))
            .map(|c| table.cell(row, c))
            .filter(|c| !c.is_empty())
            .collect();
        width >= 2 && cells.len() >= width.min(3) && cells.iter().all(|c| c.parse::<f64>().is_err())
    })
}

/// 2: a plain name of the key; 1: a word in the heading speaks for it; 0: nothing does.
fn match_strength(key: &str, heading: &str) -> u8 {
    let name = plain(heading);
    if name.is_empty() {
        return 0;
    }
    if RECORDS
        .iter()
        .any(|w| w.key == key && w.names.contains(&name.as_str()))
    {
        return 2;
    }
    let hints = HINTS
        .iter()
        .find(|(k, _)| *k == key)
        .map_or(&[][..], |(_, hints)| hints);
    let words: Vec<&str> = name.split(' ').collect();
    let out = words
        .iter()
        .any(|w| matches!(*w, "out" | "old" | "removed"));
    match key {
        "serial_out" if !out => 0,
        "serial" if out => 0,
        "worn_count"
            if !words
                .iter()
                .any(|w| matches!(*w, "count" | "number" | "many" | "qty" | "of")) =>
        {
            0
        }
        "quantity" if words.contains(&"worn") => 0,
        _ => u8::from(words.iter().any(|w| hints.contains(w))),
    }
}

/// What the cells of a column look like.
#[derive(Debug, Default, Clone, Copy)]
struct Content {
    filled: usize,
    days: usize,
    numbers: usize,
}

/// An export as it is looked at.
pub(super) struct Looking<'a> {
    pub(super) table: &'a TextTable,
    pub(super) heading_row: usize,
    pub(super) headings: Vec<String>,
    pub(super) settled: Vec<String>,
    pub(super) to_fill_in: Vec<String>,
    pub(super) left_over: Vec<String>,
}

impl Looking<'_> {
    pub(super) fn rows(&self) -> std::ops::Range<usize> {
        self.heading_row + 1..self.table.len()
    }

    fn content(&self, column: usize) -> Content {
        let mut content = Content::default();
        let any_order =
            [DayMonth::DayFirst, DayMonth::MonthFirst].map(|o| DateReader::Settled(Some(o)));
        for row in self.rows() {
            let cell = self.table.cell(row, column);
            if is_not_told(cell) {
                continue;
            }
            content.filled += 1;
            let kind = self.table.kind(row, column);
            let number = DecimalMark::Dot
                .read(cell)
                .or_else(|| DecimalMark::Comma.read(cell));
            content.numbers += usize::from(kind == Kind::Number || number.is_some());
            let serial = || {
                self.table.is_spreadsheet
                    && cell
                        .parse()
                        .is_ok_and(|n| spreadsheet::serial_day(n, self.table.from_1904).is_some())
            };
            content.days += usize::from(
                kind == Kind::Date || any_order.iter().any(|o| o.read(cell).is_some()) || serial(),
            );
        }
        content
    }

    /// A column for each of our keys, where one is sure.
    fn columns(&mut self) -> Vec<ColumnProposal> {
        let contents: Vec<Content> = (0..self.headings.len()).map(|c| self.content(c)).collect();
        let mut taken: BTreeSet<usize> = BTreeSet::new();
        let mut proposals = Vec::new();
        for wanted in RECORDS {
            let fits = |c: usize| {
                let content = contents[c];
                let most = |n: usize| n * 10 >= content.filled * 8;
                match wanted.key {
                    "date" => content.filled > 0 && most(content.days),
                    "hours" | "quantity" | "worn_count" => most(content.numbers),
                    _ => true,
                }
            };
            let strength = |c: usize| {
                if fits(c) {
                    match_strength(wanted.key, &self.headings[c])
                } else {
                    0
                }
            };
            let free: Vec<usize> = (0..self.headings.len())
                .filter(|c| !taken.contains(c))
                .collect();
            let best = free.iter().map(|&c| strength(c)).max().unwrap_or(0);
            let candidates: Vec<usize> = free
                .into_iter()
                .filter(|&c| best > 0 && strength(c) == best)
                .collect();
            let (heading, evidence) = match candidates[..] {
                [only] => {
                    taken.insert(only);
                    (
                        Some(self.headings[only].clone()),
                        self.evidence(wanted.key, contents[only]),
                    )
                }
                [] if wanted.required => (
                    None,
                    format!(
                        "no heading speaks for it; there are {}",
                        list(&self.headings)
                    ),
                ),
                [] => (None, String::new()),
                _ => (
                    None,
                    format!(
                        "could be {}",
                        list(candidates.iter().map(|&c| &self.headings[c]))
                    ),
                ),
            };
            if heading.is_none() && !evidence.is_empty() {
                self.to_fill_in
                    .push(format!("columns.{}: {evidence}.", wanted.key));
            }
            proposals.push(ColumnProposal {
                key: wanted.key,
                heading,
                evidence,
                required: wanted.required,
            });
        }
        proposals
    }

    fn evidence(&self, key: &str, content: Content) -> String {
        let rows = self.rows().len();
        match key {
            "date" => format!("{} of {rows} cells are days", content.days),
            "hours" | "quantity" | "worn_count" => {
                format!("{} of {rows} cells are numbers", content.numbers)
            }
            _ => format!("{} of {rows} cells are filled", content.filled),
        }
    }

    pub(super) fn column(&self, columns: &[ColumnProposal], key: &str) -> Option<usize> {
        let heading = columns.iter().find(|c| c.key == key)?.heading.as_ref()?;
        self.headings.iter().position(|h| h == heading)
    }

    pub(super) fn texts(&self, column: usize) -> impl Iterator<Item = &str> {
        self.rows()
            .filter(move |&r| self.table.kind(r, column) == Kind::Text)
            .map(move |r| self.table.cell(r, column))
    }

    /// Values of a column with how often each stands there, most frequent first.
    pub(super) fn values(&self, column: Option<usize>) -> Vec<(String, usize)> {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        if let Some(column) = column {
            for row in self.rows() {
                *counts.entry(self.table.cell(row, column)).or_default() += 1;
            }
        }
        let mut values: Vec<(String, usize)> =
            counts.into_iter().map(|(v, n)| (v.to_owned(), n)).collect();
        values.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        values
    }
}
