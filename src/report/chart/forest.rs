//! Life ratios with their limits on a log axis, one a row.

use super::axis::{Scale, log_limits, log_ticks};
use super::sketch::{Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// One row: how many times as long lives last.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct RatioBar {
    pub(in crate::report) label: String,
    pub(in crate::report) ratio: f64,
    pub(in crate::report) lower: f64,
    pub(in crate::report) upper: f64,
    /// The one the answer rests on.
    pub(in crate::report) main: bool,
}

const LEFT: f64 = 360.0;
const RIGHT: f64 = 160.0;
const TOP: f64 = 30.0;
const ROW: f64 = 28.0;
const BOTTOM: f64 = 56.0;
/// Ratios beyond these are drawn at the edge.
const LEAST: f64 = 0.05;
const MOST: f64 = 20.0;

/// The chart.
pub(in crate::report) fn forest(key: &str, title: &str, rows: &[RatioBar]) -> Svg {
    let told: Vec<String> = rows
        .iter()
        .map(|r| format!("{}: {}", r.label, said(r)))
        .collect();
    let description = format!(
        "Life ratios with 95% limits on a log axis; a bar that crosses 1 cannot tell which lasts \
         longer. {}.",
        told.join("; ")
    );
    draw(rows).finish(key, title, &description)
}

fn said(r: &RatioBar) -> String {
    format!(
        "{} ({} to {})",
        format::significant(r.ratio, 3),
        format::significant(r.lower, 2),
        format::significant(r.upper, 2)
    )
}

fn draw(rows: &[RatioBar]) -> Sketch {
    let floor = TOP + ROW * rows.len().max(1) as f64;
    let mut sketch = Sketch::new(WIDTH, floor + BOTTOM);
    let right = WIDTH - RIGHT;
    let within = |v: f64| v.clamp(LEAST, MOST);
    let (least, most) = rows.iter().fold((0.7_f64, 1.4_f64), |(a, b), r| {
        (a.min(within(r.lower)), b.max(within(r.upper)))
    });
    let (low, high) = log_limits(least, most);
    let scale = Scale::log(low, high, LEFT, right);
    for tick in log_ticks(low, high) {
        let x = scale.at(tick);
        sketch.line([(x, TOP), (x, floor)], Ink::GRID, 1.0);
        let words = Words::new(
            &format::significant(tick, 2),
            (x, floor + 16.0),
            Side::Middle,
        );
        sketch.words_if_free(words.quiet());
    }
    let one = scale.within(1.0);
    sketch.line([(one, TOP - 6.0), (one, floor)], Ink::QUIET, 1.4);
    for (text, x, side) in [
        ("shorter", one - 8.0, Side::Right),
        ("longer", one + 8.0, Side::Left),
    ] {
        sketch.words_if_free(Words::new(text, (x, 12.0), side).quiet());
    }
    sketch.words(
        Words::new(
            "times as long (log scale)",
            (LEFT, floor + 40.0),
            Side::Left,
        )
        .quiet(),
    );
    for (i, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 0.5);
        let mut label = Words::new(
            &fitted(&row.label, LEFT - 30.0),
            (LEFT - 16.0, y),
            Side::Right,
        );
        if row.main {
            label = label.bold();
        }
        sketch.words(label);
        let (a, b) = (scale.within(row.lower), scale.within(row.upper));
        let thick = if row.main { 3.0 } else { 1.4 };
        sketch.line([(a, y), (b, y)], Ink::TEXT, thick);
        // A limit beyond the axis has no end stroke.
        for (x, value) in [(a, row.lower), (b, row.upper)] {
            if scale.covers(value) {
                sketch.line([(x, y - 5.0), (x, y + 5.0)], Ink::TEXT, 1.4);
            }
        }
        let x = scale.within(row.ratio);
        if row.main {
            sketch.area(
                [(x - 7.0, y), (x, y - 7.0), (x + 7.0, y), (x, y + 7.0)],
                Ink::BLUE,
            );
        } else {
            sketch.ring((x, y), 4.0, Ink::TEXT);
        }
        sketch.words(Words::new(
            &fitted(&said(row), RIGHT - 14.0),
            (right + 12.0, y),
            Side::Left,
        ));
    }
    sketch.line([(LEFT, floor), (right, floor)], Ink::RULE, 1.0);
    sketch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_with_no_row_or_wild_ratios() {
        let bar = |ratio: f64, width: f64, main| RatioBar {
            label: "in the band, each machine a level of its own".to_owned(),
            ratio,
            lower: ratio / width,
            upper: ratio * width,
            main,
        };
        for rows in [
            Vec::new(),
            vec![bar(1.3, 1.5, true)],
            vec![
                bar(1.3, 1.5, true),
                bar(1e9, 1e12, false),
                bar(1e-9, 2.0, false),
            ],
        ] {
            assert_eq!(collisions(&draw(&rows)), []);
        }
    }
}
