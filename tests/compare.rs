//! `compare` and `curve` as a user runs them.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails there")]

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn wearcast(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .args(args)
        .output()
        .unwrap()
}

fn json(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A published case as a lives file.
fn lives_file(dir: &Path, name: &str) -> PathBuf {
    let source = format!("{}/datasets/{name}/data.csv", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(source).unwrap();
    let mut text = "hours,outcome,count,group\n".to_owned();
    for row in reader.deserialize::<std::collections::BTreeMap<String, String>>() {
        let row = row.unwrap();
        let outcome = if row["status"] == "failure" {
            "worn"
        } else {
            "running"
        };
        writeln!(
            text,
            "{},{outcome},{},{}",
            row["time"], row["count"], row["group"]
        )
        .unwrap();
    }
    let path = dir.join(format!("{name}.csv"));
    std::fs::write(&path, text).unwrap();
    path
}

/// Freireich et al. 1963; digits by scipy 1.17.1 and R survival 3.5-3.
#[test]
fn a_published_comparison_comes_out_of_the_command() {
    let dir = tempfile::tempdir().unwrap();
    let file = lives_file(dir.path(), "freireich_6mp");
    let output = wearcast(&["compare", file.to_str().unwrap(), "--by", "group", "--json"]);
    assert_eq!(output.status.code(), Some(0));
    let found = json(&output);
    let near = |path: &str, value: f64| {
        let ours = found
            .pointer(path)
            .and_then(serde_json::Value::as_f64)
            .unwrap();
        approx::assert_relative_eq!(ours, value, max_relative = 1e-6);
    };
    near("/log_rank/statistic", 16.7929409892);
    near("/log_rank/degrees_of_freedom", 1.0);
    near("/equal_life/statistic", 19.6518307962);
    near("/equal_shape/p_value", 0.970035552997);
    near("/groups/0/median/hours", 23.0);
    near("/groups/0/curve/0/reliability", 0.857142857143);
    near("/groups/1/worn", 21.0);
    near("/life_ratios/0/ratio", 1.0 / 3.55137405881);
}

#[test]
fn the_text_answers_first() {
    let dir = tempfile::tempdir().unwrap();
    let file = lives_file(dir.path(), "freireich_6mp");
    let output = wearcast(&["compare", file.to_str().unwrap(), "--by", "group"]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        text.starts_with("Lives with group 6-MP lasted 3.6 times as long"),
        "{text}"
    );
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn a_curve_of_exact_lives_and_one_of_bounds() {
    let dir = tempfile::tempdir().unwrap();
    let file = lives_file(dir.path(), "freireich_6mp");
    let curves = json(&wearcast(&[
        "curve",
        file.to_str().unwrap(),
        "--by",
        "group",
        "--json",
    ]));
    assert_eq!(curves["curves"][0]["value"], "6-MP");
    assert_eq!(curves["curves"][0]["points"][0]["at_risk"], 21);
    // Heat-exchanger tubes (Meeker & Escobar 1998, from memory): 0.0384 failed by 2 years.
    let bounds = dir.path().join("tubes.csv");
    std::fs::write(
        &bounds,
        "low,high,count\n,1,4\n1,2,5\n2,3,2\n1,,99\n2,,95\n3,,95\n",
    )
    .unwrap();
    let curve = json(&wearcast(&["curve", bounds.to_str().unwrap(), "--json"]));
    assert_eq!(curve["command"], "curve");
    assert_eq!(curve["method"], "turnbull");
    let reliability = curve["points"][1]["reliability"].as_f64().unwrap();
    approx::assert_relative_eq!(1.0 - reliability, 0.0383756345178, max_relative = 1e-8);
    assert!(curve["median"]["hours"].is_null());
}

#[test]
fn wrong_questions_are_answered_with_what_there_is() {
    let dir = tempfile::tempdir().unwrap();
    let file = lives_file(dir.path(), "aml");
    let file = file.to_str().unwrap();
    for (args, said) in [
        (vec!["compare", file, "--by", "colour"], "group"),
        (vec!["compare", file], "--by"),
        (
            vec!["compare", file, "--practice", "tension"],
            "fleet folder",
        ),
        (
            vec!["compare", file, "--practice", "retensioned"],
            "more chances",
        ),
        (
            vec!["compare", file, "--by", "ever_retensioned"],
            "more chances",
        ),
        (vec!["curve", file, "--by", "colour"], "colour"),
        (vec!["curve", file, "--confidence", "1.5"], "1.5"),
        (vec!["curve", file, "--part", "belt"], "part"),
        (vec!["curve", "/nowhere/lives.csv"], "nowhere"),
    ] {
        let output = wearcast(&args);
        let error = String::from_utf8(output.stderr).unwrap();
        assert!(
            matches!(output.status.code(), Some(2 | 3)),
            "{args:?}: {error}"
        );
        assert!(error.contains(said), "{args:?}: {error}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn tension_practice_of_the_example_fleet() {
    let fleet = format!("{}/examples/evaporator-crew", env!("CARGO_MANIFEST_DIR"));
    let output = wearcast(&["compare", &fleet, "--practice", "tension", "--json"]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let found = json(&output);
    assert_eq!(found["part"], "drive belt");
    assert_eq!(found["bands"].as_array().unwrap().len(), 3);
    let ratio = &found["in_band"];
    let value = |key: &str| ratio[key].as_f64().unwrap();
    assert!(value("lower") < value("ratio") && value("ratio") < value("upper"));
    let text = wearcast(&["compare", &fleet, "--practice", "tension"]);
    let text = String::from_utf8(text.stdout).unwrap();
    assert!(text.contains("isolate the water"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

/// The example fleet, copied, with one file changed.
fn changed_fleet(file: &str, from: &str, to: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let source = format!("{}/examples/evaporator-crew", env!("CARGO_MANIFEST_DIR"));
    for entry in std::fs::read_dir(source).unwrap() {
        let entry = entry.unwrap();
        let mut text = std::fs::read_to_string(entry.path()).unwrap();
        if entry.file_name() == file {
            assert!(text.contains(from));
            text = text.replace(from, to);
        }
        std::fs::write(dir.path().join(entry.file_name()), text).unwrap();
    }
    dir
}

#[test]
fn practice_that_cannot_be_compared_says_why() {
    for (file, from, to, code, said) in [
        (
            "fleet.toml",
            "band = [0.20, 0.30]",
            "band = [0.30, 0.20]",
            2,
            "low first",
        ),
        (
            "fleet.toml",
            "\"tension_checks.csv\"\nunit = \"in\"",
            "\"tension_checks.csv\"",
            2,
            "allowed is \"in\" or \"mm\"",
        ),
        (
            "fleet.toml",
            "band = [0.20, 0.30]",
            "band = [0.05, 0.90]",
            1,
            "all of them in the band",
        ),
        (
            "tension_checks.csv",
            "2024-04-02,EV-1,0.23,5",
            "2024-04-02,EV-1,0.23,12",
            0,
            "Readings taken under another force than the 5 lbf of [practice], and left out: 1.",
        ),
        (
            "tension_checks.csv",
            "2024-04-02,EV-1,0.23,5",
            "2024-04-02,EV-1,-0.23,5",
            0,
            "A tension check could not be read. tension_checks.csv row 2, column \"deflection\": found \"-0.23\"",
        ),
        (
            "fleet.toml",
            "band = [0.20, 0.30]",
            "band = [0.20, 0.30]\nreading_error = 0.03",
            0,
            "A reading error of 0.030 in",
        ),
    ] {
        let dir = changed_fleet(file, from, to);
        let output = wearcast(&[
            "compare",
            dir.path().to_str().unwrap(),
            "--practice",
            "tension",
        ]);
        let out = String::from_utf8(output.stdout).unwrap();
        let error = String::from_utf8(output.stderr).unwrap();
        let all = format!("{out}{error}")
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        assert_eq!(output.status.code(), Some(code), "{to}: {all}");
        assert!(all.contains(said), "{to}: {all}");
    }
}

#[test]
fn several_columns_and_every_part_in_one_command() {
    let fleet = format!("{}/examples/evaporator-crew", env!("CARGO_MANIFEST_DIR"));
    let output = wearcast(&["compare", &fleet, "--by", "Mill,machine", "--json"]);
    let found = json(&output);
    let all = found["comparisons"].as_array().unwrap();
    assert!(all.len() > 5);
    assert_eq!(
        (&all[0]["by"], &all[1]["by"]),
        (&"Mill".into(), &"machine".into())
    );
    assert!(all[0]["p_value_holm"].is_null());
    for key in [
        "groups",
        "log_rank",
        "equal_shape",
        "equal_life",
        "life_ratios",
        "cautions",
    ] {
        assert!(
            !all[0][key].is_null() || all[0].as_object().unwrap().contains_key(key),
            "{key}"
        );
    }
    let held = |c: &serde_json::Value| c["primary_p_value"].is_f64() && c["p_value_holm"].is_f64();
    assert!(all[1..].iter().any(held), "{found}");
}
