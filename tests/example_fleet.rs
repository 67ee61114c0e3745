//! The invented fleet that is committed is the one its generator writes.

#[path = "../examples/evaporator_crew.rs"]
#[expect(dead_code, reason = "the example's main is not run here")]
mod evaporator_crew;

use std::path::Path;

#[test]
fn the_generator_writes_the_committed_folder_byte_for_byte() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/evaporator-crew");
    let written = evaporator_crew::files();
    for (name, text) in &written {
        let committed = std::fs::read_to_string(folder.join(name)).unwrap();
        assert!(
            committed == *text,
            "{name} differs: cargo run --example evaporator_crew"
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
