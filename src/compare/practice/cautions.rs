//! What to bear in mind when reading a comparison of practice.

use super::bands::distinct;
use super::spells::{Spell, SpellCounts};
use crate::models::{Caution, CautionCode};
use crate::records::{Practice, Problem};

/// Tension checks that could not be read.
pub(super) fn unread_checks(problems: &[Problem]) -> Option<Caution> {
    let mut unread = problems.iter().filter(|p| p.code.starts_with("tension_"));
    let first = unread.next()?;
    let text = match unread.count() {
        0 => format!("A tension check could not be read. {first}"),
        more => format!(
            "{} tension checks could not be read; the first: {first}",
            more + 1
        ),
    };
    Some(Caution::new(CautionCode::Note, text))
}

pub(super) fn cautions_of(
    counts: &SpellCounts,
    practice: &Practice,
    spells: &[Spell],
    held: &[String],
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut note = |text: String| cautions.push(Caution::new(CautionCode::Note, text));
    if counts.lives_used < counts.lives {
        note(format!(
            "{} of {} lives were under a known reading; {} had none, {} could not be placed on a meter.",
            counts.lives_used, counts.lives, counts.lives_without_reading, counts.lives_not_placed
        ));
    }
    if !counts.machines_without_reading.is_empty() {
        note(format!(
            "No reading was taken on {}; the lives there are left out.",
            counts.machines_without_reading.join(", ")
        ));
    }
    if counts.lives_read_late > 0 {
        note(format!(
            "{} lives were first read some hours after fitting; those hours are left out, since \
             nobody knew the tension.",
            counts.lives_read_late
        ));
    }
    if counts.other_force > 0 {
        note(format!(
            "Readings taken under another force than the {} lbf of [practice], and left out: {}.",
            practice.force_lbf, counts.other_force
        ));
    }
    if counts.unstated_force > 0 {
        note(format!(
            "Readings that state no force, and are taken to be under {} lbf: {}.",
            practice.force_lbf, counts.unstated_force
        ));
    }
    for name in held {
        let empty = |s: &&Spell| s.covariates.get(name).is_none_or(|v| v.trim().is_empty());
        let lives = spells.iter().filter(empty).map(|s| s.life);
        let lives: std::collections::BTreeSet<usize> = lives.collect();
        if !lives.is_empty() {
            note(format!(
                "{name} is not recorded for {} lives; they count as a kind of their own.",
                lives.len()
            ));
        }
    }
    note("Belts were not assigned to a tension by chance: crews that keep tension may differ in other ways.".to_owned());
    let machines = distinct(spells.iter().map(|s| s.machine.as_str()));
    if machines < 4 {
        note(format!(
            "Readings come from {machines} machines only: errors of the curve take every life as \
             independent and are too small."
        ));
    }
    cautions
}
