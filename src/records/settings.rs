//! `fleet.toml`, read; with a hint where a setting is written the way people write it elsewhere.

use std::path::Path;

use super::fleet_file::FleetFile;
use super::load::FLEET_FILE;
use super::{RecordsError, contents};

/// Largest settings file, bytes.
const MAX_SETTINGS: u64 = 16 << 20;
/// Characters of a line of the settings that a message repeats.
const LONGEST_LINE: usize = 300;

/// Reads `fleet.toml`.
pub(super) fn fleet_file(dir: &Path) -> Result<FleetFile, RecordsError> {
    let refuse = |what: String| RecordsError::Table {
        file: FLEET_FILE.to_owned(),
        what,
    };
    let bytes = contents::read(&dir.join(FLEET_FILE), FLEET_FILE, MAX_SETTINGS)?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let line = error.as_bytes()[..error.utf8_error().valid_up_to()]
            .split(|b| *b == b'\n')
            .count();
        refuse(format!(
            "line {line} is not UTF-8 text; save the file as UTF-8"
        ))
    })?;
    toml::from_str(&text).map_err(|error| {
        let said: Vec<String> = error
            .to_string()
            .trim_end()
            .lines()
            .map(cut_short)
            .collect();
        refuse(format!("{}{}", said.join("\n"), hint(&text, error.span())))
    })
}

/// A line of a message about the settings, which may repeat a line of them.
fn cut_short(line: &str) -> String {
    match line.char_indices().nth(LONGEST_LINE) {
        Some((at, _)) => format!("{}…", &line[..at]),
        None => line.to_owned(),
    }
}

/// What is meant where a setting is written the way people write it elsewhere.
fn hint(text: &str, span: Option<std::ops::Range<usize>>) -> &'static str {
    let at = span.map_or(0, |s| s.start.min(text.len()));
    let begin = text
        .get(..at)
        .and_then(|before| before.rfind('\n'))
        .map_or(0, |n| n + 1);
    let line = text
        .get(begin..)
        .and_then(|rest| rest.lines().next())
        .unwrap_or_default();
    let value = line.split_once('=').map_or("", |(_, value)| value.trim());
    let digits_and = |mark: char| {
        value.contains(mark)
            && value
                .trim_matches('"')
                .starts_with(|c: char| c.is_ascii_digit())
    };
    if digits_and('%') {
        "\nA share is written as a number: 95% is 0.95."
    } else if digits_and('/') || (digits_and('.') && value.matches('.').count() > 1) {
        "\nA day is written year-month-day: 2 June 2025 is 2025-06-02."
    } else {
        ""
    }
}
