//! What to order of one part, by when, and what it does.

use jiff::civil::Date;

use super::arrival::{LatestOrder, Ordered};
use super::days::{days_between, plus_days};
use super::lead_time::LeadDays;
use super::shortage::{Supply, fill_rate, is_overdue, shortages_along};
use super::timeline::Timeline;
use super::types::{FirstShortage, LackingDay, NeededStock, Order};
use crate::forecast::{Counts, Outlook, PartOutlook};
use crate::models::{Caution, CautionCode};
use crate::records::{LeadTime, Part};

/// Service levels of the table of needed stock.
pub const SERVICE_LEVELS: [f64; 5] = [0.8, 0.9, 0.95, 0.98, 0.99];

/// Everything an order is worked out from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked<'a> {
    /// The outlook, as exact as chances of running short are to be.
    pub(super) outlook: &'a Outlook,
    pub(super) ahead: &'a PartOutlook,
    pub(super) part: &'a Part,
    /// Demand over the schedule.
    pub(super) all: &'a Counts,
    pub(super) timeline: &'a Timeline,
    /// Chance of running short that is allowed.
    pub(super) allowed: f64,
    /// Lead time instead of the catalogue's, days.
    pub(super) lead_time_days: Option<f64>,
    /// Days to the next look at the stock.
    pub(super) review_days: u32,
}

/// An order with the supply it stands on.
#[derive(Debug, Clone)]
pub(super) struct Planned {
    pub(super) order: Order,
    /// Stock and deliveries without it.
    pub(super) supply: Supply,
    /// Days from order to delivery, where stated.
    pub(super) lead: Option<LeadDays>,
}

impl Planned {
    /// Chance that the order is there by the end of a day, if placed on its last day; without a lead time
    /// it is taken to be there in time.
    pub(super) fn there_by(&self, day: Date) -> f64 {
        match (&self.lead, self.order.order_by) {
            (Some(lead), Some(by)) => lead.within(days_between(by, day)),
            _ => 1.0,
        }
    }

    /// Stock and deliveries with the order on its 95 % day; without a lead time at once.
    pub(super) fn advised(&self, outlook: &Outlook) -> Supply {
        if self.order.order_quantity == 0 {
            return self.supply.clone();
        }
        let at_once = plus_days(outlook.as_of, 1);
        let day = self.order.there_by.unwrap_or(at_once);
        self.supply.and(day, self.order.order_quantity)
    }
}

impl Asked<'_> {
    pub(super) fn order(&self, cautions: &mut Vec<Caution>) -> Planned {
        let (outlook, part) = (self.outlook, self.part);
        let supply = Supply::of(part, outlook.as_of);
        cautions.extend(overdue(part, outlook.as_of));
        let needed = self.all.quantile(1.0 - self.allowed);
        let order_quantity = in_packs(needed.saturating_sub(supply.by(outlook.end)), part);
        let lead = self.lead();
        let nothing_ordered = self.short(&supply);
        let mut order = Order {
            part: part.name.clone(),
            on_hand: part.on_hand,
            on_order: (part.on_order.iter()).fold(0, |sum, d| sum.saturating_add(d.quantity)),
            expected_demand: self.all.mean(),
            needed,
            order_quantity,
            shortage_probability_if_nothing_ordered: nothing_ordered,
            shortage_probability_if_ordered: nothing_ordered,
            shortage_probability_if_ordered_today: nothing_ordered,
            lead_days: lead.as_ref().map(|l| [l.by(0.05), l.by(0.5), l.by(0.95)]),
            first_shortage: self.first_shortage(&supply),
            ..Order::default()
        };
        if order_quantity > 0 {
            if let Some(lead) = &lead {
                let latest = self.latest(&supply, order_quantity, lead);
                order.order_by = Some(latest.day);
                order.there_by = Some(plus_days(latest.day, lead.by(0.95)));
                order.shortage_probability_if_ordered = latest.short;
                order.shortage_probability_if_ordered_today = latest.short_if_today;
                order.order_now = Some(self.order_now(&supply, order_quantity, lead));
                if latest.short > self.allowed + 1e-9 {
                    cautions.push(too_late(part, &latest, lead, outlook.as_of));
                }
            } else {
                let there = supply.and(plus_days(outlook.as_of, 1), order_quantity);
                let short = self.short(&there);
                order.shortage_probability_if_ordered = short;
                order.shortage_probability_if_ordered_today = short;
                cautions.push(no_lead_time(part));
            }
        }
        let mut planned = Planned {
            order,
            supply,
            lead,
        };
        let (nothing, advised) = self.fill_rates(&planned);
        planned.order.fill_rate_if_nothing_ordered = nothing;
        planned.order.fill_rate = advised;
        planned.order.lacking_by_date = self.lacking_by_date(&planned);
        planned
    }

    fn lead(&self) -> Option<LeadDays> {
        let stated = |days: f64| LeadTime {
            low_days: days,
            high_days: days,
        };
        self.lead_time_days
            .map(stated)
            .or(self.part.lead_time)
            .map(LeadDays::of)
    }

    /// Chance of running short at some time in the schedule with a supply.
    fn short(&self, supply: &Supply) -> f64 {
        let question = [(supply, self.outlook.end)];
        shortages_along(self.outlook, self.ahead, self.timeline, &question)[0]
    }

    fn latest(&self, supply: &Supply, quantity: u32, lead: &LeadDays) -> LatestOrder {
        let ordered = Ordered {
            outlook: self.outlook,
            ahead: self.ahead,
            timeline: self.timeline,
            supply,
            quantity,
            lead,
            allowed: self.allowed,
        };
        ordered.latest()
    }

    /// The fewest to order at this look: what is left to the next look comes a review and a lead time
    /// from now at the soonest, and up to then the chance of lacking one is to stay within what is
    /// allowed, averaged over the lead time.
    fn order_now(&self, supply: &Supply, most: u32, lead: &LeadDays) -> u32 {
        let review = i32::try_from(self.review_days).unwrap_or(i32::MAX / 2);
        let lacking = |quantity: u32| -> f64 {
            lead.days()
                .map(|(days, chance)| {
                    let day = plus_days(self.outlook.as_of, review.saturating_add(days));
                    let stock = supply.by(day).saturating_add(quantity);
                    chance * self.timeline.more_than(day, stock)
                })
                .sum()
        };
        // The more is ordered, the less may be lacking: halving what is between too few and enough.
        let (mut too_few, mut enough) = (0, most);
        if lacking(0) <= self.allowed {
            return 0;
        }
        while enough - too_few > 1 {
            let middle = too_few + (enough - too_few) / 2;
            if lacking(in_packs(middle, self.part)) > self.allowed {
                too_few = middle;
            } else {
                enough = middle;
            }
        }
        in_packs(enough, self.part).min(most)
    }

    /// The first job, by its end, in which the chance of lacking one on some day passes what is allowed.
    fn first_shortage(&self, supply: &Supply) -> Option<FirstShortage> {
        let mut jobs: Vec<_> = self.outlook.jobs.iter().collect();
        jobs.sort_by_key(|job| (job.end, job.start));
        jobs.into_iter().find_map(|job| {
            let days = self.timeline.days().iter();
            let probability = days
                .filter(|day| job.start <= **day && **day <= job.end)
                .map(|day| self.timeline.more_than(*day, supply.by(*day)))
                .fold(0.0, f64::max);
            (probability > self.allowed).then(|| FirstShortage {
                job: job.name.clone(),
                start: job.start,
                end: job.end,
                probability,
            })
        })
    }

    /// Share met from the shelf without the order, and with it as advised.
    fn fill_rates(&self, planned: &Planned) -> (f64, f64) {
        let rate = |supply: &Supply| fill_rate(self.outlook, self.timeline, supply).unwrap_or(1.0);
        let nothing = rate(&planned.supply);
        let quantity = planned.order.order_quantity;
        if quantity == 0 {
            return (nothing, nothing);
        }
        let with = |day: Date| rate(&planned.supply.and(day, quantity));
        let advised = match (&planned.lead, planned.order.order_by) {
            (Some(lead), Some(by)) => lead
                .days()
                .map(|(days, chance)| chance * with(plus_days(by, days)))
                .sum(),
            _ => with(plus_days(self.outlook.as_of, 1)),
        };
        (nothing, f64::min(advised, 1.0))
    }

    /// Chance of lacking one on the last day of each job.
    fn lacking_by_date(&self, planned: &Planned) -> Vec<LackingDay> {
        let quantity = planned.order.order_quantity;
        let mut jobs: Vec<_> = self.outlook.jobs.iter().collect();
        jobs.sort_by_key(|job| (job.end, job.start));
        jobs.into_iter()
            .map(|job| {
                let stock = planned.supply.by(job.end);
                let nothing = self.timeline.more_than(job.end, stock);
                let with = self
                    .timeline
                    .more_than(job.end, stock.saturating_add(quantity));
                let there = planned.there_by(job.end);
                LackingDay {
                    date: job.end,
                    job: job.name.clone(),
                    if_nothing_ordered: nothing,
                    if_ordered: (1.0 - there) * nothing + there * with,
                }
            })
            .collect()
    }

    /// Stock and order at each of [`SERVICE_LEVELS`].
    pub(super) fn needed_stock(&self) -> Vec<NeededStock> {
        let there = Supply::of(self.part, self.outlook.as_of).by(self.outlook.end);
        SERVICE_LEVELS
            .into_iter()
            .map(|service_level| {
                let needed = self.all.quantile(service_level);
                let order_quantity = in_packs(needed.saturating_sub(there), self.part);
                let price = self.part.unit_cost;
                NeededStock {
                    part: self.part.name.clone(),
                    service_level,
                    needed,
                    order_quantity,
                    order_cost: price.map(|p| p * f64::from(order_quantity)),
                }
            })
            .collect()
    }
}

fn overdue(part: &Part, as_of: Date) -> impl Iterator<Item = Caution> + '_ {
    let late = part.on_order.iter().filter(move |d| is_overdue(d, as_of));
    late.map(|delivery| {
        Caution::about(
            CautionCode::Note,
            &part.name,
            format!(
                "a delivery of {} was due on {} and is still on order: it is counted as coming at once; \
                 check with the supplier",
                delivery.quantity, delivery.due
            ),
        )
    })
}

fn too_late(part: &Part, latest: &LatestOrder, lead: &LeadDays, as_of: Date) -> Caution {
    let [even, late] = [0.5, 0.95].map(|chance| plus_days(as_of, lead.by(chance)));
    let there = if even == late {
        format!("there on {even}")
    } else {
        format!("there by {even} with even chances, by {late} with 95%")
    };
    Caution::about(
        CautionCode::TooLate,
        &part.name,
        format!(
            "even ordered today it may come too late: {there}; the chance of running short stays {:.0}%; ask \
             for a faster delivery or move parts between jobs",
            100.0 * latest.short
        ),
    )
}

fn no_lead_time(part: &Part) -> Caution {
    Caution::about(
        CautionCode::NoLeadTime,
        &part.name,
        "fleet.toml gives this part no lead_time_days (a number of days, or a range like [14, 35]), so there \
         is no latest day to order; the chances hold if it is there in time",
    )
}

/// Whole packs, at least the minimum order, of at least `lacking`; nothing for nothing.
pub(super) fn in_packs(lacking: u32, part: &Part) -> u32 {
    if lacking == 0 {
        return 0;
    }
    let pack = part.pack.max(1);
    lacking
        .max(part.minimum_order)
        .div_ceil(pack)
        .saturating_mul(pack)
}
