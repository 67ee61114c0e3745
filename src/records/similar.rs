//! Machine names that differ only in punctuation or spacing: most likely one machine, but only a
//! person can know.

use std::collections::{BTreeSet, HashMap};
use std::hash::BuildHasher;

use foldhash::fast::RandomState;
use foldhash::quality::FixedState;
use rayon::prelude::*;

use super::replacements::ReplacementRows;
use super::text::quoted;
use super::{Disposition, Gap, NearNames, Problem, Reading, Replacement, Text};

/// Rows that one thread looks at together.
const ROWS_AT_A_TIME: usize = 1 << 16;

/// Sets aside the rows of the rarer spellings, each as a possible change on the machine that is
/// spelled so most often (or in `fleet.toml`). Names that `fleet.toml` both lists are two machines.
/// Where near names are to be taken in another way, nothing is set aside.
pub(super) fn leave_out(
    rows: &mut ReplacementRows,
    readings: &mut Vec<Reading>,
    stated: &BTreeSet<String>,
    near_names: NearNames,
) -> Vec<Problem> {
    let recorded = counted(&rows.replacements, |r| [r.machine]);
    let read = counted(readings, |r| [r.machine]);
    let mut by_name: HashMap<Text, usize, RandomState> = recorded.into_iter().collect();
    for (name, count) in read {
        *by_name.entry(name).or_default() += count;
    }
    let digest = FixedState::with_seed(20);
    let mut spelled: Vec<(u64, String, Text, usize)> = by_name
        .into_par_iter()
        .map(|(name, count)| {
            let letters = letters(&name);
            (digest.hash_one(&letters), letters, name, count)
        })
        .collect();
    // Only to bring the same letters together: a number is compared sooner than they are.
    spelled.par_sort_unstable();
    let mut main_of: HashMap<Text, Text> = HashMap::new();
    let alike = spelled.chunk_by(|a, b| a.0 == b.0 && a.1 == b.1);
    for spellings in alike.filter(|s| s.len() > 1) {
        let main = spellings
            .iter()
            .max_by_key(|(_, _, name, count)| {
                (
                    stated.contains(name.as_str()),
                    *count,
                    std::cmp::Reverse(*name),
                )
            })
            .map(|(_, _, name, _)| *name);
        let Some(main) = main else { continue };
        for &(_, _, name, _) in spellings {
            if name != main && !stated.contains(name.as_str()) {
                main_of.insert(name, main);
            }
        }
    }
    if main_of.is_empty() {
        return Vec::new();
    }
    match near_names {
        NearNames::SetAside => {}
        NearNames::AsOthers => return Vec::new(),
        NearNames::AsMeant => {
            let meant = |name: &mut Text| *name = main_of.get(name).copied().unwrap_or(*name);
            let records = rows.replacements.iter_mut().map(|r| &mut r.machine);
            let gaps = rows.gaps.iter_mut().filter_map(|gap| gap.machine.as_mut());
            let read = readings.iter_mut().map(|r| &mut r.machine);
            for name in records.chain(gaps).chain(read) {
                meant(name);
            }
            return Vec::new();
        }
    }
    let problem = |name: &str, main: &str, places| {
        Problem {
        code: "similar_machine".into(),
        disposition: Disposition::SetAside,
        rows: places,
        column: Some("machine".into()),
        found: Some(quoted(name).into()),
        allowed: Some(format!("{}, which is spelled nearly so", quoted(main)).into()),
        advice: "If it is the same machine, add this name to its aliases in [[machine]]; if it is another one, list both there.".into(),
    }
    };
    let mut problems = Vec::new();
    let other: Vec<Replacement> = rows
        .replacements
        .iter()
        .filter(|r| main_of.contains_key(&r.machine))
        .copied()
        .collect();
    rows.replacements
        .retain(|r| !main_of.contains_key(&r.machine));
    for mut record in other {
        let main = main_of[&record.machine];
        rows.rows.used -= 1;
        rows.rows.set_aside += 1;
        problems.push(problem(&record.machine, &main, vec![record.row]));
        record.machine = main;
        rows.gaps.push(Gap::of(&record));
    }
    readings.retain(|reading| match main_of.get(&reading.machine) {
        Some(main) => {
            problems.push(problem(&reading.machine, main, vec![reading.row]));
            false
        }
        None => true,
    });
    problems
}

/// How often each name stands in some rows, in any order.
pub(super) fn counted<R: Sync, N: IntoIterator<Item = Text>>(
    rows: &[R],
    names: impl Fn(&R) -> N + Sync,
) -> Vec<(Text, usize)> {
    let add = |counts: &mut Vec<u32>, number: usize, more: u32| {
        if number >= counts.len() {
            counts.resize(number + 1, 0);
        }
        counts[number] += more;
    };
    let some = rows
        .par_chunks(ROWS_AT_A_TIME)
        .fold(Vec::new, |mut counts, some| {
            for name in some.iter().flat_map(&names) {
                add(&mut counts, name.number(), 1);
            }
            counts
        });
    let all = some.reduce(Vec::new, |mut all, more| {
        for (number, more) in more.into_iter().enumerate().filter(|(_, more)| *more > 0) {
            add(&mut all, number, more);
        }
        all
    });
    let met = all.into_iter().enumerate().filter(|(_, count)| *count > 0);
    met.filter_map(|(number, count)| Some((Text::of_number(number)?, count as usize)))
        .collect()
}

pub(super) fn letters(name: &str) -> String {
    if name.is_ascii() {
        let letters = name.bytes().filter(u8::is_ascii_alphanumeric);
        return letters.map(|b| b.to_ascii_lowercase() as char).collect();
    }
    name.chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect()
}
