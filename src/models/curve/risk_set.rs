//! Who was under observation when: the one pass over sorted ages that every curve and every
//! log-rank test starts from.

use rayon::prelude::*;

use crate::numerics::sort::sorted;

use super::CurveError;
use crate::lives::Observations;

/// Above this many lives sorting on both cores pays.
const PARALLEL: usize = 1 << 15;

/// Lives looked at at a time.
const PART: usize = 1 << 14;

/// One age at which parts wore out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RiskStep {
    /// Age, hours.
    pub(crate) hours: f64,
    /// Lives under observation just before: entered before this age, not ended before it.
    pub(crate) at_risk: f64,
    /// Lives that wore out at this age.
    pub(crate) worn: f64,
}

/// Checks what every curve needs of its lives.
///
/// # Errors
/// The first value that no life can have.
pub(crate) fn check(lives: &Observations) -> Result<(), CurveError> {
    let n = lives.low.len();
    if n == 0 {
        return Err(CurveError::NoLives);
    }
    for (column, found, optional) in [
        ("high", lives.high.len(), false),
        ("entry", lives.entry.len(), true),
        ("count", lives.count.len(), true),
    ] {
        if found != n && !(optional && found == 0) {
            return Err(CurveError::Length {
                column,
                found,
                expected: n,
            });
        }
    }
    if all_sound(lives) {
        return Ok(());
    }
    let wrong = |row, column, value, allowed| {
        Err(CurveError::Value {
            row,
            column,
            value,
            allowed,
        })
    };
    for (i, (&low, &high)) in lives.low.iter().zip(&lives.high).enumerate() {
        if !(low >= 0.0 && low.is_finite()) {
            return wrong(i + 1, "low", low, "finite, 0 or more");
        }
        if !(high > 0.0 && high >= low) {
            return wrong(i + 1, "high", high, "above 0 and not below low");
        }
    }
    for (i, &entry) in lives.entry.iter().enumerate() {
        if !(entry >= 0.0 && entry.is_finite()) {
            return wrong(i + 1, "entry", entry, "finite, 0 or more");
        }
        let (low, high) = (lives.low[i], lives.high[i]);
        let last = if high.is_finite() { high } else { low };
        // A right-censored life that ends where it entered carries no information but is harmless.
        if entry > last || (entry == last && high.is_finite()) {
            return wrong(i + 1, "entry", entry, "below the end of the life");
        }
    }
    for (i, &count) in lives.count.iter().enumerate() {
        if !(count >= 0.0 && count.is_finite()) {
            return wrong(i + 1, "count", count, "finite, 0 or more");
        }
    }
    Ok(())
}

/// One quick pass that only says whether a look at each value is needed.
#[expect(
    clippy::needless_bitwise_bool,
    clippy::manual_range_contains,
    reason = "without a branch it goes by vector instructions"
)]
fn all_sound(lives: &Observations) -> bool {
    let bounds = lives.low.par_chunks(PART).zip(lives.high.par_chunks(PART));
    let sound = bounds.all(|(low, high)| {
        let each = low.iter().zip(high).map(|(&low, &high)| {
            (low >= 0.0) & (low < f64::INFINITY) & (high > 0.0) & (high >= low)
        });
        // No stop at the first: without one it goes by vector instructions.
        each.fold(true, |all, one| all & one)
    });
    let ends = lives.low.iter().zip(&lives.high);
    let entered = |((&low, &high), &entry): ((&f64, &f64), &f64)| {
        let last = if high < f64::INFINITY { high } else { low };
        entry >= 0.0 && (entry < last || (entry == last && high == f64::INFINITY))
    };
    let counted = |count: &f64| (0.0..f64::INFINITY).contains(count);
    sound && ends.zip(&lives.entry).all(entered) && lives.count.iter().all(counted)
}

/// Normal quantile for a two-sided confidence.
///
/// # Errors
/// [`CurveError::Confidence`] outside (0, 1).
pub(crate) fn two_sided_z(confidence: f64) -> Result<f64, CurveError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(CurveError::Confidence(confidence));
    }
    Ok(crate::numerics::special::two_sided_normal(confidence))
}

/// The first life that is known only within bounds.
#[expect(
    clippy::needless_bitwise_bool,
    reason = "without a branch it goes by vector instructions"
)]
pub(crate) fn first_interval(lives: &Observations) -> Option<usize> {
    let within = |(&low, &high): (&f64, &f64)| (low < high) & (high < f64::INFINITY);
    let parts = lives.low.par_chunks(PART).zip(lives.high.par_chunks(PART));
    let found = parts
        .map(|(low, high)| {
            low.iter()
                .zip(high)
                .fold(false, |any, life| any | within(life))
        })
        .any(|any| any);
    let mut lives = lives.low.iter().zip(&lives.high);
    if found { lives.position(within) } else { None }
}

/// Sort key of an end: the bits of a non-negative double order like the double; the last bit puts
/// a worn life before one censored at the same age.
pub(crate) fn key(hours: f64, censored: bool) -> u64 {
    ((hours + 0.0).to_bits() << 1) | u64::from(censored)
}

pub(crate) fn hours_of(key: u64) -> f64 {
    f64::from_bits(key >> 1)
}

/// Steps of the risk set at every age at which a life wore out.
///
/// # Errors
/// See [`check`]; [`CurveError::Interval`] when a life is neither exact nor right-censored.
pub(crate) fn risk_steps(lives: &Observations) -> Result<Vec<RiskStep>, CurveError> {
    let mut steps = Vec::new();
    each_risk_step(lives, |step| steps.push(step))?;
    Ok(steps)
}

/// The same, handed on one by one in order of age.
///
/// # Errors
/// See [`risk_steps`].
pub(crate) fn each_risk_step(
    lives: &Observations,
    mut take: impl FnMut(RiskStep),
) -> Result<(), CurveError> {
    check(lives)?;
    if let Some(i) = first_interval(lives) {
        return Err(CurveError::Interval { row: i + 1 });
    }
    let entered_late = lives.entry.iter().any(|&e| e > 0.0);
    if lives.count.is_empty() && !entered_late {
        let ends = lives.low.par_iter().zip(&lives.high).with_min_len(PART);
        let keys = sorted(ends.map(|(&low, &high)| key(low, low < high)).collect());
        let mut rest = keys.as_slice();
        while let Some(&first) = rest.first() {
            let tied = rest.iter().take_while(|key| **key == first).count();
            if first & 1 == 0 {
                take(RiskStep {
                    hours: hours_of(first),
                    at_risk: rest.len() as f64,
                    worn: tied as f64,
                });
            }
            rest = &rest[tied..];
        }
        return Ok(());
    }
    let ends = lives
        .low
        .iter()
        .zip(&lives.high)
        .map(|(&low, &high)| key(low, low < high));
    let count = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
    let mut keyed: Vec<(u64, f64)> = ends.enumerate().map(|(i, k)| (k, count(i))).collect();
    sort_keyed(&mut keyed);
    if !entered_late {
        let total = keyed.iter().map(|k| k.1).sum();
        steps_of_sorted(keyed.iter().copied(), total, take);
        return Ok(());
    }
    let mut entries: Vec<(u64, f64)> = lives
        .entry
        .iter()
        .enumerate()
        .map(|(i, &e)| (key(e, false), count(i)))
        .collect();
    sort_keyed(&mut entries);
    let mut entries = entries.into_iter().peekable();
    let (mut entered, mut left) = (0.0, 0.0);
    for tied in keyed.chunk_by(|a, b| a.0 == b.0) {
        let (k, weight) = (tied[0].0, tied.iter().map(|t| t.1).sum::<f64>());
        let hours = hours_of(k);
        while let Some((_, w)) = entries.next_if(|(e, _)| hours_of(*e) < hours) {
            entered += w;
        }
        if k & 1 == 0 && weight > 0.0 {
            take(RiskStep {
                hours,
                at_risk: entered - left,
                worn: weight,
            });
        }
        left += weight;
    }
    Ok(())
}

/// Stable, so that fractional weights add up in one order whatever the number of threads.
fn sort_keyed(keyed: &mut [(u64, f64)]) {
    if keyed.len() >= PARALLEL {
        keyed.par_sort_by_key(|k| k.0);
    } else {
        keyed.sort_by_key(|k| k.0);
    }
}

fn steps_of_sorted(
    ends: impl Iterator<Item = (u64, f64)>,
    total: f64,
    mut take: impl FnMut(RiskStep),
) {
    let mut left = 0.0;
    let (mut current, mut weight) = (None, 0.0);
    let mut close = |k: Option<u64>, weight: f64| {
        if let Some(k) = k {
            if k & 1 == 0 && weight > 0.0 {
                take(RiskStep {
                    hours: hours_of(k),
                    at_risk: total - left,
                    worn: weight,
                });
            }
            left += weight;
        }
    };
    for (k, w) in ends {
        if current == Some(k) {
            weight += w;
        } else {
            close(current, weight);
            (current, weight) = (Some(k), w);
        }
    }
    close(current, weight);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worn_comes_before_censored_at_the_same_age_and_entry_at_an_age_is_after_it() {
        let lives = Observations {
            low: vec![5.0, 5.0, 5.0, 9.0],
            high: vec![f64::INFINITY, 5.0, 5.0, 9.0],
            entry: vec![0.0, 0.0, 2.0, 5.0],
            count: vec![1.0, 2.0, 1.0, 1.0],
            unplaced: Vec::new(),
        };
        let steps = risk_steps(&lives).unwrap();
        assert_eq!(steps.len(), 2);
        assert_eq!((steps[0].at_risk, steps[0].worn), (4.0, 3.0));
        assert_eq!((steps[1].at_risk, steps[1].worn), (1.0, 1.0));
    }

    #[test]
    fn bad_values_are_named() {
        let mut lives = Observations {
            low: vec![5.0, f64::NAN],
            high: vec![5.0, 6.0],
            ..Observations::default()
        };
        assert!(matches!(
            risk_steps(&lives),
            Err(CurveError::Value {
                row: 2,
                column: "low",
                ..
            })
        ));
        lives.low[1] = 2.0;
        assert_eq!(risk_steps(&lives), Err(CurveError::Interval { row: 2 }));
        assert_eq!(
            risk_steps(&Observations::default()),
            Err(CurveError::NoLives)
        );
    }
}
