//! Names of the positions of each part, as the catalogue or the records give them.

use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};

use foldhash::fast::RandomState;
use rayon::prelude::*;

use super::text::{list, plain};
use super::{Part, RecordsError, Replacement, Text};

/// Rows that one thread looks at together.
const ROWS_AT_A_TIME: usize = 1 << 16;

/// A position as rows of one part tell it.
struct Told {
    part: Text,
    position: Option<Text>,
    rows: usize,
}

/// Every position of every part as it is told, in the order in which they first stand there.
fn tell(replacements: &[Replacement]) -> Vec<Told> {
    let of_some = |some: &[Replacement]| {
        together(some.iter().map(|record| Told {
            part: record.part,
            position: record.position,
            rows: 1,
        }))
    };
    let each: Vec<Vec<Told>> = replacements
        .par_chunks(ROWS_AT_A_TIME)
        .map(of_some)
        .collect();
    together(each.into_iter().flatten())
}

/// Each once, with the rows of all that are the same.
fn together(each: impl Iterator<Item = Told>) -> Vec<Told> {
    let mut places: HashMap<(Text, Option<Text>), usize, RandomState> = HashMap::default();
    let mut all: Vec<Told> = Vec::new();
    for told in each {
        match places.entry((told.part, told.position)) {
            Entry::Occupied(known) => all[*known.get()].rows += told.rows,
            Entry::Vacant(free) => {
                free.insert(all.len());
                all.push(told);
            }
        }
    }
    all
}

/// Gives every part as many position names as a machine carries, and writes each record's position
/// the way the part does. A record whose position fits no name keeps its text.
///
/// # Errors
/// A part of which a machine is said to carry one, but whose rows name several positions: each
/// change at one position would end the life at another.
pub(super) fn settle(
    parts: &mut [Part],
    replacements: &mut [Replacement],
    notes: &mut Vec<String>,
) -> Result<(), RecordsError> {
    let all = tell(replacements);
    check_single(parts, &all)?;
    let mut written: HashMap<(Text, Option<Text>), Option<Text>, RandomState> = HashMap::default();
    for part in parts.iter_mut() {
        let told: Vec<&Told> = all.iter().filter(|t| t.part == part.name).collect();
        if part.positions.is_empty() {
            part.positions = from_records(part, &told, notes);
        }
        let names: BTreeMap<String, &String> = part
            .positions
            .iter()
            .map(|name| (plain(name), name))
            .collect();
        for told in told {
            let name = match (part.per_machine, told.position) {
                (1, _) => part.positions.first(),
                (_, Some(position)) => names.get(&plain(&position)).copied(),
                (_, None) => None,
            };
            if let Some(name) = name {
                written.insert((told.part, told.position), Some(Text::from(name)));
            }
        }
    }
    written.retain(|(_, told), name| told != name);
    if !written.is_empty() {
        replacements.par_iter_mut().for_each(|record| {
            if let Some(&name) = written.get(&(record.part, record.position)) {
                record.position = name;
            }
        });
    }
    Ok(())
}

/// `1..` unless the records name the positions otherwise, with no more names than there are positions.
fn from_records(part: &Part, told: &[&Told], notes: &mut Vec<String>) -> Vec<String> {
    let count = part.per_machine as usize;
    let numbered: Vec<String> = (1..=count).map(|n| n.to_string()).collect();
    if count == 1 {
        return numbered;
    }
    let mut found: BTreeMap<String, &str> = BTreeMap::new();
    for told in told {
        for position in told.position.iter().flat_map(|told| listed(told)) {
            if !is_all(position) {
                found.entry(plain(position)).or_insert(position);
            }
        }
    }
    if found.len() > count {
        // A slip stands rarely; the names that stand often are the ones meant, if there is a clear line.
        let mut by_rows: Vec<(usize, String)> = found
            .keys()
            .map(|name| (rows_with(told, name), name.clone()))
            .collect();
        by_rows.sort_by(|a, b| b.cmp(a));
        let clear = by_rows[count - 1].0 >= 2 * by_rows[count].0;
        notes.push(format!(
            "{} names for the {count} positions of {}: {}; {}.",
            found.len(),
            super::text::quoted(&part.name),
            list(found.values()),
            if clear {
                format!(
                    "{} stand in fewer rows and are set aside",
                    list(by_rows[count..].iter().map(|(_, n)| n))
                )
            } else {
                "none of them is used; state positions in [[part]]".to_owned()
            }
        ));
        if !clear {
            return numbered;
        }
        for (_, rare) in &by_rows[count..] {
            found.remove(rare);
        }
    }
    if found.keys().all(|name| numbered.contains(name)) {
        return numbered;
    }
    let mut names: Vec<String> = found.values().map(|name| (*name).to_owned()).collect();
    notes.push(format!(
        "Positions of {} are named as the records name them: {}.",
        super::text::quoted(&part.name),
        list(&names)
    ));
    for number in numbered {
        if names.len() < count && !names.contains(&number) {
            names.push(number);
        }
    }
    names
}

/// Positions told together: "front; rear", "1+2".
pub(crate) fn listed(told: &str) -> impl Iterator<Item = &str> {
    told.split([';', '+', '&', ','])
        .map(str::trim)
        .filter(|p| !p.is_empty())
}

/// Words for all positions of a machine.
pub(crate) fn is_all(told: &str) -> bool {
    ["all", "both", "set", "complete"]
        .iter()
        .any(|word| told.eq_ignore_ascii_case(word))
}

fn rows_with(told: &[&Told], name: &str) -> usize {
    told.iter()
        .map(|told| {
            let pieces = told.position.iter().flat_map(|told| listed(told));
            told.rows * pieces.filter(|piece| plain(piece) == name).count()
        })
        .sum()
}

fn check_single(parts: &[Part], told: &[Told]) -> Result<(), RecordsError> {
    for part in parts.iter().filter(|p| p.per_machine == 1) {
        let rows: BTreeMap<&str, usize> = told
            .iter()
            .filter(|t| t.part == part.name)
            .filter_map(|t| Some((t.position?.as_str(), t.rows)))
            .collect();
        let all: usize = rows.values().sum();
        let mut counts: Vec<usize> = rows.values().copied().collect();
        counts.sort_unstable_by(|a, b| b.cmp(a));
        // One odd label among many rows is a slip.
        if counts
            .get(1)
            .is_some_and(|&second| second >= 2 && second * 10 >= all)
        {
            return Err(RecordsError::Setting {
                file: super::load::FLEET_FILE.to_owned(),
                key: format!("[[part]] {}, per_machine", super::text::quoted(&part.name)),
                what: format!(
                    "the records name {} positions ({}), and per_machine is 1; allowed is as many as a machine carries",
                    rows.len(),
                    list(rows.keys())
                ),
            });
        }
    }
    Ok(())
}
