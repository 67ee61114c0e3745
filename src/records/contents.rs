//! The bytes of a file, within bounds: no device is waited for, no file is too large to hold, none
//! changes in silence while it is read.

use std::fs::{File, Metadata};
use std::io::Read;
use std::path::Path;

use super::RecordsError;
use super::text::shown;

/// Bytes read at a time.
const BLOCK: u64 = 1 << 20;

/// Reads a whole file, called `name` in messages, of `most` bytes at the most.
///
/// # Errors
/// [`RecordsError::Read`] where it cannot be opened or read; [`RecordsError::Table`] where it is a
/// folder or a device, too large, or changes meanwhile.
pub(super) fn read(path: &Path, name: &str, most: u64) -> Result<Vec<u8>, RecordsError> {
    read_judging(path, name, most, |_| Ok(()))
}

/// [`read`]; `judge` sees each block first and may refuse the file with a sentence.
pub(super) fn read_judging(
    path: &Path,
    name: &str,
    most: u64,
    judge: impl FnMut(&[u8]) -> Result<(), String>,
) -> Result<Vec<u8>, RecordsError> {
    let io = |source| RecordsError::Read {
        path: path.to_owned(),
        source,
    };
    let refuse = |what: String| RecordsError::Table {
        file: shown(name),
        what,
    };
    // Opening a pipe would wait for whoever writes to it.
    if !path.metadata().map_err(io)?.is_file() {
        return Err(refuse("it is a folder or a device, not a file".into()));
    }
    let mut file = File::open(path).map_err(io)?;
    let before = file.metadata().map_err(io)?;
    if before.len() > most {
        return Err(refuse(format!(
            "it is larger than {}; split it into several files",
            size(most)
        )));
    }
    let bytes = match of_size(&mut file, before.len(), judge) {
        Ok(bytes) => bytes,
        Err(Refused::Read(source)) => return Err(io(source)),
        Err(Refused::Said(what)) => return Err(refuse(what)),
    };
    let after = file.metadata().map_err(io)?;
    if bytes.len() as u64 != before.len() || stamp(&after) != stamp(&before) {
        return Err(refuse(
            "it changed while it was read; close the program that writes it and try again".into(),
        ));
    }
    Ok(bytes)
}

/// Length and time of the last change, where the system tells it.
fn stamp(of: &Metadata) -> (u64, Option<std::time::SystemTime>) {
    (of.len(), of.modified().ok())
}

enum Refused {
    Read(std::io::Error),
    Said(String),
}

/// All that a reader gives, but not much more than `size` bytes.
fn of_size(
    reader: &mut impl Read,
    size: u64,
    mut judge: impl FnMut(&[u8]) -> Result<(), String>,
) -> Result<Vec<u8>, Refused> {
    let mut bytes = Vec::new();
    usize::try_from(size)
        .ok()
        .and_then(|size| bytes.try_reserve_exact(size).ok())
        .ok_or_else(|| Refused::Said("there is not enough memory to hold it".into()))?;
    let most = size.saturating_add(1);
    loop {
        // Straight to where it stays: a copy of a large file is felt.
        let before = bytes.len();
        let block = most.saturating_sub(before as u64).min(BLOCK);
        let mut limited = reader.by_ref().take(block);
        limited.read_to_end(&mut bytes).map_err(Refused::Read)?;
        if bytes.len() == before {
            return Ok(bytes);
        }
        judge(&bytes[before..]).map_err(Refused::Said)?;
    }
}

fn size(bytes: u64) -> String {
    if bytes >= 1 << 30 {
        format!("{} GB", bytes >> 30)
    } else {
        format!("{} MB", bytes >> 20)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_comes_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a");
        std::fs::write(&path, vec![b'x'; 1_000_000]).unwrap();
        assert_eq!(read(&path, "a", 1_000_000).unwrap().len(), 1_000_000);
        let message = read(&path, "a", 999_999).unwrap_err().to_string();
        assert!(message.contains("larger than"), "{message}");
        let message = read(dir.path(), "d", 9).unwrap_err().to_string();
        assert!(message.contains("a folder or a device"), "{message}");
    }

    #[test]
    fn a_file_that_changes_while_it_is_read_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a");
        for change in ["longer, by far", "x", "same"] {
            std::fs::write(&path, "text").unwrap();
            let past = std::time::SystemTime::now() - std::time::Duration::from_mins(1);
            let file = File::options().write(true).open(&path).unwrap();
            file.set_modified(past).unwrap();
            let refused = read_judging(&path, "a", 100, |_| {
                std::fs::write(&path, change).map_err(|e| e.to_string())
            });
            let message = refused.unwrap_err().to_string();
            assert!(message.contains("changed while"), "{change}: {message}");
        }
    }

    #[test]
    fn what_never_ends_is_read_no_further_than_its_size() {
        let Ok(bytes) = of_size(&mut std::io::repeat(b'x'), 5_000_000, |_| Ok(())) else {
            unreachable!("a reader without errors")
        };
        assert_eq!(bytes.len(), 5_000_001);
    }
}
