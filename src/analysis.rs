//! The stages in order, for one fleet: records → lives → model → forecast → stock.

use crate::forecast::Forecast;
use crate::lives::Lives;
use crate::models::{Fit, LifeModel};
use crate::records::Fleet;
use crate::stock::StockPlan;

/// Everything the program worked out about a fleet; the report and every command show parts of it.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The folder as read.
    pub fleet: Fleet,
    /// Lives and fitted parts.
    pub lives: Lives,
    /// Fit of each part with at least one life, catalogue order.
    pub fits: Vec<Fit>,
    /// Predictive life model of each part that has one, catalogue order.
    pub models: Vec<LifeModel>,
    /// Forecast over the schedule.
    pub forecast: Forecast,
    /// Orders, kits, changes, intervals.
    pub stock: StockPlan,
}
