//! `new`, `check` and `lives` on the command line.

use std::process::Output;

use crate::folder::{BELT, Folder};

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn errors(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn two_lives() -> Folder {
    Folder::new(
        BELT,
        &[(
            "records.csv",
            "date,machine,part,hours,reason,site\n2025-01-10,M1,belt,100,worn,\"=1+1\"\n2025-03-01,M1,belt,450,worn,\"Mill, old\"\n\
             2025-06-01,M1,belt,600,unworn,\nnever,M1,gearbox,1,worn,\n",
        )],
    )
}

#[test]
fn check_says_what_became_of_each_row_and_what_to_do() {
    let folder = two_lives();
    let output = folder.run(&["check", "."]);
    let text = text(&output);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    assert!(
        text.contains("4 read = 3 used + 0 merged + 1 set aside"),
        "{text}"
    );
    assert!(
        text.contains("unknown part") && text.contains("records.csv row 5"),
        "{text}"
    );
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn check_json_is_one_document() {
    let output = two_lives().run(&["check", ".", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&text(&output)).unwrap();
    assert_eq!(json["command"], "check");
    assert_eq!(json["rows"]["rows_in"], 4);
    assert_eq!(json["problems"][0]["code"], "unknown_part");
    assert_eq!(json["problems"][0]["problems"][0]["rows"][0]["row"], 5);
    assert_eq!(json["lives"][0]["worn"], 1);
}

#[test]
fn strict_takes_a_row_set_aside_as_an_error() {
    let output = two_lives().run(&["check", ".", "--strict"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        errors(&output).contains("records.csv row 5"),
        "{}",
        errors(&output)
    );
}

#[test]
fn lives_writes_a_file_that_it_can_read_back() {
    let folder = two_lives();
    let output = folder.run(&["lives", ".", "-o", "lives.csv"]);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    let written = std::fs::read_to_string(folder.path().join("lives.csv")).unwrap();
    assert!(
        written.starts_with("hours,outcome,low,high,entry,count,id,part,machine"),
        "{written}"
    );
    // A cell that a spreadsheet would run is written inert.
    assert!(written.contains(",'=1+1"), "{written}");
    let table = wearcast::lives::LivesTable::read(&folder.path().join("lives.csv")).unwrap();
    assert_eq!(table.observations.low, [350.0, 150.0]);
    assert_eq!(table.observations.high, [350.0, f64::INFINITY]);
    let output = folder.run(&["lives", ".", "-o", "lives.docx"]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn lives_json_leaves_out_what_does_not_exist() {
    let output = two_lives().run(&["lives", ".", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&text(&output)).unwrap();
    assert_eq!(json["lives"][0]["outcome"], "worn");
    assert_eq!(json["lives"][1]["low"], 150);
    assert!(json["lives"][1]["high"].is_null());
    assert_eq!(json["unknown_start"], 1);
}

#[test]
fn a_life_is_traced_to_its_rows_as_they_stand() {
    let folder = two_lives();
    let output = folder.run(&["lives", ".", "--trace", "belt/M1/1/2"]);
    let text = text(&output);
    assert!(
        text.contains("records.csv row 2") && text.contains("records.csv row 3"),
        "{text}"
    );
    assert!(text.contains("site: Mill, old"), "{text}");
    let output = folder.run(&["lives", ".", "--trace", "belt/M1/1/99"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(errors(&output).contains("belt/M1/1/2"));
}

#[test]
fn new_starts_a_folder_that_check_can_read_and_never_overwrites() {
    let folder = Folder::new("", &[]);
    let output = folder.run(&["new", "mine"]);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    std::fs::write(
        folder.path().join("mine/replacements.csv"),
        "date,machine,part,hours,reason\n2025-01-10,M1,drive belt,100,worn out\n",
    )
    .unwrap();
    let output = folder.run(&["check", "mine"]);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    assert!(text(&output).contains("1 read = 1 used"));
    let output = folder.run(&["new", "mine"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(errors(&output).contains("there already"));
}

#[test]
fn a_new_folder_without_rows_says_what_is_missing() {
    let folder = Folder::new("", &[]);
    folder.run(&["new", "mine"]);
    let output = folder.run(&["check", "mine"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(errors(&output).contains("as_of"), "{}", errors(&output));
}

#[test]
fn the_example_is_copied_whole() {
    let folder = Folder::new("", &[]);
    let output = folder.run(&["new", "try", "--example"]);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    let output = folder.run(&["check", "try", "--strict"]);
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
}

#[test]
fn unusable_folders_are_clear_errors() {
    let mine = |toml: &str, files: &[(&str, &str)]| {
        let output = Folder::new(toml, files).run(&["check", "."]);
        (output.status.code(), errors(&output))
    };
    let ok = "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n";
    for (toml, records, code, said) in [
        (BELT.replace("records.csv", "gone.csv"), ok, 3, "gone.csv"),
        (
            BELT.replace("name = \"belt\"", "nam = \"belt\""),
            ok,
            2,
            "unknown field `nam`",
        ),
        (
            BELT.replace("name = \"belt\"", "name = \"belt\"\nper_machine = 0"),
            ok,
            2,
            "per_machine",
        ),
        (
            BELT.to_owned(),
            "date,machine,hours,reason\n2025-01-10,M1,100,worn\n",
            2,
            "no column for part",
        ),
        (
            BELT.to_owned(),
            "date,machine,part,item,hours\n2025-01-10,M1,belt,belt,100\n",
            2,
            "could both be part",
        ),
        (
            BELT.to_owned(),
            "date,machine,part,hours,reason\n01/02/2025,M1,belt,100,worn\n",
            2,
            "could be 2025-02-01 or 2025-01-02",
        ),
        (
            BELT.to_owned(),
            "date,machine,part,hours,reason\n2025-01-10,M1,belt,\"1,250\",worn\n",
            2,
            "could be 1250 or 1.25",
        ),
        (BELT.to_owned(), "", 2, "empty"),
        (
            BELT.to_owned(),
            "date,machine,part,hours,reason\n",
            2,
            "as_of",
        ),
        (
            BELT.replace("records.csv", "."),
            ok,
            2,
            "folder or a device",
        ),
    ] {
        let (found, message) = mine(&toml, &[("records.csv", records)]);
        assert_eq!(found, Some(code), "{said}: {message}");
        assert!(message.contains(said), "{said}: {message}");
    }
    let missing = Folder::new(BELT, &[]).run(&["check", "nowhere"]);
    assert_eq!(missing.status.code(), Some(3));
}

#[test]
fn a_machine_that_only_the_schedule_knows_is_a_caution() {
    let toml = format!("{BELT}[[jobs]]\nfile = \"jobs.csv\"\n");
    let folder = Folder::new(
        &toml,
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
            ),
            (
                "jobs.csv",
                "job,start,end,machine,hours\nMill,2025-02-01,2025-02-10,M1;M-1,80\n",
            ),
        ],
    );
    let text = text(&folder.run(&["check", "."]));
    assert!(
        text.contains("machine without records") && text.contains("jobs.csv row 2"),
        "{text}"
    );
    let stock = folder.run(&["stock", "."]);
    let said = String::from_utf8_lossy(&stock.stdout);
    assert!(said.contains("M-1"), "{said}");
}

#[test]
fn a_schedule_that_cannot_be_used_is_an_error_with_its_row() {
    let toml = format!("{BELT}[[jobs]]\nfile = \"jobs.csv\"\n");
    for (row, said) in [
        ("Mill,2025-02-10,2025-02-01,M1,80", "column \"end\""),
        ("Mill,2025-02-01,2025-02-10,M1,many", "column \"hours\""),
        ("Mill,2025-02-01,2025-02-10,;,80", "column \"machine\""),
        ("Mill,2025-02-01,2025-02-10,\"M1, M2\",80", "not by a comma"),
        ("Mill,soon,2025-02-10,M1,80", "column \"start\""),
        (
            "Mill,2025-02-01,2025-02-10,M1,80\nMill,2025-02-01,2025-02-10,M2,90",
            "a name of its own",
        ),
    ] {
        let jobs = format!("job,start,end,machine,hours\n{row}\n");
        let folder = Folder::new(
            &toml,
            &[
                (
                    "records.csv",
                    "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
                ),
                ("jobs.csv", &jobs),
            ],
        );
        let message = folder.refused();
        assert!(
            message.contains(said) && message.contains("jobs.csv row"),
            "{message}"
        );
    }
}

#[test]
fn one_machine_at_two_jobs_at_once_is_said() {
    let toml = format!("{BELT}[[jobs]]\nfile = \"jobs.csv\"\n");
    let folder = Folder::new(
        &toml,
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
            ),
            (
                "jobs.csv",
                "job,start,end,machine,hours\nMill,2025-02-01,2025-02-10,M1,80\nPit,2025-02-05,2025-02-12,M1,80\n",
            ),
        ],
    );
    let text = text(&folder.run(&["check", "."]));
    assert!(
        text.contains("jobs overlap")
            && text.contains("jobs.csv row 2")
            && text.contains("jobs.csv row 3"),
        "{text}"
    );
}

#[test]
fn check_says_what_near_names_would_change() {
    let records = "date,machine,part,hours,reason\n2025-01-10,M-1,belt,100,worn\n2025-03-01,M-1,belt,450,worn\n\
        2025-04-01,M1,belt,500,worn\n2025-06-01,M-1,belt,600,worn\n2025-07-01,M-1,bellt,650,worn\n2025-08-01,M-1,belt,700,worn\n";
    let folder = Folder::new(BELT, &[("records.csv", records)]);
    let json = folder.run(&["check", ".", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&text(&json)).unwrap();
    let near = &json["near_names"][0];
    // Set aside: 350 only. One machine: 350, 50, 100, 50, 50. Two, and a part not planned here: 350, 150, 100.
    for (taken, lives, hours) in [
        ("as_used", 1, 350),
        ("as_meant", 5, 600),
        ("as_others", 3, 600),
    ] {
        assert_eq!(near[taken]["worn"], lives, "{near}");
        assert_eq!(near[taken]["hours"], hours, "{near}");
    }
    let shown = text(&folder.run(&["check", "."]));
    assert!(shown.contains("the names they are near to"), "{shown}");
    let text = text(&two_lives().run(&["check", "."]));
    assert!(
        !text.contains("nearly alike"),
        "nothing would change: {text}"
    );
}

#[test]
fn settings_written_as_people_write_them_get_a_hint() {
    let records = [(
        "records.csv",
        "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
    )];
    for (more, said) in [
        (
            "[[machine]]\nname = \"M1\"\nnew_on = 02/06/2025\n",
            "2025-06-02",
        ),
        ("[stock]\nservice_level = \"95%\"\n", "0.95"),
    ] {
        let message = Folder::new(&format!("{BELT}{more}"), &records).refused();
        assert!(message.contains(said), "{message}");
    }
    let output = Folder::new(BELT, &records).run(&["check", ".", "--as-of", "25/11/2026"]);
    assert!(
        errors(&output).contains("year-month-day"),
        "{}",
        errors(&output)
    );
    let missing = Folder::new(BELT, &[]).run(&["check", "."]);
    assert!(
        errors(&missing).contains("[[records]] in fleet.toml names it"),
        "{}",
        errors(&missing)
    );
}

#[test]
fn no_usable_row_is_no_success() {
    let records = "date,machine,part,hours,reason\n2025-01-10,M1,gearbox,100,worn\n";
    let toml = BELT.replace("name = \"Test\"", "name = \"Test\"\nas_of = 2025-02-01");
    let output = Folder::new(&toml, &[("records.csv", records)]).run(&["check", "."]);
    assert_eq!(output.status.code(), Some(1));
    let output = Folder::new(
        &toml,
        &[("records.csv", "date,machine,part,hours,reason\n")],
    )
    .run(&["check", "."]);
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output).contains("There are no rows"));
}
