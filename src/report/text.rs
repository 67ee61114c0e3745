//! A table as text, aligned, at most 80 columns wide.

use unicode_width::UnicodeWidthStr;

use super::{Align, Cell, Table, format};

/// Widest line.
const WIDTH: usize = 80;
/// Between two columns.
const GAP: usize = 2;
/// A column of words is not made narrower than this.
const NARROWEST: usize = 10;
/// A column of words that lacks no more than this gets it before prose does.
const NAME: usize = 15;
/// Longest a cell of words may get before it is shortened.
const LONGEST: usize = 400;

/// The table as text: title, headings, rule, rows, notes; lines of at most 80 columns.
///
/// Numbers, dates and chances are never cut or wrapped. Words are wrapped at spaces, and only a
/// word longer than its column is broken. Where even that does not fit, each row becomes a block
/// of `heading: value` lines.
pub fn text(table: &Table) -> String {
    let mut out = String::new();
    if !table.title.is_empty() {
        out.push_str(&wrapped(&format::plain(&table.title), "", ""));
        out.push('\n');
    }
    if table.rows.is_empty() {
        out.push_str("  (none)\n");
    } else if let Some(widths) = widths(table) {
        aligned(table, &widths, &mut out);
    } else {
        blocks(table, &mut out);
    }
    if !table.notes.is_empty() {
        out.push('\n');
    }
    for note in &table.notes {
        out.push_str(&wrapped(&format::plain(note), "", "  "));
    }
    out
}

/// Words wrapped at 80 columns, the first line behind `first`, later ones behind `next`; ends in
/// a line end.
pub fn wrapped(words: &str, first: &str, next: &str) -> String {
    let width = WIDTH
        .saturating_sub(first.width().max(next.width()))
        .max(NARROWEST);
    let mut out = String::new();
    for (i, line) in lines(words, width).into_iter().enumerate() {
        out.push_str(if i == 0 { first } else { next });
        out.push_str(&line);
        out.push('\n');
    }
    out
}

/// What a cell shows, made safe and kept within reason.
fn shown(cell: &Cell) -> String {
    format::shortened(&format::plain(&format::cell(cell)), LONGEST)
}

fn is_words(table: &Table, column: usize) -> bool {
    table.columns[column].align == Align::Left
        && table
            .rows
            .iter()
            .all(|row| matches!(row[column], Cell::Text(_) | Cell::Empty))
}

/// Column widths that fit, or `None`.
fn widths(table: &Table) -> Option<Vec<usize>> {
    let n = table.columns.len();
    let mut natural = vec![0; n];
    let mut least = vec![0; n];
    for (i, column) in table.columns.iter().enumerate() {
        let cells = table.rows.iter().map(|row| shown(&row[i]).width()).max();
        let cells = cells.unwrap_or(0);
        let heading_word = column
            .heading
            .split_whitespace()
            .map(UnicodeWidthStr::width)
            .max()
            .unwrap_or(0);
        natural[i] = cells.max(heading_word);
        least[i] = if is_words(table, i) {
            let words = table
                .rows
                .iter()
                .map(|row| longest_word(&shown(&row[i])))
                .max();
            natural[i].min(words.unwrap_or(0).clamp(NARROWEST, 20).max(heading_word))
        } else {
            natural[i]
        };
    }
    let room = WIDTH.checked_sub(GAP * n.saturating_sub(1))?;
    if least.iter().sum::<usize>() > room {
        return None;
    }
    let mut widths = least;
    let mut left = room - widths.iter().sum::<usize>();
    // Short words first: names stay whole while prose wraps. Then headings, then prose.
    let mut by_lack: Vec<usize> = (0..n).collect();
    by_lack.sort_by_key(|&i| natural[i] - widths[i]);
    for &i in &by_lack {
        let lack = natural[i] - widths[i];
        if lack <= NAME && lack <= left {
            widths[i] += lack;
            left -= lack;
        }
    }
    for (i, column) in table.columns.iter().enumerate() {
        while left > 0 && lines(&column.heading, widths[i]).len() > 2 {
            widths[i] += 1;
            left -= 1;
        }
    }
    while left > 0 {
        let narrowest = (0..n)
            .filter(|&i| widths[i] < natural[i])
            .min_by_key(|&i| widths[i]);
        let Some(i) = narrowest else { break };
        widths[i] += 1;
        left -= 1;
    }
    Some(widths)
}

fn longest_word(words: &str) -> usize {
    words
        .split_whitespace()
        .map(UnicodeWidthStr::width)
        .max()
        .unwrap_or(0)
}

fn aligned(table: &Table, widths: &[usize], out: &mut String) {
    let headings: Vec<Vec<String>> = table
        .columns
        .iter()
        .zip(widths)
        .map(|(column, &width)| lines(&format::plain(&column.heading), width))
        .collect();
    let tallest = headings.iter().map(Vec::len).max().unwrap_or(0);
    // Headings stand on the rule.
    let headings = headings
        .into_iter()
        .map(|mut heading| {
            while heading.len() < tallest {
                heading.insert(0, String::new());
            }
            heading
        })
        .collect::<Vec<_>>();
    put_lines(table, widths, &headings, out);
    let rule: Vec<String> = widths.iter().map(|&width| "─".repeat(width)).collect();
    put_line(&rule.join(&" ".repeat(GAP)), out);
    for row in &table.rows {
        let cells: Vec<Vec<String>> = row
            .iter()
            .zip(widths)
            .map(|(cell, &width)| lines(&shown(cell), width))
            .collect();
        put_lines(table, widths, &cells, out);
    }
}

fn put_lines(table: &Table, widths: &[usize], cells: &[Vec<String>], out: &mut String) {
    let tallest = cells.iter().map(Vec::len).max().unwrap_or(0);
    for i in 0..tallest {
        let mut line = String::new();
        for ((column, &width), cell) in table.columns.iter().zip(widths).zip(cells) {
            if !line.is_empty() {
                line.push_str(&" ".repeat(GAP));
            }
            let words = cell.get(i).map_or("", String::as_str);
            let space = " ".repeat(width.saturating_sub(words.width()));
            match column.align {
                Align::Left => line.extend([words, &space]),
                Align::Right => line.extend([space.as_str(), words]),
            }
        }
        put_line(&line, out);
    }
}

fn put_line(line: &str, out: &mut String) {
    out.push_str(line.trim_end());
    out.push('\n');
}

/// Each row as a block of lines.
fn blocks(table: &Table, out: &mut String) {
    let name = table
        .columns
        .iter()
        .map(|column| column.heading.width())
        .max()
        .unwrap_or(0)
        .min(30);
    for (n, row) in table.rows.iter().enumerate() {
        if n > 0 {
            out.push('\n');
        }
        for (column, cell) in table.columns.iter().zip(row) {
            let heading = format::shortened(&format::plain(&column.heading), 30);
            let space = " ".repeat(name.saturating_sub(heading.width()) + 1);
            let first = format!("  {heading}:{space}");
            let next = " ".repeat(first.width());
            out.push_str(&wrapped(&shown(cell), &first, &next));
        }
    }
}

/// Words wrapped into lines of at most `width`; a word longer than that is broken.
fn lines(words: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut done = Vec::new();
    let mut line = String::new();
    for word in words.split_whitespace() {
        if !line.is_empty() && line.width() + 1 + word.width() <= width {
            line.push(' ');
            line.push_str(word);
            continue;
        }
        if !line.is_empty() {
            done.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            let mut longer = line.clone();
            longer.push(c);
            if longer.width() > width && !line.is_empty() {
                done.push(std::mem::take(&mut line));
                line.push(c);
            } else {
                line = longer;
            }
        }
    }
    if !line.is_empty() || done.is_empty() {
        done.push(line);
    }
    done
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn orders() -> Table {
        let mut table = Table::new("orders", "What to order")
            .words("part", "Part")
            .figures("quantity", "Order")
            .figures("by", "By")
            .figures("short", "Short if nothing ordered")
            .words("why", "Why");
        table.push(vec![
            Cell::text("drive belt"),
            Cell::Count(4),
            Cell::Date(jiff::civil::date(2026, 5, 12)),
            Cell::Probability(0.083),
            Cell::text("two belts are past the age at which half of them have worn out here, and no job in May can wait"),
        ]);
        table.push(vec![Cell::text("hose-stop collet"), Cell::Count(0)]);
        table.note("Chances look from 31 March 2026.");
        table
    }

    #[test]
    fn columns_line_up_and_words_wrap() {
        insta::assert_snapshot!(text(&orders()));
    }

    #[test]
    fn a_table_too_wide_for_columns_becomes_blocks() {
        let mut table = Table::new("wide", "Wide");
        for i in 0..12 {
            table = table.figures("x", format!("Hours {i}"));
        }
        table.push(
            (0..12)
                .map(|i| Cell::number(123_456_789.0 + f64::from(i), 2))
                .collect(),
        );
        insta::assert_snapshot!(text(&table));
    }

    #[test]
    fn no_rows_are_said_to_be_none() {
        assert!(text(&Table::new("t", "Kits").words("a", "A")).contains("(none)"));
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_eighty_and_no_number_is_cut(
            names in prop::collection::vec("\\PC{0,60}|[a-z ]{0,200}", 1..6),
            value in -1e9..1e9f64,
        ) {
            let mut table = Table::new("t", "T").words("a", "Name of it").figures("n", "Number").words("b", "Other");
            for name in &names {
                table.push(vec![Cell::text(name), Cell::number(value, 1), Cell::text(name)]);
            }
            let text = text(&table);
            for line in text.lines() {
                prop_assert!(line.width() <= WIDTH, "{line}");
            }
            let number = format::number(value, 1);
            prop_assert!(text.contains(&number), "{number} in {text}");
        }
    }
}
