//! Lives → the bare numbers that a likelihood reads.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};

use super::{Life, LifeId, Lives, Observations};
use crate::records::RowCounts;

impl Observations {
    /// Without lives whose positions are not told, which only a likelihood can take in.
    #[must_use]
    pub fn placed(&self) -> Cow<'_, Self> {
        if self.unplaced.is_empty() {
            return Cow::Borrowed(self);
        }
        Cow::Owned(Self {
            unplaced: Vec::new(),
            ..self.clone()
        })
    }

    /// How many rows.
    pub fn len(&self) -> usize {
        self.low.len()
    }

    /// Whether there is no row at all.
    pub fn is_empty(&self) -> bool {
        self.low.is_empty()
    }

    /// Adds one row; the columns that may stay empty are filled when first needed.
    pub fn push(&mut self, low: f64, high: f64, entry: f64, count: f64) {
        let before = self.low.len();
        self.low.push(low);
        self.high.push(high);
        if entry > 0.0 && self.entry.is_empty() {
            self.entry.resize(before, 0.0);
        }
        if entry > 0.0 || !self.entry.is_empty() {
            self.entry.push(entry);
        }
        if count != 1.0 && self.count.is_empty() {
            self.count.resize(before, 1.0);
        }
        if count != 1.0 || !self.count.is_empty() {
            self.count.push(count);
        }
    }
}

/// The columns that the models read, from lives.
///
/// `entry` stays empty when no life is truncated and `count` when every count is 1.
pub fn observations<'a>(lives: impl IntoIterator<Item = &'a Life>) -> Observations {
    let mut columns = Observations::default();
    for life in lives {
        columns.push(life.low, life.high, life.entry, f64::from(life.count));
    }
    columns
}

impl Lives {
    /// All lives of one part kind as the models read them, those of untold positions included.
    pub fn of_part(&self, part: &str) -> Observations {
        let mut lives = observations(self.lives.iter().filter(|life| life.part == part));
        let unplaced = self.unplaced.iter().filter(|u| u.part == part);
        lives.unplaced.extend(unplaced.cloned());
        lives
    }
}

impl Lives {
    /// Value of a column for what each running life of a part kind was put in with; empty where its row does
    /// not tell.
    pub fn fitted_values(&self, part: &str, column: &str) -> HashMap<LifeId, &'static str> {
        let of_part = self.lives.iter().filter(|life| life.part == part);
        of_part
            .map(|life| (life.id, life.covariates.named(column).unwrap_or_default()))
            .collect()
    }

    /// One part kind alone, with these lives in place of its own; problems and counts are left out.
    #[must_use]
    pub fn of_one_part(&self, part: &str, lives: Vec<Life>) -> Self {
        let fitted = self.fitted.iter().filter(|f| f.part == part);
        let unplaced = self.unplaced.iter().filter(|u| u.part == part);
        Self {
            lives,
            fitted: fitted.cloned().collect(),
            unplaced: unplaced.cloned().collect(),
            unknown_start: 0,
            problems: Vec::new(),
            rows: RowCounts::default(),
            costs: Vec::new(),
            turned_back: Vec::new(),
        }
    }

    /// Lives of a part kind by the value of a column of the rows that put them in; under an empty name where those
    /// do not tell. Values are compared without case; by name, as first written.
    pub fn by_value(&self, part: &str, column: &str) -> BTreeMap<String, (String, Observations)> {
        let mut by: BTreeMap<String, (String, Observations)> = BTreeMap::new();
        for life in self.lives.iter().filter(|life| life.part == part) {
            let value = life.covariates.named(column).unwrap_or_default();
            let (_, lives) = by
                .entry(value.to_lowercase())
                .or_insert_with(|| (value.to_owned(), Observations::default()));
            lives.push(life.low, life.high, life.entry, f64::from(life.count));
        }
        by
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_that_may_stay_empty_are_filled_back_when_first_needed() {
        let mut columns = Observations::default();
        columns.push(10.0, 10.0, 0.0, 1.0);
        assert!(columns.entry.is_empty() && columns.count.is_empty());
        columns.push(20.0, f64::INFINITY, 5.0, 1.0);
        columns.push(30.0, 30.0, 0.0, 3.0);
        assert_eq!(columns.entry, [0.0, 5.0, 0.0]);
        assert_eq!(columns.count, [1.0, 1.0, 3.0]);
        assert_eq!(columns.len(), 3);
    }
}
