//! Records in order, the very same ones merged.

use rayon::prelude::*;

use super::dates::day_in_order;
use super::fleet::Merged;
use super::replacements::ReplacementRows;
use super::shared::sort_by_text;
use super::similar::counted;
use super::text::quoted;
use super::{Disposition, Extras, Problem, Replacement, Text, Verdict};
use crate::numerics::sort::sort_by_number;
use std::num::NonZeroU32;

/// Puts the records in the order of machine, part, position, date and row, and merges those that
/// say the very same.
///
/// Reasons that nothing maps are flagged here, once for rows that were merged.
pub(super) fn arrange(rows: &mut ReplacementRows) {
    let machines = by_machine(&mut rows.replacements);
    let ranks = Ranks::of(counted(&rows.replacements, |r| {
        std::iter::once(r.part).chain(r.position)
    }));
    let mut slices: Vec<&mut [Replacement]> = Vec::with_capacity(machines.len());
    let mut rest = rows.replacements.as_mut_slice();
    for length in machines {
        let (first, behind) = rest.split_at_mut(length);
        slices.push(first);
        rest = behind;
    }
    let alike: Vec<usize> = slices
        .into_par_iter()
        .map(|slice| {
            let place_and_day = |r: &Replacement| {
                let place =
                    u64::from(ranks.get(Some(r.part))) << 32 | u64::from(ranks.get(r.position));
                u128::from(place) << 32 | u128::from(day_in_order(r.date))
            };
            sort_by_number(slice, place_and_day, |r| r.row);
            slice
                .chunk_by(same_place_and_day)
                .filter(|run| run.len() > 1)
                .filter(|run| holds_alike(run))
                .count()
        })
        .collect();
    if alike.iter().any(|&count| count > 0) {
        merge_alike(rows);
    }
    flag_unknown_reasons(rows);
}

/// Texts by their order, so that sorting compares numbers in place of letters.
struct Ranks(Vec<u32>);

impl Ranks {
    fn of(counted: Vec<(Text, usize)>) -> Self {
        let mut each: Vec<Text> = counted.into_iter().map(|(text, _)| text).collect();
        each.sort_unstable();
        let numbers = each.iter().map(|text| text.number() + 1);
        let mut ranks = vec![0; numbers.max().unwrap_or(0)];
        for (rank, text) in (1..).zip(each) {
            ranks[text.number()] = rank;
        }
        Self(ranks)
    }

    /// Place of a text among the others, from 1; 0 for none, which comes before all.
    fn get(&self, text: Option<Text>) -> u32 {
        text.map_or(0, |text| self.0[text.number()])
    }
}

/// Sorts records by machine, and gives how many each has.
fn by_machine(records: &mut Vec<Replacement>) -> Vec<usize> {
    let mut names = counted(records, |r| [r.machine]);
    sort_by_text(&mut names, |(name, _)| *name);
    let highest = names.iter().map(|(name, _)| name.number()).max();
    let mut next = vec![0_u32; highest.unwrap_or(0) + 1];
    let mut at = 0;
    for (name, count) in &names {
        next[name.number()] = at;
        at += *count as u32;
    }
    let in_order = records.par_windows(2).all(|pair| {
        let [a, b] = [pair[0].machine, pair[1].machine];
        a == b || next[a.number()] <= next[b.number()]
    });
    if !in_order {
        let mut order = vec![0_u32; records.len()];
        for (from, record) in (0..).zip(&*records) {
            let place = &mut next[record.machine.number()];
            order[*place as usize] = from;
            *place += 1;
        }
        *records = order
            .par_iter()
            .map(|&from| records[from as usize])
            .collect();
    }
    names.into_iter().map(|(_, count)| count).collect()
}

fn same_place_and_day(a: &Replacement, b: &Replacement) -> bool {
    a.date == b.date && a.part == b.part && a.position == b.position && a.machine == b.machine
}

/// All that a row says, apart from its place and day.
type Said = (
    u64,
    Text,
    Option<Text>,
    Option<Text>,
    Option<std::num::NonZeroU16>,
    Option<u16>,
    Extras,
    u32,
);

fn said(record: &Replacement) -> Said {
    (
        record.hours.get().map_or(u64::MAX, f64::to_bits),
        record.reason,
        record.serial,
        record.serial_out,
        record.quantity,
        record.worn_count,
        record.extra,
        record.unkept,
    )
}

fn holds_alike(run: &[Replacement]) -> bool {
    if let [a, b] = run {
        return said(a) == said(b);
    }
    let mut seen = std::collections::HashSet::new();
    run.iter().any(|record| !seen.insert(said(record)))
}

fn merge_alike(rows: &mut ReplacementRows) {
    let all = std::mem::take(&mut rows.replacements);
    let mut kept: Vec<Replacement> = Vec::with_capacity(all.len());
    for run in all.chunk_by(same_place_and_day) {
        if let [only] = run {
            kept.push(*only);
            continue;
        }
        let mut first_of = std::collections::HashMap::new();
        for record in run {
            match first_of.entry(said(record)) {
                std::collections::hash_map::Entry::Vacant(free) => {
                    free.insert(kept.len());
                    kept.push(*record);
                }
                std::collections::hash_map::Entry::Occupied(taken) => {
                    let first = &mut kept[*taken.get()];
                    let at = *first.merged.get_or_insert_with(|| {
                        rows.merged.push(Vec::new());
                        let at = u32::try_from(rows.merged.len()).ok();
                        Merged(at.and_then(NonZeroU32::new).unwrap_or(NonZeroU32::MAX))
                    });
                    let more = &mut rows.merged[at.0.get() as usize - 1];
                    more.push(record.row);
                    let mut places = vec![first.row];
                    places.extend(more.iter().rev().take(1));
                    rows.rows.used -= 1;
                    rows.rows.merged += 1;
                    rows.problems.push(Problem {
                        code: "exact_duplicate".into(),
                        disposition: Disposition::Merged,
                        rows: places,
                        column: None,
                        found: None,
                        allowed: None,
                        advice: "Counted once. If two parts were really changed, give each its position or serial number.".into(),
                    });
                }
            }
        }
    }
    rows.replacements = kept;
}

fn flag_unknown_reasons(rows: &mut ReplacementRows) {
    let mut flagged: Vec<Problem> = rows
        .replacements
        .par_iter()
        .filter(|record| record.verdict == Verdict::Unknown)
        .map(|record| Problem {
            code: "unknown_reason".into(),
            disposition: Disposition::Flagged,
            rows: vec![record.row],
            column: Some("reason".into()),
            found: Some(quoted(&record.reason).into()),
            allowed: Some("a reason that [records.reasons] maps".into()),
            advice: "Add this reason to worn, found_worn, unworn, swapped or inspected_ok in [records.reasons]; until then it is never counted as worn.".into(),
        })
        .collect();
    rows.problems.append(&mut flagged);
    rows.problems
        .par_sort_by(|a, b| a.rows.first().cmp(&b.rows.first()));
}
