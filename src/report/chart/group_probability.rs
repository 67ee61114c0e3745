//! Weibull probability plot of several groups on shared axes: parallel where they wear alike.

use super::axis::{Scale, log_limits, log_ticks};
use super::sketch::{Ink, Point, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// One group's worn lives at their plotting positions, and its line where it has one.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::report) struct GroupPoints {
    pub(in crate::report) name: String,
    /// Hours, share worn out, in (0, 1).
    pub(in crate::report) worn: Vec<(f64, f64)>,
    /// Weibull shape and scale of the group alone.
    pub(in crate::report) line: Option<(f64, f64)>,
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 200.0;
const TOP: f64 = 34.0;
const FLOOR: f64 = 320.0;
const HEIGHT: f64 = 390.0;
const SHARES: [f64; 9] = [0.005, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99];

/// The Weibull scale of a share: ln(−ln(1 − F)).
fn weibull(share: f64) -> f64 {
    (-(-share).ln_1p()).ln()
}

/// The chart.
pub(in crate::report) fn group_probability(key: &str, title: &str, groups: &[GroupPoints]) -> Svg {
    let told: Vec<String> = groups
        .iter()
        .map(|g| {
            let shape = g.line.map_or_else(
                || "no line of its own".to_owned(),
                |(shape, _)| format!("shape {}", format::significant(shape, 2)),
            );
            format!("{}: {} worn, {shape}", g.name, g.worn.len())
        })
        .collect();
    let description = format!(
        "Share worn out against operating hours by band, on scales that make a Weibull life a \
         straight line; parallel lines wear in the same way. {}.",
        told.join("; ")
    );
    draw(groups).finish(key, title, &description)
}

fn draw(groups: &[GroupPoints]) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let right = WIDTH - RIGHT;
    let hours = groups
        .iter()
        .flat_map(|g| g.worn.iter().map(|p| p.0))
        .filter(|h| h.is_finite() && *h > 0.0);
    let (least, most) = hours.fold((f64::INFINITY, 0.0_f64), |(a, b), h| (a.min(h), b.max(h)));
    let (low, high) = if least.is_finite() {
        log_limits(least, most)
    } else {
        (10.0, 1000.0)
    };
    let least = groups
        .iter()
        .flat_map(|g| g.worn.iter().map(|p| p.1))
        .fold(0.05, f64::min)
        .max(1e-4);
    let across = Scale::log(low, high, LEFT, right);
    let up = Scale::linear(weibull(least * 0.8), weibull(0.99), FLOOR, TOP);
    for tick in log_ticks(low, high) {
        let x = across.at(tick);
        sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
        let words = Words::new(&format::hours(tick), (x, FLOOR + 18.0), Side::Middle);
        sketch.words_if_free(words.quiet());
    }
    for share in SHARES.into_iter().filter(|&s| up.covers(weibull(s))) {
        let y = up.at(weibull(share));
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        let words = Words::new(&format::percent(share), (LEFT - 8.0, y), Side::Right);
        sketch.words_if_free(words.quiet());
    }
    sketch.words(Words::new("worn out (Weibull scale)", (8.0, 14.0), Side::Left).quiet());
    let foot = Words::new(
        "operating hours (log scale)",
        (LEFT, FLOOR + 44.0),
        Side::Left,
    );
    sketch.words(foot.quiet());
    for (place, group) in groups.iter().enumerate() {
        lines(&mut sketch, group, place, (&across, &up), (low, high));
    }
    for (place, group) in groups.iter().enumerate() {
        for &(hours, share) in &group.worn {
            mark(
                &mut sketch,
                place,
                (across.within(hours), up.within(weibull(share))),
            );
        }
        let y = TOP + 14.0 + 24.0 * place as f64;
        mark(&mut sketch, place, (right + 18.0, y));
        let label = format!("{} ({} worn)", group.name, group.worn.len());
        sketch.words_if_free(Words::new(
            &fitted(&label, RIGHT - 36.0),
            (right + 32.0, y),
            Side::Left,
        ));
    }
    sketch.line([(LEFT, FLOOR), (right, FLOOR)], Ink::RULE, 1.0);
    sketch
}

fn lines(
    sketch: &mut Sketch,
    group: &GroupPoints,
    place: usize,
    (across, up): (&Scale, &Scale),
    (low, high): (f64, f64),
) {
    let Some((shape, scale)) = group.line else {
        return;
    };
    let at = |hours: f64| shape * (hours / scale).ln();
    let path: Vec<Point> = (0..=60)
        .map(|i| low * (high / low).powf(f64::from(i) / 60.0))
        .filter(|&hours| up.covers(at(hours)))
        .map(|hours| (across.within(hours), up.at(at(hours))))
        .collect();
    match place % 3 {
        0 => sketch.dashed(&path, Ink::VERMILION, 1.6, 8.0, 4.0),
        1 => sketch.line(path, Ink::TEXT, 2.0),
        _ => sketch.dashed(&path, Ink::BLUE, 1.6, 2.0, 3.0),
    }
}

/// Filled triangle, ring, filled square: told apart without colour.
fn mark(sketch: &mut Sketch, place: usize, (x, y): Point) {
    match place % 3 {
        0 => sketch.area(
            [(x, y - 5.5), (x - 5.0, y + 4.0), (x + 5.0, y + 4.0)],
            Ink::VERMILION,
        ),
        1 => sketch.ring((x, y), 4.0, Ink::TEXT),
        _ => sketch.rectangle((x - 4.0, y - 4.0), (x + 4.0, y + 4.0), Ink::BLUE),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_with_no_group_or_three() {
        for scale in [1e-6, 300.0, 1e12] {
            for n in [0_u32, 1, 40] {
                let group = |i: u32| GroupPoints {
                    name: ["too tight", "on target", "too loose"][i as usize].to_owned(),
                    worn: (1..=n)
                        .map(|k| {
                            let f = f64::from(k) / f64::from(n + 1);
                            (scale * f.sqrt() * f64::from(i + 1), f)
                        })
                        .collect(),
                    line: (n > 1).then_some((2.0, scale)),
                };
                let groups: Vec<GroupPoints> = (0..3).map(group).collect();
                assert_eq!(collisions(&draw(&groups)), [], "{scale} {n}");
            }
        }
        assert_eq!(collisions(&draw(&[])), []);
    }
}
