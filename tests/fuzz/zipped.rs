//! Packages for the readers of workbooks and documents.

use std::io::{Cursor, Write};

use zip::write::SimpleFileOptions;

/// A package of these files.
pub(crate) fn zipped(entries: &[(&str, String)], options: SimpleFileOptions) -> Vec<u8> {
    let mut package = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in entries {
        package.start_file(*name, options).unwrap();
        package.write_all(content.as_bytes()).unwrap();
    }
    package.finish().unwrap().into_inner()
}
