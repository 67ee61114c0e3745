//! `wearcast stock` as a planner runs it: what it answers, and what it does with input it cannot use.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails there")]

use std::path::Path;
use std::process::{Command, Output};

/// Three machines whose belts wear out every 200 to 300 hours, two jobs ahead. The life is stated, so that
/// there is one curve only and the tests are quick.
const FLEET: &str = r#"
[fleet]
name = "Test"
as_of = 2026-03-31
currency = "USD"
[[records]]
file = "records.csv"
[records.reasons]
worn = ["worn"]
unworn = ["unworn"]
[[readings]]
file = "readings.csv"
[[jobs]]
file = "jobs.csv"
[[part]]
name = "belt"
fixed_life = { shape = 3.0, scale = 270 }
unit_cost = 80.0
on_hand = 1
lead_time_days = [10, 25]
planned_change = { minutes = 20, cost = 10 }
unplanned_stop = { hours = 2, cost_per_hour = 100 }
[stock]
service_level = 0.95
review_days = 7
"#;

const RECORDS: &str = "date,machine,part,hours,reason\n\
    2025-01-10,M1,belt,100,worn\n2025-04-10,M1,belt,350,worn\n2025-08-10,M1,belt,560,worn\n\
    2025-01-10,M2,belt,90,worn\n2025-05-10,M2,belt,380,worn\n2025-09-10,M2,belt,600,worn\n\
    2025-01-10,M3,belt,80,worn\n2025-06-10,M3,belt,340,unworn\n2025-10-10,M3,belt,620,worn\n";

const READINGS: &str =
    "date,machine,hours\n2026-03-31,M1,640\n2026-03-31,M2,700\n2026-03-31,M3,760\n";

const JOBS: &str = "job,start,end,machine,hours\n\
    North Mill,2026-05-01,2026-05-20,M1;M2;M3,150\nSouth Mill,2026-06-10,2026-06-30,M1;M2;M3,150\n";

struct Folder(tempfile::TempDir);

impl Folder {
    fn new(toml: &str, jobs: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        for (name, contents) in [
            ("fleet.toml", toml),
            ("records.csv", RECORDS),
            ("readings.csv", READINGS),
            ("jobs.csv", jobs),
        ] {
            std::fs::write(dir.path().join(name), contents).unwrap();
        }
        Self(dir)
    }

    fn usual() -> Self {
        Self::new(FLEET, JOBS)
    }

    fn stock(&self, more: &[&str]) -> Answer {
        Answer(run(self.0.path(), &[&["stock", "."], more].concat()))
    }

    fn json(&self, more: &[&str]) -> serde_json::Value {
        let answer = self.stock(&[&["--json"], more].concat());
        serde_json::from_str(&answer.text()).unwrap()
    }
}

fn run(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap()
}

struct Answer(Output);

impl Answer {
    fn code(&self) -> Option<i32> {
        self.0.status.code()
    }

    fn text(&self) -> String {
        String::from_utf8(self.0.stdout.clone()).unwrap()
    }

    fn error(&self) -> String {
        String::from_utf8(self.0.stderr.clone()).unwrap()
    }

    /// Refused with exit code 2, nothing on stdout, and every one of these words in the error.
    fn is_refused_with(&self, words: &[&str]) {
        let error = self.error();
        assert_eq!(self.code(), Some(2), "{error}");
        assert!(self.text().is_empty(), "{}", self.text());
        for word in words {
            assert!(error.contains(word), "no “{word}” in: {error}");
        }
    }
}

#[test]
fn the_first_line_says_what_to_order_by_when_and_why() {
    let answer = Folder::usual().stock(&[]);
    assert_eq!(answer.code(), Some(0), "{}", answer.error());
    let text = answer.text();
    let first = text.split("\n\n").next().unwrap().replace("\n  ", " ");
    for words in [
        "Order ",
        " belts ",
        "without them, ",
        "chance",
        " of running short in North Mill",
    ] {
        assert!(first.contains(words), "no “{words}” in: {first}");
    }
    for table in [
        "Needed stock by chance of no shortage",
        "When to look at a part",
        "What stock and shortage cost",
        "How the orders would change",
    ] {
        assert!(text.contains(table), "{table}");
    }
    // Looking and changing never stand without the caution.
    assert!(text.contains("let all pressure out"), "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
}

#[test]
fn what_if_moves_the_answer_the_way_it_must() {
    let folder = Folder::usual();
    let order = |json: &serde_json::Value, key: &str| json["orders"][0][key].clone();
    let base = folder.json(&[]);
    let needed = |json: &serde_json::Value| order(json, "needed").as_u64().unwrap();
    let higher = folder.json(&["--service-level", "0.99"]);
    assert!(needed(&higher) >= needed(&base));
    let without = folder.json(&["--skip-job", "south mill"]);
    assert!(needed(&without) < needed(&base));
    let more = folder.json(&["--hours-factor", "2"]);
    assert!(needed(&more) > needed(&base));
    let longer = folder.json(&["--lead-time", "40"]);
    assert_eq!(needed(&longer), needed(&base));
    let by = |json: &serde_json::Value| order(json, "order_by").as_str().unwrap().to_owned();
    assert!(by(&longer) <= by(&base));
    let sooner = folder.json(&["--chance-unseen", "0.02"]);
    let look = |json: &serde_json::Value| json["inspections"][0]["looks"][0].as_f64().unwrap();
    assert!(look(&sooner) < look(&base));
    // Needed stock rises with the service level, and at 95 % it is that of the order.
    let table: Vec<u64> = (base["needed_stock"].as_array().unwrap().iter())
        .map(|n| n["needed"].as_u64().unwrap())
        .collect();
    assert_eq!(table.len(), 5);
    assert!(table.is_sorted(), "{table:?}");
    assert_eq!(table[2], needed(&base));
}

#[test]
fn a_what_if_that_cannot_be_asked_is_refused() {
    let folder = Folder::usual();
    for (args, words) in [
        (
            ["--service-level", "1"],
            ["--service-level 1", "between 0 and 1"],
        ),
        (
            ["--service-level", "-0.1"],
            ["--service-level -0.1", "between 0 and 1"],
        ),
        (
            ["--chance-unseen", "0"],
            ["--chance-unseen 0", "between 0 and 1"],
        ),
        (["--lead-time", "-3"], ["--lead-time -3", "0 to 3660"]),
        (["--lead-time", "soon"], ["--lead-time", "soon"]),
        (["--hours-factor", "0"], ["--hours-factor 0", "above 0"]),
        (["--hours-factor", "-1"], ["--hours-factor -1", "above 0"]),
        (
            ["--skip-job", "Nort Mill"],
            ["Nort Mill", "did you mean \"North Mill\"?"],
        ),
        (
            ["--skip-job", "East Weir"],
            ["no such job", "North Mill, South Mill"],
        ),
    ] {
        folder.stock(&args).is_refused_with(&words);
    }
}

#[test]
fn a_schedule_that_cannot_be_used_names_file_row_and_column() {
    for (jobs, words) in [
        (
            JOBS.replace("M1;M2;M3,150\nSouth", "M1;M2;M3,-150\nSouth"),
            ["jobs.csv row 2", "hours", "≥ 0"],
        ),
        (
            JOBS.replace("2026-06-30", "2026-06-03"),
            ["jobs.csv row 3", "end", "2026-06-03"],
        ),
        (
            JOBS.replace("2026-06-10", "2026-05-10"),
            ["jobs.csv row 2", "overlap", "M1"],
        ),
    ] {
        Folder::new(FLEET, &jobs).stock(&[]).is_refused_with(&words);
    }
}

#[test]
fn settings_that_cannot_be_used_name_file_and_key() {
    for (from, to, words) in [
        (
            "service_level = 0.95",
            "service_level = 1.0",
            ["fleet.toml", "service_level", "below 1"],
        ),
        (
            "service_level = 0.95",
            "service_level = -1",
            ["fleet.toml", "service_level", "above 0"],
        ),
        (
            "on_hand = 1",
            "on_hand = 1.5",
            ["fleet.toml", "on_hand", "whole"],
        ),
        (
            "on_hand = 1",
            "on_hand = -1",
            ["fleet.toml", "on_hand", "whole"],
        ),
        (
            "[10, 25]",
            "[25, 10]",
            ["fleet.toml", "lead_time_days", "low to high"],
        ),
        (
            "review_days = 7",
            "review_days = 0.5",
            ["fleet.toml", "review_days", "whole"],
        ),
        (
            "[stock]",
            "[inspection]\nchance_unseen = 2\n[stock]",
            ["fleet.toml", "chance_unseen", "below 1"],
        ),
    ] {
        let toml = FLEET.replace(from, to);
        assert_ne!(toml, FLEET, "{from}");
        Folder::new(&toml, JOBS).stock(&[]).is_refused_with(&words);
    }
}

#[test]
fn what_cannot_be_given_for_one_part_is_said_and_the_rest_goes_on() {
    let collet = "[[part]]\nname = \"collet\"\n[stock]";
    let answer = Folder::new(&FLEET.replace("[stock]", collet), JOBS).stock(&[]);
    assert_eq!(answer.code(), Some(1));
    assert!(
        answer.error().contains("collet: no forecast."),
        "{}",
        answer.error()
    );
    assert!(answer.text().contains("Order ") && answer.text().contains("order by hand"));
    let no_lead = FLEET.replace("lead_time_days = [10, 25]\n", "");
    let answer = Folder::new(&no_lead, JOBS).stock(&[]);
    assert_eq!(answer.code(), Some(1));
    for words in ["belt", "fleet.toml", "lead_time_days"] {
        assert!(answer.error().contains(words), "{}", answer.error());
    }
    assert!(answer.text().contains("Order "), "{}", answer.text());
}

#[test]
fn a_machine_that_only_the_schedule_knows_is_named() {
    let jobs = JOBS.replace("M1;M2;M3,150\nSouth", "M1;M2;M30,150\nSouth");
    let answer = Folder::new(FLEET, &jobs).stock(&[]);
    assert_eq!(answer.code(), Some(1), "{}", answer.error());
    let error = answer.error();
    for words in [
        "jobs.csv row 2",
        "column \"machine\"",
        "\"M30\"",
        "\"M1\", \"M2\", \"M3\"",
    ] {
        assert!(error.contains(words), "no “{words}” in: {error}");
    }
    assert!(answer.text().contains("belt"));
}

#[test]
fn json_that_advises_work_carries_the_safety_words() {
    let told = Folder::usual().json(&[]);
    let words = told["safety"].as_str().unwrap();
    assert!(words.contains("isolate the water and air"), "{words}");
}

#[test]
fn tension_that_cannot_be_used_stops_nothing_else() {
    let practice = "[practice]\ntarget = 0.25\nband = [0.20, 0.30]\nunit = \"in\"\n\
        [[tension]]\nfile = \"tension.csv\"\nunit = \"in\"\n";
    for (from, to, said) in [
        ("[0.20, 0.30]", "[0.30, 0.20]", "[practice], band"),
        (
            "\"tension.csv\"\nunit = \"in\"",
            "\"tension.csv\"",
            "[[tension]], unit",
        ),
    ] {
        let folder = Folder::new(&format!("{FLEET}{}", practice.replace(from, to)), JOBS);
        let dir = folder.0.path();
        std::fs::write(
            dir.join("tension.csv"),
            "date,machine,deflection,force\n2025-06-01,M1,0.25,5\n",
        )
        .unwrap();
        let answer = Answer(run(dir, &["report", ".", "-o", "out"]));
        assert_eq!(answer.code(), Some(1), "{to}: {}", answer.error());
        let error = answer.error();
        assert!(
            error.contains("no comparison of practices"),
            "{to}: {error}"
        );
        let page = std::fs::read_to_string(dir.join("out/index.html")).unwrap();
        let words = "Practices are not compared: fleet.toml, ";
        assert!(page.contains(words) && page.contains(said), "{to}");
        let checked = Answer(run(dir, &["check", "."])).text();
        assert!(checked.contains(said), "{to}: {checked}");
    }
}

/// `JOBS` with further columns; the cells of the first row, then of the second.
fn jobs_with(columns: &str, cells: [&str; 2]) -> String {
    let rows = JOBS.lines().zip([columns, cells[0], cells[1]]);
    let rows: Vec<String> = rows.map(|(row, more)| format!("{row},{more}")).collect();
    rows.join("\n")
}

#[test]
fn hours_and_starts_that_are_sure_change_nothing() {
    let plain = Folder::usual();
    for jobs in [
        jobs_with("hours_low,hours_high,slip_days", [",,", ",,"]),
        jobs_with("hours_low,hours_high,slip_days", ["150,150,0", "150,150,"]),
    ] {
        let told = Folder::new(FLEET, &jobs);
        for more in [&["--json"] as &[&str], &[]] {
            assert_eq!(told.stock(more).text(), plain.stock(more).text());
        }
    }
}

#[test]
fn hours_that_are_not_sure_and_starts_that_slip_are_said_and_counted() {
    let jobs = jobs_with("hours_low,hours_high,slip_days", ["90,250,", "90,250,14"]);
    let open = Folder::new(FLEET, &jobs);
    let (plain, wide) = (Folder::usual().json(&[]), open.json(&[]));
    let order = |json: &serde_json::Value, key: &str| json["orders"][0][key].as_f64().unwrap();
    // What is not sure asks for more stock, and shows where the chances are.
    assert!(order(&wide, "needed") >= order(&plain, "needed"));
    assert_ne!(
        order(&wide, "expected_demand"),
        order(&plain, "expected_demand")
    );
    let kits = |json: &serde_json::Value| json["kits"].clone();
    assert_ne!(kits(&wide), kits(&plain));
    let text = open.stock(&[]).text();
    for words in ["hours_low and hours_high", "slip_days", "32 ways"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let forecast = Answer(run(open.0.path(), &["forecast", ".", "--json"]));
    let forecast: serde_json::Value = serde_json::from_str(&forecast.text()).unwrap();
    assert_eq!(forecast["open_jobs"][1]["slip_days"], 14.0);
    assert_eq!(forecast["open_jobs"][0]["hours_high"], 250.0);
}

#[test]
fn a_range_or_slip_that_cannot_be_used_names_file_row_and_column() {
    const ALL: &str = "hours_low,hours_high,slip_days";
    for (cells, words) in [
        (["160,140,", ",,"], ["jobs.csv row 2", "hours_low", "140"]),
        (["-1,200,", ",,"], ["jobs.csv row 2", "hours_low", "≥ 0"]),
        (
            [",,", "100,many,"],
            ["jobs.csv row 3", "hours_high", "many"],
        ),
        (["100,,", ",,"], ["jobs.csv row 2", "hours_high", "≥ 100"]),
        (
            ["160,200,", ",,"],
            ["jobs.csv row 2", "hours", "160 to 200"],
        ),
        (
            ["1,200,", ",,"],
            ["jobs.csv row 2", "hours_high", "100 times"],
        ),
        ([",,", ",,-3"], ["jobs.csv row 3", "slip_days", "0 to 3660"]),
        ([",,", ",,soon"], ["jobs.csv row 3", "slip_days", "soon"]),
    ] {
        let folder = Folder::new(FLEET, &jobs_with(ALL, cells));
        folder.stock(&[]).is_refused_with(&words);
    }
}

/// Belts last some 240 hours with the thin hose, some 120 with the thick one.
const BY_HOSE: &str = "date,machine,part,hours,reason,Hose size\n\
    2025-01-10,M1,belt,100,worn,1/2\n2025-04-10,M1,belt,350,worn,1/2\n2025-08-10,M1,belt,560,worn,1/2\n\
    2025-01-10,M2,belt,90,worn,1/2\n2025-05-10,M2,belt,380,worn,1/2\n2025-09-10,M2,belt,600,worn,1/2\n\
    2025-01-10,M3,belt,80,worn,3/4\n2025-03-10,M3,belt,200,worn,3/4\n2025-05-10,M3,belt,330,worn,3/4\n\
    2025-07-10,M3,belt,430,worn,3/4\n2025-09-10,M3,belt,540,worn,3/4\n2025-12-10,M3,belt,655,worn,3/4\n";

fn by_hose(settings: &str, hose_of_jobs: &str) -> Folder {
    let toml = FLEET.replace("fixed_life = { shape = 3.0, scale = 270 }", settings);
    let jobs = format!(
        "job,start,end,machine,hours,hose_size\n\
         North Mill,2026-05-01,2026-05-20,M1;M2;M3,150,{hose_of_jobs}\n"
    );
    let folder = Folder::new(&toml, &jobs);
    std::fs::write(folder.0.path().join("records.csv"), BY_HOSE).unwrap();
    folder
}

/// Lives told apart by a column: the same hours wear more with the hose that wears more, a job without a hose goes
/// by that of what is fitted, and one with a hose that no row knows is the least sure.
#[test]
fn jobs_wear_by_their_hose() {
    let forecast = |hose: &str| -> serde_json::Value {
        let folder = by_hose("life_by = \"hose_size\"", hose);
        let answer = Answer(run(folder.0.path(), &["forecast", ".", "--json"]));
        serde_json::from_str(&answer.text()).unwrap()
    };
    let expected =
        |forecast: &serde_json::Value| forecast["demand"][1]["expected"].as_f64().unwrap();
    let chance = |forecast: &serde_json::Value, machine: &str| {
        let fitted = forecast["fitted"].as_array().unwrap();
        let of = fitted.iter().find(|f| f["machine"] == machine).unwrap();
        of["jobs"][0]["probability_worn_out"].as_f64().unwrap()
    };
    let [thin, thick, untold, new] = ["1/2", "3/4", "", "1"].map(forecast);
    assert!(expected(&thick) > 1.4 * expected(&thin));
    assert!(chance(&thick, "M1") > chance(&thin, "M1") + 0.2);
    // The age of what is fitted counts at its own hose in all of them.
    assert!((chance(&untold, "M1") - chance(&thin, "M1")).abs() < 1e-9);
    assert!((chance(&untold, "M3") - chance(&thick, "M3")).abs() < 1e-9);
    let between = chance(&new, "M1");
    assert!(chance(&thin, "M1") < between && between < chance(&thick, "M1"));
    let spread = |forecast: &serde_json::Value| -> f64 {
        let distribution = forecast["demand"][1]["distribution"].as_array().unwrap();
        let each = distribution.iter().map(|d| {
            let away = d["quantity"].as_f64().unwrap() - expected(forecast);
            d["probability"].as_f64().unwrap() * away * away
        });
        each.sum()
    };
    assert!(spread(&new) > 2.0 * spread(&thick));
    let said = |forecast: &serde_json::Value, words: &str| {
        forecast["cautions"].to_string().contains(words)
    };
    assert!(said(&thin, "wears by hose_size") && !said(&thin, "no life is recorded at"));
    assert!(said(&new, "no life is recorded at 1"));
}

#[test]
fn lives_that_cannot_be_told_apart_are_taken_together_and_said_so() {
    let folder = by_hose("life_by = \"colour\"", "1/2");
    let answer = folder.stock(&["--json"]);
    assert!(answer.text().contains("as if colour made no difference"));
    for (settings, key, words) in [
        ("life_by_factor = 3", "life_by_factor", "life_by"),
        (
            "life_by = \"hose_size\"\nlife_by_factor = 1.0",
            "life_by_factor",
            "> 1",
        ),
        ("life_by = \" \"", "life_by", "empty"),
        (
            "life_by = \"hose_size\"\nfixed_life = { shape = 3.0, scale = 270 }",
            "life_by",
            "fixed_life",
        ),
    ] {
        by_hose(settings, "1/2")
            .stock(&[])
            .is_refused_with(&["fleet.toml", key, words]);
    }
}

/// By tension: readings cut the lives, and each machine goes on as it was last read.
#[test]
fn belts_wear_by_the_tension_that_was_read() {
    let settings = "life_by = \"tension\"";
    let last = |deflection: &str| {
        let folder = by_hose(settings, "1/2");
        let toml = std::fs::read_to_string(folder.0.path().join("fleet.toml")).unwrap();
        let more = "[[tension]]\nfile = \"tension.csv\"\nunit = \"in\"\n\
                    [practice]\ntarget = 0.25\nband = [0.20, 0.30]\nunit = \"in\"\n";
        std::fs::write(folder.0.path().join("fleet.toml"), format!("{toml}{more}")).unwrap();
        let mut checks = vec!["date,machine,deflection,force".to_owned()];
        for (machine, give, days) in [
            (
                "M1",
                0.25,
                ["2025-01-10", "2025-04-10", "2025-08-10"].as_slice(),
            ),
            ("M2", 0.24, &["2025-01-10", "2025-05-10", "2025-09-10"]),
            (
                "M3",
                0.45,
                &[
                    "2025-01-10",
                    "2025-03-10",
                    "2025-05-10",
                    "2025-07-10",
                    "2025-09-10",
                    "2025-12-10",
                ],
            ),
        ] {
            for day in days {
                checks.push(format!("{day},{machine},{give},5"));
            }
        }
        checks.push(format!("2026-03-20,M1,{deflection},5"));
        std::fs::write(
            folder.0.path().join("tension.csv"),
            checks.join("\n") + "\n",
        )
        .unwrap();
        let answer = Answer(run(folder.0.path(), &["forecast", ".", "--json"]));
        let forecast: serde_json::Value = serde_json::from_str(&answer.text()).unwrap();
        let fitted = forecast["fitted"].as_array().unwrap();
        let of = fitted.iter().find(|f| f["machine"] == "M1").unwrap();
        assert!(
            forecast["cautions"]
                .to_string()
                .contains("wears by tension")
        );
        of["jobs"][0]["probability_worn_out"].as_f64().unwrap()
    };
    assert!(last("0.45") > last("0.26") + 0.1);
}
