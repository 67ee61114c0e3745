//! Stable names of lives.

use std::collections::HashMap;

use foldhash::fast::RandomState;

/// Names of machines, parts and positions in a form that can stand in an id and in a file name:
/// letters and digits, `-` for anything else; different names never share one form.
#[derive(Debug, Default)]
pub(super) struct Slugs {
    by_name: HashMap<String, String, RandomState>,
    taken: HashMap<String, u32, RandomState>,
}

impl Slugs {
    /// The form of a name.
    pub(super) fn of(&mut self, name: &str) -> String {
        if let Some(slug) = self.by_name.get(name) {
            return slug.clone();
        }
        let mut slug = String::new();
        for c in name.chars().take(40) {
            if c.is_alphanumeric() || c == '_' {
                slug.push(c);
            } else if !slug.ends_with('-') {
                slug.push('-');
            }
        }
        let slug = slug.trim_matches('-').to_owned();
        let uses = self.taken.entry(slug.clone()).or_default();
        *uses += 1;
        let slug = if *uses == 1 && !slug.is_empty() {
            slug
        } else {
            format!("{slug}~{uses}")
        };
        self.by_name.insert(name.to_owned(), slug.clone());
        slug
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn different_names_never_share_a_form() {
        let mut slugs = Slugs::default();
        assert_eq!(slugs.of("drive belt"), "drive-belt");
        assert_eq!(slugs.of("drive-belt"), "drive-belt~2");
        assert_eq!(slugs.of("drive belt"), "drive-belt");
        assert_eq!(slugs.of("../../etc"), "etc");
        assert_eq!(slugs.of("***"), "~1");
    }
}
