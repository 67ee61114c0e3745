//! `wearcast curve` for other curves than reliability: cumulative hazard, share ended by cause, and
//! mean number of replacements of a machine.

use std::collections::BTreeMap;

use serde::Serialize;

use super::curve::CurveArgs;
use super::lives_input::{self, PartLives};
use super::{CliError, Reply};
use crate::compare::Grouping;
use crate::models::curve::{
    CurveError, EventHistory, HazardPoint, IncidencePoint, MeanPoint, cumulative_incidence,
    mean_cumulative, nelson_aalen,
};
use crate::models::trend::{PowerLaw, TrendTest, lewis_robinson, power_law};
use crate::report::{self, Cell, Table, format};

/// p-value under which a trend is told.
const TREND: f64 = 0.05;

/// One curve and what it is of.
#[derive(Debug, Serialize)]
struct Named<T> {
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cause: Option<String>,
    confidence: f64,
    points: Vec<T>,
    #[serde(skip_serializing_if = "Option::is_none")]
    trend: Option<Trend>,
    cautions: Vec<String>,
}

/// Do the replacements of whole machines come faster or slower with age?
#[derive(Debug, Serialize)]
struct Trend {
    lewis_robinson: Option<TrendTest>,
    power_law: Option<PowerLaw>,
}

#[derive(Debug, Serialize)]
struct Body<T> {
    kind: &'static str,
    curves: Vec<Named<T>>,
}

/// A group's value, where there are groups, and its rows.
pub(super) type GroupRows = (Option<String>, Vec<usize>);

/// The rows of each group of a part kind, with the group's value where there are groups.
pub(super) fn groups(args: &CurveArgs, part: &PartLives) -> Result<Vec<GroupRows>, CliError> {
    let input = args.input.display();
    let Some(column) = &args.by else {
        return Ok(vec![(None, (0..part.table.observations.len()).collect())]);
    };
    let grouping = grouping(args, part, column)?;
    if grouping.levels.is_empty() {
        return Err(CliError::Input(format!(
            "{input}: column {column:?} is empty in every row, so there is no group to draw a curve of; \
             fill it in, or leave --by out"
        )));
    }
    let of = |g: usize| (Some(grouping.levels[g].clone()), grouping.rows_of(g));
    Ok((0..grouping.levels.len()).map(of).collect())
}

fn grouping(args: &CurveArgs, part: &PartLives, column: &str) -> Result<Grouping, CliError> {
    Grouping::of(&part.table, column)
        .map_err(|error| CliError::Input(format!("{}: {error}", args.input.display())))
}

fn unusable(args: &CurveArgs) -> impl Fn(CurveError) -> CliError {
    let input = args.input.display().to_string();
    move |error| CliError::Input(format!("{input}: {error}"))
}

fn amount(value: f64) -> Cell {
    Cell::text(lives_input::amount(value))
}

fn titled<T>(what: &str, named: &Named<T>) -> String {
    let words = [&named.part, &named.value, &named.cause];
    words
        .into_iter()
        .flatten()
        .fold(what.to_owned(), |title, word| format!("{title}: {word}"))
}

/// Tables, or one JSON document.
fn reply<T: Serialize>(
    args: &CurveArgs,
    kind: &'static str,
    curves: Vec<Named<T>>,
    table: impl Fn(&Named<T>) -> Table,
) -> Reply {
    if args.json {
        return Reply::text(report::json("curve", &Body { kind, curves }));
    }
    let texts = curves.iter().map(|named| {
        let mut table = table(named);
        for caution in &named.cautions {
            table.note(caution);
        }
        report::text(&table)
    });
    Reply::text(texts.collect::<Vec<_>>().join("\n"))
}

/// Nelson–Aalen.
pub(super) fn hazard(args: &CurveArgs) -> Result<Reply, CliError> {
    let mut curves = Vec::new();
    let input = lives_input::read(&args.input, args.part.as_deref())?;
    for part in input.parts {
        for (value, rows) in groups(args, &part)? {
            let lives = part.table.observations.rows(&rows);
            curves.push(Named {
                part: part.part.clone(),
                value,
                cause: None,
                confidence: args.confidence,
                points: nelson_aalen(&lives).map_err(unusable(args))?,
                trend: None,
                cautions: Vec::new(),
            });
        }
    }
    let reply = reply(args, "cumulative_hazard", curves, |named| {
        let title = titled(
            "Cumulative hazard by age, without a model (Nelson–Aalen)",
            named,
        );
        let mut table = Table::new("cumulative_hazard", title)
            .figures("hours", "Hours")
            .figures("at_risk", "At risk")
            .figures("worn", "Worn")
            .figures("cumulative_hazard", "Cumulative hazard")
            .figures("standard_error", "Std error");
        let row = |p: &HazardPoint| {
            vec![
                amount(p.hours),
                amount(p.at_risk),
                amount(p.worn),
                Cell::number(p.cumulative_hazard, 4),
                Cell::number(p.standard_error, 4),
            ]
        };
        for point in &named.points {
            table.push(row(point));
        }
        table.note(
            "A curve that bends upwards shows wear-out: the older a part, the sooner the next one goes.",
        );
        table
    });
    Ok(reply.without(input.left_out))
}

/// Aalen–Johansen.
pub(super) fn incidence(args: &CurveArgs, cause: &str) -> Result<Reply, CliError> {
    let mut curves = Vec::new();
    let input = lives_input::read(&args.input, args.part.as_deref())?;
    for part in input.parts {
        let causes = grouping(args, &part, cause)?;
        for (value, rows) in groups(args, &part)? {
            let lives = part.table.observations.rows(&rows);
            let own = causes.keep(&rows);
            let codes: Vec<usize> = own.codes.iter().map(|&code| code as usize).collect();
            let ended = |i: usize| lives.high[i].is_finite();
            if let Some(i) = (0..codes.len()).find(|&i| ended(i) && codes[i] >= own.levels.len()) {
                return Err(CliError::Input(format!(
                    "{}: life {} wore out and has no value in column {cause:?}, which tells the cause; \
                     fill it in",
                    args.input.display(),
                    rows[i] + 1
                )));
            }
            let found = cumulative_incidence(&lives, &codes, args.confidence);
            for curve in found.map_err(unusable(args))? {
                if curve.points.is_empty() {
                    continue;
                }
                curves.push(Named {
                    part: part.part.clone(),
                    value: value.clone(),
                    cause: own.levels.get(curve.cause).cloned(),
                    confidence: args.confidence,
                    points: curve.points,
                    trend: None,
                    cautions: Vec::new(),
                });
            }
        }
    }
    let reply = reply(args, "cumulative_incidence", curves, |named| {
        let title = titled(
            "Share worn out by cause, without a model (Aalen–Johansen)",
            named,
        );
        let mut table = Table::new("cumulative_incidence", title)
            .figures("hours", "Hours")
            .figures("at_risk", "At risk")
            .figures("ended", "Worn")
            .figures("incidence", "Share worn out")
            .figures("standard_error", "Std error")
            .figures("lower", "Lower")
            .figures("upper", "Upper");
        let share = |v: f64| Cell::number(v, 4);
        let row = |p: &IncidencePoint| {
            vec![
                amount(p.hours),
                amount(p.at_risk),
                amount(p.ended),
                share(p.incidence),
                Cell::maybe(p.standard_error, share),
                Cell::maybe(p.lower, share),
                Cell::maybe(p.upper, share),
            ]
        };
        for point in &named.points {
            table.push(row(point));
        }
        table.note(
            "The shares of all causes and the share still good add up to 1: a part that went by one \
             cause cannot go by another.",
        );
        table
    });
    Ok(reply.without(input.left_out))
}

/// Mean cumulative function, with the trend of whole machines.
pub(super) fn replacements(args: &CurveArgs) -> Result<Reply, CliError> {
    let mut curves = Vec::new();
    let input = lives_input::read(&args.input, args.part.as_deref())?;
    for part in input.parts {
        for (value, rows) in groups(args, &part)? {
            let histories = histories(args, &part, &rows)?;
            let trend = Trend {
                lewis_robinson: lewis_robinson(&histories),
                power_law: power_law(&histories),
            };
            let cautions = trend.lewis_robinson.filter(|t| t.p_value < TREND).map(|test| {
                let way = if test.statistic > 0.0 { "faster" } else { "slower" };
                format!(
                    "Caution: replacements come ever {way} as a machine gets older (p-value {}), so \
                     one life model for all ages of machine does not hold.",
                    format::p_value(test.p_value)
                )
            });
            curves.push(Named {
                part: part.part.clone(),
                value,
                cause: None,
                confidence: args.confidence,
                points: mean_cumulative(&histories, args.confidence).map_err(unusable(args))?,
                trend: Some(trend),
                cautions: cautions.into_iter().collect(),
            });
        }
    }
    let reply = reply(args, "mean_replacements", curves, |named| {
        let title = titled("Mean replacements of a place by age of the machine", named);
        let mut table = Table::new("mean_replacements", title)
            .figures("hours", "Hours")
            .figures("at_risk", "Places watched")
            .figures("events", "Replaced")
            .figures("mean", "Mean")
            .figures("standard_error", "Std error")
            .figures("lower", "Lower")
            .figures("upper", "Upper");
        let row = |p: &MeanPoint| {
            vec![
                amount(p.hours),
                Cell::count(p.at_risk),
                Cell::count(p.events),
                Cell::number(p.mean, 3),
                Cell::number(p.standard_error, 3),
                Cell::number(p.lower, 3),
                Cell::number(p.upper, 3),
            ]
        };
        for point in &named.points {
            table.push(row(point));
        }
        table.note(
            "Lives of one place follow one another in the order of the rows; each but the last ended \
             with a replacement, the last if it wore out. A row that counts for several stands for as \
             many replacements at one age.",
        );
        if let Some(law) = named.trend.as_ref().and_then(|t| t.power_law) {
            table.note(format!(
                "Power law for whole machines: replacements grow with age to the power {} (1: steady).",
                format::significant(law.exponent, 3)
            ));
        }
        table
    });
    Ok(reply.without(input.left_out))
}

/// The lives of each machine (and position, where there is such a column) one after another; a row that
/// counts for several stands for as many replacements at one age.
fn histories(
    args: &CurveArgs,
    part: &PartLives,
    rows: &[usize],
) -> Result<Vec<EventHistory>, CliError> {
    let input = args.input.display();
    let machines = grouping(args, part, "machine")?;
    let position = Grouping::of(&part.table, "position").ok();
    let lives = &part.table.observations;
    let mut chains: BTreeMap<(u32, u32), Vec<usize>> = BTreeMap::new();
    for &i in rows {
        let at = |what: &str| format!("{input}: life {} {what}", i + 1);
        if machines.codes[i] == Grouping::EMPTY {
            return Err(CliError::Input(at("has no machine; fill it in")));
        }
        if lives.high[i].is_finite() && lives.high[i] != lives.low[i] {
            return Err(CliError::Input(at(
                "is known only within bounds; mean replacements need known ages",
            )));
        }
        let place = position.as_ref().map_or(0, |p| p.codes[i]);
        chains
            .entry((machines.codes[i], place))
            .or_default()
            .push(i);
    }
    let history = |(key, chain): (&(u32, u32), &Vec<usize>)| {
        let first = chain.first().copied().unwrap_or_default();
        let entry = lives.entry.get(first).copied().unwrap_or(0.0);
        let mut age = 0.0;
        let mut events = Vec::new();
        for (k, &i) in chain.iter().enumerate() {
            age += lives.low[i];
            if k + 1 < chain.len() || lives.high[i].is_finite() {
                // Counts in a lives file are whole.
                let together = lives.count.get(i).map_or(1, |&count| count as usize);
                events.extend(std::iter::repeat_n(age, together));
            }
        }
        EventHistory {
            machine: machines.levels[key.0 as usize].clone(),
            entry,
            end: age,
            events,
        }
    };
    Ok(chains.iter().map(history).collect())
}
