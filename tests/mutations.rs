//! The readers, fed with kept inputs and seeded changes of them: no panic, and what must hold holds
//! (see `fuzz/entry.rs`). `WEARCAST_MUTATIONS=100000 cargo test --test mutations` tries more.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test may stop at what it did not expect"
)]

#[path = "fuzz/entry.rs"]
mod entry;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Changed inputs tried for each reader, where not asked otherwise.
const MUTATIONS: u64 = 300;

/// Texts that readers stumble over.
const TOKENS: [&str; 56] = [
    "\"",
    "\"\"",
    ",",
    ";",
    "\t",
    "|",
    "\n",
    "\r\n",
    "\r",
    "\0",
    "\u{1}",
    "\u{1f}",
    "\u{feff}",
    "\u{202e}",
    "\u{a0}",
    "\u{1b}[31m",
    "é",
    "９",
    "🙂",
    "-",
    "-0",
    "0",
    "1e308",
    "1e999",
    "NaN",
    "inf",
    "9999999999999999999",
    "0.0000001",
    "65536",
    "2025-02-30",
    "29.02.2024",
    "13/13/2025",
    "01/02/2025",
    "31.12.99",
    "9999-12-31",
    "0001-01-01",
    "45943",
    "1.234,5",
    "1,234",
    "M1",
    "M-1",
    "belt",
    "ring",
    "roller",
    "front; rear",
    "all",
    "worn",
    "found worn",
    "date",
    "hours",
    "[[",
    "]",
    "= ",
    "<",
    "/>",
    "&#49;",
];

fn kept(target: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(target);
    let mut kept: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            (name, std::fs::read(entry.path()).unwrap())
        })
        .collect();
    kept.sort();
    assert!(!kept.is_empty(), "{target} has no kept input");
    kept
}

fn changed(random: &mut Xoshiro256PlusPlus, kept: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut bytes = kept[random.random_range(0..kept.len())].1.clone();
    for _ in 0..random.random_range(1..8) {
        let at = random.random_range(0..=bytes.len());
        let to = (at + random.random_range(0..40)).min(bytes.len());
        match random.random_range(0..8) {
            0 if at < bytes.len() => bytes[at] = random.random_range(0..=255),
            1 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            2 => drop(bytes.drain(at..to)),
            3 => {
                let piece = bytes[at..to].to_vec();
                let at = random.random_range(0..=bytes.len());
                bytes.splice(at..at, piece);
            }
            4 => {
                let other = &kept[random.random_range(0..kept.len())].1;
                let from = random.random_range(0..=other.len());
                let piece = other[from..(from + 60).min(other.len())].to_vec();
                bytes.splice(at..to, piece);
            }
            5 => {
                let token = TOKENS[random.random_range(0..TOKENS.len())];
                bytes.splice(at..to.min(at + 6), token.bytes());
            }
            6 => {
                // A run of lines again: duplicates, and a meter that goes backwards.
                let lines = bytes.iter().position(|b| *b == b'\n').unwrap_or(0);
                let piece = bytes[lines..].to_vec();
                bytes.extend(piece.into_iter().take(400));
            }
            _ => {
                let token = TOKENS[random.random_range(0..TOKENS.len())];
                bytes.splice(at..at, token.bytes());
            }
        }
    }
    bytes.truncate(20_000);
    bytes
}

/// Runs one input; what breaks is kept in a file, to be looked at and added to the kept inputs.
fn try_one(target: entry::Target, what: &str, bytes: &[u8]) {
    let (name, run) = target;
    if catch_unwind(AssertUnwindSafe(|| run(bytes))).is_err() {
        let path = std::env::temp_dir().join(format!("wearcast-broke-{name}"));
        std::fs::write(&path, bytes).unwrap();
        panic!("{name}, {what}: the input is in {}", path.display());
    }
}

#[test]
fn nothing_read_breaks_the_readers() {
    let asked = std::env::var("WEARCAST_MUTATIONS");
    let mutations = asked.map_or(MUTATIONS, |n| n.parse().unwrap());
    let from: u64 = std::env::var("WEARCAST_MUTATIONS_SEED").map_or(0, |n| n.parse().unwrap());
    for (stream, target) in (0_u64..).zip(entry::TARGETS) {
        let kept = kept(target.0);
        for (name, bytes) in &kept {
            try_one(target, name, bytes);
        }
        for number in 0..mutations {
            let mut random =
                Xoshiro256PlusPlus::seed_from_u64((from << 40) | (stream << 32) | number);
            let bytes = changed(&mut random, &kept);
            try_one(target, &format!("change {number}"), &bytes);
        }
    }
}
