//! One published example: data, values that others give for it, and where they come from.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Where an expected value comes from; the kinds are kept apart wherever values are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Seen in a public file.
    Published,
    /// A textbook's figure recalled without its page at hand.
    FromMemory,
    /// By other general-purpose software, or by two routes that agree: a second opinion.
    Computed,
}

/// One value that others give.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExpectedValue {
    /// What it is: a name that a recipe knows, with `subset:` before it where it is of a subset.
    pub quantity: String,
    /// The value.
    pub value: f64,
    /// How far ours may be from it.
    pub tolerance: f64,
    /// Kind of origin.
    pub origin: Origin,
    /// The origin in words.
    pub by: String,
    /// The value as printed, where it was printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub printed: Option<String>,
}

/// Part of the rows: those whose `column` reads `value` (all, when no column is given).
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Subset {
    /// Column to look at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// What it must read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// What to do with the other rows: `right_censored` keeps them as such (competing causes).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub others: Option<String>,
}

/// A folder of `datasets/`: `expected.json` and, as text, `data.csv`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dataset {
    /// Name of the folder.
    pub id: String,
    /// What the data are.
    pub title: String,
    /// Publications.
    pub source: String,
    /// Where data and values were taken from.
    pub provenance: String,
    /// What is checked with them.
    pub method: String,
    /// Keywords.
    pub capabilities: Vec<String>,
    /// Remarks.
    pub notes: String,
    /// Recipes that recompute its values.
    pub recipes: Vec<String>,
    /// Subsets by the name that stands before `:` in a quantity.
    pub subsets: BTreeMap<String, Subset>,
    /// Values that others give.
    pub expected: Vec<ExpectedValue>,
    /// `data.csv` as text, in the source's own columns.
    #[serde(skip)]
    pub data: String,
}

/// A dataset folder that does not hold together.
#[derive(Debug, thiserror::Error)]
pub enum DatasetError {
    /// A file could not be read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// Which.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// `expected.json` does not read as one.
    #[error("{path}: {source}")]
    Json {
        /// Which.
        path: String,
        /// Why.
        source: serde_json::Error,
    },
    /// The name in `expected.json` is not the folder's.
    #[error("{path}: id is `{found}`, the folder is `{folder}`; they must agree")]
    Name {
        /// Which.
        path: String,
        /// Name in the file.
        found: String,
        /// Name of the folder.
        folder: String,
    },
}

impl Dataset {
    /// From the text of the two files.
    ///
    /// # Errors
    /// [`DatasetError::Json`] and [`DatasetError::Name`].
    pub fn from_text(folder: &str, expected: &str, data: &str) -> Result<Self, DatasetError> {
        let path = format!("{folder}/expected.json");
        let mut dataset: Self =
            serde_json::from_str(expected).map_err(|source| DatasetError::Json {
                path: path.clone(),
                source,
            })?;
        if dataset.id != folder {
            return Err(DatasetError::Name {
                path,
                found: dataset.id,
                folder: folder.to_owned(),
            });
        }
        data.clone_into(&mut dataset.data);
        Ok(dataset)
    }

    /// Every dataset folder in `dir` (a folder with an `expected.json`), sorted by name.
    ///
    /// # Errors
    /// Any [`DatasetError`].
    pub fn read_all(dir: &Path) -> Result<Vec<Self>, DatasetError> {
        let cannot = |path: &Path, source| DatasetError::Read {
            path: path.display().to_string(),
            source,
        };
        let mut folders = Vec::new();
        for entry in std::fs::read_dir(dir).map_err(|e| cannot(dir, e))? {
            let path = entry.map_err(|e| cannot(dir, e))?.path();
            if path.join("expected.json").is_file() {
                folders.push(path);
            }
        }
        folders.sort();
        folders
            .iter()
            .map(|folder| {
                let read = |name: &str| {
                    let path = folder.join(name);
                    std::fs::read_to_string(&path).map_err(|e| cannot(&path, e))
                };
                let name = folder.file_name().unwrap_or_default().to_string_lossy();
                Self::from_text(&name, &read("expected.json")?, &read("data.csv")?)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINIMAL: &str = r#"{"id": "a", "title": "", "source": "", "provenance": "", "method": "",
        "capabilities": [], "notes": "", "recipes": [], "subsets": {}, "expected": []}"#;

    #[test]
    fn a_folder_with_another_name_is_refused() {
        assert!(Dataset::from_text("a", MINIMAL, "").is_ok());
        let error = Dataset::from_text("b", MINIMAL, "").unwrap_err();
        assert!(error.to_string().contains("b/expected.json"), "{error}");
    }

    #[test]
    fn an_unknown_key_is_refused_with_its_place() {
        let text = MINIMAL.replace("\"notes\"", "\"remarks\"");
        let error = Dataset::from_text("a", &text, "").unwrap_err().to_string();
        assert!(
            error.contains("remarks") && error.contains("line"),
            "{error}"
        );
    }
}
