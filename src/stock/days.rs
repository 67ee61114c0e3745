//! Counting in days.

use jiff::civil::Date;

/// So many days later, or earlier; stays within the calendar.
pub(super) fn plus_days(day: Date, days: i32) -> Date {
    day.saturating_add(jiff::Span::new().days(days.clamp(-100_000, 100_000)))
}

/// Days from one day to another; negative when it lies before.
pub(super) fn days_between(from: Date, to: Date) -> i32 {
    from.until(to).map_or(0, |span| span.get_days())
}
