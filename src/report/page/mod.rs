//! The page: one self-contained HTML file that answers first and explains after.

mod act;
mod evidence;
mod pieces;
mod sheets;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::charts::Charts;
use super::{Svg, Table, format};
use crate::analysis::{Analysis, Detail};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("sort.js");

/// What the page is made from.
pub(super) struct Contents<'a> {
    pub(super) analysis: &'a Analysis,
    pub(super) detail: &'a Detail,
    pub(super) tables: &'a [Table],
    pub(super) charts: &'a Charts,
}

impl Contents<'_> {
    fn table(&self, key: &str) -> Option<&Table> {
        self.tables.iter().find(|table| table.key == key)
    }
}

/// The parts of the page: anchor, name, what it answers.
const PARTS: [(&str, &str, &str); 8] = [
    (
        "act",
        "Act",
        "what to order by when, what to change before which job",
    ),
    (
        "fitted",
        "Fitted parts",
        "how long what is in the machines will last",
    ),
    ("schedule", "Schedule", "what each job will ask for"),
    (
        "life",
        "Life of each part",
        "how long each part lasts here, and how sure that is",
    ),
    (
        "practice",
        "Practice",
        "belt tension, and whether planned change pays",
    ),
    (
        "records",
        "Records",
        "what was used, what was set aside and why",
    ),
    ("method", "Method and limits", "what all this rests on"),
    (
        "sheets",
        "Before we leave",
        "one sheet a job, to print and fill in",
    ),
];

/// The whole page.
pub(super) fn page(contents: &Contents<'_>) -> String {
    let fleet = &contents.analysis.fleet;
    let name = format::plain(&fleet.name);
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:";
                title { (format::shortened(&name, 120)) " · wear parts, " (format::date(fleet.as_of)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#act" { "Skip to what to do" }
                header.top {
                    h1 { bdi { (pieces::short_name(&name, 200)) } }
                    p.sub {
                        "Wear parts, seen from " strong { (format::date(fleet.as_of)) } ". "
                        (format::plural(fleet.machines.len() as u64, "machine")) ", "
                        (format::plural(fleet.parts.len() as u64, "part kind")) ", "
                        (format::plural(fleet.jobs.len() as u64, "job")) " in the schedule."
                    }
                    nav aria-label="Parts of this page" {
                        ol {
                            @for (anchor, title, answers) in PARTS {
                                li { a href={"#" (anchor)} { (title) } span.answers { (answers) } }
                            }
                        }
                    }
                }
                main {
                    (part("act", &act::act(contents)))
                    (part("fitted", &evidence::fitted(contents)))
                    (part("schedule", &evidence::schedule(contents)))
                    (part("life", &evidence::life(contents)))
                    (part("practice", &evidence::practice(contents)))
                    (part("records", &evidence::records(contents)))
                    (part("method", &evidence::method(contents)))
                    (part("sheets", &sheets::sheets(contents)))
                }
                footer {
                    p {
                        "Written by wearcast " (env!("CARGO_PKG_VERSION")) " from the records up to "
                        (format::date(fleet.as_of)) ". The same numbers: "
                        a href="wearcast.xlsx" { "spreadsheet" } ", "
                        a href="results.json" { "one file for other programs" } ", a CSV under each table."
                    }
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    body.into_string()
}

fn part(anchor: &str, body: &Markup) -> Markup {
    let (_, title, answers) =
        PARTS
            .into_iter()
            .find(|p| p.0 == anchor)
            .unwrap_or((anchor_name(), "", ""));
    html! {
        section.part id=(anchor) aria-labelledby={(anchor) "-title"} {
            h2 id={(anchor) "-title"} { (title) }
            p.answers { (answers) }
            (body)
        }
    }
}

const fn anchor_name() -> &'static str {
    ""
}

/// A chart as a figure, with what it shows and the table it was drawn from.
fn figure(contents: &Contents<'_>, svg: &Svg, table: &str, caption: &Markup) -> Markup {
    html! {
        figure id={"chart-" (svg.key)} {
            figcaption {
                b { (svg.title) } " " (caption)
                @if contents.table(table).is_some() {
                    " " a href={"tables/" (table) ".csv"} { "Its numbers" }
                }
            }
            (PreEscaped(&svg.svg))
        }
    }
}
