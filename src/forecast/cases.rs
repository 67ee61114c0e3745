//! Demand of one part kind, averaged over the ways things may go: those of an open schedule, and the alternatives
//! of how fast hours wear a part.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use jiff::civil::Date;
use rayon::prelude::*;

use super::courses::Courses;
use super::deal::dealt;
use super::demand::{Accuracy, Counting, Group, Hours, WindowDemand, both_enough, demand_of};
use super::first_life::FirstLife;
use super::levels::Levels;
use super::outlook::{Outlook, PartOutlook, Place, Span};
use super::schedule::MachineSchedule;
use super::thin;

/// Numbers kept with each part's demand; where there are more they are worked out again: a quarter of a
/// gigabyte.
const MOST_KEPT: usize = 32_000_000;

/// Tolerance of a cumulative chance where lives differ by level: what the average over their alternatives is good for.
const OF_LEVELS: f64 = 5e-4;

/// Most ways of the schedule that one alternative of the levels meets.
const MOST_WAYS_EACH: usize = 4;

/// Demand through the schedule, kept once it has been asked for; clones share it, as exact as the first of them
/// asked for. It follows from the rest, so it never makes two outlooks differ by more than that.
#[derive(Debug, Clone, Default)]
pub(super) struct WorkedOut(Arc<Kept>);

#[derive(Debug, Default)]
struct Kept {
    by_way: OnceLock<Vec<Worked>>,
    /// Parts used from now to the end of a day.
    by_day: Mutex<BTreeMap<Date, WindowDemand>>,
}

/// Demand in one of the ways things may go.
#[derive(Debug)]
struct Worked {
    weight: f64,
    /// Index among the ways of the schedule that differ in hours, and among the alternatives of the levels.
    hours: usize,
    alternative: Option<usize>,
    /// Course of each group.
    of_groups: Vec<usize>,
    courses: Courses,
}

/// One of the ways things may go for one part kind: curves, hours of each course, what is fitted.
pub(super) struct Case<'a> {
    pub(super) weight: f64,
    pub(super) hours: usize,
    pub(super) alternative: Option<usize>,
    pub(super) curves: thin::Curves,
    pub(super) schedules: Cow<'a, [MachineSchedule]>,
    pub(super) places: Cow<'a, [Place]>,
    /// How many times as much an age counts at which parts are changed, by course; empty for once.
    pub(super) ages: Vec<f64>,
}

impl PartialEq for WorkedOut {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Outlook {
    /// Demand for one part kind in each window.
    pub fn demand(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        self.counted(part, spans, Counting::Used)
    }

    /// Wear-outs in service only, without the parts changed ahead of time.
    pub fn wear_outs(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        self.counted(part, spans, Counting::WearOuts)
    }

    fn counted(&self, part: &PartOutlook, spans: &[Span], counting: Counting) -> WindowDemand {
        let at_hand = self.spans_at_hand();
        let place = |span: &Span| at_hand.iter().position(|known| known == span);
        let places: Option<Vec<usize>> = spans.iter().map(place).collect();
        if let Some(places) = places.filter(|_| self.by_job || counting == Counting::Used) {
            let of = |courses: &Courses| match counting {
                Counting::Used => courses.used.windows(&places),
                Counting::WearOuts => courses.worn.windows(&places),
            };
            let each = self.worked_out(part).iter();
            return WindowDemand::mean(each.map(|w| (w.weight, of(&w.courses))));
        }
        let from_now = |span: &Span| match span {
            Span::Days(after, day) if *after <= self.as_of => Some(*day),
            _ => None,
        };
        let days: Option<Vec<Date>> = spans.iter().map(from_now).collect();
        if let Some(days) = days.filter(|_| counting == Counting::Used) {
            return self.by_days(part, &days);
        }
        let each = Self::cases(part, false, self.ways())
            .into_iter()
            .map(|case| {
                let groups = Self::groups(part, &case, spans).0;
                let (per_change, accuracy) = (part.per_change, self.accuracy_of(part));
                let found = demand_of(&case.curves.nodes, &groups, per_change, accuracy, counting);
                (case.weight, found)
            });
        WindowDemand::mean(each)
    }

    /// The ways things may go for a part, given those of the schedule (with their index among those that differ
    /// in hours): each of them with its curves, or each alternative of the levels with some of them.
    /// `interpolated` curves are fewer, with others between them.
    fn cases<'a>(
        part: &'a PartOutlook,
        interpolated: bool,
        ways: impl Iterator<Item = (usize, &'a [MachineSchedule])>,
    ) -> Vec<Case<'a>> {
        let ways: Vec<(usize, &[MachineSchedule])> = ways.collect();
        let places = part.places.len();
        let Some(levels) = &part.levels else {
            let curves = if interpolated {
                Cow::Borrowed(&part.for_demand)
            } else {
                Cow::Owned(part.all_for_demand())
            };
            let schedules = ways.iter().map(|way| way.1);
            let dealt = dealt(places, &curves, schedules).zip(&ways);
            let case =
                |((weight, curves, schedules), hours): ((_, _, &'a [MachineSchedule]), usize)| {
                    Case {
                        weight,
                        hours,
                        alternative: None,
                        curves,
                        schedules: schedules.into(),
                        places: (&*part.places).into(),
                        ages: Vec::new(),
                    }
                };
            return dealt.map(|(d, way)| case((d, way.0))).collect();
        };
        let mut cases = Vec::new();
        // Every alternative meets a few ways, and every way a few alternatives.
        let stride = ways.len().div_ceil(MOST_WAYS_EACH);
        for (k, alternative) in levels.alternatives.iter().enumerate() {
            let mut curves = levels.for_demand(k, places);
            if !interpolated {
                curves = curves.nodes.into();
            }
            for (hours, way) in ways.iter().skip(k % stride).step_by(stride) {
                cases.push(Case {
                    weight: alternative.weight,
                    hours: *hours,
                    alternative: Some(k),
                    curves: curves.clone(),
                    schedules: levels.schedules(&alternative.pace, way).into(),
                    places: Levels::places(&alternative.pace, &part.places).into(),
                    ages: levels.of_mean(&alternative.pace),
                });
            }
        }
        cases
    }

    /// Parts used from now to the ends of days, each of which is worked out once.
    fn by_days(&self, part: &PartOutlook, days: &[Date]) -> WindowDemand {
        let kept = || {
            let by_day = part.worked_out.0.by_day.lock();
            by_day.unwrap_or_else(PoisonError::into_inner)
        };
        let mut new: Vec<Date> = {
            let known = kept();
            let new = days.iter().filter(|day| !known.contains_key(*day));
            new.copied().collect()
        };
        new.sort_unstable();
        new.dedup();
        if !new.is_empty() {
            let found = self.by_days_worked_out(part, &new);
            let each = new
                .iter()
                .enumerate()
                .map(|(i, day)| (*day, found.windows(&[i])));
            kept().extend(each);
        }
        let known = kept();
        let each = || days.iter().filter_map(|day| known.get(day));
        WindowDemand {
            counts: each().flat_map(|d| d.counts.iter().cloned()).collect(),
            error: each().map(|d| d.error).fold(0.0, f64::max),
        }
    }

    fn by_days_worked_out(&self, part: &PartOutlook, days: &[Date]) -> WindowDemand {
        let asked = self.asked_of_courses(part, days);
        let answers = asked.iter().map(|(worked, times)| {
            let found = worked.courses.by(&times.different);
            let of_way = |way: &Vec<usize>| found.windows(way);
            let answer = WindowDemand::alike(times.of_ways.iter().map(of_way));
            (worked.weight, answer)
        });
        WindowDemand::mean(answers)
    }

    /// What the courses of a part are asked about the ends of days, for each way its schedule may go: times by
    /// group. With what they are asked of; each way that differs in hours has its own.
    fn asked_of_courses<'a>(
        &self,
        part: &'a PartOutlook,
        days: &[Date],
    ) -> Vec<(&'a Worked, Times)> {
        let worked = self.worked_out(part).iter();
        let asked = worked.map(|worked| {
            let mut asked = Times::default();
            for (_, way) in self.ways().filter(|way| way.0 == worked.hours) {
                let schedules = match part.levels.as_ref().zip(worked.alternative) {
                    Some((levels, k)) => {
                        Cow::Owned(levels.schedules(&levels.alternatives[k].pace, way))
                    }
                    None => Cow::Borrowed(way),
                };
                let time = |day: &Date| -> Vec<f64> {
                    let by = |c: &usize| schedules[*c].hours_by(*day);
                    worked.of_groups.iter().map(by).collect()
                };
                asked.add(days.iter().map(time).collect());
            }
            (worked, asked)
        });
        asked.collect()
    }

    /// Demand if every part ran until it is worn, whatever the plan says.
    pub fn demand_until_worn(&self, part: &PartOutlook, spans: &[Span]) -> WindowDemand {
        let cases = Self::cases(part, true, self.ways_by_hours()).into_iter();
        let each = cases.map(|case| {
            let mut groups = Self::groups(part, &case, spans).0;
            for group in &mut groups {
                group.starts.clear();
            }
            let (per_change, accuracy) = (part.per_change, self.accuracy_of(part));
            let found = Courses::of_windows(&case.curves, groups, per_change, accuracy);
            (case.weight, found)
        });
        WindowDemand::mean(each)
    }

    /// No more exact than the alternatives of its levels are.
    fn accuracy_of(&self, part: &PartOutlook) -> Accuracy {
        let least = if part.levels.is_some() {
            OF_LEVELS
        } else {
            0.0
        };
        Accuracy {
            tolerance: self.accuracy.tolerance.max(least),
            ..self.accuracy
        }
    }

    /// Every job, and all of them.
    pub fn spans_of_jobs(&self) -> Vec<Span> {
        let jobs = (0..self.jobs.len()).map(Span::Job);
        jobs.chain([Span::All]).collect()
    }

    /// Windows of which the demand is kept.
    fn spans_at_hand(&self) -> Vec<Span> {
        if self.by_job {
            self.spans_of_jobs()
        } else {
            vec![Span::All]
        }
    }

    /// One for each way that things may go and hours differ in.
    fn worked_out<'a>(&self, part: &'a PartOutlook) -> &'a [Worked] {
        part.worked_out.0.by_way.get_or_init(|| {
            let spans = self.spans_at_hand();
            let cases = Self::cases(part, true, self.ways_by_hours());
            let keep = (self.by_job, MOST_KEPT / cases.len());
            let new = |case: &Case<'_>| {
                let (groups, of_groups) = Self::groups(part, case, &spans);
                let (per_change, accuracy) = (part.per_change, self.accuracy_of(part));
                Worked {
                    weight: case.weight,
                    hours: case.hours,
                    alternative: case.alternative,
                    of_groups,
                    courses: Courses::new(&case.curves, groups, per_change, accuracy, keep),
                }
            };
            cases.par_iter().map(new).collect()
        })
    }

    /// Chance that at most `limits.0` parts are needed up to the end of the first day **and** at most
    /// `limits.1` up to the end of the second, for each pair of days.
    pub fn both_enough(
        &self,
        part: &PartOutlook,
        days: &[(Date, Date)],
        limits: &[(u32, u32)],
    ) -> Vec<f64> {
        let to_the_end = |p: &usize| days[*p].0 > self.as_of && days[*p].1 >= self.end;
        let (ending, between): (Vec<usize>, Vec<usize>) = (0..days.len()).partition(to_the_end);
        let mut chances = vec![1.0; days.len()];
        let mut answer = |pairs: &[usize], of: &dyn Fn(&[_], &[_]) -> Vec<f64>| {
            if pairs.is_empty() {
                return;
            }
            let days: Vec<(Date, Date)> = pairs.iter().map(|p| days[*p]).collect();
            let limits: Vec<(u32, u32)> = pairs.iter().map(|p| limits[*p]).collect();
            for (pair, chance) in pairs.iter().zip(of(&days, &limits)) {
                chances[*pair] = chance;
            }
        };
        answer(&ending, &|days, limits| {
            self.both_enough_to_the_end(part, days, limits)
        });
        answer(&between, &|days, limits| {
            self.both_enough_between(part, days, limits)
        });
        chances
    }

    /// The same where the second day is the end of the schedule: from what is kept.
    fn both_enough_to_the_end(
        &self,
        part: &PartOutlook,
        days: &[(Date, Date)],
        limits: &[(u32, u32)],
    ) -> Vec<f64> {
        let firsts: Vec<Date> = days.iter().map(|pair| pair.0).collect();
        let asked = self.asked_of_courses(part, &firsts);
        let each = asked.iter().flat_map(|(worked, times)| {
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
            let found = worked.courses.both_enough(&asked, &limits);
            let answer = |question| different.binary_search(question).map_or(1.0, |i| found[i]);
            let answers = ways.iter();
            let answers = answers.map(|way| (worked.weight, way.iter().map(answer).collect()));
            answers.collect::<Vec<(f64, Vec<f64>)>>()
        });
        mean(&each.collect::<Vec<_>>())
    }

    fn both_enough_between(
        &self,
        part: &PartOutlook,
        days: &[(Date, Date)],
        limits: &[(u32, u32)],
    ) -> Vec<f64> {
        let spans: Vec<Span> = days.iter().map(|d| Span::Days(d.0, d.1)).collect();
        let cases = Self::cases(part, false, self.ways()).into_iter();
        let each = cases.map(|case| {
            let groups = Self::groups(part, &case, &spans).0;
            let (per_change, accuracy) = (part.per_change, self.accuracy_of(part));
            let found = both_enough(&case.curves.nodes, &groups, limits, per_change, accuracy);
            (case.weight, found.0)
        });
        mean(&each.collect::<Vec<_>>())
    }

    /// Places that run through the same hours, and within them parts alike, share the work. With the
    /// course of each group.
    fn groups(part: &PartOutlook, case: &Case<'_>, spans: &[Span]) -> (Vec<Group>, Vec<usize>) {
        let mut groups: Vec<Group> = Vec::new();
        let mut of_groups = Vec::new();
        // The group of each course, once it is known; `None` for one that ends before it begins.
        let mut of_course: BTreeMap<usize, Option<usize>> = BTreeMap::new();
        // Where what is fitted stands in its group.
        let mut alike: BTreeMap<(usize, (bool, u64)), usize> = BTreeMap::new();
        for place in &*case.places {
            let group = *of_course.entry(place.course).or_insert_with(|| {
                let schedule = &case.schedules[place.course];
                let windows: Vec<Hours> = spans.iter().map(|s| hours(schedule, *s)).collect();
                if windows.iter().all(|w| w.end <= 0.0) {
                    return None;
                }
                let starts = part.job_starts(case, place.course);
                let alike = |(group, course): (&Group, &usize)| {
                    group.starts == starts && case.schedules[*course].runs == schedule.runs
                };
                let known = groups.iter().zip(&of_groups).position(alike);
                Some(known.unwrap_or_else(|| {
                    groups.push(Group {
                        windows,
                        positions: Vec::new(),
                        starts,
                    });
                    of_groups.push(place.course);
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
                    positions.push((place.first.clone(), 1));
                    continue;
                }
            };
            match alike.entry((at, fitted)) {
                Entry::Occupied(entry) => positions[*entry.get()].1 += 1,
                Entry::Vacant(entry) => {
                    entry.insert(positions.len());
                    positions.push((place.first.clone(), 1));
                }
            }
        }
        if groups.is_empty() {
            of_groups.push(0);
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
        (groups, of_groups)
    }
}

/// Times asked about, each once.
#[derive(Default)]
struct Times {
    /// By group.
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
