//! In a real browser with the network off: the page loads without a word on the console, tables
//! sort, links lead somewhere, nothing overlaps, it prints on both papers, and a checker of
//! accessibility (axe-core) and one of HTML (html-validate) find nothing of weight.

use serde_json::Value;

use crate::fleets::{HOSTILE, crew, hostile};
use crate::reader::{look, wrong};

/// Headings of a printed report with their pages.
fn headings(report: &Value, paper: &str) -> Vec<(String, u64)> {
    let headings = report["papers"][paper]["headings"].as_array().unwrap();
    headings
        .iter()
        .map(|h| {
            (
                h["title"].as_str().unwrap().to_owned(),
                h["page"].as_u64().unwrap(),
            )
        })
        .collect()
}

#[test]
fn a_reader_finds_everything_in_order() {
    let Some(found) = look("the report in a browser", &[crew(), hostile()]) else {
        return;
    };
    let [crew, hostile] = found.as_slice() else {
        panic!("two reports")
    };
    assert_eq!(wrong(crew), "");
    assert_eq!(wrong(hostile), "");

    assert!(crew["charts"].as_u64().unwrap() >= 20, "{}", crew["charts"]);
    assert!(
        crew["sorted"].as_u64().unwrap() >= 100,
        "{}",
        crew["sorted"]
    );
    for paper in ["A4", "Letter"] {
        let pages = crew["papers"][paper]["pages"].as_u64().unwrap();
        let headings = headings(crew, paper);
        let page = |title: &str| {
            let found = headings.iter().find(|h| h.0 == title);
            found
                .unwrap_or_else(|| panic!("{paper}: no heading {title}"))
                .1
        };
        // The planner's answer is on the first page; each job's sheet is a page of its own, and
        // the last of them ends the print.
        assert_eq!(page("Act"), 1, "{paper}");
        assert_eq!(page("Order"), 1, "{paper}");
        let sheets = ["Heron Flats 2026", "Tidegate 2026", "Cane Point 2026"].map(page);
        assert_eq!(sheets, [pages - 2, pages - 1, pages], "{paper}");
        assert!(page("Method and limits") < sheets[0], "{paper}");
        assert!((14..=30).contains(&pages), "{paper}: {pages} pages");
    }

    // A hostile name is read as it stands, but for the mark that turns the line around.
    let shown = HOSTILE.replace('\u{202e}', "\u{fffd}");
    let text = hostile["text"].as_str().unwrap();
    assert!(text.contains(&shown), "{text:.2000}");
    let title = hostile["title"].as_str().unwrap();
    assert!(title.starts_with(&shown), "{title}");
}
