//! `--distribution`: the families by the names that every command knows them by.

use clap::builder::{PossibleValuesParser, TypedValueParser};

use crate::models::Family;

/// Names of the families; those before the last take covariates.
const NAMES: [(&str, Family); 5] = [
    ("weibull", Family::Weibull),
    ("lognormal", Family::Lognormal),
    ("loglogistic", Family::Loglogistic),
    ("exponential", Family::Exponential),
    ("weibull-threshold", Family::WeibullThreshold),
];

/// One family, or each in turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    /// This one.
    One(Family),
    /// All of them, side by side.
    All,
}

/// Every family, in the order of the names.
pub(super) fn all() -> [Family; 5] {
    NAMES.map(|(_, family)| family)
}

fn of(name: &str) -> Option<Family> {
    let found = NAMES.iter().find(|(known, _)| *known == name);
    found.map(|(_, family)| *family)
}

/// A family that takes covariates.
pub(super) fn with_regression() -> impl TypedValueParser<Value = Family> {
    PossibleValuesParser::new(NAMES[..4].iter().map(|(name, _)| *name))
        .map(|name| of(&name).unwrap_or(Family::Weibull))
}

/// A family, or `all`.
pub(super) fn one_or_all() -> impl TypedValueParser<Value = Asked> {
    PossibleValuesParser::new(NAMES.iter().map(|(name, _)| *name).chain(["all"]))
        .map(|name| of(&name).map_or(Asked::All, Asked::One))
}
