//! What a forecast starts from: each machine's hours ahead, and each part kind's curves and fitted
//! parts. Forecast and stock plan ask it for demand in any window of days.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use rayon::prelude::*;

use super::cases::{Case, WorkedOut};
use super::costs::Costs;
use super::demand::{Accuracy, JobStart};
use super::first_life::FirstLife;
use super::levels::{Levels, pooled, said_of_levels, weighed_by_level};
use super::mixture::Mixture;
use super::place_ahead::{PlaceAhead, Under};
use super::policy::{StartCosts, WearTable};
use super::remaining::weighed;
use super::schedule::MachineSchedule;
use super::sum::FEW;
use super::thin::{self, thinned};
use super::types::NoForecast;
use super::untold::Untold;
use super::ways::{FEW_WAYS, WAYS, WAYS_ERROR, ways};
use crate::lives::{Fitted, Lives};
use crate::meters::Meters;
use crate::models::{Basis, Caution, CautionCode, LifeModel, WeibullNode};
use crate::records::{ChangedHow, Fleet, Job, Part, Text, Verdict};

/// How to look ahead.
#[derive(Debug, Clone, PartialEq)]
pub struct ForecastOptions {
    /// Every job's hours are multiplied by this.
    pub hours_factor: f64,
    /// Names of jobs that are left out.
    pub skip_jobs: Vec<String>,
    /// Why a part has no life model, by part, where the caller knows.
    pub no_model: BTreeMap<String, String>,
    /// How exact the demand distributions must be.
    pub accuracy: Accuracy,
    /// No part is changed ahead of time, whatever it costs.
    pub run_until_worn: bool,
}

impl Default for ForecastOptions {
    fn default() -> Self {
        Self {
            hours_factor: 1.0,
            skip_jobs: Vec::new(),
            no_model: BTreeMap::new(),
            accuracy: Accuracy::default(),
            run_until_worn: false,
        }
    }
}

/// One place that is renewed on its own: a position, or a set that is changed together.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Machine.
    pub machine: String,
    /// Position; for a set, its positions joined.
    pub position: String,
    /// Age where known.
    pub age_hours: Option<f64>,
    /// What the first life is taken to be.
    pub first: FirstLife,
    /// Index into [`Outlook::schedules`].
    pub schedule: usize,
    /// Level at which the part fitted wears, where its kind's life differs by level; else 0.
    pub(super) level: usize,
    /// Index into the hours ahead as they wear this part: those of its machine, or one for each machine and level.
    pub(super) course: usize,
}

/// One part kind that has a life model.
#[derive(Debug, Clone, PartialEq)]
pub struct PartOutlook {
    /// Index into the catalogue.
    pub part: usize,
    /// Name.
    pub name: String,
    /// Curves, weighed by every survival once.
    pub nodes: Vec<WeibullNode>,
    /// Fewer curves, which give the same chances of any one part.
    pub few: Vec<WeibullNode>,
    /// The same, to ask for those chances.
    pub chances: Mixture,
    /// As few curves as give the same demand.
    pub(super) for_demand: thin::Curves,
    /// Parts taken at each change.
    pub per_change: u32,
    /// Places, sorted by machine, position.
    pub places: Vec<Place>,
    /// Interval of the shape at 95 %; `None` when the life is fixed.
    pub shape_interval: Option<(f64, f64)>,
    /// What the curves rest on.
    pub basis: Basis,
    /// Costs of a change, where the catalogue has the prices.
    pub costs: Option<Costs>,
    /// Parts are changed ahead of time where that pays; else every part runs until worn.
    pub planned: bool,
    /// Costs at each start of the jobs of each course that a place takes; empty without prices.
    starts: Vec<Vec<StartCosts>>,
    /// Where lives differ by level.
    pub(super) levels: Option<Levels>,
    pub(super) worked_out: WorkedOut,
}

impl PartOutlook {
    /// Curves for a demand that is not interpolated between them.
    pub(super) fn all_for_demand(&self) -> thin::Curves {
        if self.places.len() > FEW as usize {
            self.nodes.clone().into()
        } else {
            self.for_demand.nodes.clone().into()
        }
    }

    /// Starts of a course's jobs at which the part may be changed ahead of time.
    pub(super) fn job_starts(&self, case: &Case<'_>, course: usize) -> Vec<JobStart> {
        if !self.planned {
            return Vec::new();
        }
        let times = case.ages.get(course).copied().unwrap_or(1.0);
        let runs = case.schedules[course].runs.iter();
        runs.zip(&self.starts[course])
            .map(|(run, start)| JobStart {
                at: run.from,
                change_from: start.change_from * times,
            })
            .collect()
    }

    /// Costs at each start of a place's jobs, in order; empty without prices.
    pub fn starts_of(&self, place: &Place) -> &[StartCosts] {
        self.starts.get(place.course).map_or(&[], Vec::as_slice)
    }

    /// Hours that an hour of a place's own level counts as in the ages of [`starts_of`](Self::starts_of).
    pub fn own_pace(&self, place: &Place) -> f64 {
        self.levels.as_ref().map_or(1.0, |l| l.mean[place.level])
    }

    /// Smallest age, in hours at the level of reference, from which a part is changed ahead of time.
    pub fn changed_from(&self) -> f64 {
        let starts = self.starts.iter().flatten();
        starts.map(|s| s.change_from).fold(f64::INFINITY, f64::min)
    }

    /// Whether the part is shown to wear out with age: the 95 % interval of its shape lies above 1. A belief
    /// alone shows nothing.
    pub fn wears_out(&self) -> bool {
        match (self.basis, self.shape_interval) {
            (Basis::Fixed, _) => self.nodes.iter().all(|n| n.shape > 1.0),
            (Basis::Belief, _) | (_, None) => false,
            (_, Some((low, _))) => low > 1.0,
        }
    }
}

/// A window of days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Span {
    /// One job, as an index into [`Outlook::jobs`].
    Job(usize),
    /// After the first day up to the end of the second.
    Days(Date, Date),
    /// All jobs ahead.
    All,
}

/// Everything that forecast and stock plan share.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// Day from which it looks ahead.
    pub as_of: Date,
    /// Jobs of the schedule with days ahead, after what-ifs, by start.
    pub jobs: Vec<Job>,
    /// Last day of the last job; `as_of` when there is none.
    pub end: Date,
    /// Machines in the order of `schedules`.
    pub machines: Vec<String>,
    /// Hours ahead of each machine.
    pub schedules: Arc<Vec<MachineSchedule>>,
    /// Parts with a life model, catalogue order.
    pub parts: Arc<Vec<PartOutlook>>,
    /// Parts without.
    pub no_forecast: Vec<NoForecast>,
    /// What a reader must know.
    pub cautions: Vec<Caution>,
    pub(super) accuracy: Accuracy,
    /// Whether demand by job is kept at hand, wear-outs apart. Outlooks that are rough from the start keep that of
    /// the whole schedule alone, which is what is asked of them; the rest is worked out when it is asked for.
    pub(super) by_job: bool,
    run_until_worn: bool,
    /// Ways the schedule may go, equally likely; empty where everything is as stated.
    ways: Arc<Vec<Way>>,
}

/// One way the schedule may go.
#[derive(Debug, Clone, PartialEq)]
struct Way {
    /// In the order of [`Outlook::schedules`].
    schedules: Vec<MachineSchedule>,
    /// Index among the ways that differ in hours.
    hours: usize,
}

impl Outlook {
    /// Gathers what the later stages need.
    pub fn new(
        fleet: &Fleet,
        lives: &Lives,
        models: &[LifeModel],
        options: &ForecastOptions,
    ) -> Self {
        let mut jobs: Vec<Job> = fleet
            .jobs
            .iter()
            .filter(|j| j.end > fleet.as_of && !options.skip_jobs.contains(&j.name))
            .cloned()
            .collect();
        for job in &mut jobs {
            job.hours *= options.hours_factor;
            for end in job.spread.hours.iter_mut().flatten() {
                *end *= options.hours_factor;
            }
        }
        let known = fleet.machines.iter();
        let fitted = lives.fitted.iter().map(|f| &f.machine);
        let mut machines: Vec<String> = known.chain(fitted).map(Text::to_string).collect();
        machines.extend(jobs.iter().flat_map(|j| j.machines.clone()));
        machines.sort();
        machines.dedup();
        let jobs_of = jobs_of(&jobs, &machines);
        let schedules_of = |jobs: &[Job]| -> Vec<MachineSchedule> {
            let of = |own: &Vec<usize>| {
                MachineSchedule::of(own.iter().map(|&j| (j, &jobs[j])), fleet.as_of)
            };
            jobs_of.iter().map(of).collect()
        };
        let schedules = schedules_of(&jobs);
        let rough = options.accuracy.is_rough();
        let in_ways = ways(&jobs, fleet.as_of, if rough { FEW_WAYS } else { WAYS });
        let ends = in_ways.iter().flatten().chain(&jobs).map(|j| j.end);
        let end = ends.max().unwrap_or(fleet.as_of);
        let open_hours = jobs.iter().any(|j| j.spread.hours.is_some());
        let ways: Vec<Way> = (in_ways.iter().enumerate())
            .map(|(number, jobs)| Way {
                schedules: schedules_of(jobs),
                hours: if open_hours { number } else { 0 },
            })
            .collect();
        let mut outlook = Self {
            as_of: fleet.as_of,
            end,
            jobs,
            machines,
            schedules: Arc::new(schedules),
            parts: Arc::default(),
            no_forecast: Vec::new(),
            cautions: Vec::new(),
            accuracy: options.accuracy,
            by_job: !rough,
            run_until_worn: options.run_until_worn,
            ways: Arc::new(ways),
        };
        outlook
            .cautions
            .extend(left_open(&outlook.jobs, fleet.as_of));
        if outlook.jobs.is_empty() {
            outlook.cautions.push(Caution::new(
                CautionCode::Note,
                format!(
                    "no job in the schedule has days after {}: nothing is forecast to wear out",
                    fleet.as_of
                ),
            ));
        }
        let meters = Meters::new(fleet);
        let of_part = |(index, part): (usize, &Part)| {
            let model = models.iter().find(|m| m.part == part.name);
            let Some(model) = model else {
                let known = options.no_model.get(&part.name).cloned();
                let reason = known.unwrap_or_else(|| {
                    "no life model: no worn life is recorded and no believed_life is stated"
                        .to_owned()
                });
                return (Err(NoForecast::of(part, reason)), Vec::new());
            };
            let mut cautions = Vec::new();
            let ahead = outlook.part(index, fleet, &meters, lives, model, &mut cautions);
            (ahead, cautions)
        };
        let parts: Vec<_> = (fleet.parts.par_iter().enumerate()).map(of_part).collect();
        let mut known = Vec::with_capacity(parts.len());
        for (part, cautions) in parts {
            outlook.cautions.extend(cautions);
            match part {
                Ok(part) => known.push(part),
                Err(none) => outlook.no_forecast.push(none),
            }
        }
        outlook.parts = Arc::new(known);
        outlook
    }

    /// One part kind, and what a reader must know of it.
    fn part(
        &self,
        index: usize,
        fleet: &Fleet,
        meters: &Meters,
        lives: &Lives,
        model: &LifeModel,
        cautions: &mut Vec<Caution>,
    ) -> Result<PartOutlook, NoForecast> {
        let part = &fleet.parts[index];
        let per_change = match part.changed {
            ChangedHow::AsASet => part.per_machine.max(1),
            ChangedHow::Singly => 1,
        };
        let mut places: Vec<Place> = Vec::new();
        let mut uncounted: Vec<(FirstLife, usize)> = Vec::new();
        let mut unknown = 0;
        let mut untold = Untold::new(lives, model);
        let mut levels = (model.by_level.as_ref()).map(|by| (by, Levels::new(by, &self.jobs)));
        for fitted in lives.fitted.iter().filter(|f| f.part == part.name) {
            let same_set = per_change > 1;
            if let Some(place) = places
                .iter_mut()
                .find(|p| same_set && p.machine == fitted.machine)
            {
                // One set, one life: its positions were changed together.
                place.position = format!("{}, {}", place.position, fitted.position);
                continue;
            }
            let Ok(schedule) = self
                .machines
                .binary_search_by(|m| m.as_str().cmp(&fitted.machine))
            else {
                continue;
            };
            let (mut level, mut course) = (0, schedule);
            if let Some((by, levels)) = &mut levels {
                let place = (fitted.machine.to_string(), fitted.position.to_string());
                level = by.fitted.get(&place).copied().unwrap_or(by.reference);
                course = levels.course(schedule, level);
            }
            if let Some((position, first)) = untold.place(fitted) {
                places.push(Place {
                    machine: fitted.machine.to_string(),
                    position,
                    age_hours: first.age(),
                    first,
                    schedule,
                    level,
                    course,
                });
                continue;
            }
            let first = match fitted.age_hours {
                Some(age) => FirstLife::Aged(age.max(0.0)),
                None => FirstLife::Met {
                    seen: seen(fleet, meters, fitted),
                },
            };
            unknown += u32::from(fitted.age_hours.is_none());
            if fitted.age_hours.is_none() || fitted.life.is_none() {
                uncounted.push((first.clone(), level));
            }
            places.push(Place {
                machine: fitted.machine.to_string(),
                position: fitted.position.to_string(),
                age_hours: fitted.age_hours,
                first,
                schedule,
                level,
                course,
            });
        }
        if places.is_empty() {
            return Err(NoForecast::of(
                part,
                "no machine is known to carry it: record a replacement or a reading of the machines that do"
                    .to_owned(),
            ));
        }
        cautions.extend(untold.caution(&part.name));
        if unknown > 0 {
            cautions.push(Caution::about(
                CautionCode::UnknownAge,
                &part.name,
                format!(
                    "{unknown} fitted with unknown age: taken as met at a random moment of their \
                     life, neither new nor old; write the hours at which they went in to do better"
                ),
            ));
        }
        let (nodes, few, for_demand, levels) = if let Some((by, mut levels)) = levels {
            let alternatives = weighed_by_level(by, per_change, &uncounted);
            let nodes = pooled(alternatives.iter().map(|a| (a.0, &*a.2)));
            levels.take_curves(alternatives, per_change, &places, &self.schedules);
            let few = pooled(levels.alternatives.iter().map(|a| (a.weight, &*a.few)));
            cautions.push(said_of_levels(&part.name, by));
            (nodes, few, thin::Curves::default(), Some(levels))
        } else {
            let uncounted: Vec<_> = uncounted
                .iter()
                .map(|(first, _)| (first.clone(), 1))
                .collect();
            let nodes = if model.basis == Basis::Fixed {
                model.nodes.clone()
            } else {
                weighed(&model.nodes, per_change, &uncounted)
            };
            let asked: Vec<_> = (places.iter())
                .map(|place| (place.first.clone(), self.longest(place.schedule)))
                .filter(|(_, hours)| *hours > 0.0)
                .collect();
            let (few, for_demand) = thinned(&nodes, per_change, &asked);
            (nodes, few, for_demand, None)
        };
        let mut ahead = PartOutlook {
            part: index,
            name: part.name.clone(),
            nodes,
            chances: Mixture::new(&few, per_change),
            few,
            for_demand,
            per_change,
            places,
            shape_interval: model.shape_interval,
            basis: model.basis,
            costs: Costs::of(part, per_change),
            planned: false,
            starts: Vec::new(),
            levels,
            worked_out: WorkedOut::default(),
        };
        self.set_policy(&mut ahead);
        Ok(ahead)
    }

    /// Settles at which ages the part is changed at job starts, from its costs.
    fn set_policy(&self, ahead: &mut PartOutlook) {
        let lengths = |schedule: &MachineSchedule| -> Vec<f64> {
            schedule.runs.iter().map(|r| r.to - r.from).collect()
        };
        let schedules = self.at_mean_pace(ahead);
        let longest = schedules.iter().flat_map(lengths).fold(0.0, f64::max);
        let Some(costs) = ahead.costs.filter(|_| longest > 0.0) else {
            return;
        };
        ahead.planned =
            !self.run_until_worn && ahead.wears_out() && costs.in_service > costs.planned;
        let oldest = ahead
            .places
            .iter()
            .map(|p| p.age_hours.unwrap_or(0.0) * ahead.own_pace(p) + schedules[p.course].total())
            .fold(0.0, f64::max);
        let table = WearTable::new(&ahead.few, ahead.per_change, oldest + longest, longest);
        // Machines on the same jobs share the work.
        let mut done: Vec<(Vec<f64>, Vec<StartCosts>)> = Vec::new();
        let of = |schedule: &MachineSchedule| {
            let lengths = lengths(schedule);
            if let Some((_, starts)) = done.iter().find(|(l, _)| *l == lengths) {
                return starts.clone();
            }
            let starts = table.starts(&lengths, costs, ahead.planned);
            done.push((lengths, starts.clone()));
            starts
        };
        let starts = schedules.iter().map(of).collect();
        ahead.starts = starts;
        ahead.planned &= ahead
            .starts
            .iter()
            .flatten()
            .any(|s| s.change_from.is_finite());
    }

    /// Hours of each course of a part, counted at the mean of the paces that they may wear it at.
    fn at_mean_pace(&self, part: &PartOutlook) -> Cow<'_, [MachineSchedule]> {
        match &part.levels {
            Some(levels) => levels.schedules(&levels.mean, &self.schedules).into(),
            None => self.schedules[..].into(),
        }
    }

    /// Hours ahead of a place at the mean pace, as its ages of change are counted.
    pub fn mean_course(&self, part: &PartOutlook, place: &Place) -> MachineSchedule {
        match &part.levels {
            Some(levels) => levels.course_at(place.course, &levels.mean, &self.schedules),
            None => self.schedules[place.course].clone(),
        }
    }

    /// Schedules of each way the jobs may go, equally likely, with its index among those that differ in hours.
    pub(super) fn ways(&self) -> impl Iterator<Item = (usize, &[MachineSchedule])> {
        let stated = self.ways.is_empty().then_some((0, &self.schedules[..]));
        let ways = self.ways.iter().map(|way| (way.hours, &*way.schedules));
        stated.into_iter().chain(ways)
    }

    /// Those that differ in hours: the same number for every one of them.
    pub(super) fn ways_by_hours(&self) -> impl Iterator<Item = (usize, &[MachineSchedule])> {
        let differ = self.ways.iter().any(|way| way.hours > 0);
        self.ways().take(if differ { self.ways.len() } else { 1 })
    }

    /// Hours that a job still asks of a machine: those of the days ahead where it is under way; 0 where the machine
    /// does not go.
    pub fn hours_in(&self, machine: &str, job: &str) -> f64 {
        let own = self.machines.binary_search_by(|name| (**name).cmp(machine));
        let mut runs = own.iter().flat_map(|at| &self.schedules[*at].runs);
        let run = runs.find(|run| self.jobs[run.job].name == job);
        run.map_or(0.0, |run| run.to - run.from)
    }

    /// One machine's schedule in each way that differs in hours, equally likely.
    fn hours_ahead(&self, schedule: usize) -> impl Iterator<Item = &MachineSchedule> {
        self.ways_by_hours().map(move |way| &way.1[schedule])
    }

    /// Most hours that a machine may run.
    fn longest(&self, schedule: usize) -> f64 {
        let totals = self.hours_ahead(schedule).map(MachineSchedule::total);
        totals.fold(0.0, f64::max)
    }

    /// What is ahead of a place whose part is `first`, fitted now or when a job of it starts.
    pub fn place_ahead<'a>(
        &'a self,
        part: &'a PartOutlook,
        place: &Place,
        first: &FirstLife,
    ) -> PlaceAhead<'a> {
        let ways = |of: &dyn Fn(&'a [MachineSchedule]) -> Cow<'a, MachineSchedule>| {
            let by_hours = self.ways_by_hours().map(|way| of(way.1)).collect();
            let all = self.ways().map(|way| of(way.1)).collect();
            (
                by_hours,
                if self.ways.is_empty() {
                    Vec::new()
                } else {
                    all
                },
            )
        };
        let under = match &part.levels {
            None => {
                let (by_hours, all) = ways(&|way| Cow::Borrowed(&way[place.schedule]));
                vec![Under {
                    weight: 1.0,
                    chances: part.chances.ahead(first),
                    own: 1.0,
                    by_hours,
                    all,
                }]
            }
            Some(levels) => {
                let each = levels.alternatives.iter().map(|alternative| {
                    let pace = &alternative.pace;
                    let own = pace[place.level];
                    let of = |way| Cow::Owned(levels.course_at(place.course, pace, way));
                    let (by_hours, all) = ways(&of);
                    Under {
                        weight: alternative.weight,
                        chances: alternative.chances.ahead(&first.at_pace(own)),
                        own,
                        by_hours,
                        all,
                    }
                });
                each.collect()
            }
        };
        PlaceAhead {
            as_of: self.as_of,
            end: self.end,
            stated: &self.schedules[place.schedule],
            plain: part.levels.is_none() && self.ways.is_empty(),
            under,
        }
    }

    /// Whether jobs may slip, so that chances by day change on days without a start or an end as stated.
    pub fn may_slip(&self) -> bool {
        let starts = |jobs: &[MachineSchedule]| -> Vec<Date> {
            jobs.iter().flat_map(|s| &s.runs).map(|r| r.first).collect()
        };
        let stated = starts(&self.schedules);
        self.ways.iter().any(|way| starts(&way.schedules) != stated)
    }

    /// Whether answers are wanted to within [`ROUGH`](super::ROUGH) only.
    pub fn is_rough(&self) -> bool {
        self.accuracy.is_rough()
    }

    /// The same outlook, with answers exact to `tolerance` only: for searches, whose result is then
    /// checked.
    #[must_use]
    pub fn roughly(&self, tolerance: f64) -> Self {
        let mut rough = self.clone();
        rough.accuracy.tolerance = rough.accuracy.tolerance.max(tolerance);
        rough
    }
}

/// Indices of each machine's jobs.
fn jobs_of(jobs: &[Job], machines: &[String]) -> Vec<Vec<usize>> {
    let mut own = vec![Vec::new(); machines.len()];
    for (j, job) in jobs.iter().enumerate() {
        for machine in &job.machines {
            if let Ok(at) = machines.binary_search(machine)
                && own[at].last() != Some(&j)
            {
                own[at].push(j);
            }
        }
    }
    own
}

/// What the schedule leaves open, and how that is taken.
fn left_open(jobs: &[Job], as_of: Date) -> Vec<Caution> {
    let named = |open: &dyn Fn(&&Job) -> bool| -> Vec<&str> {
        jobs.iter().filter(open).map(|j| &*j.name).collect()
    };
    let hours = named(&|job| job.spread.hours.is_some());
    let slips = named(&|job| job.spread.slip_days > 0.0 && job.start > as_of);
    let of = |names: &[&str]| match names {
        [one] => format!("\"{one}\""),
        [one, other] => format!("\"{one}\" and \"{other}\""),
        [one, other, ..] => format!("\"{one}\", \"{other}\" and {} more", names.len() - 2),
        [] => String::new(),
    };
    let mut said = Vec::new();
    if !hours.is_empty() {
        said.push(format!(
            "the hours of {} are taken as spread between hours_low and hours_high (1 chance in 20 below, 1 in 20 \
             above, the stated hours in the middle; lognormal), each job on its own and alike for all its \
             machines; when to change ahead of time is settled by the stated hours",
            of(&hours)
        ));
    }
    if !slips.is_empty() {
        said.push(format!(
            "{} may start late: never early, with 1 chance in 20 by slip_days or more; a job keeps its length, \
             and the next job of the same machines waits for it; dates of jobs are shown as stated",
            of(&slips)
        ));
    }
    if !said.is_empty() {
        said.push(format!(
            "chances are averaged over {WAYS} ways in which the schedule may go and are right to about {WAYS_ERROR}"
        ));
    }
    let note = |text: String| Caution::new(CautionCode::Note, text);
    said.into_iter().map(note).collect()
}

/// Hours for which a part of unknown age has been seen in service: since the first reading of its
/// machine's meter when no record since could have been its change, else none that are sure.
fn seen(fleet: &Fleet, meters: &Meters, fitted: &Fitted) -> f64 {
    let in_doubt = fitted.since.is_some()
        || fleet
            .gaps
            .iter()
            .any(|g| g.machine == Some(fitted.machine) && g.part == fitted.part)
        || fleet.replacements[fleet.of_machine(&fitted.machine)]
            .iter()
            .any(|r| {
                r.part == fitted.part
                    && r.position.is_none_or(|p| p == fitted.position)
                    && r.verdict != Verdict::InspectedOk
            });
    if in_doubt {
        return 0.0;
    }
    meters
        .first_read(&fitted.machine)
        .and_then(|first| meters.point_at(&fitted.machine, first))
        .zip(meters.point_at(&fitted.machine, fleet.as_of))
        .and_then(|(from, to)| meters.between(&fitted.machine, &from, &to))
        .map_or(0.0, |hours| hours.low.max(0.0))
}
