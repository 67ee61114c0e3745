//! Weibull probability plot: straight where lives are Weibull.

use super::axis::{Scale, log_limits, log_ticks};
use super::sketch::{Ink, Point, Side, Sketch, Words};
use super::{Svg, WIDTH};
use crate::report::format;

/// What the plot shows; shares are of lives worn out, in (0, 1).
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::report) struct ProbabilityPlot {
    /// Worn lives at their plotting positions: hours, share.
    pub(in crate::report) worn: Vec<(f64, f64)>,
    /// How many lives these points stand for: one that wore out between two looks may stand at a known age of
    /// another.
    pub(in crate::report) worn_lives: u64,
    /// Lives worn out between two looks: from, to, share.
    pub(in crate::report) between: Vec<(f64, f64, f64)>,
    /// Ages at which lives came out or were seen unworn, with how many.
    pub(in crate::report) censored: Vec<(f64, u64)>,
    /// The model: hours, share, lower, upper.
    pub(in crate::report) model: Vec<(f64, f64, f64, f64)>,
    /// What the line is.
    pub(in crate::report) line_label: String,
    /// What the band is.
    pub(in crate::report) band_label: String,
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 190.0;
const TOP: f64 = 34.0;
const HEIGHT: f64 = 430.0;
const FLOOR: f64 = 352.0;
/// Shares marked on the axis.
const SHARES: [f64; 10] = [0.001, 0.005, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99];

/// The chart.
pub(in crate::report) fn probability_plot(key: &str, title: &str, plot: &ProbabilityPlot) -> Svg {
    let censored: u64 = plot.censored.iter().map(|(_, n)| n).sum();
    let half = plot.model.iter().find(|(_, share, ..)| *share >= 0.5);
    let half = half.map_or(String::new(), |(hours, ..)| {
        format!(
            " The line passes half worn out near {} hours.",
            format::hours(*hours)
        )
    });
    let description = format!(
        "Share worn out against operating hours, on scales that make a Weibull life a straight \
         line. {} as dots, {} between two looks as bars, {} lives not worn as ticks at \
         the foot; {} with {}.{half}",
        format::lives(plot.worn_lives, "worn"),
        plot.between.len(),
        format::count(censored),
        plot.line_label,
        plot.band_label,
    );
    draw(plot).finish(key, title, &description)
}

/// The Weibull scale of a share: ln(−ln(1 − F)).
fn weibull(share: f64) -> f64 {
    (-(-share).ln_1p()).ln()
}

fn limits(plot: &ProbabilityPlot) -> (f64, f64, f64, f64) {
    let mut hours: Vec<f64> = plot.worn.iter().map(|p| p.0).collect();
    hours.extend(plot.between.iter().flat_map(|p| [p.0, p.1]));
    hours.extend(plot.censored.iter().map(|p| p.0));
    // The middle of the model belongs in the picture, its tails only as far as the lives go.
    hours.extend(
        plot.model
            .iter()
            .filter(|m| (0.05..=0.95).contains(&m.1))
            .map(|m| m.0),
    );
    let hours = hours.into_iter().filter(|h| h.is_finite() && *h > 0.0);
    let (least, greatest) = hours.fold((f64::INFINITY, 0.0f64), |(a, b), h| (a.min(h), b.max(h)));
    let (low, high) = if least.is_finite() {
        log_limits(least, greatest)
    } else {
        (10.0, 1000.0)
    };
    let shares = plot
        .worn
        .iter()
        .map(|p| p.1)
        .chain(plot.between.iter().map(|p| p.2));
    let least = shares.clone().fold(0.01, f64::min).max(1e-5);
    let greatest = shares.fold(0.99, f64::max).min(1.0 - 1e-6);
    (low, high, weibull(least * 0.8), weibull(greatest))
}

fn draw(plot: &ProbabilityPlot) -> Sketch {
    let mut sketch = Sketch::new(WIDTH, HEIGHT);
    let (low, high, bottom, top) = limits(plot);
    let across = Scale::log(low, high, LEFT, WIDTH - RIGHT);
    let up = Scale::linear(bottom, top, FLOOR, TOP);
    let right = WIDTH - RIGHT;

    for hours in log_ticks(low, high) {
        let x = across.at(hours);
        sketch.line([(x, TOP), (x, FLOOR)], Ink::GRID, 1.0);
        sketch.words_if_free(
            Words::new(&format::hours(hours), (x, FLOOR + 30.0), Side::Middle).quiet(),
        );
    }
    for share in SHARES
        .into_iter()
        .chain([1e-4, 1e-5])
        .filter(|&s| up.covers(weibull(s)))
    {
        let y = up.at(weibull(share));
        sketch.line([(LEFT, y), (right, y)], Ink::GRID, 1.0);
        let words = Words::new(&format::percent(share), (LEFT - 8.0, y), Side::Right);
        sketch.words_if_free(words.quiet());
    }
    sketch.words(Words::new("worn out (Weibull scale)", (8.0, 14.0), Side::Left).quiet());
    sketch.words(
        Words::new(
            "operating hours (log scale)",
            (LEFT, FLOOR + 52.0),
            Side::Left,
        )
        .quiet(),
    );

    model(&mut sketch, plot, &across, &up);
    rug(&mut sketch, plot, &across);
    for &(from, to, share) in &plot.between {
        let y = up.within(weibull(share));
        let (a, b) = (across.within(from.max(low)), across.within(to));
        sketch.line([(a, y), (b, y)], Ink::TEXT, 1.6);
        sketch.line([(a, y - 4.0), (a, y + 4.0)], Ink::TEXT, 1.6);
        sketch.line([(b, y - 4.0), (b, y + 4.0)], Ink::TEXT, 1.6);
    }
    let radius = if plot.worn.len() > 200 { 2.2 } else { 3.8 };
    let mut drawn = std::collections::BTreeSet::new();
    for &(hours, share) in &plot.worn {
        let at = (across.within(hours), up.within(weibull(share)));
        // Where lives lie closer than a pixel, one ring stands for them.
        if drawn.insert((at.0.round() as i64, at.1.round() as i64)) {
            sketch.ring(at, radius, Ink::TEXT);
        }
    }
    if let Some(&(hours, share)) = plot.worn.last() {
        let at = (across.within(hours) + 10.0, up.within(weibull(share)));
        let label = format::lives(plot.worn_lives, "worn");
        sketch.words_if_free(Words::new(&label, at, Side::Left));
    }
    sketch
}

fn model(sketch: &mut Sketch, plot: &ProbabilityPlot, across: &Scale, up: &Scale) {
    let inside: Vec<_> = plot
        .model
        .iter()
        .filter(|(hours, share, ..)| across.covers(*hours) && (1e-9..1.0).contains(share))
        .collect();
    let place = |hours: f64, share: f64| -> Point {
        (
            across.within(hours),
            up.within(weibull(share.clamp(1e-9, 1.0 - 1e-12))),
        )
    };
    let lower: Vec<Point> = inside.iter().map(|m| place(m.0, m.2)).collect();
    let upper: Vec<Point> = inside.iter().map(|m| place(m.0, m.3)).collect();
    let band: Vec<Point> = lower
        .iter()
        .copied()
        .chain(upper.iter().rev().copied())
        .collect();
    sketch.area(band, Ink::SKY);
    sketch.dashed(&lower, Ink::BLUE, 1.0, 5.0, 3.0);
    sketch.dashed(&upper, Ink::BLUE, 1.0, 5.0, 3.0);
    let line: Vec<Point> = inside
        .iter()
        .filter(|m| up.covers(weibull(m.1)))
        .map(|m| place(m.0, m.1))
        .collect();
    let end = line.last().copied();
    sketch.line(line, Ink::BLUE, 2.0);
    let edge = WIDTH - RIGHT + 8.0;
    let y = end
        .map_or(TOP + 10.0, |p| p.1)
        .clamp(TOP + 8.0, FLOOR - 30.0);
    for (i, (label, ink)) in [
        (&plot.line_label, Ink::BLUE),
        (&plot.band_label, Ink::QUIET),
    ]
    .into_iter()
    .enumerate()
    {
        for (j, piece) in broken(label, RIGHT - 16.0).iter().enumerate() {
            let down = (i * 2 + j) as f64 * 15.0 + if i > 0 { 4.0 } else { 0.0 };
            sketch.words_if_free(Words::new(piece, (edge, y + down), Side::Left).inked(ink));
        }
    }
}

/// At most two lines that fit the room.
fn broken(label: &str, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = vec![String::new()];
    for word in label.split_whitespace() {
        let line = lines.last().cloned().unwrap_or_default();
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if super::sketch::width(&longer, super::sketch::SIZE) <= room || line.is_empty() {
            lines.pop();
            lines.push(longer);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines.truncate(2);
    lines
        .into_iter()
        .map(|line| super::sketch::fitted(&line, room))
        .collect()
}

/// Lives not worn, as ticks under the axis, with their number.
fn rug(sketch: &mut Sketch, plot: &ProbabilityPlot, across: &Scale) {
    sketch.line([(LEFT, FLOOR), (WIDTH - RIGHT, FLOOR)], Ink::RULE, 1.0);
    let mut drawn = std::collections::BTreeSet::new();
    for &(hours, _) in &plot.censored {
        let x = across.within(hours);
        // One tick a pixel is all that can be seen.
        if drawn.insert((x * 2.0).round() as i64) {
            sketch.line([(x, FLOOR + 6.0), (x, FLOOR + 18.0)], Ink::QUIET, 1.2);
        }
    }
    let n: u64 = plot.censored.iter().map(|(_, n)| n).sum();
    if n > 0 {
        let label = format!("{} not worn", format::count(n));
        sketch.words(Words::new(&label, (WIDTH - RIGHT + 8.0, FLOOR + 12.0), Side::Left).quiet());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::collisions;

    fn plot(n: u32, scale: f64) -> ProbabilityPlot {
        let share = |i: u32| (f64::from(i) + 0.7) / (f64::from(n) + 0.4);
        let hours = |share: f64| scale * (-(-share).ln_1p()).powf(0.5);
        ProbabilityPlot {
            worn: (0..n).map(|i| (hours(share(i)), share(i))).collect(),
            worn_lives: u64::from(n),
            between: vec![(scale * 0.1, scale * 0.3, 0.05)],
            censored: (0..n)
                .map(|i| (scale * (0.2 + f64::from(i) / f64::from(n)), 2))
                .collect(),
            model: (1..100)
                .map(|i| f64::from(i) / 100.0)
                .map(|s| (hours(s), s, s * 0.8, s + (1.0 - s) * 0.3))
                .collect(),
            line_label: "Weibull, shape 2.0, scale 400 h".to_owned(),
            band_label: "95% band: where the true line lies".to_owned(),
        }
    }

    #[test]
    fn no_words_meet_from_one_life_to_ten_thousand_at_any_scale() {
        for n in [0, 1, 2, 12, 200, 10_000] {
            for scale in [1e-6, 1.0, 400.0, 1e6, 1e12] {
                let sketch = draw(&plot(n, scale));
                assert_eq!(collisions(&sketch), [], "{n} lives around {scale} h");
            }
        }
        assert_eq!(collisions(&draw(&ProbabilityPlot::default())), []);
    }
}
