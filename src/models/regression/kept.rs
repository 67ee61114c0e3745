//! Which of the lives a regression uses.

use crate::lives::Observations;

/// Rows of the lives that were kept, in their order.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kept {
    /// All of so many.
    All(usize),
    /// Some.
    Some(Vec<usize>),
}

impl Kept {
    /// How many.
    pub(super) fn len(&self) -> usize {
        match self {
            Self::All(n) => *n,
            Self::Some(rows) => rows.len(),
        }
    }

    /// Row of the lives that the k-th kept one is.
    pub(super) fn row(&self, k: usize) -> usize {
        match self {
            Self::All(_) => k,
            Self::Some(rows) => rows[k],
        }
    }

    /// All rows.
    pub(super) fn iter(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.len()).map(|k| self.row(k))
    }

    /// The kept part of a column.
    pub(super) fn of<T: Copy>(&self, column: &[T]) -> Vec<T> {
        match self {
            Self::All(_) => column.to_vec(),
            Self::Some(rows) => rows.iter().map(|&i| column[i]).collect(),
        }
    }

    /// The kept lives.
    pub(super) fn lives(&self, lives: &Observations) -> Observations {
        let of = |column: &[f64]| {
            if column.is_empty() {
                Vec::new()
            } else {
                self.of(column)
            }
        };
        Observations {
            low: of(&lives.low),
            high: of(&lives.high),
            entry: of(&lives.entry),
            count: of(&lives.count),
            unplaced: Vec::new(),
        }
    }
}
