//! Times from an export to lives: `cargo bench --bench records`. Absolute times mean little on
//! shared machines; `examples/records_study.rs` makes the same files for other tools.

#[path = "../../examples/records_study.rs"]
#[expect(dead_code, reason = "the example's main is not run here")]
mod records_study;

use divan::Bencher;

fn main() {
    divan::main();
}

#[divan::bench(args = [("clean", 100_000), ("dirty", 100_000), ("clean", 1_000_000), ("dirty", 1_000_000)], sample_count = 5)]
fn export_to_lives(bencher: Bencher, (kind, rows): (&str, u64)) {
    let dir = std::env::temp_dir().join(format!("wearcast-bench-{kind}-{rows}"));
    if records_study::write(&dir, rows, kind == "dirty").is_err() {
        return;
    }
    bencher.bench(|| records_study::read(&dir).ok());
    let _ = std::fs::remove_dir_all(&dir);
}
