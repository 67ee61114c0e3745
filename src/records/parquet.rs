//! Parquet files → [`TextTable`]; the only place, with the lives file, where data frames are seen.

use std::fs::File;
use std::path::Path;

use polars::prelude::{Column, DataFrame, DataType, ParquetReader, ParquetWriter, SerReader};

use super::RecordsError;
use super::text::shown;
use super::text_table::{Kind, Rows, TextTable};

/// Largest Parquet file read at once, bytes.
const MAX_FILE: u64 = 2 << 30;

/// Reads a Parquet file; its column names become row 1, so that its first record is row 2.
pub(super) fn read(path: &Path, name: &str) -> Result<TextTable, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: name.to_owned(),
        what,
    };
    let columns = columns(path).map_err(|error| match error {
        ParquetError::Read(source) => RecordsError::Read {
            path: path.to_owned(),
            source,
        },
        ParquetError::Content(what) => refuse(what),
    })?;
    let mut rows = Rows::default();
    for column in &columns {
        rows.push_text(&column.name, Kind::Text);
    }
    rows.end_row(1);
    let height = columns.first().map_or(0, ParquetColumn::len);
    for row in 0..height {
        for column in &columns {
            match &column.values {
                ParquetValues::Texts(values) => {
                    rows.push_text(values[row].as_deref().unwrap_or_default(), Kind::Text);
                }
                ParquetValues::Numbers(values) => {
                    let text = values[row].map_or_else(String::new, |v| v.to_string());
                    rows.push_text(&text, Kind::Number);
                }
            }
        }
        rows.end_row(u32::try_from(row + 2).unwrap_or(u32::MAX));
    }
    if rows.own_bytes() > u32::MAX as usize {
        return Err(refuse(
            "it holds more than 4 GB of text; split it into several files".into(),
        ));
    }
    Ok(TextTable::new(name, None, rows))
}

/// Values of a column of a Parquet file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum ParquetValues {
    /// Text; `None` for null.
    Texts(Vec<Option<String>>),
    /// Any kind of number, or yes and no as 1 and 0; `None` for null.
    Numbers(Vec<Option<f64>>),
}

/// A column of a Parquet file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ParquetColumn {
    pub(crate) name: String,
    pub(crate) values: ParquetValues,
}

impl ParquetColumn {
    fn len(&self) -> usize {
        match &self.values {
            ParquetValues::Texts(values) => values.len(),
            ParquetValues::Numbers(values) => values.len(),
        }
    }
}

/// Why a Parquet file gives no columns.
#[derive(Debug)]
pub(crate) enum ParquetError {
    Read(std::io::Error),
    Content(String),
}

/// All columns of a Parquet file.
pub(crate) fn columns(path: &Path) -> Result<Vec<ParquetColumn>, ParquetError> {
    let file = File::open(path).map_err(ParquetError::Read)?;
    if file.metadata().map_err(ParquetError::Read)?.len() > MAX_FILE {
        return Err(ParquetError::Content(
            "larger than 2 GB; split it into several files".into(),
        ));
    }
    let frame = ParquetReader::new(file).finish().map_err(|error| {
        ParquetError::Content(format!(
            "it cannot be read as Parquet: {}",
            shown(&error.to_string())
        ))
    })?;
    let mut columns = Vec::with_capacity(frame.width());
    for column in frame.columns() {
        let series = column.as_materialized_series();
        let name = column.name().to_string();
        let unreadable = || {
            ParquetError::Content(format!(
                "column \"{}\" is of the kind {}; allowed are text (days as 2026-03-31) and numbers",
                shown(&name),
                column.dtype()
            ))
        };
        let values = match column.dtype() {
            DataType::String => {
                let texts = series.str().map_err(|_| unreadable())?;
                ParquetValues::Texts(texts.iter().map(|t| t.map(str::to_owned)).collect())
            }
            DataType::Null => ParquetValues::Texts(vec![None; series.len()]),
            kind if kind.is_primitive_numeric() || *kind == DataType::Boolean => {
                let numbers = series.cast(&DataType::Float64).map_err(|_| unreadable())?;
                let numbers = numbers.f64().map_err(|_| unreadable())?;
                ParquetValues::Numbers(numbers.iter().collect())
            }
            _ => return Err(unreadable()),
        };
        columns.push(ParquetColumn { name, values });
    }
    Ok(columns)
}

/// Columns as a Parquet file in memory.
pub(crate) fn written(columns: Vec<ParquetColumn>) -> Result<Vec<u8>, String> {
    let height = columns.first().map_or(0, ParquetColumn::len);
    let columns: Vec<Column> = columns
        .into_iter()
        .map(|column| match column.values {
            ParquetValues::Texts(values) => Column::new(column.name.into(), values),
            ParquetValues::Numbers(values) => Column::new(column.name.into(), values),
        })
        .collect();
    let mut bytes = Vec::new();
    DataFrame::new(height, columns)
        .and_then(|mut frame| ParquetWriter::new(&mut bytes).finish(&mut frame))
        .map_err(|error| shown(&error.to_string()))?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        let columns_in = vec![
            ParquetColumn {
                name: "part".into(),
                values: ParquetValues::Texts(vec![Some("belt".into()), None]),
            },
            ParquetColumn {
                name: "hours".into(),
                values: ParquetValues::Numbers(vec![None, Some(12.5)]),
            },
        ];
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.parquet");
        std::fs::write(&path, written(columns_in.clone()).unwrap()).unwrap();
        assert_eq!(columns(&path).unwrap(), columns_in);
        let table = read(&path, "a.parquet").unwrap();
        assert_eq!(
            (table.cell(0, 1), table.cell(2, 1), table.kind(2, 1)),
            ("hours", "12.5", Kind::Number)
        );
        assert_eq!(table.number(2), 3);
    }

    #[test]
    fn what_is_no_parquet_is_an_error() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.parquet");
        std::fs::write(&path, "part,hours\nbelt,1\n").unwrap();
        assert!(
            read(&path, "a.parquet")
                .unwrap_err()
                .to_string()
                .contains("cannot be read as Parquet")
        );
    }
}
