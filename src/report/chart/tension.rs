//! Belt tension checks over time against the band of the practice.

use jiff::civil::Date;

use super::axis::{Scale, date_ticks, days, round_step, round_ticks};
use super::sketch::{Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// Checks in the user's unit.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct TensionPlot {
    /// Day, deflection, machine.
    pub(in crate::report) checks: Vec<(Date, f64, String)>,
    pub(in crate::report) low: f64,
    pub(in crate::report) target: f64,
    pub(in crate::report) high: f64,
    pub(in crate::report) unit: &'static str,
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 150.0;
const TOP: f64 = 36.0;
const FLOOR: f64 = 240.0;
const HEIGHT: f64 = 290.0;

/// The chart.
pub(in crate::report) fn tension(key: &str, title: &str, plot: &TensionPlot) -> Svg {
    let outside = plot
        .checks
        .iter()
        .filter(|c| c.1 < plot.low || c.1 > plot.high)
        .count();
    let description = format!(
        "{} of {} lie outside the band from {} to {} {}; the target is {} {}.",
        format::count(outside as u64),
        format::plural(plot.checks.len() as u64, "check"),
        format::length(plot.low),
        format::length(plot.high),
        plot.unit,
        format::length(plot.target),
        plot.unit
    );
    draw(plot).finish(key, title, &description)
}

fn draw(plot: &TensionPlot) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let first = plot
        .checks
        .iter()
        .map(|c| c.0)
        .min()
        .unwrap_or(Date::constant(2000, 1, 1));
    let last = plot.checks.iter().map(|c| c.0).max().unwrap_or(first);
    let right = WIDTH - RIGHT;
    let across = Scale::linear(0.0, days(first, last).max(1.0), LEFT, right);
    let most = plot
        .checks
        .iter()
        .map(|c| c.1)
        .filter(|d| d.is_finite())
        .fold(plot.high * 1.2, f64::max);
    let step = round_step(most / 5.0);
    let high = (most / step).ceil() * step;
    let up = Scale::linear(0.0, high, FLOOR, TOP);
    let band = ((LEFT, up.within(plot.high)), (right, up.within(plot.low)));
    sketch.rectangle(band.0, band.1, Ink::WASH);
    sketch.hatch(band.0, band.1, Ink::GRID, 8.0);
    for value in round_ticks(0.0, high, 5) {
        let y = up.at(value);
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        sketch.words_if_free(
            Words::new(&format::significant(value, 2), (LEFT - 8.0, y), Side::Right).quiet(),
        );
    }
    for tick in date_ticks(first, last, 8) {
        let x = across.at(days(first, tick.day));
        sketch.words_if_free(Words::new(&tick.label, (x, FLOOR + 16.0), Side::Middle).quiet());
    }
    sketch.words(
        Words::new(
            &format!("deflection, {}", plot.unit),
            (8.0, 14.0),
            Side::Left,
        )
        .quiet(),
    );
    let target = up.within(plot.target);
    sketch.dashed(
        &[(LEFT, target), (right, target)],
        Ink::QUIET,
        1.2,
        6.0,
        4.0,
    );
    for (value, name) in [
        (plot.high, "too loose above"),
        (plot.target, "target"),
        (plot.low, "too tight below"),
    ] {
        let words = Words::new(name, (right + 10.0, up.within(value)), Side::Left).quiet();
        sketch.words_if_free(words);
    }
    let mut drawn = std::collections::BTreeSet::new();
    let mut outside = Vec::new();
    for (day, value, machine) in &plot.checks {
        let (x, y) = (across.within(days(first, *day)), up.within(*value));
        if !drawn.insert((x.round() as i64, y.round() as i64)) {
            continue;
        }
        if *value < plot.low - 1e-9 || *value > plot.high + 1e-9 {
            sketch.area(
                [(x, y - 5.0), (x - 4.5, y + 3.5), (x + 4.5, y + 3.5)],
                Ink::VERMILION,
            );
            outside.push((x, y, machine));
        } else {
            sketch.ring((x, y), 3.0, Ink::BLUE);
        }
    }
    // Machines are named at checks outside while there are few enough to read.
    if outside.len() <= 60 {
        for (x, y, machine) in outside {
            sketch.words_if_free(Words::new(&fitted(machine, 80.0), (x + 7.0, y), Side::Left));
        }
    }
    sketch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;
    use jiff::ToSpan;

    #[test]
    fn no_words_meet_with_no_check_or_ten_thousand() {
        for n in [0, 1, 100, 10_000] {
            for (unit, factor) in [("in", 1.0), ("mm", 25.4)] {
                let start = Date::constant(2024, 1, 1);
                let plot = TensionPlot {
                    checks: (0..n)
                        .map(|i| {
                            let day = start.checked_add((i % 900).days()).unwrap();
                            (day, factor * 0.1 * f64::from(i % 9), format!("machine {i}"))
                        })
                        .collect(),
                    low: 0.2 * factor,
                    target: 0.25 * factor,
                    high: 0.3 * factor,
                    unit,
                };
                assert_eq!(collisions(&draw(&plot)), [], "{n} {unit}");
            }
        }
    }
}
