//! What was asked and could not be given, as sentences; with any of them a command ends with code 1.

use crate::analysis::Analysis;
use crate::models::CautionCode;

/// Parts without a forecast, and machines of the schedule that nothing else knows.
pub(super) fn forecast(analysis: &Analysis) -> Vec<String> {
    let fleet = &analysis.fleet;
    let as_of = analysis.forecast.as_of;
    let nothing_ahead = !fleet.jobs.iter().any(|j| j.end > as_of);
    let no_job = nothing_ahead.then(|| {
        format!("nothing is forecast: the schedule has no job with days after {as_of}; add one to the jobs file")
    });
    let parts = analysis
        .forecast
        .no_forecast
        .iter()
        .map(|none| format!("{}: no forecast. {}", none.part, none.reason));
    // On the first day no machine has a record yet, and none is a slip of the pen.
    let first_day = fleet.replacements.is_empty() && fleet.readings.is_empty();
    let strangers = fleet
        .problems
        .iter()
        .filter(|p| !first_day && p.code == "machine_without_records")
        .map(ToString::to_string);
    no_job.into_iter().chain(parts).chain(strangers).collect()
}

/// Parts that cannot be ordered by a date.
pub(super) fn orders(analysis: &Analysis) -> Vec<String> {
    analysis
        .stock
        .cautions
        .iter()
        .filter(|c| c.code == CautionCode::NoLeadTime)
        .map(|c| format!("{}: {}", c.part.as_deref().unwrap_or("order"), c.text))
        .collect()
}

/// Tension that cannot be used as it stands.
pub(super) fn practice(analysis: &Analysis) -> Vec<String> {
    analysis
        .fleet
        .practice_unusable
        .iter()
        .map(|why| format!("belt tension: no comparison of practices. {why}"))
        .collect()
}
