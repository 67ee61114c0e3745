//! `wearcast compare DIR --practice tension`: the words and tables.

use std::path::Path;

use super::{CliError, Reply};
use crate::compare::practice::{
    PracticeComparison, PracticeOptions, practice_named, tension_practice,
};
use crate::lives;
use crate::meters::Meters;
use crate::records::{Fleet, LoadOptions};
use crate::report::{self, format, practice_tables};

/// What is asked on the command line.
pub(super) struct Asked<'a> {
    pub(super) dir: &'a Path,
    pub(super) practice: &'a str,
    pub(super) options: PracticeOptions,
    /// In the practice's own unit.
    pub(super) reading_error: Option<f64>,
    pub(super) json: bool,
}

pub(super) fn run(mut asked: Asked<'_>) -> Result<Reply, CliError> {
    let unusable = |error: String| CliError::Input(format!("{}: {error}", asked.dir.display()));
    practice_named(asked.practice).map_err(|error| CliError::Usage(error.to_string()))?;
    if !asked.dir.is_dir() {
        return Err(unusable(
            "--practice needs a fleet folder with tension checks, not a file".to_owned(),
        ));
    }
    let fleet = Fleet::load(asked.dir, &LoadOptions::default())?;
    let per_inch = fleet.practice.map_or(1.0, |p| p.unit.per_inch());
    if let Some(error) = asked.reading_error {
        if !(error > 0.0 && error.is_finite()) {
            return Err(CliError::Usage(format!(
                "--reading-error {error}: a length above 0 is needed, in the unit of [practice]"
            )));
        }
        asked.options.reading_error_in = Some(error / per_inch);
    }
    let meters = Meters::new(&fleet);
    let lives = lives::build_with(&fleet, &meters);
    let found = tension_practice(&fleet, &meters, &lives, &asked.options)
        .map_err(|error| unusable(error.to_string()))?;
    let mut not_given = Vec::new();
    if found.in_band.is_none() {
        not_given.push(format!(
            "{}: no life ratio in the band against outside it",
            found.part
        ));
    }
    let stdout = if asked.json {
        report::json_of_work("compare", &found)
    } else {
        shown(&found)
    };
    Ok(Reply {
        stdout,
        remarks: Vec::new(),
        not_given,
    })
}

fn shown(p: &PracticeComparison) -> String {
    let paragraph = |text: &str| report::wrapped(&format::plain(text), "", "");
    let mut out = paragraph(&p.answer);
    if !p.worth_answer.is_empty() {
        out.push('\n');
        out.push_str(&paragraph(&p.worth_answer));
    }
    for table in practice_tables(p) {
        out.push('\n');
        out.push_str(&report::text(&table));
    }
    out.push('\n');
    for caution in &p.cautions {
        out.push_str(&report::wrapped(&format::plain(&caution.text), "- ", "  "));
    }
    out.push('\n');
    out.push_str(&paragraph(report::SAFETY));
    out
}
