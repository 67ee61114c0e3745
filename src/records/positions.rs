//! Names of the positions of each part, as the catalogue or the records give them.

use std::collections::BTreeMap;

use super::text::{list, plain};
use super::{Part, RecordsError, Replacement};

/// Gives every part as many position names as a machine carries, and writes each record's position
/// the way the part does. A record whose position fits no name keeps its text.
pub(super) fn settle(
    parts: &mut [Part],
    replacements: &mut [Replacement],
    notes: &mut Vec<String>,
) {
    for part in parts.iter_mut() {
        if part.positions.is_empty() {
            part.positions = from_records(part, replacements, notes);
        }
    }
    let spelled: BTreeMap<&str, BTreeMap<String, &str>> = parts
        .iter()
        .map(|part| {
            let names = part
                .positions
                .iter()
                .map(|name| (plain(name), name.as_str()))
                .collect();
            (part.name.as_str(), names)
        })
        .collect();
    let single: BTreeMap<&str, &str> = parts
        .iter()
        .filter(|part| part.per_machine == 1)
        .filter_map(|part| Some((part.name.as_str(), part.positions.first()?.as_str())))
        .collect();
    for record in replacements {
        if let Some(only) = single.get(record.part.as_str()) {
            record.position = Some((*only).to_owned());
        } else if let Some(told) = &record.position
            && let Some(name) = spelled
                .get(record.part.as_str())
                .and_then(|names| names.get(&plain(told)))
        {
            record.position = Some((*name).to_owned());
        }
    }
}

/// `1..` unless the records name the positions otherwise, with no more names than there are positions.
fn from_records(part: &Part, replacements: &[Replacement], notes: &mut Vec<String>) -> Vec<String> {
    let count = part.per_machine as usize;
    let numbered: Vec<String> = (1..=count).map(|n| n.to_string()).collect();
    if count == 1 {
        return numbered;
    }
    let mut found: BTreeMap<String, &str> = BTreeMap::new();
    for record in replacements.iter().filter(|r| r.part == part.name) {
        for position in record.position.iter().flat_map(|told| listed(told)) {
            if !is_all(position) {
                found.entry(plain(position)).or_insert(position);
            }
        }
    }
    if found.len() > count {
        // A slip stands rarely; the names that stand often are the ones meant, if there is a clear line.
        let mut by_rows: Vec<(usize, String)> = found
            .keys()
            .map(|name| (rows_with(part, replacements, name), name.clone()))
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

fn rows_with(part: &Part, replacements: &[Replacement], name: &str) -> usize {
    replacements
        .iter()
        .filter(|r| r.part == part.name)
        .flat_map(|r| r.position.iter().flat_map(|told| listed(told)))
        .filter(|told| plain(told) == name)
        .count()
}

/// A part of which a machine is said to carry one, but whose rows name several positions, would
/// give false lives: each change at one position would end the life at another.
pub(super) fn check_single(
    parts: &[Part],
    replacements: &[Replacement],
) -> Result<(), RecordsError> {
    for part in parts.iter().filter(|p| p.per_machine == 1) {
        let mut rows: BTreeMap<&str, usize> = BTreeMap::new();
        for told in replacements
            .iter()
            .filter(|r| r.part == part.name)
            .filter_map(|r| r.position.as_deref())
        {
            *rows.entry(told).or_default() += 1;
        }
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
