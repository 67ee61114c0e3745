//! Reading a lives file (CSV or Parquet), row by row into columns.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use csv::ByteRecord;

use super::table::Interner;
use super::{ColumnValues, LivesFileError, LivesTable, NamedColumn};
use crate::records::parquet::{self, ParquetColumn, ParquetError, ParquetValues};
use crate::records::text::shown;

/// Largest file row in bytes; a longer one is no lives file.
const MAX_ROW: usize = 1 << 20;

/// Columns that are always text, whatever they hold: names are not quantities.
const NAMES: [&str; 5] = ["part", "machine", "position", "serial", "id"];

/// Which file column holds what.
#[derive(Debug, Default)]
pub(super) struct Layout {
    pub(super) hours: Option<usize>,
    pub(super) outcome: Option<usize>,
    pub(super) low: Option<usize>,
    pub(super) high: Option<usize>,
    pub(super) entry: Option<usize>,
    pub(super) count: Option<usize>,
    pub(super) others: Vec<usize>,
    pub(super) headings: Vec<String>,
}

impl Layout {
    /// Finds the columns by heading; any case, surrounding blanks ignored. Columns without a
    /// heading (row numbers that R and pandas write) are left out.
    pub(super) fn of(headings: Vec<String>, path: &Path) -> Result<Self, LivesFileError> {
        let shape = |what: String| LivesFileError::Shape {
            path: path.to_owned(),
            what,
        };
        let mut layout = Self::default();
        for (index, heading) in headings.iter().enumerate() {
            if heading.is_empty() {
                continue;
            }
            if headings[..index]
                .iter()
                .any(|h| h.eq_ignore_ascii_case(heading))
            {
                return Err(shape(format!(
                    "two columns are headed \"{}\"; give each its own heading",
                    shown(heading)
                )));
            }
            let slot = match heading.to_ascii_lowercase().as_str() {
                "hours" => &mut layout.hours,
                "outcome" => &mut layout.outcome,
                "low" => &mut layout.low,
                "high" => &mut layout.high,
                "entry" => &mut layout.entry,
                "count" => &mut layout.count,
                _ => {
                    layout.others.push(index);
                    continue;
                }
            };
            *slot = Some(index);
        }
        let bounds = layout.low.is_some() && layout.high.is_some();
        let plain = layout.hours.is_some() && layout.outcome.is_some();
        if !bounds && !plain {
            let there: Vec<String> = headings
                .iter()
                .take(12)
                .map(|h| format!("\"{}\"", shown(h)))
                .collect();
            return Err(shape(format!(
                "a lives file needs the columns hours and outcome, or low and high; the first row has {}",
                if there.is_empty() {
                    "nothing".to_owned()
                } else {
                    there.join(", ")
                }
            )));
        }
        if !bounds && (layout.low.is_some() || layout.high.is_some()) {
            return Err(shape(
                "low and high come together; one of them is missing".into(),
            ));
        }
        if bounds && layout.outcome.is_some() && layout.hours.is_none() {
            // Bounds say it all; the outcome is then a column like any other.
            layout.others.extend(layout.outcome.take());
            layout.others.sort_unstable();
        }
        layout.headings = headings;
        Ok(layout)
    }
}

/// One row's cells by file column, whatever the file was.
pub(super) trait Cells {
    /// The text of a cell without surrounding blanks; empty when there is none.
    fn text(&self, column: usize) -> Result<&str, std::str::Utf8Error>;
}

impl Cells for ByteRecord {
    fn text(&self, column: usize) -> Result<&str, std::str::Utf8Error> {
        std::str::from_utf8(self.get(column).unwrap_or_default()).map(str::trim)
    }
}

/// Reads rows into columns and checks each value where it stands.
pub(super) struct RowReader<'a> {
    path: &'a Path,
    layout: &'a Layout,
    row: u64,
}

impl<'a> RowReader<'a> {
    pub(super) fn new(path: &'a Path, layout: &'a Layout) -> Self {
        Self {
            path,
            layout,
            row: 1,
        }
    }

    /// Checks one row and adds it.
    pub(super) fn push(
        &mut self,
        cells: &impl Cells,
        row: u64,
        table: &mut LivesTable,
    ) -> Result<(), LivesFileError> {
        self.row = row;
        let layout = self.layout;
        let (mut low, mut high, bounds_at) =
            if let (Some(low_at), Some(high_at)) = (layout.low, layout.high) {
                let (low, high) = self.bounds(cells, low_at, high_at)?;
                if let (Some(hours_at), Some(outcome_at)) = (layout.hours, layout.outcome) {
                    self.must_agree(cells, hours_at, outcome_at, low, high)?;
                }
                (low, high, if high.is_finite() { high_at } else { low_at })
            } else {
                let hours_at = layout.hours.unwrap_or_default();
                let hours = self.positive(cells, hours_at)?;
                let worn = self.worn(cells, layout.outcome.unwrap_or_default())?;
                (hours, if worn { hours } else { f64::INFINITY }, hours_at)
            };
        let entry = self.entry(cells)?;
        let end = if high.is_finite() { high } else { low };
        if entry >= end {
            let column = layout.entry.unwrap_or(bounds_at);
            return Err(self.value(
                column,
                &format!("{entry}, with the life ending at {end}"),
                "an age before the end of the life",
            ));
        }
        // It was still good at entry, so an interval cannot reach back before that.
        if low < entry {
            low = entry;
        }
        if low > high {
            high = low;
        }
        let count = self.count(cells)?;
        table.observations.push(low, high, entry, count);
        Ok(())
    }

    fn bounds(
        &self,
        cells: &impl Cells,
        low_at: usize,
        high_at: usize,
    ) -> Result<(f64, f64), LivesFileError> {
        let low = self
            .number(cells, low_at, "hours ≥ 0, or empty for left-censored")?
            .unwrap_or(0.0);
        if low < 0.0 {
            return Err(self.value(
                low_at,
                &low.to_string(),
                "hours ≥ 0, or empty for left-censored",
            ));
        }
        let Some(high) = self.number(cells, high_at, "hours > 0, or empty for right-censored")?
        else {
            if low == 0.0 {
                return Err(self.value(
                    low_at,
                    "no hours in low or high",
                    "a bound above 0 in at least one of them",
                ));
            }
            return Ok((low, f64::INFINITY));
        };
        if high <= 0.0 {
            return Err(self.value(
                high_at,
                &high.to_string(),
                "hours > 0, or empty for right-censored",
            ));
        }
        if low > high {
            return Err(self.value(high_at, &format!("{high}, below low = {low}"), "high ≥ low"));
        }
        Ok((low.abs(), high))
    }

    /// A file with both forms must say the same in both.
    fn must_agree(
        &self,
        cells: &impl Cells,
        hours_at: usize,
        outcome_at: usize,
        low: f64,
        high: f64,
    ) -> Result<(), LivesFileError> {
        let worn = self.worn(cells, outcome_at)?;
        if worn != high.is_finite() {
            let found = self.text(cells, outcome_at)?.to_owned();
            return Err(self.value(
                outcome_at,
                &quoted(&found),
                "worn where high has hours, else unworn or running",
            ));
        }
        let exact = if worn { low == high } else { true };
        let hours = self.number(
            cells,
            hours_at,
            "the same hours as low, or empty where low and high differ",
        )?;
        match hours {
            Some(hours) if !exact || hours != low => Err(self.value(
                hours_at,
                &hours.to_string(),
                "the same hours as low, or empty where low and high differ",
            )),
            _ => Ok(()),
        }
    }

    fn entry(&self, cells: &impl Cells) -> Result<f64, LivesFileError> {
        let Some(at) = self.layout.entry else {
            return Ok(0.0);
        };
        let entry = self
            .number(cells, at, "an age ≥ 0 in hours, or empty")?
            .unwrap_or(0.0);
        if entry < 0.0 {
            return Err(self.value(at, &entry.to_string(), "an age ≥ 0 in hours, or empty"));
        }
        Ok(entry.abs())
    }

    fn count(&self, cells: &impl Cells) -> Result<f64, LivesFileError> {
        const ALLOWED: &str = "a whole number from 1 to 4294967295, or empty for 1";
        let Some(at) = self.layout.count else {
            return Ok(1.0);
        };
        let count = self.number(cells, at, ALLOWED)?.unwrap_or(1.0);
        if count < 1.0 || count.fract() != 0.0 || count > f64::from(u32::MAX) {
            return Err(self.value(at, &count.to_string(), ALLOWED));
        }
        Ok(count)
    }

    fn worn(&self, cells: &impl Cells, at: usize) -> Result<bool, LivesFileError> {
        let text = self.text(cells, at)?;
        if text.eq_ignore_ascii_case("worn") {
            Ok(true)
        } else if text.eq_ignore_ascii_case("unworn") || text.eq_ignore_ascii_case("running") {
            Ok(false)
        } else {
            Err(self.value(at, &quoted(text), "worn, unworn or running"))
        }
    }

    fn positive(&self, cells: &impl Cells, at: usize) -> Result<f64, LivesFileError> {
        const ALLOWED: &str = "hours > 0, finite";
        match self.number(cells, at, ALLOWED)? {
            Some(hours) if hours > 0.0 => Ok(hours),
            Some(hours) => Err(self.value(at, &hours.to_string(), ALLOWED)),
            None => Err(self.value(at, "nothing", ALLOWED)),
        }
    }

    /// A finite number, or `None` for an empty cell.
    fn number(
        &self,
        cells: &impl Cells,
        at: usize,
        allowed: &'static str,
    ) -> Result<Option<f64>, LivesFileError> {
        let text = self.text(cells, at)?;
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(Some(number)),
            _ => Err(self.value(at, &quoted(text), allowed)),
        }
    }

    fn text<'c>(&self, cells: &'c impl Cells, at: usize) -> Result<&'c str, LivesFileError> {
        cells
            .text(at)
            .map_err(|_| self.value(at, "bytes that are no UTF-8", "text in UTF-8"))
    }

    fn value(&self, column: usize, found: &str, allowed: &'static str) -> LivesFileError {
        LivesFileError::Value {
            path: self.path.to_owned(),
            row: self.row,
            column: shown(self.layout.headings.get(column).map_or("", String::as_str)),
            found: found.to_owned(),
            allowed,
        }
    }
}

/// A further column while it streams by: a number column until a cell says otherwise.
enum Gathering {
    /// Only empty cells so far.
    Empty(usize),
    Numbers(Vec<f64>),
    Text(Interner),
    /// Numbers first, then text: to be read again as text.
    Again,
}

impl Gathering {
    fn push(&mut self, text: &str) {
        if let Self::Empty(rows) = self {
            if text.is_empty() {
                *rows += 1;
                return;
            }
            *self = match number(text) {
                Some(_) => Self::Numbers(vec![f64::NAN; *rows]),
                None => Self::Text(Interner::after_empty(*rows)),
            };
        }
        match self {
            Self::Numbers(values) if text.is_empty() => values.push(f64::NAN),
            Self::Numbers(values) => match number(text) {
                Some(value) => values.push(value),
                None => *self = Self::Again,
            },
            Self::Text(interner) => interner.push(text),
            Self::Again | Self::Empty(_) => {}
        }
    }

    fn finish(self) -> Option<ColumnValues> {
        match self {
            Self::Empty(rows) => Some(Interner::after_empty(rows).finish()),
            Self::Numbers(values) => Some(ColumnValues::Numbers(values)),
            Self::Text(interner) => Some(interner.finish()),
            Self::Again => None,
        }
    }
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|v: &f64| v.is_finite())
}

fn quoted(text: &str) -> String {
    if text.is_empty() {
        "nothing".to_owned()
    } else {
        format!("\"{}\"", shown(text))
    }
}

impl LivesTable {
    /// Reads a lives file: a header row, then one row a life (see the README for the columns).
    ///
    /// Either `hours` and `outcome`, or `low` and `high`; a file with both must say the same in
    /// both. An interval that reaches back before `entry` starts at `entry`, since the part was
    /// still good then.
    ///
    /// # Errors
    /// A file that cannot be read, has no usable header or no rows, or holds a value that is not
    /// allowed where it stands (named by row and column).
    pub fn read(path: &Path) -> Result<Self, LivesFileError> {
        if path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("parquet"))
        {
            read_parquet(path)
        } else {
            read_csv(path)
        }
    }
}

fn read_csv(path: &Path) -> Result<LivesTable, LivesFileError> {
    let mut reader = open(path)?;
    let headings = headings(&mut reader, path)?;
    let layout = Layout::of(headings, path)?;
    let mut table = LivesTable::default();
    let mut gathering: Vec<Gathering> = layout
        .others
        .iter()
        .map(|&at| {
            if NAMES
                .iter()
                .any(|n| layout.headings[at].eq_ignore_ascii_case(n))
            {
                Gathering::Text(Interner::default())
            } else {
                Gathering::Empty(0)
            }
        })
        .collect();
    let mut rows = RowReader::new(path, &layout);
    each_row(&mut reader, path, |record, row| {
        rows.push(record, row, &mut table)?;
        for (&at, column) in layout.others.iter().zip(&mut gathering) {
            column.push(rows.text(record, at)?);
        }
        Ok(())
    })?;
    if table.observations.is_empty() {
        return Err(LivesFileError::Shape {
            path: path.to_owned(),
            what: "it has a header and no lives below it".into(),
        });
    }
    let mut columns: Vec<Option<ColumnValues>> =
        gathering.into_iter().map(Gathering::finish).collect();
    if columns.iter().any(Option::is_none) {
        read_mixed_again(path, &layout, &mut columns)?;
    }
    table.columns = layout
        .others
        .iter()
        .zip(columns)
        .filter_map(|(&at, values)| {
            values.map(|values| NamedColumn {
                name: layout.headings[at].clone(),
                values,
            })
        })
        .collect();
    Ok(table)
}

/// One row of columns that are all in memory.
struct ColumnsRow<'a> {
    columns: &'a [Vec<String>],
    row: usize,
}

impl Cells for ColumnsRow<'_> {
    fn text(&self, column: usize) -> Result<&str, std::str::Utf8Error> {
        Ok(self
            .columns
            .get(column)
            .and_then(|c| c.get(self.row))
            .map_or("", |t| t.trim()))
    }
}

fn read_parquet(path: &Path) -> Result<LivesTable, LivesFileError> {
    let columns = parquet::columns(path).map_err(|error| match error {
        ParquetError::Read(source) => LivesFileError::Read {
            path: path.to_owned(),
            source,
        },
        ParquetError::Content(what) => LivesFileError::Shape {
            path: path.to_owned(),
            what,
        },
    })?;
    let layout = Layout::of(columns.iter().map(|c| c.name.clone()).collect(), path)?;
    let texts: Vec<Vec<String>> = columns.into_iter().map(texts_of).collect();
    let mut table = LivesTable::default();
    let mut rows = RowReader::new(path, &layout);
    for row in 0..texts.first().map_or(0, Vec::len) {
        rows.push(
            &ColumnsRow {
                columns: &texts,
                row,
            },
            row as u64 + 2,
            &mut table,
        )?;
    }
    if table.observations.is_empty() {
        return Err(LivesFileError::Shape {
            path: path.to_owned(),
            what: "it has columns and no lives in them".into(),
        });
    }
    for &at in &layout.others {
        let name = layout.headings[at].clone();
        let is_name = NAMES.iter().any(|n| name.eq_ignore_ascii_case(n));
        let mut gathering = if is_name {
            Gathering::Text(Interner::default())
        } else {
            Gathering::Empty(0)
        };
        texts[at]
            .iter()
            .for_each(|text| gathering.push(text.trim()));
        let values = gathering
            .finish()
            .unwrap_or_else(|| ColumnValues::from_texts(texts[at].iter().map(|t| t.trim())));
        table.columns.push(NamedColumn { name, values });
    }
    Ok(table)
}

/// Every value as text, numbers with all their digits.
fn texts_of(column: ParquetColumn) -> Vec<String> {
    match column.values {
        ParquetValues::Texts(values) => values.into_iter().map(Option::unwrap_or_default).collect(),
        ParquetValues::Numbers(values) => values
            .into_iter()
            .map(|v| v.map_or_else(String::new, |v| v.to_string()))
            .collect(),
    }
}

/// Columns that began as numbers and turned out to be text are read once more, as text.
fn read_mixed_again(
    path: &Path,
    layout: &Layout,
    columns: &mut [Option<ColumnValues>],
) -> Result<(), LivesFileError> {
    let mut reader = open(path)?;
    headings(&mut reader, path)?;
    let mut interners: Vec<(usize, usize, Interner)> = columns
        .iter()
        .enumerate()
        .filter(|(_, values)| values.is_none())
        .map(|(slot, _)| (slot, layout.others[slot], Interner::default()))
        .collect();
    let rows = RowReader::new(path, layout);
    each_row(&mut reader, path, |record, _| {
        for (_, at, interner) in &mut interners {
            interner.push(rows.text(record, *at)?);
        }
        Ok(())
    })?;
    for (slot, _, interner) in interners {
        columns[slot] = Some(interner.finish());
    }
    Ok(())
}

fn open(path: &Path) -> Result<csv::Reader<LineLimited<File>>, LivesFileError> {
    let file = File::open(path).map_err(|source| LivesFileError::Read {
        path: path.to_owned(),
        source,
    })?;
    Ok(csv::ReaderBuilder::new()
        .has_headers(false)
        .buffer_capacity(1 << 16)
        .from_reader(LineLimited::new(file)))
}

fn headings(
    reader: &mut csv::Reader<impl Read>,
    path: &Path,
) -> Result<Vec<String>, LivesFileError> {
    let mut record = ByteRecord::new();
    reader
        .read_byte_record(&mut record)
        .map_err(|e| wrap(e, path))?;
    let mut headings = Vec::with_capacity(record.len());
    for (index, field) in record.iter().enumerate() {
        let field = if index == 0 {
            field.strip_prefix(b"\xef\xbb\xbf").unwrap_or(field)
        } else {
            field
        };
        let text = std::str::from_utf8(field).map_err(|_| LivesFileError::Shape {
            path: path.to_owned(),
            what: "the header row is no UTF-8 text".into(),
        })?;
        headings.push(text.trim().trim_matches('"').to_owned());
    }
    Ok(headings)
}

fn each_row(
    reader: &mut csv::Reader<impl Read>,
    path: &Path,
    mut take: impl FnMut(&ByteRecord, u64) -> Result<(), LivesFileError>,
) -> Result<(), LivesFileError> {
    let mut record = ByteRecord::new();
    let mut row = 1;
    while reader
        .read_byte_record(&mut record)
        .map_err(|e| wrap(e, path))?
    {
        row += 1;
        take(&record, row)?;
    }
    Ok(())
}

fn wrap(error: csv::Error, path: &Path) -> LivesFileError {
    let path = path.to_owned();
    let text = error.to_string();
    match error.into_kind() {
        csv::ErrorKind::Io(source) => LivesFileError::Read { path, source },
        csv::ErrorKind::UnequalLengths {
            pos,
            expected_len,
            len,
        } => LivesFileError::Shape {
            path,
            what: format!(
                "row {} has {len} cells where the header has {expected_len}",
                pos.map_or(0, |p| p.record() + 1)
            ),
        },
        _ => LivesFileError::Shape { path, what: text },
    }
}

/// Passes bytes on, and refuses a line that never ends before memory does.
struct LineLimited<R> {
    inner: R,
    since_newline: usize,
}

impl<R> LineLimited<R> {
    fn new(inner: R) -> Self {
        Self {
            inner,
            since_newline: 0,
        }
    }
}

impl<R: Read> Read for LineLimited<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(buffer)?;
        match buffer[..read].iter().rposition(|&b| b == b'\n') {
            Some(at) => self.since_newline = read - at,
            None => self.since_newline += read,
        }
        if self.since_newline > MAX_ROW {
            return Err(std::io::Error::new(
                std::io::ErrorKind::InvalidData,
                "a line longer than 1 MB; this is no lives file",
            ));
        }
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<LivesTable, LivesFileError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("lives.csv");
        std::fs::write(&path, text).unwrap();
        LivesTable::read(&path)
    }

    fn refused(text: &str) -> String {
        read(text).unwrap_err().to_string()
    }

    #[test]
    fn hours_and_outcome() {
        let table =
            read("part,hours,outcome,count\nbelt,10.5,worn,\nbelt,20,unworn,3\nbelt,7,Running,1\n")
                .unwrap();
        assert_eq!(table.observations.low, [10.5, 20.0, 7.0]);
        assert_eq!(
            table.observations.high,
            [10.5, f64::INFINITY, f64::INFINITY]
        );
        assert_eq!(table.observations.count, [1.0, 3.0, 1.0]);
        assert!(table.observations.entry.is_empty());
        assert_eq!(table.columns.len(), 1);
        assert_eq!(
            table.columns[0].values,
            ColumnValues::from_texts(["belt", "belt", "belt"])
        );
    }

    #[test]
    fn bounds_say_exact_right_left_and_interval() {
        let table = read("low,high,entry\n5,5,1\n6,,\n,7,\n0,8,\n2,9,3\n").unwrap();
        let inf = f64::INFINITY;
        // The last was still good at 3, so the interval starts there.
        assert_eq!(table.observations.low, [5.0, 6.0, 0.0, 0.0, 3.0]);
        assert_eq!(table.observations.high, [5.0, inf, 7.0, 8.0, 9.0]);
        assert_eq!(table.observations.entry, [1.0, 0.0, 0.0, 0.0, 3.0]);
    }

    #[test]
    fn both_forms_must_agree() {
        let table = read("hours,outcome,low,high\n5,worn,5,5\n6,running,6,\n,worn,2,4\n").unwrap();
        assert_eq!(table.observations.low, [5.0, 6.0, 2.0]);
        assert!(refused("hours,outcome,low,high\n5,worn,5,6\n").contains("column \"hours\""));
        assert!(refused("hours,outcome,low,high\n5,worn,5,\n").contains("column \"outcome\""));
    }

    #[test]
    fn columns_are_numbers_only_when_every_value_is_one() {
        let table =
            read("hours,outcome,x,y,z,part\n1,worn,1,1,,7\n2,worn,,a,,8\n3,worn,2.5,1,,7\n")
                .unwrap();
        match &table.column("x").unwrap().values {
            ColumnValues::Numbers(v) => assert!(v[0] == 1.0 && v[1].is_nan() && v[2] == 2.5),
            other @ ColumnValues::Text { .. } => panic!("{other:?}"),
        }
        assert_eq!(
            table.column("y").unwrap().values,
            ColumnValues::from_texts(["1", "a", "1"])
        );
        assert_eq!(
            table.column("z").unwrap().values,
            ColumnValues::from_texts(["", "", ""])
        );
        assert_eq!(
            table.column("part").unwrap().values,
            ColumnValues::from_texts(["7", "8", "7"])
        );
    }

    #[test]
    fn codes_follow_sorted_levels() {
        let ColumnValues::Text { levels, codes } = ColumnValues::from_texts(["b", "", "a", "b"])
        else {
            panic!("text expected")
        };
        assert_eq!(levels, ["a", "b"]);
        assert_eq!(codes, [1, ColumnValues::EMPTY, 0, 1]);
    }

    #[test]
    fn each_error_names_row_column_value_and_what_is_allowed() {
        for (text, parts) in [
            (
                "hours,outcome\n1,worn\nNaN,worn\n",
                ["row 3", "\"hours\"", "NaN", "finite"],
            ),
            (
                "hours,outcome\ninf,worn\n",
                ["row 2", "\"hours\"", "inf", "finite"],
            ),
            (
                "hours,outcome\n0,worn\n",
                ["row 2", "\"hours\"", "0", "> 0"],
            ),
            (
                "hours,outcome\n-3,worn\n",
                ["row 2", "\"hours\"", "-3", "> 0"],
            ),
            (
                "hours,outcome\n,worn\n",
                ["row 2", "\"hours\"", "nothing", "> 0"],
            ),
            (
                "hours,outcome\n1,broken\n",
                ["row 2", "\"outcome\"", "broken", "worn, unworn or running"],
            ),
            (
                "hours,outcome,entry\n5,worn,5\n",
                ["row 2", "\"entry\"", "5", "before the end"],
            ),
            (
                "hours,outcome,entry\n5,running,-1\n",
                ["row 2", "\"entry\"", "-1", "≥ 0"],
            ),
            (
                "hours,outcome,count\n5,running,0\n",
                ["row 2", "\"count\"", "0", "whole number"],
            ),
            (
                "hours,outcome,count\n5,running,1.5\n",
                ["row 2", "\"count\"", "1.5", "whole number"],
            ),
            ("low,high\n5,4\n", ["row 2", "\"high\"", "4", "high ≥ low"]),
            ("low,high\n,\n", ["row 2", "\"low\"", "no hours", "above 0"]),
            ("low,high\n0,0\n", ["row 2", "\"high\"", "0", "> 0"]),
            (
                "low,high,entry\n0,5,6\n",
                ["row 2", "\"entry\"", "6", "before the end"],
            ),
        ] {
            let message = refused(text);
            for part in parts {
                assert!(message.contains(part), "{text:?}: {message}");
            }
        }
    }

    #[test]
    fn a_file_that_is_no_lives_file_says_what_is_missing() {
        assert!(refused("").contains("hours and outcome, or low and high"));
        assert!(refused("a,b\n1,2\n").contains("\"a\", \"b\""));
        assert!(refused("hours,outcome\n").contains("no lives"));
        assert!(refused("low,hours,outcome\n1,1,worn\n").contains("come together"));
        assert!(refused("hours,outcome,Hours\n1,worn,1\n").contains("two columns"));
        assert!(refused("hours,outcome\n1\n").contains("row 2 has 1 cells"));
    }

    #[test]
    fn a_folder_and_a_missing_file_are_read_errors() {
        let dir = tempfile::tempdir().unwrap();
        assert!(matches!(
            LivesTable::read(dir.path()),
            Err(LivesFileError::Read { .. })
        ));
        assert!(matches!(
            LivesTable::read(&dir.path().join("no.csv")),
            Err(LivesFileError::Read { .. })
        ));
    }

    #[test]
    fn a_byte_order_mark_and_unnamed_row_numbers_do_no_harm() {
        let table = read("\u{feff}\"\",\"hours\",\"outcome\"\r\n\"1\",5,\"worn\"\r\n").unwrap();
        assert_eq!(table.observations.low, [5.0]);
        assert!(table.columns.is_empty());
    }

    #[test]
    fn a_line_without_end_is_refused_before_memory_is_gone() {
        let mut endless = LineLimited::new(std::io::repeat(b'x'));
        let mut sink = Vec::new();
        assert!(endless.read_to_end(&mut sink).is_err());
        assert!(sink.len() <= 2 * MAX_ROW);
    }
}
