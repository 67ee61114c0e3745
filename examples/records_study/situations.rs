//! What becomes of rows and lives in exports that were dirtied in known ways.

use std::collections::BTreeMap;
use std::fmt::Write;

use wearcast::lives;
use wearcast::records::{Disposition, Fleet, LoadOptions};

use super::Failure;
use super::dirty::{Case, DIRT, Dirt, Kept, True, case, settings, stands_for};

/// What was done to one row of an export, in words.
fn words(dirt: Dirt) -> &'static str {
    match dirt {
        Dirt::Nothing => "nothing",
        Dirt::Twice => "a row twice",
        Dirt::NoDate => "a date that is none",
        Dirt::WrongHours => "a reading that is none, or absurd",
        Dirt::NoHours => "no reading",
        Dirt::NoPosition => "position not told, of two",
        Dirt::NoMachine => "no machine",
        Dirt::Misspelled => "part misspelt",
        Dirt::OddMachine => "machine written otherwise",
        Dirt::Unmapped => "a reason that nothing maps",
        Dirt::MeterSlip => "a reading 40,000 h too high",
        Dirt::MeterReset => "meter reset, not declared",
        Dirt::TwiceDifferently => "a row twice, reasons differ",
        Dirt::LateDate => "a date after the last day",
    }
}

/// What became of the exports of one situation.
#[derive(Debug, Default)]
struct Sums {
    exports: u64,
    rows: u64,
    used: u64,
    merged: u64,
    set_aside: u64,
    /// Problems by what became of the row and code.
    problems: BTreeMap<(&'static str, String), u64>,
    lives: u64,
    equal: u64,
    bounded: u64,
    /// Of which nothing came back.
    left_out: u64,
    /// Of these, in an export of which no problem was told.
    in_silence: u64,
    /// Lives that came back and never were.
    never_were: u64,
}

impl Sums {
    fn add(&mut self, case: &Case) -> Result<(), Failure> {
        let dir = tempfile::tempdir()?;
        std::fs::write(dir.path().join("fleet.toml"), settings(&case.truth))?;
        std::fs::write(dir.path().join("log.csv"), &case.export)?;
        std::fs::write(dir.path().join("meter.csv"), &case.readings)?;
        let back = lives::build(&Fleet::load(dir.path(), &LoadOptions::default())?);
        self.exports += 1;
        self.rows += back.rows.rows_in;
        self.used += back.rows.used;
        self.merged += back.rows.merged;
        self.set_aside += back.rows.set_aside;
        for problem in &back.problems {
            let became = match problem.disposition {
                Disposition::SetAside => "set aside",
                Disposition::Merged => "merged",
                Disposition::Flagged => "used, flagged",
            };
            *(self.problems)
                .entry((became, problem.code.to_string()))
                .or_default() += 1;
        }
        let mut left: Vec<&True> = case.truth.lives.iter().collect();
        self.lives += left.len() as u64;
        // The equal ones first, so that none is taken up by a life that only bounds it.
        for wanted in [Kept::Equal, Kept::Bounded] {
            for life in &back.lives {
                let stands = |truth: &&True| stands_for(life, truth, case.dirt) == Some(wanted);
                if let Some(found) = left.iter().position(stands) {
                    left.remove(found);
                    match wanted {
                        Kept::Equal => self.equal += 1,
                        Kept::Bounded => self.bounded += 1,
                    }
                } else if wanted == Kept::Bounded {
                    let is_one = |truth: &True| stands_for(life, truth, case.dirt).is_some();
                    self.never_were += u64::from(!case.truth.lives.iter().any(is_one));
                }
            }
        }
        self.left_out += left.len() as u64;
        if back.problems.is_empty() {
            self.in_silence += left.len() as u64;
        }
        Ok(())
    }
}

fn percent(part: u64, whole: u64) -> String {
    format!("{:.1}", 100.0 * part as f64 / whole.max(1) as f64)
}

/// Two tables: what became of rows and lives by situation, and of rows by problem.
pub(crate) fn tables(exports: u64) -> Result<String, Failure> {
    let mut sums: Vec<Sums> = DIRT.iter().map(|_| Sums::default()).collect();
    for seed in 0..exports {
        let case = case(seed);
        let at = DIRT.iter().position(|dirt| *dirt == case.dirt).unwrap_or(0);
        sums[at].add(&case)?;
    }
    let mut out = format!(
        "{exports} exports, each with one of these; shares in percent.\n\n\
         | done to one row | exports, rows | rows used / merged / set aside | rows set aside an export | lives | equal / bounds hold the truth / left out | wrong or lost in silence |\n\
         |---|---|---|---|---|---|---|\n"
    );
    let mut problems: BTreeMap<&(&str, String), u64> = BTreeMap::new();
    for (dirt, sums) in DIRT.iter().zip(&sums) {
        let rows = |part| percent(part, sums.rows);
        let lives = |part| percent(part, sums.lives);
        writeln!(
            out,
            "| {} | {}, {} | {} / {} / {} | {:.2} | {} | {} / {} / {} | {} |",
            words(*dirt),
            sums.exports,
            sums.rows,
            rows(sums.used),
            rows(sums.merged),
            rows(sums.set_aside),
            sums.set_aside as f64 / sums.exports.max(1) as f64,
            sums.lives,
            lives(sums.equal),
            lives(sums.bounded),
            lives(sums.left_out),
            sums.never_were + sums.in_silence,
        )?;
        for (of, count) in &sums.problems {
            *problems.entry(of).or_default() += count;
        }
    }
    let all: u64 = sums.iter().map(|sums| sums.rows).sum();
    let mut ranked: Vec<_> = problems.into_iter().collect();
    ranked.sort_by_key(|((became, _), count)| (*became, std::cmp::Reverse(*count)));
    writeln!(
        out,
        "\n| problem | what became of it | times | in 1,000 rows |\n|---|---|---|---|"
    )?;
    for ((became, code), count) in ranked {
        let share = 1000.0 * count as f64 / all.max(1) as f64;
        writeln!(out, "| {code} | {became} | {count} | {share:.1} |")?;
    }
    Ok(out)
}
