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
        let mut slug = String::with_capacity(40);
        for c in name.as_str().chars().take(40) {
            if c.is_alphanumeric() || c == '_' {
                slug.push(c);
            } else if !slug.ends_with('-') {
                slug.push('-');
            }
        }
        let slug = Text::from(slug.trim_matches('-'));
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

#[cfg(test)]
mod tests {
    use super::*;

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
