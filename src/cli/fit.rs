//! `wearcast fit`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use serde::Serialize;

use super::{CliError, Reply};
use crate::lives::{ColumnValues, LivesTable, Observations};
use crate::models::{Belief, Family, Fit, FitRequest, IntervalMethod, Method, fit};
use crate::report::{self, Cell, Table, format};

/// Arguments of `wearcast fit`.
#[derive(Debug, Args)]
pub(super) struct FitArgs {
    /// Lives file (.csv or .parquet): hours and outcome, or low and high, a row a life.
    #[arg(value_name = "LIVES")]
    lives: PathBuf,
    /// Family of life distributions.
    #[arg(long, value_enum, default_value = "weibull")]
    distribution: FamilyArg,
    /// How the parameters are estimated.
    #[arg(long, value_enum, default_value = "likelihood")]
    method: MethodArg,
    /// How the intervals are made [default: posterior].
    #[arg(long, value_enum)]
    interval: Option<IntervalArg>,
    /// Confidence of the intervals, between 0 and 1.
    #[arg(long, default_value_t = 0.95, value_name = "SHARE")]
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
    #[arg(long, value_delimiter = ',', value_name = "HOURS,…")]
    at_hours: Vec<f64>,
    /// Columns that lengthen or shorten life (accelerated-life regression).
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    covariates: Vec<String>,
    /// Fit each value of these columns by itself; the column part, where the file has one, unless
    /// told otherwise.
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    by: Vec<String>,
    /// Shape taken as known; only the scale is estimated.
    #[arg(long, value_name = "SHAPE")]
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
enum FamilyArg {
    Weibull,
    Lognormal,
    Loglogistic,
    Exponential,
    WeibullThreshold,
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
}

pub(super) fn run(args: &FitArgs) -> Result<Reply, CliError> {
    let table =
        LivesTable::read(&args.lives).map_err(|error| CliError::Input(error.to_string()))?;
    let (by, remarks) = grouping(args, &table)?;
    if !args.covariates.is_empty() {
        return Err(CliError::NotBuilt("fit --covariates"));
    }
    let request = request(args);
    let mut fits = Vec::new();
    let mut not_given = Vec::new();
    for (label, observations) in groups(&table, &by)? {
        let mut answer = fit(&observations, &request).map_err(|error| {
            let group = label
                .as_deref()
                .map(|l| format!(" ({l})"))
                .unwrap_or_default();
            CliError::Input(format!("{}{group}: {error}", args.lives.display()))
        })?;
        answer.part = label;
        if let Some(why) = missing(&answer, args.interval.is_some()) {
            let name = answer.part.as_deref().unwrap_or("the lives");
            not_given.push(format!("{name}: {why}"));
        }
        fits.push(answer);
    }
    let body = Body { fits };
    let stdout = if args.json {
        report::json("fit", &body)
    } else {
        body.fits.iter().map(shown).collect::<Vec<_>>().join("\n")
    };
    Ok(Reply {
        stdout,
        remarks,
        not_given,
    })
}

fn request(args: &FitArgs) -> FitRequest {
    FitRequest {
        family: match args.distribution {
            FamilyArg::Weibull => Family::Weibull,
            FamilyArg::Lognormal => Family::Lognormal,
            FamilyArg::Loglogistic => Family::Loglogistic,
            FamilyArg::Exponential => Family::Exponential,
            FamilyArg::WeibullThreshold => Family::WeibullThreshold,
        },
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
    }
}

/// The grouping columns: as asked, else `part` where the file has it.
fn grouping(args: &FitArgs, table: &LivesTable) -> Result<(Vec<String>, Vec<String>), CliError> {
    if args.by.is_empty() {
        return Ok(match table.column("part") {
            Some(column) => (vec![column.name.clone()], Vec::new()),
            None => (Vec::new(), Vec::new()),
        });
    }
    for name in &args.by {
        if table.column(name).is_none() {
            let there: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
            let there = if there.is_empty() {
                "none".to_owned()
            } else {
                there.join(", ")
            };
            return Err(CliError::Input(format!(
                "{}: there is no column {name:?} to fit by; columns that can be used: {there}",
                args.lives.display()
            )));
        }
    }
    Ok((args.by.clone(), Vec::new()))
}

/// The lives of each group, by its label (values joined by ", "), sorted.
fn groups(
    table: &LivesTable,
    by: &[String],
) -> Result<Vec<(Option<String>, Observations)>, CliError> {
    let all = &table.observations;
    if by.is_empty() {
        return Ok(vec![(None, all.clone())]);
    }
    let columns: Vec<_> = by.iter().filter_map(|name| table.column(name)).collect();
    let mut rows: BTreeMap<String, Observations> = BTreeMap::new();
    for i in 0..all.len() {
        let mut label = Vec::new();
        for column in &columns {
            match cell(&column.values, i) {
                Some(value) => label.push(value),
                None => {
                    return Err(CliError::Input(format!(
                        "row {} (counting from the first life) has no value in column {:?}, which \
                         the fit goes by; fill it in or leave the row out",
                        i + 1,
                        column.name
                    )));
                }
            }
        }
        rows.entry(label.join(", ")).or_default().push(
            all.low[i],
            all.high[i],
            all.entry.get(i).copied().unwrap_or(0.0),
            all.count.get(i).copied().unwrap_or(1.0),
        );
    }
    Ok(rows
        .into_iter()
        .map(|(label, lives)| (Some(label), lives))
        .collect())
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
        .map(|c| c.text.as_str())
        .next()
        .unwrap_or("some numbers do not exist");
    Some(why.to_owned())
}

fn shown(fit: &Fit) -> String {
    let name = fit.part.as_deref().unwrap_or("all lives");
    let mut table = Table::new("fit", format!("Life model: {name}"))
        .words("quantity", "")
        .figures("estimate", "Estimate")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    let figure = |x: Option<f64>| {
        Cell::text(x.map_or_else(|| format::NOTHING.to_owned(), |v| format::significant(v, 4)))
    };
    for p in fit.parameters.iter().chain(&fit.coefficients) {
        table.push(vec![
            Cell::text(p.name.clone()),
            figure(p.estimate),
            figure(p.lower),
            figure(p.upper),
        ]);
    }
    if let Some(shape) = fit.reduced_bias_shape {
        table.push(vec![Cell::text("shape, reduced bias"), figure(Some(shape))]);
    }
    for q in &fit.quantiles {
        table.push(vec![
            Cell::text(format!(
                "{} worn out by, hours",
                format::percent(q.probability)
            )),
            figure(q.hours),
            figure(q.lower),
            figure(q.upper),
        ]);
    }
    for r in &fit.reliability {
        table.push(vec![
            Cell::text(format!("still good at {} hours", format::hours(r.hours))),
            figure(r.reliability),
            figure(r.lower),
            figure(r.upper),
        ]);
    }
    let mean = &fit.mean_life;
    table.push(vec![
        Cell::text("mean life, hours"),
        figure(mean.hours),
        figure(mean.lower),
        figure(mean.upper),
    ]);
    let n = &fit.lives;
    table.note(format!(
        "{} lives: {} worn, {} right-censored, {} left-censored, {} between two ages; {} seen only \
         from a later age.",
        n.total, n.worn, n.right_censored, n.left_censored, n.interval_censored, n.left_truncated
    ));
    let intervals = if fit.parameters.iter().any(|p| p.lower.is_some()) {
        format!(
            "{} % intervals: {}",
            100.0 * fit.confidence,
            words(&fit.interval_method)
        )
    } else {
        "no intervals".to_owned()
    };
    table.note(format!(
        "Family {}, by {}; {intervals}.",
        words(&fit.distribution),
        words(&fit.method)
    ));
    if let Some(log_likelihood) = fit.log_likelihood {
        table.note(format!(
            "Log-likelihood {}, AIC {}.",
            format::significant(log_likelihood, 7),
            format::significant(fit.aic.unwrap_or(f64::NAN), 7)
        ));
    }
    if let Some(a2) = fit.goodness_of_fit.anderson_darling {
        let p = fit
            .goodness_of_fit
            .p_value
            .map(format::p_value)
            .unwrap_or_default();
        table.note(format!(
            "Anderson–Darling {} {p}",
            format::significant(a2, 4)
        ));
    }
    for caution in &fit.cautions {
        table.note(format!("Caution: {}.", caution.text));
    }
    report::text(&table)
}

/// A choice in its own words, as on the command line.
fn words<T: Serialize>(choice: &T) -> String {
    serde_json::to_value(choice)
        .ok()
        .and_then(|v| v.as_str().map(ToOwned::to_owned))
        .unwrap_or_default()
}
