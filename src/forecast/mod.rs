//! Model + ages + schedule → remaining life, chance in each job, demand distributions.

mod chain;
mod counts;
mod demand;
mod first_life;
mod outlook;
mod predict;
#[cfg(test)]
mod property_tests;
mod refine;
mod remaining;
mod renewal;
mod schedule;
mod simulate;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod timing_tests;
mod types;

pub use counts::*;
pub use demand::*;
pub use first_life::*;
pub use outlook::*;
pub use predict::*;
pub use remaining::*;
pub use schedule::*;
pub use simulate::*;
pub use types::*;
