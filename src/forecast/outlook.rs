//! What a forecast starts from: each machine's hours ahead, and each part kind's curves and fitted
//! parts. Forecast and stock plan ask it for demand in any window of days.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use jiff::civil::Date;

use super::costs::Costs;
use super::courses::Courses;
use super::demand::{
    Accuracy, Counting, Group, Hours, JobStart, WindowDemand, both_enough, demand_of,
};
use super::first_life::FirstLife;
use super::mixture::Mixture;
use super::policy::{StartCosts, WearTable};
use super::remaining::weighed;
use super::schedule::MachineSchedule;
use super::sum::FEW;
use super::thin::{self, thinned};
use super::types::NoForecast;
use crate::lives::{Fitted, Lives};
use crate::meters::Meters;
use crate::models::{Basis, Caution, CautionCode, LifeModel, WeibullNode};
use crate::records::{ChangedHow, Fleet, Job, Verdict};

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
struct WorkedOut(Arc<OnceLock<Courses>>);

impl PartialEq for WorkedOut {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl PartOutlook {
    /// Curves for a demand that is not interpolated between them.
    fn all_for_demand(&self) -> &[WeibullNode] {
        if self.places.len() > FEW as usize {
            &self.nodes
        } else {
            &self.for_demand.nodes
        }
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
        }
        let mut machines: Vec<String> = fleet.machines.clone();
        machines.extend(lives.fitted.iter().map(|f| f.machine.to_string()));
        machines.extend(jobs.iter().flat_map(|j| j.machines.clone()));
        machines.sort();
        machines.dedup();
        let schedules = machines
            .iter()
            .map(|m| MachineSchedule::new(&jobs, m, fleet.as_of))
            .collect();
        let mut outlook = Self {
            as_of: fleet.as_of,
            end: jobs.iter().map(|j| j.end).max().unwrap_or(fleet.as_of),
            jobs,
            machines,
            schedules,
            parts: Vec::new(),
            no_forecast: Vec::new(),
            cautions: Vec::new(),
            accuracy: options.accuracy,
            run_until_worn: options.run_until_worn,
        };
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
            .map(|place| (place.first, self.schedules[place.schedule].total()))
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
        let from_now = |span: &Span| matches!(span, Span::Days(after, _) if *after <= self.as_of);
        if spans.iter().all(of_jobs) {
            let courses = self.courses(part);
            let all = match counting {
                Counting::Used => &courses.used,
                Counting::WearOuts => &courses.worn,
            };
            let place = |span: &Span| match span {
                Span::Job(job) => *job,
                _ => self.jobs.len(),
            };
            return all.windows(&spans.iter().map(place).collect::<Vec<_>>());
        }
        if counting == Counting::Used && spans.iter().all(from_now) {
            let machines = self.groups(part, &self.spans_of_jobs()).1;
            let times: Vec<Vec<f64>> = spans
                .iter()
                .map(|span| {
                    let by = |s: &usize| hours(&self.schedules[*s], *span).end;
                    machines.iter().map(by).collect()
                })
                .collect();
            return self.courses(part).by(&times);
        }
        let groups = self.groups(part, spans).0;
        demand_of(
            part.all_for_demand(),
            &groups,
            part.per_change,
            self.accuracy,
            counting,
        )
    }

    /// Demand if every part ran until it is worn, whatever the plan says.
    pub fn demand_until_worn(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        let mut groups = self.groups(part, spans).0;
        for group in &mut groups {
            group.starts.clear();
        }
        Courses::new(&part.for_demand, groups, part.per_change, self.accuracy).used
    }

    fn spans_of_jobs(&self) -> Vec<Span> {
        let jobs = (0..self.jobs.len()).map(Span::Job);
        jobs.chain([Span::All]).collect()
    }

    fn courses<'a>(&self, part: &'a PartOutlook) -> &'a Courses {
        part.worked_out.0.get_or_init(|| {
            let groups = self.groups(part, &self.spans_of_jobs()).0;
            Courses::new(&part.for_demand, groups, part.per_change, self.accuracy)
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
            let machines = self.groups(part, &self.spans_of_jobs()).1;
            let times: Vec<Vec<f64>> = (days.iter())
                .map(|d| {
                    let by = |s: &usize| self.schedules[*s].hours_by(d.0);
                    machines.iter().map(by).collect()
                })
                .collect();
            return self.courses(part).both_enough(&times, limits);
        }
        let spans: Vec<Span> = days.iter().map(|d| Span::Days(d.0, d.1)).collect();
        let groups = self.groups(part, &spans).0;
        both_enough(
            part.all_for_demand(),
            &groups,
            limits,
            part.per_change,
            self.accuracy,
        )
        .0
    }

    /// Places that run through the same hours, and within them parts alike, share the work. With the
    /// schedule of each group.
    fn groups(&self, part: &PartOutlook, spans: &[Span]) -> (Vec<Group>, Vec<usize>) {
        let mut groups: Vec<Group> = Vec::new();
        let mut machines = Vec::new();
        for place in &part.places {
            let schedule = &self.schedules[place.schedule];
            let windows: Vec<Hours> = spans.iter().map(|s| hours(schedule, *s)).collect();
            if windows.iter().all(|w| w.end <= 0.0) {
                continue;
            }
            let starts = if part.planned {
                schedule
                    .runs
                    .iter()
                    .zip(&part.starts[place.schedule])
                    .map(|(run, start)| JobStart {
                        at: run.from,
                        change_from: start.change_from,
                    })
                    .collect()
            } else {
                Vec::new()
            };
            let at = groups
                .iter()
                .position(|g| g.windows == windows && g.starts == starts)
                .unwrap_or_else(|| {
                    groups.push(Group {
                        windows,
                        positions: Vec::new(),
                        starts,
                    });
                    machines.push(place.schedule);
                    groups.len() - 1
                });
            let positions = &mut groups[at].positions;
            match positions.iter_mut().find(|(f, _)| *f == place.first) {
                Some((_, alike)) => *alike += 1,
                None => positions.push((place.first, 1)),
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
