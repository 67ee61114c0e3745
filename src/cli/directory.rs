//! Writing a whole directory so that it is never half there: beside the target, then renamed.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::CliError;

/// Writes files (relative path with `/` → contents) as the directory `out`.
///
/// A directory that is already there is replaced as a whole when it is empty or holds nothing but
/// what `ours` names at its top; anything else in it is somebody's work, and the directory is left
/// alone.
///
/// # Errors
/// [`CliError::Usage`] when `out` is a file or holds something of somebody else's;
/// [`CliError::Write`] otherwise. `out` is then as it was before.
pub(super) fn write_directory(
    out: &Path,
    files: &BTreeMap<String, Vec<u8>>,
    ours: &[&str],
) -> Result<(), CliError> {
    may_replace(out, ours)?;
    let new = sibling(out, "part")?;
    let old = sibling(out, "old")?;
    let fail = |path: &Path| {
        let path = path.to_owned();
        move |source| CliError::Write { path, source }
    };
    if let Some(parent) = new.parent() {
        std::fs::create_dir_all(parent).map_err(fail(parent))?;
    }
    let write = |(name, bytes): (&String, &Vec<u8>)| {
        let path = name
            .split('/')
            .fold(new.clone(), |path, piece| path.join(piece));
        let parent = path.parent().unwrap_or(&new);
        std::fs::create_dir_all(parent)
            .and_then(|()| std::fs::write(&path, bytes))
            .map_err(fail(&out.join(name)))
    };
    // Side by side; of several failures the first by name is told.
    let written: Vec<Result<(), CliError>> = files.par_iter().map(write).collect();
    let written: Result<(), CliError> = written.into_iter().collect();
    let exists = out.exists();
    let placed = written.and_then(|()| {
        if exists {
            std::fs::rename(out, &old).map_err(fail(out))?;
        }
        std::fs::rename(&new, out).map_err(|source| {
            if exists {
                let _ = std::fs::rename(&old, out);
            }
            fail(out)(source)
        })
    });
    // What is left beside the target is of no use to anyone.
    let _ = std::fs::remove_dir_all(if placed.is_ok() { &old } else { &new });
    placed
}

fn may_replace(out: &Path, ours: &[&str]) -> Result<(), CliError> {
    if !out.exists() {
        return Ok(());
    }
    if !out.is_dir() {
        return Err(CliError::Usage(format!(
            "{} is a file; name a directory for the report",
            out.display()
        )));
    }
    let entries = std::fs::read_dir(out).map_err(|source| CliError::Read {
        path: out.to_owned(),
        source,
    })?;
    for entry in entries.flatten() {
        let name = entry.file_name();
        if !ours.iter().any(|known| name == *known) {
            return Err(CliError::Usage(format!(
                "{} holds {}, which no report writes; name a new directory, or clear this one",
                out.display(),
                name.to_string_lossy()
            )));
        }
    }
    Ok(())
}

fn sibling(out: &Path, ending: &str) -> Result<PathBuf, CliError> {
    let name = out.file_name().ok_or_else(|| {
        CliError::Usage(format!(
            "{} is no name for a directory to write",
            out.display()
        ))
    })?;
    let name = format!(
        ".{}.{}.{ending}",
        name.to_string_lossy(),
        std::process::id()
    );
    Ok(out.with_file_name(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    const OURS: [&str; 2] = ["index.html", "tables"];

    fn files(text: &str) -> BTreeMap<String, Vec<u8>> {
        [("index.html", text), ("tables/a.csv", "a\n")]
            .map(|(name, text)| (name.to_owned(), text.as_bytes().to_vec()))
            .into()
    }

    #[test]
    fn a_report_replaces_the_one_before_it_whole() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("deep/er/report");
        write_directory(&out, &files("one"), &OURS).unwrap();
        std::fs::write(out.join("tables/stale.csv"), "x").unwrap();
        write_directory(&out, &files("two"), &OURS).unwrap();
        assert_eq!(
            std::fs::read_to_string(out.join("index.html")).unwrap(),
            "two"
        );
        assert!(!out.join("tables/stale.csv").exists());
        let beside: Vec<_> = std::fs::read_dir(out.parent().unwrap()).unwrap().collect();
        assert_eq!(beside.len(), 1);
    }

    #[test]
    fn somebody_elses_files_are_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("thesis.doc"), "years").unwrap();
        let error = write_directory(dir.path(), &files("one"), &OURS).unwrap_err();
        assert_eq!(error.exit_code(), 2);
        assert!(error.to_string().contains("thesis.doc"));
        assert!(dir.path().join("thesis.doc").exists() && !dir.path().join("index.html").exists());
        let file = dir.path().join("thesis.doc");
        assert_eq!(
            write_directory(&file, &files("one"), &OURS)
                .unwrap_err()
                .exit_code(),
            2
        );
    }

    #[test]
    fn a_place_that_cannot_be_written_leaves_nothing_behind() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("file"), "").unwrap();
        let error =
            write_directory(&dir.path().join("file/report"), &files("x"), &OURS).unwrap_err();
        assert_eq!(error.exit_code(), 3);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
