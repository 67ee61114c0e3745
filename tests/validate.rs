//! `wearcast validate`, run as a user runs it.

#![expect(
    clippy::unwrap_used,
    reason = "a test may stop at what it did not expect"
)]

use std::path::Path;
use std::process::{Command, Output};

fn validate(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .arg("validate")
        .args(args)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn no_published_value_is_missed() {
    let out = validate(&["--json"]);
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let misses: Vec<String> = json["cases"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|case| {
            let id = case["id"].as_str().unwrap();
            let values = case["values"].as_array().unwrap().iter();
            values
                .filter(|value| value["verdict"] == "misses")
                .map(move |value| format!("{id} {value}"))
        })
        .collect();
    assert!(misses.is_empty(), "{}", misses.join("\n"));
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    assert!(json["totals"]["values"].as_u64().unwrap() >= 1072);
}

#[test]
fn a_value_that_is_wrong_is_a_miss_and_the_exit_code_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets/ranks_open");
    let to = dir.path().join("ranks_open");
    std::fs::create_dir(&to).unwrap();
    std::fs::copy(from.join("data.csv"), to.join("data.csv")).unwrap();
    let expected = std::fs::read_to_string(from.join("expected.json")).unwrap();
    let wrong = expected.replace("\"value\": 0.067,", "\"value\": 0.068,");
    assert_ne!(expected, wrong);
    std::fs::write(to.join("expected.json"), wrong).unwrap();
    let out = validate(&["--datasets", dir.path().to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(1));
    assert!(
        text(&out.stdout).contains("MISSES"),
        "{}",
        text(&out.stdout)
    );
    assert!(text(&out.stderr).contains("ranks_open: 1 value"));
}

#[test]
fn an_example_that_is_not_there_is_wrong_usage_and_the_known_ones_are_named() {
    let out = validate(&["ball_bearing"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("ball_bearings"));
}

#[test]
fn a_folder_that_is_not_there_cannot_be_read() {
    let out = validate(&["--datasets", "/nowhere/at/all"]);
    assert_eq!(out.status.code(), Some(3));
    assert!(text(&out.stderr).contains("/nowhere/at/all"));
}
