//! `wearcast lives`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::files::write_through;
use super::fleet_args::FleetArgs;
use super::lives_input::left_out;
use super::{CliError, Reply, left_to_the_end};
use crate::lives::{
    self, AgeRange, Fitted, Life, Lives, Unplaced, write_lives_csv, write_lives_parquet,
};
use crate::records::{RawRow, RowCounts, RowRef, raw_rows};
use crate::report::{self, format};

/// Arguments of `wearcast lives`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: wearcast lives examples/evaporator-crew\n          \
    wearcast lives examples/evaporator-crew -o lives.csv\n          \
    wearcast lives examples/evaporator-crew --trace drive-belt/EV-1/1/2"
)]
pub(super) struct LivesArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    /// Write a lives file (.csv or .parquet) for other programs.
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Show the rows that one life came from, as they stand in the export.
    #[arg(long, value_name = "LIFE")]
    trace: Option<String>,
}

#[derive(Serialize)]
struct Listed<'a> {
    rows: RowCounts,
    unknown_start: u32,
    lives: &'a [Life],
    positions_not_told: &'a [Unplaced],
    fitted: Vec<Listing<'a>>,
}

#[derive(Serialize)]
struct Listing<'a> {
    #[serde(flatten)]
    part: &'a Fitted,
    /// Where the rows do not tell which position was changed when.
    possible_age_hours: Option<AgeRange>,
}

/// What is fitted, with the ages that parts may have of which the rows do not tell the positions.
fn listing(lives: &Lives) -> Vec<Listing<'_>> {
    let untold: BTreeMap<_, &Unplaced> = (lives.unplaced.iter())
        .map(|one| ((one.part, one.machine), one))
        .collect();
    let of = |part: &Fitted| {
        let untold = untold.get(&(part.part, part.machine))?;
        part.age_hours
            .is_none()
            .then(|| untold.age_in(part.position))?
    };
    (lives.fitted.iter())
        .map(|part| Listing {
            part,
            possible_age_hours: of(part),
        })
        .collect()
}

#[derive(Serialize)]
struct Traced<'a, T> {
    life: &'a T,
    rows: &'a [RawRow],
}

pub(super) fn run(args: &LivesArgs) -> Result<Reply, CliError> {
    let fleet = args.fleet.load(false)?;
    let lives = lives::build(&fleet);
    if let Some(id) = &args.trace {
        if let Some(unplaced) = lives.unplaced.iter().find(|u| u.id == *id) {
            return trace_unplaced(args, unplaced);
        }
        let life = lives
            .lives
            .iter()
            .find(|l| l.id.to_string() == *id)
            .ok_or_else(|| unknown_life(id, &lives.lives))?;
        return trace(args, life);
    }
    let mut remarks = Vec::new();
    let mut not_given = Vec::new();
    if let Some(path) = &args.output {
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("csv") => write_through(path, |file| write_lives_csv(&lives.lives, file))?,
            Some("parquet") => {
                write_through(path, |file| write_lives_parquet(&lives.lives, file))?;
            }
            _ => {
                return Err(CliError::Usage(format!(
                    "-o {}: allowed are files ending in .csv or .parquet",
                    path.display()
                )));
            }
        }
        remarks.push(format!("written: {}", path.display()));
        not_given = left_out(&lives);
    }
    let stdout = if args.fleet.json {
        let listed = Listed {
            rows: lives.rows,
            unknown_start: lives.unknown_start,
            lives: &lives.lives,
            positions_not_told: &lives.unplaced,
            fitted: listing(&lives),
        };
        report::json("lives", &listed)
    } else {
        let mut out = report::text(&report::lives_by_part(&fleet, &lives));
        if args.output.is_none() {
            out.push('\n');
            out.push_str(&report::text(&report::lives_in_short(&lives.lives)));
        }
        if let Some(untold) = report::positions_not_told(&lives.unplaced) {
            out.push('\n');
            out.push_str(&report::text(&untold));
        }
        out
    };
    left_to_the_end((fleet, lives));
    Ok(Reply {
        stdout,
        remarks,
        not_given,
    })
}

fn unknown_life(id: &str, lives: &[Life]) -> CliError {
    let near: Vec<String> = lives.iter().map(|l| l.id.to_string()).take(3).collect();
    CliError::Input(format!(
        "no life is called {}; `wearcast lives` lists them, such as {}",
        format::plain(id),
        if near.is_empty() {
            "none, for there is no life".to_owned()
        } else {
            near.join(", ")
        }
    ))
}

/// The rows that put a part in and took it out.
fn trace(args: &LivesArgs, life: &Life) -> Result<Reply, CliError> {
    let rows: Vec<RowRef> = life.rows();
    let raw = raw_rows(&args.fleet.dir, &rows)?;
    if args.fleet.json {
        return Ok(Reply::text(report::json(
            "lives",
            &Traced { life, rows: &raw },
        )));
    }
    let mut out = report::text(&report::tables::lives_list(std::slice::from_ref(life)));
    if raw.is_empty() {
        out.push_str(
            "\nNo row of the export stands behind this life: it rests on what fleet.toml states.\n",
        );
    }
    show_rows(&mut out, &raw);
    Ok(Reply::text(out))
}

/// The rows of changes whose position is not told.
fn trace_unplaced(args: &LivesArgs, unplaced: &Unplaced) -> Result<Reply, CliError> {
    let raw = raw_rows(&args.fleet.dir, &unplaced.rows)?;
    if args.fleet.json {
        let traced = Traced {
            life: unplaced,
            rows: &raw,
        };
        return Ok(Reply::text(report::json("lives", &traced)));
    }
    let table = report::positions_not_told(std::slice::from_ref(unplaced));
    let mut out = table.as_ref().map(report::text).unwrap_or_default();
    show_rows(&mut out, &raw);
    Ok(Reply::text(out))
}

fn show_rows(out: &mut String, raw: &[RawRow]) {
    for row in raw {
        out.push('\n');
        out.push_str(&format::plain(&row.row.to_string()));
        out.push('\n');
        for cell in &row.cells {
            let heading = format!("  {}: ", format::plain(&cell.heading));
            out.push_str(&report::wrapped(
                &format::plain(&cell.text),
                &heading,
                "      ",
            ));
        }
    }
}
