//! A fleet folder for one test.

use std::path::Path;
use std::process::{Command, Output};

use wearcast::lives::{self, Life, Lives};
use wearcast::records::{Fleet, LoadOptions, RecordsError};

/// One belt a machine; the records in `records.csv` with our own headings and words.
pub(crate) const BELT: &str = r#"
[fleet]
name = "Test"
[[records]]
file = "records.csv"
[records.reasons]
worn = ["worn"]
unworn = ["unworn"]
[[part]]
name = "belt"
"#;

pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new(toml: &str, files: &[(&str, &str)]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("fleet.toml"), toml).unwrap();
        for (name, contents) in files {
            std::fs::write(dir.path().join(name), contents).unwrap();
        }
        Self(dir)
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn load(&self) -> Result<Fleet, RecordsError> {
        Fleet::load(self.path(), &LoadOptions::default())
    }

    pub(crate) fn lives(&self) -> Lives {
        let fleet = self.load().unwrap();
        let lives = lives::build(&fleet);
        let rows = lives.rows;
        assert_eq!(
            rows.rows_in,
            rows.used + rows.merged + rows.set_aside,
            "{rows:?}"
        );
        lives
    }

    pub(crate) fn refused(&self) -> String {
        self.load().unwrap_err().to_string()
    }

    pub(crate) fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_wearcast"))
            .args(args)
            .current_dir(self.path())
            .output()
            .unwrap()
    }
}

/// Belt lives from records with columns date, machine, part, hours, reason.
pub(crate) fn belts(rows: &str) -> Lives {
    belts_with("", rows)
}

/// Likewise, with more settings.
pub(crate) fn belts_with(settings: &str, rows: &str) -> Lives {
    let records = format!("date,machine,part,hours,reason\n{rows}");
    Folder::new(&format!("{BELT}{settings}"), &[("records.csv", &records)]).lives()
}

/// A life in short: `position outcome low..high` with entry and count where they say something.
pub(crate) fn brief(life: &Life) -> String {
    let word = match life.outcome {
        lives::Outcome::Worn => "worn",
        lives::Outcome::Unworn => "unworn",
        lives::Outcome::Running => "running",
    };
    let mut brief = format!("{} {} {word}", life.machine, life.position);
    if life.low == life.high || life.high.is_infinite() {
        brief.push_str(&format!(" {}", life.low));
    } else {
        brief.push_str(&format!(" {}..{}", life.low, life.high));
    }
    if life.entry > 0.0 {
        brief.push_str(&format!(" from {}", life.entry));
    }
    if life.count > 1 {
        brief.push_str(&format!(" ×{}", life.count));
    }
    brief
}

pub(crate) fn briefs(lives: &Lives) -> Vec<String> {
    lives.lives.iter().map(brief).collect()
}

pub(crate) fn codes(lives: &Lives) -> Vec<&str> {
    let mut codes: Vec<&str> = lives.problems.iter().map(|p| p.code.as_str()).collect();
    codes.sort_unstable();
    codes.dedup();
    codes
}

/// Ages of what is now fitted: `machine position age`.
pub(crate) fn fitted(lives: &Lives) -> Vec<String> {
    lives
        .fitted
        .iter()
        .map(|f| {
            let age = f.age_hours.map_or("?".to_owned(), |a| a.to_string());
            format!("{} {} {age}", f.machine, f.position)
        })
        .collect()
}
