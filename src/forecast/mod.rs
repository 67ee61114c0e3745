//! Model + ages + schedule → remaining life, chance in each job, demand distributions.

mod chain;
mod costs;
mod counts;
mod demand;
mod first_life;
mod outlook;
mod policy;
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
mod types;

pub use costs::*;
pub use counts::*;
pub use demand::*;
pub use first_life::*;
pub use outlook::*;
pub use policy::*;
pub use predict::*;
pub use remaining::*;
pub use schedule::*;
pub use simulate::*;
pub use types::*;
