//! Rows of the replacement exports → typed records, with a reason for each row that is left out.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use jiff::civil::Date;

use super::fleet_file::{HoursUnit, RecordsEntry, VerdictWord};
use super::names::Names;
use super::numbers::{DecimalMark, is_not_told};
use super::opened::Opened;
use super::reasons::Reasons;
use super::{Disposition, Gap, Problem, RecordsError, Replacement, RowCounts, Verdict};

/// More operating hours than any meter shows (over a hundred years without a stop).
pub(super) const ABSURD_HOURS: f64 = 1e6;

/// What reading the exports gives.
#[derive(Debug, Default)]
pub(super) struct ReplacementRows {
    pub(super) replacements: Vec<Replacement>,
    pub(super) gaps: Vec<Gap>,
    pub(super) problems: Vec<Problem>,
    pub(super) rows: RowCounts,
    /// Where each record stands in `replacements`, to merge exact duplicates.
    seen: HashMap<Vec<u8>, usize>,
    /// Parts near to texts that no part is called.
    near: HashMap<String, BTreeSet<String>>,
}

/// Names that all files share.
pub(super) struct SharedNames<'a> {
    pub(super) machines: &'a mut Names,
    pub(super) parts: &'a mut Names,
}

impl ReplacementRows {
    /// Reads one export.
    pub(super) fn read(
        &mut self,
        opened: &Opened,
        entry: &RecordsEntry,
        names: &mut SharedNames<'_>,
        notes: &mut Vec<String>,
    ) -> Result<(), RecordsError> {
        let mut dates = opened.dates("date", notes)?;
        let decimal = opened.decimal("hours", notes)?;
        let whole = opened.decimal("quantity", notes)?;
        let to_hours = per_hour(entry.hours_unit);
        let mut reasons = reasons(entry);
        for row in opened.rows() {
            self.rows.rows_in += 1;
            let machine = opened.text(row, "machine");
            let part_text = opened.text(row, "part");
            let machine = (!machine.is_empty()).then(|| names.machines.learn(machine));
            let part = names.parts.known(part_text);
            let position = some_text(opened.text(row, "position"));
            let date = opened.date(row, "date", &mut dates);
            let hours = opened
                .number(row, "hours", decimal)
                .map(|h| h.map(|h| h / to_hours));
            if let Some(mut problem) = row_problem(
                opened,
                row,
                machine.as_deref(),
                part.as_deref(),
                date,
                hours,
            ) {
                if problem.code == "unknown_part" && !part_text.is_empty() {
                    let near = self.near_parts(part_text, names.parts);
                    if !near.is_empty() {
                        problem.allowed = Some(format!(
                            "a [[part]] name or one of its aliases; did you mean {}?",
                            super::text::list(near)
                        ));
                    }
                }
                if reasons.verdict(opened.text(row, "reason")) != Verdict::InspectedOk {
                    let parts = match part {
                        Some(part) => std::iter::once(part).collect(),
                        None => self.near_parts(part_text, names.parts),
                    };
                    let hours = hours
                        .ok()
                        .flatten()
                        .filter(|h| (0.0..ABSURD_HOURS).contains(h));
                    for part in parts {
                        self.gaps.push(Gap {
                            machine: machine.clone().unwrap_or_default(),
                            machine_told: machine.is_some(),
                            part,
                            position: position.clone(),
                            date,
                            hours,
                            row: opened.row_ref(row),
                        });
                    }
                }
                self.rows.set_aside += 1;
                self.problems.push(problem);
                continue;
            }
            let (Some(machine), Some(part), Some(date), Ok(hours)) = (machine, part, date, hours)
            else {
                continue;
            };
            let counts = (
                count(opened, row, "quantity", whole),
                count(opened, row, "worn_count", whole),
            );
            let (quantity, worn_count) = match counts {
                (Ok(quantity), Ok(worn))
                    if quantity.is_none_or(|q| q > 0 && worn.is_none_or(|w| w <= q)) =>
                {
                    (quantity, worn)
                }
                (quantity, _) => {
                    let key = if quantity.is_err() || quantity == Ok(Some(0)) {
                        "quantity"
                    } else {
                        "worn_count"
                    };
                    self.rows.set_aside += 1;
                    self.problems.push(opened.problem(
                        row,
                        key,
                        "unreadable_count",
                        "a whole number; worn_count at most quantity",
                        "Correct the number in the export, or leave the cell empty.",
                    ));
                    self.gaps.push(Gap {
                        machine,
                        machine_told: true,
                        part,
                        position,
                        date: Some(date),
                        hours,
                        row: opened.row_ref(row),
                    });
                    continue;
                }
            };
            let reason = opened.text(row, "reason").to_owned();
            let mut extra = BTreeMap::new();
            for &column in &opened.columns.others {
                let value = opened.table.cell(row, column);
                if !value.is_empty() {
                    extra.insert(opened.columns.headings[column].clone(), value.to_owned());
                }
            }
            let mut verdict = reasons.verdict(&reason);
            if verdict == Verdict::Unknown && worn_count.is_some_and(|w| w > 0) {
                verdict = Verdict::Worn;
            }
            self.add(Replacement {
                date,
                machine,
                part,
                position,
                hours,
                verdict,
                reason,
                serial: some_text(opened.text(row, "serial")),
                serial_out: some_text(opened.text(row, "serial_out")),
                quantity,
                worn_count,
                extra,
                rows: vec![opened.row_ref(row)],
            });
        }
        Ok(())
    }

    /// Parts that a text no part is called could mean.
    fn near_parts(&mut self, text: &str, parts: &Names) -> BTreeSet<String> {
        if let Some(near) = self.near.get(text) {
            return near.clone();
        }
        let near = parts.near(text);
        if self.near.len() < 100_000 {
            self.near.insert(text.to_owned(), near.clone());
        }
        near
    }

    /// Adds a record, or merges it with the very same one.
    fn add(&mut self, record: Replacement) {
        let key = identity(&record);
        if let Some(&index) = self.seen.get(&key) {
            let first = &mut self.replacements[index];
            self.problems.push(Problem {
                code: "exact_duplicate".into(),
                disposition: Disposition::Merged,
                rows: first.rows.iter().chain(&record.rows).cloned().collect(),
                column: None,
                found: None,
                allowed: None,
                advice: "Counted once. If two parts were really changed, give each its position or serial number.".into(),
            });
            first.rows.extend(record.rows);
            self.rows.merged += 1;
            return;
        }
        if record.verdict == Verdict::Unknown {
            self.problems.push(Problem {
                code: "unknown_reason".into(),
                disposition: Disposition::Flagged,
                rows: record.rows.clone(),
                column: Some("reason".into()),
                found: Some(super::text::quoted(&record.reason)),
                allowed: Some("a reason that [records.reasons] maps".into()),
                advice: "Add this reason to worn, found_worn, unworn or inspected_ok in [records.reasons]; until then it is never counted as worn.".into(),
            });
        }
        self.seen.insert(key, self.replacements.len());
        self.replacements.push(record);
        self.rows.used += 1;
    }
}

fn some_text(text: &str) -> Option<String> {
    (!is_not_told(text)).then(|| text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// How many of the file's units make an hour.
pub(super) fn per_hour(unit: Option<HoursUnit>) -> f64 {
    match unit {
        Some(HoursUnit::Minutes) => 60.0,
        Some(HoursUnit::Hours) | None => 1.0,
    }
}

fn reasons(entry: &RecordsEntry) -> Reasons {
    let lists = [
        (&entry.reasons.worn, Verdict::Worn),
        (&entry.reasons.found_worn, Verdict::FoundWorn),
        (&entry.reasons.unworn, Verdict::Unworn),
        (&entry.reasons.inspected_ok, Verdict::InspectedOk),
    ];
    let patterns = lists
        .iter()
        .flat_map(|(list, verdict)| list.iter().map(|pattern| (pattern.as_str(), *verdict)));
    let when_blank = entry.reason_when_blank.map(|word| match word {
        VerdictWord::Worn => Verdict::Worn,
        VerdictWord::FoundWorn => Verdict::FoundWorn,
        VerdictWord::Unworn => Verdict::Unworn,
        VerdictWord::InspectedOk => Verdict::InspectedOk,
    });
    Reasons::new(patterns, when_blank)
}

/// A whole number from a cell; `Err` when it is none.
fn count(opened: &Opened, row: usize, key: &str, mark: DecimalMark) -> Result<Option<u32>, ()> {
    match opened.number(row, key, mark)? {
        None => Ok(None),
        Some(n) if n.fract() == 0.0 && (0.0..=10_000.0).contains(&n) => Ok(Some(n as u32)),
        Some(_) => Err(()),
    }
}

/// The first thing that keeps a row from being used.
fn row_problem(
    opened: &Opened,
    row: usize,
    machine: Option<&str>,
    part: Option<&str>,
    date: Option<Date>,
    hours: Result<Option<f64>, ()>,
) -> Option<Problem> {
    if opened.overflows(row) {
        return Some(opened.problem(
            row,
            "date",
            "too_many_cells",
            "no more cells than headings",
            "A delimiter stands inside a cell of this row: put the cell in quotation marks, or state delimiter.",
        ));
    }
    if machine.is_none() {
        return Some(opened.problem(
            row,
            "machine",
            "no_machine",
            "a machine's name",
            "Name the machine in the export.",
        ));
    }
    if part.is_none() {
        return Some(opened.problem(
            row,
            "part",
            "unknown_part",
            "a [[part]] name or one of its aliases",
            "Add a [[part]], or add this name to a part's aliases; leave it out if the part is not planned here.",
        ));
    }
    if date.is_none() {
        return Some(opened.problem(
            row,
            "date",
            "unreadable_date",
            "a day, written as the rest of the column",
            "Correct the date in the export, or state dates = \"…\" if the whole column is written so.",
        ));
    }
    match hours {
        Err(()) => Some(opened.problem(
            row,
            "hours",
            "unreadable_hours",
            "a number of hours, or an empty cell",
            "Correct the reading in the export, or leave the cell empty.",
        )),
        Ok(Some(h)) if h < 0.0 => Some(opened.problem(
            row,
            "hours",
            "negative_hours",
            "hours ≥ 0",
            "Correct the reading in the export.",
        )),
        Ok(Some(h)) if h >= ABSURD_HOURS => Some(opened.problem(
            row,
            "hours",
            "absurd_hours",
            "hours below 1,000,000",
            "Correct the reading in the export.",
        )),
        Ok(_) => None,
    }
}

/// All that a row says, as bytes: equal for exact duplicates only.
fn identity(record: &Replacement) -> Vec<u8> {
    let mut key = Vec::with_capacity(96);
    let mut text = |t: Option<&str>| {
        key.extend_from_slice(t.unwrap_or("\u{1}").as_bytes());
        key.push(0);
    };
    text(Some(&record.machine));
    text(Some(&record.part));
    text(record.position.as_deref());
    text(Some(&record.reason));
    text(record.serial.as_deref());
    text(record.serial_out.as_deref());
    for (name, value) in &record.extra {
        text(Some(name));
        text(Some(value));
    }
    let numbers = format!(
        "{}|{:?}|{:?}|{:?}",
        record.date,
        record.hours.map(f64::to_bits),
        record.quantity,
        record.worn_count
    );
    key.extend_from_slice(numbers.as_bytes());
    key
}
