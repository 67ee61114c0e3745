//! The one place where rounding lives: how hours, chances, days, counts and money are shown.
//!
//! What people read is rounded here; what machines read (CSV, JSON, spreadsheets) keeps its
//! digits. Numbers are written with a decimal point and a comma between thousands, days with the
//! month in letters so that nobody takes the month for the day.

use jiff::civil::Date;

use super::Cell;

/// Stands where a value does not exist.
pub const NOTHING: &str = "–";

/// Operating hours of a life, an age or an interval: three significant digits, whole hours from
/// 10 up, since no record is better than that (`1,240`, `606`, `4.6`). Without the unit.
pub fn hours(value: f64) -> String {
    if !value.is_finite() {
        return NOTHING.to_owned();
    }
    let size = value.abs();
    if size >= 999.5 {
        number(three_digits(value), 0)
    } else if size >= 9.95 {
        number(value, 0)
    } else if size >= 0.095 || size == 0.0 {
        trimmed(value, 1)
    } else {
        format!("{value:.1e}")
    }
}

/// An hour-meter reading as it stood, at most one decimal: `12,345` or `12,345.6`.
pub fn meter(value: f64) -> String {
    trimmed(value, 1)
}

/// A number with so many decimals and commas between thousands; never `-0`.
pub fn number(value: f64, decimals: u8) -> String {
    if !value.is_finite() {
        return NOTHING.to_owned();
    }
    let text = format!("{:.*}", usize::from(decimals), value.abs());
    let negative = value < 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    let (whole, rest) = text
        .find('.')
        .map_or((text.as_str(), ""), |at| text.split_at(at));
    let grouped = if whole.len() > 15 {
        return format!("{value:.2e}");
    } else {
        grouped(whole)
    };
    format!("{}{grouped}{rest}", if negative { "−" } else { "" })
}

/// A number to so many significant digits, for shapes, ratios and statistics: `1.72`, `0.0314`.
pub fn significant(value: f64, digits: u8) -> String {
    if !value.is_finite() {
        return NOTHING.to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    // The rounding may carry into the next power of ten (9.996 → 10.0), so ask the formatter.
    let places = usize::from(digits.max(1)) - 1;
    let written = format!("{value:.places$e}");
    let exponent = written
        .rsplit_once('e')
        .and_then(|(_, e)| e.parse::<i32>().ok())
        .unwrap_or(0);
    if !(-4..=14).contains(&exponent) {
        return written;
    }
    let decimals = i32::from(digits.max(1) - 1).saturating_sub(exponent).max(0);
    let rounded = written.parse::<f64>().unwrap_or(value);
    number(rounded, u8::try_from(decimals).unwrap_or(0))
}

/// A count: `1,204`.
pub fn count(n: u64) -> String {
    grouped(&n.to_string())
}

/// An expected number of parts: one decimal, two below 0.1.
pub fn expected(value: f64) -> String {
    if value > 0.0 && value < 0.005 {
        "< 0.01".to_owned()
    } else if value > 0.0 && value < 0.095 {
        number(value, 2)
    } else {
        number(value, 1)
    }
}

/// Money without its currency: whole from 100 up, cents below.
pub fn cost(value: f64) -> String {
    if value.abs() >= 99.995 || value.fract() == 0.0 {
        number(value, 0)
    } else {
        number(value, 2)
    }
}

/// Money with its currency: `1,204 USD`.
pub fn money(value: f64, currency: &str) -> String {
    if currency.trim().is_empty() {
        return cost(value);
    }
    format!("{} {currency}", cost(value))
}

/// Money that is an expectation: to three significant digits, whole from 100 up (`130,000 USD`).
pub fn about_money(value: f64, currency: &str) -> String {
    money(three_digits(value), currency)
}

/// Rounded to three significant digits, or to whole ones where that is less.
fn three_digits(value: f64) -> f64 {
    let magnitude = value.abs().log10().floor().max(2.0);
    let step = 10f64.powi(magnitude as i32 - 2);
    (value / step).round() * step
}

/// A heading with its unit, where there is one: `Cost per hour, USD`.
pub fn with_unit(heading: &str, unit: &str) -> String {
    if unit.trim().is_empty() {
        heading.to_owned()
    } else {
        format!("{heading}, {unit}")
    }
}

/// A probability as percent: whole between 1 and 99, one decimal outside, and neither 0 nor 100
/// unless it is exactly that.
pub fn percent(probability: f64) -> String {
    if !probability.is_finite() {
        return NOTHING.to_owned();
    }
    let p = probability * 100.0;
    if p <= 0.0 {
        "0%".to_owned()
    } else if p < 0.05 {
        "< 0.1%".to_owned()
    } else if p < 0.95 {
        format!("{p:.1}%")
    } else if p < 98.95 {
        format!("{p:.0}%")
    } else if p < 99.95 {
        format!("{}%", trimmed(p, 1))
    } else if p < 100.0 {
        "> 99.9%".to_owned()
    } else {
        "100%".to_owned()
    }
}

/// A probability as people say it: `1 in 12`, `2 in 3`, `fewer than 1 in 1,000`.
pub fn one_in(probability: f64) -> String {
    let p = probability;
    if !p.is_finite() {
        NOTHING.to_owned()
    } else if p <= 0.0 {
        "never".to_owned()
    } else if p < 0.001 {
        "fewer than 1 in 1,000".to_owned()
    } else if p >= 1.0 {
        "always".to_owned()
    } else if p > 0.99 {
        "more than 99 in 100".to_owned()
    } else if p < 0.29 {
        let n = 1.0 / p;
        let n = if n < 20.0 {
            n.round()
        } else if n < 100.0 {
            (n / 5.0).round() * 5.0
        } else {
            (n / 50.0).round() * 50.0
        };
        format!("1 in {}", number(n, 0))
    } else {
        let (a, b) = simple_fraction(p);
        format!("{a} in {b}")
    }
}

/// Both ways: `8% (1 in 12)`; only the percent at the ends, and where the words would be so many in
/// 100, since they add nothing there.
pub fn chance(probability: f64) -> String {
    let words = one_in(probability);
    if (0.001..=0.99).contains(&probability) && !words.ends_with(" in 100") {
        format!("{} ({words})", percent(probability))
    } else {
        percent(probability)
    }
}

/// A day with its month in letters: `12 May 2026`.
pub fn date(day: Date) -> String {
    format!("{} {}", day_month(day), day.year())
}

/// A day within a year that is known: `12 May`.
pub fn day_month(day: Date) -> String {
    format!("{} {}", day.day(), month(day))
}

/// The month's three letters.
pub fn month(day: Date) -> &'static str {
    const MONTHS: [&str; 12] = [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ];
    usize::try_from(day.month() - 1)
        .ok()
        .and_then(|m| MONTHS.get(m).copied())
        .unwrap_or("?")
}

/// `1 belt`, `3 belts`: the word given is the plural's stem; `s` is added, or `es` after a hiss.
pub fn plural(n: u64, word: &str) -> String {
    let ending = if n == 1 {
        ""
    } else if word.ends_with(['s', 'x']) || word.ends_with("ch") || word.ends_with("sh") {
        "es"
    } else {
        "s"
    };
    if n != 1
        && let Some(stem) = word.strip_suffix("life")
    {
        return format!("{} {stem}lives", count(n));
    }
    format!("{} {word}{ending}", count(n))
}

/// `1 worn life`, `6 worn lives`.
pub fn lives(n: u64, kind: &str) -> String {
    format!(
        "{} {kind} {}",
        count(n),
        if n == 1 { "life" } else { "lives" }
    )
}

/// A deflection: two decimals in inches or fewer, `0.25`, `0.2`, `6.35`.
pub fn length(value: f64) -> String {
    let text = number(value, 2);
    let short = text.trim_end_matches('0').trim_end_matches('.');
    if text.contains('.') {
        short.to_owned()
    } else {
        text
    }
}

/// A p-value: `0.032`, `< 0.001`.
pub fn p_value(p: f64) -> String {
    if !p.is_finite() {
        NOTHING.to_owned()
    } else if p < 0.001 {
        "< 0.001".to_owned()
    } else if p < 0.095 {
        format!("{p:.3}")
    } else {
        format!("{p:.2}")
    }
}

/// What a cell shows to people.
pub fn cell(cell: &Cell) -> String {
    match cell {
        Cell::Empty => NOTHING.to_owned(),
        Cell::Text(words) => words.clone(),
        Cell::Count(n) => count(*n),
        Cell::Number { value, decimals } => number(*value, *decimals),
        Cell::Hours(value) => hours(*value),
        Cell::Probability(p) => percent(*p),
        Cell::Cost(value) => cost(*value),
        Cell::Date(day) => date(*day),
    }
}

/// Words safe to show anywhere: control characters, and the marks that turn the direction of the
/// text around, become `�`, so that a name in an export can neither steer a terminal nor make a
/// line read backwards. Line breaks and tabs become spaces.
pub fn plain(words: &str) -> String {
    words
        .chars()
        .map(|c| match c {
            '\n' | '\r' | '\t' => ' ',
            '\u{200e}'
            | '\u{200f}'
            | '\u{061c}'
            | '\u{202a}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}'
            | '\u{fffe}'
            | '\u{ffff}'
            | '\u{feff}' => '\u{fffd}',
            c if c.is_control() => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// At most `width` characters; what is longer ends in `…`.
pub fn shortened(words: &str, width: usize) -> String {
    if words.chars().count() <= width {
        return words.to_owned();
    }
    let mut short: String = words.chars().take(width.saturating_sub(1)).collect();
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

fn trimmed(value: f64, decimals: u8) -> String {
    let text = number(value, decimals);
    match text.split_once('.') {
        Some((whole, zeros)) if zeros.bytes().all(|b| b == b'0') => whole.to_owned(),
        _ => text,
    }
}

fn grouped(digits: &str) -> String {
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// The fraction `a/b` with b up to 5, else b = 10, nearest to p; the smaller b wins a tie.
fn simple_fraction(p: f64) -> (u32, u32) {
    let mut best = (1, 2);
    let mut miss = f64::INFINITY;
    for b in [2u32, 3, 4, 5, 10] {
        let a = (p * f64::from(b)).round().clamp(1.0, f64::from(b - 1)) as u32;
        let off = (f64::from(a) / f64::from(b) - p).abs();
        if off < miss - 1e-9 {
            (best, miss) = ((a, b), off);
        }
    }
    if miss > 0.02 {
        let a = (p * 100.0).round().clamp(1.0, 99.0) as u32;
        return (a, 100);
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn expected_money_keeps_three_digits_and_whole_units() {
        for (value, shown) in [
            (0.0, "0 USD"),
            (0.4, "0 USD"),
            (999.4, "999 USD"),
            (999.6, "1,000 USD"),
            (129_777.0, "130,000 USD"),
            (-3_512.0, "−3,510 USD"),
        ] {
            assert_eq!(about_money(value, "USD"), shown);
        }
    }

    #[test]
    fn hours_keep_three_digits_and_no_more() {
        for (value, shown) in [
            (606.49, "606"),
            (1243.0, "1,240"),
            (12_345.0, "12,300"),
            (999.6, "1,000"),
            (56.3, "56"),
            (9.96, "10"),
            (4.62, "4.6"),
            (5.0, "5"),
            (0.0, "0"),
            (0.5, "0.5"),
            (1e-6, "1.0e-6"),
            (-40.2, "−40"),
            (f64::NAN, "–"),
            (f64::INFINITY, "–"),
        ] {
            assert_eq!(hours(value), shown, "{value}");
        }
        assert_eq!(hours(1e12), "1,000,000,000,000");
        assert_eq!(hours(1e300), "1.00e300");
    }

    #[test]
    fn chances_never_round_to_certainty() {
        for (p, shown) in [
            (0.0, "0%"),
            (1e-9, "< 0.1%"),
            (0.0049, "0.5%"),
            (0.083, "8%"),
            (0.5, "50%"),
            (0.99, "99%"),
            (0.9949, "99.5%"),
            (0.999_99, "> 99.9%"),
            (1.0, "100%"),
        ] {
            assert_eq!(percent(p), shown, "{p}");
        }
    }

    #[test]
    fn chances_are_said_as_one_in_so_many() {
        for (p, said) in [
            (1.0 / 12.0, "1 in 12"),
            (0.023, "1 in 45"),
            (0.25, "1 in 4"),
            (0.335, "1 in 3"),
            (0.5, "1 in 2"),
            (0.66, "2 in 3"),
            (0.9, "9 in 10"),
            (0.95, "95 in 100"),
            (0.0061, "1 in 150"),
            (0.0005, "fewer than 1 in 1,000"),
            (0.9999, "more than 99 in 100"),
            (0.0, "never"),
            (1.0, "always"),
        ] {
            assert_eq!(one_in(p), said, "{p}");
        }
    }

    #[test]
    fn a_chance_is_said_both_ways_where_that_helps() {
        for (p, said) in [
            (0.083, "8% (1 in 12)"),
            (0.66, "66% (2 in 3)"),
            (0.46, "46%"),
            (0.98, "98%"),
            (1.0, "100%"),
        ] {
            assert_eq!(chance(p), said, "{p}");
        }
    }

    #[test]
    fn what_is_said_is_near_what_is_meant() {
        for i in 1..1000 {
            let p = f64::from(i) / 1000.0;
            let said = one_in(p);
            let Some((a, b)) = said.split_once(" in ") else {
                continue;
            };
            let (Ok(a), Ok(b)) = (a.parse::<f64>(), b.replace(',', "").parse::<f64>()) else {
                continue;
            };
            assert!((a / b / p).ln().abs() < 0.23, "{p} said as {said}");
        }
    }

    #[test]
    fn numbers_are_grouped_and_never_minus_zero() {
        assert_eq!(number(-0.001, 2), "0.00");
        assert_eq!(number(-1234.5, 1), "−1,234.5");
        assert_eq!(number(999_999.5, 0), "1,000,000");
        assert_eq!(meter(12_345.0), "12,345");
        assert_eq!(meter(12_345.64), "12,345.6");
        assert_eq!(count(1_000), "1,000");
        assert_eq!(significant(9.996, 3), "10.0");
        assert_eq!(significant(0.03141, 3), "0.0314");
        assert_eq!(significant(606.5, 3), "606");
        assert_eq!(significant(1e-9, 3), "1.00e-9");
        assert_eq!(cost(86.5), "86.50");
        assert_eq!(cost(86.0), "86");
        assert_eq!(money(1234.5, "USD"), "1,234 USD");
        assert_eq!(expected(0.004), "< 0.01");
        assert_eq!(expected(3.44), "3.4");
        assert_eq!(
            (length(0.25), length(0.2), length(20.0)),
            ("0.25".into(), "0.2".into(), "20".into())
        );
        assert_eq!(plural(1, "belt"), "1 belt");
        assert_eq!(plural(3, "box"), "3 boxes");
    }

    #[test]
    fn days_have_their_month_in_letters() {
        assert_eq!(date(jiff::civil::date(2026, 5, 12)), "12 May 2026");
        assert_eq!(day_month(jiff::civil::date(2026, 12, 1)), "1 Dec");
    }

    #[test]
    fn names_cannot_steer_a_terminal_or_turn_a_line_around() {
        assert_eq!(
            plain("a\u{1b}[31mb\u{202e}c\nd"),
            "a\u{fffd}[31mb\u{fffd}c d"
        );
        assert_eq!(shortened("a very long name", 8), "a very…");
        assert_eq!(shortened("short", 8), "short");
    }
}
