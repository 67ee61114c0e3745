//! Entries of `fleet.toml` → checked parts, machines and practice.

use std::collections::BTreeSet;

use super::fleet_file::{
    ChangedWord, FittedEntry, LengthWord, MachineEntry, PartEntry, PositionNotToldWord,
    PracticeEntry,
};
use super::text::{plain, quoted, shown};
use super::{
    BelievedLife, ChangedHow, Delivery, FixedLife, KnownAge, LeadTime, LengthUnit, LifeBy,
    MachineFacts, Part, PlannedChange, PositionNotTold, Practice, RecordsError, UnplannedStop,
};

/// Millimetres in an inch, by definition.
pub(crate) const MM_PER_INCH: f64 = 25.4;
/// Newtons in a pound-force: 0.45359237 kg × 9.80665 m/s², both by definition.
pub(crate) const NEWTON_PER_LBF: f64 = 4.448_221_615_260_5;

/// Values of a column are believed to make a part last twice or half as long as the typical one, at most (9 of 10).
const LIFE_BY_FACTOR: f64 = 2.0;
/// Most positions one machine may carry of a part.
const MOST_POSITIONS: u32 = 10_000;
/// Force that the tension check presses with where none is stated, lbf (common practice).
const FORCE_LBF: f64 = 5.0;

/// Checks settings and names the key of a bad one.
pub(super) struct Setting<'a> {
    pub(super) file: &'a str,
}

impl Setting<'_> {
    pub(super) fn refuse(&self, key: impl Into<String>, what: impl Into<String>) -> RecordsError {
        RecordsError::Setting {
            file: self.file.to_owned(),
            key: key.into(),
            what: what.into(),
        }
    }

    pub(super) fn number(
        &self,
        key: &str,
        value: f64,
        allowed: &str,
        ok: impl Fn(f64) -> bool,
    ) -> Result<f64, RecordsError> {
        if value.is_finite() && ok(value) {
            Ok(value)
        } else {
            Err(self.refuse(key, format!("found {value}, allowed is {allowed}")))
        }
    }

    fn at_least_zero(&self, key: &str, value: f64) -> Result<f64, RecordsError> {
        self.number(key, value, "a number ≥ 0", |v| v >= 0.0)
    }

    fn above_zero(&self, key: &str, value: f64) -> Result<f64, RecordsError> {
        self.number(key, value, "a number > 0", |v| v > 0.0)
    }

    pub(super) fn parts(&self, entries: Vec<PartEntry>) -> Result<Vec<Part>, RecordsError> {
        let mut names = BTreeSet::new();
        let mut parts = Vec::with_capacity(entries.len());
        for entry in entries {
            let part = self.part(&entry)?;
            for name in std::iter::once(&part.name).chain(&part.aliases) {
                if !names.insert(plain(name)) {
                    return Err(self.refuse(
                        format!("[[part]] {}", quoted(&part.name)),
                        format!(
                            "the name {} is used by another part or alias already",
                            quoted(name)
                        ),
                    ));
                }
            }
            parts.push(part);
        }
        if parts.is_empty() {
            return Err(self.refuse("[[part]]", "no part is listed; list at least one part kind"));
        }
        Ok(parts)
    }

    fn part(&self, entry: &PartEntry) -> Result<Part, RecordsError> {
        let name = entry.name.trim().to_owned();
        let key = |key: &str| format!("[[part]] {}, {key}", quoted(&name));
        if plain(&name).is_empty() {
            return Err(self.refuse("[[part]], name", "found nothing, allowed is a name"));
        }
        let per_machine = entry
            .per_machine
            .unwrap_or_else(|| u32::try_from(entry.positions.len().max(1)).unwrap_or(u32::MAX));
        if per_machine == 0 || per_machine > MOST_POSITIONS {
            return Err(self.refuse(
                key("per_machine"),
                format!("found {per_machine}, allowed is 1 to {MOST_POSITIONS}"),
            ));
        }
        if !entry.positions.is_empty() && entry.positions.len() != per_machine as usize {
            return Err(self.refuse(
                key("positions"),
                format!(
                    "found {} names, allowed are as many as per_machine = {per_machine}",
                    entry.positions.len(),
                ),
            ));
        }
        let distinct: BTreeSet<String> = entry.positions.iter().map(|p| plain(p)).collect();
        if distinct.len() != entry.positions.len() || distinct.contains("") {
            return Err(self.refuse(key("positions"), "allowed are different names, none empty"));
        }
        for (name, value) in [("pack", entry.pack), ("minimum_order", entry.minimum_order)] {
            if value == 0 {
                return Err(self.refuse(key(name), "found 0, allowed is 1 or more"));
            }
        }
        let lead_time = match entry.lead_time_days {
            Some(days) => {
                let low = self.at_least_zero(&key("lead_time_days"), days.low)?;
                let high = self.number(
                    &key("lead_time_days"),
                    days.high,
                    "a range from low to high",
                    |h| h >= low,
                )?;
                Some(LeadTime {
                    low_days: low,
                    high_days: high,
                })
            }
            None => None,
        };
        let believed_life = match entry.believed_life {
            Some([low, high]) => {
                let low_hours = self.above_zero(&key("believed_life"), low)?;
                Some(BelievedLife {
                    low_hours,
                    high_hours: self.number(
                        &key("believed_life"),
                        high,
                        "two numbers of hours, the second above the first",
                        |h| h > low_hours,
                    )?,
                    worth: self
                        .above_zero(&key("belief_worth"), entry.belief_worth.unwrap_or(1.0))?,
                })
            }
            None if entry.belief_worth.is_some() => {
                return Err(self.refuse(
                    key("belief_worth"),
                    "it needs believed_life = [low, high] beside it",
                ));
            }
            None => None,
        };
        let fixed_life = match &entry.fixed_life {
            Some(life) => Some(FixedLife {
                shape: self.number(
                    &key("fixed_life.shape"),
                    life.shape,
                    "a number > 0 and ≤ 100",
                    |v| v > 0.0 && v <= 100.0,
                )?,
                scale: self.above_zero(&key("fixed_life.scale"), life.scale)?,
            }),
            None => None,
        };
        let life_by = self.life_by(entry, &key)?;
        let planned_change = PlannedChange {
            minutes: self
                .at_least_zero(&key("planned_change.minutes"), entry.planned_change.minutes)?,
            cost: self.at_least_zero(&key("planned_change.cost"), entry.planned_change.cost)?,
            cost_per_hour: match entry.planned_change.cost_per_hour {
                Some(cost) => Some(self.at_least_zero(&key("planned_change.cost_per_hour"), cost)?),
                None => None,
            },
        };
        let unplanned_stop = match &entry.unplanned_stop {
            Some(stop) => Some(UnplannedStop {
                hours: self.at_least_zero(&key("unplanned_stop.hours"), stop.hours)?,
                cost_per_hour: self
                    .at_least_zero(&key("unplanned_stop.cost_per_hour"), stop.cost_per_hour)?,
            }),
            None => None,
        };
        let unit_cost = match entry.unit_cost {
            Some(cost) => Some(self.at_least_zero(&key("unit_cost"), cost)?),
            None => None,
        };
        let mut on_order: Vec<Delivery> = entry
            .on_order
            .iter()
            .map(|d| Delivery {
                quantity: d.quantity,
                due: d.due,
            })
            .collect();
        on_order.sort_by_key(|d| (d.due, d.quantity));
        if entry.position_not_told == PositionNotToldWord::Sum
            && matches!(entry.changed, ChangedWord::AsASet)
        {
            return Err(self.refuse(
                key("position_not_told"),
                "found \"sum over positions\" with changed = \"as a set\"; a set is changed in all positions, so leave it out, or set changed = \"singly\"",
            ));
        }
        Ok(Part {
            aliases: entry.aliases.iter().map(|a| a.trim().to_owned()).collect(),
            per_machine,
            positions: entry
                .positions
                .iter()
                .map(|p| p.trim().to_owned())
                .collect(),
            machines: entry.machines.iter().map(|m| m.trim().to_owned()).collect(),
            changed: match entry.changed {
                ChangedWord::Singly => ChangedHow::Singly,
                ChangedWord::AsASet => ChangedHow::AsASet,
            },
            position_not_told: match entry.position_not_told {
                PositionNotToldWord::SetAside => PositionNotTold::SetAside,
                PositionNotToldWord::Sum => PositionNotTold::Sum,
            },
            unit_cost,
            pack: entry.pack,
            minimum_order: entry.minimum_order,
            lead_time,
            on_hand: entry.on_hand,
            on_order,
            believed_life,
            fixed_life,
            life_by,
            planned_change,
            unplanned_stop,
            name,
        })
    }

    fn life_by(
        &self,
        entry: &PartEntry,
        key: &impl Fn(&str) -> String,
    ) -> Result<Option<LifeBy>, RecordsError> {
        let Some(column) = &entry.life_by else {
            return match entry.life_by_factor {
                Some(_) => Err(self.refuse(
                    key("life_by_factor"),
                    "it needs life_by = \"a column\" beside it",
                )),
                None => Ok(None),
            };
        };
        let allowed = "a column of the records whose values make the part last longer or shorter, such as \
                       \"hose_size\"";
        if plain(column).is_empty() {
            return Err(self.refuse(
                key("life_by"),
                format!("found an empty name, allowed is {allowed}"),
            ));
        }
        if entry.fixed_life.is_some() || entry.position_not_told == PositionNotToldWord::Sum {
            return Err(self.refuse(
                key("life_by"),
                "it goes with neither fixed_life nor position_not_told = \"sum over positions\"; leave one of \
                 them out",
            ));
        }
        let within_factor = self.number(
            &key("life_by_factor"),
            entry.life_by_factor.unwrap_or(LIFE_BY_FACTOR),
            "a number > 1 and ≤ 100",
            |v| v > 1.0 && v <= 100.0,
        )?;
        Ok(Some(LifeBy {
            column: column.trim().to_owned(),
            within_factor,
        }))
    }

    pub(super) fn machines(
        &self,
        entries: &[MachineEntry],
        fleet_rate: Option<f64>,
    ) -> Result<Vec<MachineFacts>, RecordsError> {
        let mut facts = Vec::with_capacity(entries.len());
        let mut names = BTreeSet::new();
        for entry in entries {
            let key = |key: &str| format!("[[machine]] {}, {key}", quoted(&entry.name));
            for name in std::iter::once(&entry.name).chain(&entry.aliases) {
                if plain(name).is_empty() || !names.insert(plain(name)) {
                    return Err(self.refuse(
                        format!("[[machine]] {}", quoted(&entry.name)),
                        format!(
                            "the name {} is empty or used by another machine or alias already",
                            quoted(name)
                        ),
                    ));
                }
            }
            if entry.first_hours.is_some() && entry.new_on.is_none() {
                return Err(self.refuse(
                    key("first_hours"),
                    "it needs new_on, the day the machine went into service with new parts",
                ));
            }
            if let (Some(new), Some(retired)) = (entry.new_on, entry.retired_on)
                && retired < new
            {
                return Err(self.refuse(
                    key("retired_on"),
                    format!("found {retired}, before new_on = {new}"),
                ));
            }
            facts.push(MachineFacts {
                name: entry.name.trim().to_owned(),
                aliases: entry.aliases.iter().map(|a| a.trim().to_owned()).collect(),
                new_on: entry.new_on,
                first_hours: self
                    .at_least_zero(&key("first_hours"), entry.first_hours.unwrap_or(0.0))?,
                retired_on: entry.retired_on,
                hours_per_day: match entry.hours_per_day.or(fleet_rate) {
                    Some(rate) => Some(self.rate(&key("hours_per_day"), rate)?),
                    None => None,
                },
            });
        }
        facts.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(facts)
    }

    pub(super) fn rate(&self, key: &str, rate: f64) -> Result<f64, RecordsError> {
        self.number(key, rate, "hours a day, > 0 and ≤ 24", |r| {
            r > 0.0 && r <= 24.0
        })
    }

    pub(super) fn known_ages(
        &self,
        entries: &[FittedEntry],
        parts: &[Part],
        machine: impl Fn(&str) -> String,
    ) -> Result<Vec<KnownAge>, RecordsError> {
        let mut ages = Vec::with_capacity(entries.len());
        for entry in entries {
            let key = |key: &str| {
                format!(
                    "[[fitted]] {} {}, {key}",
                    shown(&entry.machine),
                    shown(&entry.part)
                )
            };
            let part = parts
                .iter()
                .find(|p| {
                    plain(&p.name) == plain(&entry.part)
                        || p.aliases.iter().any(|a| plain(a) == plain(&entry.part))
                })
                .ok_or_else(|| {
                    self.refuse(
                        key("part"),
                        format!("{} is no [[part]] of this file", quoted(&entry.part)),
                    )
                })?;
            ages.push(KnownAge {
                machine: machine(&entry.machine),
                part: part.name.clone(),
                position: entry.position.as_ref().map(|p| p.trim().to_owned()),
                date: entry.date,
                age_hours: self.at_least_zero(&key("age_hours"), entry.age_hours)?,
            });
        }
        ages.sort_by(|a, b| {
            (&a.machine, &a.part, &a.position, a.date).cmp(&(
                &b.machine,
                &b.part,
                &b.position,
                b.date,
            ))
        });
        Ok(ages)
    }

    pub(super) fn practice(&self, entry: &PracticeEntry) -> Result<Practice, RecordsError> {
        let unit = match entry.unit {
            LengthWord::In => LengthUnit::In,
            LengthWord::Mm => LengthUnit::Mm,
        };
        let inches = |v: f64| v / unit.per_inch();
        let target = self.above_zero("[practice], target", entry.target)?;
        let low = self.number(
            "[practice], band",
            entry.band[0],
            "two lengths around the target, low first",
            |v| v > 0.0 && v <= target,
        )?;
        let high = self.number(
            "[practice], band",
            entry.band[1],
            "two lengths around the target, low first",
            |v| v >= target,
        )?;
        Ok(Practice {
            target_in: inches(target),
            band_low_in: inches(low),
            band_high_in: inches(high),
            unit,
            force_lbf: entry
                .force
                .map(|f| self.above_zero("[practice], force", f))
                .transpose()?
                .unwrap_or(FORCE_LBF),
            reading_error_in: entry
                .reading_error
                .map(|e| self.above_zero("[practice], reading_error", e))
                .transpose()?
                .map(inches),
        })
    }
}
