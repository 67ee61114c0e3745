//! The answer as a sentence.

use super::planning::{reduced_bias, worn_per_arm};
use super::{Comparison, LifeRatio, PrimaryTest};
use crate::lives::worn_lives;

/// A ratio with two or three digits, as people say it.
fn times(ratio: f64) -> String {
    if ratio >= 9.95 {
        format!("{ratio:.0}")
    } else if ratio >= 0.995 {
        format!("{ratio:.1}")
    } else {
        format!("{ratio:.2}")
    }
}

/// Turned so that the ratio is at least 1.
fn upright(ratio: &LifeRatio) -> Option<(&str, &str, f64, f64, f64)> {
    let (r, low, high) = (ratio.ratio?, ratio.lower?, ratio.upper?);
    Some(if r >= 1.0 {
        (&ratio.of, &ratio.to, r, low, high)
    } else {
        (&ratio.to, &ratio.of, 1.0 / r, 1.0 / high, 1.0 / low)
    })
}

/// The answer first: how much longer, how sure, on how much; and if the lives cannot tell, so.
pub(super) fn answer(c: &Comparison) -> String {
    let worn: f64 = c.groups.iter().map(|g| g.worn).sum();
    let on = match c.machines {
        Some(m) => format!("{} on {m} machines", worn_lives(worn)),
        None => worn_lives(worn),
    };
    let widest = c
        .life_ratios
        .iter()
        .filter_map(upright)
        .max_by(|a, b| a.2.total_cmp(&b.2));
    let Some((of, to, ratio, low, high)) = widest else {
        return format!(
            "The lives cannot tell yet: at least two groups with worn lives are needed ({on})."
        );
    };
    let percent = 100.0 * c.confidence;
    let interval = format!("{percent}%: {} to {}; {on}", times(low), times(high));
    let pair = if c.groups.len() > 2 {
        ", the two furthest apart,"
    } else {
        ""
    };
    let estimate = format!(
        "lives with {} {of} lasted {} times as long as with {to}{pair} ({interval})",
        c.by,
        times(ratio)
    );
    let untested = c.primary_test == PrimaryTest::None;
    let p_value = c.p_value_holm.or(c.primary_p_value);
    let told = p_value.is_some_and(|p| p < 1.0 - c.confidence);
    if told {
        return format!("{}.", capital(&estimate));
    }
    let more = c
        .shared_shape
        .as_ref()
        .and_then(|s| s.estimate)
        .and_then(|shape| {
            let arm = worn_per_arm(reduced_bias(shape, worn), 1.5, 0.05, 0.8)?;
            Some(format!(
                " To tell a life ratio of 1.5 in four cases of five takes about {arm} worn lives in \
                 each group, more where lives on one machine are alike."
            ))
        })
        .unwrap_or_default();
    if untested {
        format!(
            "{}, but on so few machines this is an estimate only, not a finding.{more}",
            capital(&estimate)
        )
    } else if c.primary_p_value.is_some_and(|p| p < 1.0 - c.confidence) {
        format!(
            "By itself this would be a finding, but not as one of several comparisons (Holm): \
             {estimate}.{more}"
        )
    } else {
        format!("The lives cannot tell the groups apart: {estimate}.{more}")
    }
}

impl Comparison {
    /// Says the answer anew, after the p-value was held together with others.
    pub(super) fn retell(&mut self) {
        self.answer = answer(self);
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}
