//! What `validate` found, as tables.

use super::{Cell, Table, format};
use crate::validate::{CaseOutcome, Origin, Validation, ValueOutcome, Verdict};

/// The sums by dataset, then value by value: the printed values and every miss, or all of them.
pub fn validation(validation: &Validation, every_value: bool) -> Vec<Table> {
    let mut tables = vec![sums(validation)];
    tables.extend(not_covered(validation));
    for case in &validation.cases {
        let shown: Vec<&ValueOutcome> = case
            .values
            .iter()
            .filter(|v| {
                every_value || v.expected.origin != Origin::Computed || v.verdict == Verdict::Misses
            })
            .collect();
        if !shown.is_empty() {
            tables.push(values(case, &shown));
        }
    }
    tables
}

fn sums(validation: &Validation) -> Table {
    let mut table = Table::new("validation", "Published examples, refitted")
        .words("case", "Example")
        .figures("values", "Values")
        .figures("agree", "Agree")
        .figures("miss", "Miss")
        .figures("not_covered", "Not covered");
    for case in &validation.cases {
        table.push(
            std::iter::once(Cell::text(&case.id))
                .chain(counts(case.totals))
                .collect(),
        );
    }
    table.push(
        std::iter::once(Cell::text("all"))
            .chain(counts(validation.totals))
            .collect(),
    );
    for sums in &validation.by_origin {
        let totals = sums.totals;
        table.note(format!(
            "{}: {} of {} agree, {}, {} not covered.",
            origin_in_words(sums.origin),
            format::count(totals.agree),
            format::count(totals.values),
            match totals.miss {
                0 => "none misses".to_owned(),
                n => format!("{} miss", format::count(n)),
            },
            format::count(totals.not_covered),
        ));
    }
    table
}

/// Names what no recipe computes; nothing of it counts as agreeing.
fn not_covered(validation: &Validation) -> Option<Table> {
    let mut table = Table::new("validation-not-covered", "Not covered yet")
        .words("case", "Example")
        .words("values", "Values");
    for case in &validation.cases {
        let names: Vec<String> = case
            .values
            .iter()
            .filter(|v| v.verdict == Verdict::NotCovered)
            .map(|v| spaced(&v.expected.quantity))
            .collect();
        if !names.is_empty() {
            table.push(vec![Cell::text(&case.id), Cell::text(names.join("; "))]);
        }
    }
    (!table.rows.is_empty()).then_some(table)
}

fn counts(totals: crate::validate::Totals) -> [Cell; 4] {
    [totals.values, totals.agree, totals.miss, totals.not_covered].map(Cell::Count)
}

fn origin_in_words(origin: Origin) -> &'static str {
    match origin {
        Origin::Published => "Published, seen in a public file",
        Origin::FromMemory => "Textbook figures recalled from memory",
        Origin::Computed => "Computed by other software, or by two routes",
    }
}

fn values(case: &CaseOutcome, shown: &[&ValueOutcome]) -> Table {
    let mut table = Table::new(
        format!("validation-{}", case.id),
        format!("{}: {}", case.id, case.title),
    )
    .words("quantity", "Quantity")
    .figures("theirs", "Theirs")
    .figures("ours", "Ours")
    .words("origin", "Origin")
    .words("verdict", "Verdict");
    for value in shown {
        table.push(vec![
            Cell::text(spaced(&value.expected.quantity)),
            Cell::text(theirs(value)),
            Cell::text(value.ours.map_or(String::new(), |ours| beside(value, ours))),
            Cell::text(match value.expected.origin {
                Origin::Published => "published",
                Origin::FromMemory => "from memory",
                Origin::Computed => "computed",
            }),
            Cell::text(match (value.verdict, &value.reason) {
                (Verdict::Agrees, _) => "agrees".to_owned(),
                (Verdict::NotCovered, _) => "not covered".to_owned(),
                (Verdict::Misses, None) => "MISSES".to_owned(),
                (Verdict::Misses, Some(reason)) => format!("MISSES: {reason}"),
            }),
        ]);
    }
    table.note(format!("Source: {}.", case.source));
    let mut origins: Vec<&str> = shown
        .iter()
        .filter(|v| v.expected.origin != Origin::Computed)
        .map(|v| v.expected.by.as_str())
        .collect();
    origins.dedup();
    for origin in origins {
        table.note(format!("Values {origin}."));
    }
    table
}

/// As printed, else to nine digits.
fn theirs(value: &ValueOutcome) -> String {
    let printed = value.expected.printed.clone();
    printed.unwrap_or_else(|| format::significant(value.expected.value, 9))
}

/// Ours with two decimals more than theirs were printed with.
fn beside(value: &ValueOutcome, ours: f64) -> String {
    match &value.expected.printed {
        Some(printed) => {
            let decimals = printed.split_once('.').map_or(0, |(_, d)| d.len());
            format::number(ours, u8::try_from(decimals + 2).unwrap_or(9))
        }
        None => format::significant(ours, 9),
    }
}

/// A quantity's name with room to wrap.
fn spaced(quantity: &str) -> String {
    quantity
        .replace('_', " ")
        .replace(',', ", ")
        .replace(':', ": ")
}
