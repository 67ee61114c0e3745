//! Names that stand for the same thing: case, spacing and stated aliases.

use std::collections::{BTreeSet, HashMap};

use foldhash::fast::RandomState;

use super::{Text, similar};

/// Names → the one name used from here on.
#[derive(Debug, Clone, Default)]
pub(crate) struct Names {
    by_folded: HashMap<String, Text, RandomState>,
    /// Room for the text that is looked up.
    folding: String,
}

impl Names {
    /// Adds a name with its aliases.
    pub(crate) fn add<'a>(&mut self, name: &'a str, aliases: impl IntoIterator<Item = &'a String>) {
        for known in std::iter::once(name).chain(aliases.into_iter().map(String::as_str)) {
            self.by_folded.insert(folded(known), Text::from(name));
        }
    }

    /// The known name of a text, if it has one.
    pub(crate) fn known(&mut self, text: &str) -> Option<Text> {
        fold(text, &mut self.folding);
        self.by_folded.get(&self.folding).copied()
    }

    /// Known names that a slip of the pen could have turned into this text; all of them for an empty one.
    pub(crate) fn near(&self, text: &str) -> BTreeSet<Text> {
        let text = folded(text);
        self.by_folded
            .iter()
            .filter(|(known, _)| {
                let most = if known.chars().count() < 5 { 1 } else { 2 };
                text.is_empty() || is_within(&text, known, most) || contains_word(&text, known)
            })
            .map(|(_, name)| *name)
            .collect()
    }

    /// Whether some names differ only in what is no letter and no digit.
    pub(crate) fn holds_similar(&self) -> bool {
        let mut letters: HashMap<String, Text, RandomState> = HashMap::default();
        self.by_folded.iter().any(|(folded, &name)| {
            let first = *letters.entry(similar::letters(folded)).or_insert(name);
            first != name
        })
    }

    /// The known name of a text; an unknown one becomes known as it is first written.
    pub(crate) fn learn(&mut self, text: &str) -> Text {
        if let Some(name) = self.known(text) {
            return name;
        }
        let name = Text::from(one_spaced(text));
        self.by_folded.insert(self.folding.clone(), name);
        name
    }
}

/// Words with one blank between them.
pub(super) fn one_spaced(text: &str) -> String {
    let mut words = text.split_whitespace();
    let mut spaced = String::with_capacity(text.len());
    spaced.push_str(words.next().unwrap_or_default());
    for word in words {
        spaced.push(' ');
        spaced.push_str(word);
    }
    spaced
}

fn contains_word(text: &str, known: &str) -> bool {
    text.split(|c: char| !c.is_alphanumeric())
        .any(|word| word == known)
}

/// Whether one text becomes the other by at most `most` letters put in, left out or changed.
fn is_within(a: &str, b: &str, most: usize) -> bool {
    let (a, b): (Vec<char>, Vec<char>) =
        (a.chars().take(200).collect(), b.chars().take(200).collect());
    if a.len().abs_diff(b.len()) > most {
        return false;
    }
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = i;
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let changed = diagonal + usize::from(x != y);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()] <= most
}

/// Case and spacing do not tell two names apart; anything else does.
fn folded(text: &str) -> String {
    let mut folded = String::new();
    fold(text, &mut folded);
    folded
}

/// [`folded`], in place of what stands there.
fn fold(text: &str, into: &mut String) {
    into.clear();
    let bytes = text.as_bytes();
    let letters = bytes.iter().all(|b| (b' '..0x80).contains(b));
    let blank = |b: Option<&u8>| b == Some(&b' ');
    let spaced = bytes.windows(2).any(|pair| pair == b"  ");
    if letters && !blank(bytes.first()) && !blank(bytes.last()) && !spaced {
        into.push_str(text);
        into.make_ascii_lowercase();
        return;
    }
    into.extend(one_spaced(text).chars().flat_map(char::to_lowercase));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_pen_are_near_and_other_parts_are_not() {
        let mut names = Names::default();
        names.add("drive belt", &["belt".to_owned()]);
        names.add("wear ring", []);
        let near = |text: &str| names.near(text).into_iter().collect::<Vec<_>>();
        assert_eq!(near("drve belt"), ["drive belt"]);
        assert_eq!(near("belt, new"), ["drive belt"]);
        assert_eq!(near("wear rings"), ["wear ring"]);
        assert!(near("gearbox").is_empty());
        assert_eq!(near("").len(), 2);
    }

    #[test]
    fn folding_leaves_words_in_small_letters_with_one_blank_between() {
        for (text, expected) in [
            ("Unit 1", "unit 1"),
            (" Unit  1", "unit 1"),
            ("Unit\t1 ", "unit 1"),
            ("ÄRZTE\u{a0} X", "ärzte x"),
            ("  ", ""),
            ("", ""),
        ] {
            assert_eq!(folded(text), expected, "{text:?}");
        }
    }

    #[test]
    fn case_and_spacing_do_not_make_a_new_name_and_aliases_lead_home() {
        let mut names = Names::default();
        names.add("Unit 1", &["U1".to_owned()]);
        assert_eq!(names.learn("unit  1 "), "Unit 1");
        assert_eq!(names.learn("u1"), "Unit 1");
        assert_eq!(names.learn("Unit-1"), "Unit-1");
        assert_eq!(names.learn("UNIT-1"), "Unit-1");
        assert!(names.known("U2").is_none());
    }
}
