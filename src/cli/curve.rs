//! `wearcast curve`.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::{CliError, Reply, curve_kinds, lives_input};
use crate::models::curve::{Curve, CurveMethod, reliability_curve};
use crate::report::{self, Cell, Table};

/// Arguments of `wearcast curve`.
#[derive(Debug, Args)]
#[command(after_help = "Example: wearcast curve examples/evaporator-crew")]
pub(super) struct CurveArgs {
    /// Lives file (.csv or .parquet), or a fleet folder.
    #[arg(value_name = "LIVES|DIR")]
    pub(super) input: PathBuf,
    /// One curve for each value of this column.
    #[arg(long, value_name = "COLUMN")]
    pub(super) by: Option<String>,
    /// Only lives of this part kind.
    #[arg(long, value_name = "PART")]
    pub(super) part: Option<String>,
    /// Confidence of the limits, two-sided.
    #[arg(long, value_name = "SHARE", default_value_t = 0.95)]
    pub(super) confidence: f64,
    /// The cumulative hazard instead (Nelson–Aalen).
    #[arg(long, conflicts_with_all = ["cause", "replacements"])]
    hazard: bool,
    /// The share worn out by each cause instead, which this column tells (Aalen–Johansen).
    #[arg(long, value_name = "COLUMN", conflicts_with = "replacements")]
    cause: Option<String>,
    /// The mean number of replacements by the age of the machine instead; needs a column machine, and
    /// takes the lives of one machine (and position) as following one another in the order of the rows;
    /// a row that counts for several stands for as many replacements at one age.
    #[arg(long)]
    replacements: bool,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    pub(super) json: bool,
}

/// One curve with the value of the column it stands for.
#[derive(Debug, Serialize)]
struct Named {
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<String>,
    #[serde(flatten)]
    curve: Curve,
}

#[derive(Debug, Serialize)]
struct Curves {
    #[serde(skip_serializing_if = "Option::is_none")]
    by: Option<String>,
    curves: Vec<Named>,
}

pub(super) fn run(args: &CurveArgs) -> Result<Reply, CliError> {
    if args.hazard {
        return curve_kinds::hazard(args);
    }
    if let Some(cause) = &args.cause {
        return curve_kinds::incidence(args, cause);
    }
    if args.replacements {
        return curve_kinds::replacements(args);
    }
    let mut curves = Vec::new();
    let input = lives_input::read(&args.input, args.part.as_deref())?;
    for part in input.parts {
        for (value, rows) in curve_kinds::groups(args, &part)? {
            let lives = part.table.observations.rows(&rows);
            let curve = reliability_curve(&lives, args.confidence)
                .map_err(|error| CliError::Input(format!("{}: {error}", args.input.display())))?;
            curves.push(Named {
                part: part.part.clone(),
                value,
                curve,
            });
        }
    }
    if args.json {
        let only = curves.len() == 1 && args.by.is_none();
        let json = match curves.pop() {
            Some(one) if only => report::json("curve", &one),
            last => {
                curves.extend(last);
                report::json(
                    "curve",
                    &Curves {
                        by: args.by.clone(),
                        curves,
                    },
                )
            }
        };
        return Ok(Reply::text(json).without(input.left_out));
    }
    let mut out = String::new();
    for (i, named) in curves.iter().enumerate() {
        if i > 0 {
            out.push('\n');
        }
        out.push_str(&report::text(&table(named)));
    }
    Ok(Reply::text(out).without(input.left_out))
}

fn table(named: &Named) -> Table {
    let curve = &named.curve;
    let mut title = match curve.method {
        CurveMethod::KaplanMeier => "Reliability by age, without a model (Kaplan–Meier)".to_owned(),
        CurveMethod::Turnbull => "Reliability by age, without a model (Turnbull)".to_owned(),
    };
    for word in [&named.part, &named.value].into_iter().flatten() {
        title = format!("{title}: {word}");
    }
    let mut table = Table::new("curve", title)
        .figures("hours", "Hours")
        .figures("at_risk", "At risk")
        .figures("worn", "Worn")
        .figures("reliability", "Reliability")
        .figures("standard_error", "Std error")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    let hours = |v: f64| Cell::text(lives_input::amount(v));
    let share = |v: f64| Cell::number(v, 4);
    for p in curve.points() {
        table.push(vec![
            if p.from_hours < p.hours {
                Cell::text(format!(
                    "{} to {}",
                    lives_input::amount(p.from_hours),
                    lives_input::amount(p.hours)
                ))
            } else {
                hours(p.hours)
            },
            Cell::text(lives_input::amount(p.at_risk)),
            Cell::text(lives_input::amount(p.worn)),
            share(p.reliability),
            Cell::maybe(p.standard_error, share),
            Cell::maybe(p.lower, share),
            Cell::maybe(p.upper, share),
        ]);
    }
    let show = |v: Option<f64>| v.map_or_else(|| "not reached".to_owned(), lives_input::amount);
    table.note(format!(
        "{} lives, {} worn. Median life in hours: {} ({:.0}%: {} to {}). Limits on the log-log scale.",
        lives_input::amount(curve.lives),
        lives_input::amount(curve.worn),
        show(curve.median.hours),
        100.0 * curve.confidence,
        show(curve.median.lower),
        show(curve.median.upper)
    ));
    for caution in &curve.cautions {
        table.note(&caution.text);
    }
    table
}
