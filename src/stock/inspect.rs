//! When to look: ages at which a part deserves a look, so that the chance of its wearing out unseen
//! between two looks stays under a stated figure.
//!
//! For a new part the first look is due at the largest age a₁ with `P(T ≤ a₁) ≤ ε`, T its predictive
//! life. Found good there, the curves are weighed by having come so far, and the next look is due at the
//! largest a₂ with `P(T ≤ a₂ | T > a₁) ≤ ε`, and so on. With wear-out looks come closer together as the
//! part ages; what a surviving part says about its kind works the other way.

use jiff::civil::Date;
use rayon::prelude::*;
use serde::Serialize;

use crate::forecast::{FirstLife, Outlook, PartOutlook, remaining_quantile, weighed};

/// What common practice calls a few hundred operating hours, taken as one number to compare with.
pub const FEW_HUNDRED_HOURS: f64 = 300.0;

/// Looks told ahead for a new part.
const LOOKS: usize = 4;

/// When to look at one part kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Inspection {
    /// Part kind.
    pub part: String,
    /// Chance of wearing out unseen that is allowed between two looks.
    pub chance_unseen: f64,
    /// Ages of a part, operating hours since new, at which to look, each if it was found good before.
    pub looks: Vec<f64>,
    /// Chance that a new part is worn out by a few hundred hours (300; common practice to look or change
    /// by then).
    pub probability_worn_by_few_hundred: f64,
    /// What is fitted now, most pressing first.
    pub fitted: Vec<NextLook>,
}

/// The next look at a fitted part, taken to be good on the day of the outlook.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextLook {
    /// Machine.
    pub machine: String,
    /// Position.
    pub position: String,
    /// Age now; null where unknown.
    pub age_hours: Option<f64>,
    /// Operating hours from now by which to look; null where the chance is never reached.
    pub within_hours: Option<f64>,
    /// The day by the schedule; null beyond it.
    pub by: Option<Date>,
    /// The job that it falls into: look before it, or in it on that day; null beyond the schedule.
    pub job: Option<String>,
}

/// When to look at a part kind, with an allowed chance in (0, 1).
pub(super) fn inspection(outlook: &Outlook, ahead: &PartOutlook, chance_unseen: f64) -> Inspection {
    let size = ahead.per_change;
    let mut looks: Vec<f64> = Vec::new();
    while looks.len() < LOOKS {
        let age = looks.last().copied().unwrap_or(0.0);
        let good = FirstLife::Aged(age);
        let now = weighed(&ahead.few, size, &[(good.clone(), 1)]);
        match remaining_quantile(&now, size, &good, chance_unseen) {
            // Looks that crowd together say no more.
            Some(hours) if hours > 1e-3 * (age + hours) => looks.push(age + hours),
            _ => break,
        }
    }
    let mut fitted: Vec<NextLook> = ahead
        .places
        .par_iter()
        .map(|place| {
            let chances = outlook.place_ahead(ahead, place, &place.first);
            let within_hours = chances.quantile(chance_unseen);
            let schedule = &outlook.schedules[place.schedule];
            let run = within_hours.and_then(|h| schedule.runs.iter().find(|r| h <= r.to));
            NextLook {
                machine: place.machine.clone(),
                position: place.position.clone(),
                age_hours: place.age_hours,
                within_hours,
                by: chances.worn_by(chance_unseen, within_hours),
                job: run.map(|r| outlook.jobs[r.job].name.clone()),
            }
        })
        .collect();
    fitted.sort_by(|a, b| {
        let day = |look: &NextLook| look.by.unwrap_or(Date::MAX);
        let hours = |look: &NextLook| look.within_hours.unwrap_or(f64::INFINITY);
        day(a).cmp(&day(b)).then(hours(a).total_cmp(&hours(b)))
    });
    let few_hundred = FEW_HUNDRED_HOURS;
    Inspection {
        part: ahead.name.clone(),
        chance_unseen,
        looks,
        probability_worn_by_few_hundred: ahead.chances.within(&FirstLife::Aged(0.0), few_hundred),
        fitted,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::ForecastOptions;
    use crate::forecast::testing::{fitted, fleet, job, lives, model, part, spread};
    use crate::models::WeibullNode;
    use approx::assert_relative_eq;
    use jiff::civil::date;

    fn outlook(nodes: Vec<WeibullNode>, age: f64) -> Outlook {
        let jobs = vec![job(
            "one",
            date(2026, 5, 1),
            date(2026, 5, 20),
            &["M1"],
            200.0,
        )];
        let lives = lives(vec![fitted("belt", "M1", "1", Some(age))]);
        let fleet = fleet(vec![part("belt")], jobs);
        Outlook::new(
            &fleet,
            &lives,
            &[model("belt", nodes)],
            &ForecastOptions::default(),
        )
    }

    fn looks(nodes: Vec<WeibullNode>, age: f64, chance: f64) -> Inspection {
        let outlook = outlook(nodes, age);
        inspection(&outlook, &outlook.parts[0], chance)
    }

    /// One curve, closed form: `H(aₖ) = H(aₖ₋₁) − ln(1 − ε)`, so `aₖ = η (−k ln(1 − ε))^(1/β)`.
    #[test]
    fn looks_of_a_known_curve() {
        let nodes = vec![WeibullNode {
            shape: 2.5,
            scale: 400.0,
            weight: 1.0,
        }];
        let found = looks(nodes, 120.0, 0.1);
        for (k, age) in found.looks.iter().enumerate() {
            let expected = 400.0 * (-(k as f64 + 1.0) * 0.9_f64.ln()).powf(0.4);
            assert_relative_eq!(*age, expected, max_relative = 1e-8);
        }
        assert_eq!(found.looks.len(), 4);
        let next = &found.fitted[0];
        let expected = 400.0 * ((0.3_f64).powf(2.5) - 0.9_f64.ln()).powf(0.4) - 120.0;
        assert_relative_eq!(next.within_hours.unwrap(), expected, max_relative = 1e-8);
        assert_eq!(next.job.as_deref(), Some("one"));
        // 10 h a day from 1 May: 68 h are run on the seventh day.
        assert_eq!(next.by, Some(date(2026, 5, 7)), "{expected}");
        assert_relative_eq!(
            found.probability_worn_by_few_hundred,
            1.0 - (-(0.75_f64).powf(2.5)).exp(),
            max_relative = 1e-12
        );
    }

    /// Bayes by hand with two exponential curves, ½ each: found good at a, the weights are as
    /// `e^(−a/η)`, and the second look is where the mean chance since the first is ε.
    #[test]
    fn being_found_good_counts_once() {
        let node = |scale| WeibullNode {
            shape: 1.0,
            scale,
            weight: 0.5,
        };
        let found = looks(vec![node(100.0), node(400.0)], 0.0, 0.2);
        let (a, b) = (found.looks[0], found.looks[1]);
        let good = |t: f64| 0.5 * (-t / 100.0).exp() + 0.5 * (-t / 400.0).exp();
        assert_relative_eq!(1.0 - good(a), 0.2, max_relative = 1e-8);
        assert_relative_eq!(1.0 - good(b) / good(a), 0.2, max_relative = 1e-8);
        // A long-lived part found good is likelier of the better kind: the next look can wait longer.
        assert!(b - a > a);
    }

    #[test]
    fn a_smaller_allowed_chance_never_means_a_later_look() {
        let mut before = 0.0;
        for chance in [0.01, 0.05, 0.1, 0.3] {
            let found = looks(spread(2.0, 300.0, 0.3, 5), 50.0, chance);
            assert!(found.looks[0] > before);
            assert!(found.looks.windows(2).all(|w| w[1] > w[0]));
            before = found.looks[0];
        }
    }
}
