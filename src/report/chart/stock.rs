//! Stock against what the schedule may ask: one row a part.

use std::fmt::Write as _;

use super::axis::{Scale, count_ticks};
use super::sketch::{Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// One part's stock position.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct StockRow {
    pub(in crate::report) part: String,
    pub(in crate::report) on_hand: u32,
    pub(in crate::report) on_order: u32,
    pub(in crate::report) order_now: u32,
    pub(in crate::report) expected: f64,
    pub(in crate::report) needed: u32,
}

const LEFT: f64 = 200.0;
const RIGHT: f64 = 40.0;
const TOP: f64 = 30.0;
const ROW: f64 = 46.0;
const BOTTOM: f64 = 46.0;

/// The chart; `level` is the service level, for the label.
pub(in crate::report) fn stock_levels(
    key: &str,
    title: &str,
    level: f64,
    rows: &[StockRow],
) -> Svg {
    let mut description = String::from("One row for each part, in number of parts. ");
    for row in rows {
        let _ = write!(
            description,
            "{}: {} on hand, {} on order, {} to order; {} expected to be needed, {} needed for the service level. ",
            row.part,
            row.on_hand,
            row.on_order,
            row.order_now,
            format::expected(row.expected),
            row.needed
        );
    }
    draw(level, rows).finish(key, title, description.trim_end())
}

fn draw(level: f64, rows: &[StockRow]) -> Sketch {
    let height = TOP + ROW * rows.len().max(1) as f64 + BOTTOM;
    let mut sketch = Sketch::new(WIDTH, height);
    let floor = TOP + ROW * rows.len().max(1) as f64;
    let most = rows
        .iter()
        .map(|row| {
            let stock = u64::from(row.on_hand) + u64::from(row.on_order) + u64::from(row.order_now);
            u32::try_from(stock)
                .unwrap_or(u32::MAX)
                .max(row.needed)
                .max(row.expected.ceil() as u32)
        })
        .max()
        .unwrap_or(0)
        .max(4);
    let scale = Scale::linear(0.0, f64::from(most), LEFT, WIDTH - RIGHT);
    for n in count_ticks(most, 10) {
        let x = scale.at(f64::from(n));
        sketch.line([(x, TOP - 8.0), (x, floor)], Ink::GRID, 1.0);
        let words = Words::new(
            &format::count(u64::from(n)),
            (x, floor + 12.0),
            Side::Middle,
        );
        sketch.words_if_free(words.quiet());
    }
    sketch.words(Words::new("number of parts", (LEFT, floor + 30.0), Side::Left).quiet());
    for (i, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 0.5);
        sketch.words(
            Words::new(
                &fitted(&row.part, LEFT - 24.0),
                (LEFT - 14.0, y),
                Side::Right,
            )
            .bold(),
        );
        bar(&mut sketch, row, y, &scale);
        // Labels stand where they belong in the first row and are known from then on.
        if i == 0 {
            first_row_labels(&mut sketch, row, level, y, &scale);
        }
    }
    sketch
}

fn ends(row: &StockRow) -> [f64; 3] {
    let hand = f64::from(row.on_hand);
    let under_way = hand + f64::from(row.on_order);
    [hand, under_way, under_way + f64::from(row.order_now)]
}

fn bar(sketch: &mut Sketch, row: &StockRow, y: f64, scale: &Scale) {
    let [hand, under_way, all] = ends(row).map(|n| scale.at(n));
    let zero = scale.at(0.0);
    let (top, bottom) = (y - 7.0, y + 7.0);
    if row.on_hand > 0 {
        sketch.rectangle((zero, top), (hand, bottom), Ink::BLUE);
    }
    if row.on_order > 0 {
        sketch.rectangle((hand, top), (under_way, bottom), Ink::SKY);
        sketch.hatch((hand, top), (under_way, bottom), Ink::BLUE, 6.0);
        sketch.outline((hand, top), (under_way, bottom), Ink::BLUE, 1.0);
    }
    if row.order_now > 0 {
        let corners = [
            (under_way, top),
            (all, top),
            (all, bottom),
            (under_way, bottom),
            (under_way, top),
        ];
        sketch.dashed(&corners, Ink::VERMILION, 1.8, 5.0, 3.0);
    }
    let expected = scale.within(row.expected);
    sketch.ring((expected, y), 4.5, Ink::TEXT);
    let needed = scale.at(f64::from(row.needed));
    sketch.line([(needed, y - 13.0), (needed, y + 13.0)], Ink::TEXT, 2.4);
}

fn first_row_labels(sketch: &mut Sketch, row: &StockRow, level: f64, y: f64, scale: &Scale) {
    let [hand, under_way, all] = ends(row).map(|n| scale.at(n));
    let zero = scale.at(0.0);
    let needed = scale.at(f64::from(row.needed));
    let label = format!("needed for {}", format::percent(level));
    let side = if needed > WIDTH - 200.0 {
        Side::Right
    } else {
        Side::Middle
    };
    sketch.words_if_free(Words::new(&label, (needed.max(zero), y - 22.0), side));
    let under = y + 17.0;
    let mut tell = |from: f64, to: f64, text: &str| {
        if to > from {
            sketch.words_if_free(Words::new(text, (from, under), Side::Left).quiet());
        }
    };
    tell(zero, hand, "on hand");
    tell(hand, under_way, "on order");
    tell(under_way, all, "order now");
    let expected = scale.within(row.expected);
    sketch.words_if_free(Words::new("expected need", (expected, y - 22.0), Side::Middle).quiet());
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_with_few_parts_or_many() {
        for (parts, on_hand) in [(0, 0), (1, 0), (1, 1), (5, 3), (40, 9_000)] {
            let rows: Vec<_> = (0..parts)
                .map(|i| StockRow {
                    part: format!("part {i} {}", "z".repeat(i * 5)),
                    on_hand,
                    on_order: on_hand / 3,
                    order_now: 2 + i as u32,
                    expected: 2.4,
                    needed: 6,
                })
                .collect();
            assert_eq!(collisions(&draw(0.95, &rows)), []);
        }
    }
}
