//! Whether planned change pays, at which hours, and how sure that is.

use super::inspect::FEW_HUNDRED_HOURS;
use super::interval::{
    BestInterval, Shares, best_interval, by_shape, cost_per_hour, curves, expected,
    expected_cost_per_hour, priced,
};
use super::types::PlannedInterval;
use crate::forecast::{Costs, PartOutlook, WeibullCurve, without_negligible};
use crate::models::Basis;
use crate::records::Part;

/// An interval that costs no more than this share more than the best is about as good.
const ABOUT: f64 = 0.02;

pub(super) fn planned_interval(ahead: &PartOutlook, part: &Part) -> PlannedInterval {
    let nothing = |note: &str, run_on: Option<f64>| PlannedInterval {
        part: part.name.clone(),
        hours: None,
        cost_per_hour: None,
        cost_per_hour_run_on: run_on,
        about_as_good: None,
        saving: None,
        probability_saves: None,
        cost_per_hour_at_few_hundred: None,
        note: note.to_owned(),
    };
    let Some(costs) = ahead.costs else {
        return nothing(
            "no interval without a price and the cost of an unplanned stop",
            None,
        );
    };
    let few = curves(&ahead.few, ahead.per_change);
    let run_on = Some(expected_cost_per_hour(&few, costs, None)).filter(|c| c.is_finite());
    if ahead.basis == Basis::Belief {
        return nothing(
            "no interval: none has worn out in the records yet, and a belief alone is no reason to \
             change parts ahead of time; follow the machine maker's manual",
            run_on,
        );
    }
    if !ahead.wears_out() {
        return nothing(
            "planned change does not pay as far as the records tell: a used part may be no more \
             likely to wear out than a new one (the interval of the shape reaches 1 or below)",
            run_on,
        );
    }
    if costs.in_service <= costs.planned {
        return nothing(
            "planned change does not pay: wearing out in service costs no more than a planned change",
            run_on,
        );
    }
    match best_interval(&few, costs) {
        None => nothing(
            "planned change does not pay: at no interval does it cost less than running on until worn",
            run_on,
        ),
        Some(best) => {
            // A share of the curves counts every one of them.
            let (nodes, _) = without_negligible(&ahead.nodes, 1e-5);
            let saving = saving(&curves(&nodes, ahead.per_change), costs, best.hours);
            PlannedInterval {
                part: part.name.clone(),
                hours: Some(best.hours),
                cost_per_hour: Some(best.cost_per_hour),
                cost_per_hour_run_on: run_on,
                about_as_good: Some(about_as_good(&few, costs, best)),
                saving: Some([0.05, 0.5, 0.95].map(|p| saving.quantile(p))),
                probability_saves: Some(saving.above_zero()),
                cost_per_hour_at_few_hundred: Some(expected_cost_per_hour(
                    &few,
                    costs,
                    Some(FEW_HUNDRED_HOURS),
                )),
                note: "least expected cost per operating hour if it could be changed at any hour, \
                   averaged over what the records leave uncertain; at this age or when worn, \
                   whichever comes first"
                    .to_owned(),
            }
        }
    }
}

/// Share of the cost of running until worn that an interval saves, over the posterior.
fn saving(curves: &[(f64, WeibullCurve)], costs: Costs, hours: f64) -> Shares {
    let saved = |(weight, life): &(f64, WeibullCurve)| {
        let run_on = cost_per_hour(life, costs, None);
        let planned = cost_per_hour(life, costs, Some(hours));
        (life.shape, *weight, 1.0 - planned / run_on)
    };
    Shares::of(&by_shape(curves).iter().map(saved).collect::<Vec<_>>())
}

/// Hours around the best interval between which the expected cost stays within [`ABOUT`] of the least,
/// to 1 %.
fn about_as_good(curves: &[(f64, WeibullCurve)], costs: Costs, best: BestInterval) -> [f64; 2] {
    let limit = (1.0 + ABOUT) * best.cost_per_hour;
    let curves = priced(curves);
    let good = |hours: f64| expected(&curves, costs, Some(hours)) <= limit;
    let edge = |factor: f64| {
        let (mut inside, mut outside) = (best.hours, best.hours * factor);
        while good(outside) && (1e-3..1e3).contains(&(outside / best.hours)) {
            (inside, outside) = (outside, outside * factor);
        }
        while (outside / inside).ln().abs() > 0.01 {
            let middle = (inside * outside).sqrt();
            if good(middle) {
                inside = middle;
            } else {
                outside = middle;
            }
        }
        inside
    };
    [edge(1.0 / 1.4), edge(1.4)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::testing::{fitted, fleet, job, lives, model, part, spread};
    use crate::forecast::{ForecastOptions, Outlook};
    use crate::models::WeibullNode;
    use approx::assert_relative_eq;
    use jiff::civil::date;

    fn interval(nodes: Vec<WeibullNode>, shape_from: f64) -> PlannedInterval {
        let jobs = vec![job(
            "one",
            date(2026, 5, 1),
            date(2026, 5, 20),
            &["M1"],
            200.0,
        )];
        let fleet = fleet(vec![part("belt")], jobs);
        let mut model = model("belt", nodes);
        model.shape_interval = Some((shape_from, 4.0));
        let lives = lives(vec![fitted("belt", "M1", "1", Some(10.0))]);
        let outlook = Outlook::new(&fleet, &lives, &[model], &ForecastOptions::default());
        planned_interval(&outlook.parts[0], &fleet.parts[0])
    }

    /// Under one curve there is nothing to be unsure of: every quantile of the saving is that of the
    /// expected costs. At the ends of the range the cost is 2 % above the least.
    #[test]
    fn a_known_curve_leaves_nothing_open() {
        let node = WeibullNode {
            shape: 2.5,
            scale: 400.0,
            weight: 1.0,
        };
        let found = interval(vec![node], 2.0);
        let (least, run_on) = (
            found.cost_per_hour.unwrap(),
            found.cost_per_hour_run_on.unwrap(),
        );
        for saving in found.saving.unwrap() {
            assert_relative_eq!(saving, 1.0 - least / run_on, max_relative = 1e-12);
        }
        assert_eq!(found.probability_saves, Some(1.0));
        let life = WeibullCurve {
            shape: 2.5,
            scale: 400.0,
        };
        let costs = Costs::of(&part("belt"), 1).unwrap();
        for hours in found.about_as_good.unwrap() {
            let more = cost_per_hour(&life, costs, Some(hours)) / least - 1.0;
            assert!((0.015..=0.02).contains(&more), "{hours}: {more}");
        }
        assert!(found.cost_per_hour_at_few_hundred.unwrap() >= least);
    }

    #[test]
    fn few_records_leave_the_saving_open() {
        let found = interval(spread(1.6, 400.0, 0.3, 5), 1.05);
        let [low, middle, high] = found.saving.unwrap();
        assert!(low < middle && middle < high);
        assert!(found.probability_saves.unwrap() <= 1.0);
        let none = interval(spread(1.6, 400.0, 0.3, 5), 0.9);
        assert_eq!((none.hours, none.saving), (None, None));
        assert!(none.note.contains("does not pay"));
    }
}
