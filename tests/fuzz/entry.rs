//! What is tried with bytes from anywhere: each reader of the program, with what must hold whatever
//! stands in the file. `targets/` runs these under a coverage-guided fuzzer, `tests/mutations.rs`
//! on stable Rust over the kept inputs and seeded changes of them.

#[path = "zipped.rs"]
mod zipped;

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use wearcast::lives::{self, LivesTable, write_lives_csv};
use wearcast::records::{Fleet, LoadOptions, propose};

use zipped::zipped;

const SETTINGS: &str = r#"
[fleet]
name = "Fuzz"
[[records]]
file = "FILE"
[records.reasons]
worn = ["worn*", "gone"]
found_worn = ["found*"]
unworn = ["unworn", "moved*"]
inspected_ok = ["ok*"]
[[machine]]
name = "M1"
aliases = ["Unit 1"]
new_on = 2024-01-01
[[part]]
name = "belt"
[[part]]
name = "ring"
per_machine = 2
positions = ["front", "rear"]
[[part]]
name = "roller"
per_machine = 3
changed = "as a set"
"#;

const RECORDS: &str = "date,machine,part,position,hours,reason,quantity,worn_count\n\
    2025-01-10,M1,belt,,100,worn,,\n2025-03-01,M1,belt,,450,unworn,,\n2025-03-02,M1,ring,front,455,worn,,\n\
    2025-04-02,M1,roller,,655,worn,3,2\n";

/// A place for one file at a time, one for each process.
fn place() -> &'static Path {
    static PLACE: OnceLock<tempfile::TempDir> = OnceLock::new();
    PLACE.get_or_init(|| tempfile::tempdir().unwrap()).path()
}

/// What must hold for a folder, whatever its files hold.
fn look(dir: &Path) {
    let Ok(fleet) = Fleet::load(dir, &LoadOptions::default()) else {
        return;
    };
    let lives = lives::build(&fleet);
    let rows = lives.rows;
    assert_eq!(
        rows.rows_in,
        rows.used + rows.merged + rows.set_aside,
        "{rows:?}"
    );
    for life in &lives.lives {
        let end = if life.high.is_finite() {
            life.high
        } else {
            life.low
        };
        assert!(
            life.low.is_finite() && life.low >= 0.0 && life.low <= life.high && life.count > 0,
            "{life:?}"
        );
        assert!(life.entry >= 0.0 && life.entry < end, "{life:?}");
    }
    let shown = wearcast::report::check(&fleet, &lives, &[], &fleet.notes);
    assert!(
        shown.chars().all(|c| c == '\n' || !c.is_control()),
        "a control character is shown: {shown:?}"
    );
    let written = dir.join("lives.csv");
    write_lives_csv(&lives.lives, fs::File::create(&written).unwrap()).unwrap();
    let table = LivesTable::read(&written);
    assert!(table.is_ok() || lives.lives.is_empty(), "{table:?}");
}

/// The folder of an export with this name and these bytes.
fn export(name: &str, bytes: &[u8]) {
    let dir = place();
    fs::write(dir.join("fleet.toml"), SETTINGS.replace("FILE", name)).unwrap();
    fs::write(dir.join(name), bytes).unwrap();
    look(dir);
    if let Ok(proposal) = propose(&dir.join(name), name, "Fuzz") {
        // What is proposed can be read, whatever stands in the export.
        fs::write(dir.join("fleet.toml"), &proposal.toml).unwrap();
        let read: Result<toml::Value, _> = toml::from_str(&proposal.toml);
        assert!(read.is_ok(), "{read:?}\n{}", proposal.toml);
        look(dir);
    }
    fs::remove_file(dir.join(name)).unwrap();
}

/// Text with delimiters.
pub(crate) fn delimited(bytes: &[u8]) {
    export("a.csv", bytes);
}

/// Headings, then cells in well-formed rows: reaches the readers of dates, numbers and names, and
/// which column is which. Cells are separated by zeros, rows by ones.
pub(crate) fn cells(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let mut csv = String::new();
    for row in text.split('\u{1}') {
        for (at, cell) in row.split('\0').enumerate() {
            if at > 0 {
                csv.push(',');
            }
            csv.push('"');
            csv.push_str(&cell.replace('"', "\"\""));
            csv.push('"');
        }
        csv.push('\n');
    }
    export("a.csv", csv.as_bytes());
}

/// The settings.
pub(crate) fn settings(bytes: &[u8]) {
    let dir = place();
    fs::write(dir.join("fleet.toml"), bytes).unwrap();
    fs::write(dir.join("records.csv"), RECORDS).unwrap();
    look(dir);
}

/// The sheet of a workbook (up to a zero byte, shared texts behind it).
pub(crate) fn workbook(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let (sheet, shared) = text.split_once('\0').unwrap_or((&text, ""));
    let main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    let relation = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let relations = "http://schemas.openxmlformats.org/package/2006/relationships";
    let package = stored(&[
        (
            "_rels/.rels",
            format!(
                "<Relationships xmlns=\"{relations}\"><Relationship Id=\"rId1\" Type=\"{relation}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/workbook.xml",
            format!(
                "<workbook xmlns=\"{main}\" xmlns:r=\"{relation}\"><sheets><sheet name=\"Log\" sheetId=\"1\" r:id=\"rId1\"/></sheets></workbook>"
            ),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            format!(
                "<Relationships xmlns=\"{relations}\"><Relationship Id=\"rId1\" Type=\"{relation}/worksheet\" Target=\"worksheets/sheet1.xml\"/><Relationship Id=\"rId2\" Type=\"{relation}/sharedStrings\" Target=\"sharedStrings.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/sharedStrings.xml",
            format!("<sst xmlns=\"{main}\" uniqueCount=\"1\">{shared}</sst>"),
        ),
        (
            "xl/worksheets/sheet1.xml",
            format!("<worksheet xmlns=\"{main}\">{sheet}</worksheet>"),
        ),
    ]);
    export("a.xlsx", &package);
}

/// The table of an open document.
pub(crate) fn document(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let names = "urn:oasis:names:tc:opendocument:xmlns";
    let package = stored(&[
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
                "<office:document-content xmlns:office=\"{names}:office:1.0\" xmlns:table=\"{names}:table:1.0\" xmlns:text=\"{names}:text:1.0\"><office:body><office:spreadsheet><table:table table:name=\"Log\">{text}</table:table></office:spreadsheet></office:body></office:document-content>"
            ),
        ),
    ]);
    export("a.ods", &package);
}

/// A whole spreadsheet file: mostly broken packages.
pub(crate) fn package(bytes: &[u8]) {
    export("a.xlsx", bytes);
}

/// A lives file.
pub(crate) fn lives_file(bytes: &[u8]) {
    let path = place().join("given.csv");
    fs::write(&path, bytes).unwrap();
    if let Ok(table) = LivesTable::read(&path) {
        let lives = &table.observations;
        assert_eq!(lives.low.len(), lives.high.len());
        for (low, high) in lives.low.iter().zip(&lives.high) {
            assert!(
                low.is_finite() && *low >= 0.0 && low <= high,
                "{low} {high}"
            );
        }
    }
}

/// A package as it stands, for a fuzzer to see into.
fn stored(entries: &[(&str, String)]) -> Vec<u8> {
    let method = zip::CompressionMethod::Stored;
    zipped(
        entries,
        zip::write::SimpleFileOptions::default().compression_method(method),
    )
}

/// A reader and its name, which is that of its folder of kept inputs too.
pub(crate) type Target = (&'static str, fn(&[u8]));

/// All of them.
pub(crate) const TARGETS: [Target; 7] = [
    ("delimited", delimited),
    ("cells", cells),
    ("settings", settings),
    ("workbook", workbook),
    ("document", document),
    ("package", package),
    ("lives_file", lives_file),
];
