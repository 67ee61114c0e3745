//! Files that no export should be, and names that could break what is written: each ends in an
//! error that says what to do, within bounded memory, and leaves nothing half-written.

use std::collections::BTreeSet;
use std::path::Path;

use calamine::Reader;

use crate::folder::{BELT, Folder};
use crate::zipped::zipped;

const HEADINGS: &str = "date,machine,part,hours,reason\n";

/// An export that must be refused.
struct Refused {
    what: &'static str,
    /// Name and bytes of the export.
    file: (&'static str, Vec<u8>),
    /// Settings beside its name.
    more: &'static str,
    code: i32,
    said: &'static [&'static str],
}

fn refused(
    what: &'static str,
    name: &'static str,
    bytes: impl Into<Vec<u8>>,
    said: &'static [&'static str],
) -> Refused {
    Refused {
        what,
        file: (name, bytes.into()),
        more: "",
        code: 2,
        said,
    }
}

fn names(dir: &Path) -> BTreeSet<String> {
    std::fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect()
}

/// Every command that reads the folder refuses it with the same code, in words, and writes nothing.
fn assert_refused(folder: &Folder, what: &str, code: i32, said: &[&str]) {
    let before = names(folder.path());
    for command in [
        &["check", "."][..],
        &["check", ".", "--json"],
        &["lives", ".", "-o", "lives.csv"],
        &["report", ".", "-o", "page"],
    ] {
        let output = folder.run(command);
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(
            output.status.code(),
            Some(code),
            "{what}, {command:?}: {message}"
        );
        assert!(
            message.starts_with("wearcast: ") && !message.contains("panicked"),
            "{what}: {message}"
        );
        assert!(message.len() < 3_000, "{what}: {} bytes", message.len());
        for said in said {
            assert!(message.contains(said), "{what}: no {said:?} in {message}");
        }
        assert!(output.stdout.is_empty(), "{what}: half an answer");
        assert_eq!(names(folder.path()), before, "{what}: something is left");
    }
}

/// A spreadsheet of one sheet, by hand, so that it may claim anything.
fn workbook(rows: &str, behind_rows: &str, shared: &str) -> Vec<u8> {
    let main = "xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\"";
    let relation = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let relations = "xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\"";
    packed(&[
        (
            "_rels/.rels",
            format!(
                "<Relationships {relations}><Relationship Id=\"rId1\" Type=\"{relation}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/workbook.xml",
            format!(
                "<workbook {main} xmlns:r=\"{relation}\"><sheets><sheet name=\"Log\" sheetId=\"1\" r:id=\"rId1\"/></sheets></workbook>"
            ),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            format!(
                "<Relationships {relations}><Relationship Id=\"rId1\" Type=\"{relation}/worksheet\" Target=\"worksheets/sheet1.xml\"/>\
                 <Relationship Id=\"rId2\" Type=\"{relation}/sharedStrings\" Target=\"sharedStrings.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/sharedStrings.xml",
            format!("<sst {main} {shared}</sst>"),
        ),
        (
            "xl/worksheets/sheet1.xml",
            format!("<worksheet {main}><sheetData>{rows}</sheetData>{behind_rows}</worksheet>"),
        ),
    ])
}

fn inline(place: &str, text: &str) -> String {
    format!("<c r=\"{place}\" t=\"inlineStr\"><is><t>{text}</t></is></c>")
}

fn heading_row() -> String {
    let cells: String = ["date", "machine", "part", "hours", "reason"]
        .iter()
        .zip(["A1", "B1", "C1", "D1", "E1"])
        .map(|(text, place)| inline(place, text))
        .collect();
    format!("<row r=\"1\">{cells}</row>")
}

/// An open document of one sheet.
pub(crate) fn document(rows: &str) -> Vec<u8> {
    let names = "urn:oasis:names:tc:opendocument:xmlns";
    packed(&[
        (
            "mimetype",
            "application/vnd.oasis.opendocument.spreadsheet".to_owned(),
        ),
        (
            "META-INF/manifest.xml",
            format!("<manifest:manifest xmlns:manifest=\"{names}:manifest:1.0\"/>"),
        ),
        (
            "content.xml",
            format!(
                "<office:document-content xmlns:office=\"{names}:office:1.0\" xmlns:table=\"{names}:table:1.0\" xmlns:text=\"{names}:text:1.0\">\
                 <office:body><office:spreadsheet><table:table table:name=\"Log\">{rows}</table:table></office:spreadsheet></office:body></office:document-content>"
            ),
        ),
    ])
}

/// A package, compressed.
fn packed(entries: &[(&str, String)]) -> Vec<u8> {
    zipped(entries, zip::write::SimpleFileOptions::default())
}

fn exports() -> Vec<Refused> {
    let long = "x".repeat(1 << 20);
    let binary: Vec<u8> = (0..50_000_u32)
        .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    let whole = workbook(&heading_row(), "", "uniqueCount=\"0\">");
    let cut_off = whole[..whole.len() / 2].to_vec();
    let merged = format!(
        "{}<row r=\"2\">{}</row>",
        heading_row(),
        inline("B2", &long)
    );
    let far = format!(
        "{}{}",
        heading_row(),
        "<row r=\"9\"><c r=\"XFD9\"><v>1</v></c></row>"
    );
    let repeated = |cell: &str| {
        document(&format!(
            "<table:table-row table:number-rows-repeated=\"1000000\">{cell}</table:table-row>"
        ))
    };
    let string = |text: &str| {
        format!(
            "<table:table-cell office:value-type=\"string\"><text:p>{text}</text:p></table:table-cell>"
        )
    };
    let quotes = format!("{HEADINGS}2025-01-10,M1,\"{}", "x\n".repeat(5 << 20));
    vec![
        refused(
            "random bytes",
            "a.csv",
            binary.clone(),
            &["a.csv", "binary"],
        ),
        refused("zeros", "a.csv", vec![0; 9_999], &["a.csv", "binary"]),
        refused(
            "a spreadsheet's bytes",
            "a.csv",
            whole.clone(),
            &["a.csv", "its own ending"],
        ),
        refused(
            "half of UTF-16",
            "a.csv",
            b"\xff\xfed".to_vec(),
            &["a.csv", "UTF-16"],
        ),
        refused("nothing", "a.csv", "", &["a.csv", "empty"]),
        refused(
            "a byte order mark",
            "a.csv",
            "\u{feff}",
            &["a.csv", "empty"],
        ),
        refused(
            "a quotation mark that stays open",
            "a.csv",
            format!("{HEADINGS}2025-01-10,M1,\"belt,100,worn\n"),
            &["a.csv", "row 2", "nothing closes"],
        ),
        refused(
            "a quotation mark that stays open for long",
            "a.csv",
            quotes,
            &["a.csv", "row 2", "nothing closes within 4 MB"],
        ),
        refused(
            "a long line",
            "a.csv",
            format!("{HEADINGS}{}", "x".repeat(5 << 20)),
            &["a.csv", "longer than 4 MB"],
        ),
        refused(
            "an ending nobody reads",
            "a.docx",
            "x",
            &["a.docx", ".docx", "\"csv\""],
        ),
        refused(
            "random bytes as a spreadsheet",
            "a.xlsx",
            binary.clone(),
            &["a.xlsx", "save it as"],
        ),
        refused(
            "half a spreadsheet",
            "a.xlsx",
            cut_off,
            &["a.xlsx", "save it as"],
        ),
        refused(
            "a package without sheets",
            "a.xlsx",
            packed(&[("a", String::new())]),
            &["a.xlsx"],
        ),
        refused(
            "a billion shared texts",
            "a.xlsx",
            workbook(&heading_row(), "", "uniqueCount=\"1000000000\">"),
            &["a.xlsx", "more texts than it can hold"],
        ),
        refused(
            "a long text merged over many rows",
            "a.xlsx",
            workbook(
                &merged,
                "<mergeCells><mergeCell ref=\"B2:B90000\"/></mergeCells>",
                "uniqueCount=\"0\">",
            ),
            &["a.xlsx", "more than 1 GB of text"],
        ),
        refused(
            "a cell in the last column",
            "a.xlsx",
            workbook(&far, "", "uniqueCount=\"0\">"),
            &["a.xlsx", "more cells than any record needs"],
        ),
        refused(
            "a billion cells in one row of an open document",
            "a.ods",
            repeated(
                "<table:table-cell office:value-type=\"float\" office:value=\"1\" table:number-columns-repeated='1000'/>",
            ),
            &["a.ods", "more cells than any record needs"],
        ),
        refused(
            "a row that never ends in an open document",
            "a.ods",
            document("<table:table-row>"),
            &["a.ods", "breaks off"],
        ),
        refused(
            "a tag within a tag in an open document",
            "a.ods",
            document("<table:table-cell off<table:row><taice:b"),
            &["a.ods", "breaks off"],
        ),
        refused(
            "a long text repeated in an open document",
            "a.ods",
            repeated(&string(&"x".repeat(2_000))),
            &["a.ods", "more than 1 GB of text"],
        ),
        refused(
            "blanks beyond counting in an open document",
            "a.ods",
            document(&format!(
                "<table:table-row>{}</table:table-row>",
                string("<text:s text:c=\"2000000000\"/>")
            )),
            &["a.ods", "more than 1 GB of text"],
        ),
        refused(
            "text as Parquet",
            "a.parquet",
            HEADINGS,
            &["a.parquet", "Parquet"],
        ),
        refused(
            "a Parquet frame around nothing",
            "a.parquet",
            [b"PAR1", &binary[..400], b"PAR1"].concat(),
            &["a.parquet", "Parquet"],
        ),
        Refused {
            more: "sheet = \"Other\"\n",
            ..refused(
                "a sheet that is not there",
                "a.xlsx",
                whole,
                &["a.xlsx", "\"Other\"", "\"Log\""],
            )
        },
        Refused {
            more: "header_row = 7\n",
            ..refused(
                "a heading row that is not there",
                "a.csv",
                HEADINGS,
                &["a.csv", "header_row = 7"],
            )
        },
        Refused {
            more: "dates = \"day first\"\n",
            ..refused(
                "a date format that is none",
                "a.csv",
                HEADINGS,
                &["a.csv", "\"day first\"", "%d.%m.%Y"],
            )
        },
        Refused {
            more: "delimiter = \"ab\"\n",
            ..refused(
                "a delimiter of two letters",
                "a.csv",
                HEADINGS,
                &["a.csv", "\"ab\"", "\";\""],
            )
        },
        Refused {
            more: "decimal = \"·\"\n",
            ..refused(
                "a decimal mark that is none",
                "a.csv",
                HEADINGS,
                &["a.csv", "\"·\"", "\",\""],
            )
        },
    ]
}

#[test]
fn an_export_that_cannot_be_used_is_refused_with_what_to_do() {
    for case in exports() {
        let toml = BELT.replace(
            "file = \"records.csv\"\n",
            &format!("file = \"{}\"\n{}", case.file.0, case.more),
        );
        let folder = Folder::new(&toml, &[]);
        std::fs::write(folder.path().join(case.file.0), &case.file.1).unwrap();
        assert_refused(&folder, case.what, case.code, case.said);
        if case.more.is_empty() {
            // The same on the way in.
            let new = folder.run(&["new", "fleet", "--from", case.file.0]);
            let message = String::from_utf8_lossy(&new.stderr).into_owned();
            assert_eq!(new.status.code(), Some(2), "{}: {message}", case.what);
            assert!(!message.contains("panicked"), "{}: {message}", case.what);
            assert!(
                !folder.path().join("fleet").exists(),
                "{}: a folder is left",
                case.what
            );
        }
    }
}

#[test]
fn a_file_of_two_gigabytes_without_a_line_end_is_read_no_further_than_a_line() {
    let folder = Folder::new(BELT, &[("records.csv", HEADINGS)]);
    let file = std::fs::File::options()
        .write(true)
        .open(folder.path().join("records.csv"))
        .unwrap();
    // Takes no room on the disk: what was never written reads as zeros.
    file.set_len(2 << 30).unwrap();
    assert_refused(&folder, "2 GB", 2, &["records.csv", "longer than 4 MB"]);
    file.set_len(4 << 30).unwrap();
    assert_refused(&folder, "4 GB", 2, &["records.csv", "larger than 3 GB"]);
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_refused() {
    use std::os::unix::fs::symlink;
    let file = |name: &str| BELT.replace("records.csv", name);
    let folder = Folder::new(&file("a.csv"), &[]);
    let export = folder.path().join("a.csv");
    let settings = folder.path().join("fleet.toml");
    assert_refused(&folder, "a missing file", 3, &["a.csv", "no such file"]);
    std::fs::create_dir(&export).unwrap();
    assert_refused(&folder, "a folder", 2, &["a.csv", "a folder or a device"]);
    std::fs::remove_dir(&export).unwrap();
    symlink("b.csv", &export).unwrap();
    symlink("a.csv", folder.path().join("b.csv")).unwrap();
    assert_refused(&folder, "links in a loop", 3, &["cannot read", "a.csv"]);
    std::fs::remove_file(&export).unwrap();
    symlink("/dev/zero", &export).unwrap();
    assert_refused(
        &folder,
        "a link out",
        2,
        &["a.csv", "leads out of the folder"],
    );
    std::fs::remove_file(&export).unwrap();
    let made = std::process::Command::new("mkfifo").arg(&export).status();
    if made.is_ok_and(|status| status.success()) {
        assert_refused(&folder, "a pipe", 2, &["a.csv", "a folder or a device"]);
    }
    for (name, code) in [
        ("/dev/zero", 2),
        ("", 2),
        ("a\\u0000.csv", 3),
        ("../no/a.csv", 3),
    ] {
        std::fs::write(&settings, file(name)).unwrap();
        assert_refused(&folder, name, code, &[]);
    }
}

#[test]
fn settings_that_cannot_be_used_are_refused() {
    let deep = format!("a = {}", "[".repeat(100_000));
    let dots = format!("{} = 1", vec!["a"; 20_000].join("."));
    let long = format!("[fleet]\nnam = \"{}\"\n", "x".repeat(1 << 20));
    for (what, text, said) in [
        ("no text", b"\xff\xfe\x00".to_vec(), "UTF-8"),
        ("nothing", Vec::new(), "fleet"),
        ("brackets without end", deep.into_bytes(), "line 1"),
        ("dots without end", dots.into_bytes(), "recursion"),
        ("a key that nobody knows", long.into_bytes(), "nam"),
        ("a table twice", b"[fleet]\n[fleet]\n".to_vec(), "duplicate"),
    ] {
        let folder = Folder::new("", &[]);
        std::fs::write(folder.path().join("fleet.toml"), text).unwrap();
        assert_refused(&folder, what, 2, &["fleet.toml", said]);
    }
    let folder = Folder::new("", &[]);
    std::fs::remove_file(folder.path().join("fleet.toml")).unwrap();
    assert_refused(&folder, "no settings", 3, &["fleet.toml"]);
    std::fs::create_dir(folder.path().join("fleet.toml")).unwrap();
    assert_refused(
        &folder,
        "a folder",
        2,
        &["fleet.toml", "a folder or a device"],
    );
}

const EVIL: [&str; 13] = [
    "<script>alert(1)</script>",
    "=HYPERLINK(\"\"http://x\"\",\"\"y\"\")",
    "+1",
    "-1+2",
    "@SUM(A1)",
    "two\nlines",
    "quote \"\"here\"\"",
    "\u{202e}tfel ot thgir\u{202c}",
    "bell\u{7}and\u{1b}[31mescape",
    "../../etc/passwd",
    "..",
    "CON",
    "a/b\\c:d|e",
];

/// Each evil name as a machine, a reason and a site, and a long one.
fn evil_folder() -> Folder {
    let mut rows = String::from("date,machine,part,hours,reason,site\n");
    let long = "x".repeat(10_000);
    for name in EVIL.iter().copied().chain([long.as_str()]) {
        for (day, hours) in [
            ("2025-01-10", 100),
            ("2025-03-01", 400),
            ("2025-05-01", 700),
        ] {
            rows.push_str(&format!(
                "{day},\"{name}\",belt,{hours},\"{name}\",\"{name}\"\n"
            ));
        }
    }
    let toml = BELT
        .replace("\"Test\"", "\"<b>x</b>\"")
        .replace("[\"worn\"]", "[\"*\"]");
    Folder::new(&toml, &[("records.csv", &rows)])
}

fn is_inert(cell: &str) -> bool {
    cell.parse::<f64>().is_ok() || !cell.starts_with(['=', '+', '-', '@'])
}

#[test]
fn no_name_breaks_a_text_a_table_or_a_path() {
    let folder = evil_folder();
    let check = folder.run(&["check", "."]);
    assert!(check.status.success(), "{check:?}");
    let shown = String::from_utf8(check.stdout).unwrap();
    assert!(
        shown.chars().all(|c| c == '\n' || !c.is_control()),
        "a control character reached the terminal"
    );
    assert!(
        shown.lines().all(|line| line.chars().count() <= 200),
        "a long name breaks the text"
    );
    let lives = folder.run(&["lives", ".", "-o", "lives.csv"]);
    assert!(lives.status.success(), "{lives:?}");
    let mut reader = csv::Reader::from_path(folder.path().join("lives.csv")).unwrap();
    let mut rows = 0;
    for record in reader.records() {
        let record = record.unwrap();
        rows += 1;
        for cell in &record {
            assert!(is_inert(cell), "a formula in {cell}");
        }
    }
    // Two lives end at each of the machines.
    assert_eq!(rows, 2 * (EVIL.len() + 1));
    let json = folder.run(&["lives", ".", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    for life in json["lives"].as_array().unwrap() {
        let id = life["id"].as_str().unwrap();
        assert!(id.len() < 200 && !id.contains(".."), "{id}");
        let traced = folder.run(&["lives", ".", "--trace", id]);
        assert!(traced.status.success(), "{id}: {traced:?}");
        let shown = String::from_utf8(traced.stdout).unwrap();
        assert!(shown.chars().all(|c| c == '\n' || !c.is_control()), "{id}");
    }
}

#[test]
fn no_name_breaks_a_page_a_workbook_or_a_file_name() {
    let folder = evil_folder();
    let report = folder.run(&["report", ".", "-o", "page"]);
    assert!(
        matches!(report.status.code(), Some(0 | 1)),
        "{}",
        String::from_utf8_lossy(&report.stderr)
    );
    let page = folder.path().join("page");
    let html = std::fs::read_to_string(page.join("index.html")).unwrap();
    assert!(!html.contains("<script>alert") && !html.contains("<b>x</b>"));
    assert!(!html.contains('\u{7}') && !html.contains('\u{1b}'));
    for part in ["tables", "charts"] {
        for name in names(&page.join(part)) {
            assert!(
                name.chars()
                    .all(|c| c.is_ascii_alphanumeric() || "._-".contains(c)),
                "{name}"
            );
            if part == "charts" {
                let svg = std::fs::read_to_string(page.join(part).join(&name)).unwrap();
                assert!(
                    !svg.contains("<script>") && !svg.contains('\u{1b}'),
                    "{name}"
                );
            } else {
                let mut reader = csv::ReaderBuilder::new()
                    .flexible(true)
                    .from_path(page.join(part).join(&name))
                    .unwrap();
                for record in reader.records() {
                    for cell in &record.unwrap() {
                        assert!(is_inert(cell), "a formula in {name}: {cell:.40}");
                    }
                }
            }
        }
    }
    let mut book: calamine::Xlsx<_> = calamine::open_workbook(page.join("wearcast.xlsx")).unwrap();
    for sheet in book.sheet_names() {
        let formulas = book.worksheet_formula(&sheet).unwrap();
        assert!(
            formulas.used_cells().all(|(_, _, f)| f.is_empty()),
            "a formula in sheet {sheet}"
        );
    }
}
