//! A fleet folder → [`Fleet`].

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::civil::Date;
use rayon::prelude::*;

use super::any_of::{AnyOf, assign};
use super::arrange;
use super::catalogue::Setting;
use super::columns::RECORDS;
use super::fleet_file::{FleetFile, SerialWord};
use super::names::Names;
use super::opened::Opened;
use super::positions;
use super::replacements::{ReplacementRows, SharedNames};
use super::serials::{self, SerialIs};
use super::settings::fleet_file;
use super::shared::sort_by_text;
use super::similar;
use super::text::{list, quoted};
use super::{
    Disposition, Fleet, Gap, Job, MachineFacts, MeterReset, Part, Problem, Reading, RecordsError,
    Replacement, TensionCheck, Text,
};

/// Name of the settings file of a fleet folder.
pub const FLEET_FILE: &str = "fleet.toml";

/// How to look at a fleet folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LoadOptions {
    /// Look from this day instead of the fleet's own.
    pub as_of: Option<Date>,
    /// Refuse the folder when any row is set aside.
    pub strict: bool,
}

/// What to make of names that are nearly, but not quite, those of a machine or part.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum NearNames {
    /// Set their rows aside: only a person can know.
    #[default]
    SetAside,
    /// Take them as the name they are near to.
    AsMeant,
    /// Take them as machines and parts of their own.
    AsOthers,
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
        let fleet = FleetFiles::read(dir)?.fleet(*options, NearNames::SetAside)?;
        if options.strict && fleet.rows.set_aside > 0 {
            return Err(set_aside_error(&fleet.problems, fleet.rows.set_aside));
        }
        Ok(fleet)
    }
}

/// The files of a fleet folder, read; what near names mean is still open.
#[derive(Clone)]
pub struct FleetFiles<'a> {
    file: FleetFile,
    loading: Loading<'a>,
}

impl<'a> FleetFiles<'a> {
    /// Reads `fleet.toml` and every file it names.
    ///
    /// # Errors
    /// As [`Fleet::load`].
    pub fn read(dir: &'a Path) -> Result<Self, RecordsError> {
        let file = fleet_file(dir)?;
        let mut loading = Loading::new(&file, dir)?;
        loading.read_files(&file)?;
        Ok(Self { file, loading })
    }

    /// Whether it may matter how near names are taken.
    pub fn may_hold_near_names(&self) -> bool {
        self.loading.rows.may_hold_near_parts() || self.loading.machine_names.holds_similar()
    }

    /// The fleet, with names that are nearly those of a machine or part taken in one way; `strict`
    /// is not looked at.
    ///
    /// # Errors
    /// As [`Fleet::load`].
    pub fn fleet(self, options: LoadOptions, near: NearNames) -> Result<Fleet, RecordsError> {
        self.loading.finish(self.file, options, near)
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
#[derive(Clone)]
pub(super) struct Loading<'a> {
    pub(super) dir: &'a Path,
    pub(super) parts: Vec<Part>,
    pub(super) facts: Vec<MachineFacts>,
    pub(super) machine_names: Names,
    pub(super) part_names: Names,
    pub(super) rows: ReplacementRows,
    pub(super) readings: Vec<Reading>,
    pub(super) resets: Vec<MeterReset>,
    pub(super) tension: Vec<TensionCheck>,
    pub(super) practice_unusable: Option<String>,
    pub(super) jobs: Vec<Job>,
    /// Jobs that leave open which machines go.
    pub(super) open_jobs: Vec<AnyOf>,
    pub(super) problems: Vec<Problem>,
    pub(super) notes: Vec<String>,
    /// Files that state whose serial numbers they hold.
    pub(super) serial_is: BTreeMap<Text, SerialIs>,
    /// Files that have a column for each side.
    pub(super) both_serials: BTreeSet<Text>,
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

    fn finish(
        mut self,
        file: FleetFile,
        options: LoadOptions,
        near: NearNames,
    ) -> Result<Fleet, RecordsError> {
        self.rows.take_near(near);
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
        let similar = similar::leave_out(&mut self.rows, &mut self.readings, &stated, near);
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
        let mut machines = self.machines_told();
        machines.extend(self.tension.iter().map(|t| Text::from(&t.machine)));
        machines.extend(self.jobs.iter().flat_map(|j| &j.machines).map(Text::from));
        machines.extend(known_ages.iter().map(|a| Text::from(&a.machine)));
        let mut machines: Vec<Text> = machines.into_iter().collect();
        sort_by_text(&mut machines, |name| *name);
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
            machines,
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
        let records = self.rows.replacements.par_iter().map(|r| r.date);
        let readings = self.readings.par_iter().map(|r| r.date);
        let last = records.chain(readings).max();
        stated.or(last).ok_or_else(|| {
            Setting { file: FLEET_FILE }.refuse(
                "[fleet], as_of",
                "no record and no reading has a readable date, so the day up to which the records are complete must be stated",
            )
        })
    }

    /// Sets aside what is dated after `as_of`.
    fn leave_out_later(&mut self, as_of: Date) {
        let records = self.rows.replacements.par_iter();
        let later: Vec<Replacement> = records.filter(|r| r.date > as_of).copied().collect();
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

    /// A rate stated for the fleet goes to every machine that states none.
    fn state_use_rates(
        &mut self,
        rate: Option<f64>,
        setting: &Setting<'_>,
        machines: &[Text],
    ) -> Result<(), RecordsError> {
        let Some(rate) = rate else { return Ok(()) };
        let rate = setting.rate("[fleet], hours_per_day", rate)?;
        for machine in machines {
            if !self.facts.iter().any(|f| f.name == *machine) {
                self.facts.push(MachineFacts {
                    name: machine.to_string(),
                    hours_per_day: Some(rate),
                    ..MachineFacts::default()
                });
            }
        }
        self.facts.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(())
    }
}
