//! What a new fleet folder holds.

/// A file of a new fleet folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StarterFile {
    /// Name in the folder.
    pub name: &'static str,
    /// What it holds.
    pub contents: &'static str,
}

const fn file(name: &'static str, contents: &'static str) -> StarterFile {
    StarterFile { name, contents }
}

/// An empty fleet: settings with comments, and files with nothing but headings.
pub const STARTER: [StarterFile; 5] = [
    file("fleet.toml", include_str!("fleet.toml")),
    file(
        "replacements.csv",
        "date,machine,part,position,hours,reason,serial,quantity,worn_count\n",
    ),
    file("meter_readings.csv", "date,machine,hours\n"),
    file("jobs.csv", "job,start,end,machine,hours\n"),
    file("tension_checks.csv", "date,machine,deflection,force\n"),
];

/// The invented example fleet.
pub const EXAMPLE: [StarterFile; 6] = [
    file(
        "README.md",
        include_str!("../../../examples/evaporator-crew/README.md"),
    ),
    file(
        "fleet.toml",
        include_str!("../../../examples/evaporator-crew/fleet.toml"),
    ),
    file(
        "jobs.csv",
        include_str!("../../../examples/evaporator-crew/jobs.csv"),
    ),
    file(
        "meter_readings.csv",
        include_str!("../../../examples/evaporator-crew/meter_readings.csv"),
    ),
    file(
        "replacements.csv",
        include_str!("../../../examples/evaporator-crew/replacements.csv"),
    ),
    file(
        "tension_checks.csv",
        include_str!("../../../examples/evaporator-crew/tension_checks.csv"),
    ),
];
