//! Exports of different habits, taken as they are: from `new --from` to the report.

use std::io::Write;
use std::path::Path;

use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};
use wearcast::records::{Fleet, LoadOptions};

use crate::folder::{Folder, briefs};

const TIDY: &str = "date,machine,part,position,hours,reason\n\
    2025-01-10,M1,belt,1,100,worn\n2025-03-01,M1,belt,1,450,worn\n2025-06-01,M1,belt,1,600,unworn\n\
    2025-02-01,M2,belt,1,80,worn\n2025-05-20,M2,belt,1,390.5,worn\n";

/// The lives of every export below, which all say the same.
const LIVES: [&str; 3] = ["M1 1 unworn 150", "M1 1 worn 350", "M2 1 worn 310.5"];

/// `new --from`, then the settings changed as a user would, then the lives and the report.
fn taken(export: impl AsRef<Path>, fill_in: impl Fn(String) -> String) -> Vec<String> {
    let folder = Folder::new("", &[]);
    let export = export.as_ref().to_string_lossy().into_owned();
    let output = folder.run(&["new", "fleet", "--from", &export]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let settings = folder.path().join("fleet/fleet.toml");
    let proposed = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, fill_in(proposed)).unwrap();
    let fleet = Fleet::load(&folder.path().join("fleet"), &LoadOptions::default()).unwrap();
    let lives = wearcast::lives::build(&fleet);
    let report = folder.run(&["report", "fleet", "-o", "report"]);
    // Without a schedule or a worn life a part may have no forecast; the report is written all the same.
    assert!(
        matches!(report.status.code(), Some(0 | 1)),
        "{}",
        String::from_utf8_lossy(&report.stderr)
    );
    assert!(folder.path().join("report/index.html").is_file());
    let mut briefs = briefs(&lives);
    briefs.sort();
    briefs
}

fn file(name: &str, contents: &[u8]) -> (tempfile::TempDir, std::path::PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(name);
    std::fs::write(&path, contents).unwrap();
    (dir, path)
}

#[test]
fn a_tidy_csv_needs_nothing() {
    let (_dir, path) = file("tidy.csv", TIDY.as_bytes());
    assert_eq!(taken(path, |toml| toml), LIVES);
}

#[test]
fn semicolons_decimal_commas_and_days_first() {
    let export = "Wechselprotokoll\r\n\r\nDatum;Maschine;Bauteil;Pos;Meter (h);Grund\r\n\
        10.01.2025;M1;belt;1;100,0;verschlissen\r\n01.03.2025;M1;belt;1;450,0;verschlissen\r\n\
        01.06.2025;M1;belt;1;600,0;anderes Ma\u{df}\r\n01.02.2025;M2;belt;1;80,0;verschlissen\r\n20.05.2025;M2;belt;1;390,5;verschlissen\r\n";
    let (bytes, _, _) = encoding_rs::WINDOWS_1252.encode(export);
    let (_dir, path) = file("alt.csv", &bytes);
    let lives = taken(path, |toml| {
        // The one heading that no plain name matches is asked for.
        toml.replace("# part = \"\"", "part = \"Bauteil\"")
            .replace("name = \"\"", "name = \"belt\"")
            .replace("\nworn = []", "\nworn = [\"verschlissen*\"]")
            .replace("\nunworn = []", "\nunworn = [\"anderes*\"]")
    });
    assert_eq!(lives, LIVES);
}

/// A spreadsheet with a title block, merged machine cells, real dates, dates as bare numbers and numbers as text.
fn workbook() -> (tempfile::TempDir, std::path::PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("log.xlsx");
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    sheet.set_name("Log").unwrap();
    sheet
        .merge_range(0, 0, 0, 5, "Change log, season 2025", &Format::new())
        .unwrap();
    for (column, heading) in ["Unit", "Date", "Item", "Pos", "Meter", "Why"]
        .iter()
        .enumerate()
    {
        sheet.write(3, column as u16, *heading).unwrap();
    }
    let day = Format::new().set_num_format("dd.mm.yyyy");
    let rows = [
        (2025, 1, 10, "100", "worn"),
        (2025, 3, 1, "450", "worn"),
        (2025, 6, 1, "600", "unworn"),
        (2025, 2, 1, "80", "worn"),
        (2025, 5, 20, "390.5", "worn"),
    ];
    for (index, (y, m, d, meter, why)) in rows.iter().enumerate() {
        let row = index as u32 + 4;
        let stamp = ExcelDateTime::from_ymd(*y, *m, *d).unwrap();
        if index % 2 == 0 {
            sheet
                .write_datetime_with_format(row, 1, &stamp, &day)
                .unwrap();
        } else {
            sheet.write(row, 1, stamp.to_excel()).unwrap();
        }
        sheet.write(row, 2, "belt").unwrap();
        sheet.write(row, 3, 1).unwrap();
        if index % 2 == 0 {
            sheet.write(row, 4, *meter).unwrap();
        } else {
            sheet.write(row, 4, meter.parse::<f64>().unwrap()).unwrap();
        }
        sheet.write(row, 5, *why).unwrap();
    }
    sheet.merge_range(4, 0, 6, 0, "M1", &Format::new()).unwrap();
    sheet.merge_range(7, 0, 8, 0, "M2", &Format::new()).unwrap();
    book.save(&path).unwrap();
    (dir, path)
}

#[test]
fn a_spreadsheet_with_a_title_block_and_merged_cells() {
    let (_dir, path) = workbook();
    assert_eq!(taken(path, |toml| toml), LIVES);
}

#[test]
fn a_row_of_a_spreadsheet_is_named_as_the_spreadsheet_shows_it() {
    let (dir, _) = workbook();
    let toml = "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.xlsx\"\nsheet = \"Log\"\n[[part]]\nname = \"belt\"\n";
    std::fs::write(dir.path().join("fleet.toml"), toml).unwrap();
    let fleet = Fleet::load(dir.path(), &LoadOptions::default()).unwrap();
    assert_eq!(
        fleet.replacements[0].row.to_string(),
        "log.xlsx [Log] row 5"
    );
    let wrong = toml.replace("\"Log\"", "\"Blog\"");
    std::fs::write(dir.path().join("fleet.toml"), wrong).unwrap();
    let message = Fleet::load(dir.path(), &LoadOptions::default())
        .unwrap_err()
        .to_string();
    assert!(
        message.contains("\"Blog\"") && message.contains("\"Log\""),
        "{message}"
    );
}

#[test]
fn serial_numbers_that_move() {
    let export = "date,machine,part,hours,reason,serial no\n\
        2025-01-10,M1,belt,100,worn,A\n2025-02-10,M1,belt,200,moved,B\n2025-02-12,M2,belt,50,worn,C\n\
        2025-04-01,M2,belt,170,worn,B\n2025-05-01,M1,belt,330,worn,D\n";
    let (_dir, path) = file("moves.csv", export.as_bytes());
    let lives = taken(path, |toml| {
        toml.replace("\nunworn = []", "\nunworn = [\"moved\"]")
    });
    // B ran 100 on M1 and 120 on M2; D ran 130 on M1. What is in since the last rows has run nothing.
    assert_eq!(lives, ["M1 1 worn 130", "M2 1 worn 220"]);
}

#[test]
fn no_meter_at_all_but_a_stated_use_rate() {
    let export = "day,unit,part,reason\n2025-01-10,M1,belt,worn\n2025-03-01,M1,belt,worn\n2025-06-01,M1,belt,unworn\n";
    let (_dir, path) = file("nometer.csv", export.as_bytes());
    let lives = taken(path, |toml| {
        toml.replace("# hours_per_day", "hours_per_day")
    });
    // 50 and 92 days at the 6 hours of the proposal.
    assert_eq!(lives, ["M1 1 unworn 552", "M1 1 worn 300"]);
}

#[test]
fn an_export_that_does_not_tell_is_asked_about() {
    let folder = Folder::new(
        "",
        &[(
            "odd.csv",
            "date,when,machine,what,hours,reason\n01/02/2025,03/04/2025,M1,belt,\"1,250\",worn\n",
        )],
    );
    let output = folder.run(&["new", "fleet", "--from", "odd.csv"]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    for said in [
        "columns.part",
        "could be 2025-02-01 or 2025-01-02",
        "could be 1250 or 1.25",
    ] {
        assert!(
            text.split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
                .contains(said),
            "{said}: {text}"
        );
    }
    let toml = std::fs::read_to_string(folder.path().join("fleet/fleet.toml")).unwrap();
    assert!(toml.contains("# part = \"\"  # FILL IN"), "{toml}");
    // Nothing is overwritten.
    let again = folder.run(&["new", "fleet", "--from", "odd.csv"]);
    assert_eq!(again.status.code(), Some(2));
}

#[test]
fn half_converted_dates_are_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    for (column, heading) in ["date", "machine", "part", "hours", "reason"]
        .iter()
        .enumerate()
    {
        sheet.write(0, column as u16, *heading).unwrap();
    }
    let day = Format::new().set_num_format("yyyy-mm-dd");
    // Written as 03/04/2025 and 25/04/2025, day first: the program made the fourth of March of the first.
    sheet
        .write_datetime_with_format(1, 0, ExcelDateTime::from_ymd(2025, 3, 4).unwrap(), &day)
        .unwrap();
    sheet.write(2, 0, "25/04/2025").unwrap();
    for (row, hours) in [(1, 100), (2, 200)] {
        for (column, cell) in ["M1", "belt"].iter().enumerate() {
            sheet.write(row, column as u16 + 1, *cell).unwrap();
        }
        sheet.write(row, 3, hours).unwrap();
        sheet.write(row, 4, "worn").unwrap();
    }
    book.save(dir.path().join("log.xlsx")).unwrap();
    let toml = |more: &str| {
        format!(
            "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.xlsx\"\n{more}[[part]]\nname = \"belt\"\n"
        )
    };
    let load = |more: &str| {
        std::fs::write(dir.path().join("fleet.toml"), toml(more)).unwrap();
        Fleet::load(dir.path(), &LoadOptions::default())
    };
    assert!(load("").unwrap_err().to_string().contains("date_cells"));
    let fleet = load("date_cells = \"day and month swapped\"\n").unwrap();
    assert_eq!(fleet.replacements[0].date, jiff::civil::date(2025, 4, 3));
    let fleet = load("date_cells = \"as they stand\"\n").unwrap();
    assert_eq!(fleet.replacements[0].date, jiff::civil::date(2025, 3, 4));
}

/// How dates and numbers are written is guessed from the first rows of a long file; what only its last row tells
/// holds for all of them all the same.
#[test]
fn what_the_last_of_many_rows_tells_holds_for_all() {
    const ROWS: u32 = 40_000;
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("fleet.toml"),
        "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.csv\"\ndelimiter = \";\"\n[records.reasons]\nworn = [\"worn\"]\n\
         [[part]]\nname = \"belt\"\n",
    )
    .unwrap();
    let load = |hours_of_others: &str, last: &str| {
        let mut log = "date;machine;part;hours;reason\n".to_owned();
        for row in 1..ROWS {
            log.push_str(&format!("2024-03-01;M{row};belt;{hours_of_others};worn\n"));
        }
        log.push_str(last);
        std::fs::write(dir.path().join("log.csv"), log).unwrap();
        Fleet::load(dir.path(), &LoadOptions::default())
    };
    let fleet = load("12", "31/12/2024;Z;belt;1.234,5;worn\n").unwrap();
    assert_eq!(fleet.rows.rows_in, u64::from(ROWS));
    assert_eq!(fleet.rows.used, u64::from(ROWS));
    assert_eq!(fleet.replacements.len(), ROWS as usize);
    assert!(fleet.problems.is_empty(), "{:?}", fleet.problems.first());
    let last = fleet.replacements.last().unwrap();
    assert_eq!(last.date, jiff::civil::date(2024, 12, 31));
    assert_eq!(last.hours.get(), Some(1234.5));
    assert!(fleet.replacements[0].row.row > 1);
    let notes = fleet.notes.join("\n");
    assert!(notes.contains("with a decimal comma"), "{notes}");
    // An unread cell among them is set aside once.
    let fleet = load(
        "12",
        "31/12/2024;Z;belt;1.234,5;worn\n31/12/2024;Z;belt;soon;worn\n",
    )
    .unwrap();
    assert_eq!(
        (fleet.rows.rows_in, fleet.rows.set_aside),
        (u64::from(ROWS) + 1, 1)
    );
    assert_eq!(fleet.problems.len(), 1);
    let message = load("1.5", "2024-03-01;Z;belt;1,5;worn\n")
        .unwrap_err()
        .to_string();
    assert!(message.contains("mixes decimal dots"), "{message}");
}

const MANIFEST: &str = "<?xml version=\"1.0\"?><manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\"/>";

#[test]
fn an_open_document_sheet() {
    let cell = |kind: &str, value: &str, text: &str| {
        format!(
            "<table:table-cell office:value-type=\"{kind}\" {value}><text:p>{text}</text:p></table:table-cell>"
        )
    };
    let text = |t: &str| cell("string", "", t);
    let mut rows = String::new();
    for heading in ["date", "machine", "part", "hours", "reason"] {
        rows.push_str(&text(heading));
    }
    rows = format!("<table:table-row>{rows}</table:table-row>");
    for (day, hours) in [("2025-01-10", "100"), ("2025-03-01", "450.5")] {
        rows.push_str(&format!(
            "<table:table-row>{}{}{}{}{}</table:table-row>",
            cell(
                "date",
                &format!("office:date-value=\"{day}\""),
                "whatever the cell shows"
            ),
            text("M1"),
            text("belt"),
            cell("float", &format!("office:value=\"{hours}\""), hours),
            text("worn")
        ));
    }
    let content = format!(
        "<?xml version=\"1.0\"?><office:document-content xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" \
         xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\">\
         <office:body><office:spreadsheet><table:table table:name=\"Log\">{rows}\
         <table:table-row table:number-rows-repeated=\"1048000\"><table:table-cell table:number-columns-repeated=\"16384\"/></table:table-row>\
         </table:table></office:spreadsheet></office:body></office:document-content>"
    );
    let dir = tempfile::tempdir().unwrap();
    let mut package =
        zip::ZipWriter::new(std::fs::File::create(dir.path().join("log.ods")).unwrap());
    for (name, body) in [
        ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
        ("META-INF/manifest.xml", MANIFEST),
        ("content.xml", &content),
    ] {
        package
            .start_file(name, zip::write::SimpleFileOptions::default())
            .unwrap();
        package.write_all(body.as_bytes()).unwrap();
    }
    package.finish().unwrap();
    std::fs::write(
        dir.path().join("fleet.toml"),
        "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.ods\"\n[records.reasons]\nworn = [\"worn\"]\n[[part]]\nname = \"belt\"\n",
    )
    .unwrap();
    let fleet = Fleet::load(dir.path(), &LoadOptions::default()).unwrap();
    assert_eq!(briefs(&wearcast::lives::build(&fleet)), ["M1 1 worn 350.5"]);
}

#[test]
fn lives_go_through_parquet_unchanged() {
    let folder = Folder::new(
        "[fleet]\nname = \"x\"\n[[records]]\nfile = \"tidy.csv\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n[[part]]\nname = \"belt\"\n",
        &[("tidy.csv", TIDY)],
    );
    for name in ["lives.csv", "lives.parquet"] {
        assert_eq!(
            folder.run(&["lives", ".", "-o", name]).status.code(),
            Some(0)
        );
    }
    let read = |name: &str| wearcast::lives::LivesTable::read(&folder.path().join(name)).unwrap();
    assert_eq!(read("lives.csv"), read("lives.parquet"));
    assert_eq!(read("lives.csv").observations.low, [350.0, 150.0, 310.5]);
}

#[test]
fn a_text_file_under_a_spreadsheets_name_is_refused() {
    let toml =
        "[fleet]\nname = \"x\"\n[[records]]\nfile = \"plain.xlsx\"\n[[part]]\nname = \"belt\"\n";
    let folder = Folder::new(toml, &[("plain.xlsx", "date,machine\n")]);
    assert!(folder.refused().contains("no spreadsheet"));
}

#[cfg(unix)]
#[test]
fn links_lead_out_of_the_folder_only_where_the_user_wrote_so() {
    let (outside, path) = file("tidy.csv", TIDY.as_bytes());
    let toml = |file: &str| {
        format!(
            "[fleet]\nname = \"x\"\n[[records]]\nfile = \"{file}\"\n[records.reasons]\nworn = [\"worn\"]\nunworn = [\"unworn\"]\n[[part]]\nname = \"belt\"\n"
        )
    };
    let folder = Folder::new(&toml("link.csv"), &[]);
    std::os::unix::fs::symlink(&path, folder.path().join("link.csv")).unwrap();
    std::os::unix::fs::symlink("loop.csv", folder.path().join("loop.csv")).unwrap();
    assert!(folder.refused().contains("leads out of the folder"));
    std::fs::write(folder.path().join("fleet.toml"), toml("loop.csv")).unwrap();
    assert!(folder.refused().contains("cannot read"));
    std::fs::write(
        folder.path().join("fleet.toml"),
        toml(&path.to_string_lossy()),
    )
    .unwrap();
    assert_eq!(folder.lives().lives.len(), 3);
    drop(outside);
}

#[test]
fn headings_of_other_habits_and_what_is_left_over_are_shown() {
    let export = "Day,Unit no.,Item,Where,Clock reading,Why,Remark\n2025-01-13,M1,ring,front,100.5,worn,a\n\
        2025-02-25,M1,ring,rear,200.5,snapped,b\n2025-03-26,M1,belt,,300.5,worn,b\n";
    let folder = Folder::new("", &[("odd.csv", export)]);
    let output = folder.run(&["new", "fleet", "--from", "odd.csv"]);
    assert_eq!(output.status.code(), Some(0));
    let toml = std::fs::read_to_string(folder.path().join("fleet/fleet.toml")).unwrap();
    for said in [
        "position = \"Where\"",
        "hours = \"Clock reading\"",
        "# not used: \"Remark\" (such as \"a\", \"b\")",
        "per_machine = 2  # FILL IN",
        "per_machine = 1               # FILL IN",
        "worn = [\"worn\"]",
        "#   \"snapped\"  in 1 rows",
    ] {
        assert!(toml.contains(said), "{said}: {toml}");
    }
}

#[test]
fn cells_merged_downwards_in_an_open_document_hold_for_all_their_rows() {
    let text = |t: &str| {
        format!(
            "<table:table-cell office:value-type=\"string\"><text:p>{t}</text:p></table:table-cell>"
        )
    };
    let machine = "<table:table-cell table:number-rows-spanned=\"3\" table:number-columns-spanned=\"1\" office:value-type=\"string\">\
        <text:p>M1</text:p></table:table-cell>";
    let covered = "<table:covered-table-cell/>";
    let mut rows = String::new();
    let headings: String = ["machine", "date", "part", "hours", "reason"]
        .map(text)
        .concat();
    rows.push_str(&format!("<table:table-row>{headings}</table:table-row>"));
    for (place, day, hours) in [
        (machine.to_owned(), "2025-01-10", "100"),
        (covered.to_owned(), "2025-03-01", "450"),
        (covered.to_owned(), "2025-06-01", "600"),
        (text("M2"), "2025-02-01", "80"),
    ] {
        let cells = [day, "belt", hours, "worn"].map(text).concat();
        rows.push_str(&format!(
            "<table:table-row>{place}{cells}</table:table-row>"
        ));
    }
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("log.ods"), crate::hostile::document(&rows)).unwrap();
    std::fs::write(
        dir.path().join("fleet.toml"),
        "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.ods\"\n[records.reasons]\nworn = [\"worn\"]\n[[part]]\nname = \"belt\"\n",
    )
    .unwrap();
    let fleet = Fleet::load(dir.path(), &LoadOptions::default()).unwrap();
    assert_eq!(
        briefs(&wearcast::lives::build(&fleet)),
        ["M1 1 worn 350", "M1 1 worn 150"]
    );
    assert!(
        fleet
            .notes
            .iter()
            .any(|n| n.starts_with("2 cells of log.ods [Log] are merged")),
        "{:?}",
        fleet.notes
    );
}

#[test]
fn days_and_times_of_a_parquet_file_are_days() {
    use polars::prelude::{Column, DataFrame, DataType, ParquetWriter, TimeUnit};
    // 2025-01-10 and 2025-03-01 are the days 20,098 and 20,148 after the first of 1970.
    let days = [20_098_i32, 20_148];
    let late = days.map(|d| (i64::from(d) * 86_400 + 86_399) * 1_000_000);
    let dir = tempfile::tempdir().unwrap();
    let settings = "[fleet]\nname = \"x\"\n[[records]]\nfile = \"log.parquet\"\n[records.reasons]\nworn = [\"worn\"]\n[[part]]\nname = \"belt\"\n";
    std::fs::write(dir.path().join("fleet.toml"), settings).unwrap();
    let dates = [
        Column::new("date".into(), days)
            .cast(&DataType::Date)
            .unwrap(),
        Column::new("date".into(), late)
            .cast(&DataType::Datetime(TimeUnit::Microseconds, None))
            .unwrap(),
    ];
    for date in dates {
        let text = |name: &str, value: &str| Column::new(name.into(), [value, value]);
        let columns = vec![
            date,
            text("machine", "M1"),
            text("part", "belt"),
            Column::new("hours".into(), [100_i16, 450]),
            text("reason", "worn"),
        ];
        let mut frame = DataFrame::new(2, columns).unwrap();
        let file = std::fs::File::create(dir.path().join("log.parquet")).unwrap();
        ParquetWriter::new(file).finish(&mut frame).unwrap();
        let fleet = Fleet::load(dir.path(), &LoadOptions::default()).unwrap();
        let read: Vec<_> = fleet.replacements.iter().map(|r| r.date).collect();
        assert_eq!(
            read,
            [
                jiff::civil::date(2025, 1, 10),
                jiff::civil::date(2025, 3, 1)
            ]
        );
        assert_eq!(briefs(&wearcast::lives::build(&fleet)), ["M1 1 worn 350"]);
    }
}
