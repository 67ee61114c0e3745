//! `wearcast curve` as a user runs it.

#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

use std::collections::BTreeMap;
use std::fmt::Write;
use std::process::Command;

use serde_json::Value;

fn curve(lives: &str, options: &[&str]) -> (String, String, i32) {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("lives.csv");
    std::fs::write(&file, lives).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .args(["curve", file.to_str().unwrap()])
        .args(options)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        text(output.stdout),
        text(output.stderr),
        output.status.code().unwrap(),
    )
}

fn json(lives: &str, options: &[&str]) -> Value {
    let mut all = vec!["--json"];
    all.extend(options);
    let (stdout, stderr, _) = curve(lives, &all);
    serde_json::from_str(&stdout).unwrap_or_else(|e| panic!("{e}: {stdout}{stderr}"))
}

fn at(points: &Value, hours: f64) -> &Value {
    let mut points = points.as_array().unwrap().iter().rev();
    points
        .find(|p| p["hours"].as_f64().unwrap() <= hours)
        .unwrap()
}

fn near(value: &Value, expected: f64) {
    let value = value.as_f64().unwrap();
    assert!(
        (value - expected).abs() < 1e-9 * (1.0 + expected),
        "{value}, not {expected}"
    );
}

/// Fourteen lives made up for this test, two causes.
const LIVES: &str = "hours,outcome,cause,crew\n120,worn,frayed,\n300,worn,cut,\n310,running,,\n\
    450,worn,frayed,\n500,worn,cut,\n620,running,,\n700,worn,cut,\n80,worn,cut,\n150,worn,frayed,\n\
    160,worn,frayed,\n240,running,,\n260,worn,frayed,\n330,worn,frayed,\n400,running,,\n";

/// R survival 3.5-3: `summary(survfit(Surv(time, ev) ~ 1), times = c(150, 300, 500))$cumhaz` and
/// `$std.chaz`.
#[test]
fn cumulative_hazard_as_r_has_it() {
    let answer = json(LIVES, &["--hazard"]);
    assert_eq!(answer["kind"], "cumulative_hazard");
    let points = &answer["curves"][0]["points"];
    for (hours, hazard, error) in [
        (150.0, 0.231684981685, 0.134028523174),
        (300.0, 0.558705183705, 0.232806329051),
        (500.0, 1.308705183705, 0.505556797734),
    ] {
        near(&at(points, hours)["cumulative_hazard"], hazard);
        near(&at(points, hours)["standard_error"], error);
    }
    assert!(curve(LIVES, &["--hazard"]).0.contains("Nelson–Aalen"));
}

/// R survival 3.5-3: `summary(survfit(Surv(time, cause) ~ 1), times = c(150, 300, 500))$pstate`.
#[test]
fn share_by_cause_as_r_has_it() {
    let answer = json(LIVES, &["--cause", "cause"]);
    let curves = answer["curves"].as_array().unwrap();
    assert_eq!(
        (curves.len(), &curves[0]["cause"]),
        (2, &Value::from("cut"))
    );
    for (hours, cut, frayed) in [
        (150.0, 0.0714285714286, 0.142857142857),
        (300.0, 0.1507936507937, 0.293650793651),
        (500.0, 0.2665343915344, 0.501984126984),
    ] {
        near(&at(&curves[0]["points"], hours)["incidence"], cut);
        near(&at(&curves[1]["points"], hours)["incidence"], frayed);
    }
    assert!(
        curve(LIVES, &["--cause", "cause"])
            .0
            .contains("Aalen–Johansen")
    );
    let untold = LIVES.replace("80,worn,cut", "80,worn,");
    let (_, stderr, code) = curve(&untold, &["--cause", "cause"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("life 8"), "{stderr}");
}

/// Valve seats of 41 engines (Nelson & Doganaksoy 1989): mean replacements and their errors by R survival
/// 3.5-3 and scipy 1.17.1, as in `datasets/valve_seats`. One engine had two seats replaced on day 139: a row
/// that counts for two.
#[test]
fn mean_replacements_of_the_valve_seats() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/datasets/valve_seats/data.csv");
    let mut ages: BTreeMap<String, Vec<(f64, bool)>> = BTreeMap::new();
    for line in std::fs::read_to_string(path).unwrap().lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let replaced = cells[2] == "replacement";
        let own = ages.entry(cells[0].to_owned()).or_default();
        own.push((cells[1].parse().unwrap(), replaced));
    }
    let mut lives = "machine,hours,outcome,count\n".to_owned();
    for (machine, mut events) in ages {
        events.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        let mut before = 0.0;
        for together in events.chunk_by(|a, b| a == b) {
            let (age, replaced) = together[0];
            // Watching may end with the last replacement.
            if age > before {
                let outcome = if replaced { "worn" } else { "running" };
                let count = together.len();
                writeln!(lives, "{machine},{},{outcome},{count}", age - before).unwrap();
                before = age;
            }
        }
    }
    let answer = json(&lives, &["--replacements"]);
    for (age, mean, error) in [
        (61.0, 0.0243902439024, 0.0240909657719),
        (139.0, 0.219512195122, 0.0732698119581),
        (404.0, 0.683536585366, 0.135938957261),
        (653.0, 1.54268751356, 0.311656074751),
    ] {
        let point = at(&answer["curves"][0]["points"], age);
        near(&point["mean"], mean);
        near(&point["standard_error"], error);
    }
    // scipy 1.17.1.
    let law = &answer["curves"][0]["trend"]["power_law"];
    near(&law["exponent"], 1.39957926695);
    assert!(curve(&lives, &["--replacements"]).0.contains("Power law"));
}

#[test]
fn a_column_without_any_value_makes_no_curve() {
    for options in [&["--by", "crew"][..], &["--by", "crew", "--hazard"]] {
        let (stdout, stderr, code) = curve(LIVES, options);
        assert_eq!((stdout.as_str(), code), ("", 2));
        assert!(
            stderr.contains("crew") && stderr.contains("empty"),
            "{stderr}"
        );
    }
    let (_, stderr, code) = curve(LIVES, &["--replacements"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("machine"), "{stderr}");
}
