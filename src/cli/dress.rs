//! Weight and shade for text on a terminal. No word depends on it: the plain text says the same.

use std::io::IsTerminal;

const BOLD: &str = "\u{1b}[1m";
const DIM: &str = "\u{1b}[2m";
const PLAIN: &str = "\u{1b}[0m";

/// Whether what goes to standard output may be dressed: a terminal that can, and a user who did
/// not ask for none (`NO_COLOR` set to anything; <https://no-color.org>).
pub(super) fn wanted() -> bool {
    let asked_for_none = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let cannot = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
    std::io::stdout().is_terminal() && !asked_for_none && !cannot
}

/// Titles and headings of tables bold, rules dim.
///
/// A rule is a line of `─` and spaces; headings are the lines above it, up to an empty line, and
/// the title is the line above that.
pub(super) fn dressed(text: &str) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let rule = |line: &str| line.contains('─') && line.chars().all(|c| c == '─' || c == ' ');
    let mut bold = vec![false; lines.len()];
    for (i, _) in lines.iter().enumerate().filter(|(_, line)| rule(line)) {
        let mut above = i;
        while above > 0 && !lines[above - 1].trim().is_empty() {
            above -= 1;
            bold[above] = true;
        }
        if above >= 2 && lines[above - 1].trim().is_empty() {
            bold[above - 2] = true;
        }
    }
    let mut out = String::with_capacity(text.len() + 256);
    for (line, bold) in lines.iter().zip(bold) {
        if rule(line) {
            out.extend([DIM, line, PLAIN]);
        } else if bold && !line.trim().is_empty() {
            out.extend([BOLD, line, PLAIN]);
        } else {
            out.push_str(line);
        }
        out.push('\n');
    }
    if !text.ends_with('\n') {
        out.pop();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str =
        "What to order\n\n        On\nPart  hand\n────  ────\nbelt     4\n\nA note.\n";

    #[test]
    fn titles_and_headings_are_bold_and_rules_dim() {
        assert_eq!(
            dressed(TABLE),
            "\u{1b}[1mWhat to order\u{1b}[0m\n\n\u{1b}[1m        On\u{1b}[0m\n\
             \u{1b}[1mPart  hand\u{1b}[0m\n\u{1b}[2m────  ────\u{1b}[0m\nbelt     4\n\nA note.\n"
        );
    }

    #[test]
    fn without_the_dress_the_words_are_the_same() {
        let mut bare = dressed(TABLE);
        for code in [BOLD, DIM, PLAIN] {
            bare = bare.replace(code, "");
        }
        assert_eq!(bare, TABLE);
        assert_eq!(dressed("no table here"), "no table here");
    }
}
