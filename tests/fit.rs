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

/// Families side by side; the log-likelihood of the handbook's Weibull is printed there.
#[test]
fn all_families_stand_side_by_side() {
    let (answer, code) = json(NIST, &["--distribution", "all"]);
    assert_eq!(code, 0);
    assert_eq!(answer["fits"].as_array().unwrap().len(), 5);
    let table = &answer["families"][0]["families"];
    let lines = table.as_array().unwrap();
    assert_eq!(lines.len(), 5);
    assert_eq!(lines[0]["above_least"], 0.0);
    let weibull = lines
        .iter()
        .find(|l| l["distribution"] == "weibull")
        .unwrap();
    let aic = weibull["aic"].as_f64().unwrap();
    assert!((aic - 2.0 * (2.0 + 75.135)).abs() < 2e-3, "{aic}");
    let cautions = answer["families"][0]["cautions"].to_string();
    assert!(
        cautions.contains("cannot tell families apart"),
        "{cautions}"
    );
    let (text, _, _) = fit(NIST, &["--distribution", "all"]);
    assert!(
        text.contains("Families of life models") && text.contains("weibull-threshold"),
        "{text}"
    );
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    let (_, stderr, code) = fit(NIST, &["--distribution", "all", "--known-shape", "2"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("--known-shape"), "{stderr}");
    // One family: the JSON has no such block.
    assert!(json(NIST, &[]).0.get("families").is_none());
}

/// Ranks by Benard's approximation differ from the exact ones; both have simulated limits, named so.
#[test]
fn a_line_through_ranks_has_simulated_limits() {
    let exact = json(NIST, &["--method", "time-on-rank"]).0;
    let benard = ["--method", "time-on-rank", "--plot-position", "benard"];
    let benard = json(NIST, &benard).0;
    let shape = |answer: &Value, which: &str| {
        let value = &answer["fits"][0]["parameters"][0][which];
        value.as_f64().unwrap()
    };
    assert!(shape(&exact, "estimate") != shape(&benard, "estimate"));
    assert_eq!(exact["fits"][0]["interval_method"], "simulation");
    assert!(shape(&exact, "lower") < shape(&exact, "estimate"));
    assert!(shape(&exact, "estimate") < shape(&exact, "upper"));
}

/// Fourteen lives made up for this test.
const STRATA: &str = "hours,outcome,g,x\n120,worn,new,1\n300,worn,new,2\n310,running,new,1\n\
    450,worn,new,3\n500,worn,new,2\n620,running,new,1\n700,worn,new,2\n80,worn,old,2\n\
    150,worn,old,3\n160,worn,old,1\n240,running,old,2\n260,worn,old,1\n330,worn,old,3\n\
    400,running,old,2\n";

/// R survival 3.5-3: `survreg(Surv(time, ev) ~ x + strata(g))`, and `~ x + g + strata(g)`.
#[test]
fn strata_own_their_shape_or_both_as_r_has_it() {
    let options = ["--covariates", "x", "--strata", "g", "--interval", "wald"];
    let asked = |own: &str| {
        let mut all = options.to_vec();
        all.extend(["--strata-own", own]);
        json(STRATA, &all).0
    };
    let near = |value: &Value, expected: f64| {
        let value = value.as_f64().unwrap();
        assert!(
            (value - expected).abs() < 1e-6 * expected.abs(),
            "{value}, not {expected}"
        );
    };
    let shape = asked("shape");
    let fits = shape["fits"].as_array().unwrap();
    assert_eq!(
        (&fits[0]["part"], &fits[1]["part"]),
        (&Value::from("new"), &Value::from("old"))
    );
    for (fit, scale) in fits.iter().zip([0.451148566080, 0.723757370282]) {
        near(&fit["parameters"][0]["estimate"], 1.0 / scale);
        near(&fit["parameters"][1]["estimate"], 6.502166918182_f64.exp());
        near(&fit["coefficients"][0]["estimate"], -0.160334073025);
        near(&fit["coefficients"][0]["standard_error"], 0.248930250794);
        near(&fit["log_likelihood"], -69.1772213872);
        // Two scales of spread, an intercept and a slope.
        near(&fit["aic"], 2.0 * (4.0 + 69.1772213872));
    }
    let both = asked("both");
    let moved: [f64; 2] = [6.4533338593639, 6.4533338593639 - 0.5889272719450];
    let spread = [0.430539134353, 0.529223045216];
    for (k, fit) in both["fits"].as_array().unwrap().iter().enumerate() {
        near(&fit["parameters"][0]["estimate"], 1.0 / spread[k]);
        near(&fit["parameters"][1]["estimate"], moved[k].exp());
        assert_eq!(fit["coefficients"].as_array().unwrap().len(), 1);
        near(&fit["log_likelihood"], -67.9312376365);
    }
}

/// Strata that own everything, with no covariates, are separate fits.
#[test]
fn strata_that_own_both_without_covariates_are_separate_fits() {
    let together = json(STRATA, &["--strata", "g", "--interval", "wald"]).0;
    let apart = json(STRATA, &["--by", "g", "--interval", "wald"]).0;
    for k in 0..2 {
        for p in 0..2 {
            for what in ["estimate", "lower", "upper"] {
                let value = |answer: &Value| {
                    let found = &answer["fits"][k]["parameters"][p][what];
                    found.as_f64().unwrap()
                };
                let (a, b) = (value(&together), value(&apart));
                assert!((a - b).abs() < 1e-6 * b, "{what}: {a} {b}");
            }
        }
    }
}

#[test]
fn a_regression_has_posterior_limits_the_same_on_every_run() {
    let (first, _, _) = fit(STRATA, &["--covariates", "x,g", "--json"]);
    assert_eq!(first, fit(STRATA, &["--covariates", "x,g", "--json"]).0);
    let answer: Value = serde_json::from_str(&first).unwrap();
    assert_eq!(answer["fits"][0]["interval_method"], "posterior");
    let c = &answer["fits"][0]["coefficients"][0];
    assert!(c["lower"].as_f64().unwrap() < c["estimate"].as_f64().unwrap());
}

/// Covariates, causes and groups that cannot be used are named with file, column and, where there is
/// one, row.
#[test]
fn columns_that_explain_nothing_are_named() {
    let lives = "hours,outcome,one,none,mode,mixed\n10,worn,1,,cut,1\n20,worn,1,,,2\n30,worn,1,,cut,3\n\
                 44,running,1,,,4b\n";
    let cases: [(&[&str], &[&str]); 5] = [
        (
            &["--covariates", "one"],
            &["lives.csv", "\"one\"", "\"1\"", "two or more"],
        ),
        (
            &["--covariates", "none"],
            &["lives.csv", "\"none\"", "empty in every row"],
        ),
        (&["--strata", "none"], &["lives.csv", "\"none\""]),
        (&["--by", "none"], &["lives.csv", "row 2", "\"none\""]),
        (&["--cause", "mode"], &["lives.csv", "row 3", "\"mode\""]),
    ];
    for (options, named) in cases {
        let (stdout, stderr, code) = fit(lives, options);
        assert_eq!((stdout.as_str(), code), ("", 2), "{options:?}: {stderr}");
        for word in named {
            assert!(stderr.contains(word), "{options:?}: {stderr}");
        }
    }
    // Mostly numbers with a word among them: said, not guessed silently.
    let loads = "hours,outcome,load\n10,worn,1\n35,worn,2\n41,worn,2\n90,worn,1\n130,worn,1\n\
                 15,worn,2\n150,worn,3x\n60,worn,3x\n55,worn,4\n70,worn,4\n";
    let answer = json(loads, &["--covariates", "load"]).0;
    assert!(
        answer.to_string().contains("taken as categories"),
        "{answer}"
    );
}
