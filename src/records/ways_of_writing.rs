//! How the dates and numbers of a file are written: as stated, else as its texts settle it, for whole
//! columns at once. What they leave open is asked, never guessed.

use std::ops::Range;

use jiff::civil::Date;
use rayon::prelude::*;

use super::RecordsError;
use super::date_order::{BesideMeter, Impossible};
use super::dates::{self, DateColumn, DateReader, DateVotes, DayMonth};
use super::numbers::{self, DecimalMark, MarkVotes};
use super::opened::Opened;
use super::text::{quoted, shown};
use super::text_table::{Kind, TextTable};

/// Rows that one thread looks at together.
const ROWS_AT_A_TIME: usize = 1 << 14;

/// What the texts of a column of dates and of some of numbers say about how they are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Votes<'t, const N: usize> {
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

impl<'t, const N: usize> Votes<'t, N> {
    /// Counts the cells of one row in.
    pub(super) fn add(
        &mut self,
        asked: &Asked<N>,
        table: &TextTable,
        row: usize,
        cells: &[&'t str],
    ) {
        let text = |column: usize| {
            let cell = cells.get(column).copied();
            cell.filter(|_| table.kind(row, column) == Kind::Text)
        };
        if let Some(text) = asked.dates.and_then(text) {
            self.dates.add(text);
        }
        for (votes, column) in self.marks.iter_mut().zip(asked.numbers) {
            if let Some(text) = column.and_then(text) {
                votes.add(text);
            }
        }
    }

    /// Counts the votes of further rows in.
    pub(super) fn and(self, later: Self) -> Self {
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

/// The columns whose texts have to settle how they are written; none where it is stated.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked<const N: usize> {
    dates: Option<usize>,
    numbers: [Option<usize>; N],
}

/// How dates, the meter beside them and further numbers are written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ways {
    pub(super) dates: DateReader,
    pub(super) hours: DecimalMark,
    pub(super) further: DecimalMark,
}

impl Opened {
    /// Settles how a column of dates is written.
    pub(super) fn dates(
        &self,
        key: &str,
        notes: &mut Vec<String>,
    ) -> Result<DateColumn, RecordsError> {
        let asked = Asked {
            dates: self.open_dates(key),
            numbers: [],
        };
        let votes = self.votes(self.rows(), &asked).dates;
        let reader = self.judge_dates(key, votes, None, notes)?;
        Ok(DateColumn::new(reader))
    }

    /// Dates beside a meter, whose order is checked against it; and the decimal marks of the meter
    /// and of further numbers.
    pub(super) fn dates_beside_meter(
        &self,
        further: &str,
        notes: &mut Vec<String>,
    ) -> Result<Ways, RecordsError> {
        let votes = self.votes(self.rows(), &self.beside_meter(further));
        self.judge_beside_meter(further, votes, true, notes)
    }

    /// What has to be asked for [`dates_beside_meter`](Self::dates_beside_meter).
    pub(super) fn beside_meter(&self, further: &str) -> Asked<2> {
        Asked {
            dates: self.open_dates("date"),
            numbers: ["hours", further].map(|key| self.open_numbers(key)),
        }
    }

    /// Settles what [`beside_meter`](Self::beside_meter) asks; by the texts alone where they are not checked against
    /// the meter.
    pub(super) fn judge_beside_meter(
        &self,
        further: &str,
        votes: Votes<'_, 2>,
        is_checked: bool,
        notes: &mut Vec<String>,
    ) -> Result<Ways, RecordsError> {
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
        let meter: Option<&dyn Fn() -> Option<Impossible>> =
            if is_checked { Some(&meter) } else { None };
        Ok(Ways {
            dates: self.judge_dates("date", votes.dates, meter, notes)?,
            hours: mark,
            further: self.judge_decimal(further, second, notes)?,
        })
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

    /// What the texts of some rows say about how they are written.
    pub(super) fn votes<const N: usize>(
        &self,
        rows: Range<usize>,
        asked: &Asked<N>,
    ) -> Votes<'_, N> {
        if asked.dates.is_none() && asked.numbers.iter().all(Option::is_none) {
            return Votes::default();
        }
        let end = rows.end;
        let each: Vec<usize> = rows.step_by(ROWS_AT_A_TIME).collect();
        each.into_par_iter()
            .map(|from| {
                let mut votes = Votes::default();
                let mut cells = Vec::new();
                for row in from..(from + ROWS_AT_A_TIME).min(end) {
                    self.table.cells(row, &mut cells);
                    votes.add(asked, &self.table, row, &cells);
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
    ) -> Result<DateReader, RecordsError> {
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
            return Ok(DateReader::Format(format.clone()));
        }
        let Some(column) = self.columns.get(key) else {
            return Ok(DateReader::Settled(None));
        };
        let heading = self.columns.heading(key);
        match votes.settle() {
            Ok(reader) => {
                self.half_converted(column, &reader)?;
                if let DateReader::Settled(Some(order)) = &reader {
                    notes.push(format!("Dates in {}, column \"{heading}\", are read {}.", self.table.name(), order.words()));
                    notes.extend(self.against_meter(&heading, *order, votes, meter));
                }
                Ok(reader)
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
                    return Ok(DateReader::Settled(Some(order)));
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
        let asked = Asked {
            dates: None,
            numbers: [self.open_numbers(key)],
        };
        let [votes] = self.votes(self.rows(), &asked).marks;
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
