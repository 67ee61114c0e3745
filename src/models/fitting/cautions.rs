//! What a reader of a fit is to be told.

use crate::lives::worn_lives;
use crate::models::log_lives::LogLives;
use crate::models::maximise::NoOptimum;
use crate::models::{Caution, CautionCode, Family, Fit, FitRequest};

/// Worn lives under which families cannot be told apart and estimates are wide.
const FEW_WORN: f64 = 10.0;

/// Four significant digits for a sentence; scientific only where hours are far from human ones.
pub(super) fn four_digits(x: f64) -> String {
    if (1000.0..1e7).contains(&x) {
        format!("{x:.0}")
    } else if (1.0..1000.0).contains(&x) {
        format!("{x:.1}")
    } else {
        format!("{x:.3e}")
    }
}

pub(super) fn code_of(why: NoOptimum) -> CautionCode {
    match why {
        NoOptimum::NoWorn => CautionCode::NoWorn,
        NoOptimum::OneAge => CautionCode::AllWornAtOneAge,
        NoOptimum::Flat => CautionCode::FlatLikelihood,
    }
}

pub(super) fn cautions(lives: &LogLives, request: &FitRequest, fit: &mut Fit) {
    let worn = lives.worn();
    if worn > 0.0 && worn < FEW_WORN {
        fit.cautions.push(Caution::new(
            CautionCode::FewWorn,
            format!(
                "{}: estimates are wide, the shape estimate tends to be too high, and families of \
                 distributions cannot be told apart",
                worn_lives(worn)
            ),
        ));
    }
    let shape = fit.parameters.iter().find(|p| p.name == "shape");
    let may_be_one = shape.is_some_and(|p| p.lower.is_some_and(|low| low <= 1.0));
    if request.family == Family::Weibull && may_be_one {
        fit.cautions.push(Caution::new(
            CautionCode::ShapeMayBeOne,
            "the lives do not show that an old one is likelier to wear out than a new one, so \
             changing ahead of time may not pay (the shape's interval reaches down to 1 or less)",
        ));
    }
    let longest = lives.shift.exp();
    let beyond = fit
        .quantiles
        .iter()
        .filter_map(|q| q.hours)
        .chain(request.at_hours.iter().copied())
        .any(|hours| hours > longest * (1.0 + 1e-9));
    if beyond {
        fit.cautions.push(Caution::new(
            CautionCode::BeyondRecords,
            "some ages asked about lie beyond the longest seen",
        ));
    }
    if request.belief.is_some() {
        fit.cautions.push(Caution::new(
            CautionCode::Note,
            "intervals combine the stated belief with the lives; estimates with an error are of \
             the lives alone",
        ));
    }
    fit.cautions.sort();
    fit.cautions.dedup();
}
