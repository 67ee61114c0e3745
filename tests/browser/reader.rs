//! Opens written reports in a real browser, through `check.mjs` beside this file.
//!
//! Needs Debian's chromium (or another one, named in `CHROMIUM`), node, and `npm ci` once in
//! `tests/browser`. Where one of them is missing the tests say so and pass; on a build server
//! (`CI=true`) that is a failure.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// What the browser found in each report, in the order asked; `None` where there is no browser.
pub(crate) fn look(test: &str, reports: &[&Path]) -> Option<Vec<Value>> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser");
    let chromium = std::env::var_os("CHROMIUM").map_or("/usr/bin/chromium".into(), PathBuf::from);
    let node = Command::new("node").arg("--version").output();
    let missing = if !chromium.exists() {
        format!(
            "no browser at {} (apt-get install chromium)",
            chromium.display()
        )
    } else if !node.is_ok_and(|out| out.status.success()) {
        "no node (apt-get install nodejs npm)".to_owned()
    } else if !here.join("node_modules/playwright-core").exists() {
        "nothing installed in tests/browser (run npm ci there)".to_owned()
    } else {
        String::new()
    };
    if !missing.is_empty() {
        assert!(
            std::env::var("CI").as_deref() != Ok("true"),
            "{test} cannot run: {missing}"
        );
        // Past the test harness, which keeps what a passing test says to itself.
        let _ = writeln!(std::io::stderr(), "SKIPPED {test}: {missing}");
        return None;
    }
    let out = Command::new("node")
        .arg(here.join("check.mjs"))
        .args(reports)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    Some(found["reports"].as_array().unwrap().clone())
}

/// Everything that is wrong with a report, a line each.
pub(crate) fn wrong(report: &Value) -> String {
    let lines = report["wrong"].as_array().unwrap();
    let lines: Vec<&str> = lines.iter().filter_map(Value::as_str).collect();
    lines.join("\n")
}
