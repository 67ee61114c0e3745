//! `wearcast fit`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::{Args, ValueEnum};
use rayon::prelude::*;
use serde::Serialize;

use super::fit_text::{families_shown, shown};
use super::{CliError, Reply, family};
use crate::analysis::Watch;
use crate::lives::{self, ColumnValues, LivesTable, NamedColumn, Observations, Unplaced};
use crate::models::regression::{Covariate, CovariateValues, Strata, StratumOwns};
use crate::models::{
    Belief, Caution, CautionCode, CovariateFitError, Family, FamilyComparison, Fit, FitRequest,
    IntervalMethod, Method, PlotPosition, compare_families, fit, fit_with_covariates,
    fit_with_strata,
};
use crate::records::{Fleet, LoadOptions};
use crate::report;

/// Arguments of `wearcast fit`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: wearcast fit examples/evaporator-crew\n          wearcast fit lives.csv --interval likelihood --at-probability 0.1"
)]
pub(super) struct FitArgs {
    /// Lives file (.csv or .parquet: hours and outcome, or low and high, a row a life) or fleet
    /// folder.
    #[arg(value_name = "LIVES|DIR")]
    lives: PathBuf,
    /// Look at a fleet folder from this day (YYYY-MM-DD) instead of its own.
    #[arg(long, value_name = "DATE")]
    as_of: Option<jiff::civil::Date>,
    /// Family of life distributions; all: each in turn, with a table by AIC.
    #[arg(long, value_parser = family::one_or_all(), default_value = "weibull")]
    distribution: family::Asked,
    /// How the parameters are estimated.
    #[arg(long, value_enum, default_value = "likelihood")]
    method: MethodArg,
    /// Plot positions of the methods that fit a line through ranks.
    #[arg(long, value_enum, default_value = "median-rank")]
    plot_position: PlotPositionArg,
    /// How the intervals are made [default: posterior].
    #[arg(long, value_enum)]
    interval: Option<IntervalArg>,
    /// Confidence of the intervals, between 0 and 1.
    #[arg(
        long,
        default_value_t = 0.95,
        value_name = "SHARE",
        allow_negative_numbers = true
    )]
    confidence: f64,
    /// Shares worn out at which to give hours.
    #[arg(
        long,
        value_delimiter = ',',
        default_value = "0.1,0.5",
        value_name = "SHARE,…"
    )]
    at_probability: Vec<f64>,
    /// Ages in hours at which to give the share still good.
    #[arg(
        long,
        value_delimiter = ',',
        value_name = "HOURS,…",
        allow_negative_numbers = true
    )]
    at_hours: Vec<f64>,
    /// Columns that lengthen or shorten life (accelerated-life regression).
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    covariates: Vec<String>,
    /// Fit each value of these columns by itself; the column part, where the file has one, unless
    /// told otherwise.
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    by: Vec<String>,
    /// Column that tells the cause of wear-out: one fit a cause, with lives that ended by another
    /// cause as right-censored.
    #[arg(long, value_name = "COLUMN")]
    cause: Option<String>,
    /// Column whose values share one model but own their shape, their scale, or both.
    #[arg(long, value_name = "COLUMN")]
    strata: Option<String>,
    /// What each stratum owns.
    #[arg(long, value_enum, default_value = "both", requires = "strata")]
    strata_own: OwnArg,
    /// Column whose values are alike (machine): coefficients get clustered errors.
    #[arg(long, value_name = "COLUMN", requires = "covariates")]
    clusters: Option<String>,
    /// Shape taken as known; only the scale is estimated.
    #[arg(long, value_name = "SHAPE", allow_negative_numbers = true)]
    known_shape: Option<f64>,
    /// Belief to combine with the lives: nine in ten such parts wear out between LOW and HIGH hours.
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"])]
    believed_life: Option<Vec<f64>>,
    /// What the belief is worth, in worn parts.
    #[arg(
        long,
        default_value_t = 1.0,
        value_name = "PARTS",
        requires = "believed_life"
    )]
    belief_worth: f64,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum PlotPositionArg {
    /// The exact median rank.
    MedianRank,
    /// Benard's approximation, (i − 0.3)/(n + 0.4).
    Benard,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum MethodArg {
    /// Maximum likelihood.
    Likelihood,
    /// Least squares of log time on the rank's plotting scale.
    TimeOnRank,
    /// Least squares of the rank's plotting scale on log time.
    RankOnTime,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum OwnArg {
    /// A scale of its own; the shape is shared.
    Scale,
    /// A shape of its own; the scale is shared.
    Shape,
    /// Both; only coefficients are shared.
    Both,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum IntervalArg {
    /// Likelihood ratio.
    Likelihood,
    /// Normal approximation on the log scale.
    Wald,
    /// Posterior, flat in the logs of shape and scale, or with a belief.
    Posterior,
    /// Fractional random weights.
    Bootstrap,
}

#[derive(Debug, Serialize)]
struct Body {
    fits: Vec<Fit>,
    /// With `--distribution all`: the families of each part or group side by side.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    families: Vec<FamilyComparison>,
}

pub(super) fn run(args: &FitArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    watch.reached(0.0, "reading lives");
    let (table, unplaced) = read(args)?;
    let families = match args.distribution {
        family::Asked::One(family) => vec![family],
        family::Asked::All => comparable(args)?,
    };
    let mut fits = Vec::new();
    let mut not_given = Vec::new();
    let mut groups = groups(args, &table)?;
    add_unplaced(args, unplaced, &mut groups, &mut not_given);
    let asked: Vec<(&Group, Family)> = groups
        .iter()
        .flat_map(|group| families.iter().map(move |family| (group, *family)))
        .collect();
    let done = AtomicUsize::new(0);
    watch.reached(0.0, "fitting life models");
    let answers: Vec<_> = asked
        .par_iter()
        .map(|(group, family)| {
            let answer = answer(args, &table, group, &request(args, *family));
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            watch.reached(done as f64 / asked.len() as f64, "fitting life models");
            answer
        })
        .collect();
    for ((group, _), answer) in asked.iter().zip(answers) {
        let name = group.label.as_deref().unwrap_or("the lives").to_owned();
        match answer {
            Ok(answers) => {
                for mut answer in answers {
                    answer.part = match (&group.label, answer.part) {
                        (Some(label), Some(stratum)) => Some(format!("{label}, {stratum}")),
                        (label, stratum) => label.clone().or(stratum),
                    };
                    // In a table of families, one without an estimate says so in its line.
                    if families.len() == 1
                        && let Some(why) = missing(&answer, args.interval.is_some())
                    {
                        not_given.push(format!("{name}: {why}"));
                    }
                    fits.push(answer);
                }
            }
            // The request is the same for all groups, so this ends the command.
            Err(CovariateFitError::Request(error)) => {
                return Err(CliError::Input(format!(
                    "{} ({name}): {error}",
                    args.lives.display()
                )));
            }
            Err(CovariateFitError::Regression(error)) => {
                not_given.push(format!("{name}: {error}"));
            }
        }
    }
    let comparisons = if families.len() > 1 {
        side_by_side(&groups, &fits, &mut not_given)
    } else {
        Vec::new()
    };
    let body = Body {
        fits,
        families: comparisons,
    };
    let stdout = if args.json {
        report::json("fit", &body)
    } else if body.families.is_empty() {
        body.fits.iter().map(shown).collect::<Vec<_>>().join("\n")
    } else {
        let table = |comparison| families_shown(comparison, &body.fits);
        body.families
            .iter()
            .map(table)
            .collect::<Vec<_>>()
            .join("\n")
    };
    Ok(Reply {
        stdout,
        not_given,
        ..Reply::default()
    })
}

/// The families that can be held side by side under the same request.
fn comparable(args: &FitArgs) -> Result<Vec<Family>, CliError> {
    if args.known_shape.is_some() || args.believed_life.is_some() {
        return Err(CliError::Usage(
            "--distribution all goes without --known-shape and --believed-life, which not all \
             families have"
                .to_owned(),
        ));
    }
    if args.strata.is_some() {
        return Err(CliError::Usage(
            "--distribution all goes without --strata; fit one family at a time".to_owned(),
        ));
    }
    if !matches!(args.method, MethodArg::Likelihood) {
        return Err(CliError::Usage(
            "--distribution all compares likelihoods, so it goes with --method likelihood only"
                .to_owned(),
        ));
    }
    // A threshold takes no covariates.
    let mut families = family::all().to_vec();
    if !args.covariates.is_empty() {
        families.retain(|family| *family != Family::WeibullThreshold);
    }
    Ok(families)
}

/// The table of families of each group; a group without any estimate was not given.
fn side_by_side(
    groups: &[Group],
    fits: &[Fit],
    not_given: &mut Vec<String>,
) -> Vec<FamilyComparison> {
    let compared = groups.iter().filter_map(|group| {
        let own = fits.iter().filter(|fit| fit.part == group.label);
        let own: Vec<Fit> = own.cloned().collect();
        if own.iter().all(|fit| fit.aic.is_none()) {
            let name = group.label.as_deref().unwrap_or("the lives");
            not_given.push(format!("{name}: no family has an estimate"));
        }
        (!own.is_empty()).then(|| compare_families(group.label.as_deref(), &own))
    });
    compared.collect()
}

/// Adds the lives of positions that are not told to those of their part. They have no columns of
/// their own, so nothing but the part can tell them apart.
fn add_unplaced(
    args: &FitArgs,
    unplaced: Vec<Unplaced>,
    groups: &mut Vec<Group>,
    not_given: &mut Vec<String>,
) {
    let by_part = args.by.is_empty() || args.by == ["part"];
    let plain = args.covariates.is_empty() && args.strata.is_none() && args.cause.is_none();
    for unplaced in unplaced {
        let part = unplaced.part.as_str();
        if !(by_part && plain) {
            not_given.push(format!(
                "{part} on {}: {} lives of positions that the rows do not tell are left out; only a fit by \
                 part alone can take them in",
                unplaced.machine,
                unplaced.lives()
            ));
            continue;
        }
        let at = groups.iter().position(|g| g.label.as_deref() == Some(part));
        let at = at.unwrap_or_else(|| {
            groups.push(Group {
                label: Some(part.to_owned()),
                rows: Vec::new(),
                lives: Observations::default(),
            });
            groups.len() - 1
        });
        groups[at].lives.unplaced.push(unplaced);
    }
    groups.sort_by(|a, b| a.label.cmp(&b.label));
}

/// The lives of a file, or of a fleet folder.
fn read(args: &FitArgs) -> Result<(LivesTable, Vec<Unplaced>), CliError> {
    if args.lives.is_dir() {
        let fleet = Fleet::load(
            &args.lives,
            &LoadOptions {
                as_of: args.as_of,
                strict: false,
            },
        )?;
        let lives = lives::build(&fleet);
        return Ok((LivesTable::from_lives(&lives.lives), lives.unplaced));
    }
    Ok((LivesTable::read(&args.lives)?, Vec::new()))
}

fn answer(
    args: &FitArgs,
    table: &LivesTable,
    group: &Group,
    request: &FitRequest,
) -> Result<Vec<Fit>, CovariateFitError> {
    if args.covariates.is_empty() && args.strata.is_none() {
        return Ok(vec![fit(&group.lives, request)?]);
    }
    let named = |name: &String| table.column(name);
    let covariates = args.covariates.iter().filter_map(named).map(|column| {
        let values = &column.values;
        Covariate {
            name: column.name.clone(),
            values: match values {
                ColumnValues::Numbers(numbers) => {
                    CovariateValues::Number(group.rows.iter().map(|&i| numbers[i]).collect())
                }
                ColumnValues::Text { levels, codes } => category(levels, codes, &group.rows),
            },
        }
    });
    let covariates: Vec<Covariate> = covariates.collect();
    let taken_as_text: Vec<Caution> = args
        .covariates
        .iter()
        .filter_map(named)
        .filter_map(mixed)
        .collect();
    let clusters = args.clusters.as_ref().and_then(named).map(|column| {
        let mut seen = BTreeMap::new();
        for &i in &group.rows {
            seen.entry(cell(&column.values, i)).or_insert(0);
        }
        for (number, code) in seen.values_mut().enumerate() {
            *code = u32::try_from(number).unwrap_or(u32::MAX);
        }
        let code = |&i: &usize| seen[&cell(&column.values, i)];
        group.rows.iter().map(code).collect()
    });
    let mut fits = match args.strata.as_ref().and_then(named) {
        Some(column) => {
            let texts = group.rows.iter().map(|&i| cell(&column.values, i));
            let texts = texts.map(Option::unwrap_or_default);
            let values = match ColumnValues::from_texts(texts) {
                ColumnValues::Text { levels, codes } => CovariateValues::Category { levels, codes },
                ColumnValues::Numbers(numbers) => CovariateValues::Number(numbers),
            };
            let strata = Strata {
                of: Covariate {
                    name: column.name.clone(),
                    values,
                },
                own: match args.strata_own {
                    OwnArg::Scale => StratumOwns::Scale,
                    OwnArg::Shape => StratumOwns::Shape,
                    OwnArg::Both => StratumOwns::Both,
                },
            };
            fit_with_strata(&group.lives, request, covariates, strata, clusters)?
        }
        None => vec![fit_with_covariates(
            &group.lives,
            request,
            covariates,
            clusters,
        )?],
    };
    for fit in &mut fits {
        fit.cautions.extend(taken_as_text.iter().cloned());
    }
    Ok(fits)
}

/// A column of text most of whose values are numbers: taken as categories, which may not be meant.
fn mixed(column: &NamedColumn) -> Option<Caution> {
    let ColumnValues::Text { levels, .. } = &column.values else {
        return None;
    };
    let number = |level: &&String| level.trim().parse::<f64>().is_ok_and(f64::is_finite);
    let numbers = levels.iter().filter(number).count();
    let text = levels.iter().find(|level| !number(level))?;
    (2 * numbers > levels.len()).then(|| {
        Caution::new(
            CautionCode::Note,
            format!(
                "column {:?} is taken as categories because it holds {text:?}, which is no finite \
                 number; correct it if numbers are meant",
                column.name
            ),
        )
    })
}

/// A column that the model is to use must hold two values or more.
fn varied(args: &FitArgs, column: &NamedColumn) -> Result<(), CliError> {
    let n = match &column.values {
        ColumnValues::Numbers(numbers) => numbers.len(),
        ColumnValues::Text { codes, .. } => codes.len(),
    };
    let mut values = (0..n).filter_map(|i| cell(&column.values, i));
    let said = match values.next() {
        None => "is empty in every row".to_owned(),
        Some(first) => match values.find(|value| *value != first) {
            Some(_) => return Ok(()),
            None => format!("is {first:?} wherever it is filled in"),
        },
    };
    Err(CliError::Input(format!(
        "{}: column {:?} {said}, so it explains nothing; allowed: two or more different values, or leave \
         it out",
        args.lives.display(),
        column.name
    )))
}

/// Categories among these rows only, so that the base is the first level that is there.
fn category(levels: &[String], codes: &[u32], rows: &[usize]) -> CovariateValues {
    let mut there: Vec<u32> = rows.iter().map(|&i| codes[i]).collect();
    there.sort_unstable();
    there.dedup();
    there.retain(|&code| (code as usize) < levels.len());
    let place = |code: u32| there.binary_search(&code).ok();
    CovariateValues::Category {
        levels: there.iter().map(|&c| levels[c as usize].clone()).collect(),
        codes: rows
            .iter()
            .map(|&i| {
                place(codes[i])
                    .and_then(|p| u32::try_from(p).ok())
                    .unwrap_or(ColumnValues::EMPTY)
            })
            .collect(),
    }
}

fn request(args: &FitArgs, family: Family) -> FitRequest {
    FitRequest {
        family,
        method: match args.method {
            MethodArg::Likelihood => Method::Likelihood,
            MethodArg::TimeOnRank => Method::TimeOnRank,
            MethodArg::RankOnTime => Method::RankOnTime,
        },
        interval: match args.interval.unwrap_or(IntervalArg::Posterior) {
            IntervalArg::Likelihood => IntervalMethod::Likelihood,
            IntervalArg::Wald => IntervalMethod::Wald,
            IntervalArg::Posterior => IntervalMethod::Posterior,
            IntervalArg::Bootstrap => IntervalMethod::Bootstrap,
        },
        confidence: args.confidence,
        at_probability: args.at_probability.clone(),
        at_hours: args.at_hours.clone(),
        known_shape: args.known_shape,
        belief: args.believed_life.as_ref().map(|range| Belief {
            low: range[0],
            high: range[1],
            worth: args.belief_worth,
        }),
        plot_position: match args.plot_position {
            PlotPositionArg::MedianRank => PlotPosition::MedianRank,
            PlotPositionArg::Benard => PlotPosition::Benard,
        },
    }
}

/// A life by its number and, in a CSV file, its row (a header and no empty line before it).
fn place(args: &FitArgs, i: usize) -> String {
    let csv = args
        .lives
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    if csv {
        format!("row {} (life {})", i + 2, i + 1)
    } else {
        format!("life {}", i + 1)
    }
}

/// Lives fitted together.
struct Group {
    label: Option<String>,
    rows: Vec<usize>,
    lives: Observations,
}

/// Columns asked for that are not there.
fn known_columns(args: &FitArgs, table: &LivesTable) -> Result<(), CliError> {
    let asked = args.by.iter().chain(&args.covariates);
    let asked = asked.chain(&args.cause).chain(&args.clusters);
    for name in asked.chain(&args.strata) {
        if table.column(name).is_none() {
            let there: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
            let there = if there.is_empty() {
                "none".to_owned()
            } else {
                there.join(", ")
            };
            return Err(CliError::Input(format!(
                "{}: there is no column {name:?}; columns that can be used: {there}",
                args.lives.display()
            )));
        }
    }
    let explaining = args.covariates.iter().chain(&args.strata);
    for column in explaining.filter_map(|name| table.column(name)) {
        varied(args, column)?;
    }
    Ok(())
}

/// The groups by label (values joined by ", "), sorted; each split by cause where asked.
fn groups(args: &FitArgs, table: &LivesTable) -> Result<Vec<Group>, CliError> {
    known_columns(args, table)?;
    let by: Vec<&NamedColumn> = if args.by.is_empty() {
        table.column("part").into_iter().collect()
    } else {
        args.by
            .iter()
            .filter_map(|name| table.column(name))
            .collect()
    };
    let mut rows: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for i in 0..table.observations.len() {
        let mut label = Vec::new();
        for column in &by {
            let value = cell(&column.values, i).ok_or_else(|| {
                CliError::Input(format!(
                    "{}: {} has no value in column {:?}, which the fit goes by; fill it in or leave \
                     the row out",
                    args.lives.display(),
                    place(args, i),
                    column.name
                ))
            })?;
            label.push(value);
        }
        rows.entry(label).or_default().push(i);
    }
    let cause = args.cause.as_ref().and_then(|name| table.column(name));
    if let Some(cause) = cause {
        let worn = |i: &usize| table.observations.high[*i].is_finite();
        let mut untold =
            (0..table.observations.len()).filter(|i| cell(&cause.values, *i).is_none());
        if let Some(i) = untold.find(worn) {
            return Err(CliError::Input(format!(
                "{}: {} wore out and has no value in column {:?}, which tells the cause; fill it in",
                args.lives.display(),
                place(args, i),
                cause.name
            )));
        }
    }
    let mut groups = Vec::new();
    for (label, rows) in rows {
        let lives = chosen(&table.observations, &rows, |_| true);
        let Some(cause) = cause else {
            groups.push(Group {
                label: (!label.is_empty()).then(|| label.join(", ")),
                rows,
                lives,
            });
            continue;
        };
        // A cause's model takes lives that ended by another cause as right-censored.
        let worn = |i: &usize| table.observations.high[*i].is_finite();
        let causes: BTreeSet<String> = rows
            .iter()
            .filter(|i| worn(i))
            .filter_map(|&i| cell(&cause.values, i))
            .collect();
        for value in causes {
            let mut label = label.clone();
            label.push(value.clone());
            groups.push(Group {
                label: Some(label.join(", ")),
                lives: chosen(&table.observations, &rows, |i| {
                    cell(&cause.values, i).as_ref() == Some(&value)
                }),
                rows: rows.clone(),
            });
        }
    }
    Ok(groups)
}

/// Some rows; where the end does not count as worn, the life is right-censored where it was last
/// known good.
fn chosen(all: &Observations, rows: &[usize], counts: impl Fn(usize) -> bool) -> Observations {
    let mut lives = Observations::default();
    for &i in rows {
        let high = if counts(i) {
            all.high[i]
        } else {
            f64::INFINITY
        };
        lives.push(
            all.low[i],
            high,
            all.entry.get(i).copied().unwrap_or(0.0),
            all.count.get(i).copied().unwrap_or(1.0),
        );
    }
    lives
}

fn cell(values: &ColumnValues, i: usize) -> Option<String> {
    match values {
        ColumnValues::Numbers(numbers) => {
            let x = *numbers.get(i)?;
            (!x.is_nan()).then(|| x.to_string())
        }
        ColumnValues::Text { levels, codes } => {
            levels.get(*codes.get(i)? as usize).map(ToOwned::to_owned)
        }
    }
}

/// Why something asked for is not there, when it is not: an estimate (a lower bound stands in for
/// it where nothing wore out), or an interval that was asked for by name.
fn missing(fit: &Fit, interval_asked: bool) -> Option<String> {
    let estimated = fit
        .parameters
        .iter()
        .all(|p| p.estimate.is_some() || p.lower.is_some());
    let bounded = fit
        .parameters
        .iter()
        .any(|p| p.lower.is_some() || p.upper.is_some());
    if !fit.parameters.is_empty() && estimated && (bounded || !interval_asked) {
        return None;
    }
    let why = fit
        .cautions
        .iter()
        .find(|c| c.code.is_outcome())
        .or_else(|| fit.cautions.iter().find(|c| c.code == CautionCode::Note))
        .or_else(|| fit.cautions.first())
        .map_or("some numbers do not exist", |c| c.text.as_str());
    Some(why.to_owned())
}
