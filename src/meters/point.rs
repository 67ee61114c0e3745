//! Points on a meter, and hours as bounds.

use serde::Serialize;

/// Hours known within bounds; equal when exact.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoursBounds {
    /// Not less than this.
    pub low: f64,
    /// Most plausible, by the readings around it.
    pub best: f64,
    /// Not more than this; may be infinite.
    pub high: f64,
}

impl HoursBounds {
    /// Hours known exactly.
    pub fn exactly(hours: f64) -> Self {
        Self {
            low: hours,
            best: hours,
            high: hours,
        }
    }

    /// Whether they are known exactly.
    pub fn is_exact(&self) -> bool {
        self.low == self.high
    }

    /// Hours of both together.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        Self {
            low: self.low + other.low,
            best: self.best + other.best,
            high: self.high + other.high,
        }
    }
}

/// A point on one machine's meter: what it shows (as bounds) between which two resets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeterPoint {
    /// Which stretch between resets, from 0.
    pub(super) stretch: usize,
    /// What the meter shows.
    pub(super) shown: HoursBounds,
}

impl MeterPoint {
    /// Whether it was read, not bounded.
    pub(crate) fn is_exact(&self) -> bool {
        self.shown.is_exact()
    }

    /// A number by which points of one machine stand in order.
    pub(crate) fn order(&self) -> f64 {
        // No meter shows more than a million hours between two resets.
        self.stretch as f64 * 1e7 + self.shown.best
    }
}
