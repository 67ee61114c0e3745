//! What a change costs, planned and in service.

use crate::records::Part;

/// Costs of one change of one part kind (of a whole set where it is changed as one), in the
/// fleet's currency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// Planned: parts, work, and downtime where its price is given.
    pub planned: f64,
    /// Worn out in service: the same parts and work, and the stop.
    pub in_service: f64,
    /// What a planned change costs less where the machine is open for another part anyway: its downtime.
    /// Nothing where the catalogue gives that downtime no price (`planned_change.cost_per_hour`).
    pub spared: f64,
}

impl Costs {
    /// `planned = unit_cost·size + planned_change.cost + minutes/60·cost_per_hour` (the last only
    /// where that price is given), `in_service = unit_cost·size + planned_change.cost +
    /// unplanned_stop.hours·cost_per_hour`. `None` without a price of the part or of a stop.
    pub fn of(part: &Part, per_change: u32) -> Option<Self> {
        let parts = part.unit_cost? * f64::from(per_change) + part.planned_change.cost;
        let stop = part.unplanned_stop?;
        let change = part.planned_change;
        let downtime = change.minutes / 60.0 * change.cost_per_hour.unwrap_or(0.0);
        Some(Self {
            planned: parts + downtime,
            in_service: parts + stop.hours * stop.cost_per_hour,
            spared: downtime,
        })
    }
}
