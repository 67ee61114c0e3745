//! Demand + lead times + stock → orders, kits and change-before-job decisions.

mod types;

pub use types::*;
