//! How the stock of a part may run through the schedule if the advice is followed.

use jiff::civil::Date;
use serde::Serialize;

use super::orders::Planned;
use super::timeline::Timeline;
use crate::forecast::{Counts, Outlook};

/// Stock at the end of a day: what is there less what has been needed up to then. Below zero it
/// is how many are lacking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StockDay {
    /// Day.
    pub day: Date,
    /// All but 5 % of futures have at least so many.
    pub low: i64,
    /// Median.
    pub middle: i64,
    /// 95 % of futures have at most so many.
    pub high: i64,
}

/// The course of one part's stock.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StockCourse {
    /// Part kind.
    pub part: String,
    /// By day, from the day of the outlook to the end of the last job.
    pub days: Vec<StockDay>,
    /// Deliveries counted on: day, quantity, whether it is the one advised.
    pub deliveries: Vec<(Date, u32, bool)>,
    /// Latest day to order, where something is to be ordered.
    pub order_by: Option<Date>,
}

/// The course of a part's stock with its deliveries and the advised order, which may be there or not by
/// each day. `None` with no job ahead.
pub(super) fn course(
    outlook: &Outlook,
    timeline: &Timeline,
    planned: &Planned,
) -> Option<StockCourse> {
    timeline.days().last()?;
    let order = &planned.order;
    let under_way = planned.supply.deliveries.iter();
    let mut deliveries: Vec<_> = under_way.map(|(day, n)| (*day, *n, false)).collect();
    if order.order_quantity > 0
        && let Some(day) = order.there_by
    {
        deliveries.push((day, order.order_quantity, true));
    }
    deliveries.retain(|d| d.0 <= outlook.end);
    deliveries.sort_unstable();
    let start = i64::from(planned.supply.on_hand);
    let first = StockDay {
        day: outlook.as_of,
        low: start,
        middle: start,
        high: start,
    };
    let later = timeline.steps().map(|(day, counts)| {
        let there = planned.there_by(day);
        let stock = planned.supply.by(day);
        let left = |level: f64| left(counts, stock, (order.order_quantity, there), level);
        StockDay {
            day,
            low: left(0.05),
            middle: left(0.5),
            high: left(0.95),
        }
    });
    Some(StockCourse {
        part: order.part.clone(),
        days: std::iter::once(first).chain(later).collect(),
        deliveries,
        order_by: order.order_by,
    })
}

/// Quantile of what is left: `stock` less the demand, and the order on top with its chance.
fn left(counts: &Counts, stock: u32, (quantity, there): (u32, f64), level: f64) -> i64 {
    // P(left ≤ x) = P(D ≥ stock − x), mixed over the order.
    let at_most = |x: i64, stock: u32| match u32::try_from(i64::from(stock) - x - 1) {
        Ok(need) => counts.more_than(need),
        Err(_) => 1.0,
    };
    let most = i64::from(stock) + i64::from(quantity);
    let longest = i64::try_from(counts.pmf().len()).unwrap_or(i64::MAX / 2);
    let least = i64::from(stock) - longest;
    let with = stock.saturating_add(quantity);
    let reached =
        |x: i64| (1.0 - there) * at_most(x, stock) + there * at_most(x, with) >= level - 1e-12;
    // The first that reaches it, by halving.
    let (mut below, mut at) = (least - 1, most);
    while at - below > 1 {
        let middle = below + (at - below) / 2;
        if reached(middle) {
            at = middle;
        } else {
            below = middle;
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::testing::{AS_OF, fitted, fleet, job, lives, model, part, spread};
    use crate::forecast::{ForecastOptions, of_outlook};
    use crate::records::{Delivery, LeadTime};
    use crate::stock::{StockOptions, plan};
    use jiff::civil::date;

    #[test]
    fn stock_falls_between_deliveries_and_the_plan_keeps_it_above_nothing() {
        let mut belt = part("belt");
        belt.on_hand = 2;
        belt.lead_time = Some(LeadTime {
            low_days: 10.0,
            high_days: 20.0,
        });
        belt.on_order = vec![Delivery {
            quantity: 1,
            due: date(2026, 5, 10),
        }];
        let machines = ["M1", "M2", "M3", "M4"];
        let jobs = vec![job(
            "one",
            date(2026, 5, 1),
            date(2026, 5, 30),
            &machines,
            300.0,
        )];
        let fleet = fleet(vec![belt], jobs);
        let lives = lives(
            machines
                .iter()
                .map(|m| fitted("belt", m, "1", Some(50.0)))
                .collect(),
        );
        let outlook = Outlook::new(
            &fleet,
            &lives,
            &[model("belt", spread(2.0, 300.0, 0.3, 5))],
            &ForecastOptions::default(),
        );
        let options = StockOptions {
            service_level: 0.95,
            ..StockOptions::default()
        };
        let plan = plan(&fleet, &outlook, &of_outlook(&outlook), &options);
        let course = &plan.courses[0];
        assert_eq!(
            course.days[0],
            StockDay {
                day: AS_OF,
                low: 2,
                middle: 2,
                high: 2
            }
        );
        assert_eq!(course.days.last().unwrap().day, date(2026, 5, 30));
        // A delivery under way comes on its day, the order on a day that is not known.
        let all: i64 = course.deliveries.iter().map(|d| i64::from(d.1)).sum();
        for pair in course.days.windows(2) {
            assert!(pair[1].low <= pair[0].low + all && pair[1].high <= pair[0].high + all);
            assert!(pair[1].low <= pair[1].middle && pair[1].middle <= pair[1].high);
        }
        assert!(plan.orders[0].order_quantity > 0);
        // The plan keeps the chance of running short at any time within 5 %, so on any day too.
        if plan.orders[0].shortage_probability_if_ordered <= 0.05 {
            assert!(course.days.iter().all(|d| d.low >= 0));
        }
    }
}
