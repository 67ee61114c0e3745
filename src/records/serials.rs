//! Whether a serial number in a row is that of the part that came out or of the one that went in.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rayon::prelude::*;

use super::text::quoted;
use super::{RecordsError, Replacement, Text, Verdict};

/// Whose serial number a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SerialIs {
    /// Of the part that went in.
    Fitted,
    /// Of the part that came out.
    Removed,
}

/// Moves each serial number to the side it belongs to.
///
/// `stated` says it for files by name; files that also have a column of serial numbers that came
/// out have told it already. For the rest it is settled from serial numbers that appear more than
/// once: a part that came out worn never comes back, and a part can only go in somewhere else after
/// it came out.
pub(super) fn settle(
    records: &mut [Replacement],
    stated: &BTreeMap<Text, SerialIs>,
    told: &BTreeSet<Text>,
    notes: &mut Vec<String>,
) -> Result<(), RecordsError> {
    if records.par_iter().all(|r| r.serial.is_none()) {
        return Ok(());
    }
    let open: Vec<usize> = (0..records.len())
        .filter(|&i| records[i].serial.is_some())
        .filter(|&i| {
            let file = records[i].row.file();
            !stated.contains_key(&file) && !told.contains(&file)
        })
        .collect();
    let settled = settle_open(records, &open, notes)?;
    for (index, record) in records.iter_mut().enumerate() {
        let is = stated.get(&record.row.file()).copied().unwrap_or_else(|| {
            if open.binary_search(&index).is_ok() {
                settled
            } else {
                SerialIs::Fitted
            }
        });
        if is == SerialIs::Removed
            && record.serial_out.is_none()
            && record.verdict != Verdict::InspectedOk
        {
            record.serial_out = record.serial.take();
        }
    }
    Ok(())
}

fn settle_open(
    records: &[Replacement],
    open: &[usize],
    notes: &mut Vec<String>,
) -> Result<SerialIs, RecordsError> {
    let mut by_serial: BTreeMap<(&str, &str), Vec<&Replacement>> = BTreeMap::new();
    let mut by_place: HashMap<(Text, Text, Option<Text>), Vec<&Replacement>> = HashMap::new();
    for &index in open {
        let record = &records[index];
        if record.verdict == Verdict::InspectedOk {
            continue;
        }
        if let Some(serial) = &record.serial {
            by_serial
                .entry((record.part.as_str(), serial.as_str()))
                .or_default()
                .push(record);
        }
        by_place.entry(place(record)).or_default().push(record);
    }
    let mut against_removed = None;
    let mut against_fitted = None;
    let mut repeated = false;
    for ((_, serial), rows) in &mut by_serial {
        rows.sort_by_key(|r| (r.date, r.row));
        for pair in rows.windows(2) {
            repeated = true;
            let [first, second] = pair else { continue };
            if is_worn(first) {
                against_removed = against_removed.or(Some(*serial));
            }
            // Had it gone in at the first row, a change there must have taken it out, unworn, by the second.
            let here = &by_place[&place(first)];
            let behind = here.partition_point(|r| (r.date, r.row) <= (first.date, first.row));
            let left = here.get(behind).filter(|r| r.date <= second.date);
            if left.is_none_or(|r| is_worn(r)) {
                against_fitted = against_fitted.or(Some(*serial));
            }
        }
    }
    match (against_removed, against_fitted) {
        (None, Some(serial)) => {
            notes.push(format!(
                "Serial numbers are those of parts that came out: {} could not have gone in where it stands.",
                quoted(serial)
            ));
            Ok(SerialIs::Removed)
        }
        (Some(serial), None) => {
            notes.push(format!(
                "Serial numbers are those of parts that went in: {} stands in a row again after one that says worn.",
                quoted(serial)
            ));
            Ok(SerialIs::Fitted)
        }
        (None, None) if !repeated => Ok(SerialIs::Fitted),
        (removed, fitted) => Err(RecordsError::Setting {
            file: super::load::FLEET_FILE.to_owned(),
            key: "[[records]], serial_is".to_owned(),
            what: format!(
                "the rows do not tell whether a serial number is that of the part that went in or of the one that came out \
                 (look at {}); allowed are \"fitted\" and \"removed\"",
                quoted(
                    removed
                        .or(fitted)
                        .or(by_serial.keys().next().map(|k| k.1))
                        .unwrap_or_default()
                )
            ),
        }),
    }
}

fn is_worn(record: &Replacement) -> bool {
    matches!(record.verdict, Verdict::Worn | Verdict::FoundWorn)
}

fn place(record: &Replacement) -> (Text, Text, Option<Text>) {
    (record.machine, record.part, record.position)
}
