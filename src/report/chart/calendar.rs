//! Remaining life per fitted part, as ranges on the schedule's calendar.

use jiff::ToSpan;
use jiff::civil::Date;

use super::axis::{Scale, date_ticks, days};
use super::sketch::{Area, Ink, Side, Sketch, Words, fitted};
use super::{Svg, WIDTH};
use crate::report::format;

/// A job as a stretch of the calendar.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct CalendarJob {
    pub(in crate::report) name: String,
    pub(in crate::report) start: Date,
    pub(in crate::report) end: Date,
    pub(in crate::report) machines: Vec<String>,
}

/// A fitted part; a day that is `None` lies beyond the schedule.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct CalendarRow {
    pub(in crate::report) label: String,
    pub(in crate::report) machine: String,
    pub(in crate::report) p10: Option<Date>,
    pub(in crate::report) p50: Option<Date>,
    pub(in crate::report) p90: Option<Date>,
}

const LEFT: f64 = 250.0;
const RIGHT: f64 = 30.0;
/// Lines of job names: room for these at least, for more where names would meet.
const LEAST_LINES: u8 = 3;
const MOST_LINES: u8 = 10;
const LINE: f64 = 15.0;
const ROW: f64 = 20.0;
const BOTTOM: f64 = 34.0;

/// The chart; rows in the order given.
pub(in crate::report) fn calendar(
    key: &str,
    title: &str,
    as_of: Date,
    jobs: &[CalendarJob],
    rows: &[CalendarRow],
) -> Svg {
    draw(as_of, jobs, rows).finish(key, title, &description(as_of, rows))
}

fn description(as_of: Date, rows: &[CalendarRow]) -> String {
    let within = rows.iter().filter(|row| row.p50.is_some()).count();
    let first = rows.first().map_or(String::new(), |row| match (row.p10, row.p50) {
        (Some(early), Some(half)) => format!(
            " First in the list: {}, 1 in 10 chance of being worn out by {}, even chance by {}.",
            row.label,
            format::date(early),
            format::date(half)
        ),
        (Some(early), None) => format!(
            " First in the list: {}, 1 in 10 chance of being worn out by {}.",
            row.label,
            format::date(early)
        ),
        _ => String::new(),
    });
    format!(
        "Calendar from {}. Each row is a fitted part; its bar runs from the day by which 1 in 10 \
         such parts would be worn out to the day by which 9 in 10 would be, with a diamond at \
         even chances. {} of {} parts shown reach even chances within the schedule.{first}",
        format::date(as_of),
        within,
        rows.len()
    )
}

/// With as few lines of names as take all of them.
fn draw(as_of: Date, jobs: &[CalendarJob], rows: &[CalendarRow]) -> Sketch {
    let with = |lines| with_lines(as_of, jobs, rows, lines);
    let mut fewer = (LEAST_LINES..MOST_LINES).map(with);
    let named = fewer.find(|(_, all_named)| *all_named);
    named.unwrap_or_else(|| with(MOST_LINES)).0
}

/// Where the rows begin, below so many lines of job names.
fn top_of_rows(lines: u8) -> f64 {
    17.0 + LINE * f64::from(lines)
}

/// The chart with so many lines of job names, and whether they take all of them.
fn with_lines(
    as_of: Date,
    jobs: &[CalendarJob],
    rows: &[CalendarRow],
    lines: u8,
) -> (Sketch, bool) {
    let top = top_of_rows(lines);
    let height = top + ROW * rows.len().max(1) as f64 + BOTTOM;
    let mut sketch = Sketch::new(WIDTH, height);
    let last = jobs.iter().map(|job| job.end).max().unwrap_or(as_of);
    let last = last.max(as_of.checked_add(14.days()).unwrap_or(as_of));
    // A strip at the right stands for "beyond the schedule".
    let edge = WIDTH - RIGHT - 70.0;
    let scale = Scale::linear(0.0, days(as_of, last), LEFT, edge);
    let at = |day: Date| scale.within(days(as_of, day));
    let floor = top + ROW * rows.len().max(1) as f64;

    for tick in date_ticks(as_of, last, 8) {
        let x = at(tick.day);
        sketch.line([(x, top - 4.0), (x, floor)], Ink::GRID, 1.0);
        sketch.words_if_free(Words::new(&tick.label, (x, floor + 14.0), Side::Middle).quiet());
    }
    sketch.line([(LEFT, floor), (edge, floor)], Ink::RULE, 1.0);
    sketch.words(Words::new("beyond", (edge + 8.0, top - 23.5), Side::Left).quiet());
    sketch.words(Words::new("schedule", (edge + 8.0, top - 8.0), Side::Left).quiet());
    let all_named = job_names(&mut sketch, jobs, as_of, &scale, lines);

    for (i, row) in rows.iter().enumerate() {
        let y = top + ROW * (i as f64 + 0.5);
        sketch.words(Words::new(
            &fitted(&row.label, LEFT - 22.0),
            (LEFT - 12.0, y),
            Side::Right,
        ));
        for job in jobs
            .iter()
            .filter(|job| job.machines.contains(&row.machine))
        {
            let (from, to) = (at(job.start), at(job.end).max(at(job.start) + 1.5));
            sketch.rectangle((from, y - 8.0), (to, y + 8.0), Ink::WASH);
        }
        // A day after the last job is beyond what was forecast.
        let inside = |day: Option<Date>| day.filter(|day| *day <= last);
        let ends = [row.p10, row.p50, row.p90].map(inside);
        range(&mut sketch, ends, y, edge, at);
    }
    if rows.is_empty() {
        sketch.words(
            Words::new(
                "no fitted part has a forecast",
                (LEFT, top + 10.0),
                Side::Left,
            )
            .quiet(),
        );
    }
    (sketch, all_named)
}

/// Names of jobs above their first day, on several lines where they would meet; a name for which no
/// line has room, or whose leader would cross another name, is left out. Whether all are there.
fn job_names(
    sketch: &mut Sketch,
    jobs: &[CalendarJob],
    as_of: Date,
    scale: &Scale,
    lines: u8,
) -> bool {
    let top = top_of_rows(lines);
    let mut leaders: Vec<Area> = Vec::new();
    // From the right: a name that must move up then stands left of the names below, clear of them.
    for job in jobs.iter().rev() {
        let x = scale.within(days(as_of, job.start));
        let end = scale.within(days(as_of, job.end)).max(x + 1.5);
        sketch.rectangle((x, top - 6.0), (end, top - 3.0), Ink::QUIET);
        let name = fitted(&job.name, 160.0);
        // To the right of its leader, or where no line has room for that, to the left.
        let places = [Side::Left, Side::Right].into_iter();
        for (side, line) in places.flat_map(|side| (0..lines).map(move |line| (side, line))) {
            let y = top - 16.0 - LINE * f64::from(line);
            let words = Words::new(&name, (x, y), side).quiet();
            let leader = Area {
                left: x - 2.0,
                top: y + 7.5,
                right: x + 2.0,
                bottom: top - 6.0,
            };
            let crosses = leaders.iter().any(|other| other.meets(&words.area()))
                || sketch.texts().any(|text| text.area().meets(&leader));
            if !crosses && sketch.words_if_free(words) {
                sketch.line([(x, y + 7.0), (x, top - 6.0)], Ink::RULE, 0.8);
                leaders.push(leader);
                break;
            }
        }
    }
    leaders.len() == jobs.len()
}

/// From the day by which 1 in 10 would be worn out, over even chances, to that of 9 in 10.
fn range(
    sketch: &mut Sketch,
    [p10, p50, p90]: [Option<Date>; 3],
    y: f64,
    edge: f64,
    at: impl Fn(Date) -> f64,
) {
    let beyond = edge + 12.0;
    let Some(p10) = p10 else {
        sketch.line([(beyond, y), (beyond + 22.0, y)], Ink::BLUE, 1.6);
        arrow(sketch, beyond + 28.0, y);
        return;
    };
    let from = at(p10);
    let to = p90.map_or(edge, &at).max(from + 2.0);
    sketch.rectangle((from, y - 3.5), (to, y + 3.5), Ink::SKY);
    sketch.outline((from, y - 3.5), (to, y + 3.5), Ink::BLUE, 0.8);
    sketch.line([(from, y - 6.5), (from, y + 6.5)], Ink::BLUE, 1.6);
    if p90.is_some() {
        sketch.line([(to, y - 6.5), (to, y + 6.5)], Ink::BLUE, 1.6);
    } else {
        sketch.line([(edge, y), (beyond + 22.0, y)], Ink::BLUE, 1.6);
        arrow(sketch, beyond + 28.0, y);
    }
    if let Some(p50) = p50 {
        let x = at(p50);
        sketch.area(
            [(x - 6.0, y), (x, y - 6.0), (x + 6.0, y), (x, y + 6.0)],
            Ink::TEXT,
        );
    }
}

fn arrow(sketch: &mut Sketch, x: f64, y: f64) {
    sketch.area([(x, y), (x - 7.0, y - 4.0), (x - 7.0, y + 4.0)], Ink::BLUE);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;
    use jiff::civil::date;

    fn job(i: i16, name: &str) -> CalendarJob {
        let start = date(2026, 4, 1)
            .checked_add((i32::from(i) * 9).days())
            .unwrap();
        CalendarJob {
            name: name.to_owned(),
            start,
            end: start.checked_add(6.days()).unwrap(),
            machines: vec!["M1".to_owned()],
        }
    }

    fn row(label: &str, offset: i32) -> CalendarRow {
        let day = |d: i32| date(2026, 4, 1).checked_add(d.days()).ok();
        CalendarRow {
            label: label.to_owned(),
            machine: "M1".to_owned(),
            p10: day(offset),
            p50: (offset < 60).then(|| day(offset + 30)).flatten(),
            p90: (offset < 20).then(|| day(offset + 80)).flatten(),
        }
    }

    #[test]
    fn no_words_meet_from_one_part_to_many_and_with_long_names() {
        for (jobs, rows, name) in [
            (0, 0, "x"),
            (1, 1, "Job"),
            (8, 30, "Harvest stop at the east mill"),
            (120, 60, &"y".repeat(10_000)),
        ] {
            let jobs: Vec<_> = (0..jobs).map(|i| job(i, &format!("{name} {i}"))).collect();
            let rows: Vec<_> = (0..rows)
                .map(|i| row(&format!("{name} {i}"), i * 5))
                .collect();
            let sketch = draw(date(2026, 3, 31), &jobs, &rows);
            assert_eq!(collisions(&sketch), []);
        }
    }
}
