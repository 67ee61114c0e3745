//! Demand + lead times + stock → orders, kits and change-before-job decisions.

mod costs;
mod course;
mod decision;
mod interval;
mod kits;
mod plan;
mod shortage;
mod types;

pub use costs::*;
pub use course::*;
pub use interval::*;
pub use kits::*;
pub use plan::*;
pub use shortage::*;
pub use types::*;
