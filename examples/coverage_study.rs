//! How often the 95 % intervals hold the truth, by simulation; writes the table of the documentation.
//!
//! `cargo run --release --example coverage_study -- [replicates]` (default 10,000; a minute or two), or
//! `… -- [replicates] resampled [worn …]` for the intervals that refit thousands of samples each (much
//! slower), with so many worn lives (default 3, 5, 10 and 30).

use std::io::Write;

use wearcast::models::{Censoring, Held, coverage, resampled_coverage};

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    let replicates = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(10_000);
    let name = |censoring| match censoring {
        Censoring::Complete => "complete",
        Censoring::TypeI => "type I",
        Censoring::TypeII => "type II",
        Censoring::Random => "random",
    };
    let percent = |held: Held| {
        format!(
            "{:.1} / {:.1} / {:.1}",
            100.0 * held.b10,
            100.0 * held.median,
            100.0 * held.shape
        )
    };
    writeln!(
        out,
        "Coverage of 95 % intervals in percent: B10 / median / shape. {replicates} replicates.\n"
    )?;
    if std::env::args().nth(2).as_deref() == Some("resampled") {
        writeln!(
            out,
            "| censoring | worn | bootstrap | line through ranks | no limits (either) |\n|---|---|---|---|---|"
        )?;
        let asked: Vec<usize> = (std::env::args().skip(3))
            .filter_map(|a| a.parse().ok())
            .collect();
        let asked = if asked.is_empty() {
            vec![3, 5, 10, 30]
        } else {
            asked
        };
        for censoring in Censoring::ALL {
            for &worn in &asked {
                let c = resampled_coverage(censoring, worn, 0.95, replicates);
                writeln!(
                    out,
                    "| {} | {worn} | {} | {} | {:.1} / {:.1} % |",
                    name(censoring),
                    percent(c.bootstrap),
                    percent(c.line),
                    100.0 * c.without_bootstrap,
                    100.0 * c.without_line
                )?;
            }
        }
        return Ok(());
    }
    writeln!(
        out,
        "| censoring | worn | posterior | likelihood ratio | Wald | no posterior |"
    )?;
    writeln!(out, "|---|---|---|---|---|---|")?;
    for censoring in Censoring::ALL {
        for worn in [3, 5, 10, 30] {
            let c = coverage(censoring, worn, 0.95, replicates);
            writeln!(
                out,
                "| {} | {worn} | {} | {} | {} | {:.1} % |",
                name(censoring),
                percent(c.posterior),
                percent(c.likelihood),
                percent(c.wald),
                100.0 * c.without_posterior
            )?;
        }
    }
    Ok(())
}
