//! Stable names of lives.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use crate::records::Text;

/// Names of machines, parts and positions in a form that can stand in an id and in a file name:
/// letters and digits, `-` for anything else; different names never share one form.
#[derive(Debug, Default)]
pub(super) struct Slugs {
    by_name: HashMap<Text, Text, RandomState>,
    taken: HashMap<Text, u32, RandomState>,
}

impl Slugs {
    /// The form of a name.
    pub(super) fn of(&mut self, name: Text) -> Text {
        if let Some(&slug) = self.by_name.get(&name) {
            return slug;
        }
        let slug = if is_own_slug(name.as_str()) {
            name
        } else {
            slug_of(name.as_str())
        };
        let uses = self.taken.entry(slug).or_default();
        *uses += 1;
        let slug = if *uses == 1 && !slug.is_empty() {
            slug
        } else {
            Text::from(format!("{slug}~{uses}"))
        };
        self.by_name.insert(name, slug);
        slug
    }
}

/// Longest form of a name, in letters.
const LONGEST: usize = 40;

/// Whether a name stands in the form already.
fn is_own_slug(name: &str) -> bool {
    let bytes = name.as_bytes();
    let dash = |b: Option<&u8>| b == Some(&b'-');
    bytes.len() <= LONGEST
        && (bytes.iter()).all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-'))
        && !bytes.windows(2).any(|pair| pair == b"--")
        && !dash(bytes.first())
        && !dash(bytes.last())
}

fn slug_of(name: &str) -> Text {
    let mut slug = String::with_capacity(LONGEST);
    for c in name.chars().take(LONGEST) {
        if c.is_alphanumeric() || c == '_' {
            slug.push(c);
        } else if !slug.ends_with('-') {
            slug.push('-');
        }
    }
    Text::from(slug.trim_matches('-'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_in_the_form_keeps_it() {
        for name in [
            "",
            "-",
            "a-",
            "-a",
            "a--b",
            "a-b",
            "UNIT-000123",
            "a b",
            "ä",
            "x_y",
            &"x".repeat(41),
        ] {
            let is_kept = slug_of(name) == name;
            // Letters beyond ASCII are kept too, the longer way.
            assert!(is_own_slug(name) == is_kept || !name.is_ascii(), "{name}");
        }
    }

    #[test]
    fn different_names_never_share_a_form() {
        let mut slugs = Slugs::default();
        assert_eq!(slugs.of("drive belt".into()), "drive-belt");
        assert_eq!(slugs.of("drive-belt".into()), "drive-belt~2");
        assert_eq!(slugs.of("drive belt".into()), "drive-belt");
        assert_eq!(slugs.of("../../etc".into()), "etc");
        assert_eq!(slugs.of("***".into()), "~1");
    }
}
