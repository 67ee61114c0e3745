//! Everything that `wearcast report` writes, as paths and bytes.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde::Serialize;

use super::charts::Charts;
use super::detail_tables::detail_tables;
use super::order_words::{self, OrderWords, sentence};
use super::page::{Contents, page};
use super::spreadsheet::spreadsheet;
use super::{SAFETY, SAFETY_IN_SHORT, csv, format, json, tables, text};
use crate::analysis::{Analysis, Detail};
use crate::forecast::Forecast;
use crate::models::{Basis, ByLevel, Caution, Fit, LifeCounts};
use crate::records::{Problem, RowCounts};
use crate::stock::StockPlan;

/// What `results.json` holds.
#[derive(Serialize)]
struct Results<'a> {
    fleet: &'a str,
    as_of: jiff::civil::Date,
    currency: &'a str,
    service_level: f64,
    safety: &'static str,
    rows: RowCounts,
    problems: &'a [Problem],
    fits: &'a [Fit],
    models: Vec<ModelSummary<'a>>,
    forecast: &'a Forecast,
    stock: &'a StockPlan,
}

/// A life model without its nodes.
#[derive(Serialize)]
struct ModelSummary<'a> {
    part: &'a str,
    basis: Basis,
    lives: LifeCounts,
    shape_interval: Option<(f64, f64)>,
    hours_at: Vec<HoursAt>,
    #[serde(skip_serializing_if = "Option::is_none")]
    by_level: Option<&'a ByLevel>,
    cautions: &'a [Caution],
}

/// Predictive hours by which a share is worn out.
#[derive(Serialize)]
struct HoursAt {
    probability: f64,
    hours: Option<f64>,
}

/// The whole analysis as one JSON document.
pub fn results(analysis: &Analysis) -> String {
    let models = analysis.models.iter().map(|model| ModelSummary {
        part: &model.part,
        basis: model.basis,
        lives: model.lives,
        shape_interval: model.shape_interval,
        hours_at: [0.05, 0.1, 0.5, 0.9, 0.95]
            .map(|probability| HoursAt {
                probability,
                hours: model.hours_at(probability),
            })
            .into(),
        by_level: model.by_level.as_ref(),
        cautions: &model.cautions,
    });
    json(
        "report",
        &Results {
            fleet: &analysis.fleet.name,
            as_of: analysis.fleet.as_of,
            currency: &analysis.fleet.currency,
            service_level: analysis.fleet.service_level,
            safety: SAFETY,
            rows: analysis.lives.rows,
            problems: &analysis.lives.problems,
            fits: &analysis.fits,
            models: models.collect(),
            forecast: &analysis.forecast,
            stock: &analysis.stock,
        },
    )
}

/// Every file of the report: path within the report's directory (with `/`), and contents. The same
/// analysis gives the same bytes.
///
/// # Errors
/// [`ReportError`], when the spreadsheet's writer refuses.
pub fn files(
    analysis: &Analysis,
    detail: &Detail,
) -> Result<BTreeMap<String, Vec<u8>>, ReportError> {
    let of_tables = || {
        let mut tables = tables::all(analysis);
        tables.extend(detail_tables(analysis, detail));
        tables
    };
    let (tables, charts) = rayon::join(of_tables, || Charts::of(analysis, detail));
    let contents = Contents {
        analysis,
        detail,
        tables: &tables,
        charts: &charts,
    };
    let name = &analysis.fleet.name;
    // Saving it takes one core for longer than anything else, so it begins first.
    let book = spreadsheet(name, analysis.fleet.as_of, &tables);
    let in_a_book = || {
        let mut book = book?;
        let saved = book.save_to_buffer();
        given_back_meanwhile(book);
        saved
    };
    let on_the_page = || rayon::join(|| page(&contents), || results(analysis));
    let each = || tables.par_iter().map(csv).collect::<Vec<_>>();
    let (book, ((page, results), csvs)) = rayon::join(in_a_book, || rayon::join(on_the_page, each));
    let mut files = BTreeMap::new();
    files.insert("index.html".to_owned(), page.into_bytes());
    files.insert("results.json".to_owned(), results.into_bytes());
    for (table, csv) in tables.iter().zip(csvs) {
        files.insert(format!("tables/{}.csv", table.key), csv.into_bytes());
    }
    for chart in charts.all() {
        files.insert(
            format!("charts/{}.svg", chart.key),
            chart.svg.clone().into_bytes(),
        );
    }
    given_back_meanwhile(tables);
    match book {
        Ok(bytes) => {
            files.insert("wearcast.xlsx".to_owned(), bytes);
            Ok(files)
        }
        Err(error) => Err(ReportError::Spreadsheet(error.to_string())),
    }
}

/// Lets go of what is in many small pieces without waiting for it.
fn given_back_meanwhile<T: Send + 'static>(pieces: T) {
    rayon::spawn(move || drop(pieces));
}

/// Why a report could not be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReportError {
    /// The spreadsheet.
    #[error("the spreadsheet cannot be made: {0}")]
    Spreadsheet(String),
}

/// Rows of a table on the terminal; all of them are in the JSON and in the report's files.
const TERMINAL: usize = 60;

/// Fitted parts and demand as text for the terminal.
pub fn outlook(analysis: &Analysis) -> String {
    let mut fitted = tables::fitted(analysis).only(&[
        "machine",
        "part",
        "position",
        "age_hours",
        "remaining_p10",
        "remaining_p50",
        "date_p10",
        "chance_next_job",
    ]);
    for (key, heading) in [
        ("remaining_p10", "h to 1 in 10"),
        ("remaining_p50", "h to half"),
        ("date_p10", "1 in 10 by"),
        ("chance_next_job", "Next job"),
    ] {
        for column in fitted.columns.iter_mut().filter(|c| c.key == key) {
            heading.clone_into(&mut column.heading);
        }
    }
    fitted.notes = vec![
        "h to 1 in 10, h to half: operating hours by which 1 in 10 and half of such parts would be \
         worn out, and the day of the first. Next job: the chance of wearing out in it."
            .to_owned(),
        SAFETY_IN_SHORT.to_owned(),
    ];
    let all = fitted.rows.len();
    if all > TERMINAL {
        fitted.rows.truncate(TERMINAL);
        fitted.note(format!(
            "The first {TERMINAL} of {}; the report has all.",
            format::count(all as u64)
        ));
    }
    let across = tables::demand_across(analysis);
    let demand = if across.columns.len() <= 7 {
        across
    } else {
        tables::demand(analysis)
    };
    format!("{}\n{}", text(&fitted), text(&demand))
}

/// Said where there is no job ahead.
pub(super) const NO_SCHEDULE: &str = "There is no job ahead in the schedule, so nothing was \
forecast: add the jobs to come under [[jobs]] in fleet.toml.";

/// Whether the schedule asks anything of the parts from now on.
pub(super) fn has_jobs_ahead(analysis: &Analysis) -> bool {
    analysis
        .fleet
        .jobs
        .iter()
        .any(|job| job.end > analysis.stock.as_of)
}

/// The answer as text for the terminal: what to order, what to change, and the caution.
pub fn answer(analysis: &Analysis) -> String {
    let mut orders = tables::orders(analysis);
    // The terminal has 80 columns: what to do, and why.
    let keep = [
        "part",
        "order_quantity",
        "order_by",
        "on_hand",
        "expected_demand",
        "shortage_if_nothing_ordered",
    ];
    orders = orders.only(&keep);
    for none in &analysis.forecast.no_forecast {
        orders.note(format!("{}: no forecast; order by hand.", none.part));
    }
    if !has_jobs_ahead(analysis) {
        orders.note(NO_SCHEDULE);
    }
    let mut changes = tables::changes(analysis);
    let all = changes.rows.len();
    changes
        .rows
        .retain(|row| matches!(&row[4], super::Cell::Text(t) if t.starts_with("change first")));
    let changed = changes.rows.len();
    changes.rows.truncate(15);
    changes = changes.only(&["job", "machine", "part", "position", "probability_worn_out"]);
    "Change before the job".clone_into(&mut changes.title);
    changes.notes.clear();
    if changed > changes.rows.len() {
        changes.note(format!("The first {} of {changed}.", changes.rows.len()));
    }
    changes.note(format!(
        "No change is advised in {} of {all} cases looked at.",
        all - changed
    ));
    let caution = text::wrapped(SAFETY, "", "");
    let words = in_words(analysis);
    format!("{words}{}\n{}\n{caution}", text(&orders), text(&changes))
}

/// Orders in words on the terminal; the rest is in the table below them.
const WORDS: usize = 8;

/// What to order, by when and why, in plain words; empty where nothing is to be ordered.
fn in_words(analysis: &Analysis) -> String {
    let due = order_words::due(analysis);
    let mut out = String::new();
    for order in due.iter().take(WORDS) {
        let words = OrderWords::of(analysis, order);
        out.push_str(&text::wrapped(&words.sentence(), "", "  "));
        let more = [Some(words.with), words.least_now, words.split, words.habit];
        let more: Vec<String> = more.iter().flatten().map(|w| sentence(w)).collect();
        out.push_str(&text::wrapped(&more.join(" "), "  ", "  "));
    }
    if !out.is_empty() {
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::DetailLimits;
    use crate::report::sample::{Size, analysis};

    /// Writes reports of several sizes to look at:
    /// `WEARCAST_LOOK=/tmp/look cargo test --lib report::files::tests::look -- --ignored`
    #[test]
    #[ignore = "writes files for a person to look at"]
    fn look() {
        let to = std::path::PathBuf::from(std::env::var("WEARCAST_LOOK").unwrap());
        for (name, size) in [
            ("usual", Size::usual()),
            (
                "none",
                Size {
                    machines: 0,
                    jobs: 0,
                    lives: 0,
                    name: String::new(),
                },
            ),
            (
                "one",
                Size {
                    machines: 1,
                    jobs: 1,
                    lives: 1,
                    name: String::new(),
                },
            ),
            (
                "large",
                Size {
                    machines: 400,
                    jobs: 60,
                    lives: 10_000,
                    name: String::new(),
                },
            ),
            (
                "hostile",
                Size {
                    name: hostile(),
                    ..Size::usual()
                },
            ),
        ] {
            for (path, bytes) in written(&analysis(&size)).unwrap() {
                let path = to.join(name).join(path);
                std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                std::fs::write(path, bytes).unwrap();
            }
        }
    }

    fn written(analysis: &Analysis) -> Result<BTreeMap<String, Vec<u8>>, ReportError> {
        files(analysis, &Detail::of(analysis, DetailLimits::default()))
    }

    fn hostile() -> String {
        format!(
            " <script>alert(1)</script>\"'&amp;=1+1 \u{202e}עברית\u{1b}[31m]]>{}",
            "long ".repeat(2000)
        )
    }

    fn sizes() -> Vec<Size> {
        vec![
            Size::usual(),
            Size {
                machines: 0,
                jobs: 0,
                lives: 0,
                name: String::new(),
            },
            Size {
                machines: 1,
                jobs: 1,
                lives: 1,
                name: String::new(),
            },
            Size {
                name: hostile(),
                ..Size::usual()
            },
        ]
    }

    fn is(path: &str, kind: &str) -> bool {
        path.rsplit_once('.')
            .is_some_and(|(_, ending)| ending == kind)
    }

    /// Every element opened is closed in order, and every attribute quoted.
    fn well_formed(name: &str, text: &str) {
        const VOID: [&str; 5] = ["meta", "input", "br", "hr", "link"];
        let mut open: Vec<String> = Vec::new();
        let mut rest = text;
        while let Some(at) = rest.find('<') {
            rest = &rest[at..];
            if let Some(after) = rest.strip_prefix("<!DOCTYPE html>") {
                rest = after;
                continue;
            }
            let mut quoted = false;
            let end = rest
                .char_indices()
                .find(|(_, c)| {
                    quoted ^= *c == '"';
                    *c == '>' && !quoted
                })
                .unwrap_or_else(|| panic!("{name}: a tag never ends: {}", &rest[..60]))
                .0;
            let tag = &rest[1..end];
            rest = &rest[end + 1..];
            if let Some(closed) = tag.strip_prefix('/') {
                assert_eq!(open.pop().as_deref(), Some(closed), "{name}");
                continue;
            }
            let element: String = tag
                .chars()
                .take_while(char::is_ascii_alphanumeric)
                .collect();
            assert!(!element.is_empty(), "{name}: a stray < before {tag:.40}");
            if tag.ends_with('/') || VOID.contains(&element.as_str()) {
                continue;
            }
            if element == "script" || element == "style" {
                let close = format!("</{element}>");
                let end = rest.find(&close).unwrap();
                rest = &rest[end + close.len()..];
                continue;
            }
            open.push(element);
        }
        assert!(open.is_empty(), "{name}: never closed: {open:?}");
    }

    fn attributes<'a>(page: &'a str, attribute: &str) -> Vec<&'a str> {
        page.split(&format!(" {attribute}=\""))
            .skip(1)
            .filter_map(|s| s.split('"').next())
            .collect()
    }

    #[test]
    fn pages_and_charts_are_well_formed_at_any_size_and_with_hostile_names() {
        for size in sizes() {
            for (path, bytes) in written(&analysis(&size)).unwrap() {
                let text = String::from_utf8(bytes).unwrap_or_default();
                if is(&path, "html") || is(&path, "svg") {
                    well_formed(&path, &text);
                    assert!(!text.contains("NaN"), "{path}");
                    assert!(
                        !text.contains('\u{1b}') && !text.contains('\u{202e}'),
                        "{path}"
                    );
                }
            }
        }
    }

    #[test]
    fn links_lead_somewhere_and_names_are_unique() {
        for size in sizes() {
            let files = written(&analysis(&size)).unwrap();
            let page = String::from_utf8(files["index.html"].clone()).unwrap();
            let ids = attributes(&page, "id");
            let distinct: std::collections::BTreeSet<_> = ids.iter().collect();
            assert_eq!(ids.len(), distinct.len());
            for link in attributes(&page, "href") {
                match link.strip_prefix('#') {
                    Some(anchor) => assert!(ids.contains(&anchor), "{link}"),
                    None => assert!(files.contains_key(link), "{link}"),
                }
            }
            assert!(
                !page.contains("http://") || !page.contains("src="),
                "nothing is fetched"
            );
        }
    }

    #[test]
    fn a_hostile_name_is_text_and_nothing_else() {
        let files = written(&analysis(&sizes()[3])).unwrap();
        let page = String::from_utf8(files["index.html"].clone()).unwrap();
        assert_eq!(page.matches("<script").count(), 1, "only our own script");
        assert!(page.contains("&lt;script&gt;alert(1)"));
        assert!(page.len() < 5_000_000);
        for (path, bytes) in &files {
            if is(path, "csv") {
                let mut reader = ::csv::Reader::from_reader(bytes.as_slice());
                for record in reader.records() {
                    for field in &record.unwrap() {
                        assert!(!field.starts_with(['=', '+', '@']), "{path}: {field:.40}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_page_stays_small_however_large_the_fleet() {
        let size = Size {
            machines: 1000,
            jobs: 60,
            lives: 10_000,
            name: String::new(),
        };
        let analysis = analysis(&size);
        let tables = tables::all(&analysis);
        let charts = Charts::of(&analysis, &Detail::default());
        let contents = Contents {
            analysis: &analysis,
            detail: &Detail::default(),
            tables: &tables,
            charts: &charts,
        };
        let page = page(&contents);
        assert!(page.len() < 5_000_000, "{} bytes", page.len());
        // The whole is in the file, the worst on the page.
        let fitted = tables.iter().find(|t| t.key == "fitted").unwrap();
        assert_eq!(fitted.rows.len(), 10_000);
        assert!(
            page.contains("The first 25 of 10,000 rows."),
            "the page says what it leaves out"
        );
    }

    #[test]
    fn the_same_analysis_gives_the_same_bytes() {
        let size = Size::usual();
        assert_eq!(
            written(&analysis(&size)).unwrap(),
            written(&analysis(&size)).unwrap()
        );
    }

    #[test]
    fn advice_never_stands_without_the_caution() {
        let analysis = analysis(&Size::usual());
        assert!(answer(&analysis).replace('\n', " ").contains(SAFETY));
        let files = written(&analysis).unwrap();
        let page = String::from_utf8(files["index.html"].clone()).unwrap();
        // Act, fitted parts, practice, looks, method, and each of the eight sheets.
        assert_eq!(page.matches(SAFETY).count(), 13);
        assert!(page.contains("id=\"safety\""));
        // And in short under each table that names parts, before the jobs, and in two lists of each sheet.
        for key in [
            "changes",
            "fitted",
            "planned_intervals",
            "inspections",
            "next_looks",
        ] {
            let from = page.find(&format!("id=\"table-{key}\"")).unwrap();
            let under = page[from..].find("p class=\"under\"").unwrap();
            let to = page[from + under..].find("</p>").unwrap();
            assert!(
                page[from..][under..][..to].contains(SAFETY_IN_SHORT),
                "{key}"
            );
        }
        assert_eq!(page.matches(SAFETY_IN_SHORT).count(), 5 + 1);
        assert!(
            page.matches("(safety first: isolated, pressure out)")
                .count()
                >= 2 * 8
        );
        let text = outlook(&analysis);
        let words: Vec<&str> = text.split_whitespace().collect();
        assert!(words.join(" ").contains(SAFETY_IN_SHORT));
        assert!(
            String::from_utf8(files["results.json"].clone())
                .unwrap()
                .contains(SAFETY)
        );
    }

    #[test]
    fn text_fits_eighty_columns_whatever_the_names() {
        use unicode_width::UnicodeWidthStr;
        for size in sizes() {
            let analysis = analysis(&size);
            for text in [answer(&analysis), outlook(&analysis)] {
                let widest = text.lines().max_by_key(|line| line.width()).unwrap();
                assert!(widest.width() <= 80, "{widest}");
                assert!(!text.contains('\u{1b}'), "no colour in the text itself");
            }
        }
    }

    #[test]
    fn the_answer_on_the_terminal() {
        insta::assert_snapshot!(answer(&analysis(&Size::usual())));
    }
}
