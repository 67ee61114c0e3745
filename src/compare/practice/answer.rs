//! The answer as a sentence with its uncertainty.

use super::result::{BandRatio, SpellUse};
use super::spells::IN_BAND;
use crate::compare::{Comparison, Plan};
use crate::records::{LengthUnit, Part, Practice};

/// The life ratio whose telling is planned for in the answer.
const TOLD_OF: f64 = 1.3;

fn show(practice: &Practice, inches: f64) -> String {
    match practice.unit {
        LengthUnit::In => format!("{inches:.2} in"),
        LengthUnit::Mm => format!("{:.1} mm", inches * practice.unit.per_inch()),
    }
}

pub(super) fn answer(
    part: &Part,
    practice: &Practice,
    ratio: Option<BandRatio>,
    primary: Option<&Comparison>,
    used: SpellUse,
    plans: &[Plan],
) -> String {
    let band = format!(
        "{} to {}",
        show(practice, practice.band_low_in),
        show(practice, practice.band_high_in)
    );
    let more = plans
        .iter()
        .find(|p| (p.ratio - TOLD_OF).abs() < 1e-9)
        .map(more_needed)
        .unwrap_or_default();
    let (Some(r), Some(c)) = (ratio, primary) else {
        let why = match used.outside {
            0 => "all of them in the band",
            n if n == used.spells => "all of them outside the band",
            _ => "but not enough wore out both in the band and outside it",
        };
        return format!(
            "The records cannot tell what tension does to the {}: {} of {} lives were under a known \
             reading, {why} ({band}).{more}",
            part.name, used.lives_used, used.lives
        );
    };
    let worn: f64 = c.groups.iter().map(|g| g.worn).sum();
    let on = c
        .machines
        .map_or_else(String::new, |m| format!(" on {m} machines"));
    let percent = 100.0 * c.confidence;
    let outside = outside_the_band(c);
    let basis = format!(
        "({percent}%: {:.2} to {:.2}; {worn} worn{on}{outside})",
        r.lower, r.upper
    );
    let name = capital(&part.name);
    let times = format!(
        "lasted {:.2} times as long as those outside it {basis}",
        r.ratio
    );
    match c.primary_p_value {
        Some(p) if p < 1.0 - c.confidence => {
            format!("{name}s kept in the band ({band}) {times}.")
        }
        Some(_) => format!(
            "The records cannot tell yet whether keeping {}s in the band ({band}) pays: in it they \
             {times}.{more}",
            part.name
        ),
        None => format!(
            "The records cannot tell whether keeping {}s in the band ({band}) pays: in it they {times}. That \
             is an estimate only: a test needs four machines on either side.{more}",
            part.name
        ),
    }
}

/// `, 4 of them outside the band on 3 machines`: the lesser side of the evidence.
fn outside_the_band(c: &Comparison) -> String {
    let Some(outside) = c.groups.iter().find(|g| g.value != IN_BAND) else {
        return String::new();
    };
    let on = match outside.machines {
        Some(1) => " on one machine".to_owned(),
        Some(m) => format!(" on {m}"),
        None => String::new(),
    };
    format!(", {} of them outside the band{on}", outside.worn)
}

/// How many more worn parts would tell.
fn more_needed(plan: &Plan) -> String {
    let months = plan.months_alternating.map_or_else(String::new, |months| {
        let share = plan.more_worn_alternating as f64 / (2 * plan.worn_per_arm_alternating) as f64;
        let months = months * share;
        if months >= 24.0 {
            format!(", about {:.0} years at this fleet's use", months / 12.0)
        } else {
            format!(", about {months:.0} months at this fleet's use")
        }
    });
    if plan.more_worn_alternating == 0 {
        return format!(
            " There are enough worn lives to tell a life ratio of {} in four cases of five, had every \
             machine seen both practices alike.",
            plan.ratio
        );
    }
    format!(
        " To tell a life ratio of {} in four cases of five takes about {} more to wear out{months}, \
         half of them in the band and half outside it, both on every machine.",
        plan.ratio, plan.more_worn_alternating
    )
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).collect()
}
