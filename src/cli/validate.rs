//! `wearcast validate`.

use std::path::PathBuf;

use clap::Args;

use super::{CliError, Reply};
use crate::analysis::Watch;
use crate::report;
use crate::validate::{self, Dataset, DatasetError};

/// Arguments of `wearcast validate`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: wearcast validate\n          wearcast validate ball_bearings --all"
)]
pub(super) struct ValidateArgs {
    /// Only these examples; all when none is named.
    #[arg(value_name = "EXAMPLE")]
    examples: Vec<String>,
    /// Every value, not only the printed ones and the misses.
    #[arg(long)]
    all: bool,
    /// Read the examples from this folder instead of those built in.
    #[arg(long, value_name = "DIR")]
    datasets: Option<PathBuf>,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &ValidateArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    let datasets = match &args.datasets {
        Some(dir) => Dataset::read_all(dir),
        None => validate::embedded(),
    };
    let datasets = chosen(datasets.map_err(unusable)?, &args.examples)?;
    let outcome = validate::watched(&datasets, watch);
    let stdout = if args.json {
        report::json("validate", &outcome)
    } else {
        let tables = report::validation(&outcome, args.all);
        let texts: Vec<String> = tables.iter().map(report::text).collect();
        texts.join("\n")
    };
    let not_given = outcome
        .cases
        .iter()
        .filter(|case| case.totals.miss > 0)
        .map(|case| {
            let values = report::format::plural(case.totals.miss, "value");
            format!("{}: {values} outside the tolerance", case.id)
        })
        .collect();
    Ok(Reply {
        stdout,
        not_given,
        ..Reply::default()
    })
}

fn chosen(datasets: Vec<Dataset>, examples: &[String]) -> Result<Vec<Dataset>, CliError> {
    for example in examples {
        if !datasets.iter().any(|dataset| dataset.id == *example) {
            let known: Vec<&str> = datasets.iter().map(|d| d.id.as_str()).collect();
            return Err(CliError::Usage(format!(
                "no example is called `{example}`; there are {}",
                known.join(", ")
            )));
        }
    }
    Ok(datasets
        .into_iter()
        .filter(|dataset| examples.is_empty() || examples.contains(&dataset.id))
        .collect())
}

fn unusable(error: DatasetError) -> CliError {
    match error {
        DatasetError::Read { path, source } => CliError::Read {
            path: path.into(),
            source,
        },
        other => CliError::Input(other.to_string()),
    }
}
