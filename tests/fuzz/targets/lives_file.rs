#![no_main]
#[path = "../entry.rs"]
#[expect(dead_code, reason = "one target uses one entry")]
mod entry;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| entry::lives_file(bytes));
