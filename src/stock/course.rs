//! How the stock of a part may run through the schedule if the advice is followed.

use jiff::civil::Date;
use serde::Serialize;

use super::{Order, Supply};
use crate::forecast::{Outlook, Span};
use crate::records::Part;

/// Stock at the end of a day: what is there less what has been needed up to then. Below zero it
/// is how many are lacking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StockDay {
    /// Day.
    pub day: Date,
    /// 95 % of futures have at least so many.
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

/// Days looked at, besides those of deliveries.
const DAYS: i32 = 28;

/// The course of a part's stock, with deliveries under way and the advised order. Quantiles are
/// those of the demand from the outlook's day up to each day; a delivery that is overdue counts as
/// there. `None` for a part without a forecast or with no job ahead.
pub fn stock_course(outlook: &Outlook, part: &Part, order: &Order) -> Option<StockCourse> {
    let ahead = outlook.parts.iter().find(|p| p.name == part.name)?;
    let length = outlook.as_of.until(outlook.end).ok()?.get_days();
    if length <= 0 {
        return None;
    }
    let mut supply = Supply {
        on_hand: part.on_hand,
        deliveries: Vec::new(),
    };
    let mut deliveries = Vec::new();
    for delivery in &part.on_order {
        if delivery.due <= outlook.as_of {
            supply.on_hand = supply.on_hand.saturating_add(delivery.quantity);
        } else {
            supply = supply.and(delivery.due, delivery.quantity);
            deliveries.push((delivery.due, delivery.quantity, false));
        }
    }
    if let Some(day) = order.there_by {
        supply = supply.and(day, order.order_quantity);
        deliveries.push((day, order.order_quantity, true));
    }
    deliveries.retain(|d| d.0 <= outlook.end);
    deliveries.sort_unstable();
    let step = (length / DAYS).max(1);
    let mut days: Vec<Date> = (1..=length / step)
        .filter_map(|i| {
            outlook
                .as_of
                .checked_add(jiff::Span::new().days(i * step))
                .ok()
        })
        .collect();
    days.push(outlook.end);
    for (day, ..) in &deliveries {
        days.push(*day);
        days.extend(day.yesterday().ok().filter(|d| *d > outlook.as_of));
    }
    days.sort_unstable();
    days.dedup();
    let spans: Vec<Span> = days
        .iter()
        .map(|day| Span::Days(outlook.as_of, *day))
        .collect();
    let needed = outlook.demand(ahead, &spans).counts;
    let start = i64::from(supply.on_hand);
    let first = StockDay {
        day: outlook.as_of,
        low: start,
        middle: start,
        high: start,
    };
    let later = days.iter().zip(&needed).map(|(day, counts)| {
        let left = |level| i64::from(supply.by(*day)) - i64::from(counts.quantile(level));
        StockDay {
            day: *day,
            low: left(0.95),
            middle: left(0.5),
            high: left(0.05),
        }
    });
    Some(StockCourse {
        part: part.name.clone(),
        days: std::iter::once(first).chain(later).collect(),
        deliveries,
        order_by: order.order_by,
    })
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
            lead_time_days: None,
        };
        let plan = plan(&fleet, &outlook, &of_outlook(&outlook), &options);
        let course = stock_course(&outlook, &fleet.parts[0], &plan.orders[0]).unwrap();
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
        for pair in course.days.windows(2) {
            let came: i64 = course
                .deliveries
                .iter()
                .filter(|d| pair[0].day < d.0 && d.0 <= pair[1].day)
                .map(|d| i64::from(d.1))
                .sum();
            assert!(pair[1].low <= pair[0].low + came && pair[1].high <= pair[0].high + came);
            assert!(pair[1].low <= pair[1].middle && pair[1].middle <= pair[1].high);
        }
        assert!(plan.orders[0].order_quantity > 0);
        // The plan keeps the chance of running short at any time within 5 %, so on any day too.
        if plan.orders[0].shortage_probability_if_ordered <= 0.05 {
            assert!(course.days.iter().all(|d| d.low >= 0));
        }
    }
}
