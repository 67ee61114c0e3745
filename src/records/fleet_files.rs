//! The files beside the replacement exports: meter readings, tension checks, the schedule.

use std::collections::{BTreeMap, BTreeSet};

use super::any_of::{AnyOf, any_of};
use super::catalogue::{MM_PER_INCH, NEWTON_PER_LBF, Setting};
use super::columns::{JOBS, READINGS, TENSION};
use super::dates::DateColumn;
use super::fleet_file::{ForceWord, JobsEntry, LengthWord, ReadingsEntry, TensionEntry};
use super::job_spread::{self, HoursMarks};
use super::load::{FLEET_FILE, Loading};
use super::numbers::DecimalMark;
use super::opened::Opened;
use super::replacements::{ABSURD_HOURS, per_hour};
use super::{Job, MeterReset, Reading, RecordsError, TensionCheck};

/// Units of length that a cell may state itself, and how many make an inch.
const LENGTHS: [(&str, f64); 6] = [
    ("mm", MM_PER_INCH),
    ("inches", 1.0),
    ("inch", 1.0),
    ("in.", 1.0),
    ("in", 1.0),
    ("\"", 1.0),
];
/// Units of force that a cell may state itself, and how many make a pound-force.
const FORCES: [(&str, f64); 4] = [
    ("lbf", 1.0),
    ("lbs", 1.0),
    ("lb", 1.0),
    ("n", NEWTON_PER_LBF),
];

/// A number cell that may state its unit: the number, and its unit's factor where it does.
fn measured(
    opened: &Opened,
    row: usize,
    key: &str,
    mark: DecimalMark,
    units: &[(&str, f64)],
) -> Result<Option<(f64, Option<f64>)>, ()> {
    let text = opened.text(row, key).to_lowercase();
    for (unit, per) in units {
        if let Some(number) = text.strip_suffix(unit).map(str::trim_end)
            && number.ends_with(|c: char| c.is_ascii_digit())
        {
            return mark.read(number).map(|n| Some((n, Some(*per)))).ok_or(());
        }
    }
    Ok(opened.number(row, key, mark)?.map(|n| (n, None)))
}

impl Loading<'_> {
    pub(super) fn read_readings(&mut self, entry: &ReadingsEntry) -> Result<(), RecordsError> {
        if !entry.file.is_empty() || entry.resets.is_empty() {
            self.read_meter(entry)?;
        }
        for reset in &entry.resets {
            let setting = Setting { file: FLEET_FILE };
            let ok = |v: f64| (0.0..ABSURD_HOURS).contains(&v);
            self.resets.push(MeterReset {
                machine: self.machine_names.learn(&reset.machine).into(),
                date: reset.date,
                new_reading: setting.number(
                    "[[readings.resets]], new_reading",
                    reset.new_reading,
                    "hours ≥ 0",
                    ok,
                )?,
                old_reading: match reset.old_reading {
                    Some(old) => Some(setting.number(
                        "[[readings.resets]], old_reading",
                        old,
                        "hours ≥ 0",
                        ok,
                    )?),
                    None => None,
                },
            });
        }
        Ok(())
    }

    /// The readings of a file.
    fn read_meter(&mut self, entry: &ReadingsEntry) -> Result<(), RecordsError> {
        let opened = Opened::new(self.dir, entry.source(), &READINGS)?;
        self.notes.extend(opened.notes());
        let ways = opened.dates_beside_meter("", &mut self.notes)?;
        let (mut dates, decimal) = (DateColumn::new(ways.dates), ways.hours);
        let to_hours = per_hour(entry.hours_unit);
        for row in opened.rows() {
            let machine = opened.text(row, "machine");
            let date = opened.date(row, "date", &mut dates);
            let hours = opened
                .number(row, "hours", decimal)
                .ok()
                .flatten()
                .map(|h| h / to_hours);
            let bad = |key, code: &str, allowed: &str| {
                opened.problem(
                    row,
                    key,
                    code,
                    allowed,
                    "Correct the reading in the file; it is left out until then.",
                )
            };
            match (machine.is_empty(), date, hours) {
                (true, ..) => {
                    self.problems
                        .push(bad("machine", "reading_no_machine", "a machine's name"));
                }
                (_, None, _) => self.problems.push(bad(
                    "date",
                    "reading_unreadable_date",
                    "a day, written as the rest of the column",
                )),
                (_, _, None) => self.problems.push(bad(
                    "hours",
                    "reading_unreadable_hours",
                    "a number of hours",
                )),
                (_, _, Some(h)) if !(0.0..ABSURD_HOURS).contains(&h) => {
                    self.problems.push(bad(
                        "hours",
                        "reading_absurd_hours",
                        "hours from 0 to 1,000,000",
                    ));
                }
                (false, Some(date), Some(hours)) => self.readings.push(Reading {
                    date,
                    machine: self.machine_names.learn(machine),
                    hours,
                    row: opened.row_ref(row),
                }),
            }
        }
        Ok(())
    }

    /// Goes on without comparing practices: tension has no part in what lasts how long here.
    pub(super) fn without_practice(&mut self, error: &RecordsError) {
        self.notes
            .push(format!("{error}. Belt tension is not compared until then."));
        self.practice_unusable
            .get_or_insert_with(|| error.to_string());
    }

    pub(super) fn read_tension(&mut self, entry: &TensionEntry) -> Result<(), RecordsError> {
        let opened = Opened::new(self.dir, entry.source(), &TENSION)?;
        self.notes.extend(opened.notes());
        let Some(unit) = entry.unit else {
            self.without_practice(&Setting { file: FLEET_FILE }.refuse(
                "[[tension]], unit",
                format!(
                    "it is missing, so {} is left out; allowed is \"in\" or \"mm\"",
                    entry.file
                ),
            ));
            return Ok(());
        };
        let mut dates = opened.dates("date", &mut self.notes)?;
        let decimal = opened.decimal("deflection", &mut self.notes)?;
        let force_decimal = opened.decimal("force", &mut self.notes)?;
        let per_inch = if unit == LengthWord::Mm {
            MM_PER_INCH
        } else {
            1.0
        };
        let per_lbf = if entry.force_unit == Some(ForceWord::Newton) {
            NEWTON_PER_LBF
        } else {
            1.0
        };
        for row in opened.rows() {
            let machine = opened.text(row, "machine");
            let date = opened.date(row, "date", &mut dates);
            let deflection = measured(&opened, row, "deflection", decimal, &LENGTHS)
                .ok()
                .flatten()
                .map(|(length, per)| length / per.unwrap_or(per_inch))
                .filter(|d| *d > 0.0);
            let force = measured(&opened, row, "force", force_decimal, &FORCES)
                .map(|told| told.map(|(force, per)| force / per.unwrap_or(per_lbf)));
            let bad = |key, code: &str, allowed: &str| {
                opened.problem(
                    row,
                    key,
                    code,
                    allowed,
                    "Correct the check in the file; it is left out until then.",
                )
            };
            match (machine.is_empty(), date, deflection, force) {
                (true, ..) => {
                    self.problems
                        .push(bad("machine", "tension_no_machine", "a machine's name"));
                }
                (_, None, ..) => self.problems.push(bad(
                    "date",
                    "tension_unreadable_date",
                    "a day, written as the rest of the column",
                )),
                (_, _, None, _) => self.problems.push(bad(
                    "deflection",
                    "tension_unreadable_deflection",
                    "a length > 0, with or without its unit (in, mm)",
                )),
                (.., Err(())) => self.problems.push(bad(
                    "force",
                    "tension_unreadable_force",
                    "a force > 0 with or without its unit (lbf, N), or an empty cell",
                )),
                (false, Some(date), Some(deflection), Ok(force)) => {
                    self.tension.push(TensionCheck {
                        date,
                        machine: self.machine_names.learn(machine).into(),
                        deflection_in: deflection,
                        force_lbf: force.or(entry.force.map(|f| f / per_lbf)),
                        row: opened.row_ref(row),
                    });
                }
            }
        }
        Ok(())
    }

    pub(super) fn read_jobs(&mut self, entry: &JobsEntry) -> Result<(), RecordsError> {
        let opened = Opened::new(self.dir, entry.source(), &JOBS)?;
        self.notes.extend(opened.notes());
        let mut starts = opened.dates("start", &mut self.notes)?;
        let mut ends = opened.dates("end", &mut self.notes)?;
        let marks = HoursMarks::of(&opened, &mut self.notes)?;
        for row in opened.rows() {
            const DAY: &str = "a day, written as the rest of the column";
            let name = opened.text(row, "job").to_owned();
            if name.is_empty() {
                return Err(opened.cell_error(row, "job", "a name for the job"));
            }
            let start = opened
                .date(row, "start", &mut starts)
                .ok_or_else(|| opened.cell_error(row, "start", DAY))?;
            let end = opened
                .date(row, "end", &mut ends)
                .ok_or_else(|| opened.cell_error(row, "end", DAY))?;
            if end < start {
                return Err(opened.cell_error(
                    row,
                    "end",
                    format!("a day not before the start, {start}"),
                ));
            }
            let (hours, spread) = job_spread::read(&opened, row, &marks)?;
            let written = opened.text(row, "machine");
            if written.contains(',')
                && !written.contains(';')
                && self.machine_names.known(written).is_none()
            {
                return Err(opened.cell_error(
                    row,
                    "machine",
                    "a machine, or several separated by ; (not by a comma)",
                ));
            }
            let choice = any_of(written);
            let machines: BTreeSet<String> = choice
                .map_or(written, |(_, among)| among)
                .split(';')
                .map(str::trim)
                .filter(|m| !m.is_empty())
                .map(|m| self.machine_names.learn(m).into())
                .collect();
            if machines.is_empty() {
                return Err(opened.cell_error(
                    row,
                    "machine",
                    "a machine, several separated by ;, or any 2 of M1;M2;M3",
                ));
            }
            let mut machines: Vec<String> = machines.into_iter().collect();
            if let Some((number, _)) = choice {
                if number == 0 || number > machines.len() {
                    return Err(opened.cell_error(
                        row,
                        "machine",
                        format!("any 1 to {} of the machines listed", machines.len()),
                    ));
                }
                self.open_jobs.push(AnyOf {
                    job: name.clone(),
                    number,
                    among: std::mem::take(&mut machines),
                    row: opened.row_ref(row),
                    column: opened.columns.heading("machine"),
                    found: written.to_owned(),
                });
            }
            let mut covariates = BTreeMap::new();
            for &column in &opened.columns.others {
                let value = opened.table.cell(row, column);
                if !value.is_empty() {
                    covariates.insert(opened.columns.headings[column].clone(), value.to_owned());
                }
            }
            self.add_job(
                &opened,
                row,
                Job {
                    name,
                    start,
                    end,
                    machines,
                    hours,
                    spread,
                    covariates,
                    row: opened.row_ref(row),
                },
            )?;
        }
        Ok(())
    }

    /// Adds a job; a further row of the same job may only add machines.
    fn add_job(&mut self, opened: &Opened, row: usize, job: Job) -> Result<(), RecordsError> {
        let Some(first) = self.jobs.iter_mut().find(|j| j.name == job.name) else {
            self.jobs.push(job);
            return Ok(());
        };
        if (first.start, first.end, &first.covariates) != (job.start, job.end, &job.covariates)
            || (first.hours, first.spread) != (job.hours, job.spread)
        {
            return Err(opened.cell_error(
                row,
                "job",
                format!(
                    "a name of its own, or the same days and hours as in {}",
                    first.row
                ),
            ));
        }
        first.machines.extend(job.machines);
        first.machines.sort();
        first.machines.dedup();
        Ok(())
    }
}
