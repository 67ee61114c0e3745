//! Life against belt deflection: the curve with its limits, the band and the target.

use super::axis::{Scale, log_limits, log_ticks, round_ticks};
use super::sketch::{Ink, Point, Side, Sketch, Words};
use super::{Svg, WIDTH};
use crate::report::format;

/// What the chart shows, in the user's unit.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct DosePlot {
    /// Deflection, life over that on target, lower, upper.
    pub(in crate::report) points: Vec<(f64, f64, f64, f64)>,
    /// The curve without allowing for reading error, where that is allowed for: deflection, life.
    pub(in crate::report) as_read: Vec<(f64, f64)>,
    pub(in crate::report) low: f64,
    pub(in crate::report) target: f64,
    pub(in crate::report) high: f64,
    /// Deflection of the longest lives with its limits, where there is one.
    pub(in crate::report) best: Option<(f64, Option<(f64, f64)>)>,
    pub(in crate::report) unit: &'static str,
}

const LEFT: f64 = 80.0;
const RIGHT: f64 = 150.0;
const TOP: f64 = 40.0;
const FLOOR: f64 = 280.0;
const HEIGHT: f64 = 340.0;
/// Lives beyond these times are drawn at the edge.
const LEAST: f64 = 0.2;
const MOST: f64 = 5.0;

/// The chart.
pub(in crate::report) fn dose(key: &str, title: &str, plot: &DosePlot) -> Svg {
    let ends = plot.points.first().zip(plot.points.last());
    let told = ends.map_or_else(String::new, |(a, z)| {
        format!(
            "At {} {u} lives are {} times those on target, at {} {u} {} times.",
            format::length(a.0),
            format::significant(a.1, 2),
            format::length(z.0),
            format::significant(z.1, 2),
            u = plot.unit
        )
    });
    let description = format!(
        "Life against belt deflection, over life at {} {}, with 95% limits. {told}",
        format::length(plot.target),
        plot.unit
    );
    draw(plot).finish(key, title, &description)
}

fn draw(plot: &DosePlot) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let right = WIDTH - RIGHT;
    let within = |v: f64| v.clamp(LEAST, MOST);
    let (mut least, mut most) = (0.8, 1.25);
    for p in &plot.points {
        least = f64::min(least, within(p.2));
        most = f64::max(most, within(p.3));
    }
    let first = plot.points.first().map_or(plot.low, |p| p.0.min(plot.low));
    let last = plot.points.last().map_or(plot.high, |p| p.0.max(plot.high));
    let across = Scale::linear(first, last, LEFT, right);
    let (bottom, top) = log_limits(least, most);
    let up = Scale::log(bottom, top, FLOOR, TOP);
    let band = (
        (across.within(plot.low), TOP),
        (across.within(plot.high), FLOOR),
    );
    sketch.rectangle(band.0, band.1, Ink::WASH);
    sketch.hatch(band.0, band.1, Ink::GRID, 8.0);
    for value in log_ticks(bottom, top) {
        let y = up.at(value);
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        let words = Words::new(&format::significant(value, 2), (LEFT - 8.0, y), Side::Right);
        sketch.words_if_free(words.quiet());
    }
    for value in round_ticks(first, last, 6) {
        let words = Words::new(
            &format::length(value),
            (across.at(value), FLOOR + 16.0),
            Side::Middle,
        );
        sketch.words_if_free(words.quiet());
    }
    let one = up.within(1.0);
    sketch.line([(LEFT, one), (right, one)], Ink::RULE, 1.2);
    let target = across.within(plot.target);
    sketch.dashed(&[(target, TOP), (target, FLOOR)], Ink::QUIET, 1.2, 6.0, 4.0);
    let path = |of: fn(&(f64, f64, f64, f64)) -> f64| -> Vec<Point> {
        plot.points
            .iter()
            .map(|p| (across.within(p.0), up.within(within(of(p)))))
            .collect()
    };
    sketch.dashed(&path(|p| p.2), Ink::BLUE, 1.2, 3.0, 3.0);
    let upper = path(|p| p.3);
    sketch.dashed(&upper, Ink::BLUE, 1.2, 3.0, 3.0);
    let middle = path(|p| p.1);
    let as_read: Vec<Point> = (plot.as_read.iter())
        .filter(|p| p.0 >= first && p.0 <= last)
        .map(|p| (across.within(p.0), up.within(within(p.1))))
        .collect();
    sketch.dashed(&as_read, Ink::TEXT, 1.4, 9.0, 4.0);
    if let Some((best, limits)) = plot.best {
        if let Some((low, high)) = limits {
            let y = FLOOR - 6.0;
            sketch.line(
                [(across.within(low), y), (across.within(high), y)],
                Ink::TEXT,
                2.0,
            );
        }
        sketch.dot((across.within(best), FLOOR - 6.0), 4.0, Ink::TEXT);
    }
    if let Some(&(_, y)) = middle.last() {
        sketch.words_if_free(Words::new(
            "life, times that",
            (right + 10.0, y),
            Side::Left,
        ));
        sketch.words_if_free(Words::new(
            "on target",
            (right + 10.0, y + 15.0),
            Side::Left,
        ));
    }
    sketch.line(middle, Ink::BLUE, 2.2);
    if let Some(&(_, y)) = upper.last() {
        sketch.words_if_free(Words::new("95% limits", (right + 10.0, y), Side::Left).quiet());
    }
    sketch.words_if_free(Words::new("target", (target, TOP - 10.0), Side::Middle).quiet());
    let corner = Words::new("life, times that on target", (8.0, 12.0), Side::Left);
    sketch.words_if_free(corner.quiet());
    let foot = format!("deflection, {}", plot.unit);
    sketch.words_if_free(Words::new(&foot, (right, FLOOR + 38.0), Side::Right).quiet());
    sketch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_with_no_point_or_wild_ones() {
        let curve = |n: usize, width: f64| -> Vec<(f64, f64, f64, f64)> {
            (0..n)
                .map(|i| {
                    let d = 0.15 + 0.3 * i as f64 / n as f64;
                    let life = (-6.0 * (d - 0.25) * (d - 0.25)).exp();
                    (d, life, life / width, life * width)
                })
                .collect()
        };
        for (points, best) in [
            (Vec::new(), None),
            (curve(1, 2.0), None),
            (curve(61, 1.3), Some((0.25, Some((0.2, 0.3))))),
            (curve(61, 1e9), Some((0.4, None))),
        ] {
            let plot = DosePlot {
                as_read: points.iter().map(|p| (p.0, p.1)).collect(),
                points,
                low: 0.2,
                target: 0.25,
                high: 0.3,
                best,
                unit: "in",
            };
            assert_eq!(collisions(&draw(&plot)), []);
        }
    }
}
