//! Some rows of a table of lives.

use super::{ColumnValues, LivesTable, NamedColumn, Observations};

impl Observations {
    /// The given rows, in that order, without lives whose positions are not told.
    #[must_use]
    pub fn rows(&self, rows: &[usize]) -> Self {
        let take = |column: &[f64]| {
            if column.is_empty() {
                Vec::new()
            } else {
                rows.iter().map(|&i| column[i]).collect()
            }
        };
        Self {
            low: take(&self.low),
            high: take(&self.high),
            entry: take(&self.entry),
            count: take(&self.count),
            unplaced: Vec::new(),
        }
    }
}

impl LivesTable {
    /// The given rows, in that order; text columns keep only the levels that are left.
    #[must_use]
    pub fn rows(&self, rows: &[usize]) -> Self {
        let columns = self
            .columns
            .iter()
            .map(|column| NamedColumn {
                name: column.name.clone(),
                values: match &column.values {
                    ColumnValues::Numbers(values) => {
                        ColumnValues::Numbers(rows.iter().map(|&i| values[i]).collect())
                    }
                    ColumnValues::Text { levels, codes } => ColumnValues::from_texts(
                        rows.iter()
                            .map(|&i| levels.get(codes[i] as usize).map_or("", String::as_str)),
                    ),
                },
            })
            .collect();
        Self {
            observations: self.observations.rows(rows),
            columns,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_keep_their_order_and_levels_only_what_is_left() {
        let mut table = LivesTable::default();
        for hours in [10.0, 20.0, 30.0] {
            table.observations.push(hours, hours, 0.0, 1.0);
        }
        table.columns = vec![NamedColumn {
            name: "site".to_owned(),
            values: ColumnValues::from_texts(["b", "", "a"]),
        }];
        let some = table.rows(&[1, 0]);
        assert_eq!(some.observations.low, [20.0, 10.0]);
        let ColumnValues::Text { levels, codes } = &some.columns[0].values else {
            panic!("text stays text");
        };
        assert_eq!(levels, &["b"]);
        assert_eq!(codes, &[ColumnValues::EMPTY, 0]);
    }
}
