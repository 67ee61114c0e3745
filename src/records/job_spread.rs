//! How far a job may turn out other than the schedule says: its hours within a range, its start late.

use serde::Serialize;

use super::RecordsError;
use super::numbers::DecimalMark;
use super::opened::Opened;
use super::replacements::ABSURD_HOURS;

/// A range wider than this factor says nothing of a job's hours.
const WIDEST: f64 = 100.0;

/// Longest slip, days.
const LONGEST_SLIP: f64 = 3660.0;

/// What the cells may hold.
const HOURS: &str = "operating hours per machine, ≥ 0";
const LOW: &str = "hours ≥ 0 of which the job takes fewer with 1 chance in 20, or an empty cell";
const HIGH: &str = "hours ≥ 0 of which the job takes more with 1 chance in 20, or an empty cell";
const SLIP: &str = "days from 0 to 3660 by which the job starts late, or later still, with 1 chance in 20, \
                    or an empty cell";

/// What the schedule leaves open about one job.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct JobSpread {
    /// The job takes fewer hours than the first with 1 chance in 20, more than the second likewise; the
    /// hours as stated are the median. `None`: just as stated.
    pub hours: Option<[f64; 2]>,
    /// Days by which it starts late, or later still, with 1 chance in 20; 0: on its day.
    pub slip_days: f64,
}

impl JobSpread {
    /// Just as stated.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

/// How the numbers of a schedule's columns are written.
pub(super) struct HoursMarks {
    hours: DecimalMark,
    low: DecimalMark,
    high: DecimalMark,
    slip: DecimalMark,
}

impl HoursMarks {
    pub(super) fn of(opened: &Opened, notes: &mut Vec<String>) -> Result<Self, RecordsError> {
        Ok(Self {
            hours: opened.decimal("hours", notes)?,
            low: opened.decimal("hours_low", notes)?,
            high: opened.decimal("hours_high", notes)?,
            slip: opened.decimal("slip_days", notes)?,
        })
    }
}

/// Hours per machine of a row and what it leaves open.
///
/// With a range and no hours, the hours are the median of the lognormal with that range: √(low · high).
pub(super) fn read(
    opened: &Opened,
    row: usize,
    marks: &HoursMarks,
) -> Result<(f64, JobSpread), RecordsError> {
    let number = |key: &str, mark, most: f64, allowed: &str| match opened.number(row, key, mark) {
        Ok(told) if told.is_none_or(|n| (0.0..most).contains(&n)) => Ok(told),
        _ => Err(opened.cell_error(row, key, allowed)),
    };
    let hours = number("hours", marks.hours, ABSURD_HOURS, HOURS)?;
    let low = number("hours_low", marks.low, ABSURD_HOURS, LOW)?;
    let high = number("hours_high", marks.high, ABSURD_HOURS, HIGH)?;
    let slip = number("slip_days", marks.slip, LONGEST_SLIP + 1e-9, SLIP)?;
    let refuse = |key: &str, allowed: String| Err(opened.cell_error(row, key, allowed));
    let (hours, range) = match (hours, low, high) {
        (None, None, None) => return refuse("hours", HOURS.to_owned()),
        (Some(hours), None, None) => (hours, None),
        (_, Some(low), None) => {
            return refuse(
                "hours_high",
                format!("hours ≥ {low}, since hours_low is given"),
            );
        }
        (_, None, Some(high)) => {
            return refuse(
                "hours_low",
                format!("hours ≤ {high}, since hours_high is given"),
            );
        }
        (_, Some(low), Some(high)) if low > high => {
            return refuse("hours_low", format!("hours not above hours_high, {high}"));
        }
        (_, Some(low), Some(high)) if low < high && high > WIDEST * low => {
            let allowed = format!("hours up to {WIDEST} times hours_low, {low}, which is above 0");
            return refuse("hours_high", allowed);
        }
        (Some(hours), Some(low), Some(high)) if !(low..=high).contains(&hours) => {
            let allowed = format!("hours from hours_low to hours_high, {low} to {high}");
            return refuse("hours", allowed);
        }
        (Some(hours), Some(low), Some(high)) => (hours, (low < high).then_some([low, high])),
        (None, Some(low), Some(high)) if low < high => ((low * high).sqrt(), Some([low, high])),
        (None, Some(low), Some(_)) => (low, None),
    };
    let spread = JobSpread {
        hours: range,
        slip_days: slip.unwrap_or(0.0),
    };
    Ok((hours, spread))
}
