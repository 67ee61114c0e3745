//! Free-text reasons → what they say about the part, by the user's own patterns.

use std::collections::HashMap;

use super::Verdict;

/// Patterns of one records entry; `*` matches anything, case is ignored.
#[derive(Debug, Clone, Default)]
pub(crate) struct Reasons {
    patterns: Vec<(Vec<char>, Verdict)>,
    when_blank: Option<Verdict>,
    seen: HashMap<Box<str>, Verdict>,
}

impl Reasons {
    /// Patterns with what they mean; `when_blank` is what an empty reason means.
    pub(crate) fn new<'a>(
        patterns: impl IntoIterator<Item = (&'a str, Verdict)>,
        when_blank: Option<Verdict>,
    ) -> Self {
        Self {
            patterns: patterns
                .into_iter()
                .map(|(pattern, verdict)| (folded(pattern), verdict))
                .collect(),
            when_blank,
            seen: HashMap::new(),
        }
    }

    /// What a reason means. A pattern without `*` goes before one with; where patterns of
    /// different meaning both match, the meaning is unknown.
    pub(crate) fn verdict(&mut self, reason: &str) -> Verdict {
        if let Some(&verdict) = self.seen.get(reason) {
            return verdict;
        }
        let verdict = self.look_up(reason);
        if self.seen.len() < 100_000 {
            self.seen.insert(reason.into(), verdict);
        }
        verdict
    }

    fn look_up(&self, reason: &str) -> Verdict {
        let text = folded(reason);
        if text.is_empty() {
            let blank = self.patterns.iter().find(|(pattern, _)| pattern.is_empty());
            return blank
                .map(|(_, v)| *v)
                .or(self.when_blank)
                .unwrap_or(Verdict::Unknown);
        }
        let exact = self
            .patterns
            .iter()
            .filter(|(pattern, _)| *pattern == text)
            .map(|(_, v)| *v);
        if let Some(verdict) = only(exact) {
            return verdict;
        }
        let globbed = self
            .patterns
            .iter()
            .filter(|(pattern, _)| matches(pattern, &text))
            .map(|(_, v)| *v);
        if let Some(verdict) = only(globbed) {
            return verdict;
        }
        Verdict::Unknown
    }
}

/// The one verdict of all; unknown where they differ, `None` where there is none.
fn only(mut verdicts: impl Iterator<Item = Verdict>) -> Option<Verdict> {
    let first = verdicts.next()?;
    Some(if verdicts.all(|v| v == first) {
        first
    } else {
        Verdict::Unknown
    })
}

/// Lower case, blanks collapsed.
fn folded(text: &str) -> Vec<char> {
    let mut folded: Vec<char> = Vec::with_capacity(text.len());
    for word in text.split_whitespace() {
        if !folded.is_empty() {
            folded.push(' ');
        }
        folded.extend(word.chars().flat_map(char::to_lowercase));
    }
    folded
}

/// Matches a pattern whose `*` stand for any text, in time linear in both for each star.
fn matches(pattern: &[char], text: &[char]) -> bool {
    let (mut p, mut t) = (0, 0);
    let mut retry: Option<(usize, usize)> = None;
    while t < text.len() {
        if pattern.get(p) == Some(&'*') {
            retry = Some((p, t));
            p += 1;
        } else if pattern.get(p) == Some(&text[t]) {
            p += 1;
            t += 1;
        } else if let Some((star, from)) = retry {
            p = star + 1;
            t = from + 1;
            retry = Some((star, t));
        } else {
            return false;
        }
    }
    pattern[p..].iter().all(|&c| c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reasons() -> Reasons {
        Reasons::new(
            [
                ("worn*", Verdict::Worn),
                ("*snapped*", Verdict::Worn),
                ("worn but reused", Verdict::Unworn),
                ("while open*", Verdict::Unworn),
                ("*open*", Verdict::Worn),
            ],
            None,
        )
    }

    #[test]
    fn stars_match_anything_and_case_does_not_matter() {
        let mut reasons = reasons();
        assert_eq!(reasons.verdict("WORN  out"), Verdict::Worn);
        assert_eq!(reasons.verdict("belt snapped at start"), Verdict::Worn);
        assert_eq!(reasons.verdict("hose size change"), Verdict::Unknown);
        assert_eq!(reasons.verdict(""), Verdict::Unknown);
    }

    #[test]
    fn a_whole_text_goes_before_a_pattern_and_a_clash_is_unknown() {
        let mut reasons = reasons();
        assert_eq!(reasons.verdict("Worn but reused"), Verdict::Unworn);
        assert_eq!(reasons.verdict("while open anyway"), Verdict::Unknown);
    }

    #[test]
    fn nothing_is_mapped_without_a_pattern_and_blanks_mean_what_is_stated() {
        let mut reasons = Reasons::new([], Some(Verdict::Worn));
        assert_eq!(reasons.verdict("worn"), Verdict::Unknown);
        assert_eq!(reasons.verdict("  "), Verdict::Worn);
        assert_eq!(reasons.verdict("worn out"), Verdict::Unknown);
    }

    proptest::proptest! {
        #[test]
        fn a_text_matches_itself_with_any_piece_starred(text in "[a-z ]{0,20}", from in 0_usize..20, to in 0_usize..20) {
            let text: Vec<char> = text.chars().collect();
            let (from, to) = (from.min(text.len()), to.min(text.len()));
            let (from, to) = (from.min(to), from.max(to));
            let pattern: Vec<char> = text[..from].iter().copied().chain(['*']).chain(text[to..].iter().copied()).collect();
            proptest::prop_assert!(matches(&pattern, &text));
        }
    }
}
