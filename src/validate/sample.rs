//! A dataset's `data.csv`: the source's own columns, and the lives they tell of.

use std::collections::BTreeMap;

use super::{Dataset, Subset};
use crate::lives::Observations;

/// Columns by name, as text.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Sample {
    columns: BTreeMap<String, Vec<String>>,
    rows: usize,
}

impl Sample {
    /// Reads `data.csv`.
    pub(super) fn read(dataset: &Dataset) -> Result<Self, String> {
        let mut reader = csv::Reader::from_reader(dataset.data.as_bytes());
        let mut told = |error: csv::Error| format!("{}/data.csv: {error}", dataset.id);
        let headings = reader.headers().map_err(&mut told)?.clone();
        let mut sample = Self::default();
        for record in reader.records() {
            let record = record.map_err(&mut told)?;
            for (heading, cell) in headings.iter().zip(record.iter()) {
                let column = sample.columns.entry(heading.to_owned()).or_default();
                column.push(cell.to_owned());
            }
            sample.rows += 1;
        }
        Ok(sample)
    }

    /// A column as text.
    pub(super) fn text(&self, column: &str) -> Result<&[String], String> {
        let found = self.columns.get(column).map(Vec::as_slice);
        found.ok_or_else(|| format!("data.csv has no column `{column}`"))
    }

    /// A column as numbers; an empty cell is `None`.
    pub(super) fn numbers_or_none(&self, column: &str) -> Result<Vec<Option<f64>>, String> {
        let parse = |(row, cell): (usize, &String)| match cell.as_str() {
            "" => Ok(None),
            cell => cell.parse().map(Some).map_err(|_| {
                format!(
                    "data.csv row {}, column `{column}`: `{cell}` is no number",
                    row + 2
                )
            }),
        };
        self.text(column)?.iter().enumerate().map(parse).collect()
    }

    /// A column as numbers.
    pub(super) fn numbers(&self, column: &str) -> Result<Vec<f64>, String> {
        let cells = self.numbers_or_none(column)?;
        let filled = |(row, cell): (usize, Option<f64>)| {
            cell.ok_or_else(|| format!("data.csv row {}: `{column}` is empty", row + 2))
        };
        cells.into_iter().enumerate().map(filled).collect()
    }

    /// Which rows a subset takes.
    pub(super) fn rows_of(&self, subset: &Subset) -> Result<Vec<bool>, String> {
        match (&subset.column, &subset.value) {
            (Some(column), Some(value)) => Ok(self
                .text(column)?
                .iter()
                .map(|cell| cell == value)
                .collect()),
            _ => Ok(vec![true; self.rows]),
        }
    }

    /// The lives of a subset. Other rows are left out, or right-censored where the subset says so.
    pub(super) fn lives(&self, subset: &Subset) -> Result<Observations, String> {
        let taken = self.rows_of(subset)?;
        let keep_others = subset.others.as_deref() == Some("right_censored");
        let status = self.text("status")?;
        let has = |name: &str| self.columns.contains_key(name);
        let bound = |name| self.numbers_or_none(if has(name) { name } else { "time" });
        let (lower, upper) = (bound("time_lower")?, bound("time_upper")?);
        let numbers_if_there = |name| {
            if has(name) {
                self.numbers(name)
            } else {
                Ok(Vec::new())
            }
        };
        let (count, entry) = (numbers_if_there("count")?, numbers_if_there("entry")?);
        let mut lives = Observations::default();
        for row in (0..self.rows).filter(|row| taken[*row] || keep_others) {
            let word = if taken[row] {
                status[row].as_str()
            } else {
                "right_censored"
            };
            let missing = || format!("data.csv row {}: a bound is missing for {word}", row + 2);
            let (low, high) = match word {
                "failure" => (lower[row], lower[row]),
                "right_censored" => (lower[row], Some(f64::INFINITY)),
                "left_censored" => (Some(0.0), upper[row]),
                "interval" => (lower[row], upper[row]),
                other => return Err(format!("data.csv row {}: status `{other}`", row + 2)),
            };
            lives.low.push(low.ok_or_else(missing)?);
            lives.high.push(high.ok_or_else(missing)?);
            lives.entry.extend(entry.get(row));
            lives.count.extend(count.get(row));
        }
        Ok(lives)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dataset(data: &str) -> Dataset {
        let json = r#"{"id": "a", "title": "", "source": "", "provenance": "", "method": "",
            "capabilities": [], "notes": "", "recipes": [], "subsets": {}, "expected": []}"#;
        Dataset::from_text("a", json, data).unwrap()
    }

    #[test]
    fn each_status_becomes_its_bounds() {
        let data = "time_lower,time_upper,status,count\n,1,left_censored,4\n1,2,interval,5\n\
                    3,,right_censored,9\n";
        let lives = Sample::read(&dataset(data))
            .unwrap()
            .lives(&Subset::default())
            .unwrap();
        assert_eq!(lives.low, [0.0, 1.0, 3.0]);
        assert_eq!(lives.high, [1.0, 2.0, f64::INFINITY]);
        assert_eq!(lives.count, [4.0, 5.0, 9.0]);
        assert!(lives.entry.is_empty());
    }

    #[test]
    fn another_cause_is_right_censored() {
        let data = "time,status,mode\n5,failure,a\n7,failure,b\n9,right_censored,\n";
        let subset = Subset {
            column: Some("mode".into()),
            value: Some("b".into()),
            others: Some("right_censored".into()),
        };
        let lives = Sample::read(&dataset(data))
            .unwrap()
            .lives(&subset)
            .unwrap();
        assert_eq!(lives.high, [f64::INFINITY, 7.0, f64::INFINITY]);
    }

    #[test]
    fn a_word_that_is_no_status_is_named_with_its_row() {
        let sample = Sample::read(&dataset("time,status\n5,gone\n")).unwrap();
        let error = sample.lives(&Subset::default()).unwrap_err();
        assert!(error.contains("row 2") && error.contains("gone"), "{error}");
    }
}
