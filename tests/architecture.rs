//! The stages depend on each other in one direction only; this test holds the list.

#![expect(
    clippy::unwrap_used,
    reason = "a test may stop at what it did not expect"
)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Stages in the order data flows. A stage may use the ones before it, never one after it.
const STAGES: [&str; 11] = [
    "numerics", "records", "meters", "lives", "models", "compare", "forecast", "stock", "analysis",
    "validate", "report",
];

/// Crates that stop at one place: (crate as written in a path, folders that may use it).
const STOPS: [(&str, &[&str]); 7] = [
    ("clap", &["cli"]),
    ("polars", &["records"]),
    ("calamine", &["records"]),
    ("quick_xml", &["records"]),
    ("plotters", &["report"]),
    ("maud", &["report"]),
    ("rust_xlsxwriter", &["report"]),
];

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The text up to the tests beside the code; nothing of a file that holds only tests. Tests may
/// read with another crate what ours wrote, and studies among them print their tables.
fn production_code(path: &Path) -> String {
    let stem = path.file_stem().unwrap().to_str().unwrap();
    if stem == "tests" || stem.ends_with("_tests") {
        return String::new();
    }
    let text = std::fs::read_to_string(path).unwrap();
    text.split("\n#[cfg(test)]\nmod ")
        .next()
        .unwrap()
        .to_owned()
}

/// Every source file with the stage it belongs to (`lib` and `main` belong to none).
fn files_by_stage() -> Vec<(String, PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let relative = path.strip_prefix(&root).unwrap();
            let first = relative
                .components()
                .next()
                .unwrap()
                .as_os_str()
                .to_str()
                .unwrap();
            let stage = first.trim_end_matches(".rs").to_owned();
            let text = production_code(&path);
            (stage, path, text)
        })
        .collect()
}

/// Stages that a source names through `crate::…`, one level of braces included.
fn stages_used(text: &str) -> BTreeSet<String> {
    let mut used = BTreeSet::new();
    let mut rest = text;
    while let Some(at) = rest.find("crate::") {
        rest = &rest[at + "crate::".len()..];
        if let Some(group) = rest.strip_prefix('{') {
            let group = &group[..group.find('}').unwrap_or(group.len())];
            used.extend(group.split(',').map(first_word));
        } else {
            used.insert(first_word(rest));
        }
    }
    used
}

fn first_word(text: &str) -> String {
    text.trim_start()
        .chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

#[test]
fn a_stage_uses_only_the_stages_before_it() {
    let mut wrong = Vec::new();
    for (stage, path, text) in files_by_stage() {
        let Some(here) = STAGES.iter().position(|s| *s == stage) else {
            continue;
        };
        for used in stages_used(&text) {
            match STAGES.iter().position(|s| *s == used) {
                Some(there) if there <= here => {}
                Some(_) => wrong.push(format!("{} uses crate::{used}", path.display())),
                None if used == "cli" => wrong.push(format!("{} uses crate::cli", path.display())),
                None => {}
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "edges against the flow:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn every_folder_of_the_source_is_a_known_stage() {
    let known: BTreeSet<&str> = STAGES.into_iter().chain(["cli", "lib", "main"]).collect();
    for (stage, path, _) in files_by_stage() {
        assert!(
            known.contains(stage.as_str()),
            "{} belongs to no known stage",
            path.display()
        );
    }
}

#[test]
fn foreign_types_stop_where_they_should() {
    let mut wrong = Vec::new();
    for (stage, path, text) in files_by_stage() {
        for (name, allowed) in STOPS {
            let named = text.contains(&format!("{name}::"));
            if named && !allowed.contains(&stage.as_str()) {
                wrong.push(format!("{} uses {name}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn nothing_but_the_command_line_prints() {
    let macros = [
        "println!",
        "eprintln!",
        "print!(",
        "eprint!(",
        "std::io::stdout",
        "std::io::stderr",
    ];
    let mut wrong = Vec::new();
    for (stage, path, text) in files_by_stage() {
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for line in code
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"))
        {
            if !["cli", "main"].contains(&stage.as_str()) && macros.iter().any(|m| line.contains(m))
            {
                wrong.push(format!("{}: {}", path.display(), line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_reader_of_edges_sees_braces_and_plain_paths() {
    let used = stages_used("use crate::{lives::Life, models};\nlet x = crate::stock::plan();");
    assert_eq!(used, ["lives", "models", "stock"].map(String::from).into());
}
