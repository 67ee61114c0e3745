//! The committed fleets are the ones their generators write.

#![expect(
    clippy::unwrap_used,
    reason = "a test may stop at what it did not expect"
)]

#[path = "../examples/evaporator_crew.rs"]
#[expect(dead_code, reason = "the example's main is not run here")]
mod evaporator_crew;
#[path = "../examples/valve_seat_fleet.rs"]
#[expect(dead_code, reason = "the example's main is not run here")]
mod valve_seat_fleet;

use std::collections::BTreeMap;
use std::path::Path;

fn assert_committed(folder: &str, example: &str, written: &BTreeMap<&str, String>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    for (name, text) in written {
        let committed = std::fs::read_to_string(folder.join(name)).unwrap();
        assert!(
            committed == *text,
            "{name} differs: cargo run --example {example}"
        );
    }
    let mut names: Vec<_> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let expected: Vec<_> = written.keys().map(|name| (*name).to_owned()).collect();
    assert_eq!(names, expected);
}

#[test]
fn the_evaporator_crew_is_what_its_generator_writes() {
    assert_committed(
        "examples/evaporator-crew",
        "evaporator_crew",
        &evaporator_crew::files(),
    );
}

#[test]
fn the_valve_seat_fleet_is_what_its_generator_writes() {
    assert_committed(
        "datasets/valve_seats/fleet",
        "valve_seat_fleet",
        &valve_seat_fleet::files(),
    );
}
