//! Pieces that every part of the page uses.

use maud::{Markup, html};

use super::super::{Align, Cell, SAFETY, SAFETY_IN_SHORT, Table, format};

/// Rows of a long table that stand on the page; the rest is in its file.
pub(super) const ROWS: usize = 40;

/// Where the caution stands in full first.
pub(super) const SAFETY_ANCHOR: &str = "safety";

/// A name as shown: no control characters, not endless, its direction kept to itself.
pub(super) fn short_name(name: &str, longest: usize) -> String {
    format::shortened(&format::plain(name), longest)
}

/// A name inside a sentence.
pub(super) fn name(name: &str) -> Markup {
    html! { bdi { (short_name(name, 80)) } }
}

/// The caution of every advice.
pub(super) fn safety() -> Markup {
    html! { p.safety role="note" { strong { "Safety first. " } (SAFETY) } }
}

/// The same in one line, beside a list; it leads to the caution in full, which has [`SAFETY_ANCHOR`].
pub(super) fn safety_in_short() -> Markup {
    html! { p.beware { (short_caution()) } }
}

fn short_caution() -> Markup {
    html! { a href={"#" (SAFETY_ANCHOR)} { (SAFETY_IN_SHORT) } }
}

/// Anchor of a part kind's life, by its place among the fits.
pub(super) fn life_anchor(place: usize) -> String {
    format!("life-{}", place + 1)
}

/// A table, at most [`ROWS`] rows of it, with the whole as CSV beside.
pub(super) fn table(table: &Table) -> Markup {
    first_rows(table, ROWS)
}

/// A table, at most so many rows of it.
pub(super) fn first_rows(table: &Table, most: usize) -> Markup {
    let shown = table.rows.len().min(most);
    let hidden = table.rows.len() - shown;
    let file = format!("tables/{}.csv", table.key);
    html! {
        div.table id={"table-" (table.key)} {
            div.scroll tabindex="0" role="region" aria-label=(table.title) {
                table {
                    caption { (table.title) }
                    thead { tr {
                        @for column in &table.columns {
                            th scope="col" class=[figures(column.align)] { (short_name(&column.heading, 80)) }
                        }
                    } }
                    tbody {
                        @for row in &table.rows[..shown] {
                            tr {
                                @for (i, (cell, column)) in row.iter().zip(&table.columns).enumerate() {
                                    @if i == 0 {
                                        th scope="row" class=[class(cell, column.align)] data-v=[sort_value(cell)] { (words(cell)) }
                                    } @else {
                                        td class=[class(cell, column.align)] data-v=[sort_value(cell)] { (words(cell)) }
                                    }
                                }
                            }
                        }
                        @if table.rows.is_empty() {
                            tr { td colspan=(table.columns.len().max(1)) { "None." } }
                        }
                    }
                }
            }
            p.under {
                @for note in &table.notes {
                    @if note == SAFETY_IN_SHORT { (short_caution()) } @else { (note) }
                    " "
                }
                @if hidden > 0 { "The first " (format::count(shown as u64)) " of " (format::count(table.rows.len() as u64)) " rows. " }
                a href=(file) { @if hidden > 0 { "All rows as CSV" } @else { "As CSV" } }
            }
        }
    }
}

fn figures(align: Align) -> Option<&'static str> {
    (align == Align::Right).then_some("n")
}

/// Figures stand right; short words stay on one line.
fn class(cell: &Cell, align: Align) -> Option<&'static str> {
    match cell {
        Cell::Text(text) if text.chars().count() <= 20 && align == Align::Left => Some("s"),
        Cell::Text(text) if text.chars().count() > 60 => Some("w"),
        _ => figures(align),
    }
}

fn words(cell: &Cell) -> Markup {
    match cell {
        Cell::Text(text) => html! { bdi { (short_name(text, 300)) } },
        other => html! { (format::cell(other)) },
    }
}

/// What the script sorts by, where the words shown would not do.
fn sort_value(cell: &Cell) -> Option<String> {
    match cell {
        Cell::Number { value, .. }
        | Cell::Hours(value)
        | Cell::Probability(value)
        | Cell::Cost(value) => value.is_finite().then(|| format!("{value:.6e}")),
        Cell::Count(n) => Some(n.to_string()),
        Cell::Date(day) => Some(day.to_string()),
        Cell::Empty | Cell::Text(_) => None,
    }
}
