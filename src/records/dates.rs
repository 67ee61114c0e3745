//! Dates as exports write them; the order of day and month is settled for a whole column.

use std::collections::HashMap;

use foldhash::fast::RandomState;
use jiff::civil::Date;

/// A number that is larger for a later day.
pub(crate) fn day_in_order(day: Date) -> u32 {
    let year = (i32::from(day.year()) - i32::from(i16::MIN)) as u32;
    year << 16 | (day.month() as u32) << 8 | day.day() as u32
}

/// Order of day and month in a column of numeric dates.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DayMonth {
    /// 31/12/2025.
    DayFirst,
    /// 12/31/2025.
    MonthFirst,
}

/// A date text, as far as it can be read on its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reading {
    /// One day, whatever the column's order.
    Sure(Date),
    /// Two numbers and a year: day and month in the column's order.
    Numeric { first: i8, second: i8, year: i16 },
}

/// How a column's dates are to be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum DateReader {
    /// The user's own format.
    Format(String),
    /// By what is there, with the column's order where it matters.
    Settled(Option<DayMonth>),
}

/// Why a column's order could not be settled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Unsettled {
    /// No date has a number above 12 where it would tell; the text is one of them.
    Ambiguous(String),
    /// Some dates can only be day first, others only month first; one of each.
    Mixed {
        /// Only readable day first.
        day_first: String,
        /// Only readable month first.
        month_first: String,
    },
}

/// What the texts of a column say about its order: the first of each kind.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct DateVotes<'t> {
    day_first: Option<&'t str>,
    month_first: Option<&'t str>,
    open: Option<&'t str>,
}

impl<'t> DateVotes<'t> {
    /// Counts one text in.
    pub(crate) fn add(&mut self, text: &'t str) {
        if is_year_first(text.as_bytes()) {
            return;
        }
        if let Some(Reading::Numeric { first, second, .. }) = read(text) {
            match (first > 12, second > 12) {
                (true, false) => self.day_first = self.day_first.or(Some(text)),
                (false, true) => self.month_first = self.month_first.or(Some(text)),
                (false, false) if first != second => self.open = self.open.or(Some(text)),
                _ => {}
            }
        }
    }

    /// Counts the votes of further rows in.
    #[must_use]
    pub(crate) fn and(self, later: Self) -> Self {
        Self {
            day_first: self.day_first.or(later.day_first),
            month_first: self.month_first.or(later.month_first),
            open: self.open.or(later.open),
        }
    }

    /// A text that can be read only in this order.
    pub(crate) fn that_settled(&self, order: DayMonth) -> Option<&'t str> {
        match order {
            DayMonth::DayFirst => self.day_first,
            DayMonth::MonthFirst => self.month_first,
        }
    }

    /// Settles the order.
    pub(crate) fn settle(self) -> Result<DateReader, Unsettled> {
        match (self.day_first, self.month_first, self.open) {
            (Some(day_first), Some(month_first), _) => Err(Unsettled::Mixed {
                day_first: day_first.to_owned(),
                month_first: month_first.to_owned(),
            }),
            (Some(_), None, _) => Ok(DateReader::Settled(Some(DayMonth::DayFirst))),
            (None, Some(_), _) => Ok(DateReader::Settled(Some(DayMonth::MonthFirst))),
            (None, None, Some(text)) => Err(Unsettled::Ambiguous(text.to_owned())),
            (None, None, None) => Ok(DateReader::Settled(None)),
        }
    }
}

/// Whether a text is a plain 2026-03-31.
fn is_year_first(text: &[u8]) -> bool {
    text.len() == 10
        && text.iter().enumerate().all(|(at, b)| match at {
            4 | 7 => *b == b'-',
            _ => b.is_ascii_digit(),
        })
}

/// The day of a plain 2026-03-31.
fn year_first(text: &[u8]) -> Option<Date> {
    if !is_year_first(text) {
        return None;
    }
    let number = |from: usize, to: usize| {
        text[from..to]
            .iter()
            .fold(0_i64, |n, b| n * 10 + i64::from(b - b'0'))
    };
    match sure(number(0, 4), number(5, 7), number(8, 10))? {
        Reading::Sure(date) => Some(date),
        Reading::Numeric { .. } => None,
    }
}

impl DateReader {
    /// Settles the order of a column from its unambiguous dates.
    pub(crate) fn settle<'a>(texts: impl IntoIterator<Item = &'a str>) -> Result<Self, Unsettled> {
        let mut votes = DateVotes::default();
        for text in texts {
            votes.add(text);
        }
        votes.settle()
    }

    /// Reads one text; `None` when it is no date in this column's way of writing.
    pub(crate) fn read(&self, text: &str) -> Option<Date> {
        match self {
            Self::Format(format) => by_format(format, text),
            Self::Settled(_) if is_year_first(text.as_bytes()) => year_first(text.as_bytes()),
            Self::Settled(order) => match read(text)? {
                Reading::Sure(date) => Some(date),
                Reading::Numeric {
                    first,
                    second,
                    year,
                } => {
                    let (day, month) = match order {
                        Some(DayMonth::MonthFirst) => (second, first),
                        Some(DayMonth::DayFirst) => (first, second),
                        None if first == second => (first, second),
                        None => return None,
                    };
                    Date::new(year, month, day).ok()
                }
            },
        }
    }
}

/// Remembers the texts already read: exports repeat their dates.
#[derive(Debug)]
pub(crate) struct DateColumn {
    reader: DateReader,
    seen: HashMap<Box<str>, Option<Date>, RandomState>,
}

impl DateColumn {
    pub(crate) fn new(reader: DateReader) -> Self {
        Self {
            reader,
            seen: HashMap::default(),
        }
    }

    pub(crate) fn read(&mut self, text: &str) -> Option<Date> {
        // Read sooner than it is looked up.
        if matches!(self.reader, DateReader::Settled(_)) && is_year_first(text.as_bytes()) {
            return year_first(text.as_bytes());
        }
        if let Some(&date) = self.seen.get(text) {
            return date;
        }
        let date = self.reader.read(text);
        if self.seen.len() < 100_000 {
            self.seen.insert(text.into(), date);
        }
        date
    }
}

/// Both readings of an ambiguous text, for the question to the user.
pub(crate) fn both_readings(text: &str) -> Option<(Date, Date)> {
    match read(text)? {
        Reading::Numeric {
            first,
            second,
            year,
        } => Some((
            Date::new(year, second, first).ok()?,
            Date::new(year, first, second).ok()?,
        )),
        Reading::Sure(_) => None,
    }
}

/// The user's format; a time of day after it is left out.
fn by_format(format: &str, text: &str) -> Option<Date> {
    let parsed = jiff::fmt::strtime::parse(format, text)
        .or_else(|error| {
            text.split_once([' ', 'T']).map_or(Err(error), |(day, _)| {
                jiff::fmt::strtime::parse(format, day)
            })
        })
        .ok()?;
    parsed.to_date().ok().filter(|d| sensible(*d))
}

/// A year from 1950 to 2199: anything else is a slip.
fn sensible(date: Date) -> bool {
    (1950..2200).contains(&date.year())
}

fn read(text: &str) -> Option<Reading> {
    let text = text.trim();
    if text.len() > 60 || text.is_empty() {
        return None;
    }
    let mut pieces: Vec<Piece> = Vec::with_capacity(6);
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let taken = if c.is_ascii_digit() {
            let end = rest
                .find(|c: char| !c.is_ascii_digit())
                .unwrap_or(rest.len());
            pieces.push(Piece::Number(rest[..end].parse().ok()?, end));
            end
        } else if c.is_alphabetic() {
            let end = rest
                .find(|c: char| !c.is_alphabetic())
                .unwrap_or(rest.len());
            pieces.push(Piece::Word(&rest[..end]));
            end
        } else {
            c.len_utf8()
        };
        // A time of day follows a blank or a T and holds a colon; the day is what stands before.
        rest = &rest[taken..];
        if pieces.len() >= 3 && rest.contains(':') && !rest.starts_with(['-', '/', '.']) {
            break;
        }
    }
    if let [Piece::Word(day), more @ ..] = pieces.as_slice()
        && WEEKDAYS.iter().any(|w| starts_like(day, w))
    {
        return from_pieces(more);
    }
    from_pieces(&pieces)
}

#[derive(Debug, Clone, Copy)]
enum Piece<'a> {
    /// Value and how many digits it was written with.
    Number(i64, usize),
    Word(&'a str),
}

fn from_pieces(pieces: &[Piece<'_>]) -> Option<Reading> {
    let reading = match *pieces {
        [Piece::Number(all, 8)] => sure(all / 10_000, all / 100 % 100, all % 100)?,
        [
            Piece::Number(year, 4),
            Piece::Number(month, 1..=2),
            Piece::Number(day, 1..=2),
        ] => sure(year, month, day)?,
        [
            Piece::Number(day, 1..=2),
            Piece::Word(month),
            Piece::Number(year, digits @ (2 | 4)),
        ]
        | [
            Piece::Word(month),
            Piece::Number(day, 1..=2),
            Piece::Number(year, digits @ (2 | 4)),
        ] => sure(full_year(year, digits), month_number(month)?, day)?,
        [
            Piece::Number(year, 4),
            Piece::Word(month),
            Piece::Number(day, 1..=2),
        ] => sure(year, month_number(month)?, day)?,
        [
            Piece::Number(first, 1..=2),
            Piece::Number(second, 1..=2),
            Piece::Number(year, digits @ (2 | 4)),
        ] => {
            let year = full_year(year, digits);
            if !(1950..2200).contains(&year) || first < 1 || second < 1 || first > 31 || second > 31
            {
                return None;
            }
            if first > 12 && second > 12 {
                return None;
            }
            Reading::Numeric {
                first: first as i8,
                second: second as i8,
                year: year as i16,
            }
        }
        _ => return None,
    };
    Some(reading)
}

fn sure(year: i64, month: i64, day: i64) -> Option<Reading> {
    let date = Date::new(
        i16::try_from(year).ok()?,
        i8::try_from(month).ok()?,
        i8::try_from(day).ok()?,
    )
    .ok()?;
    sensible(date).then_some(Reading::Sure(date))
}

/// Two-digit years: 70 to 99 are the last century's.
fn full_year(year: i64, digits: usize) -> i64 {
    match (digits, year) {
        (2, 70..) => 1900 + year,
        (2, _) => 2000 + year,
        _ => year,
    }
}

const MONTHS: [&str; 12] = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
];
const WEEKDAYS: [&str; 7] = [
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
];

/// English month names, whole or from three letters on.
fn month_number(word: &str) -> Option<i64> {
    MONTHS
        .iter()
        .position(|month| starts_like(word, month))
        .and_then(|index| i64::try_from(index + 1).ok())
}

fn starts_like(word: &str, whole: &str) -> bool {
    word.len() >= 3
        && word.len() <= whole.len()
        && whole.is_char_boundary(word.len())
        && whole[..word.len()].eq_ignore_ascii_case(word)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn settled(texts: &[&str]) -> DateReader {
        DateReader::settle(texts.iter().copied()).unwrap()
    }

    #[test]
    fn one_unambiguous_row_settles_the_column() {
        let reader = settled(&["03/04/2025", "25/04/2025"]);
        assert_eq!(reader.read("03/04/2025"), Some(date(2025, 4, 3)));
        let reader = settled(&["03/04/2025", "04/25/2025"]);
        assert_eq!(reader.read("03/04/2025"), Some(date(2025, 3, 4)));
        assert_eq!(reader.read("25/04/2025"), None);
    }

    #[test]
    fn an_ambiguous_column_is_not_guessed() {
        assert_eq!(
            DateReader::settle(["03/04/2025", "05/06/2025"]),
            Err(Unsettled::Ambiguous("03/04/2025".into()))
        );
        assert_eq!(
            both_readings("03/04/2025"),
            Some((date(2025, 4, 3), date(2025, 3, 4)))
        );
        assert!(matches!(
            DateReader::settle(["13/04/2025", "04/13/2025"]),
            Err(Unsettled::Mixed { .. })
        ));
        // The same number twice reads the same either way.
        assert_eq!(
            settled(&["04/04/2025"]).read("04/04/2025"),
            Some(date(2025, 4, 4))
        );
    }

    #[test]
    fn ways_of_writing_a_day() {
        let reader = DateReader::Settled(Some(DayMonth::DayFirst));
        for text in [
            "2025-12-31",
            "2025/12/31",
            "20251231",
            "2025-12-31T08:15:00",
            "2025-12-31 08:15",
            "2025-12-31T08:15:00Z",
            "31.12.2025",
            "31.12.25",
            "31/12/2025 23:59",
            "31 Dec 2025",
            "31-Dec-25",
            "Dec 31, 2025",
            "December 31 2025",
            "Wed, 31 Dec 2025",
            "2025-Dec-31",
        ] {
            assert_eq!(reader.read(text), Some(date(2025, 12, 31)), "{text}");
        }
    }

    #[test]
    fn what_is_no_day() {
        let reader = DateReader::Settled(Some(DayMonth::DayFirst));
        for text in [
            "",
            "soon",
            "2025-02-30",
            "31/31/2025",
            "45000",
            "0000-00-00",
            "1/1/0001",
            "12",
            "31.12.",
            "99/99/9999",
            "2025-13-01",
        ] {
            assert_eq!(reader.read(text), None, "{text}");
        }
    }

    #[test]
    fn a_stated_format_is_kept_to() {
        let reader = DateReader::Format("%d.%m.%Y".into());
        assert_eq!(reader.read("03.04.2025"), Some(date(2025, 4, 3)));
        assert_eq!(reader.read("03.04.2025 12:00"), Some(date(2025, 4, 3)));
        assert_eq!(reader.read("2025-04-03"), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_breaks_the_reader(text in "\\PC{0,40}", number in "[0-9./ :TZ-]{0,20}") {
            for text in [text.as_str(), number.as_str()] {
                let _ = both_readings(text);
                for reader in [DateReader::Settled(Some(DayMonth::MonthFirst)), DateReader::Format("%d.%m.%y".into())] {
                    let _ = reader.read(text);
                }
            }
        }

        #[test]
        fn a_day_written_by_any_habit_is_read_back(year in 1970_i16..2070, month in 1_i8..13, day in 1_i8..29) {
            let written = date(year, month, day);
            let reader = DateReader::Settled(Some(DayMonth::DayFirst));
            for text in [
                written.to_string(),
                format!("{day}.{month}.{year}"),
                format!("{day:02}/{month:02}/{:02}", year % 100),
                format!("{year}{month:02}{day:02}"),
            ] {
                proptest::prop_assert_eq!(reader.read(&text), Some(written));
            }
        }
    }
}
