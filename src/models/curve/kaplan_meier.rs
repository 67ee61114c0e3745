//! The product-limit estimate.

use super::reliability::median_with_limits;
use super::risk_set::{each_risk_step, two_sided_z};
use super::{Curve, CurveError, CurveMethod, CurveStep};
use crate::lives::Observations;
use crate::models::{Caution, CautionCode};
use crate::numerics::vector::greatest;

/// Kaplan–Meier reliability with late entry, Greenwood errors and log-log limits.
///
/// `S(t) = Π (1 − d/n)` over the ages at or before t, n the lives at risk in (entry, end]
/// (Kaplan & Meier 1958); variance of ln S: `Σ d/(n(n−d))` (Greenwood 1926); limits for the median
/// are where the limits of the curve cross a half (Brookmeyer & Crowley 1982).
///
/// # Errors
/// See [`CurveError`]; lives known only within bounds need [`super::turnbull`].
pub fn kaplan_meier(lives: &Observations, confidence: f64) -> Result<Curve, CurveError> {
    let z = two_sided_z(confidence)?;
    let ends = lives.high.iter().filter(|h| h.is_finite()).count();
    let mut steps = Vec::with_capacity(ends);
    let (mut reliability, mut log_variance, mut worn) = (1.0, 0.0, 0.0);
    let mut early_zero = None;
    each_risk_step(lives, |step| {
        let good = step.at_risk - step.worn;
        // With fractional weights a difference that should be 0 may be left at rounding size.
        let good = if good <= 1e-12 * step.at_risk {
            0.0
        } else {
            good
        };
        reliability *= good / step.at_risk;
        log_variance += step.worn / (step.at_risk * good);
        worn += step.worn;
        if good == 0.0 && early_zero.is_none() {
            early_zero = Some(step.hours);
        }
        steps.push(CurveStep::new(
            (step.hours, step.hours),
            step.at_risk,
            step.worn,
            reliability,
            Some(log_variance),
        ));
    })?;
    steps.shrink_to_fit();
    let last_hours = greatest(&lives.low);
    let mut cautions = Vec::new();
    if worn == 0.0 {
        cautions.push(Caution::new(
            CautionCode::NoWorn,
            "No life here ended worn: the curve stays at 1 and has no limits.",
        ));
    }
    if let Some(hours) = early_zero.filter(|&h| h < last_hours) {
        cautions.push(Caution::new(
            CautionCode::Note,
            format!(
                "At {hours} hours every life then under observation wore out, so the curve is at 0 \
                 from there on although later entrants lived longer: with late entry the early part \
                 of a curve can rest on very few lives."
            ),
        ));
    }
    let total = if lives.count.is_empty() {
        lives.low.len() as f64
    } else {
        lives.count.iter().sum()
    };
    Ok(Curve {
        method: CurveMethod::KaplanMeier,
        confidence,
        z,
        lives: total,
        worn,
        last_hours,
        median: median_with_limits(&steps, last_hours, z),
        steps,
        convergence: None,
        cautions,
    })
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::models::curve::MedianLife;
    use crate::models::curve::reliability::median_of;
    use crate::numerics::streams::stream;

    const INF: f64 = f64::INFINITY;

    fn lives(rows: &[(f64, bool)]) -> Observations {
        Observations {
            low: rows.iter().map(|r| r.0).collect(),
            high: rows.iter().map(|r| if r.1 { r.0 } else { INF }).collect(),
            ..Observations::default()
        }
    }

    /// Remission in weeks under 6-MP (Freireich et al. 1963); reliability and Greenwood errors as
    /// printed in textbooks (from memory: Kalbfleisch & Prentice) and recomputed with R survival 3.5-3.
    fn remission() -> Observations {
        let worn = [6., 6., 6., 7., 10., 13., 16., 22., 23.];
        let running = [6., 9., 10., 11., 17., 19., 20., 25., 32., 32., 34., 35.];
        lives(
            &worn
                .iter()
                .map(|&t| (t, true))
                .chain(running.iter().map(|&t| (t, false)))
                .collect::<Vec<_>>(),
        )
    }

    #[test]
    fn remission_under_6mp() {
        let curve = kaplan_meier(&remission(), 0.95).unwrap();
        for (hours, reliability, error) in [
            (6.0, 0.857142857143, 0.0763603548321),
            (10.0, 0.752941176471, 0.0963496529943),
            (16.0, 0.627450980392, 0.114053865257),
            (23.0, 0.448179271709, 0.134591456756),
        ] {
            let point = curve.point_at(hours).unwrap();
            assert_relative_eq!(point.reliability, reliability, max_relative = 1e-11);
            assert_relative_eq!(point.standard_error.unwrap(), error, max_relative = 1e-11);
        }
        // R survival 3.5-3: survfit(conf.type = "log-log") gives median 23, limits 13 and none.
        assert_eq!(curve.median.hours, Some(23.0));
        assert_eq!(curve.median.lower, Some(13.0));
        assert_eq!(curve.median.upper, None);
        assert_eq!(curve.reliability_at(35.5), None);
    }

    #[test]
    fn order_of_rows_counts_and_units_change_nothing() {
        let plain = remission();
        let curve = kaplan_meier(&plain, 0.9).unwrap();
        let mut turned = Observations {
            low: plain.low.iter().rev().map(|t| t * 1e9).collect(),
            high: plain.high.iter().rev().map(|t| t * 1e9).collect(),
            count: vec![1.0; plain.low.len()],
            entry: vec![0.0; plain.low.len()],
            unplaced: Vec::new(),
        };
        // The two lives censored at 32 as one row of count 2.
        let both: Vec<usize> = (0..turned.low.len())
            .filter(|&i| turned.low[i] == 32e9)
            .collect();
        turned.count[both[0]] = 2.0;
        for column in [
            &mut turned.low,
            &mut turned.high,
            &mut turned.count,
            &mut turned.entry,
        ] {
            column.remove(both[1]);
        }
        let again = kaplan_meier(&turned, 0.9).unwrap();
        assert_eq!(curve.steps.len(), again.steps.len());
        for (a, b) in curve.points().zip(again.points()) {
            assert_eq!(a.hours * 1e9, b.hours);
            assert_eq!(
                (a.at_risk, a.reliability, a.lower),
                (b.at_risk, b.reliability, b.lower)
            );
        }
    }

    #[test]
    fn a_curve_at_a_half_over_a_stretch_has_its_median_in_the_middle() {
        let curve = kaplan_meier(
            &lives(&[(1., true), (2., true), (4., true), (5., true)]),
            0.95,
        );
        assert_eq!(curve.unwrap().median.hours, Some(3.0));
    }

    /// Passing over stretches above a half changes nothing: against a look at every step.
    #[test]
    fn medians_of_long_curves_are_those_of_a_look_at_every_step() {
        for (replicate, shape) in [0.4, 1.0, 3.0, 20.0].into_iter().enumerate() {
            let mut random = stream(51, replicate as u64);
            let rows: Vec<(f64, bool)> = (0..3000)
                .map(|_| {
                    let t = random.exponential().powf(1.0 / shape);
                    let stop = 2.5 * random.uniform();
                    (t.min(stop), t <= stop)
                })
                .collect();
            for confidence in [0.5, 0.95, 0.9999] {
                let curve = kaplan_meier(&lives(&rows), confidence).unwrap();
                let of = |which: fn((f64, f64)) -> f64| {
                    let limit = |s: &CurveStep| s.limits(curve.z).map(which);
                    median_of(&curve.steps, curve.last_hours, limit)
                };
                let each = MedianLife {
                    hours: median_of(&curve.steps, curve.last_hours, |s| Some(s.reliability)),
                    lower: of(|l| l.0),
                    upper: of(|l| l.1),
                };
                assert_eq!(curve.median, each);
            }
        }
    }

    #[test]
    fn no_worn_life_leaves_the_curve_at_one() {
        let curve = kaplan_meier(&lives(&[(1., false), (2., false)]), 0.95).unwrap();
        assert_eq!(curve.reliability_at(2.0), Some(1.0));
        assert_eq!(curve.median, MedianLife::default());
        assert_eq!(curve.cautions[0].code, CautionCode::NoWorn);
    }
}
