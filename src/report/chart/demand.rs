//! Parts needed in each job: one small bar chart of the chances for each job and part.

use std::fmt::Write as _;

use super::axis::count_ticks;
use super::sketch::{Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// The distribution for one job and part.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct DemandCell {
    /// Probability of each quantity, from 0 up.
    pub(in crate::report) chances: Vec<(u32, f64)>,
    pub(in crate::report) expected: f64,
    /// What the kit carries, where there is advice.
    pub(in crate::report) carry: Option<u32>,
}

/// One job: a cell per part, `None` where there is no forecast.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct DemandRow {
    pub(in crate::report) job: String,
    pub(in crate::report) cells: Vec<Option<DemandCell>>,
}

const LEFT: f64 = 200.0;
const TOP: f64 = 44.0;
const ROW: f64 = 42.0;
const BOTTOM: f64 = 44.0;
const GAP: f64 = 26.0;
/// Chances smaller than this are not drawn.
const NEGLIGIBLE: f64 = 0.002;

/// The chart: jobs down, parts across.
pub(in crate::report) fn demand(
    key: &str,
    title: &str,
    parts: &[String],
    rows: &[DemandRow],
) -> Svg {
    let mut description = String::from(
        "Each row is a job and each column a part; the bars give the chance of needing 0, 1, 2 \
         and more of it, and the triangle marks how many to carry. ",
    );
    for row in rows.iter().take(12) {
        for (part, cell) in parts.iter().zip(&row.cells) {
            if let Some(cell) = cell
                && cell.expected >= 0.5
            {
                let _ = write!(
                    description,
                    "{}: {} {} expected. ",
                    row.job,
                    format::expected(cell.expected),
                    part
                );
            }
        }
    }
    draw(parts, rows).finish(key, title, description.trim_end())
}

fn greatest(rows: &[DemandRow], column: usize) -> u32 {
    rows.iter()
        .filter_map(|row| row.cells.get(column)?.as_ref())
        .flat_map(|cell| {
            let likely = cell
                .chances
                .iter()
                .filter(|(_, p)| *p >= NEGLIGIBLE)
                .map(|(n, _)| *n);
            likely.chain(cell.carry)
        })
        .max()
        .unwrap_or(0)
        .max(3)
}

fn draw(parts: &[String], rows: &[DemandRow]) -> Sketch {
    let height = TOP + ROW * rows.len().max(1) as f64 + BOTTOM;
    let mut sketch = Sketch::new(WIDTH, height);
    let floor = TOP + ROW * rows.len().max(1) as f64;
    let panel = (WIDTH - LEFT - 10.0) / parts.len().max(1) as f64;
    for (i, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 1.0) - 6.0;
        sketch.words(Words::new(
            &fitted(&row.job, LEFT - 24.0),
            (LEFT - 14.0, y - 9.0),
            Side::Right,
        ));
    }
    for (column, part) in parts.iter().enumerate() {
        let left = LEFT + panel * column as f64;
        let room = panel - GAP;
        let most = greatest(rows, column);
        let step = room / (f64::from(most) + 1.0);
        let middle = |n: u32| left + step * (f64::from(n) + 0.5);
        sketch.words(Words::new(&fitted(part, room), (left, TOP - 26.0), Side::Left).bold());
        for n in count_ticks(most, 4) {
            let words = Words::new(
                &format::count(u64::from(n)),
                (middle(n), floor + 12.0),
                Side::Middle,
            );
            sketch.words_if_free(words.quiet());
        }
        for (i, row) in rows.iter().enumerate() {
            let base = TOP + ROW * (i as f64 + 1.0) - 6.0;
            sketch.line([(left, base), (left + room, base)], Ink::RULE, 0.8);
            let cell = row.cells.get(column).and_then(Option::as_ref);
            let Some(cell) = cell else {
                sketch.words(
                    Words::new(&fitted("no forecast", room), (left, base - 9.0), Side::Left)
                        .quiet(),
                );
                continue;
            };
            bars(&mut sketch, cell, base, step, middle);
        }
    }
    if !parts.is_empty() {
        sketch.words(
            Words::new("number needed in the job", (LEFT, floor + 30.0), Side::Left).quiet(),
        );
    }
    sketch
}

fn bars(sketch: &mut Sketch, cell: &DemandCell, base: f64, step: f64, middle: impl Fn(u32) -> f64) {
    let half = (step * 0.38).clamp(0.5, 9.0);
    for &(n, p) in cell.chances.iter().filter(|(_, p)| *p >= NEGLIGIBLE) {
        let x = middle(n);
        let top = base - (p * (ROW - 10.0)).max(0.6);
        // Not needing any is the quiet part of the story.
        if n == 0 {
            sketch.outline((x - half, top), (x + half, base), Ink::RULE, 1.0);
        } else {
            sketch.rectangle((x - half, top), (x + half, base), Ink::BLUE);
        }
    }
    if let Some(carry) = cell.carry {
        let x = middle(carry);
        sketch.area(
            [
                (x, base + 0.5),
                (x - 4.0, base + 6.0),
                (x + 4.0, base + 6.0),
            ],
            Ink::VERMILION,
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    #[test]
    fn no_words_meet_from_one_job_to_many() {
        for (jobs, parts, most) in [(0, 0, 1), (1, 1, 1), (8, 5, 6), (60, 8, 400)] {
            let parts: Vec<_> = (0..parts).map(|i| format!("guide block {i}")).collect();
            let cell = DemandCell {
                chances: (0..=most).map(|n| (n, 1.0 / f64::from(most + 1))).collect(),
                expected: f64::from(most) / 2.0,
                carry: Some(most),
            };
            let rows: Vec<_> = (0..jobs)
                .map(|i| DemandRow {
                    job: format!("Stop at the mill in the east, number {i}"),
                    cells: vec![Some(cell.clone()); parts.len()],
                })
                .collect();
            assert_eq!(collisions(&draw(&parts, &rows)), []);
        }
    }
}
