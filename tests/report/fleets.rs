//! Reports to look at: written once, by the command line, below the target directory.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;

/// A name that would do harm wherever it is not taken as text.
pub(crate) const HOSTILE: &str = "<script>alert(1)</script>\"'&lt=1+1 ../../x \u{202e}abc";

/// Runs `wearcast report` on a fleet folder; gives the report's directory.
fn report(fleet: &Path, name: &str) -> PathBuf {
    let out = below(name).join("report");
    let ran = Command::new(env!("CARGO_BIN_EXE_wearcast"))
        .arg("report")
        .arg(fleet)
        .arg("-o")
        .arg(&out)
        .output()
        .unwrap();
    let code = ran.status.code();
    let said = String::from_utf8_lossy(&ran.stderr);
    assert!(code == Some(0) || code == Some(1), "{code:?}: {said}");
    out
}

fn below(name: &str) -> PathBuf {
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("reports")
        .join(name);
    std::fs::create_dir_all(&dir).unwrap();
    dir
}

/// The example crew with the first three jobs of its schedule: a debug build is slow.
pub(crate) fn crew() -> &'static Path {
    static CREW: LazyLock<PathBuf> = LazyLock::new(|| {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/evaporator-crew");
        let fleet = below("crew").join("fleet");
        std::fs::create_dir_all(&fleet).unwrap();
        for entry in std::fs::read_dir(from).unwrap() {
            let entry = entry.unwrap();
            let mut text = std::fs::read_to_string(entry.path()).unwrap();
            if entry.file_name() == "jobs.csv" {
                text = text.lines().take(4).collect::<Vec<_>>().join("\n");
            }
            std::fs::write(fleet.join(entry.file_name()), text).unwrap();
        }
        report(&fleet, "crew")
    });
    &CREW
}

/// One machine, one part, one worn life, and [`HOSTILE`] in every name.
pub(crate) fn hostile() -> &'static Path {
    static HOSTILE_FLEET: LazyLock<PathBuf> = LazyLock::new(|| {
        let fleet = below("hostile").join("fleet");
        std::fs::create_dir_all(&fleet).unwrap();
        let name = serde_json::to_string(HOSTILE).unwrap();
        let formula = serde_json::to_string(&format!("={HOSTILE}")).unwrap();
        let toml = format!(
            "[fleet]\nname = {name}\nas_of = 2026-03-31\ncurrency = \"=USD<b>\"\n\n\
             [[records]]\nfile = \"records.csv\"\n[records.reasons]\nworn = [\"worn*\"]\n\n\
             [[jobs]]\nfile = \"jobs.csv\"\n\n\
             [[machine]]\nname = {formula}\nnew_on = 2025-01-01\n\n\
             [[part]]\nname = {name}\nper_machine = 1\npositions = [{formula}]\nunit_cost = 10.0\n\
             on_hand = 0\nlead_time_days = 10\nbelieved_life = [100, 900]\n\
             planned_change = {{ cost = 5 }}\nunplanned_stop = {{ hours = 2, cost_per_hour = 100 }}\n"
        );
        std::fs::write(fleet.join("fleet.toml"), toml).unwrap();
        let mut records = csv::Writer::from_path(fleet.join("records.csv")).unwrap();
        let machine = format!("={HOSTILE}");
        records
            .write_record(["date", "machine", "part", "position", "hours", "reason"])
            .unwrap();
        for (date, hours, reason) in [
            ("2025-06-01", "300", "worn <i>through</i>"),
            ("2025-09-01", "520", "=1+1 no reason we know"),
            ("2026-02-01", "700", "worn"),
        ] {
            records
                .write_record([date, &machine, HOSTILE, &machine, hours, reason])
                .unwrap();
        }
        records.flush().unwrap();
        let mut jobs = csv::Writer::from_path(fleet.join("jobs.csv")).unwrap();
        jobs.write_record(["job", "start", "end", "machine", "hours"])
            .unwrap();
        for (job, start, end) in [
            (HOSTILE, "2026-04-10", "2026-04-20"),
            ("@SUM(A1)", "2026-05-10", "2026-05-20"),
        ] {
            jobs.write_record([job, start, end, &machine, "80"])
                .unwrap();
        }
        jobs.flush().unwrap();
        report(&fleet, "hostile")
    });
    &HOSTILE_FLEET
}

/// Every file below a directory, by its path from there with `/`.
pub(crate) fn files(dir: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![dir.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(dir).unwrap();
                found.push(name.to_string_lossy().replace('\\', "/"));
            }
        }
    }
    found.sort();
    found
}
