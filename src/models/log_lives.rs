//! Lives as a likelihood reads them: log hours, split by kind, ties counted once.

use std::borrow::Cow;

use crate::lives::Observations;
use crate::numerics::vector::{ln, widest};

use super::LifeCounts;
use super::condensed::{self, Condensed};
use super::kernel::Kernel;
use super::maximise::maximise;
use super::unplaced::LogUnplaced;

/// Above this many lives the rows are not sorted: the order of rows then shows in the last digits
/// of a sum, and ties are rare or the caller's business.
const MOST_SORTED: usize = 20_000;

/// Log hours with weights, columns of equal length.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Weighted {
    /// Log hours less the shift.
    pub(crate) y: Vec<f64>,
    /// How many lives.
    pub(crate) weight: Vec<f64>,
}

impl Weighted {
    pub(crate) fn push(&mut self, y: f64, weight: f64) {
        self.y.push(y);
        self.weight.push(weight);
    }

    /// Sorts and counts ties once, so that neither order nor splitting of counts shows.
    fn tidy(&mut self) {
        if self.y.len() > MOST_SORTED {
            return;
        }
        if self.weight.iter().all(|w| *w == 1.0) {
            // The usual case, sorted without carrying weights along.
            self.y.sort_unstable_by(f64::total_cmp);
            if self.y.windows(2).all(|pair| pair[0] < pair[1]) {
                return;
            }
        }
        let mut rows: Vec<(f64, f64)> = self.iter().collect();
        rows.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        self.y.clear();
        self.weight.clear();
        for (y, weight) in rows {
            match (self.y.last(), self.weight.last_mut()) {
                (Some(&last), Some(sum)) if last == y => *sum += weight,
                _ => self.push(y, weight),
            }
        }
    }

    /// `(y, weight)` of each row.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.y.iter().copied().zip(self.weight.iter().copied())
    }

    /// Σ weight.
    pub(crate) fn total(&self) -> f64 {
        self.weight.iter().sum()
    }

    /// Turns hours into shifted log hours.
    fn take_logs(&mut self, longest: f64) {
        take_logs(&mut self.y, longest);
    }
}

/// `ln(t / longest)`: divided first, so that the unit of time costs no digits.
fn take_logs(hours: &mut [f64], longest: f64) {
    widest(
        #[inline(always)]
        || {
            for t in hours {
                *t = ln(*t / longest);
            }
        },
    );
}

/// One interval-censored row: it ended between `e^a` and `e^b`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Between {
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) weight: f64,
}

/// Interval-censored rows, columns of equal length.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Betweens {
    pub(crate) a: Vec<f64>,
    pub(crate) b: Vec<f64>,
    pub(crate) weight: Vec<f64>,
}

impl Betweens {
    pub(crate) fn len(&self) -> usize {
        self.a.len()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.a.is_empty()
    }

    fn push(&mut self, row: Between) {
        self.a.push(row.a);
        self.b.push(row.b);
        self.weight.push(row.weight);
    }

    /// Some rows.
    pub(crate) fn rows(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = Between> + '_ {
        let bounds = self.a[range.clone()].iter().zip(&self.b[range.clone()]);
        bounds
            .zip(&self.weight[range])
            .map(|((&a, &b), &weight)| Between { a, b, weight })
    }

    /// All rows.
    pub(crate) fn iter(&self) -> impl Iterator<Item = Between> + '_ {
        self.rows(0..self.len())
    }

    /// Σ weight.
    fn total(&self) -> f64 {
        self.weight.iter().sum()
    }

    /// Every `step`-th row.
    fn every(&self, step: usize) -> Self {
        Self {
            a: few(&self.a, step),
            b: few(&self.b, step),
            weight: few(&self.weight, step),
        }
    }

    /// Sorts and counts ties once.
    fn tidy(&mut self) {
        if self.len() > MOST_SORTED {
            return;
        }
        let mut rows: Vec<Between> = self.iter().collect();
        rows.sort_unstable_by(|p, q| {
            p.a.total_cmp(&q.a)
                .then(p.b.total_cmp(&q.b))
                .then(p.weight.total_cmp(&q.weight))
        });
        rows.dedup_by(|next, kept| {
            let same = next.a == kept.a && next.b == kept.b;
            if same {
                kept.weight += next.weight;
            }
            same
        });
        *self = Self::default();
        for row in rows {
            self.push(row);
        }
    }
}

fn few(values: &[f64], step: usize) -> Vec<f64> {
    values.iter().copied().step_by(step).collect()
}

/// All lives of one fit. `y = ln t − shift`, with the shift at the longest age, so that powers
/// `t^β` never overflow and a change of the time unit changes nothing but the shift.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct LogLives {
    pub(crate) shift: f64,
    pub(crate) exact: Weighted,
    pub(crate) right: Weighted,
    pub(crate) left: Weighted,
    pub(crate) between: Betweens,
    /// Worn between the age at which they came into view and a later one: each adds
    /// `ln(F(b) − F(a)) − ln S(a)`, taken as one piece.
    pub(crate) since: Betweens,
    /// Ages of entry of the others; each adds `−ln S(entry)`.
    pub(crate) entry: Weighted,
    /// Rows are weighted ages that stand for many lives each: right for likelihoods, not for ranks.
    pub(crate) condensed: bool,
    /// Lives whose positions are not told.
    pub(crate) unplaced: LogUnplaced,
}

/// The longest age in any bound.
fn longest(observations: &Observations) -> f64 {
    let told = observations.low.iter().zip(&observations.high);
    let told = told.map(|(&low, &high)| (low, high));
    let unplaced = observations.unplaced.iter().flat_map(|u| &u.ways.lives);
    told.chain(unplaced.map(|life| (life.low, life.high)))
        .fold(0.0, |longest: f64, (low, high)| {
            longest.max(if high.is_finite() { high } else { low })
        })
}

impl LogLives {
    /// Reads the observations, whose values are as [`Observations`] promises. Large samples of exact
    /// and right-censored lives come as few weighted ages with the same likelihood to about twelve
    /// digits (see [`Condensed`]).
    pub(crate) fn new(observations: &Observations) -> Self {
        if observations.low.len() >= condensed::MANY
            && observations.unplaced.is_empty()
            && let Some(lives) = Condensed::of(observations)
        {
            return lives;
        }
        Self::each(observations)
    }

    /// Every life as it is.
    pub(crate) fn each(observations: &Observations) -> Self {
        let n = observations.low.len();
        let longest = longest(observations);
        let longest = if longest > 0.0 { longest } else { 1.0 };
        let shift = ln(longest);
        let mut lives = Self {
            shift,
            unplaced: LogUnplaced::new(&observations.unplaced, shift),
            ..Self::default()
        };
        for i in 0..n {
            let (low, high) = (observations.low[i], observations.high[i]);
            let entry = observations.entry.get(i).copied().unwrap_or(0.0);
            let weight = observations.count.get(i).copied().unwrap_or(1.0);
            if weight <= 0.0 {
                continue;
            }
            // Nothing is learnt below the entry age.
            let low = if low < high { low.max(entry) } else { low };
            if low == high {
                lives.exact.push(low, weight);
            } else if high == f64::INFINITY {
                // A life seen for no time says nothing.
                if low <= entry {
                    continue;
                }
                lives.right.push(low, weight);
            } else if low <= 0.0 {
                lives.left.push(high, weight);
            } else {
                let row = Between {
                    a: low,
                    b: high,
                    weight,
                };
                if low == entry {
                    lives.since.push(row);
                    continue;
                }
                lives.between.push(row);
            }
            if entry > 0.0 {
                lives.entry.push(entry, weight);
            }
        }
        let columns = [
            &mut lives.exact,
            &mut lives.right,
            &mut lives.left,
            &mut lives.entry,
        ];
        for column in columns {
            column.take_logs(longest);
            column.tidy();
        }
        for rows in [&mut lives.between, &mut lives.since] {
            take_logs(&mut rows.a, longest);
            take_logs(&mut rows.b, longest);
            rows.tidy();
        }
        lives
    }

    /// The same lives, those of untold positions interpolated around the top of their likelihood where
    /// it has one: for a posterior, which looks at very many points.
    pub(crate) fn around_top(&self, kernel: Kernel) -> Cow<'_, Self> {
        if self.unplaced.is_empty() {
            return Cow::Borrowed(self);
        }
        match maximise(self, kernel) {
            Ok(top) => Cow::Owned(Self {
                unplaced: self.unplaced.around(&top),
                ..self.clone()
            }),
            Err(_) => Cow::Borrowed(self),
        }
    }

    /// Weight of lives worn out at an exactly known age.
    pub(crate) fn worn_exactly(&self) -> f64 {
        self.exact.total()
    }

    /// Weight of all lives known to have worn out.
    pub(crate) fn worn(&self) -> f64 {
        // An empty sum is −0 in floating point; nobody wants to read "-0 worn lives".
        let bounded = self.left.total() + self.between.total() + self.since.total();
        0.0 + self.worn_exactly() + bounded + self.unplaced.worn()
    }

    /// Only exact and right-censored lives (late entry allowed): the Weibull scale then has a
    /// closed form given the shape.
    pub(crate) fn exact_or_right(&self) -> bool {
        self.left.y.is_empty()
            && self.between.is_empty()
            && self.since.is_empty()
            && self.unplaced.is_empty()
    }

    /// Whether no life came into view at a later age.
    pub(crate) fn all_from_new(&self) -> bool {
        self.entry.y.is_empty() && self.since.is_empty()
    }

    /// Rows worn between two ages above 0, seen from new or not.
    pub(crate) fn bounded(&self) -> impl Iterator<Item = Between> + '_ {
        self.between.iter().chain(self.since.iter())
    }

    /// Weight of lives pinned to a finite range of ages: worn at a known age, or between two ages above 0.
    pub(crate) fn pinned(&self) -> f64 {
        self.worn_exactly() + self.between.total() + self.since.total() + self.unplaced.worn()
    }

    /// Whether one single age could explain all lives: the greatest lower bound reaches no further
    /// than the least upper bound. Then the likelihood rises without end as the spread goes to 0.
    /// Where positions are not told this is not looked into.
    pub(crate) fn one_age_explains_all(&self) -> bool {
        if !self.unplaced.is_empty() {
            return false;
        }
        let lows = self.exact.y.iter().chain(&self.right.y).copied();
        let lows = lows.chain(self.bounded().map(|row| row.a));
        let highs = self.exact.y.iter().chain(&self.left.y).copied();
        let highs = highs.chain(self.bounded().map(|row| row.b));
        lows.fold(f64::NEG_INFINITY, f64::max) <= highs.fold(f64::INFINITY, f64::min)
    }

    /// Rows of any kind.
    pub(crate) fn rows(&self) -> usize {
        let bounded = self.between.len() + self.since.len();
        self.exact.y.len() + self.right.y.len() + self.left.y.len() + bounded
    }

    /// Every `step`-th row of each kind. Late entry is left out: this is for a first guess.
    pub(crate) fn every(&self, step: usize) -> Self {
        let thin = |column: &Weighted| Weighted {
            y: few(&column.y, step),
            weight: few(&column.weight, step),
        };
        Self {
            shift: self.shift,
            exact: thin(&self.exact),
            right: thin(&self.right),
            left: thin(&self.left),
            between: self.between.every(step),
            since: self.since.every(step),
            ..Self::default()
        }
    }

    /// A first guess of `(μ, σ)` on the shifted log scale: mean and spread of bounds.
    pub(crate) fn rough(&self) -> (f64, f64) {
        let points = self
            .exact
            .iter()
            .chain(self.right.iter())
            .chain(self.left.iter());
        let middles = self.bounded().map(|p| (0.5 * (p.a + p.b), p.weight));
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for (y, w) in points.chain(middles).chain(self.unplaced.typical()) {
            n += w;
            sum += w * y;
            squares += w * y * y;
        }
        if n == 0.0 {
            return (0.0, 1.0);
        }
        let mean = sum / n;
        // The lives of untold positions stand at one point, which says nothing of their spread.
        let least = if self.unplaced.is_empty() { 0.0 } else { 0.4 };
        let spread = (squares / n - mean * mean).max(0.0).sqrt().max(least);
        (mean, if spread > 1e-9 { spread } else { 0.5 })
    }
}

/// What a data set holds; counts as whole lives.
pub fn count_lives(observations: &Observations) -> LifeCounts {
    let mut counts = LifeCounts::default();
    for i in 0..observations.low.len() {
        let (low, high) = (observations.low[i], observations.high[i]);
        let n = observations.count.get(i).map_or(1, |c| c.round() as u64);
        counts.total += n;
        if low == high {
            counts.worn += n;
        } else if high == f64::INFINITY {
            counts.right_censored += n;
        } else if low <= 0.0 {
            counts.left_censored += n;
        } else {
            counts.interval_censored += n;
        }
        if observations.entry.get(i).is_some_and(|&e| e > 0.0) {
            counts.left_truncated += n;
        }
    }
    for unplaced in &observations.unplaced {
        counts.total += u64::from(unplaced.lives());
        counts.worn += u64::from(unplaced.worn);
        counts.interval_censored += u64::from(unplaced.worn_between);
        counts.right_censored += u64::from(unplaced.unworn + unplaced.running);
    }
    counts
}
