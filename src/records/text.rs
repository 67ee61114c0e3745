//! Small helpers for text that came from outside.

/// Longest foreign text shown in a message.
const SHOWN: usize = 80;

/// Foreign text made safe for one line of a message: control characters and line ends become
/// blanks, direction marks are dropped, and a long text is cut.
pub(crate) fn shown(text: &str) -> String {
    let mut clean: String = text
        .chars()
        .filter(|c| !is_direction_mark(*c))
        .take(SHOWN)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if text.chars().nth(SHOWN).is_some() {
        clean.push('…');
    }
    clean
}

/// [`shown`] in quotation marks; "nothing" when it is empty.
pub(crate) fn quoted(text: &str) -> String {
    if text.is_empty() {
        "nothing".to_owned()
    } else {
        format!("\"{}\"", shown(text))
    }
}

/// What stands under a heading, headings compared as [`plain`] has them; `None` where that is empty.
pub(crate) fn under<'a>(
    heading: &str,
    mut columns: impl Iterator<Item = (&'a str, &'a str)>,
) -> Option<&'a str> {
    let wanted = plain(heading);
    let (_, text) = columns.find(|(heading, _)| plain(heading) == wanted)?;
    Some(text.trim()).filter(|text| !text.is_empty())
}

/// Headings and names compared without case, punctuation and spacing.
pub(crate) fn plain(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_alphanumeric() {
            plain.extend(c.to_lowercase());
        } else if !plain.is_empty() && !plain.ends_with(' ') {
            plain.push(' ');
        }
    }
    plain.truncate(plain.trim_end().len());
    plain
}

/// A list of foreign texts for a message, cut after a dozen.
pub(crate) fn list<S: AsRef<str>>(texts: impl IntoIterator<Item = S>) -> String {
    let mut shown_texts: Vec<String> = Vec::new();
    let mut more = 0_usize;
    for text in texts {
        if shown_texts.len() < 12 {
            shown_texts.push(quoted(text.as_ref()));
        } else {
            more += 1;
        }
    }
    match (shown_texts.is_empty(), more) {
        (true, _) => "nothing".to_owned(),
        (_, 0) => shown_texts.join(", "),
        _ => format!("{} and {more} more", shown_texts.join(", ")),
    }
}

fn is_direction_mark(c: char) -> bool {
    matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn foreign_text_stays_on_one_line_and_short() {
        assert_eq!(shown("a\nb\u{202e}c\td"), "a bc d");
        assert_eq!(shown(&"x".repeat(10_000)).chars().count(), 81);
    }

    #[test]
    fn headings_compare_without_case_and_punctuation() {
        assert_eq!(plain("  Unit no. "), "unit no");
        assert_eq!(plain("S/N"), "s n");
        assert_eq!(plain("MACHINE_ID"), "machine id");
    }

    #[test]
    fn long_lists_are_cut() {
        assert_eq!(list(["a", "b"]), "\"a\", \"b\"");
        assert!(list((0..20).map(|i| i.to_string())).ends_with("and 8 more"));
    }
}
