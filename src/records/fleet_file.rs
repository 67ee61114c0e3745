//! `fleet.toml` as it is written: every key, and nothing else.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::{Deserialize, Deserializer, de};

/// The whole file.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FleetFile {
    pub(crate) fleet: FleetEntry,
    #[serde(default)]
    pub(crate) records: Vec<RecordsEntry>,
    #[serde(default)]
    pub(crate) readings: Vec<ReadingsEntry>,
    #[serde(default)]
    pub(crate) tension: Vec<TensionEntry>,
    #[serde(default)]
    pub(crate) jobs: Vec<JobsEntry>,
    #[serde(default)]
    pub(crate) machine: Vec<MachineEntry>,
    #[serde(default)]
    pub(crate) fitted: Vec<FittedEntry>,
    #[serde(default)]
    pub(crate) part: Vec<PartEntry>,
    pub(crate) practice: Option<PracticeEntry>,
    #[serde(default)]
    pub(crate) stock: StockEntry,
    #[serde(default)]
    pub(crate) inspection: InspectionEntry,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FleetEntry {
    pub(crate) name: String,
    #[serde(default, deserialize_with = "optional_date")]
    pub(crate) as_of: Option<Date>,
    #[serde(default)]
    pub(crate) currency: String,
    /// Operating hours per calendar day of machines that have no meter.
    pub(crate) hours_per_day: Option<f64>,
}

/// How to read one file; shared by all kinds.
#[derive(Debug, Default, Clone, Deserialize)]
pub(crate) struct Source {
    /// Where in `fleet.toml` it is named.
    pub(crate) section: &'static str,
    pub(crate) file: String,
    pub(crate) sheet: Option<String>,
    pub(crate) header_row: Option<u32>,
    pub(crate) dates: Option<String>,
    pub(crate) date_cells: Option<DateCellsWord>,
    pub(crate) decimal: Option<String>,
    pub(crate) delimiter: Option<String>,
    pub(crate) columns: BTreeMap<String, String>,
}

impl Source {
    /// Whether the date cells of a half-converted column have day and month the wrong way round.
    pub(crate) fn swapped(&self) -> bool {
        self.date_cells == Some(DateCellsWord::Swapped)
    }
}

/// What to make of real date cells beside dates that stayed text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub(crate) enum DateCellsWord {
    #[serde(rename = "as they stand")]
    AsTheyStand,
    #[serde(rename = "day and month swapped")]
    Swapped,
}

/// Writes the keys that every file entry has into its own struct, since serde cannot both flatten
/// and refuse unknown keys.
macro_rules! file_entry {
    ($(#[$doc:meta])* $name:ident in $section:literal { $($(#[$field_meta:meta])* $field:ident: $kind:ty,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub(crate) struct $name {
            #[serde(default)]
            pub(crate) file: String,
            pub(crate) sheet: Option<String>,
            pub(crate) header_row: Option<u32>,
            pub(crate) dates: Option<String>,
            pub(crate) date_cells: Option<DateCellsWord>,
            pub(crate) decimal: Option<String>,
            pub(crate) delimiter: Option<String>,
            #[serde(default)]
            pub(crate) columns: BTreeMap<String, String>,
            $($(#[$field_meta])* pub(crate) $field: $kind,)*
        }

        impl $name {
            pub(crate) fn source(&self) -> Source {
                Source {
                    section: $section,
                    file: self.file.clone(),
                    sheet: self.sheet.clone(),
                    header_row: self.header_row,
                    dates: self.dates.clone(),
                    date_cells: self.date_cells,
                    decimal: self.decimal.clone(),
                    delimiter: self.delimiter.clone(),
                    columns: self.columns.clone(),
                }
            }
        }
    };
}

file_entry! {
    /// A replacement export.
    RecordsEntry in "[[records]]" {
        #[serde(default)]
        reasons: ReasonsEntry,
        /// What an empty reason (or no reason column) means.
        reason_when_blank: Option<VerdictWord>,
        /// Whose serial number the rows hold.
        serial_is: Option<SerialWord>,
        hours_unit: Option<HoursUnit>,
    }
}
file_entry! {
    /// Hour-meter readings; resets alone need no file.
    ReadingsEntry in "[[readings]]" {
        #[serde(default)]
        resets: Vec<ResetEntry>,
        hours_unit: Option<HoursUnit>,
    }
}
file_entry! {
    /// Belt-tension checks.
    TensionEntry in "[[tension]]" {
        unit: Option<LengthWord>,
        /// Force pressed with, where the file has no column for it.
        force: Option<f64>,
        force_unit: Option<ForceWord>,
    }
}
file_entry! {
    /// The job schedule.
    JobsEntry in "[[jobs]]" {}
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReasonsEntry {
    #[serde(default)]
    pub(crate) worn: Vec<String>,
    #[serde(default)]
    pub(crate) found_worn: Vec<String>,
    #[serde(default)]
    pub(crate) unworn: Vec<String>,
    #[serde(default)]
    pub(crate) swapped: Vec<String>,
    #[serde(default)]
    pub(crate) inspected_ok: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum VerdictWord {
    Worn,
    FoundWorn,
    Unworn,
    InspectedOk,
}

/// Whose serial number a row holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum SerialWord {
    Fitted,
    Removed,
}

/// Unit of a column of operating time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub(crate) enum HoursUnit {
    #[serde(rename = "h")]
    Hours,
    #[serde(rename = "min")]
    Minutes,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum LengthWord {
    In,
    Mm,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub(crate) enum ForceWord {
    #[serde(rename = "lbf")]
    Lbf,
    #[serde(rename = "N")]
    Newton,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ResetEntry {
    pub(crate) machine: String,
    #[serde(deserialize_with = "date")]
    pub(crate) date: Date,
    pub(crate) new_reading: f64,
    pub(crate) old_reading: Option<f64>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct MachineEntry {
    pub(crate) name: String,
    #[serde(default)]
    pub(crate) aliases: Vec<String>,
    #[serde(default, deserialize_with = "optional_date")]
    pub(crate) new_on: Option<Date>,
    pub(crate) first_hours: Option<f64>,
    #[serde(default, deserialize_with = "optional_date")]
    pub(crate) retired_on: Option<Date>,
    pub(crate) hours_per_day: Option<f64>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FittedEntry {
    pub(crate) machine: String,
    pub(crate) part: String,
    pub(crate) position: Option<String>,
    #[serde(deserialize_with = "date")]
    pub(crate) date: Date,
    pub(crate) age_hours: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PartEntry {
    pub(crate) name: String,
    #[serde(default)]
    pub(crate) aliases: Vec<String>,
    /// As many as there are positions, else 1, where it is not stated.
    #[serde(default, deserialize_with = "optional_whole")]
    pub(crate) per_machine: Option<u32>,
    #[serde(default)]
    pub(crate) positions: Vec<String>,
    #[serde(default)]
    pub(crate) machines: Vec<String>,
    #[serde(default)]
    pub(crate) changed: ChangedWord,
    #[serde(default)]
    pub(crate) position_not_told: PositionNotToldWord,
    pub(crate) unit_cost: Option<f64>,
    #[serde(default = "one", deserialize_with = "whole")]
    pub(crate) pack: u32,
    #[serde(default = "one", deserialize_with = "whole")]
    pub(crate) minimum_order: u32,
    pub(crate) lead_time_days: Option<OneOrRange>,
    #[serde(default, deserialize_with = "whole")]
    pub(crate) on_hand: u32,
    #[serde(default)]
    pub(crate) on_order: Vec<DeliveryEntry>,
    pub(crate) believed_life: Option<[f64; 2]>,
    pub(crate) belief_worth: Option<f64>,
    pub(crate) fixed_life: Option<FixedLifeEntry>,
    pub(crate) life_by: Option<String>,
    pub(crate) life_by_factor: Option<f64>,
    #[serde(default)]
    pub(crate) planned_change: PlannedChangeEntry,
    pub(crate) unplanned_stop: Option<UnplannedStopEntry>,
}

fn one() -> u32 {
    1
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
pub(crate) enum ChangedWord {
    #[default]
    #[serde(rename = "singly")]
    Singly,
    #[serde(rename = "as a set")]
    AsASet,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
pub(crate) enum PositionNotToldWord {
    #[default]
    #[serde(rename = "set aside")]
    SetAside,
    #[serde(rename = "sum over positions")]
    Sum,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct DeliveryEntry {
    #[serde(deserialize_with = "whole")]
    pub(crate) quantity: u32,
    #[serde(deserialize_with = "date")]
    pub(crate) due: Date,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FixedLifeEntry {
    pub(crate) shape: f64,
    pub(crate) scale: f64,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PlannedChangeEntry {
    #[serde(default)]
    pub(crate) minutes: f64,
    #[serde(default)]
    pub(crate) cost: f64,
    pub(crate) cost_per_hour: Option<f64>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct UnplannedStopEntry {
    pub(crate) hours: f64,
    pub(crate) cost_per_hour: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PracticeEntry {
    pub(crate) target: f64,
    pub(crate) band: [f64; 2],
    pub(crate) unit: LengthWord,
    /// lbf.
    pub(crate) force: Option<f64>,
    /// Standard deviation of a reading, in `unit`.
    pub(crate) reading_error: Option<f64>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StockEntry {
    pub(crate) service_level: Option<f64>,
    #[serde(default, deserialize_with = "optional_whole")]
    pub(crate) review_days: Option<u32>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct InspectionEntry {
    pub(crate) chance_unseen: Option<f64>,
}

/// `21` or `[14, 35]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OneOrRange {
    pub(crate) low: f64,
    pub(crate) high: f64,
}

impl<'de> Deserialize<'de> for OneOrRange {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> de::Visitor<'de> for Visitor {
            type Value = OneOrRange;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a number of days, or a range of two like [14, 35]")
            }
            fn visit_i64<E: de::Error>(self, value: i64) -> Result<OneOrRange, E> {
                self.visit_f64(value as f64)
            }
            fn visit_f64<E: de::Error>(self, value: f64) -> Result<OneOrRange, E> {
                Ok(OneOrRange {
                    low: value,
                    high: value,
                })
            }
            fn visit_seq<A: de::SeqAccess<'de>>(self, mut seq: A) -> Result<OneOrRange, A::Error> {
                let wrong = |n| de::Error::invalid_length(n, &Visitor);
                let low = seq.next_element()?.ok_or_else(|| wrong(0))?;
                let high = seq.next_element()?.ok_or_else(|| wrong(1))?;
                if seq.next_element::<f64>()?.is_some() {
                    return Err(wrong(3));
                }
                Ok(OneOrRange { low, high })
            }
        }
        deserializer.deserialize_any(Visitor)
    }
}

/// Parts and days come whole.
fn whole<'de, D: Deserializer<'de>>(deserializer: D) -> Result<u32, D::Error> {
    let found = toml::Value::deserialize(deserializer)?;
    let number = match &found {
        toml::Value::Integer(n) => u32::try_from(*n).ok(),
        toml::Value::Float(x) if x.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(x) => {
            Some(*x as u32)
        }
        _ => None,
    };
    number.ok_or_else(|| {
        de::Error::custom(format!(
            "found {found}, allowed is a whole number, 0 or more"
        ))
    })
}

fn optional_whole<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<u32>, D::Error> {
    whole(deserializer).map(Some)
}

/// A TOML date, or the same as text.
fn date<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Date, D::Error> {
    let found = toml::Value::deserialize(deserializer)?;
    let text = match &found {
        toml::Value::Datetime(stamp) if stamp.time.is_none() && stamp.offset.is_none() => {
            stamp.to_string()
        }
        toml::Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    text.parse().map_err(|_| {
        de::Error::custom(format!(
            "found {}, allowed is a day like 2026-03-31",
            super::text::quoted(&text)
        ))
    })
}

fn optional_date<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Date>, D::Error> {
    date(deserializer).map(Some)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(keys: &str) -> Result<PartEntry, toml::de::Error> {
        toml::from_str(&format!("name = \"belt\"\n{keys}"))
    }

    #[test]
    fn lead_time_is_one_number_or_two() {
        assert_eq!(
            part("lead_time_days = 21").unwrap().lead_time_days,
            Some(OneOrRange {
                low: 21.0,
                high: 21.0
            })
        );
        assert_eq!(
            part("lead_time_days = [14, 35.5]").unwrap().lead_time_days,
            Some(OneOrRange {
                low: 14.0,
                high: 35.5
            })
        );
        for wrong in ["[14]", "[1, 2, 3]", "\"soon\""] {
            let message = part(&format!("lead_time_days = {wrong}"))
                .unwrap_err()
                .to_string();
            assert!(
                message.contains("a number of days, or a range of two"),
                "{message}"
            );
        }
    }

    #[test]
    fn days_are_written_as_toml_days_or_text() {
        let entry: FleetEntry = toml::from_str("name = \"x\"\nas_of = 2026-03-31").unwrap();
        assert_eq!(entry.as_of, Some(jiff::civil::date(2026, 3, 31)));
        let entry: FleetEntry = toml::from_str("name = \"x\"\nas_of = \"2026-03-31\"").unwrap();
        assert_eq!(entry.as_of, Some(jiff::civil::date(2026, 3, 31)));
        let message = toml::from_str::<FleetEntry>("name = \"x\"\nas_of = 7")
            .unwrap_err()
            .to_string();
        assert!(message.contains("allowed is a day like"), "{message}");
    }

    #[test]
    fn an_unknown_key_is_refused_with_what_is_allowed() {
        let message = part("prise = 3").unwrap_err().to_string();
        assert!(
            message.contains("prise") && message.contains("unit_cost"),
            "{message}"
        );
    }
}
