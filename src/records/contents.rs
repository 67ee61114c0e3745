//! The bytes of a file, within bounds: no device is waited for, no file is too large to hold, none
//! changes in silence while it is read.

use std::fs::{File, Metadata};
use std::path::Path;

use rayon::prelude::*;

use super::RecordsError;
use super::text::shown;

/// Bytes read before they are judged, and by one thread at a time.
const BLOCK: usize = 1 << 25;
const PIECE: usize = 1 << 22;
/// A file of more bytes is asked for room first.
const LARGE: usize = 1 << 30;

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
    let file = File::open(path).map_err(io)?;
    let before = file.metadata().map_err(io)?;
    if before.len() > most {
        return Err(refuse(format!(
            "it is larger than {}; split it into several files",
            size(most)
        )));
    }
    let bytes = match of_size(|from, into| read_at(&file, from, into), before.len(), judge) {
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

/// All that there is from the beginning on, but not much more than `size` bytes; `read_at` reads what stands from a
/// place on.
fn of_size(
    read_at: impl Fn(u64, &mut [u8]) -> std::io::Result<usize> + Sync,
    size: u64,
    mut judge: impl FnMut(&[u8]) -> Result<(), String>,
) -> Result<Vec<u8>, Refused> {
    let too_little = || Refused::Said("there is not enough memory to hold it".into());
    let all = usize::try_from(size.saturating_add(1)).map_err(|_| too_little())?;
    let mut bytes = Vec::new();
    if all <= LARGE {
        // Zeros that come from the system as they are, not written before the file is.
        bytes = vec![0; all];
    } else {
        bytes.try_reserve_exact(all).map_err(|_| too_little())?;
    }
    let piece = |(number, piece): (usize, &mut [u8]), before: usize| {
        let from = (before + number * PIECE) as u64;
        let mut filled = 0;
        while filled < piece.len() {
            match read_at(from + filled as u64, &mut piece[filled..]) {
                Ok(0) => break,
                Ok(read) => filled += read,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(filled)
    };
    let mut before = 0;
    while before < all {
        let end = all.min(before + BLOCK);
        if bytes.len() < end {
            bytes.resize(end, 0);
        }
        let block = &mut bytes[before..end];
        let pieces = block.par_chunks_mut(PIECE).enumerate();
        let filled: Result<Vec<usize>, _> = pieces.map(|each| piece(each, before)).collect();
        let filled = filled.map_err(Refused::Read)?;
        // Behind a piece that is not full there is nothing more.
        let full = filled.iter().take_while(|n| **n == PIECE).count();
        let more = filled.get(full).copied().unwrap_or(0);
        let read = full * PIECE + more;
        judge(&block[..read]).map_err(Refused::Said)?;
        let is_end = read < block.len();
        before += read;
        if is_end {
            break;
        }
    }
    bytes.truncate(before);
    Ok(bytes)
}

#[cfg(unix)]
fn read_at(file: &File, from: u64, into: &mut [u8]) -> std::io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, into, from)
}

#[cfg(windows)]
fn read_at(file: &File, from: u64, into: &mut [u8]) -> std::io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, into, from)
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
        let endless = |_, into: &mut [u8]| {
            into.fill(b'x');
            Ok(into.len())
        };
        let Ok(bytes) = of_size(endless, 5_000_000, |_| Ok(())) else {
            unreachable!("a reader without errors")
        };
        assert_eq!(bytes.len(), 5_000_001);
        let mut judged = 0;
        let refused = of_size(endless, 3_000_000_000, |block| {
            judged += block.len();
            Err("enough".to_owned())
        });
        assert!(matches!(refused, Err(Refused::Said(_))) && judged == BLOCK);
    }
}
