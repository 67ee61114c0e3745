//! An export nobody described yet → a `fleet.toml` with what is sure, and marked blanks for the rest.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::Path;

use super::columns::RECORDS;
use super::date_order::{BesideMeter, Impossible};
use super::dates::{self, DateReader, DayMonth};
use super::numbers::{self, DecimalMark, is_not_told};
use super::opened::read_file;
use super::text::{list, plain, quoted, shown};
use super::text_table::{Kind, TextTable};
use super::{RecordsError, spreadsheet};

/// Rows looked at for the headings.
const HEADING_SEARCH: usize = 60;
/// Different reasons, parts or candidates listed at most.
const MOST_LISTED: usize = 40;
/// Mark of what the user has to decide.
const FILL_IN: &str = "FILL IN";

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

struct Looking<'a> {
    table: &'a TextTable,
    heading_row: usize,
    headings: Vec<String>,
    settled: Vec<String>,
    to_fill_in: Vec<String>,
    left_over: Vec<String>,
}

impl Looking<'_> {
    fn rows(&self) -> std::ops::Range<usize> {
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

    fn column(&self, columns: &[ColumnProposal], key: &str) -> Option<usize> {
        let heading = columns.iter().find(|c| c.key == key)?.heading.as_ref()?;
        self.headings.iter().position(|h| h == heading)
    }

    fn texts(&self, column: usize) -> impl Iterator<Item = &str> {
        self.rows()
            .filter(move |&r| self.table.kind(r, column) == Kind::Text)
            .map(move |r| self.table.cell(r, column))
    }

    /// Values of a column with how often each stands there, most frequent first.
    fn values(&self, column: Option<usize>) -> Vec<(String, usize)> {
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

    fn toml(&mut self, columns: &[ColumnProposal], file: &str, fleet_name: &str) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "# Proposed by wearcast from {}. Lines marked {FILL_IN} need your decision.\n",
            shown(file)
        );
        let _ = writeln!(
            out,
            "[fleet]\nname = {}\n# as_of = 2026-03-31          # the records are complete up to this day; default: the last date in them",
            quote(fleet_name)
        );
        let hours = self.column(columns, "hours");
        if hours.is_none() {
            self.to_fill_in.push("No column of meter readings was found: give [[readings]], or state hours_per_day in [fleet].".into());
            let _ = writeln!(
                out,
                "# hours_per_day = 6.0         # {FILL_IN}, unless you have meter readings: operating hours a calendar day"
            );
        }
        let _ = writeln!(
            out,
            "currency = \"\"\n\n[[records]]\nfile = {}",
            quote(file)
        );
        if self.table.number(self.heading_row) > 1 {
            let _ = writeln!(out, "header_row = {}", self.table.number(self.heading_row));
        }
        self.date_order(columns, &mut out);
        self.decimal_mark(hours, &mut out);
        let reason = self.column(columns, "reason");
        if reason.is_none() {
            self.to_fill_in.push(
                "No column of reasons was found: say with reason_when_blank what every row means."
                    .into(),
            );
            let _ = writeln!(
                out,
                "# reason_when_blank = \"worn\"  # {FILL_IN}: worn, found_worn, unworn or inspected_ok"
            );
        }
        if columns
            .iter()
            .filter(|c| c.heading.is_some() && matches!(c.key, "serial" | "serial_out"))
            .count()
            == 1
        {
            let _ = writeln!(
                out,
                "# serial_is = \"removed\"       # or \"fitted\": whose number a row holds; default: settled from the rows"
            );
        }
        out.push_str("[records.columns]             # ours = theirs\n");
        for column in columns {
            match &column.heading {
                Some(heading) => {
                    let _ = writeln!(
                        out,
                        "{} = {}  # {}",
                        column.key,
                        quote(heading),
                        column.evidence
                    );
                }
                None if !column.evidence.is_empty() => {
                    let _ = writeln!(
                        out,
                        "# {} = \"\"  # {FILL_IN}: {}",
                        column.key,
                        one_line(&column.evidence)
                    );
                }
                None => {}
            }
        }
        self.left_over(columns, &mut out);
        self.reasons(reason, &mut out);
        out.push_str(REST);
        self.parts(columns, &mut out);
        out.push_str("\n[stock]\nservice_level = 0.95\nreview_days = 7\n");
        out
    }

    /// Headings that nothing claims, each with what stands below it.
    fn left_over(&mut self, columns: &[ColumnProposal], out: &mut String) {
        for (column, heading) in self.headings.iter().enumerate() {
            let claimed = columns.iter().any(|c| c.heading.as_ref() == Some(heading));
            if claimed || heading.is_empty() {
                continue;
            }
            let samples: BTreeSet<&str> = self
                .rows()
                .map(|r| self.table.cell(r, column))
                .filter(|c| !c.is_empty())
                .take(200)
                .collect();
            let samples = list(samples.into_iter().take(4));
            let _ = writeln!(
                out,
                "# not used: {} (such as {samples})",
                quote(&shown(heading))
            );
            self.left_over
                .push(format!("{} (such as {samples})", quoted(heading)));
        }
        for key in ["hours", "position"] {
            if !self.left_over.is_empty()
                && columns
                    .iter()
                    .any(|c| c.key == key && c.heading.is_none() && c.evidence.is_empty())
            {
                let _ = writeln!(
                    out,
                    "# {key} = \"\"  # {FILL_IN}, if one of the columns not used is it"
                );
            }
        }
        if !self.left_over.is_empty() {
            let headings = self.left_over.join("; ");
            self.to_fill_in.push(format!(
                "Columns not used, kept as groups: {headings}. If one of them is the meter or the position, name it in [records.columns]."
            ));
        }
    }

    fn date_order(&mut self, columns: &[ColumnProposal], out: &mut String) {
        let Some(column) = self.column(columns, "date") else {
            return;
        };
        match DateReader::settle(self.texts(column)) {
            Ok(DateReader::Settled(Some(order))) => {
                self.settled.push(format!(
                    "Dates are read {}; rows with a number above 12 settle it.",
                    order.words()
                ));
            }
            Ok(_) => {}
            Err(dates::Unsettled::Ambiguous(text)) => {
                if let Some(order) = self.order_by_meter(columns, column) {
                    self.settled.push(format!(
                        "Dates are read {}: no row tells the order, but the hour meter does.",
                        order.words()
                    ));
                    return;
                }
                let (day, month) = dates::both_readings(&text)
                    .map_or_else(Default::default, |(d, m)| (d.to_string(), m.to_string()));
                let mark = if text.contains('.') {
                    "."
                } else if text.contains('-') {
                    "-"
                } else {
                    "/"
                };
                let _ = writeln!(
                    out,
                    "# dates = \"%d{mark}%m{mark}%Y\"        # {FILL_IN}: {} could be {day} (this) or {month} (\"%m{mark}%d{mark}%Y\")",
                    one_line(&text)
                );
                self.to_fill_in.push(format!(
                    "dates: {} could be {day} or {month}; no row tells.",
                    quoted(&text)
                ));
            }
            Err(dates::Unsettled::Mixed {
                day_first,
                month_first,
            }) => {
                self.to_fill_in.push(format!(
                    "The dates mix both orders: {} and {}. Write them one way in the export.",
                    quoted(&day_first),
                    quoted(&month_first)
                ));
            }
        }
    }

    fn order_by_meter(&self, columns: &[ColumnProposal], date: usize) -> Option<DayMonth> {
        let hours = self.column(columns, "hours")?;
        let at = BesideMeter {
            date,
            machine: self.column(columns, "machine")?,
            hours,
            mark: DecimalMark::settle(self.texts(hours)).ok()?,
        };
        Impossible::count(self.table, self.rows(), &at).order()
    }

    fn decimal_mark(&mut self, hours: Option<usize>, out: &mut String) {
        let Some(column) = hours else { return };
        match DecimalMark::settle(self.texts(column)) {
            Ok(DecimalMark::Comma) => self
                .settled
                .push("Hours are read with a decimal comma.".into()),
            Ok(DecimalMark::Dot) => {}
            Err(numbers::Unsettled::Ambiguous(text)) => {
                let (dot, comma) = numbers::both_readings(&text).unwrap_or_default();
                let _ = writeln!(
                    out,
                    "# decimal = \".\"               # {FILL_IN}: {} is {dot} with \".\" and {comma} with \",\"",
                    one_line(&text)
                );
                self.to_fill_in.push(format!(
                    "decimal: {} could be {dot} or {comma}; no row tells.",
                    quoted(&text)
                ));
            }
            Err(numbers::Unsettled::Mixed { dot, comma }) => {
                self.to_fill_in.push(format!(
                    "The hours mix decimal marks: {} and {}. Write them one way in the export.",
                    quoted(&dot),
                    quoted(&comma)
                ));
            }
        }
    }

    fn reasons(&mut self, column: Option<usize>, out: &mut String) {
        let found = self.values(column);
        out.push_str("[records.reasons]             # what the reasons mean; case does not matter, * stands for anything\n");
        // Our own words, where the export writes just these, say what they mean.
        let own = |word: &str| {
            let said = found
                .iter()
                .find(|(reason, _)| reason.eq_ignore_ascii_case(word));
            said.map_or_else(String::new, |(reason, _)| quote(reason))
        };
        let _ = writeln!(
            out,
            "worn = [{}]                     # it reached the end of its life",
            own("worn")
        );
        let _ = writeln!(
            out,
            "found_worn = [{}]               # found worn at a look",
            own("found_worn")
        );
        let _ = writeln!(
            out,
            "unworn = [{}]                   # it came out for another reason",
            own("unworn")
        );
        let _ = writeln!(
            out,
            "swapped = [{}]                  # likewise, and one that had run before went in: a set for another hose range",
            own("swapped")
        );
        let _ = writeln!(
            out,
            "inspected_ok = [{}]             # looked at, found good, left in",
            own("inspected_ok")
        );
        let own_words = ["worn", "unworn", "swapped", "found_worn", "inspected_ok"];
        let open: Vec<&(String, usize)> = found
            .iter()
            .filter(|(r, _)| !own_words.contains(&r.to_lowercase().as_str()))
            .collect();
        if !open.is_empty() {
            let _ = writeln!(
                out,
                "# {FILL_IN}: sort these reasons of the export into the lists"
            );
            self.to_fill_in.push(format!(
                "reasons: sort {} into worn, found_worn, unworn, swapped, inspected_ok: {}.",
                open.len(),
                list(open.iter().map(|(r, _)| r))
            ));
        }
        for (reason, count) in open.iter().take(MOST_LISTED) {
            let _ = writeln!(out, "#   {}  in {count} rows", quote(reason));
        }
        if open.len() > MOST_LISTED {
            let _ = writeln!(out, "#   and {} more", open.len() - MOST_LISTED);
        }
    }

    fn parts(&mut self, columns: &[ColumnProposal], out: &mut String) {
        let Some(part_column) = self.column(columns, "part") else {
            out.push_str(
                "\n[[part]]\nname = \"\"  # FILL IN: the parts as the export names them\n",
            );
            return;
        };
        let mut unplaced: Vec<&String> = Vec::new();
        let position = self.column(columns, "position");
        let quantity = self.column(columns, "quantity");
        let parts: Vec<(String, usize)> = self
            .values(Some(part_column))
            .into_iter()
            .filter(|(p, _)| !p.is_empty())
            .collect();
        for (part, count) in parts.iter().take(MOST_LISTED) {
            let mut positions: BTreeMap<String, String> = BTreeMap::new();
            let mut most_together = 1.0_f64;
            for row in self
                .rows()
                .filter(|&r| self.table.cell(r, part_column) == part)
            {
                if let Some(cell) = position
                    .map(|c| self.table.cell(row, c))
                    .filter(|c| !is_not_told(c))
                {
                    positions
                        .entry(plain(cell))
                        .or_insert_with(|| cell.to_owned());
                }
                if let Some(n) =
                    quantity.and_then(|c| DecimalMark::Dot.read(self.table.cell(row, c)))
                {
                    most_together = most_together.max(n);
                }
            }
            let _ = writeln!(
                out,
                "\n[[part]]                      # {count} rows\nname = {}",
                quote(part)
            );
            let per_machine = positions.len().max(most_together.min(1000.0) as usize);
            if per_machine > 1 {
                let _ = writeln!(
                    out,
                    "per_machine = {per_machine}  # {FILL_IN}: as many as the rows name or change together; is it so?"
                );
                let set = positions.len() <= 1;
                let _ = writeln!(
                    out,
                    "changed = \"{}\"  # {FILL_IN}: or \"{}\"",
                    if set { "as a set" } else { "singly" },
                    if set { "singly" } else { "as a set" }
                );
                self.to_fill_in.push(format!("part {}: how many does a machine carry, and are they changed singly or as a set?", quoted(part)));
            } else {
                let _ = writeln!(
                    out,
                    "per_machine = 1               # {FILL_IN}: how many does a machine carry? The rows name no positions"
                );
                unplaced.push(part);
            }
            out.push_str("on_hand = 0\n# lead_time_days = 21\n# unit_cost = 0.0\n# believed_life = [150, 900]  # hours: 90% are believed to wear out in this range\n\
                 # planned_change = { minutes = 20, cost = 0 }\n# unplanned_stop = { hours = 3, cost_per_hour = 400 }\n");
        }
        if !unplaced.is_empty() {
            self.to_fill_in.push(format!(
                "per_machine: how many does a machine carry of {}? The rows name no positions, so 1 is written.",
                list(&unplaced)
            ));
        }
        if parts.len() > MOST_LISTED {
            self.to_fill_in.push(format!(
                "{} more parts are in the export; list those that are planned here.",
                parts.len() - MOST_LISTED
            ));
        }
    }
}

/// What the settings file says about files that the export does not hold.
const REST: &str = "
# [[readings]]                # hour-meter readings: date, machine, hours
# file = \"meter_readings.csv\"

# [[jobs]]                    # the schedule: job, start, end, machine (or M1;M2), hours
# file = \"jobs.csv\"

# [[machine]]                 # a machine that came with new parts makes their first lives count
# name = \"M1\"
# new_on = 2024-04-02
# first_hours = 0.0
";

/// A text as a TOML basic string.
fn quote(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                quoted.push('\\');
                quoted.push(c);
            }
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", c as u32);
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

fn one_line(text: &str) -> String {
    shown(text)
}
