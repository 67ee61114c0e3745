//! Does keeping the belt tension right pay? Comparing practice without fooling oneself.
//!
//! The check presses the belt with a set force and reads its give. Bands and target are declared in
//! the fleet file before looking; lives are cut where readings were taken; lives on one machine are
//! alike, and every error allows for it.
//!
//! # How well it holds
//!
//! Size of the test between two practices under no effect, machine-to-machine spread 0.2 on log life,
//! shape 2, a good half of the lives censored, 2,000 fleets each (standard error 0.5 %); the test every
//! life counts for itself beside it (`cargo test --release --lib -- --ignored --nocapture
//! size_of_the_practice_test`):
//!
//! | machines | lives each | practice goes by | primary test at 5 % | every life for itself |
//! |---|---|---|---|---|
//! | 6 + 6 | 4 | machine | 4.4 % | 9.1 % |
//! | 6 + 6 | 8 | machine | 4.8 % | 12.8 % |
//! | 8 + 8 | 4 | machine | 4.5 % | 8.6 % |
//! | 8 + 8 | 8 | machine | 5.2 % | 11.4 % |
//! | 12 | 4 | life | 3.1 % | 5.5 % |
//! | 12 | 8 | life | 3.5 % | 5.0 % |
//! | 16 | 4 | life | 3.1 % | 4.5 % |
//! | 16 | 8 | life | 4.0 % | 5.0 % |
//!
//! Where practice changes from life to life the clustered test is on the safe side.
//!
//! Curve of life against deflection, readings spread by 0.45 in ln d, no spread between machines,
//! 500 fleets each (standard error about 1 %; `… --ignored --nocapture coverage_of_the_best`):
//!
//! | machines | true curvature | dependence found at 5 % | limits of the best deflection given | holding the truth |
//! |---|---|---|---|---|
//! | 12 | 0 | 2.0 % | 2.4 % | (no best) |
//! | 8 | 0 | 2.8 % | 3.6 % | (no best) |
//! | 8 | −1.5 | 99.2 % | 97.2 % | 97.1 % |
//! | 12 | −1.5 | 100 % | 97.2 % | 95.9 % |
//! | 12 | −0.5 | 99.6 % | 99.8 % | 95.8 % |
//!
//! The last two rows were run before the joint test took Hotelling's form, which changes only the
//! third column.

mod answer;
mod bands;
mod cautions;
mod dose;
mod result;
mod run;
mod spells;
mod worth;

pub use dose::{DosePoint, DoseResponse, Optimum, ReadingError};
pub use result::*;
pub use run::{practice_named, tension_practice};
pub use spells::{Band, SpellCounts};

#[cfg(test)]
mod tests;
