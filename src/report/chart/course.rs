//! Stock against time: what may be left each day, with deliveries and the last day to order.

use jiff::civil::Date;

use super::axis::{Scale, date_ticks, days, round_step};
use super::sketch::{Ink, Point, Side, Sketch, Words};
use super::{Svg, WIDTH};
use crate::report::format;
use crate::stock::StockCourse;

const LEFT: f64 = 70.0;
const RIGHT: f64 = 170.0;
const TOP: f64 = 44.0;
const FLOOR: f64 = 200.0;
const HEIGHT: f64 = 236.0;

/// The chart of one part.
pub(in crate::report) fn course(key: &str, title: &str, course: &StockCourse) -> Svg {
    let lowest = course.days.iter().min_by_key(|d| d.low);
    let lowest = lowest.map_or(String::new(), |day| {
        format!(
            " The low edge of the band is lowest on {}, at {}.",
            format::date(day.day),
            format::number(day.low as f64, 0)
        )
    });
    let order = course.order_by.map_or(String::new(), |day| {
        format!(" Order by {}.", format::date(day))
    });
    let description = format!(
        "Number left in stock each day if the advice is followed; 90% of futures lie in the band, \
         and below zero parts are lacking.{lowest}{order}"
    );
    draw(course).finish(key, title, &description)
}

fn draw(course: &StockCourse) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let right = WIDTH - RIGHT;
    let (Some(first), Some(last)) = (course.days.first(), course.days.last()) else {
        return sketch;
    };
    let across = Scale::linear(0.0, days(first.day, last.day).max(1.0), LEFT, right);
    let at = |day: Date| across.within(days(first.day, day));
    let most = course.days.iter().map(|d| d.high).max().unwrap_or(1).max(1) as f64;
    let least = course.days.iter().map(|d| d.low).min().unwrap_or(0).min(0) as f64;
    let step = round_step((most - least) / 5.0).max(1.0);
    let (low, high) = ((least / step).floor() * step, (most / step).ceil() * step);
    let up = Scale::linear(low, high, FLOOR, TOP);
    let ticks = ((high - low) / step).round() as i32;
    // Parts come whole: ticks at multiples of a whole step.
    for value in (0..=ticks).map(|i| low + f64::from(i) * step) {
        let y = up.at(value);
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        sketch.words_if_free(
            Words::new(&format::number(value, 0), (LEFT - 8.0, y), Side::Right).quiet(),
        );
    }
    for tick in date_ticks(first.day, last.day, 8) {
        sketch.line([(at(tick.day), TOP), (at(tick.day), FLOOR)], Ink::GRID, 1.0);
        sketch.words_if_free(
            Words::new(&tick.label, (at(tick.day), FLOOR + 16.0), Side::Middle).quiet(),
        );
    }
    sketch.words(Words::new("parts left", (8.0, 14.0), Side::Left).quiet());
    let edge = |value: fn(&crate::stock::StockDay) -> i64| -> Vec<Point> {
        course
            .days
            .iter()
            .map(|d| (at(d.day), up.within(value(d) as f64)))
            .collect()
    };
    let (bottom, top) = (edge(|d| d.low), edge(|d| d.high));
    sketch.area(
        bottom
            .iter()
            .copied()
            .chain(top.iter().rev().copied())
            .collect::<Vec<_>>(),
        Ink::SKY,
    );
    sketch.dashed(&bottom, Ink::BLUE, 1.2, 5.0, 3.0);
    sketch.dashed(&top, Ink::BLUE, 1.2, 5.0, 3.0);
    sketch.line(edge(|d| d.middle), Ink::BLUE, 2.0);
    let zero = up.within(0.0);
    sketch.line([(LEFT, zero), (right, zero)], Ink::TEXT, 1.6);
    if let Some(day) = course.order_by {
        let x = at(day);
        sketch.dashed(&[(x, TOP - 6.0), (x, FLOOR)], Ink::VERMILION, 1.6, 4.0, 3.0);
        let label = format!("order by {}", format::day_month(day));
        sketch.words_if_free(Words::new(&label, (x, TOP - 16.0), Side::Left).inked(Ink::VERMILION));
    }
    for (day, quantity, advised) in &course.deliveries {
        let x = at(*day);
        sketch.line([(x, TOP - 2.0), (x, FLOOR)], Ink::QUIET, 0.8);
        sketch.area(
            [(x, TOP + 4.0), (x - 5.0, TOP - 4.0), (x + 5.0, TOP - 4.0)],
            Ink::TEXT,
        );
        let label = format!(
            "+{}{}",
            format::count(u64::from(*quantity)),
            if *advised { " ordered" } else { "" }
        );
        sketch.words_if_free(Words::new(&label, (x + 8.0, TOP - 7.0), Side::Left));
    }
    let ends = [
        (last.middle, "even chances", Ink::BLUE),
        (last.low, "1 in 20 has fewer", Ink::QUIET),
        (last.high, "1 in 20 has more", Ink::QUIET),
        (0, "nothing left", Ink::TEXT),
    ];
    for (value, name, ink) in ends {
        let at = (right + 8.0, up.within(value as f64));
        sketch.words_if_free(Words::new(name, at, Side::Left).inked(ink));
    }
    sketch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;
    use crate::stock::StockDay;
    use jiff::ToSpan;

    #[test]
    fn no_words_meet_with_little_stock_or_much() {
        let start = Date::constant(2026, 3, 31);
        let on = |n: i64| start.checked_add(n.days()).unwrap();
        for (length, scale, deliveries) in
            [(1, 1, 0), (30, 1, 1), (200, 40, 12), (1500, 100_000, 40)]
        {
            let days = (0..30)
                .map(|i| StockDay {
                    day: on(length * i / 29),
                    low: scale * (10 - i),
                    middle: scale * (12 - i),
                    high: scale * (15 - i),
                })
                .collect();
            let deliveries = (0..deliveries)
                .map(|i| (on(length * i / 40), 12, i == 3))
                .collect();
            let course = StockCourse {
                part: "belt".to_owned(),
                days,
                deliveries,
                order_by: Some(on(length / 3)),
            };
            assert_eq!(collisions(&draw(&course)), []);
        }
    }
}
