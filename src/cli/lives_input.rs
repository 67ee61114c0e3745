//! A lives file, by part kind where it has several.

use std::path::Path;

use super::CliError;
use crate::compare::Grouping;
use crate::lives::LivesTable;

/// The lives of one part kind.
pub(super) struct PartLives {
    /// Part kind; none where the input does not tell.
    pub(super) part: Option<String>,
    pub(super) table: LivesTable,
}

/// Reads a lives file and keeps one part kind, where one is asked for.
///
/// # Errors
/// An unreadable file, or a part it does not have.
pub(super) fn read(path: &Path, part: Option<&str>) -> Result<Vec<PartLives>, CliError> {
    if path.is_dir() {
        return Err(CliError::NotBuilt("this command on a fleet folder"));
    }
    let table = LivesTable::read(path).map_err(|error| CliError::Input(error.to_string()))?;
    let grouping = Grouping::of(&table, "part").ok();
    match (part, grouping) {
        (None, Some(grouping)) if grouping.levels.len() == 1 => Ok(vec![PartLives {
            part: grouping.levels.first().cloned(),
            table,
        }]),
        (None, _) => Ok(vec![PartLives { part: None, table }]),
        (Some(part), Some(grouping)) => {
            let Some(level) = grouping.levels.iter().position(|l| l == part) else {
                return Err(CliError::Input(format!(
                    "{}: there is no part {part:?}; parts: {}",
                    path.display(),
                    grouping.levels.join(", ")
                )));
            };
            let of = |&i: &usize| grouping.codes[i] as usize == level;
            let rows: Vec<usize> = (0..grouping.codes.len()).filter(of).collect();
            Ok(vec![PartLives {
                part: Some(part.to_owned()),
                table: table.rows(&rows),
            }])
        }
        (Some(part), None) => Err(CliError::Input(format!(
            "{}: asked for part {part:?}, but the file has no column part",
            path.display()
        ))),
    }
}

/// A count or an age as it stood: whole ones whole, others to five digits without trailing zeros.
pub(super) fn amount(value: f64) -> String {
    let digits = if value.fract() == 0.0 { 15 } else { 5 };
    let text = crate::report::format::significant(value, digits);
    if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::amount;

    #[test]
    fn amounts_have_no_more_digits_than_they_say() {
        assert_eq!(amount(300.0), "300");
        assert_eq!(amount(12_345.0), "12,345");
        assert_eq!(amount(99.99999997), "100");
        assert_eq!(amount(0.25), "0.25");
    }
}
