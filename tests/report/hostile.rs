//! A hostile name is text in every file of a report, and in no path.

use crate::fleets::{HOSTILE, files, hostile};

#[test]
fn a_hostile_name_is_text_in_every_file_and_in_no_path() {
    let dir = hostile();
    let names = files(dir);
    for kind in ["html", "svg", "csv", "xlsx", "json"] {
        let ending = format!(".{kind}");
        assert!(names.iter().any(|name| name.ends_with(&ending)), "{kind}");
    }
    for name in &names {
        assert!(
            name.bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b"/._-".contains(&b)),
            "{name}"
        );
        let bytes = std::fs::read(dir.join(name)).unwrap();
        let Ok(text) = String::from_utf8(bytes) else {
            continue;
        };
        let kind = name.rsplit_once('.').map_or("", |(_, kind)| kind);
        let markup = ["svg", "html"].contains(&kind);
        if markup {
            let scripts = text.matches("<script").count();
            assert_eq!(
                scripts,
                usize::from(kind == "html"),
                "{name}: only our own script"
            );
            assert!(
                !text.contains("<b>\"") && !text.contains('\u{202e}'),
                "{name}"
            );
        }
        if kind == "csv" {
            let mut reader = csv::Reader::from_reader(text.as_bytes());
            for record in reader.records() {
                for field in &record.unwrap() {
                    let runs = field.starts_with(['=', '+', '-', '@', '\t']);
                    assert!(!runs || field.parse::<f64>().is_ok(), "{name}: {field}");
                }
            }
        }
        if kind == "json" {
            let json: serde_json::Value = serde_json::from_str(&text).unwrap();
            assert_eq!(json["fleet"], HOSTILE);
            assert_eq!(
                json["forecast"]["fitted"][0]["machine"],
                format!("={HOSTILE}")
            );
        }
    }
}
