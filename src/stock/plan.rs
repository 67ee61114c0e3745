//! The stock plan of a fleet.

use jiff::civil::Date;

use super::interval::{best_interval, curves, expected_cost_per_hour};
use super::kits::{KitPart, cheapest_kit};
use super::shortage::{Supply, fill_rate, shortage_bounds, shortage_by, shortages};
use super::types::{Advice, ChangeDecision, KitLine, Order, PlannedInterval, StockPlan};
use crate::forecast::{
    Counts, FirstLife, Forecast, LEAST_SAVING, Outlook, PartOutlook, Span, StartCosts,
    chance_within, without_negligible,
};
use crate::models::{Caution, CautionCode};
use crate::records::{Fleet, Part};

/// What is asked of a stock plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StockOptions {
    /// Chance of no shortage aimed for, in (0, 1).
    pub service_level: f64,
    /// Lead time of every part, days, instead of the catalogue's.
    pub lead_time_days: Option<f64>,
}

/// Chances of running short are exact to this.
const TOLERANCE: f64 = 5e-4;

/// Days are searched for with chances exact to this only; the day found is checked with the other.
const SEARCH_TOLERANCE: f64 = 5e-3;

/// Orders, kits, changes and intervals for the jobs ahead.
pub fn plan(
    fleet: &Fleet,
    outlook: &Outlook,
    forecast: &Forecast,
    options: &StockOptions,
) -> StockPlan {
    let mut cautions = outlook.cautions.clone();
    let mut orders = Vec::new();
    let mut changes = Vec::new();
    let mut planned_intervals = Vec::new();
    let mut in_jobs: Vec<Vec<Counts>> = Vec::new();
    let exact = outlook.roughly(TOLERANCE);
    let rough = outlook.roughly(SEARCH_TOLERANCE);
    for ahead in &outlook.parts {
        let part = &fleet.parts[ahead.part];
        let mut counts: Vec<Counts> = forecast
            .demand
            .iter()
            .filter(|d| d.part == ahead.name)
            .map(|d| Counts::from_weights(d.distribution.iter().map(|q| q.probability).collect()))
            .collect();
        let all = counts.pop().unwrap_or_else(Counts::none);
        orders.push(order(
            &exact,
            &rough,
            ahead,
            part,
            &all,
            options,
            &mut cautions,
        ));
        if ahead.planned {
            // Planned changes are done in the workshop before the job: its kit is for the rest.
            let spans: Vec<Span> = (0..outlook.jobs.len()).map(Span::Job).collect();
            counts = outlook.wear_outs(ahead, &spans).counts;
        }
        in_jobs.push(counts);
        cautions.extend(policy_caution(ahead, part));
        planned_intervals.push(planned_interval(ahead, part));
        changes.extend(change_decisions(outlook, ahead, part));
    }
    let place = |c: &ChangeDecision| outlook.jobs.iter().position(|j| j.name == c.job);
    changes.sort_by(|a, b| {
        (place(a), &a.machine, &a.part, &a.position).cmp(&(
            place(b),
            &b.machine,
            &b.part,
            &b.position,
        ))
    });
    let kits = kits(
        fleet,
        outlook,
        forecast,
        &orders,
        &in_jobs,
        options.service_level,
    );
    StockPlan {
        as_of: outlook.as_of,
        service_level: options.service_level,
        orders,
        kits,
        changes,
        planned_intervals,
        cautions,
    }
}

/// What the plan takes for granted about changes ahead of time.
fn policy_caution(ahead: &PartOutlook, part: &Part) -> Option<Caution> {
    let text = if ahead.planned {
        let from = ahead
            .starts
            .iter()
            .flatten()
            .map(|s| s.change_from)
            .fold(f64::INFINITY, f64::min);
        format!(
            "counted as changed ahead of time where that is advised: at a job start, from about \
             {from:.0} hours of age on, if it saves at least {:.0} % of what the change costs; \
             those parts are in the orders, not in the kits; --run-until-worn gives the other way",
            100.0 * LEAST_SAVING
        )
    } else if ahead.costs.is_none() {
        "no unit_cost and unplanned_stop are given, so no change ahead of time is advised and the \
         plan has it run until worn; judge by its chance of wearing out in the job"
            .to_owned()
    } else {
        return None;
    };
    Some(Caution::about(CautionCode::Note, &part.name, text))
}

/// Stock and deliveries of a part as the plan counts them: a delivery that is overdue counts as
/// coming at once, and one due after the last job not at all.
fn supply(outlook: &Outlook, part: &Part, cautions: &mut Vec<Caution>) -> Supply {
    let mut supply = Supply {
        on_hand: part.on_hand,
        deliveries: Vec::new(),
    };
    for delivery in &part.on_order {
        if delivery.due <= outlook.as_of {
            cautions.push(Caution::about(
                CautionCode::Note,
                &part.name,
                format!(
                    "a delivery of {} was due on {} and is still on order: it is counted as coming \
                     at once; check with the supplier",
                    delivery.quantity, delivery.due
                ),
            ));
            supply.on_hand = supply.on_hand.saturating_add(delivery.quantity);
        } else {
            supply.deliveries.push((delivery.due, delivery.quantity));
        }
    }
    supply.deliveries.sort_unstable();
    supply
}

fn order(
    outlook: &Outlook,
    rough: &Outlook,
    ahead: &PartOutlook,
    part: &Part,
    all: &Counts,
    options: &StockOptions,
    cautions: &mut Vec<Caution>,
) -> Order {
    let supply = supply(outlook, part, cautions);
    let allowed = 1.0 - options.service_level;
    let needed = all.quantile(options.service_level);
    let available = supply.by(outlook.end);
    let order_quantity = in_packs(needed.saturating_sub(available), part);
    let on_order = part
        .on_order
        .iter()
        .fold(0_u32, |sum, d| sum.saturating_add(d.quantity));
    let nothing_ordered = shortage_by(outlook, ahead, &supply, &[outlook.end])[0];
    let mut order_by = None;
    let mut there_by = None;
    let mut if_ordered = nothing_ordered;
    let mut if_today = nothing_ordered;
    if order_quantity > 0 {
        let lead = options
            .lead_time_days
            .or(part.lead_time.map(|l| l.high_days));
        if let Some(lead) = lead {
            let lead = lead.ceil() as i32;
            let asked = |outlook| Asked {
                outlook,
                ahead,
                supply: &supply,
                quantity: order_quantity,
                allowed,
            };
            let earliest = plus_days(outlook.as_of, lead);
            let mut arrival = asked(rough).latest_arrival(earliest);
            if_ordered = asked(outlook).short_if_there_on(arrival);
            while if_ordered > allowed && arrival > earliest {
                arrival = plus_days(arrival, -1);
                if_ordered = asked(outlook).short_if_there_on(arrival);
            }
            if_today = if arrival > earliest {
                asked(outlook).short_if_there_on(earliest)
            } else {
                if_ordered
            };
            order_by = Some(plus_days(arrival, -lead));
            there_by = Some(arrival);
            if if_ordered > allowed + 1e-9 {
                cautions.push(Caution::about(
                    CautionCode::TooLate,
                    &part.name,
                    format!(
                        "even ordered today it may come too late: there by {earliest} (95 % of \
                         deliveries), the chance of running short stays {:.0} %; ask for a faster \
                         delivery or move parts between jobs",
                        100.0 * if_ordered
                    ),
                ));
            }
        } else {
            let there = plus_days(outlook.as_of, 1);
            if_ordered = shortage_by(
                outlook,
                ahead,
                &supply.and(there, order_quantity),
                &[outlook.end],
            )[0];
            if_today = if_ordered;
            cautions.push(Caution::about(
                CautionCode::NoLeadTime,
                &part.name,
                "no lead_time_days is given, so there is no latest day to order; the chances \
                 hold if it is there in time"
                    .to_owned(),
            ));
        }
    }
    let mut order = Order {
        part: part.name.clone(),
        on_hand: part.on_hand,
        on_order,
        expected_demand: all.mean(),
        needed,
        order_quantity,
        order_by,
        there_by,
        shortage_probability_if_nothing_ordered: nothing_ordered,
        shortage_probability_if_ordered: if_ordered,
        fill_rate: 1.0,
        shortage_probability_if_ordered_today: if_today,
    };
    let supply = advised(outlook, part, &order);
    order.fill_rate = fill_rate(outlook, ahead, &supply).unwrap_or(1.0);
    order
}

/// Supply with the advised order.
fn advised(outlook: &Outlook, part: &Part, order: &Order) -> Supply {
    let supply = supply(outlook, part, &mut Vec::new());
    match order.there_by {
        Some(day) => supply.and(day, order.order_quantity),
        // Without a lead time the order is taken to be there in time.
        None if order.order_quantity > 0 => {
            supply.and(plus_days(outlook.as_of, 1), order.order_quantity)
        }
        None => supply,
    }
}

/// Whole packs, at least the minimum order, of at least `lacking`; nothing for nothing.
fn in_packs(lacking: u32, part: &Part) -> u32 {
    if lacking == 0 {
        return 0;
    }
    let pack = part.pack.max(1);
    lacking
        .max(part.minimum_order)
        .div_ceil(pack)
        .saturating_mul(pack)
}

fn plus_days(day: Date, days: i32) -> Date {
    day.saturating_add(jiff::Span::new().days(days.clamp(-100_000, 100_000)))
}

fn days_between(from: Date, to: Date) -> i32 {
    from.until(to).map_or(0, |s| s.get_days())
}

struct Asked<'a> {
    outlook: &'a Outlook,
    ahead: &'a PartOutlook,
    supply: &'a Supply,
    quantity: u32,
    allowed: f64,
}

impl Asked<'_> {
    fn short_if_there_on(&self, day: Date) -> f64 {
        self.short_if_there_on_any(&[day])[0]
    }

    fn short_if_there_on_any(&self, days: &[Date]) -> Vec<f64> {
        self.ask(days, |questions| {
            shortages(self.outlook, self.ahead, questions)
        })
    }

    fn bounds_if_there_on_any(&self, days: &[Date]) -> Vec<(f64, f64)> {
        self.ask(days, |questions| {
            shortage_bounds(self.outlook, self.ahead, questions)
        })
    }

    fn ask<T>(&self, days: &[Date], answer: impl Fn(&[(&Supply, Date)]) -> Vec<T>) -> Vec<T> {
        let supplies: Vec<Supply> = days
            .iter()
            .map(|day| self.supply.and(*day, self.quantity))
            .collect();
        let questions: Vec<(&Supply, Date)> =
            supplies.iter().map(|s| (s, self.outlook.end)).collect();
        answer(&questions)
    }

    /// The latest day on which the order may become usable so that the chance of running short at
    /// any time stays within what is allowed; `earliest` where no day does.
    fn latest_arrival(&self, earliest: Date) -> Date {
        let after = plus_days(self.outlook.end, 1).max(earliest);
        // First with bounds, which cost little; then exactly between what they leave open.
        let surely = first_day(earliest, after, |days| {
            let bounds = self.bounds_if_there_on_any(days);
            bounds.into_iter().map(|b| b.0 > self.allowed).collect()
        });
        let latest = surely.unwrap_or(plus_days(after, 1));
        let perhaps = first_day(earliest, latest, |days| {
            let bounds = self.bounds_if_there_on_any(days);
            bounds.into_iter().map(|b| b.1 > self.allowed).collect()
        });
        let too_late = match perhaps {
            Some(from) if from < latest => first_day(from, plus_days(latest, -1), |days| {
                let short = self.short_if_there_on_any(days);
                short.into_iter().map(|p| p > self.allowed).collect()
            })
            .unwrap_or(latest),
            _ => latest,
        };
        plus_days(too_late, -1).clamp(earliest, after)
    }
}

/// First day from `from` to `to` for which something holds that, once it holds, holds for all later
/// days; `None` where it does not hold at `to`. Asks about a few days at a time.
fn first_day(from: Date, to: Date, mut holds: impl FnMut(&[Date]) -> Vec<bool>) -> Option<Date> {
    const AT_A_TIME: i32 = 4;
    // It holds at `yes` or nowhere, and at no day before `no`.
    let (mut no, mut yes) = (plus_days(from, -1), None);
    loop {
        let last = yes.unwrap_or(plus_days(to, 1));
        let gap = days_between(no, last);
        if gap <= 1 {
            return yes;
        }
        let parts = gap.min(AT_A_TIME);
        let mut days: Vec<Date> = (1..parts).map(|i| plus_days(no, gap * i / parts)).collect();
        if yes.is_none() {
            days.push(to);
        }
        days.dedup();
        match holds(&days).iter().position(|h| *h) {
            Some(at) => {
                yes = Some(days[at]);
                if at > 0 {
                    no = days[at - 1];
                }
            }
            None if yes.is_none() => return None,
            None => no = days[days.len() - 1],
        }
    }
}

fn kits(
    fleet: &Fleet,
    outlook: &Outlook,
    forecast: &Forecast,
    orders: &[Order],
    in_jobs: &[Vec<Counts>],
    service_level: f64,
) -> Vec<KitLine> {
    let mut lines = Vec::new();
    // Expected number used for each job, changes ahead of time included.
    let used = |part: &str, job: &str| {
        forecast
            .demand
            .iter()
            .find(|d| d.part == part && d.job.as_deref() == Some(job))
            .map_or(0.0, |d| d.expected)
    };
    let on_shelf = |order: &Order, ahead: &PartOutlook, counts: &[Counts], j: usize| {
        let job = &outlook.jobs[j];
        let there = advised(outlook, &fleet.parts[ahead.part], order).by(job.start);
        let earlier: f64 = outlook
            .jobs
            .iter()
            .filter(|other| other.start < job.start)
            .map(|other| used(&ahead.name, &other.name))
            .sum();
        let ahead_of_it = (used(&ahead.name, &job.name) - counts[j].mean()).max(0.0);
        f64::from(there) - earlier - ahead_of_it
    };
    for (j, job) in outlook.jobs.iter().enumerate() {
        let parts: Vec<KitPart> = outlook
            .parts
            .iter()
            .zip(in_jobs)
            .map(|(ahead, counts)| KitPart {
                need: counts[j].clone(),
                // Parts without a price count alike, so that the fewest are carried.
                cost: fleet.parts[ahead.part].unit_cost.unwrap_or(1.0).max(1e-6),
                step: ahead.per_change,
            })
            .collect();
        let kit = cheapest_kit(&parts, service_level);
        for (p, quantity) in kit.quantities.into_iter().enumerate() {
            let (ahead, part) = (&outlook.parts[p], &parts[p]);
            let shelf = on_shelf(&orders[p], ahead, &in_jobs[p], j);
            let lacking = f64::from(quantity) - shelf.max(0.0);
            lines.push(KitLine {
                short: (lacking - 0.5).ceil().max(0.0) as u32,
                job: job.name.clone(),
                part: ahead.name.clone(),
                quantity,
                probability_enough: part.need.at_most(quantity),
            });
        }
    }
    lines
}

fn planned_interval(ahead: &PartOutlook, part: &Part) -> PlannedInterval {
    let nothing = |note: &str, run_on: Option<f64>| PlannedInterval {
        part: part.name.clone(),
        hours: None,
        cost_per_hour: None,
        cost_per_hour_run_on: run_on,
        note: note.to_owned(),
    };
    let Some(costs) = ahead.costs else {
        return nothing(
            "no interval without unit_cost and unplanned_stop in the catalogue",
            None,
        );
    };
    let (nodes, _) = without_negligible(&ahead.nodes, 1e-5);
    let curves = curves(&nodes, ahead.per_change);
    let run_on = Some(expected_cost_per_hour(&curves, costs, None)).filter(|c| c.is_finite());
    if !ahead.wears_out() {
        return nothing(
            "planned change does not pay as far as the records tell: a used part may be no more \
             likely to wear out than a new one (the interval of the shape reaches 1 or below)",
            run_on,
        );
    }
    if costs.in_service <= costs.planned {
        return nothing(
            "planned change does not pay: wearing out in service costs no more than a planned change",
            run_on,
        );
    }
    match best_interval(&curves, costs) {
        None => nothing(
            "planned change does not pay: at no interval does it cost less than running on until worn",
            run_on,
        ),
        Some(best) => PlannedInterval {
            part: part.name.clone(),
            hours: Some(best.hours),
            cost_per_hour: Some(best.cost_per_hour),
            cost_per_hour_run_on: run_on,
            note: "least expected cost per operating hour if it could be changed at any hour, \
                   averaged over what the records leave uncertain; at this age or when worn, \
                   whichever comes first"
                .to_owned(),
        },
    }
}

/// Each place through its jobs in order. A part that is changed before a job starts that job new, and
/// later decisions follow from there; wear-outs in between are left out (what is in then is younger).
fn change_decisions(outlook: &Outlook, ahead: &PartOutlook, part: &Part) -> Vec<ChangeDecision> {
    let (nodes, _) = without_negligible(&ahead.nodes, 1e-5);
    let mut decisions = Vec::new();
    for place in &ahead.places {
        let FirstLife::Aged(age_now) = place.first else {
            continue;
        };
        let within = |first, hours| chance_within(&nodes, ahead.per_change, first, hours);
        // The part that is in when a job starts: its first life, and when that began.
        let (mut first, mut since) = (place.first, 0.0);
        for (j, run) in outlook.schedules[place.schedule].runs.iter().enumerate() {
            let new_from = if since > 0.0 || first != place.first {
                run.from - since
            } else {
                age_now + run.from
            };
            let costs = ahead.starts.get(place.schedule).map(|s| &s[j]);
            let change = ahead.planned && costs.is_some_and(|costs| new_from >= costs.change_from);
            let (before, after) = (
                within(first, run.from - since),
                within(first, run.to - since),
            );
            let good = (1.0 - before).max(1e-300);
            decisions.push(ChangeDecision {
                job: outlook.jobs[run.job].name.clone(),
                machine: place.machine.clone(),
                part: part.name.clone(),
                position: place.position.clone(),
                age_hours: new_from,
                advice: if change {
                    Advice::Change
                } else {
                    Advice::RunOn
                },
                probability_worn_out: ((after - before) / good).clamp(0.0, 1.0),
                expected_cost_if_changed: costs.map(StartCosts::if_changed),
                expected_cost_if_left: costs.map(|c| c.if_left(new_from)),
            });
            if change {
                (first, since) = (FirstLife::Aged(0.0), run.from);
            }
        }
    }
    decisions
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
