//! Ranges of life side by side: what was believed, what the records say, what the forecast uses.

use super::axis::{Scale, log_limits, log_ticks};
use super::sketch::{Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// How a range is drawn, so that each can be told apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Look {
    Dashed,
    Hatched,
    Solid,
}

/// A range that holds 90 % of lives.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct LifeRange {
    pub(in crate::report) label: String,
    pub(in crate::report) low: f64,
    pub(in crate::report) middle: Option<f64>,
    pub(in crate::report) high: f64,
    pub(in crate::report) look: Look,
}

const LEFT: f64 = 290.0;
const RIGHT: f64 = 60.0;
const TOP: f64 = 16.0;
const ROW: f64 = 34.0;
const BOTTOM: f64 = 62.0;

/// The chart; `worn` are ages of worn lives, shown as ticks at the foot.
pub(in crate::report) fn ranges(key: &str, title: &str, rows: &[LifeRange], worn: &[f64]) -> Svg {
    let told: Vec<String> = rows
        .iter()
        .map(|row| {
            let middle = row.middle.map_or(String::new(), |m| {
                format!(", half by {} h", format::hours(m))
            });
            format!(
                "{}: {} to {} h{middle}",
                row.label,
                format::hours(row.low),
                format::hours(row.high)
            )
        })
        .collect();
    let foot = if worn.is_empty() {
        String::new()
    } else {
        let lives = format::lives(worn.len() as u64, "worn");
        format!(" {lives} shown at the foot.")
    };
    let description = format!(
        "Each bar is the range of hours in which 90% of such parts wear out. {}.{foot}",
        told.join("; "),
    );
    draw(rows, worn).finish(key, title, &description)
}

fn draw(rows: &[LifeRange], worn: &[f64]) -> Sketch {
    let floor = TOP + ROW * rows.len().max(1) as f64;
    let mut sketch = Sketch::new(WIDTH, floor + BOTTOM);
    let hours = rows
        .iter()
        .flat_map(|r| [r.low, r.high])
        .chain(worn.iter().copied());
    let hours = hours.filter(|h| h.is_finite() && *h > 0.0);
    let (least, most) = hours.fold((f64::INFINITY, 0.0f64), |(a, b), h| (a.min(h), b.max(h)));
    let (low, high) = if least.is_finite() {
        log_limits(least, most)
    } else {
        (10.0, 1000.0)
    };
    let scale = Scale::log(low, high, LEFT, WIDTH - RIGHT);
    for tick in log_ticks(low, high) {
        let x = scale.at(tick);
        sketch.line([(x, TOP), (x, floor)], Ink::GRID, 1.0);
        sketch.words_if_free(
            Words::new(&format::hours(tick), (x, floor + 30.0), Side::Middle).quiet(),
        );
    }
    sketch.words(
        Words::new(
            "operating hours (log scale)",
            (LEFT, floor + 50.0),
            Side::Left,
        )
        .quiet(),
    );
    for (i, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 0.5);
        sketch.words(Words::new(
            &fitted(&row.label, LEFT - 24.0),
            (LEFT - 14.0, y),
            Side::Right,
        ));
        let (a, b) = (
            scale.within(row.low),
            scale.within(row.high).max(scale.within(row.low) + 2.0),
        );
        let (from, to) = ((a, y - 6.0), (b, y + 6.0));
        match row.look {
            Look::Dashed => {
                let corners = [from, (to.0, from.1), to, (from.0, to.1), from];
                sketch.dashed(&corners, Ink::VERMILION, 1.6, 5.0, 3.0);
            }
            Look::Hatched => {
                sketch.hatch(from, to, Ink::QUIET, 6.0);
                sketch.outline(from, to, Ink::QUIET, 1.2);
            }
            Look::Solid => sketch.rectangle(from, to, Ink::BLUE),
        }
        if let Some(middle) = row.middle {
            let x = scale.within(middle);
            let ink = if row.look == Look::Solid {
                Ink::PAPER
            } else {
                Ink::TEXT
            };
            sketch.area(
                [(x - 5.0, y), (x, y - 5.0), (x + 5.0, y), (x, y + 5.0)],
                ink,
            );
        }
    }
    sketch.line([(LEFT, floor), (WIDTH - RIGHT, floor)], Ink::RULE, 1.0);
    let mut drawn = std::collections::BTreeSet::new();
    for &age in worn {
        let x = scale.within(age);
        if drawn.insert((x * 2.0).round() as i64) {
            sketch.line([(x, floor + 5.0), (x, floor + 18.0)], Ink::TEXT, 1.4);
        }
    }
    if !worn.is_empty() {
        let label = format::lives(worn.len() as u64, "worn");
        sketch.words(Words::new(&label, (LEFT - 14.0, floor + 12.0), Side::Right).quiet());
    }
    sketch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_at_any_size_and_scale() {
        for n in [0, 1, 10_000] {
            for scale in [1e-6, 300.0, 1e12] {
                let worn: Vec<f64> = (0..n)
                    .map(|i| scale * (1.0 + f64::from(i) / 100.0))
                    .collect();
                let range = |label: &str, look| LifeRange {
                    label: label.to_owned(),
                    low: scale * 0.3,
                    middle: Some(scale),
                    high: scale * 4.0,
                    look,
                };
                let rows = [
                    range("stated belief", Look::Dashed),
                    range("records alone", Look::Hatched),
                    range("forecast, belief and records", Look::Solid),
                ];
                assert_eq!(collisions(&draw(&rows, &worn)), []);
            }
        }
        assert_eq!(collisions(&draw(&[], &[])), []);
    }
}
