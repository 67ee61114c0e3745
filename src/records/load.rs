//! A fleet folder → [`Fleet`].

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::Path;

use jiff::civil::Date;
use rayon::prelude::*;

use super::any_of::{AnyOf, any_of, assign};
use super::arrange;
use super::catalogue::{MM_PER_INCH, NEWTON_PER_LBF, Setting};
use super::columns::{JOBS, READINGS, RECORDS, TENSION};
use super::contents;
use super::fleet_file::{
    FleetFile, ForceWord, JobsEntry, LengthWord, ReadingsEntry, SerialWord, TensionEntry,
};
use super::names::Names;
use super::opened::Opened;
use super::positions;
use super::replacements::{ABSURD_HOURS, ReplacementRows, SharedNames, per_hour};
use super::serials::{self, SerialIs};
use super::similar;
use super::text::{list, quoted};
use super::{
    Disposition, Fleet, Gap, Job, MachineFacts, MeterReset, Part, Problem, Reading, RecordsError,
    Replacement, TensionCheck, Text,
};

/// Name of the settings file of a fleet folder.
pub const FLEET_FILE: &str = "fleet.toml";
/// Largest settings file, bytes.
const MAX_SETTINGS: u64 = 16 << 20;
/// Characters of a line of the settings that a message repeats.
const LONGEST_LINE: usize = 300;

/// How to look at a fleet folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LoadOptions {
    /// Look from this day instead of the fleet's own.
    pub as_of: Option<Date>,
    /// Refuse the folder when any row is set aside.
    pub strict: bool,
}

impl Fleet {
    /// Reads a fleet folder: `fleet.toml` and every file it names.
    ///
    /// Rows that cannot be used become [`Problem`]s; [`Fleet::rows`] always adds up.
    ///
    /// # Errors
    /// A file that cannot be read, a setting that is not allowed, a column that is not there or
    /// cannot be settled, a schedule with a cell that cannot be used; with `strict`, any row set aside.
    pub fn load(dir: &Path, options: &LoadOptions) -> Result<Self, RecordsError> {
        let file = fleet_file(dir)?;
        let mut loading = Loading::new(&file, dir)?;
        loading.read_files(&file)?;
        let fleet = loading.finish(file, *options)?;
        if options.strict && fleet.rows.set_aside > 0 {
            return Err(set_aside_error(&fleet.problems, fleet.rows.set_aside));
        }
        Ok(fleet)
    }
}

/// Reads `fleet.toml`.
pub(super) fn fleet_file(dir: &Path) -> Result<FleetFile, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: FLEET_FILE.to_owned(),
        what,
    };
    let bytes = contents::read(&dir.join(FLEET_FILE), FLEET_FILE, MAX_SETTINGS)?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let line = error.as_bytes()[..error.utf8_error().valid_up_to()]
            .split(|b| *b == b'\n')
            .count();
        refuse(format!(
            "line {line} is not UTF-8 text; save the file as UTF-8"
        ))
    })?;
    toml::from_str(&text).map_err(|error| {
        let said: Vec<String> = error
            .to_string()
            .trim_end()
            .lines()
            .map(cut_short)
            .collect();
        refuse(format!("{}{}", said.join("\n"), hint(&text, error.span())))
    })
}

/// A line of a message about the settings, which may repeat a line of them.
fn cut_short(line: &str) -> String {
    match line.char_indices().nth(LONGEST_LINE) {
        Some((at, _)) => format!("{}…", &line[..at]),
        None => line.to_owned(),
    }
}

/// What is meant where a setting is written the way people write it elsewhere.
fn hint(text: &str, span: Option<std::ops::Range<usize>>) -> &'static str {
    let at = span.map_or(0, |s| s.start.min(text.len()));
    let begin = text
        .get(..at)
        .and_then(|before| before.rfind('\n'))
        .map_or(0, |n| n + 1);
    let line = text
        .get(begin..)
        .and_then(|rest| rest.lines().next())
        .unwrap_or_default();
    let value = line.split_once('=').map_or("", |(_, value)| value.trim());
    let digits_and = |mark: char| {
        value.contains(mark)
            && value
                .trim_matches('"')
                .starts_with(|c: char| c.is_ascii_digit())
    };
    if digits_and('%') {
        "\nA share is written as a number: 95% is 0.95."
    } else if digits_and('/') || (digits_and('.') && value.matches('.').count() > 1) {
        "\nA day is written year-month-day: 2 June 2025 is 2025-06-02."
    } else {
        ""
    }
}

/// The error of strict reading.
pub fn set_aside_error(problems: &[Problem], count: u64) -> RecordsError {
    let first = problems
        .iter()
        .find(|p| p.disposition == Disposition::SetAside);
    RecordsError::SetAside {
        count,
        first: first.map_or_else(String::new, ToString::to_string),
    }
}

/// What has been read so far.
struct Loading<'a> {
    dir: &'a Path,
    parts: Vec<Part>,
    facts: Vec<MachineFacts>,
    machine_names: Names,
    part_names: Names,
    rows: ReplacementRows,
    readings: Vec<Reading>,
    resets: Vec<MeterReset>,
    tension: Vec<TensionCheck>,
    practice_unusable: Option<String>,
    jobs: Vec<Job>,
    /// Jobs that leave open which machines go.
    open_jobs: Vec<AnyOf>,
    problems: Vec<Problem>,
    notes: Vec<String>,
    /// Files that state whose serial numbers they hold.
    serial_is: BTreeMap<Text, SerialIs>,
    /// Files that have a column for each side.
    both_serials: BTreeSet<Text>,
}

impl<'a> Loading<'a> {
    fn new(file: &FleetFile, dir: &'a Path) -> Result<Self, RecordsError> {
        let setting = Setting { file: FLEET_FILE };
        if file.fleet.name.trim().is_empty() {
            return Err(setting.refuse("[fleet], name", "found nothing, allowed is a name"));
        }
        let facts = setting.machines(&file.machine, file.fleet.hours_per_day)?;
        let mut machine_names = Names::default();
        for machine in &facts {
            machine_names.add(&machine.name, &machine.aliases);
        }
        let mut part_names = Names::default();
        Ok(Self {
            dir,
            parts: Vec::new(),
            facts,
            machine_names,
            rows: ReplacementRows::default(),
            readings: Vec::new(),
            resets: Vec::new(),
            tension: Vec::new(),
            practice_unusable: None,
            jobs: Vec::new(),
            open_jobs: Vec::new(),
            problems: Vec::new(),
            notes: Vec::new(),
            serial_is: BTreeMap::new(),
            both_serials: BTreeSet::new(),
            part_names: std::mem::take(&mut part_names),
        })
    }

    fn read_files(&mut self, file: &FleetFile) -> Result<(), RecordsError> {
        if file.records.is_empty() {
            return Err(Setting { file: FLEET_FILE }.refuse(
                "[[records]]",
                "no export is named; name at least one with file = \"…\"",
            ));
        }
        let mut taken = BTreeSet::new();
        for entry in &file.records {
            if !taken.insert((&entry.file, &entry.sheet)) {
                return Err(Setting { file: FLEET_FILE }.refuse(
                    "[[records]], file",
                    format!("{} is named twice", quoted(&entry.file)),
                ));
            }
        }
        for part in &file.part {
            self.part_names.add(part.name.trim(), &part.aliases);
        }
        for entry in &file.records {
            let opened = Opened::new(self.dir, entry.source(), &RECORDS)?;
            self.notes.extend(opened.notes());
            if let Some(word) = entry.serial_is {
                let is = match word {
                    SerialWord::Fitted => SerialIs::Fitted,
                    SerialWord::Removed => SerialIs::Removed,
                };
                self.serial_is.insert(Text::from(&entry.file), is);
            }
            if opened.columns.get("serial_out").is_some() {
                self.both_serials.insert(Text::from(&entry.file));
            }
            let mut names = SharedNames {
                machines: &mut self.machine_names,
                parts: &mut self.part_names,
            };
            self.rows
                .read(&opened, entry, &mut names, &mut self.notes)?;
        }
        for entry in &file.readings {
            self.read_readings(entry)?;
        }
        for entry in &file.tension {
            self.read_tension(entry)?;
        }
        for entry in &file.jobs {
            self.read_jobs(entry)?;
        }
        Ok(())
    }

    fn read_readings(&mut self, entry: &ReadingsEntry) -> Result<(), RecordsError> {
        let opened = Opened::new(self.dir, entry.source(), &READINGS)?;
        self.notes.extend(opened.notes());
        let mut dates = opened.dates("date", &mut self.notes)?;
        let decimal = opened.decimal("hours", &mut self.notes)?;
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

    fn read_tension(&mut self, entry: &TensionEntry) -> Result<(), RecordsError> {
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
            let deflection = opened
                .number(row, "deflection", decimal)
                .ok()
                .flatten()
                .filter(|d| *d > 0.0);
            let force = opened.number(row, "force", force_decimal);
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
                    "a length > 0",
                )),
                (.., Err(())) => self.problems.push(bad(
                    "force",
                    "tension_unreadable_force",
                    "a force > 0, or an empty cell",
                )),
                (false, Some(date), Some(deflection), Ok(force)) => {
                    self.tension.push(TensionCheck {
                        date,
                        machine: self.machine_names.learn(machine).into(),
                        deflection_in: deflection / per_inch,
                        force_lbf: force.or(entry.force).map(|f| f / per_lbf),
                        row: opened.row_ref(row),
                    });
                }
            }
        }
        Ok(())
    }

    /// Goes on without comparing practices: tension has no part in what lasts how long here.
    fn without_practice(&mut self, error: &RecordsError) {
        self.notes
            .push(format!("{error}. Belt tension is not compared until then."));
        self.practice_unusable
            .get_or_insert_with(|| error.to_string());
    }

    fn read_jobs(&mut self, entry: &JobsEntry) -> Result<(), RecordsError> {
        let opened = Opened::new(self.dir, entry.source(), &JOBS)?;
        self.notes.extend(opened.notes());
        let mut starts = opened.dates("start", &mut self.notes)?;
        let mut ends = opened.dates("end", &mut self.notes)?;
        let decimal = opened.decimal("hours", &mut self.notes)?;
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
            let hours = match opened.number(row, "hours", decimal) {
                Ok(Some(h)) if (0.0..ABSURD_HOURS).contains(&h) => h,
                _ => {
                    return Err(opened.cell_error(
                        row,
                        "hours",
                        "operating hours per machine, ≥ 0",
                    ));
                }
            };
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
            || first.hours != job.hours
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

    fn finish(mut self, file: FleetFile, options: LoadOptions) -> Result<Fleet, RecordsError> {
        let setting = Setting { file: FLEET_FILE };
        let not_stated: Vec<&String> = file
            .part
            .iter()
            .filter(|p| p.per_machine.is_none() && p.positions.is_empty())
            .map(|p| &p.name)
            .collect();
        if !not_stated.is_empty() {
            self.notes.push(format!(
                "A machine is taken to carry 1 of {}; state per_machine in [[part]] where it carries more.",
                list(not_stated)
            ));
        }
        self.parts = setting.parts(file.part)?;
        let machine_names = std::cell::RefCell::new(std::mem::take(&mut self.machine_names));
        let known_ages = setting.known_ages(&file.fitted, &self.parts, |name| {
            machine_names.borrow_mut().learn(name).into()
        })?;
        let mut machine_names = machine_names.into_inner();
        for part in &mut self.parts {
            for machine in &mut part.machines {
                *machine = machine_names.learn(machine).into();
            }
        }
        let practice = match file.practice.as_ref().map(|p| setting.practice(p)) {
            Some(Ok(practice)) => Some(practice),
            Some(Err(error)) => {
                self.without_practice(&error);
                None
            }
            None => None,
        };
        let service_level = setting.number(
            "[stock], service_level",
            file.stock.service_level.unwrap_or(0.95),
            "a chance above 0 and below 1",
            |v| v > 0.0 && v < 1.0,
        )?;
        let chance_unseen = setting.number(
            "[inspection], chance_unseen",
            file.inspection.chance_unseen.unwrap_or(0.1),
            "a chance above 0 and below 1",
            |v| v > 0.0 && v < 1.0,
        )?;
        let as_of = self.as_of(options.as_of.or(file.fleet.as_of))?;
        self.leave_out_later(as_of);
        let stated = self.facts.iter().map(|f| f.name.clone()).collect();
        let similar = similar::leave_out(&mut self.rows, &mut self.readings, &stated);
        self.problems.extend(similar);
        let assigned = assign(&mut self.jobs, std::mem::take(&mut self.open_jobs))?;
        self.problems.extend(assigned);
        positions::settle(
            &mut self.parts,
            &mut self.rows.replacements,
            &mut self.notes,
        )?;
        arrange::arrange(&mut self.rows);
        serials::settle(
            &mut self.rows.replacements,
            &self.serial_is,
            &self.both_serials,
            &mut self.notes,
        )?;
        self.note_machines_without_records();
        self.note_overlapping_jobs();
        let mut machines: BTreeSet<String> = self
            .machines_told()
            .into_iter()
            .map(str::to_owned)
            .collect();
        machines.extend(self.tension.iter().map(|t| t.machine.clone()));
        machines.extend(self.jobs.iter().flat_map(|j| j.machines.iter().cloned()));
        machines.extend(known_ages.iter().map(|a| a.machine.clone()));
        self.state_use_rates(file.fleet.hours_per_day, &setting, &machines)?;
        self.readings
            .par_sort_by(|a, b| (a.machine, a.date, a.row).cmp(&(b.machine, b.date, b.row)));
        self.tension
            .sort_by(|a, b| (&a.machine, a.date, a.row).cmp(&(&b.machine, b.date, b.row)));
        self.resets
            .sort_by(|a, b| (&a.machine, a.date).cmp(&(&b.machine, b.date)));
        self.jobs
            .sort_by(|a, b| (a.start, &a.name).cmp(&(b.start, &b.name)));
        let mut problems = std::mem::take(&mut self.rows.problems);
        problems.append(&mut self.problems);
        Ok(Fleet {
            name: file.fleet.name.trim().to_owned(),
            as_of,
            currency: file.fleet.currency,
            service_level,
            review_days: file.stock.review_days.unwrap_or(7),
            chance_unseen,
            parts: self.parts,
            machines: machines.into_iter().collect(),
            machine_facts: self.facts,
            known_ages,
            replacements: self.rows.replacements,
            merged: self.rows.merged,
            readings: self.readings,
            resets: self.resets,
            tension: self.tension,
            jobs: self.jobs,
            practice: practice.filter(|_| self.practice_unusable.is_none()),
            practice_unusable: self.practice_unusable,
            gaps: self.rows.gaps,
            problems,
            rows: self.rows.rows,
            notes: self.notes,
        })
    }

    /// The stated day, else the last one in the records and readings.
    fn as_of(&self, stated: Option<Date>) -> Result<Date, RecordsError> {
        let last = self
            .rows
            .replacements
            .iter()
            .map(|r| r.date)
            .chain(self.readings.iter().map(|r| r.date))
            .max();
        stated.or(last).ok_or_else(|| {
            Setting { file: FLEET_FILE }.refuse(
                "[fleet], as_of",
                "no record and no reading has a readable date, so the day up to which the records are complete must be stated",
            )
        })
    }

    /// Sets aside what is dated after `as_of`.
    fn leave_out_later(&mut self, as_of: Date) {
        let later: Vec<Replacement> = self
            .rows
            .replacements
            .iter()
            .filter(|r| r.date > as_of)
            .copied()
            .collect();
        if !later.is_empty() {
            self.rows.replacements.retain(|r| r.date <= as_of);
        }
        for record in later {
            self.rows.rows.used -= 1;
            self.rows.rows.set_aside += 1;
            self.problems.push(Problem {
                code: "after_as_of".into(),
                disposition: Disposition::SetAside,
                rows: vec![record.row],
                column: Some("date".into()),
                found: Some(record.date.to_string().into()),
                allowed: Some(format!("a day up to {as_of}").into()),
                advice: "Move as_of in [fleet] forward if the records are complete up to this row; correct the date if it is a slip.".into(),
            });
            // A meter that has already passed this reading says that the date is a slip.
            self.rows.gaps.push(Gap::of(&record));
        }
        let mut later_readings = 0_usize;
        self.readings.retain(|r| {
            later_readings += usize::from(r.date > as_of);
            r.date <= as_of
        });
        if later_readings > 0 {
            self.notes.push(format!(
                "{later_readings} meter readings after {as_of} are left out."
            ));
        }
        self.tension.retain(|t| t.date <= as_of);
        self.resets.retain(|r| r.date <= as_of);
    }

    /// One machine cannot be at two jobs at once.
    fn note_overlapping_jobs(&mut self) {
        let mut by_machine: BTreeMap<&str, Vec<&Job>> = BTreeMap::new();
        for job in &self.jobs {
            for machine in &job.machines {
                by_machine.entry(machine).or_default().push(job);
            }
        }
        for (machine, mut jobs) in by_machine {
            jobs.sort_by(|a, b| (a.start, &a.name).cmp(&(b.start, &b.name)));
            for pair in jobs.windows(2) {
                let [first, second] = pair else { continue };
                if second.start < first.end {
                    self.problems.push(Problem {
                        code: "jobs_overlap".into(),
                        disposition: Disposition::Flagged,
                        rows: vec![first.row, second.row],
                        column: Some("machine".into()),
                        found: Some(format!("{} at {} until {} and at {} from {}", quoted(machine), quoted(&first.name), first.end, quoted(&second.name), second.start).into()),
                        allowed: None,
                        advice: "One machine cannot be at two jobs at once; correct the days or the machines. Until then both jobs count in full.".into(),
                    });
                }
            }
        }
    }

    /// Machines that a record, a reading or a stated fact knows.
    fn machines_told(&self) -> BTreeSet<&str> {
        let mut told: HashSet<Text> = HashSet::new();
        let mut last: Option<Text> = None;
        for record in &self.rows.replacements {
            if last != Some(record.machine) {
                last = Some(record.machine);
                told.insert(record.machine);
            }
        }
        told.extend(self.rows.gaps.iter().filter_map(|g| g.machine));
        told.extend(self.readings.iter().map(|r| r.machine));
        told.into_iter()
            .map(|name| -> &str { name.as_str() })
            .chain(self.facts.iter().map(|f| f.name.as_str()))
            .collect()
    }

    /// A machine that only the schedule knows may be a slip of the pen.
    fn note_machines_without_records(&mut self) {
        let known = self.machines_told();
        let mut problems = Vec::new();
        let mut said = BTreeSet::new();
        for job in &self.jobs {
            for machine in &job.machines {
                if !known.contains(machine.as_str()) && said.insert(machine.as_str()) {
                    problems.push(Problem {
                        code: "machine_without_records".into(),
                        disposition: Disposition::Flagged,
                        rows: vec![job.row],
                        column: Some("machine".into()),
                        found: Some(quoted(machine).into()),
                        allowed: Some(format!("a machine of the records: {}", list(&known)).into()),
                        advice: "No record or reading knows this machine, so the ages of its parts are unknown. Correct the name, add it to a [[machine]]'s aliases, or state a new machine with [[machine]] and new_on.".into(),
                    });
                }
            }
        }
        self.problems.append(&mut problems);
    }

    /// A rate stated for the fleet goes to every machine that states none.
    fn state_use_rates(
        &mut self,
        rate: Option<f64>,
        setting: &Setting<'_>,
        machines: &BTreeSet<String>,
    ) -> Result<(), RecordsError> {
        let Some(rate) = rate else { return Ok(()) };
        let rate = setting.rate("[fleet], hours_per_day", rate)?;
        for machine in machines {
            if !self.facts.iter().any(|f| f.name == *machine) {
                self.facts.push(MachineFacts {
                    name: machine.clone(),
                    hours_per_day: Some(rate),
                    ..MachineFacts::default()
                });
            }
        }
        self.facts.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(())
    }
}
