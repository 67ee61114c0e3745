//! `wearcast check`.

use clap::Args;
use serde::Serialize;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply, left_to_the_end};
use crate::lives::{self, Lives, Unplaced};
use crate::meters::{Meters, TurnedBack};
use crate::records::{Fleet, FleetFiles, NearNames, RowCounts, set_aside_error};
use crate::report::{self, NearNameSums, ProblemGroup, Sums, problem_groups};

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
    /// Counted among the lives of their parts.
    positions_not_told: &'a [Unplaced],
    unknown_start: u32,
    resets_to_declare: Vec<ResetToDeclare<'a>>,
    near_names: &'a [NearNameSums],
    notes: &'a [String],
}

/// A meter that went backwards, and the lines that would declare it.
#[derive(Serialize)]
struct ResetToDeclare<'a> {
    #[serde(flatten)]
    seen: &'a TurnedBack,
    fleet_toml: String,
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
    let options = args.fleet.options(false);
    let files = FleetFiles::read(&args.fleet.dir)?;
    // A row with such a name is set aside, and `strict` ends with it.
    let otherwise = if !args.strict && files.may_hold_near_names() {
        let sums = |near| -> Result<Vec<Sums>, CliError> {
            let fleet = files.clone().fleet(options, near)?;
            Ok(report::sums_by_part(&fleet, &lives::build(&fleet)))
        };
        Some([sums(NearNames::AsMeant)?, sums(NearNames::AsOthers)?])
    } else {
        None
    };
    let fleet = files.fleet(options, NearNames::SetAside)?;
    let meters = Meters::new(&fleet);
    let lives = lives::build_with(&fleet, &meters);
    if args.strict && lives.rows.set_aside > 0 {
        return Err(set_aside_error(&lives.problems, lives.rows.set_aside).into());
    }
    let notes: Vec<String> = fleet.notes.iter().chain(&meters.notes).cloned().collect();
    let near = otherwise.map_or_else(Vec::new, |[as_meant, as_others]| {
        report::near_name_sums(&fleet, &lives, &as_meant, &as_others)
    });
    let stdout = if args.fleet.json {
        json(&fleet, &lives, &near, &notes)
    } else {
        report::check(&fleet, &lives, &near, &notes)
    };
    let mut reply = Reply::text(stdout);
    if lives.rows.used == 0 {
        reply
            .not_given
            .push("no row of the replacement records can be used".to_owned());
    }
    left_to_the_end((fleet, meters, lives));
    Ok(reply)
}

fn json(fleet: &Fleet, lives: &Lives, near: &[NearNameSums], notes: &[String]) -> String {
    let tallies = lives.tallies(&fleet.parts);
    let parts = fleet
        .parts
        .iter()
        .zip(tallies)
        .map(|(part, tally)| PartLives {
            part: &part.name,
            lives: tally.lives(),
            worn: tally.worn,
            unworn: tally.unworn,
            running: tally.running,
            unknown_reason: tally.unknown_reason,
        });
    let checked = Checked {
        fleet: &fleet.name,
        as_of: fleet.as_of,
        rows: lives.rows,
        problems: problem_groups(&lives.problems, &lives.costs),
        lives: parts.collect(),
        positions_not_told: &lives.unplaced,
        unknown_start: lives.unknown_start,
        resets_to_declare: lives
            .turned_back
            .iter()
            .map(|seen| ResetToDeclare {
                seen,
                fleet_toml: report::reset_lines(seen),
            })
            .collect(),
        near_names: near,
        notes,
    };
    report::json("check", &checked)
}
