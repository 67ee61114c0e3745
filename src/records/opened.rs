//! One file entry of `fleet.toml`, opened: its table, its columns, and how its dates and numbers
//! are written.

use std::path::{Component, Path, PathBuf};

use super::columns::{Columns, Wanted};
use super::date_order::{BesideMeter, Impossible};
use super::dates::{self, DateColumn, DateReader, DateVotes, DayMonth};
use super::fleet_file::Source;
use super::numbers::{self, DecimalMark, MarkVotes, is_not_told};
use super::text::{list, quoted, shown};
use super::text_table::{Kind, TextTable};
use super::{FLEET_FILE, Problem, RecordsError, RowRef, delimited, parquet, spreadsheet};
use jiff::civil::Date;
use rayon::prelude::*;

/// Rows that one thread looks at together.
const ROWS_AT_A_TIME: usize = 1 << 14;

/// What the texts of a column of dates and of some of numbers say about how they are written.
struct Votes<'t, const N: usize> {
    dates: DateVotes<'t>,
    marks: [MarkVotes<'t>; N],
}

impl<const N: usize> Default for Votes<'_, N> {
    fn default() -> Self {
        Self {
            dates: DateVotes::default(),
            marks: [MarkVotes::default(); N],
        }
    }
}

impl<const N: usize> Votes<'_, N> {
    /// Counts the votes of further rows in.
    fn and(self, later: Self) -> Self {
        let mut marks = self.marks;
        for (mark, later) in marks.iter_mut().zip(later.marks) {
            *mark = mark.and(later);
        }
        Self {
            dates: self.dates.and(later.dates),
            marks,
        }
    }
}

/// A file entry, opened.
pub(super) struct Opened {
    pub(super) table: TextTable,
    pub(super) columns: Columns,
    source: Source,
}

impl Opened {
    /// Opens the file that an entry names and finds its columns.
    pub(super) fn new(dir: &Path, source: Source, wanted: &[Wanted]) -> Result<Self, RecordsError> {
        let table = table(dir, &source)?;
        let columns = Columns::find(&table, wanted, &source.columns, source.header_row)?;
        Ok(Self {
            table,
            columns,
            source,
        })
    }

    /// What was settled without being told.
    pub(super) fn notes(&self) -> Vec<String> {
        self.table
            .notes
            .iter()
            .chain(&self.columns.note)
            .cloned()
            .collect()
    }

    /// Rows below the headings.
    pub(super) fn rows(&self) -> std::ops::Range<usize> {
        self.columns.data_rows(&self.table)
    }

    /// Text of a key's cell; empty where the file has no such column.
    pub(super) fn text(&self, row: usize, key: &str) -> &str {
        self.columns
            .get(key)
            .map_or("", |column| self.table.cell(row, column))
    }

    /// Settles how a column of dates is written.
    pub(super) fn dates(
        &self,
        key: &str,
        notes: &mut Vec<String>,
    ) -> Result<DateColumn, RecordsError> {
        let votes = self.votes(self.open_dates(key), []).dates;
        self.judge_dates(key, votes, None, notes)
    }

    /// Dates beside a meter, whose order is checked against it; and the decimal marks of the meter
    /// and of further numbers. One look at the rows.

    pub(super) fn dates_beside_meter(
        &self,
        further: &str,
        notes: &mut Vec<String>,
    ) -> Result<(DateColumn, [DecimalMark; 2]), RecordsError> {
        let votes = self.votes(
            self.open_dates("date"),
            ["hours", further].map(|key| self.open_numbers(key)),
        );
        let [hours, second] = votes.marks;
        let mark = self.judge_decimal("hours", hours, notes)?;
        let meter = || {
            let at = BesideMeter {
                date: self.columns.get("date")?,
                machine: self.columns.get("machine")?,
                hours: self.columns.get("hours")?,
                mark,
            };
            Some(Impossible::count(&self.table, self.rows(), &at))
        };
        let dates = self.judge_dates("date", votes.dates, Some(&meter), notes)?;
        Ok((dates, [mark, self.judge_decimal(further, second, notes)?]))
    }

    /// The column of a key whose texts have to settle how its dates are written.
    fn open_dates(&self, key: &str) -> Option<usize> {
        let stated = self.source.dates.is_some();
        self.columns.get(key).filter(|_| !stated)
    }

    /// The column of a key whose texts have to settle its decimal mark.
    fn open_numbers(&self, key: &str) -> Option<usize> {
        let stated = self.source.decimal.is_some();
        self.columns.get(key).filter(|_| !stated)
    }

    /// What the texts of some columns say about how they are written.
    fn votes<const N: usize>(
        &self,
        dates: Option<usize>,
        numbers: [Option<usize>; N],
    ) -> Votes<'_, N> {
        if dates.is_none() && numbers.iter().all(Option::is_none) {
            return Votes::default();
        }
        let rows: Vec<_> = self.rows().step_by(ROWS_AT_A_TIME).collect();
        let end = self.rows().end;
        rows.into_par_iter()
            .map(|from| {
                let mut votes = Votes::default();
                let mut cells = Vec::new();
                for row in from..(from + ROWS_AT_A_TIME).min(end) {
                    self.table.cells(row, &mut cells);
                    let text = |column: usize| {
                        let cell = cells.get(column).copied();
                        cell.filter(|_| self.table.kind(row, column) == Kind::Text)
                    };
                    if let Some(text) = dates.and_then(text) {
                        votes.dates.add(text);
                    }
                    for (votes, column) in votes.marks.iter_mut().zip(numbers) {
                        if let Some(text) = column.and_then(text) {
                            votes.add(text);
                        }
                    }
                }
                votes
            })
            .reduce(Votes::default, Votes::and)
    }

    fn judge_dates(
        &self,
        key: &str,
        votes: DateVotes<'_>,
        meter: Option<&dyn Fn() -> Option<Impossible>>,
        notes: &mut Vec<String>,
    ) -> Result<DateColumn, RecordsError> {
        if let Some(format) = &self.source.dates {
            let sample = jiff::civil::date(2026, 3, 31);
            let read_back = jiff::fmt::strtime::format(format, sample)
                .and_then(|text| jiff::fmt::strtime::parse(format, text))
                .and_then(|parsed| parsed.to_date());
            if read_back.ok() != Some(sample) {
                return Err(self.refuse(format!(
                    "dates = {} does not tell a day, a month and a year of four digits; {}",
                    quoted(format),
                    meant_format(format).map_or_else(
                        || "allowed is a format like \"%d.%m.%Y\"".to_owned(),
                        |meant| format!("did you mean dates = {}?", quoted(&meant))
                    )
                )));
            }
            return Ok(DateColumn::new(DateReader::Format(format.clone())));
        }
        let Some(column) = self.columns.get(key) else {
            return Ok(DateColumn::new(DateReader::Settled(None)));
        };
        let heading = self.columns.heading(key);
        match votes.settle() {
            Ok(reader) => {
                self.half_converted(column, &reader)?;
                if let DateReader::Settled(Some(order)) = &reader {
                    notes.push(format!("Dates in {}, column \"{heading}\", are read {}.", self.table.name(), order.words()));
                    notes.extend(self.against_meter(&heading, *order, votes, meter));
                }
                Ok(DateColumn::new(reader))
            }
            Err(dates::Unsettled::Ambiguous(text)) => {
                let told = meter.and_then(|count| count());
                if let Some(order) = told.and_then(Impossible::order) {
                    let other = told.map_or(0, |t| t.day_first.max(t.month_first));
                    notes.push(format!(
                        "Dates in {}, column \"{heading}\", are read {}: no date tells the order, but read the other way round {other} readings of the \
                         hour meter would run backwards or faster than 24 hours a day, and none does so.",
                        self.table.name(),
                        order.words()
                    ));
                    return Ok(DateColumn::new(DateReader::Settled(Some(order))));
                }
                let readings = dates::both_readings(&text)
                    .map_or_else(String::new, |(day, month)| format!(" {} could be {day} or {month}.", quoted(&text)));
                Err(self.refuse(format!(
                    "column \"{heading}\": no date tells whether the day or the month comes first.{readings} \
                     Say it with dates = \"%d/%m/%Y\" or dates = \"%m/%d/%Y\" (with the marks the file uses)"
                )))
            }
            Err(dates::Unsettled::Mixed { day_first, month_first }) => Err(self.refuse(format!(
                "column \"{heading}\" mixes dates with the day first ({}) and with the month first ({}); \
                 write them one way, or split the file",
                quoted(&day_first),
                quoted(&month_first)
            ))),
        }
    }

    /// What to say where the dates that tell their order and the meter disagree.
    fn against_meter(
        &self,
        heading: &str,
        order: DayMonth,
        votes: DateVotes<'_>,
        meter: Option<&dyn Fn() -> Option<Impossible>>,
    ) -> Option<String> {
        let told = meter.and_then(|count| count())?;
        let meant = told.order().filter(|meant| *meant != order)?;
        Some(format!(
            "The hour meter speaks against that order in {}, column \"{heading}\": read so, {} readings run backwards or faster than 24 hours a \
             day; read {}, none does. Look at {}, which settled the order, and correct it, or state dates = \"…\".",
            self.table.name(),
            told.day_first.max(told.month_first),
            meant.words(),
            quoted(votes.that_settled(order).unwrap_or_default()),
        ))
    }

    /// A day from a cell: as the column's texts are written, or as the spreadsheet keeps it.
    pub(super) fn date(&self, row: usize, key: &str, dates: &mut DateColumn) -> Option<Date> {
        let column = self.columns.get(key)?;
        self.day(
            self.table.cell(row, column),
            self.table.kind(row, column),
            dates,
        )
    }

    /// [`Self::date`] of a cell at hand.
    pub(super) fn day(&self, text: &str, kind: Kind, dates: &mut DateColumn) -> Option<Date> {
        match kind {
            Kind::Date => text.parse().ok().map(|day: Date| {
                if self.source.swapped() {
                    swapped(day).unwrap_or(day)
                } else {
                    day
                }
            }),
            Kind::Number if self.table.is_spreadsheet => dates
                .read(text)
                .or_else(|| spreadsheet::serial_day(text.parse().ok()?, self.table.from_1904)),
            _ => dates.read(text),
        }
    }

    /// A spreadsheet program that reads day-first text in a month-first setting turns the texts it
    /// can into wrong days and leaves the others as text. That cannot be told from the file alone.
    fn half_converted(&self, column: usize, reader: &DateReader) -> Result<(), RecordsError> {
        let DateReader::Settled(Some(order)) = reader else {
            return Ok(());
        };
        if self.source.date_cells.is_some() {
            return Ok(());
        }
        let mut cells: Option<Date> = None;
        let mut text: Option<&str> = None;
        for row in self.rows() {
            let cell = self.table.cell(row, column);
            match self.table.kind(row, column) {
                Kind::Date => {
                    let Ok(day) = cell.parse::<Date>() else {
                        continue;
                    };
                    if day.day() > 12 {
                        return Ok(());
                    }
                    cells = cells.or(Some(day));
                }
                Kind::Text if dates::both_readings(cell).is_some_and(|(a, b)| a != b) => {
                    return Ok(());
                }
                Kind::Text if !cell.is_empty() => text = text.or(Some(cell)),
                _ => {}
            }
        }
        let (Some(day), Some(text)) = (cells, text) else {
            return Ok(());
        };
        let order = order.words();
        Err(self.refuse(format!(
            "column \"{}\": some dates are text, {order} ({}), and every real date cell has a day up to 12 (such as {day}), \
             so a spreadsheet program may have turned day and month around in those. Look at one whose day you know and \
             say date_cells = \"as they stand\" or date_cells = \"day and month swapped\"",
            shown(&self.columns.headings[column]),
            quoted(text)
        )))
    }

    /// Settles the decimal mark of a column of numbers.
    pub(super) fn decimal(
        &self,
        key: &str,
        notes: &mut Vec<String>,
    ) -> Result<DecimalMark, RecordsError> {
        let [votes] = self.votes(None, [self.open_numbers(key)]).marks;
        self.judge_decimal(key, votes, notes)
    }

    fn judge_decimal(
        &self,
        key: &str,
        votes: MarkVotes<'_>,
        notes: &mut Vec<String>,
    ) -> Result<DecimalMark, RecordsError> {
        match self.source.decimal.as_deref() {
            Some(".") => return Ok(DecimalMark::Dot),
            Some(",") => return Ok(DecimalMark::Comma),
            Some(other) => {
                return Err(self.refuse(format!(
                    "decimal = {}, allowed is \".\" or \",\"",
                    quoted(other)
                )));
            }
            None => {}
        }
        let heading = self.columns.heading(key);
        match votes.settle() {
            Ok(mark) => {
                if mark == DecimalMark::Comma {
                    notes.push(format!(
                        "Numbers in {}, column \"{heading}\", are read with a decimal comma.",
                        self.table.name()
                    ));
                }
                Ok(mark)
            }
            Err(numbers::Unsettled::Ambiguous(text)) => {
                let readings = numbers::both_readings(&text)
                    .map_or_else(String::new, |(dot, comma)| format!(" {} could be {dot} or {comma}.", quoted(&text)));
                Err(self.refuse(format!(
                    "column \"{heading}\": no number tells its decimal mark.{readings} Say it with decimal = \".\" or decimal = \",\""
                )))
            }
            Err(numbers::Unsettled::Mixed { dot, comma }) => Err(self.refuse(format!(
                "column \"{heading}\" mixes decimal dots ({}) and decimal commas ({}); write them one way, or split the file",
                quoted(&dot),
                quoted(&comma)
            ))),
        }
    }

    /// A number cell: `Ok(None)` when nothing is told, `Err` when it is no number.
    pub(super) fn number(
        &self,
        row: usize,
        key: &str,
        mark: DecimalMark,
    ) -> Result<Option<f64>, ()> {
        let Some(column) = self.columns.get(key) else {
            return Ok(None);
        };
        number(
            self.table.cell(row, column),
            self.table.kind(row, column),
            mark,
        )
    }

    /// A problem with one cell of a row.
    pub(super) fn problem(
        &self,
        row: usize,
        key: &str,
        code: &str,
        allowed: &str,
        advice: &str,
    ) -> Problem {
        Problem {
            code: code.into(),
            disposition: super::Disposition::SetAside,
            rows: vec![self.table.row_ref(row)],
            column: Some(self.columns.heading(key).into()),
            found: Some(quoted(self.text(row, key)).into()),
            allowed: (!allowed.is_empty()).then(|| allowed.into()),
            advice: advice.into(),
        }
    }

    /// An error about one cell.
    pub(super) fn cell_error(
        &self,
        row: usize,
        key: &str,
        allowed: impl Into<String>,
    ) -> RecordsError {
        RecordsError::Cell {
            row: Box::new(self.table.row_ref(row)),
            column: self.columns.heading(key),
            found: quoted(self.text(row, key)),
            allowed: allowed.into(),
        }
    }

    /// An error about the file as a whole.
    pub(super) fn refuse(&self, what: String) -> RecordsError {
        RecordsError::Table {
            file: self.table.name(),
            what,
        }
    }

    /// Where a row stood.
    pub(super) fn row_ref(&self, row: usize) -> RowRef {
        self.table.row_ref(row)
    }

    /// Cells beyond the last heading, which say that a row is not cut as the others.
    pub(super) fn overflows(&self, row: usize) -> bool {
        (self.columns.headings.len()..self.table.width(row))
            .any(|c| !self.table.cell(row, c).is_empty())
    }
}

/// "d/m/y", "DD.MM.YYYY" and the like, written as a format.
fn meant_format(text: &str) -> Option<String> {
    let mut meant = String::new();
    let mut told = Vec::new();
    for c in text.chars().filter(|c| *c != '%').take(20) {
        let letter = match c.to_ascii_lowercase() {
            // The letters of day, month and year, in German and French too.
            'd' | 't' | 'j' => 'd',
            'm' => 'm',
            'y' | 'a' => 'Y',
            _ => {
                meant.push(c);
                continue;
            }
        };
        if told.last() != Some(&letter) {
            meant.push('%');
            meant.push(letter);
            told.push(letter);
        }
    }
    told.sort_unstable();
    (told == ['Y', 'd', 'm']).then_some(meant)
}

/// A number cell: `Ok(None)` when nothing is told, `Err` when it is no number.
pub(super) fn number(text: &str, kind: Kind, mark: DecimalMark) -> Result<Option<f64>, ()> {
    if is_not_told(text) {
        return Ok(None);
    }
    let mark = if kind == Kind::Number {
        DecimalMark::Dot
    } else {
        mark
    };
    mark.read(text).map(Some).ok_or(())
}

/// Reads the file of an entry, by its ending.
fn table(dir: &Path, source: &Source) -> Result<TextTable, RecordsError> {
    let path = inside(dir, &source.file, source.section)
        .map_err(|error| named_in(error, source.section))?;
    let refuse = |what: String| RecordsError::Table {
        file: shown(&source.file),
        what,
    };
    let delimiter = match source.delimiter.as_deref() {
        None => None,
        Some("tab" | "\t") => Some(b'\t'),
        Some(text)
            if text.len() == 1 && text.is_ascii() && !text.starts_with(['"', '\n', '\r']) =>
        {
            Some(text.as_bytes()[0])
        }
        Some(text) => {
            return Err(refuse(format!(
                "delimiter = {}, allowed is one character such as \",\" or \";\", or \"tab\"",
                quoted(text)
            )));
        }
    };
    read_file(&path, &source.file, source.sheet.as_deref(), delimiter)
}

/// Reads a file of any kind, by its ending.
pub(super) fn read_file(
    path: &Path,
    name: &str,
    sheet: Option<&str>,
    delimiter: Option<u8>,
) -> Result<TextTable, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: shown(name),
        what,
    };
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    match ending.as_str() {
        "xlsx" | "xlsm" => spreadsheet::read(path, name, sheet, false),
        "ods" => spreadsheet::read(path, name, sheet, true),
        _ if sheet.is_some() => Err(refuse(
            "sheet = … is for spreadsheets; this file has none".into(),
        )),
        "parquet" => parquet::read(path, name),
        "tsv" => delimited::read(path, name, delimiter.or(Some(b'\t'))),
        "csv" | "txt" | "tab" => delimited::read(path, name, delimiter),
        _ => Err(refuse(format!(
            "the ending .{} is not read; allowed are {}",
            shown(&ending),
            list(["csv", "tsv", "txt", "xlsx", "xlsm", "ods", "parquet"])
        ))),
    }
}

/// The path of a file named in `fleet.toml`. It may lead out of the folder where the user wrote so,
/// not through a link.
fn inside(dir: &Path, file: &str, section: &str) -> Result<PathBuf, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: shown(file),
        what,
    };
    if file.trim().is_empty() {
        return Err(RecordsError::Setting {
            file: FLEET_FILE.to_owned(),
            key: format!("{section}, file"),
            what: "found nothing, allowed is the name of a file".into(),
        });
    }
    let path = dir.join(file);
    let io = |source| RecordsError::Read {
        path: path.clone(),
        source,
    };
    let real = path.canonicalize().map_err(io)?;
    let written_so = Path::new(file)
        .components()
        .any(|c| !matches!(c, Component::Normal(_) | Component::CurDir));
    if !written_so && !real.starts_with(dir.canonicalize().map_err(io)?) {
        return Err(refuse(format!(
            "it is a link that leads out of the folder, to {}; name that path itself if it is meant",
            shown(&real.to_string_lossy())
        )));
    }
    if !real.metadata().map_err(io)?.is_file() {
        return Err(refuse("it is a folder or a device, not a file".into()));
    }
    Ok(real)
}

/// A missing file is looked for in `fleet.toml` first.
fn named_in(error: RecordsError, section: &str) -> RecordsError {
    match error {
        RecordsError::Read { path, source } if source.kind() == std::io::ErrorKind::NotFound => {
            RecordsError::Read {
                path,
                source: std::io::Error::new(
                    std::io::ErrorKind::NotFound,
                    format!("there is no such file; {section} in fleet.toml names it"),
                ),
            }
        }
        other => other,
    }
}

/// Day and month the other way round.
fn swapped(day: Date) -> Option<Date> {
    Date::new(day.year(), day.day(), day.month()).ok()
}

#[cfg(test)]
mod tests {
    use super::meant_format;

    #[test]
    fn formats_written_as_people_write_them_are_understood() {
        for (written, meant) in [
            ("d/m/y", Some("%d/%m/%Y")),
            ("DD.MM.YYYY", Some("%d.%m.%Y")),
            ("mm-dd-yy", Some("%m-%d-%Y")),
            ("%d/%m/%y", Some("%d/%m/%Y")),
            ("day first", None),
            ("", None),
        ] {
            assert_eq!(meant_format(written).as_deref(), meant, "{written}");
        }
    }
}
