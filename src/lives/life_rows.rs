//! The rows that a life rests on. Nearly all rest on two rows of one file, and there are millions of
//! lives, so these two take twelve bytes; what does not fit is kept aside once.

use std::num::NonZeroU32;
use std::sync::LazyLock;

use crate::records::{RowRef, Shelf};

/// The row that put a part in, the one that took it out, and all that tell of it.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct LifeRows {
    /// The row that put it in, else the one that took it out.
    first: Option<RowRef>,
    /// With a first row: the number of the row that took it out, [`NO_END`] or [`NO_START`].
    /// Without: the number of what is kept aside, or 0 where there is no row at all.
    second: u32,
}

/// No row took the part out. Rows are numbered from 1.
const NO_END: u32 = 0;
/// The first row is the one that took it out; no row put it in. No file has so many rows.
const NO_START: u32 = u32::MAX;

/// Rows that do not fit into two of one file.
#[derive(Clone, PartialEq, Eq, Hash)]
struct KeptAside {
    start: Option<RowRef>,
    end: Option<RowRef>,
    all: Vec<RowRef>,
}

static ASIDE: LazyLock<Shelf<KeptAside>> = LazyLock::new(Shelf::new);

impl LifeRows {
    /// The rows at the ends of a life; `all` where there are more.
    pub(crate) fn new(
        start: Option<RowRef>,
        end: Option<RowRef>,
        all: Option<Vec<RowRef>>,
    ) -> Self {
        let row = |at: RowRef| (NO_END + 1..NO_START).contains(&at.row);
        match (start, end, all) {
            (None, None, None) => Self::default(),
            (Some(start), None, None) => Self {
                first: Some(start),
                second: NO_END,
            },
            (None, Some(end), None) => Self {
                first: Some(end),
                second: NO_START,
            },
            (Some(start), Some(end), None) if start.beside(end.row) == end && row(end) => Self {
                first: Some(start),
                second: end.row,
            },
            (start, end, all) => {
                let all = all.unwrap_or_else(|| start.into_iter().chain(end).collect());
                let kept = KeptAside { start, end, all };
                let code = ASIDE.code(&kept, || Box::leak(Box::new(kept.clone())));
                Self {
                    first: None,
                    second: code.get(),
                }
            }
        }
    }

    fn aside(self) -> Option<&'static KeptAside> {
        if self.first.is_some() {
            return None;
        }
        ASIDE.value(NonZeroU32::new(self.second)?)
    }

    /// The row that put the part in.
    pub(crate) fn start(self) -> Option<RowRef> {
        match self.aside() {
            Some(kept) => kept.start,
            None => self.first.filter(|_| self.second != NO_START),
        }
    }

    /// The row that took it out.
    pub(crate) fn end(self) -> Option<RowRef> {
        match (self.aside(), self.second) {
            (Some(kept), _) => kept.end,
            (None, NO_END) => None,
            (None, NO_START) => self.first,
            (None, row) => Some(self.first?.beside(row)),
        }
    }

    /// All rows.
    pub(crate) fn all(self) -> Vec<RowRef> {
        match self.aside() {
            Some(kept) => kept.all.clone(),
            None => self.start().into_iter().chain(self.end()).collect(),
        }
    }
}

impl std::fmt::Debug for LifeRows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_list().entries(self.all()).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_given_is_found_again() {
        assert_eq!(size_of::<LifeRows>(), 12);
        let row = |file: &str, row| RowRef::new(file, None, row);
        let ends = [
            None,
            Some(row("a.csv", 1)),
            Some(row("a.csv", 7)),
            Some(row("b.csv", 7)),
            Some(row("b.csv", u32::MAX)),
            Some(row("b.csv", 0)),
        ];
        for start in ends {
            for end in ends {
                let rows = LifeRows::new(start, end, None);
                assert_eq!((rows.start(), rows.end()), (start, end));
                let all: Vec<RowRef> = start.into_iter().chain(end).collect();
                assert_eq!(rows.all(), all);
                let more = [all, vec![row("c.csv", 3)]].concat();
                let rows = LifeRows::new(start, end, Some(more.clone()));
                assert_eq!((rows.start(), rows.end()), (start, end));
                assert_eq!(rows.all(), more);
            }
        }
    }
}
