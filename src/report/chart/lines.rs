//! Curves over a plain axis: meter readings over time, cost over interval, cost over chance.

use jiff::civil::Date;

use super::axis::{Scale, date_ticks, days, log_limits, log_ticks, round_step, round_ticks};
use super::sketch::{Ink, Point, Side, Sketch, Words, fitted, width};
use super::{Svg, WIDTH};
use crate::report::format;

const LEFT: f64 = 80.0;
const RIGHT: f64 = 170.0;
const TOP: f64 = 36.0;
const FLOOR: f64 = 300.0;
const HEIGHT: f64 = 360.0;

/// One machine's meter.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct MeterLine {
    pub(in crate::report) machine: String,
    /// Used readings by day.
    pub(in crate::report) readings: Vec<(Date, f64)>,
    /// Readings that could not be used.
    pub(in crate::report) doubtful: Vec<(Date, f64)>,
}

/// Hour-meter readings over time, a line a machine.
pub(in crate::report) fn meters(key: &str, title: &str, lines: &[MeterLine]) -> Svg {
    let doubtful: usize = lines.iter().map(|line| line.doubtful.len()).sum();
    let description = format!(
        "Hour meter of {} over time, from each machine's readings. {}",
        format::plural(lines.len() as u64, "machine"),
        if doubtful > 0 {
            format!(
                "{} could not be used and are marked with a cross, at the edge where they lie far outside.",
                format::plural(doubtful as u64, "reading")
            )
        } else {
            "Every reading could be used.".to_owned()
        }
    );
    draw_meters(lines).finish(key, title, &description)
}

fn draw_meters(lines: &[MeterLine]) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let all = || {
        lines
            .iter()
            .flat_map(|l| l.readings.iter().chain(&l.doubtful))
    };
    let first = all()
        .map(|r| r.0)
        .min()
        .unwrap_or(Date::constant(2000, 1, 1));
    let last = all().map(|r| r.0).max().unwrap_or(first);
    // A slip of the pen must not flatten the readings that are used: far ones stand at the top edge.
    let highest = |readings: &mut dyn Iterator<Item = f64>| readings.fold(0.0, f64::max);
    let used = highest(&mut lines.iter().flat_map(|l| &l.readings).map(|r| r.1));
    let most = if used > 0.0 {
        highest(&mut all().map(|r| r.1).filter(|h| *h <= 1.5 * used))
    } else {
        highest(&mut all().map(|r| r.1).filter(|h| h.is_finite()))
    };
    let across = Scale::linear(0.0, days(first, last).max(1.0), LEFT, WIDTH - RIGHT);
    let up = vertical(&mut sketch, most, "meter, hours");
    for tick in date_ticks(first, last, 8) {
        let x = across.at(days(first, tick.day));
        sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
        sketch.words_if_free(Words::new(&tick.label, (x, FLOOR + 16.0), Side::Middle).quiet());
    }
    let mut names = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        let place = |r: &(Date, f64)| (across.within(days(first, r.0)), up.within(r.1));
        let points: Vec<Point> = line.readings.iter().map(place).collect();
        let ink = [Ink::BLUE, Ink::TEXT, Ink::VERMILION][i % 3];
        // A meter that starts anew after a reset starts a new line; upwards is a smaller y.
        for stretch in points.chunk_by(|a, b| b.1 <= a.1) {
            match i % 2 {
                0 => sketch.line(stretch, ink, 1.4),
                _ => sketch.dashed(stretch, ink, 1.4, 6.0, 3.0),
            }
        }
        if points.len() <= 60 {
            for &point in &points {
                sketch.dot(point, 1.8, ink);
            }
        }
        for &(x, y) in &line.doubtful.iter().map(place).collect::<Vec<_>>() {
            sketch.line([(x - 3.5, y - 3.5), (x + 3.5, y + 3.5)], Ink::TEXT, 1.4);
            sketch.line([(x - 3.5, y + 3.5), (x + 3.5, y - 3.5)], Ink::TEXT, 1.4);
        }
        if let Some(&end) = points.last() {
            names.push((end, line.machine.as_str(), ink));
        }
    }
    name_ends(&mut sketch, names);
    sketch
}

/// Names lines at the right edge, moved apart; those for which there is no room are counted.
fn name_ends(sketch: &mut Sketch, mut names: Vec<(Point, &str, Ink)>) {
    const APART: f64 = 15.0;
    let room = ((FLOOR - TOP) / APART) as usize;
    names.sort_by(|a, b| a.0.1.total_cmp(&b.0.1));
    let hidden = names.len().saturating_sub(room);
    names.truncate(room);
    let mut places: Vec<f64> = Vec::new();
    for (end, ..) in &names {
        let after = places.last().map_or(TOP, |y| y + APART);
        places.push(end.1.max(after));
    }
    // Push back up what ran out at the foot.
    let mut limit = FLOOR - 4.0;
    for y in places.iter_mut().rev() {
        *y = y.min(limit);
        limit = *y - APART;
    }
    for ((end, name, ink), y) in names.iter().zip(places) {
        let edge = WIDTH - RIGHT;
        sketch.line([*end, (edge + 6.0, y)], Ink::RULE, 0.7);
        sketch.words(
            Words::new(&fitted(name, RIGHT - 16.0), (edge + 9.0, y), Side::Left).inked(*ink),
        );
    }
    if hidden > 0 {
        let more = format!("and {} more", format::count(hidden as u64));
        sketch.words(Words::new(&more, (WIDTH - RIGHT + 9.0, FLOOR + 16.0), Side::Left).quiet());
    }
}

/// Draws the vertical axis from 0 with round ticks and gives its scale.
fn vertical(sketch: &mut Sketch, most: f64, title: &str) -> Scale {
    let most = if most > 0.0 && most.is_finite() {
        most
    } else {
        1.0
    };
    let step = round_step(most / 5.0);
    let high = (most / step).ceil() * step;
    let up = Scale::linear(0.0, high, FLOOR, TOP);
    for value in round_ticks(0.0, high, 5) {
        let y = up.at(value);
        sketch.line([(LEFT, y), (WIDTH - RIGHT, y)], Ink::GRID, 1.0);
        sketch.words_if_free(Words::new(&short(value, step), (LEFT - 8.0, y), Side::Right).quiet());
    }
    sketch.words(Words::new(&fitted(title, WIDTH - 20.0), (8.0, 14.0), Side::Left).quiet());
    up
}

/// A tick's number with the decimals its step needs.
fn short(value: f64, step: f64) -> String {
    if value.abs() >= 1e7 || (step < 1e-4 && value != 0.0) {
        return format!("{value:.0e}");
    }
    let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as u8;
    format::number(value, decimals)
}

/// A cost curve with marked points.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::report) struct CostCurve {
    /// Across, up.
    pub(in crate::report) points: Vec<(f64, f64)>,
    /// Across, and the lower and upper edge of what the records leave open; empty for none.
    pub(in crate::report) band: Vec<(f64, f64, f64)>,
    /// A level to compare with, and its name.
    pub(in crate::report) level: Option<(f64, String)>,
    /// Points to name.
    pub(in crate::report) marks: Vec<(f64, f64, String)>,
    pub(in crate::report) across: String,
    pub(in crate::report) up: String,
    /// What the numbers across are.
    pub(in crate::report) kind: Across,
}

/// What stands on the horizontal axis of a [`CostCurve`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(in crate::report) enum Across {
    /// Hours on a log scale; the points are joined.
    #[default]
    LogHours,
    /// Chances up to 1; the points are choices and stand alone.
    Chances,
}

/// Cost against a choice.
pub(in crate::report) fn cost_curve(key: &str, title: &str, curve: &CostCurve) -> Svg {
    let marks: Vec<&str> = curve.marks.iter().map(|m| m.2.as_str()).collect();
    let level = curve.level.as_ref().map_or(String::new(), |(v, name)| {
        format!(" {name}: {}.", format::significant(*v, 3))
    });
    let description = format!(
        "{} against {}. Marked: {}.{level}",
        curve.up,
        curve.across,
        marks.join("; ")
    );
    draw_cost(curve).finish(key, title, &description)
}

fn draw_cost(curve: &CostCurve) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let points: Vec<(f64, f64)> = curve
        .points
        .iter()
        .copied()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .collect();
    let span = |values: Vec<f64>| {
        values
            .into_iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                (a.min(v), b.max(v))
            })
    };
    let (left, right) = span(points.iter().map(|p| p.0).collect());
    let levels = curve.level.iter().map(|l| l.0);
    let (least, most) = span(points.iter().map(|p| p.1).chain(levels).collect());
    if !(left.is_finite() && least.is_finite()) {
        sketch.words(Words::new("nothing to show", (LEFT, TOP + 20.0), Side::Left).quiet());
        return sketch;
    }
    let up = vertical(&mut sketch, most, &curve.up);
    let across = match curve.kind {
        Across::LogHours => {
            let (low, high) = log_limits(left, right);
            let scale = Scale::log(low, high, LEFT, WIDTH - RIGHT);
            for value in log_ticks(low, high) {
                across_tick(&mut sketch, scale.at(value), &format::hours(value));
            }
            scale
        }
        Across::Chances => {
            let low = left.min(0.5);
            let scale = Scale::linear(low, 1.0, LEFT, WIDTH - RIGHT);
            for value in round_ticks(low, 1.0, 8) {
                across_tick(&mut sketch, scale.at(value), &format::percent(value));
            }
            scale
        }
    };
    sketch.words(
        Words::new(
            &fitted(&curve.across, WIDTH - LEFT - 10.0),
            (LEFT, FLOOR + 40.0),
            Side::Left,
        )
        .quiet(),
    );
    if let Some((value, name)) = &curve.level {
        let y = up.within(*value);
        sketch.dashed(
            &[(LEFT, y), (WIDTH - RIGHT, y)],
            Ink::VERMILION,
            1.6,
            8.0,
            4.0,
        );
        sketch.words_if_free(
            Words::new(
                &fitted(name, RIGHT - 14.0),
                (WIDTH - RIGHT + 8.0, y),
                Side::Left,
            )
            .inked(Ink::VERMILION),
        );
    }
    let places: Vec<Point> = points
        .iter()
        .map(|p| (across.within(p.0), up.within(p.1)))
        .collect();
    if curve.kind == Across::Chances {
        for &place in &places {
            sketch.dot(place, 3.0, Ink::BLUE);
        }
    } else {
        let low = curve
            .band
            .iter()
            .map(|b| (across.within(b.0), up.within(b.1)));
        let high = curve
            .band
            .iter()
            .rev()
            .map(|b| (across.within(b.0), up.within(b.2)));
        if curve.band.len() > 1 {
            sketch.area(low.chain(high).collect::<Vec<_>>(), Ink::SKY);
        }
        sketch.line(places, Ink::BLUE, 2.0);
    }
    for (x, y, name) in &curve.marks {
        let at = (across.within(*x), up.within(*y));
        sketch.area(
            [
                (at.0 - 6.0, at.1),
                (at.0, at.1 - 6.0),
                (at.0 + 6.0, at.1),
                (at.0, at.1 + 6.0),
            ],
            Ink::TEXT,
        );
        let long = width(name, super::sketch::SIZE);
        let side = if at.0 + 12.0 + long > WIDTH {
            Side::Right
        } else {
            Side::Left
        };
        let beside = if side == Side::Left { 12.0 } else { -12.0 };
        // Under or over the curve rather than across it.
        for down in [16.0, -16.0, 32.0, -32.0, 0.0] {
            if sketch.words_if_free(Words::new(name, (at.0 + beside, at.1 + down), side)) {
                break;
            }
        }
    }
    sketch
}

fn across_tick(sketch: &mut Sketch, x: f64, label: &str) {
    sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
    sketch.words_if_free(Words::new(label, (x, FLOOR + 16.0), Side::Middle).quiet());
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;
    use jiff::ToSpan;
    use jiff::civil::date;

    #[test]
    fn no_words_meet_with_one_machine_or_a_thousand() {
        for machines in [0, 1, 6, 1000] {
            for hours in [1.0, 5000.0, 1e9] {
                let lines: Vec<MeterLine> = (0..machines)
                    .map(|i| MeterLine {
                        machine: format!("evaporator cleaner {i}"),
                        readings: (0..20)
                            .map(|d| {
                                (
                                    date(2024, 1, 1).checked_add((d * 30).days()).unwrap(),
                                    hours * f64::from(d * 7 + i),
                                )
                            })
                            .collect(),
                        doubtful: vec![(date(2024, 6, 1), hours)],
                    })
                    .collect();
                assert_eq!(collisions(&draw_meters(&lines)), [], "{machines} {hours}");
            }
        }
    }

    #[test]
    fn no_words_meet_on_cost_curves() {
        for (scale, n) in [(1.0, 0), (1e-6, 1), (400.0, 2), (1e9, 300)] {
            for kind in [Across::LogHours, Across::Chances] {
                let points: Vec<(f64, f64)> = (1..=n)
                    .map(|i| {
                        (
                            if kind == Across::Chances {
                                1.0 - 0.5 / f64::from(i)
                            } else {
                                scale * f64::from(i)
                            },
                            scale / f64::from(i),
                        )
                    })
                    .collect();
                let marks = points
                    .iter()
                    .take(4)
                    .map(|p| (p.0, p.1, "change at 210 h: 0.61".to_owned()))
                    .collect();
                let curve = CostCurve {
                    band: vec![],
                    marks,
                    level: Some((scale, "run until worn".to_owned())),
                    points,
                    across: "hours at which to change".to_owned(),
                    up: "cost per hour, USD".to_owned(),
                    kind,
                };
                assert_eq!(collisions(&draw_cost(&curve)), [], "{scale} {n} {kind:?}");
            }
        }
    }
}
