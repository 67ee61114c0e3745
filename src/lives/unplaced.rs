//! Lives of which the rows do not tell the positions, with every way in which the changes can belong
//! to them.

use std::sync::Arc;

use serde::Serialize;

use super::life::hours_seen;
use crate::records::{RowRef, Text};

/// No life: this choice says nothing of how long parts last.
pub(crate) const NO_LIFE: u32 = u32::MAX;

/// One life that a part may have had, as in [`Observations`](super::Observations).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PossibleLife {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) entry: f64,
    /// In since nobody knows when: its hours count from when its machine was first seen.
    pub(crate) met: bool,
}

/// A way from one state to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Choice {
    pub(crate) from: u32,
    /// The life it ends, or [`NO_LIFE`].
    pub(crate) life: u32,
    /// In how many positions it can have been, the parts in them alike.
    pub(crate) ways: u32,
}

/// A part still in at the end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct StillIn {
    /// Its life so far, or [`NO_LIFE`].
    pub(crate) life: u32,
    /// Hours since new; `None` where nobody knows.
    pub(crate) age: Option<f64>,
    /// Hours for which it has been seen.
    pub(crate) seen: f64,
}

/// All ways in which the changes of one machine can belong to its positions.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Ways {
    pub(crate) lives: Vec<PossibleLife>,
    /// One layer a change: for each state after it, the choices that lead there from the states
    /// before. Before the first there is one state.
    pub(crate) layers: Vec<Vec<Vec<Choice>>>,
    /// What is in, in each state after the last layer, the youngest first.
    pub(crate) last: Vec<Vec<StillIn>>,
    /// How many lives end worn, in every way.
    pub(crate) worn: u32,
}

impl Ways {
    /// Hours run in all positions, the same in every way: followed along one of them.
    pub(crate) fn hours(&self) -> f64 {
        let hours = |life: u32| {
            let life = self.lives.get(life as usize);
            life.map_or(0.0, |life| hours_seen(life.low, life.high, life.entry))
        };
        let still_in = self.last.first().into_iter().flatten();
        let mut sum: f64 = still_in.map(|part| hours(part.life)).sum();
        let mut state = 0;
        for layer in self.layers.iter().rev() {
            let Some(choice) = layer.get(state).and_then(|choices| choices.first()) else {
                break;
            };
            sum += hours(choice.life);
            state = choice.from as usize;
        }
        sum
    }

    /// Ages of what is in at the end, the youngest first.
    pub(super) fn ages(&self) -> Vec<AgeRange> {
        let places = self.last.first().map_or(0, Vec::len);
        let of_place = |place: usize| {
            self.last
                .iter()
                .map(move |state| AgeRange::from(&state[place]))
        };
        (0..places)
            .filter_map(|place| AgeRange::over(of_place(place)))
            .collect()
    }

    /// Choices of all layers.
    pub(crate) fn choices(&self) -> usize {
        self.layers.iter().flatten().map(Vec::len).sum()
    }
}

/// Between which ages a part now in is, over all ways in which it may have come there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AgeRange {
    /// Hours since new, the least.
    pub at_least: f64,
    /// The most; `None` where it may have been in since before its machine was first seen.
    pub at_most: Option<f64>,
}

impl AgeRange {
    /// The range that holds all of these; `None` where there are none.
    fn over(ranges: impl Iterator<Item = Self>) -> Option<Self> {
        ranges.reduce(|a, b| Self {
            at_least: a.at_least.min(b.at_least),
            at_most: Option::zip(a.at_most, b.at_most).map(|(a, b)| a.max(b)),
        })
    }
}

impl From<&StillIn> for AgeRange {
    fn from(part: &StillIn) -> Self {
        Self {
            at_least: part.age.unwrap_or(part.seen),
            at_most: part.age,
        }
    }
}

/// Lives of one part kind on one machine of which the rows do not tell the positions: the likelihood
/// sums over all ways in which the changes can belong to the positions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unplaced {
    /// Name for tracing, such as `wear-ring/M1/not-told`.
    pub id: String,
    /// Part kind.
    pub part: Text,
    /// Machine.
    pub machine: Text,
    /// Positions of which it is not told since when their part is in.
    pub positions: Vec<Text>,
    /// Lives that ended worn at a known reading.
    pub worn: u32,
    /// Lives that ended worn between two readings, or since a look.
    pub worn_between: u32,
    /// Lives that ended for another reason.
    pub unworn: u32,
    /// Of these, for a reason that nothing maps.
    pub unknown_reason: u32,
    /// Parts still in.
    pub running: u32,
    /// Hours that all of them ran.
    pub hours: f64,
    /// Parts of unknown age at the start of the records.
    pub unknown_start: u32,
    /// The machine left service, so nothing is fitted any more.
    pub retired: bool,
    /// In how many ways, those with the same parts in taken together, it may stand at the end.
    pub states: usize,
    /// Ages of the parts still in, the youngest first; none where the machine left service.
    pub ages: Vec<AgeRange>,
    /// Rows of the changes, in order.
    pub rows: Vec<RowRef>,
    #[serde(skip)]
    pub(crate) ways: Arc<Ways>,
}

impl Unplaced {
    /// Lives in all.
    pub fn lives(&self) -> u32 {
        self.worn + self.worn_between + self.unworn + self.running
    }

    /// Age of the part in one of the positions, which may be any of those still in.
    pub fn age_in(&self, position: Text) -> Option<AgeRange> {
        let is_one = self.positions.contains(&position);
        AgeRange::over(self.ages.iter().copied().filter(|_| is_one))
    }
}

/// Why the ways are not summed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NotSummed {
    /// The rows of this part carry serial numbers.
    Serials,
    /// A row set aside may hide a change in between.
    Gap,
    /// A change in between leaves open what it found, or puts in a part that had run before.
    Ends,
    /// An age is stated for a day in between.
    AgeStated,
    /// The meter cannot be followed through all of it.
    Meter,
    /// There are more ways than can be summed.
    TooMany,
}

impl NotSummed {
    /// As a clause.
    pub(super) fn reason(self) -> &'static str {
        match self {
            Self::Serials => {
                "rows of this part carry serial numbers, by which its lives are followed"
            }
            Self::Gap => "another row set aside may hide a change in between",
            Self::Ends => {
                "a change in between leaves open which parts were worn, or puts in one that had run before"
            }
            Self::AgeStated => "an age is stated for a day after the first such row of its machine",
            Self::Meter => "the machine's meter cannot be followed through all of these changes",
            Self::TooMany => {
                "there are too many such rows for its positions: the ways grow beyond what can be summed"
            }
        }
    }
}
