//! What a forecast starts from: each machine's hours ahead, and each part kind's curves and fitted
//! parts. Forecast and stock plan ask it for demand in any window of days.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::{Arc, OnceLock};

use jiff::civil::Date;
use rayon::prelude::*;

use super::costs::Costs;
use super::courses::Courses;
use super::deal::dealt;
use super::demand::{
    Accuracy, Counting, Group, Hours, JobStart, WindowDemand, both_enough, demand_of,
};
use super::first_life::FirstLife;
use super::mixture::{Ahead, Mixture};
use super::policy::{StartCosts, WearTable};
use super::remaining::weighed;
use super::schedule::MachineSchedule;
use super::sum::FEW;
use super::thin::{self, thinned};
use super::types::NoForecast;
use super::untold::Untold;
use super::ways::{FEW_WAYS, ROUGH, WAYS, WAYS_ERROR, ways};
use crate::lives::{Fitted, Lives};
use crate::meters::Meters;
use crate::models::{Basis, Caution, CautionCode, LifeModel, WeibullNode};
use crate::records::{ChangedHow, Fleet, Job, Verdict};

/// Numbers kept with each part's demand; where there are more they are worked out again: a quarter of a
/// gigabyte.
const MOST_KEPT: usize = 32_000_000;

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
    for_demand: thin::Curves,
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
    /// Costs at each start of each schedule's jobs, in the order of [`Outlook::schedules`]; empty
    /// without prices.
    pub starts: Vec<Vec<StartCosts>>,
    worked_out: WorkedOut,
}

/// Demand through the schedule, kept once it has been asked for; clones share it. It follows from the
/// rest, so it never makes two outlooks differ.
#[derive(Debug, Clone, Default)]
struct WorkedOut(Arc<OnceLock<Vec<(f64, Courses)>>>);

impl PartialEq for WorkedOut {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl PartOutlook {
    /// Curves for a demand that is not interpolated between them.
    fn all_for_demand(&self) -> thin::Curves {
        if self.places.len() > FEW as usize {
            self.nodes.clone().into()
        } else {
            self.for_demand.nodes.clone().into()
        }
    }

    /// Starts of a machine's jobs at which the part may be changed ahead of time.
    fn job_starts(&self, number: usize, schedule: &MachineSchedule) -> Vec<JobStart> {
        if !self.planned {
            return Vec::new();
        }
        let runs = schedule.runs.iter().zip(&self.starts[number]);
        runs.map(|(run, start)| JobStart {
            at: run.from,
            change_from: start.change_from,
        })
        .collect()
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
    pub schedules: Vec<MachineSchedule>,
    /// Parts with a life model, catalogue order.
    pub parts: Vec<PartOutlook>,
    /// Parts without.
    pub no_forecast: Vec<NoForecast>,
    /// What a reader must know.
    pub cautions: Vec<Caution>,
    accuracy: Accuracy,
    run_until_worn: bool,
    /// Ways the schedule may go, equally likely; empty where everything is as stated.
    ways: Vec<Way>,
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
        let mut machines: Vec<String> = fleet.machines.clone();
        machines.extend(lives.fitted.iter().map(|f| f.machine.to_string()));
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
        let rough = options.accuracy.tolerance >= ROUGH;
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
            schedules,
            parts: Vec::new(),
            no_forecast: Vec::new(),
            cautions: Vec::new(),
            accuracy: options.accuracy,
            run_until_worn: options.run_until_worn,
            ways,
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
        for (index, part) in fleet.parts.iter().enumerate() {
            match models.iter().find(|m| m.part == part.name) {
                Some(model) => outlook.add(index, fleet, &meters, lives, model),
                None => outlook.no_forecast.push(NoForecast {
                    part: part.name.clone(),
                    reason: options
                        .no_model
                        .get(&part.name)
                        .cloned()
                        .unwrap_or_else(|| {
                            "no life model: no worn life is recorded and no believed_life is stated"
                                .to_owned()
                        }),
                }),
            }
        }
        outlook
    }

    fn add(
        &mut self,
        index: usize,
        fleet: &Fleet,
        meters: &Meters,
        lives: &Lives,
        model: &LifeModel,
    ) {
        let part = &fleet.parts[index];
        let per_change = match part.changed {
            ChangedHow::AsASet => part.per_machine.max(1),
            ChangedHow::Singly => 1,
        };
        let mut places: Vec<Place> = Vec::new();
        let mut uncounted: Vec<(FirstLife, u32)> = Vec::new();
        let mut unknown = 0;
        let mut untold = Untold::new(lives, model);
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
            if let Some((position, first)) = untold.place(fitted) {
                places.push(Place {
                    machine: fitted.machine.to_string(),
                    position,
                    age_hours: first.age(),
                    first,
                    schedule,
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
                uncounted.push((first, 1));
            }
            places.push(Place {
                machine: fitted.machine.to_string(),
                position: fitted.position.to_string(),
                age_hours: fitted.age_hours,
                first,
                schedule,
            });
        }
        if places.is_empty() {
            self.no_forecast.push(NoForecast {
                part: part.name.clone(),
                reason: "no machine is known to carry it: record a replacement or a reading of \
                         the machines that do"
                    .to_owned(),
            });
            return;
        }
        self.cautions.extend(untold.caution(&part.name));
        if unknown > 0 {
            self.cautions.push(Caution::about(
                CautionCode::UnknownAge,
                &part.name,
                format!(
                    "{unknown} fitted with unknown age: taken as met at a random moment of their \
                     life, neither new nor old; write the hours at which they went in to do better"
                ),
            ));
        }
        let nodes = if model.basis == Basis::Fixed {
            model.nodes.clone()
        } else {
            weighed(&model.nodes, per_change, &uncounted)
        };
        let asked: Vec<_> = (places.iter())
            .map(|place| (place.first, self.longest(place.schedule)))
            .filter(|(_, hours)| *hours > 0.0)
            .collect();
        let (few, for_demand) = thinned(&nodes, per_change, &asked);
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
            worked_out: WorkedOut::default(),
        };
        self.set_policy(&mut ahead);
        self.parts.push(ahead);
    }

    /// Settles at which ages the part is changed at job starts, from its costs.
    fn set_policy(&self, ahead: &mut PartOutlook) {
        let lengths = |schedule: &MachineSchedule| -> Vec<f64> {
            schedule.runs.iter().map(|r| r.to - r.from).collect()
        };
        let longest = self.schedules.iter().flat_map(lengths).fold(0.0, f64::max);
        let Some(costs) = ahead.costs.filter(|_| longest > 0.0) else {
            return;
        };
        ahead.planned =
            !self.run_until_worn && ahead.wears_out() && costs.in_service > costs.planned;
        let oldest = ahead
            .places
            .iter()
            .map(|p| p.age_hours.unwrap_or(0.0) + self.schedules[p.schedule].total())
            .fold(0.0, f64::max);
        let table = WearTable::new(&ahead.few, ahead.per_change, oldest + longest, longest);
        // Machines on the same jobs share the work.
        let mut done: Vec<(Vec<f64>, Vec<StartCosts>)> = Vec::new();
        ahead.starts = self
            .schedules
            .iter()
            .map(|schedule| {
                let lengths = lengths(schedule);
                if let Some((_, starts)) = done.iter().find(|(l, _)| *l == lengths) {
                    return starts.clone();
                }
                let starts = table.starts(&lengths, costs, ahead.planned);
                done.push((lengths, starts.clone()));
                starts
            })
            .collect();
        ahead.planned &= ahead
            .starts
            .iter()
            .flatten()
            .any(|s| s.change_from.is_finite());
    }

    /// Demand for one part kind in each window.
    pub fn demand(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        self.counted(part, spans, Counting::Used)
    }

    /// Wear-outs in service only, without the parts changed ahead of time.
    pub fn wear_outs(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        self.counted(part, spans, Counting::WearOuts)
    }

    fn counted(&self, part: &PartOutlook, spans: &[Span], counting: Counting) -> WindowDemand {
        let of_jobs = |span: &Span| matches!(span, Span::Job(_) | Span::All);
        if spans.iter().all(of_jobs) {
            let place = |span: &Span| match span {
                Span::Job(job) => *job,
                _ => self.jobs.len(),
            };
            let places: Vec<usize> = spans.iter().map(place).collect();
            let of = |courses: &Courses| match counting {
                Counting::Used => courses.used.windows(&places),
                Counting::WearOuts => courses.worn.windows(&places),
            };
            let each = self.courses(part).iter();
            return WindowDemand::mean(each.map(|(weight, courses)| (*weight, of(courses))));
        }
        let from_now = |span: &Span| matches!(span, Span::Days(after, _) if *after <= self.as_of);
        if counting == Counting::Used && spans.iter().all(from_now) {
            return self.by_days(part, spans);
        }
        let curves = part.all_for_demand();
        let each =
            dealt(part.places.len(), &curves, self.ways()).map(|(weight, curves, schedules)| {
                let groups = Self::groups(part, schedules, spans).0;
                let (per_change, accuracy) = (part.per_change, self.accuracy);
                let found = demand_of(&curves.nodes, &groups, per_change, accuracy, counting);
                (weight, found)
            });
        WindowDemand::mean(each)
    }

    /// Parts used from now to the ends of windows of days.
    fn by_days(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        let asked = self.asked_of_courses(part, |schedules, machines| {
            let time = |span: &Span| -> Vec<f64> {
                let by = |s: &usize| hours(&schedules[*s], *span).end;
                machines.iter().map(by).collect()
            };
            spans.iter().map(time).collect()
        });
        let answers = asked.iter().map(|((weight, courses), times)| {
            let found = courses.by(&times.different);
            let of_way = |way: &Vec<usize>| found.windows(way);
            let answer = WindowDemand::alike(times.of_ways.iter().map(of_way));
            (*weight, answer)
        });
        WindowDemand::mean(answers)
    }

    /// What is asked of the courses of a part, for each way its schedule may go: times by machine. With
    /// the courses they are asked of; each way that differs in hours has its own.
    fn asked_of_courses<'a>(
        &self,
        part: &'a PartOutlook,
        times: impl Fn(&[MachineSchedule], &[usize]) -> Vec<Vec<f64>>,
    ) -> Vec<(&'a (f64, Courses), Times)> {
        let machines = Self::groups(part, &self.schedules, &self.spans_of_jobs()).1;
        let courses = self.courses(part);
        let mut asked: Vec<(&(f64, Courses), Times)> =
            courses.iter().map(|c| (c, Times::default())).collect();
        if self.ways.is_empty() {
            asked[0].1.add(times(&self.schedules, &machines));
        }
        for way in &self.ways {
            asked[way.hours].1.add(times(&way.schedules, &machines));
        }
        asked
    }

    /// Schedules of each way the jobs may go, equally likely.
    fn ways(&self) -> impl Iterator<Item = &[MachineSchedule]> {
        let stated = self.ways.is_empty().then_some(&*self.schedules);
        let ways = self.ways.iter().map(|way| &*way.schedules);
        stated.into_iter().chain(ways)
    }

    /// Those that differ in hours: the same number for every one of them.
    fn ways_by_hours(&self) -> impl Iterator<Item = &[MachineSchedule]> {
        let differ = self.ways.iter().any(|way| way.hours > 0);
        self.ways().take(if differ { self.ways.len() } else { 1 })
    }

    /// One machine's schedule in each way that differs in hours, equally likely.
    pub fn hours_ahead(&self, schedule: usize) -> impl Iterator<Item = &MachineSchedule> {
        self.ways_by_hours().map(move |way| &way[schedule])
    }

    /// Most hours that a machine may run.
    fn longest(&self, schedule: usize) -> f64 {
        let totals = self.hours_ahead(schedule).map(MachineSchedule::total);
        totals.fold(0.0, f64::max)
    }

    /// The first day by whose end a part is worn out with a chance of `p` at least, given the hours by which it
    /// is (`chances.quantile(p)`); `None` beyond the schedule. Where the schedule is open, the chance is
    /// averaged over the ways it may go.
    pub fn worn_by(
        &self,
        schedule: usize,
        chances: &Ahead<'_>,
        p: f64,
        hours: Option<f64>,
    ) -> Option<Date> {
        if self.ways.is_empty() {
            return hours.and_then(|h| self.schedules[schedule].date_at(h));
        }
        let chance = |days: i32| {
            let day = self.as_of.saturating_add(jiff::Span::new().days(days));
            let ways = self.ways().map(|way| way[schedule].hours_by(day));
            ways.map(|hours| chances.within(hours)).sum::<f64>() / self.ways.len() as f64
        };
        let (mut before, mut by) = (0, self.as_of.until(self.end).ok()?.get_days());
        if chance(by) < p {
            return None;
        }
        while by - before > 1 {
            let middle = i32::midpoint(before, by);
            if chance(middle) < p {
                before = middle;
            } else {
                by = middle;
            }
        }
        self.as_of.checked_add(jiff::Span::new().days(by)).ok()
    }

    /// Whether jobs may slip, so that chances by day change on days without a start or an end as stated.
    pub fn may_slip(&self) -> bool {
        let starts = |jobs: &[MachineSchedule]| -> Vec<Date> {
            jobs.iter().flat_map(|s| &s.runs).map(|r| r.first).collect()
        };
        let stated = starts(&self.schedules);
        self.ways.iter().any(|way| starts(&way.schedules) != stated)
    }

    /// Demand if every part ran until it is worn, whatever the plan says.
    pub fn demand_until_worn(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        let ways = self.ways_by_hours();
        let each =
            dealt(part.places.len(), &part.for_demand, ways).map(|(weight, curves, schedules)| {
                let mut groups = Self::groups(part, schedules, spans).0;
                for group in &mut groups {
                    group.starts.clear();
                }
                let found = Courses::of_windows(&curves, groups, part.per_change, self.accuracy);
                (weight, found)
            });
        WindowDemand::mean(each)
    }

    fn spans_of_jobs(&self) -> Vec<Span> {
        let jobs = (0..self.jobs.len()).map(Span::Job);
        jobs.chain([Span::All]).collect()
    }

    /// One for each way that differs in hours, with its weight.
    fn courses<'a>(&self, part: &'a PartOutlook) -> &'a [(f64, Courses)] {
        part.worked_out.0.get_or_init(|| {
            let spans = self.spans_of_jobs();
            let ways = dealt(part.places.len(), &part.for_demand, self.ways_by_hours());
            let ways: Vec<_> = ways.collect();
            let most_kept = MOST_KEPT / ways.len();
            let new = |(weight, curves, schedules): &(f64, thin::Curves, &[MachineSchedule])| {
                let groups = Self::groups(part, schedules, &spans).0;
                let (per_change, accuracy) = (part.per_change, self.accuracy);
                let courses = Courses::new(curves, groups, per_change, accuracy, most_kept);
                (*weight, courses)
            };
            ways.par_iter().map(new).collect()
        })
    }

    /// The same outlook, with answers exact to `tolerance` only: for searches, whose result is then
    /// checked.
    #[must_use]
    pub fn roughly(&self, tolerance: f64) -> Self {
        let mut rough = self.clone();
        rough.accuracy.tolerance = rough.accuracy.tolerance.max(tolerance);
        rough
    }

    /// Chance that at most `limits.0` parts are needed up to the end of the first day **and** at most
    /// `limits.1` up to the end of the second, for each pair of days.
    pub fn both_enough(
        &self,
        part: &PartOutlook,
        days: &[(Date, Date)],
        limits: &[(u32, u32)],
    ) -> Vec<f64> {
        if days.iter().all(|d| d.0 > self.as_of && d.1 >= self.end) {
            let asked = self.asked_of_courses(part, |schedules, machines| {
                let time = |(day, _): &(Date, Date)| -> Vec<f64> {
                    let by = |s: &usize| schedules[*s].hours_by(*day);
                    machines.iter().map(by).collect()
                };
                days.iter().map(time).collect()
            });
            let each = asked.iter().flat_map(|((weight, courses), times)| {
                let of_way = |way: &Vec<usize>| -> Vec<(usize, (u32, u32))> {
                    way.iter().copied().zip(limits.iter().copied()).collect()
                };
                let ways: Vec<Vec<_>> = times.of_ways.iter().map(of_way).collect();
                let mut different: Vec<_> = ways.iter().flatten().copied().collect();
                different.sort_unstable();
                different.dedup();
                let time = |(at, _): &(usize, _)| times.different[*at].clone();
                let asked: Vec<Vec<f64>> = different.iter().map(time).collect();
                let limits: Vec<(u32, u32)> = different.iter().map(|d| d.1).collect();
                let found = courses.both_enough(&asked, &limits);
                let answer = |question| different.binary_search(question).map_or(1.0, |i| found[i]);
                let answers = ways.iter();
                let answers = answers.map(|way| (*weight, way.iter().map(answer).collect()));
                answers.collect::<Vec<(f64, Vec<f64>)>>()
            });
            return mean(&each.collect::<Vec<_>>());
        }
        let spans: Vec<Span> = days.iter().map(|d| Span::Days(d.0, d.1)).collect();
        let curves = part.all_for_demand();
        let each =
            dealt(part.places.len(), &curves, self.ways()).map(|(weight, curves, schedules)| {
                let groups = Self::groups(part, schedules, &spans).0;
                let (per_change, accuracy) = (part.per_change, self.accuracy);
                let found = both_enough(&curves.nodes, &groups, limits, per_change, accuracy);
                (weight, found.0)
            });
        mean(&each.collect::<Vec<_>>())
    }

    /// Places that run through the same hours, and within them parts alike, share the work. With the
    /// schedule of each group.
    fn groups(
        part: &PartOutlook,
        schedules: &[MachineSchedule],
        spans: &[Span],
    ) -> (Vec<Group>, Vec<usize>) {
        let mut groups: Vec<Group> = Vec::new();
        let mut machines = Vec::new();
        // The group of each schedule, once it is known; `None` for one that ends before it begins.
        let mut of_schedule: BTreeMap<usize, Option<usize>> = BTreeMap::new();
        // Where what is fitted stands in its group.
        let mut alike: BTreeMap<(usize, (bool, u64)), usize> = BTreeMap::new();
        for place in &part.places {
            let group = *of_schedule.entry(place.schedule).or_insert_with(|| {
                let schedule = &schedules[place.schedule];
                let windows: Vec<Hours> = spans.iter().map(|s| hours(schedule, *s)).collect();
                if windows.iter().all(|w| w.end <= 0.0) {
                    return None;
                }
                let starts = part.job_starts(place.schedule, schedule);
                let known = groups
                    .iter()
                    .position(|g| g.windows == windows && g.starts == starts);
                Some(known.unwrap_or_else(|| {
                    groups.push(Group {
                        windows,
                        positions: Vec::new(),
                        starts,
                    });
                    machines.push(place.schedule);
                    groups.len() - 1
                }))
            });
            let Some(at) = group else {
                continue;
            };
            let positions = &mut groups[at].positions;
            let fitted = match place.first {
                FirstLife::Aged(age) => (true, age.to_bits()),
                FirstLife::Met { seen } => (false, seen.to_bits()),
                // Each of its own ages.
                FirstLife::OneOf(_) => {
                    positions.push((place.first, 1));
                    continue;
                }
            };
            match alike.entry((at, fitted)) {
                Entry::Occupied(entry) => positions[*entry.get()].1 += 1,
                Entry::Vacant(entry) => {
                    entry.insert(positions.len());
                    positions.push((place.first, 1));
                }
            }
        }
        if groups.is_empty() {
            machines.push(0);
            groups.push(Group {
                windows: vec![
                    Hours {
                        start: 0.0,
                        end: 0.0
                    };
                    spans.len()
                ],
                positions: Vec::new(),
                starts: Vec::new(),
            });
        }
        (groups, machines)
    }
}

/// Times asked about, each once.
#[derive(Default)]
struct Times {
    /// By machine.
    different: Vec<Vec<f64>>,
    /// For each way, the index of each of its times.
    of_ways: Vec<Vec<usize>>,
    known: BTreeMap<Vec<u64>, usize>,
}

impl Times {
    fn add(&mut self, times: Vec<Vec<f64>>) {
        let place = |time: Vec<f64>| {
            let key = time.iter().map(|t| t.to_bits()).collect();
            *self.known.entry(key).or_insert_with(|| {
                self.different.push(time);
                self.different.len() - 1
            })
        };
        let way = times.into_iter().map(place).collect();
        self.of_ways.push(way);
    }
}

/// Means of rows of the same length with their weights.
fn mean(rows: &[(f64, Vec<f64>)]) -> Vec<f64> {
    let all: f64 = rows.iter().map(|row| row.0).sum();
    match rows {
        [(_, one)] => one.clone(),
        _ => (0..rows.first().map_or(0, |row| row.1.len()))
            .map(|i| rows.iter().map(|row| row.0 * row.1[i]).sum::<f64>() / all)
            .collect(),
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

/// The hours of one machine that a window covers.
fn hours(schedule: &MachineSchedule, span: Span) -> Hours {
    match span {
        Span::All => Hours {
            start: 0.0,
            end: schedule.total(),
        },
        Span::Days(after, to) => Hours {
            start: schedule.hours_by(after),
            end: schedule.hours_by(to),
        },
        Span::Job(job) => schedule.runs.iter().find(|r| r.job == job).map_or(
            Hours {
                start: 0.0,
                end: 0.0,
            },
            |r| Hours {
                start: r.from,
                end: r.to,
            },
        ),
    }
}
