//! Does keeping the belt tension right pay? Comparing practice without fooling oneself.
//!
//! The check presses the belt with a set force and reads its give. Bands and target are declared in
//! the fleet file before looking; lives are cut where readings were taken; lives on one machine are
//! alike, and every error allows for it.
//!
//! How well it holds was simulated: `examples/practice_study.rs`, tables in `DEVELOPERS.md`.

mod answer;
mod bands;
mod cautions;
mod dose;
mod reading_error;
mod result;
mod run;
mod spells;
mod worth;

pub use dose::{DosePoint, DoseResponse, Optimum, ReadingError};
pub use result::*;
pub use run::{practice_named, tension_practice};
pub(super) use spells::by_tension;
pub use spells::{Band, SpellCounts};

#[cfg(test)]
mod tests;
