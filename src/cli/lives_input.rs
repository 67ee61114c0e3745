//! A lives file or a fleet folder, by part kind.

use std::collections::BTreeMap;
use std::path::Path;

use super::CliError;
use crate::compare::Grouping;
use crate::lives::{self, Lives, LivesTable};
use crate::records::{Fleet, LoadOptions, Text};

/// The lives of one part kind.
pub(super) struct PartLives {
    /// Part kind; none where the input does not tell.
    pub(super) part: Option<String>,
    pub(super) table: LivesTable,
}

/// Lives by part kind, and which could not be taken along.
pub(super) struct LivesInput {
    pub(super) parts: Vec<PartLives>,
    /// Lives of positions that are not told, as sentences.
    pub(super) left_out: Vec<String>,
}

/// Lives that only a likelihood can take in, part by part.
pub(super) fn left_out(lives: &Lives) -> Vec<String> {
    let mut by_part: BTreeMap<Text, u32> = BTreeMap::new();
    for unplaced in &lives.unplaced {
        *by_part.entry(unplaced.part).or_default() += unplaced.lives();
    }
    let said = by_part.into_iter().map(|(part, count)| {
        format!(
            "{part}: {count} lives of positions that the rows do not tell are left out, since they \
             have no ages of their own; those left in tend to be the short ones"
        )
    });
    said.collect()
}

/// Reads lives from a file (kept together) or a fleet folder (each part kind by itself), or those of
/// one part kind.
///
/// # Errors
/// An unreadable file, or a part it does not have.
pub(super) fn read(path: &Path, part: Option<&str>) -> Result<LivesInput, CliError> {
    let whole_fleet = path.is_dir();
    let mut left_out = Vec::new();
    let table = if whole_fleet {
        let fleet = Fleet::load(path, &LoadOptions::default())?;
        let mut lives = lives::build(&fleet);
        lives
            .unplaced
            .retain(|u| part.is_none_or(|part| u.part == part));
        left_out = self::left_out(&lives);
        LivesTable::from_lives(&lives.lives)
    } else {
        LivesTable::read(path)?
    };
    Ok(LivesInput {
        parts: by_part(path, table, part, whole_fleet)?,
        left_out,
    })
}

/// The lives of each part kind of a fleet; those of a file together, unless one part is asked for.
fn by_part(
    path: &Path,
    table: LivesTable,
    part: Option<&str>,
    each: bool,
) -> Result<Vec<PartLives>, CliError> {
    let grouping = Grouping::of(&table, "part").ok();
    match (part, grouping) {
        (None, Some(grouping)) if each => Ok((0..grouping.levels.len())
            .map(|level| PartLives {
                part: Some(grouping.levels[level].clone()),
                table: table.rows(&grouping.rows_of(level)),
            })
            .collect()),
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
            Ok(vec![PartLives {
                part: Some(part.to_owned()),
                table: table.rows(&grouping.rows_of(level)),
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
