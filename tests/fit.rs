//! `wearcast fit` as a user runs it.

#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn wearcast(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .args(args)
        .output()
        .unwrap()
}

/// Writes a lives file and fits it; gives stdout, stderr and the exit code.
fn fit(lives: &str, options: &[&str]) -> (String, String, i32) {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("lives.csv");
    std::fs::write(&file, lives).unwrap();
    let mut args = vec!["fit", file.to_str().unwrap()];
    args.extend(options);
    let output = wearcast(&args);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    let name = file.display().to_string();
    (
        text(output.stdout),
        text(output.stderr).replace(&name, "lives.csv"),
        output.status.code().unwrap(),
    )
}

fn json(lives: &str, options: &[&str]) -> (Value, i32) {
    let mut all = vec!["--json"];
    all.extend(options);
    let (stdout, stderr, code) = fit(lives, &all);
    (
        serde_json::from_str(&stdout).unwrap_or_else(|e| panic!("{e}: {stdout}{stderr}")),
        code,
    )
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.2: ten of 20 units failed by 500 hours;
/// maximum likelihood shape 1.72, scale 606.5, log-likelihood −75.135 (as printed there).
const NIST: &str = "hours,outcome,count\n54,worn,1\n187,worn,1\n216,worn,1\n240,worn,1\n244,worn,1\n\
    335,worn,1\n361,worn,1\n373,worn,1\n375,worn,1\n386,worn,1\n500,running,10\n";

#[test]
fn the_handbook_example_comes_out_as_printed() {
    let (answer, code) = json(NIST, &["--interval", "likelihood"]);
    assert_eq!(code, 0);
    assert_eq!(answer["command"], "fit");
    let fit = &answer["fits"][0];
    let close = |value: &Value, printed: f64, half_digit: f64| {
        let value = value.as_f64().unwrap();
        assert!(
            (value - printed).abs() <= half_digit,
            "{value}, printed {printed}"
        );
    };
    close(&fit["parameters"][0]["estimate"], 1.72, 0.01);
    close(&fit["parameters"][1]["estimate"], 606.5, 0.1);
    close(&fit["log_likelihood"], -75.135, 0.001);
    assert_eq!(fit["lives"]["total"], 20);
    assert_eq!(fit["lives"]["worn"], 10);
    assert_eq!(fit["interval_method"], "likelihood");
    assert_eq!(fit["part"], Value::Null);
}

#[test]
fn the_table_for_people() {
    let (stdout, stderr, code) = fit(NIST, &["--at-hours", "100,600"]);
    assert_eq!((stderr.as_str(), code), ("", 0));
    insta::assert_snapshot!(stdout);
}

#[test]
fn each_part_gets_its_own_fit_and_one_without_worn_lives_its_reason() {
    let lives = "part,hours,outcome\nbelt,100,worn\nbelt,180,worn\nbelt,230,worn\nbelt,90,unworn\n\
                 ring,400,running\nring,510,running\n";
    let (stdout, stderr, code) = fit(lives, &[]);
    assert_eq!(code, 1);
    assert!(stderr.contains("ring: "), "{stderr}");
    assert!(stdout.contains("Life model: belt") && stdout.contains("Life model: ring"));
    let (answer, _) = json(lives, &[]);
    assert_eq!(answer["fits"][1]["part"], "ring");
    assert_eq!(answer["fits"][1]["parameters"][0]["estimate"], Value::Null);
    let codes: Vec<&Value> = answer["fits"][1]["cautions"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| &c["code"])
        .collect();
    assert!(codes.contains(&&Value::from("no_worn")));
}

#[test]
fn nothing_worn_with_a_known_shape_gives_the_lower_bound() {
    let lives = "hours,outcome,count\n310,running,4\n450,running,6\n";
    let (answer, code) = json(lives, &["--known-shape", "2", "--confidence", "0.9"]);
    assert_eq!(code, 0);
    let scale = &answer["fits"][0]["parameters"][1];
    let by_hand = ((4.0 * 310_f64.powi(2) + 6.0 * 450_f64.powi(2)) / -(0.1_f64.ln())).sqrt();
    assert!((scale["lower"].as_f64().unwrap() / by_hand - 1.0).abs() < 1e-9);
    assert_eq!(scale["estimate"], Value::Null);
    assert_eq!(scale["upper"], Value::Null);
}

#[test]
fn a_belief_stands_in_where_nothing_wore_out() {
    let lives = "hours,outcome\n310,running\n450,running\n";
    let (answer, code) = json(
        lives,
        &["--believed-life", "150", "900", "--at-probability", "0.5"],
    );
    assert_eq!(code, 0, "{answer}");
    let median = &answer["fits"][0]["quantiles"][0];
    let hours = median["hours"].as_f64().unwrap();
    assert!(hours > 300.0 && hours < 2000.0, "{median}");
    assert!(median["lower"].as_f64().unwrap() < hours);
}

#[test]
fn causes_and_covariates() {
    let causes = "hours,outcome,mode\n10,worn,frayed\n30,worn,cut\n45,worn,frayed\n60,worn,cut\n80,running,\n";
    let (answer, _) = json(causes, &["--cause", "mode"]);
    assert_eq!(answer["fits"].as_array().unwrap().len(), 2);
    assert_eq!(answer["fits"][0]["part"], "cut");
    assert_eq!(answer["fits"][0]["lives"]["right_censored"], 3);
    let loads = "hours,outcome,load\n10,worn,3\n35,worn,2\n41,worn,2\n90,worn,1\n130,worn,1\n\
                 15,worn,3\n150,running,1\n60,running,2\n";
    let (answer, code) = json(loads, &["--covariates", "load"]);
    assert_eq!(code, 0);
    let slope = &answer["fits"][0]["coefficients"][0];
    assert_eq!(slope["name"], "load");
    assert!(
        slope["estimate"].as_f64().unwrap() < 0.0,
        "more load, shorter life"
    );
}

#[test]
fn wrong_options_and_columns_are_named() {
    let cases: [(&[&str], &str); 5] = [
        (&["--by", "crew"], "crew"),
        (&["--confidence", "1.5"], "confidence"),
        (&["--at-probability", "0"], "probability"),
        (&["--known-shape", "-1"], "known shape"),
        (&["--covariates", "load"], "load"),
    ];
    for (options, named) in cases {
        let (stdout, stderr, code) = fit(NIST, options);
        assert_eq!(code, 2, "{options:?}: {stderr}");
        assert!(stderr.contains(named), "{options:?}: {stderr}");
        assert!(stdout.is_empty());
    }
    let missing = wearcast(&["fit", "no/such/file.csv"]);
    assert_eq!(missing.status.code(), Some(3));
}

#[test]
fn a_fleet_folder_is_fitted_part_by_part() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/evaporator-crew");
    let output = wearcast(&["fit", folder.to_str().unwrap(), "--json"]);
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    let parts: Vec<&str> = answer["fits"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["part"].as_str().unwrap())
        .collect();
    assert!(parts.contains(&"drive belt"), "{parts:?}");
}
