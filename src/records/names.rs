//! Names that stand for the same thing: case, spacing and stated aliases.

use std::collections::HashMap;

/// Names → the one name used from here on.
#[derive(Debug, Clone, Default)]
pub(crate) struct Names {
    by_folded: HashMap<String, String>,
    seen: HashMap<Box<str>, String>,
}

impl Names {
    /// Adds a name with its aliases.
    pub(crate) fn add<'a>(&mut self, name: &'a str, aliases: impl IntoIterator<Item = &'a String>) {
        for known in std::iter::once(name).chain(aliases.into_iter().map(String::as_str)) {
            self.by_folded.insert(folded(known), name.to_owned());
        }
    }

    /// The known name of a text, if it has one.
    pub(crate) fn known(&mut self, text: &str) -> Option<String> {
        if let Some(name) = self.seen.get(text) {
            return Some(name.clone());
        }
        let name = self.by_folded.get(&folded(text))?.clone();
        if self.seen.len() < 100_000 {
            self.seen.insert(text.into(), name.clone());
        }
        Some(name)
    }

    /// The known name of a text; an unknown one becomes known as it is first written.
    pub(crate) fn learn(&mut self, text: &str) -> String {
        self.known(text).unwrap_or_else(|| {
            let name = text.split_whitespace().collect::<Vec<_>>().join(" ");
            self.by_folded.insert(folded(text), name.clone());
            name
        })
    }
}

/// Case and spacing do not tell two names apart; anything else does.
fn folded(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for word in text.split_whitespace() {
        if !folded.is_empty() {
            folded.push(' ');
        }
        folded.extend(word.chars().flat_map(char::to_lowercase));
    }
    folded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_and_spacing_do_not_make_a_new_name_and_aliases_lead_home() {
        let mut names = Names::default();
        names.add("Unit 1", &["U1".to_owned()]);
        assert_eq!(names.learn("unit  1 "), "Unit 1");
        assert_eq!(names.learn("u1"), "Unit 1");
        assert_eq!(names.learn("Unit-1"), "Unit-1");
        assert_eq!(names.learn("UNIT-1"), "Unit-1");
        assert_eq!(names.known("U2"), None);
    }
}
