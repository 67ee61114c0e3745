//! Rebuilds `notebooks-free-reports/` from the datasets and examples, as the program writes them.
//!
//! `cargo run --example rebuild_reports` rewrites the folder; with `--check` it changes nothing and
//! fails, naming the files, when the committed reports are not what the program writes now.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use wearcast::cli;

/// Fleet folder and the folder of its report.
const FLEETS: [(&str, &str); 2] = [
    ("examples/evaporator-crew", "evaporator-crew"),
    ("datasets/valve_seats/fleet", "valve-seats"),
];

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Runs one command line without the terminal; what could not be given for a part is no failure here.
fn answer(args: &[&Path]) -> Result<String, Failure> {
    let program = OsString::from("wearcast");
    let args = args.iter().map(|arg| arg.as_os_str().to_owned());
    Ok(cli::reply(std::iter::once(program).chain(args))?.stdout)
}

fn rebuild(root: &Path, into: &Path) -> Result<(), Failure> {
    let rebuild_fleet = |fleet: &str, name: &str| -> Result<(), Failure> {
        let (fleet, folder) = (root.join(fleet), into.join(name));
        let whole = tempfile::tempdir()?;
        let report = whole.path().join("report");
        answer(&[Path::new("report"), &fleet, Path::new("-o"), &report])?;
        keep(&report, &folder)
    };
    // Side by side: they take as long as the slowest.
    std::thread::scope(|scope| {
        let fleets = FLEETS.map(|(fleet, name)| scope.spawn(move || rebuild_fleet(fleet, name)));
        let mut done = vec![validation(into)];
        done.extend(fleets.into_iter().map(|thread| {
            thread
                .join()
                .unwrap_or_else(|_| Err("a report stopped on the way".into()))
        }));
        done.into_iter().collect()
    })
}

fn validation(into: &Path) -> Result<(), Failure> {
    let folder = into.join("validation");
    std::fs::create_dir_all(&folder)?;
    let validate = Path::new("validate");
    std::fs::write(folder.join("validation.txt"), answer(&[validate])?)?;
    let json = answer(&[validate, Path::new("--json")])?;
    std::fs::write(folder.join("validation.json"), json)?;
    Ok(())
}

/// Copies the page and what it links to: the tables, the spreadsheet and the JSON. The charts are in
/// the page; as files of their own they would only make what is committed larger. A screenshot
/// beside the page is left there.
fn keep(report: &Path, folder: &Path) -> Result<(), Failure> {
    let tables = folder.join("tables");
    if tables.exists() {
        std::fs::remove_dir_all(&tables)?;
    }
    std::fs::create_dir_all(&tables)?;
    for name in ["index.html", "wearcast.xlsx", "results.json"] {
        std::fs::copy(report.join(name), folder.join(name))?;
    }
    for entry in std::fs::read_dir(report.join("tables"))? {
        let entry = entry?;
        std::fs::copy(entry.path(), tables.join(entry.file_name()))?;
    }
    Ok(())
}

/// Contents of every file below a folder, by its path from there; screenshots are not the program's.
fn contents(folder: &Path) -> Result<BTreeMap<PathBuf, Vec<u8>>, Failure> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(here) = folders.pop() {
        for entry in std::fs::read_dir(here)? {
            let path = entry?.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_none_or(|e| e != "png" && e != "md") {
                let name = path.strip_prefix(folder)?.to_owned();
                found.insert(name, std::fs::read(&path)?);
            }
        }
    }
    Ok(found)
}

fn differences(root: &Path, committed: &Path) -> Result<Vec<PathBuf>, Failure> {
    let fresh = tempfile::tempdir()?;
    rebuild(root, fresh.path())?;
    let (ours, theirs) = (contents(fresh.path())?, contents(committed)?);
    let names = ours.keys().chain(theirs.keys());
    let mut differing: Vec<PathBuf> = names
        .filter(|name| ours.get(*name) != theirs.get(*name))
        .cloned()
        .collect();
    differing.sort();
    differing.dedup();
    Ok(differing)
}

fn main() -> Result<ExitCode, Failure> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let committed = root.join("notebooks-free-reports");
    if std::env::args().nth(1).as_deref() != Some("--check") {
        rebuild(root, &committed)?;
        return Ok(ExitCode::SUCCESS);
    }
    let differing = differences(root, &committed)?;
    for name in &differing {
        writeln!(std::io::stderr(), "differs: {}", name.display())?;
    }
    Ok(ExitCode::from(u8::from(!differing.is_empty())))
}
