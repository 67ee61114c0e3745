//! Numbers as exports write them; the decimal mark is settled for a whole column.

/// What stands between whole and fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DecimalMark {
    /// 1,234.5
    Dot,
    /// 1.234,5
    Comma,
}

/// Texts that stand for "not told".
const NOT_TOLD: [&str; 9] = ["-", "--", "–", "n/a", "na", "none", "null", "?", "unknown"];
/// Units that may follow a number of hours.
const HOUR_UNITS: [&str; 6] = ["hours", "hour", "hrs", "hr", "h", "h."];

/// Whether a cell says that nothing is known.
pub(crate) fn is_not_told(text: &str) -> bool {
    if text.as_bytes().first().is_some_and(u8::is_ascii_digit) {
        return false;
    }
    text.is_empty() || NOT_TOLD.iter().any(|n| text.eq_ignore_ascii_case(n))
}

/// Why a column's decimal mark could not be settled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Unsettled {
    /// Every mark could be a decimal mark or a thousands mark; the text is one of them.
    Ambiguous(String),
    /// Some texts need a decimal dot, others a decimal comma; one of each.
    Mixed {
        /// Needs a dot.
        dot: String,
        /// Needs a comma.
        comma: String,
    },
}

/// What the texts of a column say about its decimal mark: the first of each kind.
///
/// "1234.5" needs the dot and "1.234,5" the comma; "1,234" could be either, unless the column
/// also writes four digits in a row, which says that it has no thousands mark.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct MarkVotes<'t> {
    dot: Option<&'t str>,
    comma: Option<&'t str>,
    open_dot: Option<&'t str>,
    open_comma: Option<&'t str>,
    ungrouped: bool,
}

impl<'t> MarkVotes<'t> {
    /// Counts one text in.
    pub(crate) fn add(&mut self, text: &'t str) {
        // The common cases first.
        match Plain::of(text, b'.') {
            Some(plain) if plain.behind == 0 => {
                self.ungrouped |= text.len() > 3;
                return;
            }
            Some(_) if self.dot.is_some() => return,
            _ => {}
        }
        let body = body(text);
        let (mut dots, mut commas) = (0, 0);
        for b in body.bytes() {
            match b {
                b'.' => dots += 1,
                b',' => commas += 1,
                b'0'..=b'9' | b'-' | b'+' => {}
                _ => return,
            }
        }
        let keep = |slot: &mut Option<&'t str>| *slot = slot.or(Some(text));
        let groups = |mark| is_grouped(body, mark);
        match (dots, commas) {
            (0, 0) => self.ungrouped |= body.len() > 3,
            (0, 1) if groups(',') => keep(&mut self.open_comma),
            (1, 0) if groups('.') => keep(&mut self.open_dot),
            (0, 1) => keep(&mut self.comma),
            (1, 0) => keep(&mut self.dot),
            (0, _) if groups(',') => keep(&mut self.dot),
            (_, 0) if groups('.') => keep(&mut self.comma),
            _ if body.rfind('.') > body.rfind(',') => keep(&mut self.dot),
            _ => keep(&mut self.comma),
        }
    }

    /// Counts the votes of further rows in.
    #[must_use]
    pub(crate) fn and(self, later: Self) -> Self {
        Self {
            dot: self.dot.or(later.dot),
            comma: self.comma.or(later.comma),
            open_dot: self.open_dot.or(later.open_dot),
            open_comma: self.open_comma.or(later.open_comma),
            ungrouped: self.ungrouped || later.ungrouped,
        }
    }

    /// Settles the mark.
    pub(crate) fn settle(self) -> Result<DecimalMark, Unsettled> {
        match (self.dot, self.comma) {
            (Some(dot), Some(comma)) => Err(Unsettled::Mixed {
                dot: dot.to_owned(),
                comma: comma.to_owned(),
            }),
            (Some(_), None) => Ok(DecimalMark::Dot),
            (None, Some(_)) => Ok(DecimalMark::Comma),
            (None, None) => match (self.open_dot, self.open_comma) {
                (None, None) => Ok(DecimalMark::Dot),
                (Some(_), None) if self.ungrouped => Ok(DecimalMark::Dot),
                (None, Some(_)) if self.ungrouped => Ok(DecimalMark::Comma),
                (Some(text), _) | (None, Some(text)) => Err(Unsettled::Ambiguous(text.to_owned())),
            },
        }
    }
}

impl DecimalMark {
    /// Settles the mark of a column from the texts that can be read only one way, see
    /// [`MarkVotes`].
    pub(crate) fn settle<'a>(texts: impl IntoIterator<Item = &'a str>) -> Result<Self, Unsettled> {
        let mut votes = MarkVotes::default();
        for text in texts {
            votes.add(text);
        }
        votes.settle()
    }

    /// Reads a number in this column's way of writing; a unit of hours may follow it.
    pub(crate) fn read(self, text: &str) -> Option<f64> {
        let mark = match self {
            Self::Dot => b'.',
            Self::Comma => b',',
        };
        if let Some(plain) = Plain::of(text, mark) {
            return Some(plain.value());
        }
        let body = body(text);
        if body.is_empty() || body.len() > 40 {
            return None;
        }
        // Nothing to take out.
        if self == Self::Dot
            && let Ok(value) = body.parse::<f64>()
        {
            return (value.is_finite() && !body.contains(['n', 'N', 'i', 'I'])).then_some(value);
        }
        let (decimal, thousands) = match self {
            Self::Dot => ('.', ','),
            Self::Comma => (',', '.'),
        };
        let (whole, fraction) = body.split_once(decimal).unwrap_or((body, ""));
        if fraction.contains([thousands, decimal])
            || (body.ends_with(decimal) && fraction.is_empty())
        {
            return None;
        }
        let marks = [thousands, ' ', '\u{a0}', '\u{202f}', '\'', '’'];
        if whole.contains(marks)
            && !marks
                .iter()
                .any(|&mark| count(whole, mark) > 0 && is_grouped(whole, mark))
        {
            return None;
        }
        let digits: String = whole.chars().filter(|c| !marks.contains(c)).collect();
        let text = if fraction.is_empty() {
            digits
        } else {
            format!("{digits}.{fraction}")
        };
        text.parse::<f64>()
            .ok()
            .filter(|v| v.is_finite() && !text.contains(['n', 'N', 'i', 'I']))
    }
}

/// Both readings of an ambiguous text, for the question to the user.
pub(crate) fn both_readings(text: &str) -> Option<(f64, f64)> {
    Some((DecimalMark::Dot.read(text)?, DecimalMark::Comma.read(text)?))
}

/// Digits with at most one decimal mark among them, so few that both they and the power of ten that
/// divides them are exact as `f64`: one division, which rounds once, then reads the number as the
/// standard library does.
#[derive(Debug, Clone, Copy)]
struct Plain {
    /// All digits as one whole number.
    digits: u64,
    /// How many of them stand behind the mark.
    behind: usize,
}

/// Most digits of a [`Plain`] number: whole numbers of so many are below 2⁵³.
const PLAIN_DIGITS: usize = 15;
const POWERS_OF_TEN: [f64; PLAIN_DIGITS] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14,
];

impl Plain {
    fn of(text: &str, mark: u8) -> Option<Self> {
        let bytes = text.as_bytes();
        let is_digit = |b: Option<&u8>| b.is_some_and(u8::is_ascii_digit);
        let ends = is_digit(bytes.first()) && is_digit(bytes.last());
        if !ends || bytes.len() > PLAIN_DIGITS {
            return None;
        }
        let (mut digits, mut marked_at) = (0, None);
        for (at, &b) in bytes.iter().enumerate() {
            let digit = b.wrapping_sub(b'0');
            if digit < 10 {
                digits = 10 * digits + u64::from(digit);
            } else if b == mark && marked_at.is_none() {
                marked_at = Some(at);
            } else {
                return None;
            }
        }
        let behind = marked_at.map_or(0, |at| bytes.len() - 1 - at);
        Some(Self { digits, behind })
    }

    fn value(self) -> f64 {
        self.digits as f64 / POWERS_OF_TEN[self.behind]
    }
}

/// The number without a unit of hours behind it.
fn body(text: &str) -> &str {
    let text = text.trim();
    if text.as_bytes().last().is_none_or(u8::is_ascii_digit) {
        return text;
    }
    for unit in HOUR_UNITS {
        if text.len() > unit.len()
            && let (Some(number), Some(tail)) = (
                text.get(..text.len() - unit.len()),
                text.get(text.len() - unit.len()..),
            )
            && tail.eq_ignore_ascii_case(unit)
            && number.trim_end().ends_with(|c: char| c.is_ascii_digit())
        {
            return number.trim_end();
        }
    }
    text
}

fn count(text: &str, mark: char) -> usize {
    text.chars().filter(|&c| c == mark).count()
}

/// Whether the marks cut the digits into groups of three, the first of one to three, not zero.
fn is_grouped(text: &str, mark: char) -> bool {
    let text = text.trim_start_matches(['-', '+']);
    let mut groups = text.split(mark);
    let first = groups.next().unwrap_or_default();
    (1..=3).contains(&first.len())
        && !first.starts_with('0')
        && first.bytes().all(|b| b.is_ascii_digit())
        && groups.all(|g| g.len() == 3 && g.bytes().all(|b| b.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mark_is_settled_by_what_can_be_read_only_one_way() {
        assert_eq!(
            DecimalMark::settle(["512", "1,234", "1,240.5"]),
            Ok(DecimalMark::Dot)
        );
        assert_eq!(
            DecimalMark::settle(["512", "1.234", "1.240,5"]),
            Ok(DecimalMark::Comma)
        );
        assert_eq!(DecimalMark::settle(["512,5"]), Ok(DecimalMark::Comma));
        assert_eq!(DecimalMark::settle(["1,234,567"]), Ok(DecimalMark::Dot));
        assert_eq!(DecimalMark::settle(["0.125"]), Ok(DecimalMark::Dot));
        assert_eq!(DecimalMark::settle(["1234", "1.250"]), Ok(DecimalMark::Dot));
        assert_eq!(DecimalMark::settle(["1", "2"]), Ok(DecimalMark::Dot));
        assert_eq!(
            DecimalMark::settle(["1,234", "2,345"]),
            Err(Unsettled::Ambiguous("1,234".into()))
        );
        assert_eq!(both_readings("1,234"), Some((1234.0, 1.234)));
        assert!(matches!(
            DecimalMark::settle(["1.5", "1,5"]),
            Err(Unsettled::Mixed { .. })
        ));
    }

    #[test]
    fn numbers_are_read_in_the_columns_way() {
        for (text, value) in [
            ("512", 512.0),
            ("1,234.5", 1234.5),
            ("1 234.5", 1234.5),
            ("1'234", 1234.0),
            ("-3", -3.0),
            ("512.5 h", 512.5),
            ("512hrs", 512.0),
            ("1e3", 1000.0),
        ] {
            assert_eq!(DecimalMark::Dot.read(text), Some(value), "{text}");
        }
        for (text, value) in [
            ("512,5", 512.5),
            ("1.234,5", 1234.5),
            ("1\u{a0}234,5", 1234.5),
            ("0,25", 0.25),
        ] {
            assert_eq!(DecimalMark::Comma.read(text), Some(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_number() {
        for text in [
            "",
            "NaN",
            "inf",
            "-Infinity",
            "12:30",
            "1,2,3",
            "1,23.4",
            "1.2.3",
            "abc",
            "5 months",
            "1 2 3",
            "--",
        ] {
            assert_eq!(DecimalMark::Dot.read(text), None, "{text}");
        }
        assert_eq!(DecimalMark::Comma.read("1.5"), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_breaks_the_reader(text in "\\PC{0,40}", number in "[0-9.,' h-]{0,20}") {
            for text in [text.as_str(), number.as_str()] {
                let _ = DecimalMark::settle([text]);
                for mark in [DecimalMark::Dot, DecimalMark::Comma] {
                    proptest::prop_assert!(mark.read(text).is_none_or(f64::is_finite));
                }
            }
        }

        /// As the standard library reads them, to the last bit.
        #[test]
        fn plain_numbers_are_rounded_once(digits in "[0-9]{1,16}", mark in 0_usize..18) {
            let mut text = digits;
            if mark < text.len() {
                text.insert(mark, '.');
            }
            if let Some(plain) = Plain::of(&text, b'.') {
                proptest::prop_assert_eq!(plain.value().to_bits(), text.parse::<f64>().unwrap().to_bits());
                proptest::prop_assert_eq!(DecimalMark::Comma.read(&text.replace('.', ",")), Some(plain.value()));
            } else {
                proptest::prop_assert!(text.len() > PLAIN_DIGITS || mark == 0, "{}", text);
            }
        }

        #[test]
        fn a_number_written_with_either_mark_is_read_back(value in 0_u32..10_000_000, cents in 0_u32..100) {
            let exact: f64 = format!("{value}.{cents:02}").parse().unwrap();
            proptest::prop_assert_eq!(DecimalMark::Dot.read(&format!("{value}.{cents:02}")), Some(exact));
            proptest::prop_assert_eq!(DecimalMark::Comma.read(&format!("{value},{cents:02}")), Some(exact));
        }
    }
}
