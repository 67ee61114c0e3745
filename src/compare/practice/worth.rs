//! What keeping every belt in the band would be worth a year.

use super::Band;
use super::result::{BandRatio, BandSummary, Worth};
use crate::meters::Meters;
use crate::records::{Fleet, Part};

const DAYS_A_YEAR: f64 = 365.25;

/// Operating hours a year of all positions of the part; none when no machine's use is known.
pub(super) fn usage(fleet: &Fleet, meters: &Meters, part: &Part) -> Option<f64> {
    let uses: Vec<f64> = fleet
        .machines
        .iter()
        .filter_map(|m| meters.use_per_day(m))
        .map(|u| u.mean)
        .collect();
    (!uses.is_empty())
        .then(|| uses.iter().sum::<f64>() * DAYS_A_YEAR * f64::from(part.per_machine))
        .filter(|u| *u > 0.0)
}

/// What keeping every belt in the band would save, at the shares of hours seen.
///
/// In H belt hours a year, of which a share w outside: belts now `H(1−w)/L + H·w·R/L`, L the mean life
/// in the band and R the ratio; all in the band: `H/L`; saved `H·w(R − 1)/L`.
pub(super) fn worth(
    fleet: &Fleet,
    part: &Part,
    bands: &[BandSummary],
    ratio: BandRatio,
    hours_a_year: f64,
) -> Option<Worth> {
    let on_target = bands.iter().find(|b| b.band == Band::OnTarget)?;
    let life = on_target.mean_life?;
    let all: f64 = bands.iter().map(|b| b.hours).sum();
    let share_outside = 1.0 - on_target.hours / all;
    let saved = |r: f64| hours_a_year * share_outside * (r - 1.0) / life;
    let belts_saved = BandRatio {
        ratio: saved(ratio.ratio),
        lower: saved(ratio.lower),
        upper: saved(ratio.upper),
    };
    let cost_of_one = part.unit_cost.map(|price| {
        let stop = part
            .unplanned_stop
            .map_or(0.0, |s| s.hours * s.cost_per_hour);
        price + part.planned_change.cost + stop
    });
    let money = |cost: f64| BandRatio {
        ratio: cost * belts_saved.ratio,
        lower: cost * belts_saved.lower,
        upper: cost * belts_saved.upper,
    };
    Some(Worth {
        belt_hours_a_year: hours_a_year,
        share_outside,
        belts_a_year: hours_a_year * (1.0 - share_outside + share_outside * ratio.ratio) / life,
        belts_saved,
        hours_gained: belts_saved.ratio * life,
        money_saved: cost_of_one.map(money),
        cost_of_one,
        currency: fleet.currency.clone(),
    })
}

/// As a sentence.
pub(super) fn worth_answer(w: &Worth, part: &str) -> String {
    let saved = w.belts_saved;
    let fewer = |v: f64| {
        if v < 0.0 {
            format!("{:.1} more", -v)
        } else {
            format!("{v:.1} fewer")
        }
    };
    let money = w.money_saved.map_or_else(String::new, |m| {
        let of = |v: f64| {
            if v < 0.0 {
                format!("{} {:.0} lost", w.currency, -v)
            } else {
                format!("{} {v:.0} saved", w.currency)
            }
        };
        format!(", {} ({} to {})", of(m.ratio), of(m.lower), of(m.upper))
    });
    format!(
        "{:.0}% of the hours under a known reading were outside the band. Had none been, this fleet \
         would wear out {} {part}s a year of about {:.0} ({} to {}): {:.0} hours of {part} life{money}.",
        100.0 * w.share_outside,
        fewer(saved.ratio),
        w.belts_a_year,
        fewer(saved.lower),
        fewer(saved.upper),
        w.hours_gained,
    )
}
