//! Ours beside theirs, and the sums of it.

use serde::Serialize;

use super::{ExpectedValue, Origin};

/// How ours compares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the tolerance.
    Agrees,
    /// Outside it, or the library gave no number where one is expected.
    Misses,
    /// No recipe computes it.
    NotCovered,
}

/// One value, ours and theirs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ValueOutcome {
    /// Theirs.
    #[serde(flatten)]
    pub expected: ExpectedValue,
    /// Ours; null where there is none.
    pub ours: Option<f64>,
    /// Ours minus theirs, to a thousandth of the tolerance: finer is noise of the machine's own
    /// mathematics, and would differ between machines.
    pub difference: Option<f64>,
    /// How they compare.
    pub verdict: Verdict,
    /// Why the library gave no number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

impl ValueOutcome {
    /// Compares one answer (`None`: no recipe knows the quantity).
    pub fn new(expected: ExpectedValue, answer: Option<Result<f64, String>>) -> Self {
        let (ours, verdict, reason) = match answer {
            None => (None, Verdict::NotCovered, None),
            Some(Err(reason)) => (None, Verdict::Misses, Some(reason)),
            Some(Ok(ours)) if (ours - expected.value).abs() <= expected.tolerance => {
                (Some(ours), Verdict::Agrees, None)
            }
            Some(Ok(ours)) if ours.is_finite() => (Some(ours), Verdict::Misses, None),
            Some(Ok(ours)) => (None, Verdict::Misses, Some(format!("not a number: {ours}"))),
        };
        Self {
            difference: ours.map(|ours| in_steps(ours - expected.value, expected.tolerance / 1e3)),
            expected,
            ours,
            verdict,
            reason,
        }
    }
}

/// The nearest multiple of a step; the value itself where there is no step.
fn in_steps(value: f64, step: f64) -> f64 {
    if step > 0.0 {
        (value / step).round() * step + 0.0
    } else {
        value
    }
}

/// How many values agree, miss, are not covered.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Totals {
    /// All values.
    pub values: u64,
    /// Agree.
    pub agree: u64,
    /// Miss.
    pub miss: u64,
    /// Not covered.
    pub not_covered: u64,
}

impl Totals {
    /// Counts outcomes.
    pub fn of<'a>(outcomes: impl IntoIterator<Item = &'a ValueOutcome>) -> Self {
        let mut totals = Self::default();
        for outcome in outcomes {
            totals.values += 1;
            match outcome.verdict {
                Verdict::Agrees => totals.agree += 1,
                Verdict::Misses => totals.miss += 1,
                Verdict::NotCovered => totals.not_covered += 1,
            }
        }
        totals
    }
}

/// All values of one dataset.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CaseOutcome {
    /// Name of the dataset.
    pub id: String,
    /// What the data are.
    pub title: String,
    /// Publications.
    pub source: String,
    /// Where data and values were taken from.
    pub provenance: String,
    /// Sums.
    pub totals: Totals,
    /// Value by value, in the dataset's order.
    pub values: Vec<ValueOutcome>,
}

/// Everything refitted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Validation {
    /// Sums over all datasets.
    pub totals: Totals,
    /// Sums by kind of origin.
    pub by_origin: Vec<OriginTotals>,
    /// Dataset by dataset.
    pub cases: Vec<CaseOutcome>,
}

/// Sums for one kind of origin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct OriginTotals {
    /// Kind.
    pub origin: Origin,
    /// Sums.
    #[serde(flatten)]
    pub totals: Totals,
}

impl Validation {
    /// Sums up.
    pub fn new(cases: Vec<CaseOutcome>) -> Self {
        let all = || cases.iter().flat_map(|case| &case.values);
        let by_origin = [Origin::Published, Origin::FromMemory, Origin::Computed]
            .into_iter()
            .map(|origin| OriginTotals {
                origin,
                totals: Totals::of(all().filter(|v| v.expected.origin == origin)),
            })
            .collect();
        Self {
            totals: Totals::of(all()),
            by_origin,
            cases,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn expected(value: f64, tolerance: f64) -> ExpectedValue {
        ExpectedValue {
            quantity: "shape".into(),
            value,
            tolerance,
            origin: Origin::Published,
            by: String::new(),
            printed: None,
        }
    }

    #[test]
    fn only_a_number_within_the_tolerance_agrees() {
        let verdict = |answer| ValueOutcome::new(expected(2.0, 0.01), answer).verdict;
        assert_eq!(verdict(Some(Ok(2.009))), Verdict::Agrees);
        assert_eq!(verdict(Some(Ok(2.011))), Verdict::Misses);
        assert_eq!(verdict(Some(Ok(f64::NAN))), Verdict::Misses);
        assert_eq!(verdict(Some(Ok(f64::INFINITY))), Verdict::Misses);
        assert_eq!(verdict(Some(Err("no".into()))), Verdict::Misses);
        assert_eq!(verdict(None), Verdict::NotCovered);
    }

    #[test]
    fn what_is_not_covered_never_counts_as_agreeing() {
        let values = [
            ValueOutcome::new(expected(1.0, 0.1), Some(Ok(1.0))),
            ValueOutcome::new(expected(1.0, 0.1), None),
        ];
        let totals = Totals::of(&values);
        assert_eq!((totals.values, totals.agree, totals.not_covered), (2, 1, 1));
    }
}
