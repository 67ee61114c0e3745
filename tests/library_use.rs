//! The example of the library's use runs and says what it promises.

use std::path::Path;
use std::process::Command;

#[test]
fn the_example_of_the_library_runs() {
    // cargo builds examples before it runs tests, beside the tests' own folder.
    let deps = std::env::current_exe().unwrap();
    let target = deps.parent().and_then(Path::parent).unwrap();
    let example = target.join("examples/library_use");
    let out = Command::new(&example).output().unwrap();
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("10% have worn out by"), "{text}");
    assert!(text.contains("wears out in the next 90"), "{text}");
    assert!(text.contains(wearcast::report::SAFETY), "{text}");
}
