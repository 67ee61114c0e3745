//! `wearcast compare`.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::{CliError, Reply, family, lives_input, practice};
use crate::analysis::Watch;
use crate::compare::practice::{PracticeOptions, practice_named};
use crate::compare::{CompareOptions, Comparison, PrimaryTest, Several, compare_several};
use crate::models::Family;
use crate::models::regression::TestResult;
use crate::report::{self, Cell, Table, format};

/// Arguments of `wearcast compare`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: wearcast compare examples/evaporator-crew --by machine\n          wearcast compare examples/evaporator-crew --practice tension"
)]
pub(super) struct CompareArgs {
    /// Lives file (.csv or .parquet), or a fleet folder.
    #[arg(value_name = "LIVES|DIR")]
    input: PathBuf,
    /// Column that tells the groups. With several, the first one (of the first part) is the declared
    /// primary comparison and the others are held to one level together (Holm).
    #[arg(
        long,
        value_delimiter = ',',
        value_name = "COLUMN,…",
        required_unless_present = "practice"
    )]
    by: Vec<String>,
    /// Compare by practice instead: tension (from the fleet's tension checks).
    #[arg(long, value_name = "PRACTICE", conflicts_with_all = ["by", "stratify", "machine"])]
    practice: Option<String>,
    /// Standard deviation of a tension reading, in the unit of the fleet's [practice].
    #[arg(long, value_name = "LENGTH", requires = "practice")]
    reading_error: Option<f64>,
    /// Only lives of this part kind.
    #[arg(long, value_name = "PART")]
    part: Option<String>,
    /// Column that tells the machine: lives on one machine are alike.
    #[arg(long, value_name = "COLUMN", default_value = "machine")]
    machine: String,
    /// Columns to hold constant in a second life ratio beside the first.
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    adjust: Vec<String>,
    /// Columns within whose values only the log-rank test compares.
    #[arg(long, value_delimiter = ',', value_name = "COLUMN,…")]
    stratify: Vec<String>,
    /// Family of life distributions behind the life ratios.
    #[arg(long, value_parser = family::with_regression(), default_value = "weibull")]
    distribution: Family,
    /// Confidence of the limits, two-sided.
    #[arg(long, value_name = "SHARE", default_value_t = 0.95)]
    confidence: f64,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Serialize)]
struct Body {
    comparisons: Vec<Comparison>,
}

pub(super) fn run(args: &CompareArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    watch.reached(0.0, "comparing lives");
    if let Some(name) = &args.practice {
        return practice::run(practice::Asked {
            dir: &args.input,
            practice: name,
            options: PracticeOptions {
                part: args.part.clone(),
                hold: args.adjust.clone(),
                reading_error_in: None,
                confidence: args.confidence,
            },
            reading_error: args.reading_error,
            json: args.json,
        });
    }
    let options = CompareOptions {
        by: args.by.first().cloned().unwrap_or_default(),
        machine: Some(args.machine.clone()),
        adjust: args.adjust.clone(),
        stratify: args.stratify.clone(),
        family: args.distribution,
        confidence: args.confidence,
    };
    refuse_ever_retensioned(&args.by)?;
    let input = lives_input::read(&args.input, args.part.as_deref())?;
    let parts: Vec<_> = input
        .parts
        .into_iter()
        .map(|input| (input.part, input.table))
        .collect();
    let one = parts.len() == 1 && args.by.len() == 1;
    let Several {
        comparisons,
        not_given,
    } = compare_several(&parts, &args.by, &options);
    if let (true, [refused]) = (one, &not_given[..]) {
        return Err(CliError::Input(format!(
            "{}: {}",
            args.input.display(),
            refused.error
        )));
    }
    let not_given = not_given
        .into_iter()
        .map(|refused| match refused.part {
            Some(part) => format!("{part}, by {}: {}", refused.by, refused.error),
            None => format!("by {}: {}", refused.by, refused.error),
        })
        .chain(input.left_out)
        .collect();
    let stdout = match (args.json, &comparisons[..]) {
        (true, [comparison]) if one => report::json("compare", comparison),
        (true, _) => report::json("compare", &Body { comparisons }),
        (false, _) => {
            let mut shown: Vec<String> = comparisons.iter().map(shown).collect();
            if comparisons.len() > 1 {
                shown.push(report::text(&several(&comparisons)));
            }
            shown.join("\n")
        }
    };
    Ok(Reply {
        stdout,
        remarks: Vec::new(),
        not_given,
    })
}

/// A column that tells whether a belt was ever retensioned is refused, as that practice is.
fn refuse_ever_retensioned(columns: &[String]) -> Result<(), CliError> {
    for column in columns {
        let plain: String = column.chars().filter(|c| c.is_alphanumeric()).collect();
        if plain.to_lowercase().contains("retension") {
            practice_named("retensioned").map_err(|error| CliError::Usage(error.to_string()))?;
        }
    }
    Ok(())
}

/// All comparisons of one command, side by side.
fn several(comparisons: &[Comparison]) -> Table {
    let mut table = Table::new("several", "All of these comparisons together")
        .words("part", "Part")
        .words("by", "By")
        .figures("worn", "Worn")
        .figures("p_value", "p")
        .figures("p_value_holm", "p, Holm");
    for c in comparisons {
        let p = |p: Option<f64>| Cell::maybe(p, |p| Cell::text(format::p_value(p)));
        table.push(vec![
            Cell::maybe(c.part.as_deref(), Cell::text),
            Cell::text(&c.by),
            Cell::text(lives_input::amount(c.groups.iter().map(|g| g.worn).sum())),
            p(c.primary_p_value),
            p(c.p_value_holm),
        ]);
    }
    table.note(
        "The first is the declared primary comparison: its p stands by itself. The p of the others \
         are held to one level together (Holm), since among many comparisons of nothing one in \
         twenty looks like a finding.",
    );
    table
}

/// The answer first, then what it rests on.
fn shown(c: &Comparison) -> String {
    let mut out = String::new();
    if let Some(part) = &c.part {
        out.push_str(&format::plain(part));
        out.push('\n');
    }
    out.push_str(&report::wrapped(&format::plain(&c.answer), "", ""));
    out.push('\n');
    out.push_str(&report::text(&groups(c)));
    out.push('\n');
    out.push_str(&report::text(&ratios(c)));
    out.push('\n');
    out.push_str(&report::text(&tests(c)));
    out
}

fn hours(value: Option<f64>) -> Cell {
    Cell::maybe(value, |v| Cell::text(format::hours(v)))
}

fn three(value: Option<f64>) -> Cell {
    Cell::maybe(value, |v| Cell::text(format::significant(v, 3)))
}

fn groups(c: &Comparison) -> Table {
    let mut table = Table::new("groups", format!("Lives by {}", c.by))
        .words("value", c.by.as_str())
        .figures("lives", "Lives")
        .figures("worn", "Worn")
        .figures("machines", "Machines")
        .figures("median", "Median, h")
        .figures("lower", "Lower")
        .figures("upper", "Upper")
        .figures("shape", "Shape");
    for g in &c.groups {
        table.push(vec![
            Cell::text(&g.value),
            Cell::text(lives_input::amount(g.lives)),
            Cell::text(lives_input::amount(g.worn)),
            Cell::maybe(g.machines, |m| Cell::count(m as u64)),
            hours(g.median.hours),
            hours(g.median.lower),
            hours(g.median.upper),
            three(g.shape.as_ref().and_then(|s| s.estimate)),
        ]);
    }
    table.note(format!(
        "Median without a model, with {} limits.",
        format::percent(c.confidence)
    ));
    table
}

fn ratios(c: &Comparison) -> Table {
    let mut table = Table::new("life_ratios", "Life ratios")
        .words("of", "Life with")
        .words("to", "against")
        .figures("ratio", "Times")
        .figures("lower", "Lower")
        .figures("upper", "Upper")
        .figures("p_value", "p")
        .figures("p_value_holm", "p, Holm");
    for r in &c.life_ratios {
        let mut row = vec![Cell::text(&r.of), Cell::text(&r.to)];
        row.extend([r.ratio, r.lower, r.upper].map(three));
        row.extend(
            [r.p_value, r.p_value_holm].map(|p| Cell::maybe(p, |p| Cell::text(format::p_value(p)))),
        );
        table.push(row);
        if let Some(f) = &r.shared_frailty {
            let mut row = vec![
                Cell::text(format!("{}, each machine a level of its own", r.of)),
                Cell::text(&r.to),
            ];
            row.extend([f.ratio, f.lower, f.upper].map(|v| three(Some(v))));
            row.extend([Cell::Empty, Cell::Empty]);
            table.push(row);
        }
        if let Some(a) = &r.adjusted {
            let mut row = vec![
                Cell::text(format!("{}, {} held constant", r.of, a.held.join(", "))),
                Cell::text(&r.to),
            ];
            row.extend([a.ratio, a.lower, a.upper].map(|v| three(Some(v))));
            row.extend([Cell::Empty, Cell::Empty]);
            table.push(row);
        }
    }
    if let Some(s) = &c.machine_spread {
        table.note(report::machine_spread(s));
    }
    if c.machines.is_some() {
        table.note("Limits allow for lives on one machine being alike.");
    }
    table
}

fn tests(c: &Comparison) -> Table {
    let mut table = Table::new("tests", "Tests")
        .words("test", "Test")
        .figures("statistic", "Statistic")
        .figures("degrees_of_freedom", "df")
        .figures("p_value", "p");
    let mut row = |name: &str, statistic: f64, df: String, p: f64| {
        table.push(vec![
            Cell::text(name),
            Cell::text(format::significant(statistic, 4)),
            Cell::text(df),
            Cell::text(format::p_value(p)),
        ]);
    };
    if let Some(t) = &c.permutation_by_machine {
        row(
            "whole machines dealt anew",
            t.statistic,
            format!("{} dealings", t.dealings),
            t.p_value,
        );
    }
    if let Some(t) = &c.clustered_by_machine {
        let df = format!("{}, {}", t.degrees_of_freedom, t.error_degrees_of_freedom);
        row("clustered by machine", t.statistic, df, t.p_value);
    }
    let log_rank = if c.strata.is_empty() {
        "log-rank".to_owned()
    } else {
        format!("log-rank within {}", c.strata.join(", "))
    };
    let unstratified = c.log_rank_unstratified.as_ref();
    let chi: [(&str, Option<TestResult>); 5] = [
        (&log_rank, c.log_rank.as_ref().map(|t| t.test)),
        ("log-rank, not stratified", unstratified.map(|t| t.test)),
        ("equal life, one shape", c.equal_life),
        ("equal shape", c.equal_shape),
        ("equal shape and life", c.equal_shape_and_life),
    ];
    for (name, test) in chi {
        if let Some(t) = test {
            row(
                name,
                t.statistic,
                t.degrees_of_freedom.to_string(),
                t.p_value,
            );
        }
    }
    table.note(match c.primary_test {
        PrimaryTest::PermutationByMachine => "The answer rests on whole machines dealt anew.",
        PrimaryTest::ClusteredByMachine => "The answer rests on the test clustered by machine.",
        PrimaryTest::EqualLife => {
            "The answer rests on the test for equal life, every life taken as independent of the \
             others."
        }
        PrimaryTest::None => "No test is given: see the cautions.",
    });
    for caution in &c.cautions {
        table.note(&caution.text);
    }
    table
}
