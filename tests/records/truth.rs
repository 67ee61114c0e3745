//! Fleets with a known truth, dirtied in every way: the lives that come back equal the truth, or are
//! set aside with a reason, and never differ in silence. How often each happens:
//! `cargo run --example records_study -- situations`.

use wearcast::lives::Lives;

use crate::dirty::{Dirt, EXPORTS, True, Truth, case, settings, stands_for};
use crate::folder::Folder;

fn check(lives: &Lives, truth: &Truth, dirt: Dirt, seed: u64) {
    let mut left: Vec<&True> = truth.lives.iter().collect();
    for life in &lives.lives {
        let Some(found) = left
            .iter()
            .position(|t| stands_for(life, t, dirt).is_some())
        else {
            panic!("seed {seed}, {dirt:?}: a life that never was: {life:?}\nleft: {left:#?}");
        };
        left.remove(found);
    }
    let codes: Vec<&str> = lives.problems.iter().map(|p| p.code.as_str()).collect();
    if left.iter().any(|l| l.hours > 0.0) {
        assert!(
            !codes.is_empty(),
            "seed {seed}, {dirt:?}: lives are missing and nothing is said: {left:#?}"
        );
    }
    let expected = match dirt {
        Dirt::Nothing | Dirt::NoHours => None,
        Dirt::Twice => Some("exact_duplicate"),
        Dirt::NoDate => Some("unreadable_date"),
        Dirt::WrongHours => Some("_hours"),
        Dirt::NoPosition => Some("position_not_told"),
        Dirt::NoMachine => Some("no_machine"),
        Dirt::Misspelled => Some("unknown_part"),
        Dirt::OddMachine => Some("similar_machine"),
        Dirt::Unmapped => Some("unknown_reason"),
        Dirt::MeterSlip => Some("absurd_hours"),
        Dirt::MeterReset => Some("meter_backwards"),
        Dirt::TwiceDifferently => Some("near_duplicate"),
        Dirt::LateDate => Some("after_as_of"),
    };
    if let Some(expected) = expected {
        assert!(
            codes.iter().any(|c| c.contains(expected)),
            "seed {seed}, {dirt:?}: {codes:?}"
        );
    }
    if matches!(dirt, Dirt::Nothing | Dirt::Twice) {
        assert!(
            left.iter().all(|l| l.hours == 0.0),
            "seed {seed}: {left:#?}"
        );
    }
    if dirt == Dirt::Unmapped {
        assert!(left.is_empty(), "seed {seed}: {left:#?}");
    }
}

#[test]
fn no_dirty_export_changes_a_life_in_silence() {
    for seed in 0..EXPORTS {
        let case = case(seed);
        let files = [("log.csv", &*case.export), ("meter.csv", &*case.readings)];
        let lives = Folder::new(&settings(&case.truth), &files).lives();
        check(&lives, &case.truth, case.dirt, seed);
    }
}
