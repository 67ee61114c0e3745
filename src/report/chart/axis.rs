//! Scales with ticks at round numbers.

use jiff::civil::Date;
use jiff::{ToSpan, Unit};

use crate::report::format;

/// Maps values to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
    log: bool,
}

impl Scale {
    pub(super) fn linear(low: f64, high: f64, from: f64, to: f64) -> Self {
        let high = if high > low { high } else { low + 1.0 };
        Self {
            low,
            high,
            from,
            to,
            log: false,
        }
    }

    /// Logarithmic; `low` must be > 0.
    pub(super) fn log(low: f64, high: f64, from: f64, to: f64) -> Self {
        let low = low.max(1e-300);
        let high = if high > low * 1.01 { high } else { low * 1.01 };
        Self {
            low: low.ln(),
            high: high.ln(),
            from,
            to,
            log: true,
        }
    }

    pub(super) fn at(&self, value: f64) -> f64 {
        let value = if self.log { value.ln() } else { value };
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }

    /// The place of a value, kept within the scale.
    pub(super) fn within(&self, value: f64) -> f64 {
        let at = self.at(value);
        if at.is_nan() {
            return self.from;
        }
        at.clamp(self.from.min(self.to), self.from.max(self.to))
    }

    pub(super) fn covers(&self, value: f64) -> bool {
        let value = if self.log { value.ln() } else { value };
        value >= self.low - 1e-9 && value <= self.high + 1e-9
    }
}

/// Round numbers from at or above `low` to at or below `high`, about `wanted` of them.
pub(super) fn round_ticks(low: f64, high: f64, wanted: u32) -> Vec<f64> {
    let span = high - low;
    if !(span > 0.0 && span.is_finite()) {
        return vec![low];
    }
    let step = round_step(span / f64::from(wanted.max(1)));
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

/// The smallest of 1, 2, 5 × 10^k that is at least `least`.
pub(super) fn round_step(least: f64) -> f64 {
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|&step| step >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// Whole numbers from 0 to `high`, about `wanted` of them.
pub(super) fn count_ticks(high: u32, wanted: u32) -> Vec<u32> {
    let step = round_step(f64::from(high) / f64::from(wanted.max(1))).max(1.0) as usize;
    (0..=high).step_by(step).collect()
}

/// The least and greatest of a log axis around values: down and up to the next 1, 2 or 5 × 10^k.
pub(super) fn log_limits(least: f64, greatest: f64) -> (f64, f64) {
    let least = least.max(1e-9);
    let greatest = greatest.max(least);
    let down = {
        let power = 10f64.powf(least.log10().floor());
        [5.0, 2.0, 1.0]
            .into_iter()
            .map(|m| m * power)
            .find(|&v| v <= least * (1.0 + 1e-9))
    };
    let low = down.unwrap_or(least);
    let high = round_step(greatest);
    if high > low * 1.5 {
        (low, high)
    } else {
        (low / 2.0, high * 2.0)
    }
}

/// Round numbers of a log axis: 1, 2, 5 × 10^k, or powers of ten when there are many.
pub(super) fn log_ticks(low: f64, high: f64) -> Vec<f64> {
    let decades = (high / low).log10();
    let marks: &[f64] = if decades <= 3.5 {
        &[1.0, 2.0, 5.0]
    } else {
        &[1.0]
    };
    let stride = (decades / 8.0).ceil().max(1.0) as i32;
    let first = low.log10().floor() as i32;
    let last = high.log10().ceil() as i32;
    (first..=last)
        .filter(|power| decades <= 3.5 || power.rem_euclid(stride) == 0)
        .flat_map(|power| marks.iter().map(move |m| m * 10f64.powi(power)))
        .filter(|&v| v >= low * (1.0 - 1e-9) && v <= high * (1.0 + 1e-9))
        .collect()
}

/// Days since `from`.
pub(super) fn days(from: Date, to: Date) -> f64 {
    from.until((Unit::Day, to))
        .map_or(0.0, |span| f64::from(span.get_days()))
}

/// A tick of a calendar axis.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct DateTick {
    pub(super) day: Date,
    pub(super) label: String,
}

/// Firsts of months (or Mondays when the span is short), about `wanted` of them; the year stands
/// at the first tick and where it changes.
pub(super) fn date_ticks(low: Date, high: Date, wanted: u32) -> Vec<DateTick> {
    let span = days(low, high);
    let wanted = f64::from(wanted.max(1));
    let mut ticks = Vec::new();
    if span <= 70.0 {
        let weeks = (span / 7.0 / wanted).ceil().max(1.0) as i32;
        let ahead = (8 - i32::from(low.weekday().to_monday_one_offset())) % 7;
        let mut next = low.checked_add(ahead.days());
        while let Ok(day) = next
            && day <= high
        {
            ticks.push(day);
            next = day.checked_add((7 * weeks).days());
        }
    } else {
        let months = [1, 2, 3, 6, 12, 24, 60, 120, 600]
            .into_iter()
            .find(|&m| span / 30.4 / f64::from(m) <= wanted)
            .unwrap_or(1200);
        let mut next = Ok(low.first_of_month());
        while let Ok(day) = next
            && day <= high
        {
            let index = i32::from(day.year()) * 12 + i32::from(day.month()) - 1;
            if day >= low && index.rem_euclid(months) == 0 {
                ticks.push(day);
            }
            next = day.checked_add(1.month());
        }
    }
    if ticks.is_empty() {
        // A day or a few without a Monday among them: name the first.
        ticks.push(low);
    }
    let weekly = span <= 70.0;
    let mut year = None;
    ticks
        .into_iter()
        .map(|day| {
            let short = if weekly {
                format::day_month(day)
            } else {
                format::month(day).to_owned()
            };
            let label = if year == Some(day.year()) {
                short
            } else {
                year = Some(day.year());
                format!("{short} {}", day.year())
            };
            DateTick { day, label }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(round_ticks(0.0, 97.0, 5), [0.0, 20.0, 40.0, 60.0, 80.0]);
        assert_eq!(round_ticks(3.0, 3.0, 5), [3.0]);
        assert_eq!(count_ticks(3, 5), [0, 1, 2, 3]);
        assert_eq!(count_ticks(60, 6), [0, 10, 20, 30, 40, 50, 60]);
        assert_eq!(
            log_ticks(20.0, 1000.0),
            [20.0, 50.0, 100.0, 200.0, 500.0, 1000.0]
        );
        assert!(log_ticks(1e-6, 1e12).len() <= 9);
        assert_eq!(log_limits(23.0, 900.0), (20.0, 1000.0));
    }

    #[test]
    fn calendars_tick_at_months_and_short_ones_at_mondays() {
        let labels = |low, high| {
            date_ticks(low, high, 8)
                .into_iter()
                .map(|t| t.label)
                .collect::<Vec<_>>()
        };
        assert_eq!(
            labels(date(2026, 10, 15), date(2027, 2, 20)),
            ["Nov 2026", "Dec", "Jan 2027", "Feb"]
        );
        assert_eq!(
            labels(date(2026, 3, 31), date(2026, 4, 20)),
            ["6 Apr 2026", "13 Apr", "20 Apr"]
        );
        assert!(labels(date(2000, 1, 1), date(2026, 1, 1)).len() <= 8);
        assert_eq!(
            labels(date(2026, 3, 31), date(2026, 3, 31)),
            ["31 Mar 2026"]
        );
    }

    #[test]
    fn scales_map_their_ends_to_their_ends() {
        let scale = Scale::log(10.0, 1000.0, 50.0, 250.0);
        assert!((scale.at(10.0) - 50.0).abs() < 1e-9);
        assert!((scale.at(100.0) - 150.0).abs() < 1e-9);
        assert_eq!(scale.within(0.0), 50.0);
        assert!(!scale.covers(2000.0));
    }
}
