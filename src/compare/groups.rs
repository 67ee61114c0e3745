//! Lives told apart by one column.

use crate::lives::{ColumnValues, LivesTable};
use crate::models::regression::Covariate;

use super::CompareError;

/// A group of each life: a code into sorted levels; none where the cell is empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Grouping {
    /// Column.
    pub name: String,
    /// Distinct values, sorted (numbers by size).
    pub levels: Vec<String>,
    /// One code a life; a code beyond the levels stands for an empty cell.
    pub codes: Vec<u32>,
}

impl Grouping {
    /// Code of an empty cell.
    pub const EMPTY: u32 = ColumnValues::EMPTY;

    /// Groups by a column of a lives file; numbers are groups too, each distinct value one.
    ///
    /// # Errors
    /// The column is not there.
    pub fn of(table: &LivesTable, column: &str) -> Result<Self, CompareError> {
        let found = table
            .column(column)
            .ok_or_else(|| no_column(table, column))?;
        Ok(match &found.values {
            ColumnValues::Text { levels, codes } => Self {
                name: found.name.clone(),
                levels: levels.clone(),
                codes: codes.clone(),
            },
            ColumnValues::Numbers(values) => {
                let mut distinct: Vec<f64> =
                    values.iter().copied().filter(|v| !v.is_nan()).collect();
                distinct.sort_by(f64::total_cmp);
                distinct.dedup();
                let code = |v: &f64| {
                    distinct
                        .binary_search_by(|d| d.total_cmp(v))
                        .map_or(Self::EMPTY, |i| i as u32)
                };
                Self {
                    name: found.name.clone(),
                    codes: values.iter().map(code).collect(),
                    levels: distinct.iter().map(ToString::to_string).collect(),
                }
            }
        })
    }

    /// As a categorical covariate, with `base` as the first level.
    pub fn covariate(&self, base: usize) -> Covariate {
        // The regression takes the first level in use as the base.
        let order: Vec<usize> = std::iter::once(base)
            .chain((0..self.levels.len()).filter(|&l| l != base))
            .collect();
        let mut place = vec![0_u32; self.levels.len()];
        for (new, &old) in order.iter().enumerate() {
            place[old] = new as u32;
        }
        Covariate::category(
            &self.name,
            order.iter().map(|&l| self.levels[l].clone()).collect(),
            self.codes
                .iter()
                .map(|&c| place.get(c as usize).copied().unwrap_or(Self::EMPTY))
                .collect(),
        )
    }

    /// The same rows only, levels without any row dropped.
    #[must_use]
    pub fn keep(&self, rows: &[usize]) -> Self {
        let mut used: Vec<u32> = rows
            .iter()
            .map(|&i| self.codes[i])
            .filter(|&c| (c as usize) < self.levels.len())
            .collect();
        used.sort_unstable();
        used.dedup();
        let place = |c: u32| used.binary_search(&c).map_or(Self::EMPTY, |i| i as u32);
        Self {
            name: self.name.clone(),
            levels: used
                .iter()
                .map(|&c| self.levels[c as usize].clone())
                .collect(),
            codes: rows.iter().map(|&i| place(self.codes[i])).collect(),
        }
    }

    /// Rows of one level.
    pub fn rows_of(&self, level: usize) -> Vec<usize> {
        let of = |&i: &usize| self.codes[i] as usize == level;
        (0..self.codes.len()).filter(of).collect()
    }

    /// Clusters for errors: each level one, each empty cell one of its own.
    pub fn clusters(&self) -> Vec<u32> {
        let mut next = self.levels.len() as u32;
        self.codes
            .iter()
            .map(|&c| {
                if (c as usize) < self.levels.len() {
                    c
                } else {
                    next += 1;
                    next - 1
                }
            })
            .collect()
    }
}

/// A column as a covariate: numbers as numbers, text as categories.
///
/// # Errors
/// The column is not there.
pub fn covariate_of(table: &LivesTable, name: &str) -> Result<Covariate, CompareError> {
    let column = table.column(name).ok_or_else(|| no_column(table, name))?;
    Ok(match &column.values {
        ColumnValues::Numbers(values) => Covariate::number(&column.name, values.clone()),
        ColumnValues::Text { levels, codes } => {
            Covariate::category(&column.name, levels.clone(), codes.clone())
        }
    })
}

fn no_column(table: &LivesTable, name: &str) -> CompareError {
    CompareError::NoColumn {
        column: name.to_owned(),
        known: table.columns.iter().map(|c| c.name.clone()).collect(),
    }
}
