//! Writing files so that none is ever half-written: beside the target first, then renamed.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use super::CliError;

/// Writes one file beside its target and renames it into place.
///
/// # Errors
/// [`CliError::Write`] naming the target; the target is then as it was before.
pub(super) fn write_whole(path: &Path, contents: &[u8]) -> Result<(), CliError> {
    write_through(path, |file| file.write_all(contents))
}

/// Lets `write` fill a file beside its target and renames it into place.
///
/// # Errors
/// [`CliError::Write`] naming the target; the target is then as it was before.
pub(super) fn write_through(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>,
) -> Result<(), CliError> {
    let beside = beside(path);
    let result = File::create(&beside)
        .map(BufWriter::new)
        .and_then(|mut file| {
            write(&mut file)?;
            file.flush()
        })
        .and_then(|()| std::fs::rename(&beside, path));
    result.map_err(|source| {
        let _ = std::fs::remove_file(&beside);
        CliError::Write {
            path: path.to_owned(),
            source,
        }
    })
}

fn beside(path: &Path) -> PathBuf {
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_target_that_cannot_be_replaced_leaves_nothing_behind() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("taken");
        std::fs::create_dir_all(target.join("full")).unwrap();
        let error = write_whole(&target, b"x").unwrap_err();
        assert_eq!(error.exit_code(), 3);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_written_file_replaces_the_old_one_whole() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("a.txt");
        write_whole(&target, b"old and longer").unwrap();
        write_whole(&target, b"new").unwrap();
        assert_eq!(std::fs::read(&target).unwrap(), b"new");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
