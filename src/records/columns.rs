//! Which column is which: as stated in `fleet.toml`, or by a plain name.

use std::collections::BTreeMap;

use super::RecordsError;
use super::text::{list, plain, quoted, shown};
use super::text_table::TextTable;

/// Rows looked at for the heading row when row 1 does not hold it.
const HEADING_SEARCH: usize = 60;

/// A column we look for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wanted {
    /// Our name for it, the key in `fleet.toml`.
    pub(crate) key: &'static str,
    /// Headings that mean it, in plain form (lower case, no punctuation).
    pub(crate) names: &'static [&'static str],
    /// Whether nothing works without it.
    pub(crate) required: bool,
}

/// Columns of the replacement export.
pub(crate) const RECORDS: [Wanted; 10] = [
    Wanted {
        key: "date",
        names: &[
            "date",
            "day",
            "datum",
            "change date",
            "changed on",
            "date changed",
            "replaced on",
            "replacement date",
            "date replaced",
            "service date",
        ],
        required: true,
    },
    Wanted {
        key: "machine",
        names: &[
            "machine",
            "unit",
            "unit no",
            "unit number",
            "machine no",
            "machine id",
            "machine name",
            "equipment",
            "equipment no",
            "equipment id",
            "asset",
            "asset no",
            "asset id",
        ],
        required: true,
    },
    Wanted {
        key: "part",
        names: &[
            "part",
            "item",
            "component",
            "wear part",
            "part name",
            "part kind",
            "part description",
        ],
        required: true,
    },
    Wanted {
        key: "position",
        names: &["position", "pos", "location", "place", "part position"],
        required: false,
    },
    Wanted {
        key: "hours",
        names: &[
            "hours",
            "meter",
            "hour meter",
            "meter reading",
            "hour meter reading",
            "operating hours",
            "machine hours",
            "hours meter",
            "meter hours",
            "hrs",
        ],
        required: false,
    },
    Wanted {
        key: "reason",
        names: &[
            "reason",
            "why",
            "cause",
            "reason for change",
            "reason for replacement",
            "replacement reason",
        ],
        required: false,
    },
    Wanted {
        key: "serial",
        names: &["serial", "serial no", "serial number", "s n"],
        required: false,
    },
    Wanted {
        key: "serial_out",
        names: &[
            "serial out",
            "serial removed",
            "old serial",
            "removed serial",
        ],
        required: false,
    },
    Wanted {
        key: "quantity",
        names: &["quantity", "qty", "pieces", "number changed"],
        required: false,
    },
    Wanted {
        key: "worn_count",
        names: &["worn count", "number worn", "worn of set", "how many worn"],
        required: false,
    },
];
/// Columns of a meter-reading file.
pub(crate) const READINGS: [Wanted; 3] = [
    RECORDS[0],
    RECORDS[1],
    Wanted {
        required: true,
        ..RECORDS[4]
    },
];
/// Columns of a tension-check file.
pub(crate) const TENSION: [Wanted; 4] = [
    Wanted {
        key: "date",
        names: &["date", "day", "datum", "checked on", "check date"],
        required: true,
    },
    RECORDS[1],
    Wanted {
        key: "deflection",
        names: &[
            "deflection",
            "belt deflection",
            "tension deflection",
            "deflection in",
            "deflection mm",
        ],
        required: true,
    },
    Wanted {
        key: "force",
        names: &["force", "test force", "force lbf", "force n"],
        required: false,
    },
];
/// Columns of the job schedule.
pub(crate) const JOBS: [Wanted; 8] = [
    Wanted {
        key: "job",
        names: &["job", "job name", "job no", "name"],
        required: true,
    },
    Wanted {
        key: "start",
        names: &["start", "start date", "from", "begin", "begins"],
        required: true,
    },
    Wanted {
        key: "end",
        names: &["end", "end date", "to", "until", "ends"],
        required: true,
    },
    Wanted {
        key: "machine",
        names: &["machine", "machines", "unit", "units"],
        required: true,
    },
    Wanted {
        key: "hours",
        names: &[
            "hours",
            "operating hours",
            "hours per machine",
            "machine hours",
        ],
        required: true,
    },
    Wanted {
        key: "hours_low",
        names: &["hours low", "low hours", "least hours"],
        required: false,
    },
    Wanted {
        key: "hours_high",
        names: &["hours high", "high hours", "most hours"],
        required: false,
    },
    Wanted {
        key: "slip_days",
        names: &["slip days", "slip", "days late"],
        required: false,
    },
];

/// The columns found in a table.
#[derive(Debug, Clone)]
pub(crate) struct Columns {
    /// Row of the table that holds the headings.
    pub(crate) heading_row: usize,
    /// Headings, by column.
    pub(crate) headings: Vec<String>,
    by_key: BTreeMap<&'static str, usize>,
    /// Columns that nothing claims and that have a heading.
    pub(crate) others: Vec<usize>,
    /// What was matched by name, as a sentence to show.
    pub(crate) note: Option<String>,
}

impl Columns {
    /// The column of a key.
    pub(crate) fn get(&self, key: &str) -> Option<usize> {
        self.by_key.get(key).copied()
    }

    /// The user's heading of a key's column, or the key itself.
    pub(crate) fn heading(&self, key: &str) -> String {
        self.get(key)
            .map_or_else(|| key.to_owned(), |c| shown(&self.headings[c]))
    }

    /// Data rows: everything below the headings.
    pub(crate) fn data_rows(&self, table: &TextTable) -> std::ops::Range<usize> {
        self.heading_row + 1..table.len()
    }

    /// Finds the heading row and the columns.
    ///
    /// `header_row` is the row number as stated; without it, row 1 is tried and then the first row
    /// in which every required column is found.
    pub(crate) fn find(
        table: &TextTable,
        wanted: &[Wanted],
        stated: &BTreeMap<String, String>,
        header_row: Option<u32>,
    ) -> Result<Self, RecordsError> {
        let refuse = |what: String| RecordsError::Table {
            file: table.name(),
            what,
        };
        if table.len() == 0 {
            return Err(refuse("it is empty: no heading row and no rows".into()));
        }
        if let Some(stated_row) = header_row {
            let row = (0..table.len())
                .find(|&r| table.number(r) == stated_row)
                .ok_or_else(|| {
                    refuse(format!(
                        "header_row = {stated_row}, and that row is empty or beyond the end"
                    ))
                })?;
            return Self::in_row(table, row, wanted, stated).map_err(refuse);
        }
        let first = match Self::in_row(table, 0, wanted, stated) {
            Ok(columns) => return Ok(columns),
            Err(what) => what,
        };
        for row in 1..table.len().min(HEADING_SEARCH) {
            if let Ok(mut columns) = Self::in_row(table, row, wanted, stated) {
                let above = format!(
                    "Headings of {} are in row {}.",
                    table.name(),
                    table.number(row)
                );
                columns.note = Some(match columns.note {
                    Some(note) => format!("{above} {note}"),
                    None => above,
                });
                return Ok(columns);
            }
        }
        Err(refuse(first))
    }

    fn in_row(
        table: &TextTable,
        row: usize,
        wanted: &[Wanted],
        stated: &BTreeMap<String, String>,
    ) -> Result<Self, String> {
        let headings: Vec<String> = (0..table.width(row))
            .map(|c| table.cell(row, c).to_owned())
            .collect();
        let mut by_key: BTreeMap<&'static str, usize> = BTreeMap::new();
        for (key, theirs) in stated {
            let Some(w) = wanted.iter().find(|w| w.key == key) else {
                return Err(format!(
                    "columns.{} is no column of this kind of file; allowed are {}",
                    shown(key),
                    list(wanted.iter().map(|w| w.key))
                ));
            };
            by_key.insert(
                w.key,
                stated_column(&headings, table.number(row), key, theirs)?,
            );
        }
        let mut matched = Vec::new();
        for w in wanted {
            if by_key.contains_key(w.key) {
                continue;
            }
            let found: Vec<usize> = (0..headings.len())
                .filter(|c| !by_key.values().any(|taken| taken == c))
                .filter(|&c| w.names.contains(&plain(&headings[c]).as_str()))
                .collect();
            match found[..] {
                [] if w.required => {
                    return Err(format!(
                        "no column for {} in row {}, which has {}; say which one it is with columns.{} = \"…\"",
                        w.key,
                        table.number(row),
                        list(headings.iter().filter(|h| !h.is_empty())),
                        w.key
                    ));
                }
                [] => {}
                [only] => {
                    by_key.insert(w.key, only);
                    if plain(&headings[only]) != w.key.replace('_', " ") {
                        matched.push(format!("{} = {}", w.key, quoted(&headings[only])));
                    }
                }
                [one, two, ..] => {
                    return Err(format!(
                        "{} and {} could both be {}; say which one it is with columns.{} = \"…\"",
                        quoted(&headings[one]),
                        quoted(&headings[two]),
                        w.key,
                        w.key
                    ));
                }
            }
        }
        let others = (0..headings.len())
            .filter(|c| !headings[*c].is_empty() && !by_key.values().any(|taken| taken == c))
            .collect();
        Ok(Self {
            heading_row: row,
            headings,
            by_key,
            others,
            note: (!matched.is_empty()).then(|| {
                format!(
                    "Columns of {} matched by their names: {}.",
                    table.name(),
                    matched.join(", ")
                )
            }),
        })
    }
}

/// The column that the user named: the very heading, else the one that differs only in case and punctuation.
fn stated_column(headings: &[String], row: u32, key: &str, theirs: &str) -> Result<usize, String> {
    let theirs = theirs.trim();
    let exact: Vec<usize> = (0..headings.len())
        .filter(|&c| headings[c] == theirs)
        .collect();
    let found = if exact.is_empty() {
        (0..headings.len())
            .filter(|&c| !plain(theirs).is_empty() && plain(&headings[c]) == plain(theirs))
            .collect()
    } else {
        exact
    };
    match found[..] {
        [only] => Ok(only),
        [] => Err(format!(
            "columns.{key} = {}, and no column of row {row} is headed so; there are {}",
            quoted(theirs),
            list(headings.iter().filter(|h| !h.is_empty()))
        )),
        _ => Err(format!(
            "columns.{key} = {}, and several columns of row {row} are headed so; give each its own heading",
            quoted(theirs)
        )),
    }
}
