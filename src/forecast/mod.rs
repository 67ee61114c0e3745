//! Model + ages + schedule → remaining life, chance in each job, demand distributions.

mod cases;
mod costs;
mod counts;
mod courses;
mod deal;
mod demand;
mod first_life;
mod firsts;
mod joint;
mod levels;
mod located;
mod mixture;
mod moments;
mod outlook;
mod place_ahead;
mod policy;
mod predict;
#[cfg(test)]
mod property_tests;
mod refine;
mod remaining;
mod renewal;
mod rows;
mod schedule;
mod simulate;
mod sum;
mod table;
#[cfg(test)]
pub(crate) mod testing;
mod thin;
mod totals;
mod track;
mod types;
mod untold;
mod ways;

pub use costs::*;
pub use counts::*;
pub use courses::demand_by_few_curves;
pub use demand::*;
pub use first_life::*;
pub use mixture::*;
pub use outlook::*;
pub use place_ahead::PlaceAhead;
pub use policy::*;
pub use predict::*;
pub use remaining::*;
pub use schedule::*;
pub use simulate::*;
pub use types::*;
pub use ways::ROUGH;
