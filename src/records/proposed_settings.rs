//! What an export seems to hold → the text of a `fleet.toml`, with marked blanks.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use super::date_order::{BesideMeter, Impossible};
use super::dates::{self, DateReader, DayMonth};
use super::numbers::{self, DecimalMark, is_not_told};
use super::propose::{ColumnProposal, Looking};
use super::text::{list, plain, quoted, shown};

/// Different reasons, parts or candidates listed at most.
const MOST_LISTED: usize = 40;
/// Mark of what the user has to decide.
const FILL_IN: &str = "FILL IN";
/// Lists that reasons are sorted into, and what each means.
const REASON_LISTS: [(&str, &str); 5] = [
    ("worn", "it reached the end of its life"),
    ("found_worn", "found worn at a look"),
    ("unworn", "it came out for another reason"),
    (
        "swapped",
        "likewise, and one that had run before went in: a set for another hose range",
    ),
    ("inspected_ok", "looked at, found good, left in"),
];

impl Looking<'_> {
    /// The settings file.
    pub(super) fn toml(
        &mut self,
        columns: &[ColumnProposal],
        file: &str,
        fleet_name: &str,
    ) -> String {
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
        for (word, meaning) in REASON_LISTS {
            let gap = " ".repeat(25 - word.len());
            let _ = writeln!(out, "{word} = [{}]{gap}# {meaning}", own(word));
        }
        let is_own = |reason: &str| {
            let reason = reason.to_lowercase();
            REASON_LISTS.iter().any(|(word, _)| *word == reason)
        };
        let open: Vec<&(String, usize)> = found.iter().filter(|(r, _)| !is_own(r)).collect();
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

# [[jobs]]                    # the schedule: job, start, end, machine (or M1;M2), hours;
#                             # where not sure: hours_low, hours_high, slip_days
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
