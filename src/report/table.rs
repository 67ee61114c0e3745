//! One table built once; text, CSV, HTML and spreadsheets are thin formats of it.

use jiff::civil::Date;

/// A cell, typed so that each format can write it its own way.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing there, or does not exist.
    Empty,
    /// Words.
    Text(String),
    /// A count.
    Count(u64),
    /// A number with the decimals worth showing.
    Number {
        /// Full value, for machines.
        value: f64,
        /// Decimals for people.
        decimals: u8,
    },
    /// Operating hours of a life or an age, rounded for people by [`super::format::hours`].
    Hours(f64),
    /// A probability in [0, 1].
    Probability(f64),
    /// Money, rounded for people by [`super::format::cost`]; the heading names the currency.
    Cost(f64),
    /// A day.
    Date(Date),
}

impl Cell {
    /// Words.
    pub fn text(words: impl Into<String>) -> Self {
        Self::Text(words.into())
    }

    /// A count of anything.
    pub fn count(n: impl Into<u64>) -> Self {
        Self::Count(n.into())
    }

    /// A number shown with so many decimals.
    pub fn number(value: f64, decimals: u8) -> Self {
        Self::Number { value, decimals }
    }

    /// What `make` gives, or [`Cell::Empty`] when there is no value: `Cell::maybe(p50, Cell::Hours)`.
    pub fn maybe<T>(value: Option<T>, make: impl FnOnce(T) -> Self) -> Self {
        value.map_or(Self::Empty, make)
    }
}

/// Where a column's cells stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Stable name for files (`order_by`).
    pub key: String,
    /// Heading for people (`Order by`), with the unit where one is needed.
    pub heading: String,
    /// Alignment.
    pub align: Align,
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Stable name for files and links (`orders`).
    pub key: String,
    /// Title for people.
    pub title: String,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows; each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// Notes under the table: assumptions, definitions.
    pub notes: Vec<String>,
}

impl Table {
    /// A table without columns yet.
    pub fn new(key: impl Into<String>, title: impl Into<String>) -> Self {
        Self {
            key: key.into(),
            title: title.into(),
            columns: Vec::new(),
            rows: Vec::new(),
            notes: Vec::new(),
        }
    }

    /// Adds a column of words.
    #[must_use]
    pub fn words(self, key: &str, heading: impl Into<String>) -> Self {
        self.column(key, heading, Align::Left)
    }

    /// Adds a column of numbers, dates or probabilities.
    #[must_use]
    pub fn figures(self, key: &str, heading: impl Into<String>) -> Self {
        self.column(key, heading, Align::Right)
    }

    /// Adds a column.
    #[must_use]
    pub fn column(mut self, key: &str, heading: impl Into<String>, align: Align) -> Self {
        self.columns.push(Column {
            key: key.to_owned(),
            heading: heading.into(),
            align,
        });
        self
    }

    /// Adds a row; cells that lack are empty, cells too many are dropped.
    pub fn push(&mut self, mut cells: Vec<Cell>) {
        cells.resize(self.columns.len(), Cell::Empty);
        self.rows.push(cells);
    }

    /// The same table with only some of its columns, in its own order.
    #[must_use]
    pub fn only(&self, keys: &[&str]) -> Self {
        let kept: Vec<usize> = (0..self.columns.len())
            .filter(|&i| keys.contains(&self.columns[i].key.as_str()))
            .collect();
        Self {
            key: self.key.clone(),
            title: self.title.clone(),
            columns: kept.iter().map(|&i| self.columns[i].clone()).collect(),
            rows: self
                .rows
                .iter()
                .map(|row| kept.iter().map(|&i| row[i].clone()).collect())
                .collect(),
            notes: self.notes.clone(),
        }
    }

    /// Adds a note under the table.
    pub fn note(&mut self, note: impl Into<String>) {
        self.notes.push(note.into());
    }
}
