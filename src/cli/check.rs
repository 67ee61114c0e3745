//! `wearcast check`.

use clap::Args;
use serde::Serialize;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};
use crate::lives::{self, Lives};
use crate::meters::Meters;
use crate::records::{Fleet, RowCounts, set_aside_error};
use crate::report::{self, ProblemGroup, problem_groups};

/// Arguments of `wearcast check`.
#[derive(Debug, Args)]
#[command(after_help = "Example: wearcast check examples/evaporator-crew")]
pub(super) struct CheckArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    /// Take any row that is set aside as an error.
    #[arg(long)]
    strict: bool,
}

#[derive(Serialize)]
struct Checked<'a> {
    fleet: &'a str,
    as_of: jiff::civil::Date,
    rows: RowCounts,
    problems: Vec<ProblemGroup<'a>>,
    lives: Vec<PartLives<'a>>,
    unknown_start: u32,
    notes: &'a [String],
}

#[derive(Serialize)]
struct PartLives<'a> {
    part: &'a str,
    lives: u64,
    worn: u64,
    unworn: u64,
    running: u64,
    unknown_reason: u64,
}

pub(super) fn run(args: &CheckArgs) -> Result<Reply, CliError> {
    let fleet = args.fleet.load(false)?;
    let meters = Meters::new(&fleet);
    let lives = lives::build_with(&fleet, &meters);
    if args.strict && lives.rows.set_aside > 0 {
        return Err(set_aside_error(&lives.problems, lives.rows.set_aside).into());
    }
    let notes: Vec<String> = fleet.notes.iter().chain(&meters.notes).cloned().collect();
    let stdout = if args.fleet.json {
        json(&fleet, &lives, &notes)
    } else {
        report::check(&fleet, &lives, &notes)
    };
    let mut reply = Reply::text(stdout);
    if lives.rows.used == 0 {
        reply
            .not_given
            .push("no row of the replacement records can be used".to_owned());
    }
    Ok(reply)
}

fn json(fleet: &Fleet, lives: &Lives, notes: &[String]) -> String {
    let parts = fleet.parts.iter().map(|part| {
        let count = |keep: &dyn Fn(&lives::Life) -> bool| {
            lives
                .lives
                .iter()
                .filter(|l| l.part == part.name && keep(l))
                .map(|l| u64::from(l.count))
                .sum()
        };
        PartLives {
            part: &part.name,
            lives: count(&|_| true),
            worn: count(&|l| l.outcome == lives::Outcome::Worn),
            unworn: count(&|l| l.outcome == lives::Outcome::Unworn),
            running: count(&|l| l.outcome == lives::Outcome::Running),
            unknown_reason: count(&|l| l.unknown_reason),
        }
    });
    let checked = Checked {
        fleet: &fleet.name,
        as_of: fleet.as_of,
        rows: lives.rows,
        problems: problem_groups(&lives.problems, &lives.costs),
        lives: parts.collect(),
        unknown_start: lives.unknown_start,
        notes,
    };
    report::json("check", &checked)
}
