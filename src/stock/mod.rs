//! Demand + lead times + stock → orders, kits, change-before-job decisions, looks and what it costs.

mod arrival;
mod carry;
mod changes;
mod course;
mod days;
mod inspect;
mod interval;
mod kits;
mod lead_time;
mod orders;
mod plan;
mod planned_interval;
mod sensitivity;
mod shortage;
mod timeline;
mod types;
mod value;

pub use crate::forecast::Costs;
pub use arrival::*;
pub use course::*;
pub use inspect::*;
pub use interval::*;
pub use kits::*;
pub use lead_time::*;
pub use orders::SERVICE_LEVELS;
pub use plan::*;
pub use sensitivity::*;
pub use shortage::*;
pub use timeline::*;
pub use types::*;
pub use value::*;
