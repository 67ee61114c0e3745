//! Machine names that differ only in punctuation or spacing: most likely one machine, but only a
//! person can know.

use std::collections::{BTreeMap, BTreeSet};

use super::replacements::ReplacementRows;
use super::text::quoted;
use super::{Disposition, Gap, Problem, Reading};

/// Sets aside the rows of the rarer spellings, each as a possible change on the machine that is
/// spelled so most often (or in `fleet.toml`). Names that `fleet.toml` both lists are two machines.
pub(super) fn leave_out(
    rows: &mut ReplacementRows,
    readings: &mut Vec<Reading>,
    stated: &BTreeSet<String>,
) -> Vec<Problem> {
    let mut counts: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
    let names = rows
        .replacements
        .iter()
        .map(|r| &r.machine)
        .chain(readings.iter().map(|r| &r.machine));
    for name in names {
        *counts
            .entry(letters(name))
            .or_default()
            .entry(name.clone())
            .or_default() += 1;
    }
    let mut main_of: BTreeMap<String, String> = BTreeMap::new();
    for spellings in counts.into_values().filter(|s| s.len() > 1) {
        let main = spellings
            .iter()
            .max_by_key(|(name, count)| {
                (
                    stated.contains(*name),
                    **count,
                    std::cmp::Reverse((*name).clone()),
                )
            })
            .map(|(name, _)| name.clone());
        let Some(main) = main else { continue };
        for (name, _) in spellings {
            if name != main && !stated.contains(&name) {
                main_of.insert(name, main.clone());
            }
        }
    }
    if main_of.is_empty() {
        return Vec::new();
    }
    let problem = |name: &str, main: &str, places| {
        Problem {
        code: "similar_machine".into(),
        disposition: Disposition::SetAside,
        rows: places,
        column: Some("machine".into()),
        found: Some(quoted(name)),
        allowed: Some(format!("{}, which is spelled nearly so", quoted(main))),
        advice: "If it is the same machine, add this name to its aliases in [[machine]]; if it is another one, list both there.".into(),
    }
    };
    let mut problems = Vec::new();
    let (other, kept): (Vec<_>, Vec<_>) = std::mem::take(&mut rows.replacements)
        .into_iter()
        .partition(|r| main_of.contains_key(&r.machine));
    rows.replacements = kept;
    for record in other {
        let main = &main_of[&record.machine];
        let merged = record.rows.len() as u64 - 1;
        rows.rows.used -= 1;
        rows.rows.merged -= merged;
        rows.rows.set_aside += 1 + merged;
        problems.push(problem(&record.machine, main, record.rows.clone()));
        rows.gaps.push(Gap {
            machine: main.clone(),
            machine_told: true,
            part: record.part,
            position: record.position,
            date: Some(record.date),
            hours: record.hours,
            row: record.rows[0].clone(),
        });
    }
    readings.retain(|reading| match main_of.get(&reading.machine) {
        Some(main) => {
            problems.push(problem(&reading.machine, main, vec![reading.row.clone()]));
            false
        }
        None => true,
    });
    problems
}

fn letters(name: &str) -> String {
    name.chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect()
}
