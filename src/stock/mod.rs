//! Demand + lead times + stock → orders, kits and change-before-job decisions.

mod course;
mod interval;
mod kits;
mod plan;
mod shortage;
mod types;

pub use crate::forecast::Costs;
pub use course::*;
pub use interval::*;
pub use kits::*;
pub use plan::*;
pub use shortage::*;
pub use types::*;
