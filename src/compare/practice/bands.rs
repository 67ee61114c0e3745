//! What each band of tension holds: lives, machines, hours, mean life.

use std::collections::BTreeSet;

use super::Band;
use super::result::{AtRisk, BandSummary};
use super::spells::Spell;
use crate::compare::Comparison;
use crate::numerics::special::ln_gamma;
use crate::records::Practice;

pub(super) fn distinct<'a>(words: impl Iterator<Item = &'a str>) -> usize {
    words.collect::<BTreeSet<_>>().len()
}

pub(super) fn bands(
    spells: &[Spell],
    practice: &Practice,
    by_band: Option<&Comparison>,
) -> Vec<BandSummary> {
    let target = practice.target_in;
    let ages = round_ages(spells.iter().map(end).fold(0.0, f64::max));
    [Band::TooTight, Band::OnTarget, Band::TooLoose]
        .into_iter()
        .map(|band| {
            let inside: Vec<&Spell> = spells
                .iter()
                .filter(|s| Band::of(practice, s.deflection_in) == band)
                .collect();
            let (from_in, to_in) = match band {
                Band::TooTight => (None, Some(practice.band_low_in)),
                Band::OnTarget => (Some(practice.band_low_in), Some(practice.band_high_in)),
                Band::TooLoose => (Some(practice.band_high_in), None),
            };
            let shape = by_band.and_then(|c| c.shared_shape.as_ref()?.estimate);
            BandSummary {
                band,
                from_in,
                to_in,
                relative_tension: (from_in.map(|d| target / d), to_in.map(|d| target / d)),
                lives: inside.iter().map(|s| s.life).collect::<BTreeSet<_>>().len() as u32,
                worn: inside
                    .iter()
                    .filter(|s| s.high.is_finite())
                    .map(|s| s.count)
                    .sum(),
                machines: distinct(inside.iter().map(|s| s.machine.as_str())) as u32,
                hours: inside
                    .iter()
                    .map(|s| (end(s) - s.entry) * f64::from(s.count))
                    .sum(),
                mean_life: shape.and_then(|shape| mean_life(&inside, shape)),
                at_risk: at_risk(&inside, &ages),
            }
        })
        .collect()
}

/// End of a spell; the middle of its bounds where it is known only within them.
fn end(s: &Spell) -> f64 {
    if s.high.is_finite() {
        f64::midpoint(s.low, s.high)
    } else {
        s.low
    }
}

/// Ages 0, 1, 2, … times a step of 1, 2 or 5 × 10^k, at most six of them, up to the greatest.
fn round_ages(greatest: f64) -> Vec<f64> {
    if !(greatest > 0.0 && greatest.is_finite()) {
        return vec![0.0];
    }
    let least = greatest / 5.0;
    let power = 10_f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|&step| step >= least)
        .unwrap_or(10.0 * power);
    (0..=5)
        .map(|i| f64::from(i) * step)
        .filter(|&age| age <= greatest)
        .collect()
}

fn at_risk(spells: &[&Spell], ages: &[f64]) -> Vec<AtRisk> {
    ages.iter()
        .map(|&hours| AtRisk {
            hours,
            lives: spells
                .iter()
                .filter(|s| s.entry <= hours && hours < end(s))
                .map(|s| s.count)
                .sum(),
        })
        .collect()
}

/// Mean life under one shape: `η·Γ(1 + 1/β)`, `η^β = Σ(t^β − entry^β)/worn`.
fn mean_life(spells: &[&Spell], shape: f64) -> Option<f64> {
    let worn: f64 = spells
        .iter()
        .filter(|s| s.high.is_finite())
        .map(|s| f64::from(s.count))
        .sum();
    // Scaled by the longest, so that powers do not overflow.
    let longest = spells.iter().map(|s| s.low).fold(0.0, f64::max);
    let risk: f64 = spells
        .iter()
        .map(|s| {
            let end = if s.high.is_finite() {
                f64::midpoint(s.low, s.high)
            } else {
                s.low
            };
            f64::from(s.count) * ((end / longest).powf(shape) - (s.entry / longest).powf(shape))
        })
        .sum();
    (worn > 0.0 && risk > 0.0)
        .then(|| longest * ((risk / worn).ln() / shape + ln_gamma(1.0 + 1.0 / shape)).exp())
        .filter(|m| m.is_finite())
}
