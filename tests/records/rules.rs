//! The rules from records to lives, one by one.

use crate::folder::{BELT, Folder, belts, belts_with, briefs, codes, fitted};

#[test]
fn a_change_ends_one_life_and_starts_the_next() {
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,worn\n2025-06-01,M1,belt,600,unworn\n",
    );
    // In from 100 to 450, then to 600; the one before 100 has no known start.
    assert_eq!(briefs(&lives), ["M1 1 worn 350", "M1 1 unworn 150"]);
    assert_eq!(lives.unknown_start, 1);
    assert_eq!(lives.rows.used, 3);
    assert_eq!(lives.lives[0].id.to_string(), "belt/M1/1/2");
    assert_eq!(lives.lives[0].start_row().unwrap().row, 2);
    assert_eq!(lives.lives[0].end_row().unwrap().row, 3);
}

#[test]
fn a_serial_number_is_followed_across_machines() {
    let settings = "[[machine]]\nname = \"M1\"\nnew_on = 2025-01-01\n[[machine]]\nname = \"M2\"\nnew_on = 2025-01-01\n[[readings]]\nfile = \"readings.csv\"\n";
    let records = "date,machine,part,hours,reason,serial,serial_out\n\
        2025-02-01,M1,belt,100,unworn,B,A\n\
        2025-03-01,M2,belt,300,worn,A,C\n\
        2025-04-01,M2,belt,350,worn,D,A\n";
    let readings = "date,machine,hours\n2025-05-01,M1,400\n2025-05-01,M2,500\n";
    let lives = Folder::new(
        &format!("{BELT}{settings}"),
        &[("records.csv", records), ("readings.csv", readings)],
    )
    .lives();
    // A ran 100 on M1, came out unworn, ran 350 − 300 on M2 and wore out at 150.
    let mut all = briefs(&lives);
    all.sort();
    assert_eq!(
        all,
        [
            "M1 1 running 300",
            "M2 1 running 150",
            "M2 1 worn 150",
            "M2 1 worn 300"
        ]
    );
    let a = lives
        .lives
        .iter()
        .find(|l| l.serial.as_deref() == Some("A"))
        .unwrap();
    assert_eq!((a.low, a.high), (150.0, 150.0));
    assert_eq!(
        a.rows().iter().map(|r| r.row).collect::<Vec<_>>(),
        [2, 3, 4]
    );
}

#[test]
fn a_reason_that_nothing_maps_is_never_worn() {
    let lives = belts("2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,see sheet\n");
    assert_eq!(briefs(&lives), ["M1 1 unworn 350"]);
    assert!(lives.lives[0].unknown_reason);
    assert_eq!(codes(&lives), ["unknown_reason"]);
    assert_eq!(lives.rows.used, 2);
}

const ROLLERS: &str = "[fleet]\nname = \"Test\"\n[[records]]\nfile = \"records.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n[[part]]\nname = \"roller\"\nper_machine = 3\nchanged = \"as a set\"\n";

#[test]
fn a_set_with_a_worn_count_is_so_many_worn_and_the_rest_unworn() {
    let records = "date,machine,part,hours,reason,quantity,worn_count\n\
        2025-01-10,M1,roller,100,worn,3,1\n2025-03-01,M1,roller,450,worn,3,2\n";
    let lives = Folder::new(ROLLERS, &[("records.csv", records)]).lives();
    assert_eq!(briefs(&lives), ["M1 set unworn 350", "M1 set worn 350 ×2"]);
    // Three parts were in at the start of the records.
    assert_eq!(lives.unknown_start, 3);
    assert_eq!(fitted(&lives), ["M1 1 0", "M1 2 0", "M1 3 0"]);
}

#[test]
fn a_set_without_a_worn_count_is_the_first_of_them_to_wear() {
    for records in [
        "date,machine,part,hours,reason\n2025-01-10,M1,roller,100,worn\n2025-03-01,M1,roller,450,worn\n",
        // The same, written as a row for each.
        "date,machine,part,position,hours,reason\n\
         2025-01-10,M1,roller,1,100,worn\n2025-01-10,M1,roller,2,100,worn\n2025-01-10,M1,roller,3,100,worn\n\
         2025-03-01,M1,roller,1,450,worn\n2025-03-01,M1,roller,2,450,worn\n2025-03-01,M1,roller,3,450,worn\n",
    ] {
        let lives = Folder::new(ROLLERS, &[("records.csv", records)]).lives();
        assert_eq!(briefs(&lives), ["M1 set unworn 350 ×2", "M1 set worn 350"]);
    }
}

#[test]
fn a_row_for_each_of_a_set_tells_how_many_were_worn() {
    let records = "date,machine,part,position,hours,reason\n\
         2025-01-10,M1,roller,,100,worn\n\
         2025-03-01,M1,roller,1,450,worn\n2025-03-01,M1,roller,2,450,unworn\n2025-03-01,M1,roller,3,450,worn\n";
    let lives = Folder::new(ROLLERS, &[("records.csv", records)]).lives();
    assert_eq!(briefs(&lives), ["M1 set unworn 350", "M1 set worn 350 ×2"]);
}

#[test]
fn part_of_a_set_is_set_aside_and_cuts_no_life_short_in_silence() {
    let records = "date,machine,part,hours,reason,quantity\n2025-01-10,M1,roller,100,worn,3\n\
        2025-02-10,M1,roller,200,worn,1\n2025-03-01,M1,roller,450,worn,3\n";
    let lives = Folder::new(ROLLERS, &[("records.csv", records)]).lives();
    assert!(lives.lives.is_empty(), "{:?}", briefs(&lives));
    assert_eq!(codes(&lives), ["life_across_a_gap", "part_of_a_set"]);
    assert_eq!(lives.rows.set_aside, 1);
}

#[test]
fn a_machine_that_came_new_makes_first_lives_count() {
    let lives = belts_with(
        "[[machine]]\nname = \"M1\"\nnew_on = 2025-01-01\nfirst_hours = 5.0\n",
        "2025-03-01,M1,belt,450,worn\n",
    );
    assert_eq!(briefs(&lives), ["M1 1 worn 445"]);
    assert_eq!(lives.unknown_start, 0);
}

#[test]
fn a_stated_age_makes_a_life_that_is_seen_only_from_there() {
    let settings = "[[fitted]]\nmachine = \"M1\"\npart = \"belt\"\ndate = 2025-01-10\nage_hours = 80.0\n[[readings]]\nfile = \"readings.csv\"\n";
    let folder = Folder::new(
        &format!("{BELT}{settings}"),
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-03-01,M1,belt,450,worn\n",
            ),
            ("readings.csv", "date,machine,hours\n2025-01-10,M1,100\n"),
        ],
    );
    let lives = folder.lives();
    // 80 hours old at 100, worn at 450: 430 hours old, seen from 80 on.
    assert_eq!(briefs(&lives), ["M1 1 worn 430 from 80"]);
}

#[test]
fn what_is_still_in_runs_up_to_the_meter_of_that_day() {
    let settings = "[[readings]]\nfile = \"readings.csv\"\n";
    let folder = Folder::new(
        &format!("{BELT}{settings}"),
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
            ),
            ("readings.csv", "date,machine,hours\n2025-02-10,M1,275.5\n"),
        ],
    );
    let lives = folder.lives();
    assert_eq!(briefs(&lives), ["M1 1 running 175.5"]);
    assert_eq!(fitted(&lives), ["M1 1 175.5"]);
    assert_eq!(
        lives.fitted[0].life.map(|l| l.to_string()).as_deref(),
        Some("belt/M1/1/2")
    );
}

const FOUND: &str = "[fleet]\nname = \"Test\"\n[[records]]\nfile = \"records.csv\"\n[records.reasons]\nworn = [\"worn\"]\nfound_worn = [\"found worn*\"]\ninspected_ok = [\"ok*\"]\n[[part]]\nname = \"belt\"\n";

#[test]
fn found_worn_at_a_look_wore_out_since_the_last_one() {
    let records = "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n2025-02-01,M1,belt,250,ok\n\
        2025-02-15,M1,belt,300,ok\n2025-03-01,M1,belt,450,found worn\n2025-05-01,M1,belt,600,found worn\n";
    let lives = Folder::new(FOUND, &[("records.csv", records)]).lives();
    // Good at 300 − 100, worn by 450 − 100; the next has no look before 150.
    assert_eq!(briefs(&lives), ["M1 1 worn 200..350", "M1 1 worn 0..150"]);
    assert_eq!(lives.lives[0].rows().len(), 4);
}

#[test]
fn no_reading_at_a_change_gives_bounds_from_the_readings_around_it() {
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,worn\n2025-04-01,M1,belt,,worn\n2025-06-01,M1,belt,800,worn\n",
    );
    // Changed between 450 and 800, and no sooner than 24 hours a day allow.
    assert_eq!(
        briefs(&lives),
        ["M1 1 worn 350", "M1 1 worn 0..350", "M1 1 worn 0..350"]
    );
}

#[test]
fn no_reading_at_all_is_set_aside_unless_a_use_rate_is_stated() {
    let rows = "2025-01-10,M1,belt,,worn\n2025-03-01,M1,belt,,worn\n";
    let lives = belts(rows);
    assert!(lives.lives.is_empty());
    assert_eq!(lives.rows.set_aside, 2);
    assert_eq!(codes(&lives), ["no_meter"]);
    let settings = "[[machine]]\nname = \"M1\"\nhours_per_day = 6.0\n";
    // 50 days at 6 hours.
    assert_eq!(briefs(&belts_with(settings, rows)), ["M1 1 worn 300"]);
}

#[test]
fn a_meter_that_goes_backwards_is_followed_only_up_to_there() {
    let rows = "2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,worn\n2025-06-01,M1,belt,20,worn\n2025-08-01,M1,belt,90,worn\n";
    let lives = belts(rows);
    assert_eq!(briefs(&lives), ["M1 1 worn 350"]);
    assert_eq!(lives.rows.set_aside, 2);
    let backwards: Vec<_> = lives
        .problems
        .iter()
        .filter(|p| p.code == "meter_backwards")
        .collect();
    assert_eq!(backwards.len(), 2);
    // Both rows are named: the last good one and the first that lies below it.
    assert_eq!(
        backwards[0].rows.iter().map(|r| r.row).collect::<Vec<_>>(),
        [4, 3]
    );
    assert_eq!(fitted(&lives), ["M1 1 ?"]);
}

#[test]
fn a_declared_reset_carries_the_meter_on() {
    let reset = |old: &str| {
        format!(
            "[[readings]]\nfile = \"readings.csv\"\n[[readings.resets]]\nmachine = \"M1\"\ndate = 2025-05-01\nnew_reading = 0.0\n{old}"
        )
    };
    let files = || {
        [
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n2025-06-01,M1,belt,20,worn\n",
            ),
            ("readings.csv", "date,machine,hours\n2025-04-30,M1,450\n"),
        ]
    };
    let lives = Folder::new(
        &format!("{BELT}{}", reset("old_reading = 460.0\n")),
        &files(),
    )
    .lives();
    assert_eq!(briefs(&lives), ["M1 1 worn 380"]);
    // Without the old reading: at least from 450, at most 24 hours on each of the two days.
    let lives = Folder::new(&format!("{BELT}{}", reset("")), &files()).lives();
    assert_eq!(briefs(&lives), ["M1 1 worn 370..418"]);
}

#[test]
fn exact_duplicates_merge_and_near_ones_are_said() {
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,worn\n2025-03-01,M1,belt,450,worn\n2025-03-01,M1,belt,450,worn out\n",
    );
    assert_eq!(briefs(&lives), ["M1 1 unworn 350"]);
    // The second row does not say worn, so whether it was is unknown.
    assert!(lives.lives[0].unknown_reason);
    assert_eq!((lives.rows.used, lives.rows.merged), (3, 1));
    assert_eq!(
        lives.lives[0]
            .rows()
            .iter()
            .map(|r| r.row)
            .collect::<Vec<_>>(),
        [2, 3, 4]
    );
    assert_eq!(
        codes(&lives),
        ["exact_duplicate", "near_duplicate", "unknown_reason"]
    );
}

#[test]
fn what_cannot_be_read_is_set_aside_with_its_reason() {
    let settings = "";
    let lives = belts_with(
        settings,
        "2025-01-10,M1,belt,100,worn\nsoon,M2,belt,200,worn\n2025-02-01,M3,belt,-5,worn\n2025-02-01,M4,belt,9e9,worn\n\
         2025-02-01,,belt,5,worn\n2025-02-01,M5,gearbox,5,worn\n2025-02-01,M6,belt,many,worn\n",
    );
    assert_eq!(lives.rows.set_aside, 6);
    assert_eq!(
        codes(&lives),
        [
            "absurd_hours",
            "negative_hours",
            "no_machine",
            "unknown_part",
            "unreadable_date",
            "unreadable_hours"
        ]
    );
    for problem in &lives.problems {
        assert!(
            problem.rows.len() == 1
                && problem.column.is_some()
                && problem.found.is_some()
                && problem.allowed.is_some()
        );
    }
}

#[test]
fn a_record_after_the_day_we_look_from_is_set_aside() {
    let toml = BELT.replace("name = \"Test\"\n", "name = \"Test\"\nas_of = 2025-02-01\n");
    let records = "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n2025-02-01,M1,belt,180,worn\n2025-03-01,M1,belt,450,worn\n";
    let lives = Folder::new(&toml, &[("records.csv", records)]).lives();
    assert_eq!(briefs(&lives), ["M1 1 worn 80"]);
    assert_eq!(codes(&lives), ["after_as_of"]);
    assert_eq!(fitted(&lives), ["M1 1 0"]);
}

const RINGS: &str = "[fleet]\nname = \"Test\"\n[[records]]\nfile = \"records.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n[[part]]\nname = \"ring\"\nper_machine = 2\n";

#[test]
fn a_position_that_is_not_told_is_not_guessed() {
    let records = "date,machine,part,position,hours,reason\n2025-01-10,M1,ring,front,100,worn\n2025-01-10,M1,ring,rear,100,unworn\n\
        2025-03-01,M1,ring,,300,worn\n2025-04-01,M1,ring,front,450,worn\n2025-06-01,M1,ring,front,600,worn\n";
    let lives = Folder::new(RINGS, &[("records.csv", records)]).lives();
    // The row without a position may have changed either ring, so no life reaches across it.
    assert_eq!(briefs(&lives), ["M1 front worn 150"]);
    assert_eq!(lives.rows.set_aside, 1);
    assert_eq!(codes(&lives), ["life_across_a_gap", "position_not_told"]);
    assert_eq!(fitted(&lives), ["M1 front 0", "M1 rear ?"]);
}

/// Rings whose untold positions are summed over, on machines new on the first of January.
fn summed(more: &str) -> String {
    format!(
        "{}position_not_told = \"sum over positions\"\n[[machine]]\nname = \"M1\"\nnew_on = 2025-01-01\nfirst_hours = 0.0\n{more}",
        RINGS.replace(
            "[[part]]",
            "[[readings]]\nfile = \"readings.csv\"\n[[part]]"
        )
    )
}

const READINGS: &str = "date,machine,hours\n2025-01-01,M1,0\n2025-07-01,M1,700\n";

#[test]
fn a_position_that_is_not_told_is_summed_over_where_asked() {
    let records = "date,machine,part,position,hours,reason\n2025-01-10,M1,ring,front,100,worn\n2025-02-10,M1,ring,rear,130,unworn\n\
        2025-03-01,M1,ring,,300,worn\n2025-04-01,M1,ring,front,450,worn\n2025-06-01,M1,ring,front,600,worn\n";
    let folder = Folder::new(
        &summed(""),
        &[("records.csv", records), ("readings.csv", READINGS)],
    );
    let lives = folder.lives();
    assert_eq!(lives.rows.set_aside, 0);
    assert!(codes(&lives).is_empty(), "{:?}", lives.problems);
    // Told: front to 100, rear to 130, front from 450 to 600, front from 600 on.
    assert_eq!(
        briefs(&lives),
        [
            "M1 front worn 100",
            "M1 front worn 150",
            "M1 front running 100",
            "M1 rear unworn 130"
        ]
    );
    // Not told: the one worn at 300, the one worn in front at 450, and what is in at the rear.
    let [untold] = &lives.unplaced[..] else {
        panic!("{:?}", lives.unplaced)
    };
    assert_eq!((untold.worn, untold.unworn, untold.running), (2, 0, 1));
    assert_eq!(
        untold
            .positions
            .iter()
            .map(|p| p.as_str())
            .collect::<Vec<_>>(),
        ["rear"]
    );
    assert_eq!(
        untold.rows.iter().map(|r| r.row).collect::<Vec<_>>(),
        [4, 5]
    );
    // Front in from 100 to 450 and rear from 130 to 700, one change in between: 350 + 570 hours.
    assert_eq!(untold.hours, 920.0);
    // Either it was front (then rear is from 130) or rear (then from 300).
    assert_eq!(untold.states, 2);
    assert_eq!(fitted(&lives), ["M1 front 100", "M1 rear ?"]);
    let listed = folder.run(&["lives", ".", "--json"]);
    let listed: serde_json::Value = serde_json::from_slice(&listed.stdout).unwrap();
    // At 700: 400 hours if rear was changed at 300, 570 if it is in since 130.
    let range = serde_json::json!({"at_least": 400, "at_most": 570});
    assert_eq!(
        listed["positions_not_told"][0]["ages"],
        serde_json::json!([range])
    );
    let fitted_now = &listed["fitted"];
    assert_eq!(fitted_now[0]["possible_age_hours"], serde_json::Value::Null);
    assert_eq!(fitted_now[1]["age_hours"], serde_json::Value::Null);
    assert_eq!(fitted_now[1]["possible_age_hours"], range);

    // What has no age stands in no lives file, and that is said.
    let written = folder.run(&["lives", ".", "-o", "lives.csv"]);
    assert_eq!(written.status.code(), Some(1));
    let said = String::from_utf8_lossy(&written.stderr).into_owned();
    assert!(
        said.contains("3 lives of positions that the rows do not tell"),
        "{said}"
    );
    let traced = folder.run(&["lives", ".", "--trace", &untold.id]);
    let traced = String::from_utf8_lossy(&traced.stdout).into_owned();
    assert!(
        traced.contains("row 4") && traced.contains("row 5"),
        "{traced}"
    );
    // A fit by part takes them in.
    let fit = folder.run(&["fit", ".", "--json"]);
    assert_eq!(
        fit.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&fit.stderr)
    );
    let fit: serde_json::Value = serde_json::from_slice(&fit.stdout).unwrap();
    assert_eq!(fit["fits"][0]["lives"]["worn"], 4);
    assert_eq!(fit["fits"][0]["lives"]["total"], 7);
}

#[test]
fn positions_are_not_summed_over_where_that_cannot_be_done() {
    let heading = "date,machine,part,position,hours,reason\n";
    // A row set aside in between may be a change of either.
    let records = format!(
        "{heading}2025-03-01,M1,ring,,300,worn\n2025-04-01,M1,ring,middle,350,worn\n2025-06-01,M1,ring,,600,worn\n"
    );
    let lives = Folder::new(
        &summed("").replace(
            "per_machine = 2",
            "per_machine = 2\npositions = [\"front\", \"rear\"]",
        ),
        &[("records.csv", &records), ("readings.csv", READINGS)],
    )
    .lives();
    assert!(lives.unplaced.is_empty());
    assert_eq!(lives.rows.set_aside, 3);
    let gap = lives
        .problems
        .iter()
        .find(|p| p.code == "position_not_told")
        .unwrap();
    assert!(gap.advice.contains("may hide a change"), "{}", gap.advice);

    // More ways than can be summed: twelve rings, forty changes.
    let mut many = String::from(heading);
    for i in 1..=40 {
        let day = jiff::civil::date(2025, 1, 1)
            .checked_add(jiff::Span::new().days(i))
            .unwrap();
        many.push_str(&format!("{day},M1,ring,,{},worn\n", 10 * i));
    }
    let lives = Folder::new(
        &summed("").replace("per_machine = 2", "per_machine = 12"),
        &[("records.csv", &many), ("readings.csv", READINGS)],
    )
    .lives();
    assert!(lives.unplaced.is_empty());
    assert_eq!(lives.rows.set_aside, 40);
    assert!(
        lives.problems[0].advice.contains("too many"),
        "{}",
        lives.problems[0].advice
    );

    // A set has no positions to sum over.
    let refused = Folder::new(
        &summed("").replace("per_machine = 2", "per_machine = 2\nchanged = \"as a set\""),
        &[("records.csv", heading), ("readings.csv", READINGS)],
    )
    .refused();
    assert!(refused.contains("position_not_told"), "{refused}");
}

#[test]
fn two_changed_at_once_and_a_machine_out_of_service_are_summed_over_too() {
    let records = "date,machine,part,position,hours,reason,quantity,worn_count\n2025-03-01,M1,ring,,300,worn,2,1\n";
    let toml = summed("retired_on = 2025-05-01\n").replace("per_machine = 2", "per_machine = 3");
    let lives = Folder::new(
        &toml,
        &[("records.csv", records), ("readings.csv", READINGS)],
    )
    .lives();
    let [untold] = &lives.unplaced[..] else {
        panic!("{:?}", lives.problems)
    };
    // One worn and one not at 300; at the end three come out of service.
    assert_eq!((untold.worn, untold.unworn, untold.running), (1, 4, 0));
    assert!(lives.fitted.is_empty());
}

#[test]
fn a_row_set_aside_takes_the_lives_it_could_cut_with_it() {
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-02-10,M1,belt,-1,worn\n2025-03-01,M1,belt,450,worn\n2025-06-01,M1,belt,600,worn\n",
    );
    assert_eq!(briefs(&lives), ["M1 1 worn 150"]);
    // Without a date it could be anywhere.
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\nlater,M1,belt,,worn\n2025-03-01,M1,belt,450,worn\n2025-06-01,M1,belt,600,worn\n",
    );
    assert!(lives.lives.is_empty());
    assert_eq!(fitted(&lives), ["M1 1 0"]);
}

#[test]
fn a_retired_machine_ends_its_lives_and_has_nothing_fitted() {
    let settings = "[[machine]]\nname = \"M1\"\naliases = [\"Unit 1\"]\nretired_on = 2025-03-01\n[[readings]]\nfile = \"readings.csv\"\n";
    let folder = Folder::new(
        &format!("{BELT}{settings}"),
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,unit 1,belt,100,worn\n",
            ),
            (
                "readings.csv",
                "date,machine,hours\n2025-03-01,M1,275\n2025-04-01,M2,10\n",
            ),
        ],
    );
    let lives = folder.lives();
    assert_eq!(briefs(&lives), ["M1 1 unworn 175"]);
    assert_eq!(fitted(&lives), ["M2 1 ?"]);
}

#[test]
fn rows_in_any_order_give_the_same_lives() {
    let rows = [
        "2025-01-10,M1,belt,100,worn\n",
        "2025-03-01,M1,belt,450,worn\n",
        "2025-06-01,M1,belt,600,unworn\n",
    ];
    let forward = briefs(&belts(&rows.concat()));
    let backward = briefs(&belts(&rows.iter().rev().copied().collect::<String>()));
    assert_eq!(forward, backward);
}

#[test]
fn a_machine_spelled_nearly_like_another_is_asked_about() {
    let rows = "2025-01-10,M-1,belt,100,worn\n2025-03-01,M-1,belt,450,worn\n2025-04-01,M1,belt,500,worn\n2025-06-01,M-1,belt,600,worn\n";
    let lives = belts(rows);
    assert_eq!(briefs(&lives), ["M-1 1 worn 350"]);
    assert_eq!(codes(&lives), ["life_across_a_gap", "similar_machine"]);
    let aliased = belts_with("[[machine]]\nname = \"M-1\"\naliases = [\"M1\"]\n", rows);
    assert_eq!(
        briefs(&aliased),
        ["M-1 1 worn 350", "M-1 1 worn 50", "M-1 1 worn 100"]
    );
    let two = belts_with(
        "[[machine]]\nname = \"M-1\"\n[[machine]]\nname = \"M1\"\n",
        rows,
    );
    assert_eq!(briefs(&two), ["M-1 1 worn 350", "M-1 1 worn 150"]);
}

#[test]
fn a_misspelled_part_or_a_missing_machine_may_hide_a_change() {
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-02-10,M1,bellt,300,worn\n2025-03-01,M1,belt,450,worn\n",
    );
    assert!(lives.lives.is_empty());
    assert_eq!(codes(&lives), ["life_across_a_gap", "unknown_part"]);
    // A reading that only M1 can have had on that day.
    let lives = belts(
        "2025-01-10,M1,belt,100,worn\n2025-02-10,,belt,300,worn\n2025-03-01,M1,belt,450,worn\n\
        2025-01-10,M2,belt,9000,worn\n2025-03-01,M2,belt,9100,worn\n",
    );
    assert_eq!(briefs(&lives), ["M2 1 worn 100"]);
}

#[test]
fn a_row_for_several_positions_ends_each_of_them() {
    let records = "date,machine,part,position,hours,reason,worn_count\n2025-01-10,M1,ring,front,100,worn,\n\
        2025-01-20,M1,ring,rear,120,worn,\n2025-03-01,M1,ring,front; rear,300,worn,2\n\
        2025-04-01,M1,ring,both,450,unworn,\n2025-06-01,M1,ring,front+rear,600,worn,\n";
    let lives = Folder::new(RINGS, &[("records.csv", records)]).lives();
    // Both worn at 300; both unworn at 450; at 600 nobody tells which of them was worn.
    assert_eq!(
        briefs(&lives),
        [
            "M1 front worn 200",
            "M1 front unworn 150",
            "M1 rear worn 180",
            "M1 rear unworn 150"
        ]
    );
    assert_eq!(codes(&lives), ["which_worn_not_told"]);
}

#[test]
fn a_part_said_to_be_alone_with_several_positions_named_is_refused() {
    let toml = RINGS.replace("per_machine = 2\n", "");
    let records = "date,machine,part,position,hours,reason\n2025-01-10,M1,ring,front,100,worn\n2025-01-10,M1,ring,rear,100,worn\n\
        2025-03-01,M1,ring,front,300,worn\n2025-03-01,M1,ring,rear,300,worn\n";
    let message = Folder::new(&toml, &[("records.csv", records)]).refused();
    assert!(
        message.contains("name 2 positions") && message.contains("per_machine"),
        "{message}"
    );
}

#[test]
fn a_position_that_stands_rarely_is_a_slip_and_costs_only_its_own_lives() {
    let records = "date,machine,part,position,hours,reason\n2025-01-10,M1,ring,front,100,worn\n2025-01-10,M1,ring,rear,100,worn\n\
        2025-03-01,M1,ring,front,300,worn\n2025-03-01,M1,ring,raer,300,worn\n2025-05-01,M1,ring,front,500,worn\n2025-05-01,M1,ring,rear,500,worn\n";
    let folder = Folder::new(RINGS, &[("records.csv", records)]);
    let lives = folder.lives();
    // The slip may have been either ring, at 300: only what ran from there on at the front is sure.
    assert_eq!(briefs(&lives), ["M1 front worn 200"]);
    assert_eq!(lives.rows.set_aside, 1);
    assert!(
        folder
            .load()
            .unwrap()
            .notes
            .iter()
            .any(|n| n.contains("3 names for the 2 positions"))
    );
}

#[test]
fn a_set_found_worn_is_known_only_from_look_to_look() {
    let toml = ROLLERS.replace(
        "unworn = [",
        "found_worn = [\"found\"]\ninspected_ok = [\"ok\"]\nunworn = [",
    );
    let records = "date,machine,part,hours,reason,worn_count\n2025-01-10,M1,roller,100,worn,3\n2025-02-01,M1,roller,250,ok,\n\
        2025-03-01,M1,roller,450,found,\n2025-05-01,M1,roller,600,found,2\n2025-07-01,M1,roller,800,found,\n";
    let lives = Folder::new(&toml, &[("records.csv", records)]).lives();
    assert_eq!(
        briefs(&lives),
        [
            // Good at 150, the first of three worn by 350; the others were good at 150.
            "M1 set unworn 150 ×2",
            "M1 set worn 150..350",
            // Two of three worn by 150, the third not.
            "M1 set unworn 150",
            "M1 set worn 0..150 ×2",
            // Nobody had looked before: the first was worn by 200, of the others nothing is known.
            "M1 set worn 0..200",
        ]
    );
}

#[test]
fn a_job_may_leave_open_which_machines_go() {
    let settings = format!("{BELT}[[jobs]]\nfile = \"jobs.csv\"\n");
    let records = "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n2025-01-11,M2,belt,100,worn\n2025-01-12,M3,belt,100,worn\n";
    let jobs = "job,start,end,machine,hours\n\
        north,2025-06-01,2025-06-10,M2,80\n\
        south,2025-06-05,2025-06-12,any 1 of M1;M2;M3,40\n\
        east,2025-07-01,2025-07-05,Any 2 of M1;M2;M3,30\n";
    let folder = Folder::new(&settings, &[("records.csv", records), ("jobs.csv", jobs)]);
    let fleet = folder.load().unwrap();
    let machines: Vec<String> = fleet.jobs.iter().map(|j| j.machines.join("+")).collect();
    // South: M2 is away, of M1 and M3 the first by name. East: M3 has no hours yet, M1 40, M2 80.
    assert_eq!(machines, ["M2", "M1", "M1+M3"]);
    let told = fleet
        .problems
        .iter()
        .filter(|p| p.code == "machines_assigned");
    assert_eq!(told.count(), 2);
}

const FIVE_DAYS: &str = "03/04/2025,M1,belt,100,worn\n05/04/2025,M1,belt,140,worn\n01/05/2025,M1,belt,300,worn\n\
    02/06/2025,M1,belt,600,worn\n07/06/2025,M1,belt,650,worn\n";

#[test]
fn the_meter_tells_which_of_day_and_month_comes_first() {
    // Month first, the 5th of January and the 6th of February would come before the 4th of March,
    // with 300 and 600 hours before 100.
    let records = format!("date,machine,part,hours,reason\n{FIVE_DAYS}");
    let folder = Folder::new(BELT, &[("records.csv", &records)]);
    let fleet = folder.load().unwrap();
    assert_eq!(fleet.replacements[0].date, jiff::civil::date(2025, 4, 3));
    assert!(
        fleet
            .notes
            .iter()
            .any(|n| n.contains("are read day first: no date tells")),
        "{:?}",
        fleet.notes
    );
    // A meter that rises under either order tells nothing, nor does a single reading.
    for rows in [
        "03/04/2025,M1,belt,100,worn\n04/05/2025,M1,belt,200,worn\n",
        "03/04/2025,M1,belt,100,worn\n05/03/2025,M1,belt,50,worn\n",
    ] {
        let records = format!("date,machine,part,hours,reason\n{rows}");
        let refused = Folder::new(BELT, &[("records.csv", &records)]).refused();
        assert!(
            refused.contains("could be 2025-04-03 or 2025-03-04"),
            "{refused}"
        );
    }
}

#[test]
fn a_meter_that_speaks_against_the_order_of_the_dates_is_said() {
    let records =
        format!("date,machine,part,hours,reason\n{FIVE_DAYS}06/13/2025,M1,belt,800,worn\n");
    let fleet = Folder::new(BELT, &[("records.csv", &records)])
        .load()
        .unwrap();
    assert!(
        fleet
            .notes
            .iter()
            .any(|n| n.contains("speaks against that order") && n.contains("\"06/13/2025\"")),
        "{:?}",
        fleet.notes
    );
}

#[test]
fn the_lines_given_for_a_meter_that_went_backwards_declare_its_reset() {
    // Reset to nothing; swapped for one that showed 700; rolled over at 10,000.
    let rows = "2025-01-10,M1,belt,100,worn\n2025-03-01,M1,belt,450,worn\n2025-06-01,M1,belt,20,worn\n2025-08-01,M1,belt,90,worn\n\
        2025-01-10,M2,belt,900,worn\n2025-01-20,M2,belt,990,worn\n2025-01-22,M2,belt,700,worn\n\
        2025-01-10,M3,belt,9900,worn\n2025-01-20,M3,belt,9990,worn\n2025-01-22,M3,belt,40,worn\n";
    let lives = belts(rows);
    assert_eq!(lives.rows.set_aside, 4);
    let lines: Vec<String> = lives
        .turned_back
        .iter()
        .map(wearcast::report::reset_lines)
        .collect();
    assert_eq!(lines.len(), 3);
    assert!(
        lines[2].contains("if it rolled over: old_reading = 10000.0"),
        "{}",
        lines[2]
    );
    let declared = belts_with(&lines.concat(), rows);
    assert_eq!(declared.rows.set_aside, 0);
    assert!(declared.turned_back.is_empty());
    // From 450 on the 1st of March, at most 24 hours on each of two days until the reset, and 20 since.
    assert!(
        briefs(&declared).contains(&"M1 1 worn 20..68".to_owned()),
        "{:?}",
        briefs(&declared)
    );
}

#[test]
fn a_swap_of_sets_is_not_wear_and_what_goes_in_is_not_new() {
    let toml = ROLLERS.replace("unworn = [", "swapped = [\"hose size change\"]\nunworn = [");
    let rows = |numbers: [&str; 4]| {
        let [a, b, c, d] = numbers;
        format!(
            "date,machine,part,hours,reason,serial\n2025-01-10,M1,roller,100,worn,{a}\n2025-02-10,M1,roller,200,hose size change,{b}\n\
             2025-03-10,M1,roller,300,hose size change,{c}\n2025-04-10,M1,roller,450,worn,{d}\n"
        )
    };
    // Nobody tells which set is which: the two that go in at 200 and 300 may have run before.
    let lives = Folder::new(&toml, &[("records.csv", &rows([""; 4]))]).lives();
    assert_eq!(briefs(&lives), ["M1 set unworn 100 ×3"]);
    assert_eq!(lives.unknown_start, 9);
    assert_eq!(lives.rows.used, 4);
    // Set A runs from 100 to 200 and from 300 to 450; where B had run before is not known.
    let lives = Folder::new(&toml, &[("records.csv", &rows(["A", "B", "A", "C"]))]).lives();
    assert_eq!(briefs(&lives), ["M1 set unworn 250 ×2", "M1 set worn 250"]);
    assert_eq!(lives.unknown_start, 6);
}

#[test]
fn minutes_millimetres_and_newtons_are_stored_in_one_unit() {
    let toml = BELT.replace(
        "file = \"records.csv\"\n",
        "file = \"records.csv\"\nhours_unit = \"min\"\n",
    ) + "[[tension]]\nfile = \"tension.csv\"\nunit = \"mm\"\nforce_unit = \"N\"\n";
    let records = "date,machine,part,hours,reason\n2025-01-10,M1,belt,6000,worn\n2025-03-01,M1,belt,27000,worn\n";
    // 25.4 mm make an inch and 4.4482216152605 N a pound-force (exact by definition).
    let tension = "date,machine,deflection,force\n2025-01-11,M1,6.35,22.2411080763025\n2025-01-12,M1,0.25 in,5 lbf\n\
        2025-01-13,M1,6.35mm,22.2411080763025 N\n2025-01-14,M1,wide,5\n";
    let folder = Folder::new(&toml, &[("records.csv", records), ("tension.csv", tension)]);
    assert_eq!(briefs(&folder.lives()), ["M1 1 worn 350"]);
    let fleet = folder.load().unwrap();
    assert_eq!(fleet.tension.len(), 3);
    for check in &fleet.tension {
        assert!((check.deflection_in - 0.25).abs() < 1e-12, "{check:?}");
        assert!((check.force_lbf.unwrap() - 5.0).abs() < 1e-12, "{check:?}");
    }
    assert!(
        fleet
            .problems
            .iter()
            .any(|p| p.code == "tension_unreadable_deflection")
    );
}

#[test]
fn the_meter_is_known_within_bounds_on_any_day() {
    let folder = Folder::new(
        &format!("{BELT}[[readings]]\nfile = \"readings.csv\"\n"),
        &[
            (
                "records.csv",
                "date,machine,part,hours,reason\n2025-01-10,M1,belt,100,worn\n",
            ),
            (
                "readings.csv",
                "date,machine,hours\n2025-01-20,M1,160\n2025-01-25,M1,9000\n2025-02-01,M1,200\n",
            ),
        ],
    );
    let fleet = folder.load().unwrap();
    let meters = wearcast::meters::Meters::new(&fleet);
    let at = |day| {
        let hours = meters
            .hours_at("M1", jiff::civil::date(2025, 1, day))
            .unwrap();
        (hours.low, hours.best, hours.high)
    };
    assert_eq!(at(20), (160.0, 160.0, 160.0));
    // A reading that needs more than 24 hours a day is rejected; between the others hours are shared by days.
    assert_eq!(at(26), (160.0, 160.0 + 40.0 * 6.0 / 12.0, 200.0));
    // Two days after the 10th at most 24 hours on each of three days.
    assert_eq!(at(12), (100.0, 112.0, 160.0));
    let standings: Vec<_> = meters
        .readings(&fleet, "M1")
        .iter()
        .map(|r| r.standing)
        .collect();
    let used = wearcast::meters::Standing::Used;
    assert_eq!(
        standings,
        [used, used, wearcast::meters::Standing::Absurd, used]
    );
    // 100 hours in 22 days.
    let rate = meters.use_per_day("M1").unwrap();
    assert!(
        (rate.mean - 100.0 / 22.0).abs() < 1e-12 && rate.low < rate.mean && rate.mean < rate.high
    );
}
