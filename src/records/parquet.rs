//! Parquet files → [`TextTable`]; the only place, with the lives file, where data frames are seen.

use std::borrow::Cow;
use std::io::{Cursor, Write};
use std::path::Path;

use polars::prelude::{
    ArrowDataType, Column, DataFrame, DataType, ParquetReader, ParquetWriter, PolarsError,
    SerReader, Series, TimeUnit,
};

use super::RecordsError;
use super::contents;
use super::text::shown;
use super::text_table::{Kind, Rows, TextTable};

/// Largest Parquet file read at once, bytes.
const MAX_FILE: u64 = 2 << 30;
/// Most cells that are read from one file.
const MOST_CELLS: usize = 150_000_000;
const MS_PER_DAY: i64 = 86_400_000;
/// Whole numbers up to this, 2⁵³, are told apart as floating ones.
const EXACT: f64 = 9_007_199_254_740_992.0;
/// Digits of a decimal that a floating number gives back as they were.
const MOST_DIGITS: usize = 15;

/// Reads a Parquet file; its column names become row 1, so that its first record is row 2.
pub(super) fn read(path: &Path, name: &str) -> Result<TextTable, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: name.to_owned(),
        what,
    };
    let ColumnsRead {
        columns,
        not_read,
        mut notes,
    } = columns_read(path).map_err(|error| match error {
        ParquetError::Read(source) => RecordsError::Read {
            path: path.to_owned(),
            source,
        },
        ParquetError::Content(what) => refuse(what),
    })?;
    notes.extend(
        not_read
            .into_iter()
            .map(|what| format!("{name}: {what}; it is left out.")),
    );
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
                    let kind = if column.days { Kind::Date } else { Kind::Text };
                    rows.push_text(values[row].as_deref().unwrap_or_default(), kind);
                }
                ParquetValues::Numbers(values) => {
                    let text = values[row].map_or_else(String::new, |v| v.to_string());
                    rows.push_text(&text, Kind::Number);
                }
            }
        }
        rows.end_row(u32::try_from(row + 2).unwrap_or(u32::MAX));
        if rows.own_bytes() > u32::MAX as usize {
            return Err(refuse(
                "it holds more than 4 GB of text; split it into several files".into(),
            ));
        }
    }
    let mut table = TextTable::new(name, None, rows);
    table.notes = notes;
    Ok(table)
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
    /// The texts are days, written as 2026-03-31.
    pub(crate) days: bool,
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

/// All columns of a Parquet file; one of a kind that is not read is an error.
pub(crate) fn columns(path: &Path) -> Result<Vec<ParquetColumn>, ParquetError> {
    let read = columns_read(path)?;
    match read.not_read.first() {
        None => Ok(read.columns),
        Some(column) => Err(ParquetError::Content(column.clone())),
    }
}

/// The columns of a Parquet file.
struct ColumnsRead {
    columns: Vec<ParquetColumn>,
    /// Sentences about columns of a kind that is not read.
    not_read: Vec<String>,
    notes: Vec<String>,
}

fn columns_read(path: &Path) -> Result<ColumnsRead, ParquetError> {
    let bytes = contents::read(path, "", MAX_FILE).map_err(|error| match error {
        RecordsError::Read { source, .. } => ParquetError::Read(source),
        RecordsError::Table { what, .. } => ParquetError::Content(what),
        other => ParquetError::Content(other.to_string()),
    })?;
    let unreadable = |error: PolarsError| {
        ParquetError::Content(format!(
            "it cannot be read as Parquet: {}",
            shown(&error.to_string())
        ))
    };
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let schema = reader.schema().map_err(unreadable)?;
    let mut read = ColumnsRead {
        columns: Vec::new(),
        not_read: Vec::new(),
        notes: Vec::new(),
    };
    let mut wanted = Vec::new();
    for (at, field) in schema.iter_values().enumerate() {
        if is_read(&field.dtype) {
            wanted.push(at);
        } else {
            read.not_read.push(format!(
                "column \"{}\" is of a kind that is not read ({}); allowed are text, days and times, whole, decimal and floating numbers",
                shown(&field.name),
                shown(&format!("{:?}", field.dtype))
            ));
        }
    }
    let rows = reader.num_rows().map_err(unreadable)?;
    if rows.saturating_mul(wanted.len().max(1)) > MOST_CELLS {
        return Err(ParquetError::Content(format!(
            "{rows} rows of {} columns are more than is read at once; split it into several files",
            wanted.len()
        )));
    }
    if wanted.is_empty() {
        return Ok(read);
    }
    let frame = reader
        .with_projection(Some(wanted))
        .finish()
        .map_err(unreadable)?;
    for column in frame.columns() {
        let name = column.name().to_string();
        let kind = column.dtype().clone();
        let (values, days) = values(column.as_materialized_series()).map_err(unreadable)?;
        if let DataType::Datetime(_, Some(zone)) = &kind {
            read.notes.push(format!(
                "Times of column \"{}\" are kept with the time zone {}; their days are taken in UTC.",
                shown(&name),
                shown(&zone.to_string())
            ));
        }
        read.columns.push(ParquetColumn { name, values, days });
    }
    Ok(read)
}

/// Kinds that [`values`] takes apart.
fn is_read(kind: &ArrowDataType) -> bool {
    match kind {
        ArrowDataType::Null
        | ArrowDataType::Boolean
        | ArrowDataType::Int8
        | ArrowDataType::Int16
        | ArrowDataType::Int32
        | ArrowDataType::Int64
        | ArrowDataType::UInt8
        | ArrowDataType::UInt16
        | ArrowDataType::UInt32
        | ArrowDataType::UInt64
        | ArrowDataType::Float32
        | ArrowDataType::Float64
        | ArrowDataType::Decimal(..)
        | ArrowDataType::Date32
        | ArrowDataType::Timestamp(..)
        | ArrowDataType::Utf8
        | ArrowDataType::LargeUtf8
        | ArrowDataType::Utf8View => true,
        ArrowDataType::Dictionary(_, values, _) => matches!(
            **values,
            ArrowDataType::Utf8 | ArrowDataType::LargeUtf8 | ArrowDataType::Utf8View
        ),
        _ => false,
    }
}

/// Values of a column, and whether they are days.
fn values(series: &Series) -> Result<(ParquetValues, bool), PolarsError> {
    let a_day = |per_day: i64| {
        let physical = series.to_physical_repr().cast(&DataType::Int64)?;
        let days = physical
            .i64()?
            .iter()
            .map(|stamp| day(stamp?.div_euclid(per_day)));
        Ok((ParquetValues::Texts(days.collect()), true))
    };
    match series.dtype() {
        DataType::Null => Ok((ParquetValues::Texts(vec![None; series.len()]), false)),
        DataType::Date => a_day(1),
        DataType::Datetime(unit, _) => a_day(match unit {
            TimeUnit::Milliseconds => MS_PER_DAY,
            TimeUnit::Microseconds => MS_PER_DAY * 1_000,
            TimeUnit::Nanoseconds => MS_PER_DAY * 1_000_000,
        }),
        DataType::Float32 | DataType::Float64 | DataType::Boolean => numbers(series),
        DataType::Decimal(..) => decimals(series),
        kind if kind.is_integer() => {
            let (values, days) = numbers(series)?;
            match &values {
                // Longer ones are names more often than numbers: none may turn into another.
                ParquetValues::Numbers(all) if all.iter().flatten().any(|v| v.abs() >= EXACT) => {
                    texts(series)
                }
                _ => Ok((values, days)),
            }
        }
        _ => texts(series),
    }
}

/// As numbers where none has more digits than a floating one keeps, else as text; without the zeros that only
/// say how many places the column has.
fn decimals(series: &Series) -> Result<(ParquetValues, bool), PolarsError> {
    let (ParquetValues::Texts(mut values), days) = texts(series)? else {
        return numbers(series);
    };
    for value in values.iter_mut().flatten() {
        if value.contains('.') {
            let kept = value.trim_end_matches('0').trim_end_matches('.').len();
            value.truncate(kept);
        }
    }
    let digits = |value: &String| value.bytes().filter(u8::is_ascii_digit).count();
    if values.iter().flatten().any(|v| digits(v) > MOST_DIGITS) {
        return Ok((ParquetValues::Texts(values), days));
    }
    let numbers = values.iter().map(|v| v.as_ref()?.parse().ok()).collect();
    Ok((ParquetValues::Numbers(numbers), days))
}

fn numbers(series: &Series) -> Result<(ParquetValues, bool), PolarsError> {
    let numbers = series.cast(&DataType::Float64)?;
    let numbers = numbers.f64()?.iter().collect();
    Ok((ParquetValues::Numbers(numbers), false))
}

fn texts(series: &Series) -> Result<(ParquetValues, bool), PolarsError> {
    let texts = series.cast(&DataType::String)?;
    let texts = texts.str()?;
    let bytes: usize = texts.iter().flatten().map(str::len).sum();
    if bytes > u32::MAX as usize {
        return Err(PolarsError::ComputeError(
            "a column holds more than 4 GB of text; split the file".into(),
        ));
    }
    let texts = texts.iter().map(|t| t.map(str::to_owned)).collect();
    Ok((ParquetValues::Texts(texts), false))
}

/// The day so many days after the first of 1970.
fn day(since_1970: i64) -> Option<String> {
    let day = jiff::civil::date(1970, 1, 1)
        .checked_add(jiff::Span::new().try_days(since_1970).ok()?)
        .ok()?;
    Some(day.to_string())
}

/// Cells of a column that is written, some rows at a time; `None` for null.
pub(crate) enum WrittenCells {
    Texts(Vec<Option<Cow<'static, str>>>),
    Numbers(Vec<Option<f64>>),
}

/// A column by its name.
pub(crate) type WrittenColumn = (String, WrittenCells);

/// Writes columns as a Parquet file: the first rows, and the rest with the same columns, each of them together.
pub(crate) fn write(
    into: impl Write,
    first: Vec<WrittenColumn>,
    rest: impl Iterator<Item = Vec<WrittenColumn>>,
) -> std::io::Result<()> {
    let told = |error: PolarsError| std::io::Error::other(shown(&error.to_string()));
    let frame = |columns: Vec<WrittenColumn>| {
        let column = |(name, cells): WrittenColumn| match cells {
            WrittenCells::Texts(cells) => Column::new(name.into(), cells),
            WrittenCells::Numbers(cells) => Column::new(name.into(), cells),
        };
        DataFrame::new_infer_height(columns.into_iter().map(column).collect())
    };
    let first = frame(first).map_err(told)?;
    let writer = ParquetWriter::new(into).batched(first.schema());
    let mut writer = writer.map_err(told)?;
    writer.write_batch(&first).map_err(told)?;
    drop(first);
    for columns in rest {
        let some = frame(columns).map_err(told)?;
        writer.write_batch(&some).map_err(told)?;
    }
    writer.finish().map_err(told)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        let some = |part: &'static str, hours| {
            let cells = [
                WrittenCells::Texts(vec![Some(part.into()), None]),
                WrittenCells::Numbers(vec![None, hours]),
            ];
            ["part", "hours"]
                .map(str::to_owned)
                .into_iter()
                .zip(cells)
                .collect()
        };
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.parquet");
        let file = std::fs::File::create(&path).unwrap();
        let rest = [some("roller", None), some("ring", Some(7.0))];
        write(file, some("belt", Some(12.5)), rest.into_iter()).unwrap();
        let columns = columns(&path).unwrap();
        let texts = [Some("belt"), None, Some("roller"), None, Some("ring"), None];
        let texts = texts.map(|t| t.map(str::to_owned)).to_vec();
        assert_eq!(columns[0].values, ParquetValues::Texts(texts));
        let hours = vec![None, Some(12.5), None, None, None, Some(7.0)];
        assert_eq!(columns[1].values, ParquetValues::Numbers(hours));
        let table = read(&path, "a.parquet").unwrap();
        assert_eq!(
            (table.cell(0, 1), table.cell(2, 1), table.kind(2, 1)),
            ("hours", "12.5", Kind::Number)
        );
        assert_eq!(table.number(2), 3);
    }

    /// Files of another writer (pyarrow 26): decimals as bytes and as whole numbers; long numbers stay what they
    /// were.
    #[test]
    fn decimals_and_long_numbers_keep_their_digits() {
        let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/records/parquet");
        for name in ["decimals.parquet", "decimals_as_integers.parquet"] {
            let table = read(&dir.join(name), name).unwrap();
            assert!(table.notes.is_empty(), "{:?}", table.notes);
            let columns: Vec<&str> = (0..table.width(0)).map(|c| table.cell(0, c)).collect();
            let of = |name: &str| -> Vec<&str> {
                let column = columns.iter().position(|c| *c == name).unwrap();
                (1..4).map(|row| table.cell(row, column)).collect()
            };
            assert_eq!(of("hours"), ["1234.5", "", "0.05"]);
            assert_eq!(of("small"), ["1.5", "-2.5", ""]);
            assert_eq!(of("serial"), ["20231115000012345", "20231115000012346", ""]);
            if columns.contains(&"order") {
                assert_eq!(of("order"), ["90071992547409931234", "", "7"]);
                // Of eighteen places: divided as floating numbers these are 2363.0000000000005, 1180.8999999999999.
                assert_eq!(of("places"), ["2363", "", "1180.9"]);
            }
        }
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
