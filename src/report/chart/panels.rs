//! Share still good by group: a panel each on shared axes, with limits and numbers at risk.

use super::axis::Scale;
use super::sketch::{Ink, Point, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// A step of a group's curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::report) struct GroupStep {
    pub(in crate::report) hours: f64,
    /// Share still good from then on.
    pub(in crate::report) good: f64,
    /// Its limits, where they exist.
    pub(in crate::report) limits: Option<(f64, f64)>,
}

/// One group.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::report) struct GroupCurve {
    pub(in crate::report) name: String,
    pub(in crate::report) lives: u64,
    pub(in crate::report) worn: u64,
    pub(in crate::report) steps: Vec<GroupStep>,
    /// Greatest age seen.
    pub(in crate::report) last_hours: f64,
    /// Lives under observation at round ages, the same ages for every group.
    pub(in crate::report) at_risk: Vec<(f64, u64)>,
}

const LEFT: f64 = 58.0;
const RIGHT: f64 = 16.0;
const GAP: f64 = 26.0;
const TOP: f64 = 46.0;
const FLOOR: f64 = 236.0;
const HEIGHT: f64 = 318.0;

/// The chart.
pub(in crate::report) fn panels(key: &str, title: &str, groups: &[GroupCurve]) -> Svg {
    let told: Vec<String> = groups
        .iter()
        .map(|g| {
            let end = g.steps.last().map_or(1.0, |s| s.good);
            format!(
                "{}: {} of {} worn, {} still good at {} hours",
                g.name,
                format::count(g.worn),
                format::plural(g.lives, "life"),
                format::percent(end),
                format::hours(g.last_hours)
            )
        })
        .collect();
    let description = format!(
        "Share still good against operating hours, a panel for each band, model-free with 95% limits. \
         {}.",
        told.join("; ")
    );
    draw(groups).finish(key, title, &description)
}

fn draw(groups: &[GroupCurve]) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let n = groups.len().max(1) as f64;
    let wide = (WIDTH - LEFT - RIGHT - GAP * (n - 1.0)) / n;
    let most = groups
        .iter()
        .map(|g| g.last_hours)
        .filter(|h| h.is_finite())
        .fold(0.0, f64::max);
    let most = if most > 0.0 { most } else { 100.0 };
    let up = Scale::linear(0.0, 1.0, FLOOR, TOP);
    sketch.words(Words::new("still good", (8.0, 14.0), Side::Left).quiet());
    for i in 0..=4 {
        let share = f64::from(i) * 0.25;
        let at = (LEFT - 8.0, up.at(share));
        sketch.words(Words::new(&format::percent(share), at, Side::Right).quiet());
    }
    sketch.words(Words::new("hours", (LEFT - 8.0, FLOOR + 20.0), Side::Right).quiet());
    sketch.words(Words::new("at risk", (LEFT - 8.0, FLOOR + 44.0), Side::Right).quiet());
    for (place, group) in groups.iter().enumerate() {
        let left = LEFT + place as f64 * (wide + GAP);
        let across = Scale::linear(0.0, most, left, left + wide);
        panel(&mut sketch, group, &across, &up, (left, left + wide));
        for other in groups.iter().enumerate().filter(|o| o.0 != place) {
            sketch.line(
                corners(other.1, &across, &up, |s| Some(s.good)),
                Ink::RULE,
                1.2,
            );
        }
        sketch.line(
            corners(group, &across, &up, |s| Some(s.good)),
            Ink::TEXT,
            2.4,
        );
        let title = Words::new(
            &fitted(&group.name, wide * 0.55),
            (left, TOP - 12.0),
            Side::Left,
        );
        sketch.words_if_free(title.bold());
        let count = format!(
            "{} of {} worn",
            format::count(group.worn),
            format::count(group.lives)
        );
        let at = (left + wide, TOP - 12.0);
        sketch.words_if_free(Words::new(&count, at, Side::Right).quiet());
    }
    sketch
}

/// Frame, grid, limits and numbers at risk.
fn panel(sketch: &mut Sketch, group: &GroupCurve, across: &Scale, up: &Scale, ends: (f64, f64)) {
    let lower = corners(group, across, up, |s| s.limits.map(|l| l.0));
    let mut area = corners(group, across, up, |s| s.limits.map(|l| l.1));
    area.extend(lower.iter().rev().copied());
    sketch.area(area, Ink::SKY);
    sketch.dashed(&lower, Ink::BLUE, 1.0, 4.0, 3.0);
    let upper = corners(group, across, up, |s| s.limits.map(|l| l.1));
    sketch.dashed(&upper, Ink::BLUE, 1.0, 4.0, 3.0);
    for i in 0..=4 {
        let y = up.at(f64::from(i) * 0.25);
        sketch.line([(ends.0, y), (ends.1, y)], Ink::GRID, 1.0);
    }
    for &(hours, lives) in &group.at_risk {
        let x = across.within(hours);
        sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
        let words = Words::new(&format::hours(hours), (x, FLOOR + 20.0), Side::Middle);
        if sketch.words_if_free(words.quiet()) {
            sketch.words_if_free(Words::new(
                &format::count(lives),
                (x, FLOOR + 44.0),
                Side::Middle,
            ));
        }
    }
    sketch.line([(ends.0, FLOOR), (ends.1, FLOOR)], Ink::RULE, 1.0);
}

/// A step curve as corners from 1 at age 0 to the greatest age seen; levels that do not exist stay
/// where they were.
fn corners(
    group: &GroupCurve,
    across: &Scale,
    up: &Scale,
    level: impl Fn(&GroupStep) -> Option<f64>,
) -> Vec<Point> {
    if group.steps.is_empty() {
        return Vec::new();
    }
    let mut at = 1.0;
    let mut out = vec![(across.within(0.0), up.at(1.0))];
    for step in &group.steps {
        let x = across.within(step.hours);
        out.push((x, up.within(at)));
        at = level(step).unwrap_or(at);
        out.push((x, up.within(at)));
    }
    out.push((across.within(group.last_hours), up.within(at)));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_from_no_group_to_four() {
        for n in 0..5_u32 {
            for scale in [1e-3, 500.0, 1e9] {
                let group = |i: u32| GroupCurve {
                    name: format!("too loose by far, group {i}"),
                    lives: 23,
                    worn: 15,
                    steps: (1..=15)
                        .map(|k| {
                            let s = 1.0 - f64::from(k) / 16.0;
                            GroupStep {
                                hours: scale * f64::from(k) / 16.0,
                                good: s,
                                limits: Some((s * 0.8, s.sqrt())),
                            }
                        })
                        .collect(),
                    last_hours: scale,
                    at_risk: (0..6).map(|k| (scale * f64::from(k) / 5.0, 23)).collect(),
                };
                let groups: Vec<GroupCurve> = (0..n).map(group).collect();
                assert_eq!(collisions(&draw(&groups)), [], "{n} {scale}");
            }
        }
        assert_eq!(collisions(&draw(&[GroupCurve::default()])), []);
    }
}
