//! A lives file as columns: what `fit`, `compare` and `curve` read.

use super::Observations;

/// Values of one further column (a group or a covariate).
#[derive(Debug, Clone, PartialEq)]
pub enum ColumnValues {
    /// Every value that is there is a number; NaN stands for an empty cell.
    Numbers(Vec<f64>),
    /// Text: `codes` index into `levels` (sorted, distinct); `u32::MAX` stands for an empty cell.
    Text {
        /// Distinct values, sorted.
        levels: Vec<String>,
        /// One code a life.
        codes: Vec<u32>,
    },
}

impl ColumnValues {
    /// Code of an empty cell in a text column.
    pub const EMPTY: u32 = u32::MAX;

    /// Builds a text column; an empty string is an empty cell.
    pub fn from_texts<S: AsRef<str>>(texts: impl IntoIterator<Item = S>) -> Self {
        let mut interner = Interner::default();
        for text in texts {
            interner.push(text.as_ref());
        }
        interner.finish()
    }
}

/// A named column.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedColumn {
    /// Heading in the file.
    pub name: String,
    /// Values, one a life.
    pub values: ColumnValues,
}

/// Lives as columns of equal length.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LivesTable {
    /// The numbers the models read.
    pub observations: Observations,
    /// All further columns in file order, `part` and `machine` among them.
    pub columns: Vec<NamedColumn>,
}

impl LivesTable {
    /// The further column of that name (any case), if the file has one.
    pub fn column(&self, name: &str) -> Option<&NamedColumn> {
        self.columns.iter().find(|c| c.name == name).or_else(|| {
            self.columns
                .iter()
                .find(|c| c.name.eq_ignore_ascii_case(name))
        })
    }
}

/// Gathers texts as codes while a file streams by.
#[derive(Debug, Default)]
pub(super) struct Interner {
    seen: std::collections::HashMap<Box<str>, u32>,
    codes: Vec<u32>,
}

impl Interner {
    /// An interner for a column that was empty in its first `rows` rows.
    pub(super) fn after_empty(rows: usize) -> Self {
        Self {
            seen: std::collections::HashMap::new(),
            codes: vec![ColumnValues::EMPTY; rows],
        }
    }

    pub(super) fn push(&mut self, text: &str) {
        let next = u32::try_from(self.seen.len()).unwrap_or(ColumnValues::EMPTY);
        let code = match self.seen.get(text) {
            _ if text.is_empty() => ColumnValues::EMPTY,
            Some(&code) => code,
            None => {
                self.seen.insert(text.into(), next);
                next
            }
        };
        self.codes.push(code);
    }

    /// Sorts the levels and recodes, so that the result does not depend on the order of rows.
    pub(super) fn finish(self) -> ColumnValues {
        let mut by_text: Vec<(Box<str>, u32)> = self.seen.into_iter().collect();
        by_text.sort_unstable();
        let mut recode = vec![0_u32; by_text.len()];
        for (new, (_, old)) in by_text.iter().enumerate() {
            recode[*old as usize] = new as u32;
        }
        ColumnValues::Text {
            levels: by_text.into_iter().map(|(text, _)| text.into()).collect(),
            codes: self
                .codes
                .into_iter()
                .map(|c| {
                    recode
                        .get(c as usize)
                        .copied()
                        .unwrap_or(ColumnValues::EMPTY)
                })
                .collect(),
        }
    }
}
