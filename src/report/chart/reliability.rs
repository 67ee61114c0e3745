//! Share still good against age: the model beside the model-free curve.

use super::axis::{Scale, round_step, round_ticks};
use super::sketch::{Ink, Point, Side, Sketch, Words};
use super::{Svg, WIDTH};
use crate::report::format;

/// What the chart shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::report) struct ReliabilityPlot {
    /// Steps of the model-free curve: hours, share still good after the step.
    pub(in crate::report) steps: Vec<(f64, f64)>,
    /// The oldest age seen, where the model-free curve ends.
    pub(in crate::report) last_hours: f64,
    /// The model: hours, share still good, lower, upper.
    pub(in crate::report) model: Vec<(f64, f64, f64, f64)>,
    /// Ages of the parts now fitted.
    pub(in crate::report) fitted: Vec<f64>,
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 190.0;
const TOP: f64 = 34.0;
const FLOOR: f64 = 280.0;
const HEIGHT: f64 = 350.0;

/// The chart.
pub(in crate::report) fn reliability(key: &str, title: &str, plot: &ReliabilityPlot) -> Svg {
    let at = |share: f64| {
        // Between the points of the curve, as a reader of the line would.
        let hours = plot.model.windows(2).find(|w| w[1].1 <= share).map(|w| {
            let (from, to) = (w[0], w[1]);
            from.0 + (to.0 - from.0) * (from.1 - share).max(0.0) / (from.1 - to.1).max(1e-12)
        });
        hours.map_or(format::NOTHING.to_owned(), format::hours)
    };
    let description = format!(
        "Share still good against operating hours. The model falls to 90% at {} hours, to half at \
         {} hours and to 10% at {} hours; the model-free curve has {} steps and ends at {} hours.",
        at(0.9),
        at(0.5),
        at(0.1),
        plot.steps.len(),
        format::hours(plot.last_hours),
    );
    draw(plot).finish(key, title, &description)
}

fn draw(plot: &ReliabilityPlot) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let right = WIDTH - RIGHT;
    let tail = plot
        .model
        .iter()
        .find(|m| m.1 <= 0.05)
        .or(plot.model.last())
        .map_or(0.0, |m| m.0);
    let most = if tail > 0.0 {
        tail.max(plot.last_hours).min(tail * 3.0)
    } else {
        plot.last_hours
    };
    let most = if most > 0.0 && most.is_finite() {
        most
    } else {
        100.0
    };
    let step = round_step(most / 8.0);
    let most = (most / step).ceil() * step;
    let across = Scale::linear(0.0, most, LEFT, right);
    let up = Scale::linear(0.0, 1.0, FLOOR, TOP);
    for hours in round_ticks(0.0, most, 8) {
        let x = across.at(hours);
        sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
        let words = Words::new(&format::hours(hours), (x, FLOOR + 28.0), Side::Middle);
        sketch.words_if_free(words.quiet());
    }
    for i in 0..=4 {
        let share = f64::from(i) * 0.25;
        let y = up.at(share);
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        sketch.words(Words::new(&format::percent(share), (LEFT - 8.0, y), Side::Right).quiet());
    }
    sketch.words(Words::new("still good", (8.0, 14.0), Side::Left).quiet());
    sketch.words(Words::new("operating hours", (LEFT, FLOOR + 50.0), Side::Left).quiet());

    let place = |hours: f64, share: f64| -> Point { (across.within(hours), up.within(share)) };
    let seen: Vec<_> = plot.model.iter().filter(|m| m.0 <= most).collect();
    let lower: Vec<Point> = seen.iter().map(|m| place(m.0, m.2)).collect();
    let upper: Vec<Point> = seen.iter().map(|m| place(m.0, m.3)).collect();
    sketch.area(
        lower
            .iter()
            .copied()
            .chain(upper.iter().rev().copied())
            .collect::<Vec<_>>(),
        Ink::SKY,
    );
    sketch.dashed(&lower, Ink::BLUE, 1.0, 5.0, 3.0);
    sketch.dashed(&upper, Ink::BLUE, 1.0, 5.0, 3.0);
    sketch.line(
        seen.iter().map(|m| place(m.0, m.1)).collect::<Vec<_>>(),
        Ink::BLUE,
        2.0,
    );
    let free = free_curve(plot, most);
    sketch.line(
        free.iter().map(|p| place(p.0, p.1)).collect::<Vec<_>>(),
        Ink::TEXT,
        1.6,
    );
    ages(&mut sketch, plot, &across);
    labels(&mut sketch, plot, &seen, &free, place);
    sketch
}

/// The step curve as corners, from 1 at age 0 to the oldest age seen.
fn free_curve(plot: &ReliabilityPlot, most: f64) -> Vec<(f64, f64)> {
    let mut corners = vec![(0.0, 1.0)];
    let mut level = 1.0;
    for &(hours, share) in plot.steps.iter().filter(|s| s.0 <= most) {
        // Steps too small to see add up until they can be seen.
        let wide = hours - corners.last().map_or(0.0, |c| c.0) > most / 1500.0;
        if wide || level - share > 0.002 {
            corners.push((hours, level));
            corners.push((hours, share));
            level = share;
        }
    }
    corners.push((plot.last_hours.min(most), level));
    if plot.steps.is_empty() {
        Vec::new()
    } else {
        corners
    }
}

/// Where the parts now fitted stand.
fn ages(sketch: &mut Sketch, plot: &ReliabilityPlot, across: &Scale) {
    sketch.line([(LEFT, FLOOR), (WIDTH - RIGHT, FLOOR)], Ink::RULE, 1.0);
    let mut drawn = std::collections::BTreeSet::new();
    for &age in &plot.fitted {
        let x = across.within(age);
        if drawn.insert((x * 2.0).round() as i64) {
            sketch.area(
                [
                    (x, FLOOR + 3.0),
                    (x - 4.0, FLOOR + 12.0),
                    (x + 4.0, FLOOR + 12.0),
                ],
                Ink::VERMILION,
            );
        }
    }
    if !plot.fitted.is_empty() {
        let at = (WIDTH - RIGHT + 8.0, FLOOR + 8.0);
        sketch.words_if_free(Words::new("ages now fitted", at, Side::Left).quiet());
    }
}

/// The curves are named at their right ends, moved apart where they would meet.
fn labels(
    sketch: &mut Sketch,
    plot: &ReliabilityPlot,
    model: &[&(f64, f64, f64, f64)],
    free: &[(f64, f64)],
    place: impl Fn(f64, f64) -> Point,
) {
    let edge = WIDTH - RIGHT + 8.0;
    let mut y = FLOOR - 12.0;
    if let Some(end) = model.last() {
        y = place(end.0, end.1).1.clamp(TOP + 24.0, FLOOR - 12.0);
        sketch.words_if_free(
            Words::new("forecast, 95% band", (edge, y), Side::Left).inked(Ink::BLUE),
        );
    }
    if let Some(&(hours, share)) = free.last() {
        let end = place(hours, share);
        sketch.dot(end, 3.2, Ink::TEXT);
        let records = format!("records alone, to {} h", format::hours(plot.last_hours));
        // Beside the end of the curve where there is room, else at the edge.
        let beside = Words::new(&records, (end.0 + 10.0, end.1 - 12.0), Side::Left);
        // Low down the words would run across the forecast's tail.
        let fits =
            share > 0.2 && beside.area().right < WIDTH - RIGHT && sketch.words_if_free(beside);
        if !fits {
            sketch.words_if_free(Words::new("records alone", (edge, y - 18.0), Side::Left));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_from_one_life_to_ten_thousand() {
        for n in [0, 1, 2, 30, 10_000] {
            for scale in [1e-6, 1.0, 400.0, 1e6, 1e12] {
                let steps = (0..n).map(|i| {
                    (
                        scale * f64::from(i) / f64::from(n),
                        1.0 - f64::from(i) / f64::from(n),
                    )
                });
                let model = (0..50).map(|i| {
                    let r = 1.0 - f64::from(i) / 50.0;
                    (scale * f64::from(i) / 25.0, r, r * 0.9, r + (1.0 - r) * 0.2)
                });
                let plot = ReliabilityPlot {
                    steps: steps.collect(),
                    last_hours: scale,
                    model: model.collect(),
                    fitted: (0..n)
                        .map(|i| scale * f64::from(i) * 0.9 / f64::from(n))
                        .collect(),
                };
                assert_eq!(collisions(&draw(&plot)), [], "{n} lives around {scale} h");
            }
        }
        assert_eq!(collisions(&draw(&ReliabilityPlot::default())), []);
    }
}
