//! Texts and sets of texts that many rows share, each kept once for the whole run.
//!
//! A row of an export repeats the machine, the part, the position, the reason of other rows. Here
//! such a text is a number of four bytes that leads to it, so that millions of rows fit into memory
//! and compare at the speed of numbers. What is kept stays until the program ends.

use std::borrow::Borrow;
use std::collections::HashMap;
use std::hash::{BuildHasher, Hash};
use std::num::NonZeroU32;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{LazyLock, OnceLock, PoisonError, RwLock};

use foldhash::fast::RandomState;
use rayon::prelude::*;
use serde::{Serialize, Serializer};

/// Slots of the first bin; each further bin has twice as many.
const FIRST_BIN: u32 = 1024;
/// Bins; together they hold all numbers of 32 bits.
const BINS: usize = 23;
/// Parts of the look-up table, each with a lock of its own.
const SHARDS: usize = 16;

/// Values kept once, found by their number and by themselves.
pub(crate) struct Shelf<U: ?Sized + 'static> {
    bins: [OnceLock<Box<[OnceLock<&'static U>]>>; BINS],
    codes: [RwLock<HashMap<&'static U, NonZeroU32, RandomState>>; SHARDS],
    hasher: RandomState,
    taken: AtomicU32,
}

impl<U: ?Sized + Eq + Hash + 'static> Shelf<U> {
    pub(crate) fn new() -> Self {
        Self {
            bins: [const { OnceLock::new() }; BINS],
            codes: std::array::from_fn(|_| RwLock::new(HashMap::default())),
            hasher: RandomState::default(),
            taken: AtomicU32::new(0),
        }
    }

    /// Number of a value; one that is new is kept as `keep` makes it.
    pub(crate) fn code(&self, value: &U, keep: impl FnOnce() -> &'static U) -> NonZeroU32
    where
        &'static U: Borrow<U>,
    {
        let shard = &self.codes[self.hasher.hash_one(value) as usize % SHARDS];
        if let Some(&code) = shard
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .get(value)
        {
            return code;
        }
        let mut codes = shard.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(&code) = codes.get(value) {
            return code;
        }
        let kept = keep();
        let code = NonZeroU32::MIN.saturating_add(self.taken.fetch_add(1, Ordering::Relaxed));
        let (bin, slot) = place(code);
        let bin = self.bins[bin].get_or_init(|| {
            (0..FIRST_BIN << bin)
                .map(|_| OnceLock::new())
                .collect::<Vec<_>>()
                .into()
        });
        let _ = bin[slot].set(kept);
        codes.insert(kept, code);
        code
    }

    pub(crate) fn value(&self, code: NonZeroU32) -> Option<&'static U> {
        let (bin, slot) = place(code);
        self.bins[bin].get()?.get(slot)?.get().copied()
    }
}

/// Bin and slot of a number.
fn place(code: NonZeroU32) -> (usize, usize) {
    let n = u64::from(code.get()) - 1 + u64::from(FIRST_BIN);
    let bin = n.ilog2() - FIRST_BIN.ilog2();
    (bin as usize, (n - (u64::from(FIRST_BIN) << bin)) as usize)
}

static TEXTS: LazyLock<Shelf<str>> = LazyLock::new(Shelf::new);
static SOURCES: LazyLock<Shelf<(Text, Option<Text>)>> = LazyLock::new(Shelf::new);
static EXTRAS: LazyLock<Shelf<[(Text, Text)]>> = LazyLock::new(Shelf::new);

/// A text kept once; four bytes, compared for equality as a number, put in order as a text.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Text(NonZeroU32);

impl Text {
    /// The text itself.
    pub fn as_str(self) -> &'static str {
        TEXTS.value(self.0).unwrap_or_default()
    }

    /// A number that no other text has; not the same from run to run.
    pub(crate) fn number(self) -> usize {
        self.0.get() as usize
    }

    /// The text of a number that one has; `None` for 0.
    pub(crate) fn of_number(number: usize) -> Option<Self> {
        NonZeroU32::new(u32::try_from(number).ok()?).map(Self)
    }
}

impl From<&str> for Text {
    fn from(text: &str) -> Self {
        Self(TEXTS.code(text, || Box::leak(text.into())))
    }
}

impl From<String> for Text {
    fn from(text: String) -> Self {
        Self::from(text.as_str())
    }
}

impl From<&String> for Text {
    fn from(text: &String) -> Self {
        Self::from(text.as_str())
    }
}

impl From<Text> for String {
    fn from(text: Text) -> Self {
        text.as_str().to_owned()
    }
}

impl From<&Text> for String {
    fn from(text: &Text) -> Self {
        text.as_str().to_owned()
    }
}

impl Default for Text {
    fn default() -> Self {
        Self::from("")
    }
}

impl std::ops::Deref for Text {
    type Target = str;

    fn deref(&self) -> &str {
        self.as_str()
    }
}

impl AsRef<str> for Text {
    fn as_ref(&self) -> &str {
        self.as_str()
    }
}

impl std::fmt::Display for Text {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.as_str())
    }
}

impl std::fmt::Debug for Text {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        std::fmt::Debug::fmt(self.as_str(), f)
    }
}

impl PartialOrd for Text {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Text {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        if self.0 == other.0 {
            return std::cmp::Ordering::Equal;
        }
        self.as_str().cmp(other.as_str())
    }
}

/// The first bytes of a text as a number: where two differ, texts stand in the same order.
fn leading(text: Text) -> u128 {
    let bytes = text.as_str().as_bytes();
    let mut first = [0; 16];
    let length = bytes.len().min(first.len());
    first[..length].copy_from_slice(&bytes[..length]);
    u128::from_be_bytes(first)
}

/// Puts values in the order of their texts, each of which only one has. Looks at each text once where the first bytes
/// tell them apart.
pub(super) fn sort_by_text<T: Copy + Send + Sync>(
    values: &mut Vec<T>,
    text: impl Fn(&T) -> Text + Sync,
) {
    let mut keyed: Vec<(u128, T)> = values
        .par_iter()
        .map(|value| (leading(text(value)), *value))
        .collect();
    keyed.par_sort_unstable_by(|(first, a), (second, b)| {
        first.cmp(second).then_with(|| text(a).cmp(&text(b)))
    });
    *values = keyed.into_iter().map(|(_, value)| value).collect();
}

macro_rules! equal_to {
    ($($other:ty),*) => {$(
        impl PartialEq<$other> for Text {
            fn eq(&self, other: &$other) -> bool {
                let other: &str = other.as_ref();
                self.as_str() == other
            }
        }

        impl PartialEq<Text> for $other {
            fn eq(&self, other: &Text) -> bool {
                let this: &str = self.as_ref();
                this == other.as_str()
            }
        }
    )*};
}
equal_to!(str, &str, String);

impl Serialize for Text {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

/// A file, and the sheet of a spreadsheet.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct Source(NonZeroU32);

impl Source {
    pub(super) fn new(file: Text, sheet: Option<Text>) -> Self {
        let pair = (file, sheet);
        Self(SOURCES.code(&pair, || Box::leak(Box::new(pair))))
    }

    /// File and sheet.
    pub(super) fn names(self) -> (Text, Option<Text>) {
        SOURCES.value(self.0).copied().unwrap_or_default()
    }
}

/// Further columns of a row by heading, empty cells left out; rows alike share them.
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Extras(Option<NonZeroU32>);

impl Extras {
    /// The given columns; each heading once, in the order of the file.
    pub(crate) fn new(mut columns: Vec<(Text, Text)>) -> Self {
        if columns.is_empty() {
            return Self(None);
        }
        columns.sort();
        let code = EXTRAS.code(columns.as_slice(), || {
            Box::leak(columns.clone().into_boxed_slice())
        });
        Self(Some(code))
    }

    /// Headings and texts, sorted by heading.
    pub fn columns(self) -> &'static [(Text, Text)] {
        self.0
            .and_then(|code| EXTRAS.value(code))
            .unwrap_or_default()
    }

    /// Text under a heading, compared without case, punctuation and spacing.
    pub fn named(self, heading: &str) -> Option<&'static str> {
        let columns = self.columns().iter();
        super::text::under(
            heading,
            columns.map(|(h, text)| (h.as_str(), text.as_str())),
        )
    }

    /// Text under a heading.
    pub fn get(self, heading: &str) -> Option<&'static str> {
        self.columns()
            .iter()
            .find(|(h, _)| h.as_str() == heading)
            .map(|(_, text)| text.as_str())
    }
}

impl std::fmt::Debug for Extras {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_map()
            .entries(self.columns().iter().map(|(h, t)| (h, t)))
            .finish()
    }
}

impl Serialize for Extras {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.columns().iter().map(|(h, t)| (h, t)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_kept_once_and_found_again() {
        let texts: Vec<Text> = (0..5000)
            .map(|i| Text::from(format!("shared {i}")))
            .collect();
        for (i, text) in texts.iter().enumerate() {
            assert_eq!(*text, format!("shared {i}"));
            assert_eq!(*text, Text::from(format!("shared {i}").as_str()));
        }
        assert!(Text::from("a") < Text::from("b") && Text::from("b") > Text::from("a"));
        assert_eq!(Text::default().as_str(), "");
    }

    #[test]
    fn sorted_as_texts_whatever_they_begin_with() {
        let long = "the very same first bytes, then ";
        let mut texts: Vec<Text> = ["", "\0", "b", "ab", "ab\0", "ab\u{1}", "é", "Z", "zz"]
            .into_iter()
            .map(Text::from)
            .chain(["b", "a", ""].map(|end| Text::from(format!("{long}{end}"))))
            .collect();
        let mut expected: Vec<&str> = texts.iter().map(|text| text.as_str()).collect();
        expected.sort_unstable();
        sort_by_text(&mut texts, |text| *text);
        assert_eq!(texts, expected);
    }

    #[test]
    fn threads_that_meet_a_text_at_once_get_one_number() {
        let all: Vec<Vec<Text>> = std::thread::scope(|scope| {
            let runs: Vec<_> = (0..4)
                .map(|_| {
                    scope.spawn(|| {
                        (0..3000)
                            .map(|i| Text::from(format!("met {i}")))
                            .collect::<Vec<_>>()
                    })
                })
                .collect();
            runs.into_iter().map(|run| run.join().unwrap()).collect()
        });
        assert!(all.windows(2).all(|pair| pair[0] == pair[1]));
    }

    #[test]
    fn numbers_fill_the_bins_without_a_hole() {
        let at = |n: u32| place(NonZeroU32::new(n).unwrap());
        assert_eq!(at(1), (0, 0));
        assert_eq!(at(1024), (0, 1023));
        assert_eq!(at(1025), (1, 0));
        assert_eq!(at(3072), (1, 2047));
        assert_eq!(at(3073), (2, 0));
        assert_eq!(at(u32::MAX).0, BINS - 1);
    }

    #[test]
    fn rows_alike_share_their_further_columns() {
        let of = |site: &str| {
            Extras::new(vec![
                (Text::from("Site"), Text::from(site)),
                (Text::from("Hose"), Text::from("1 in")),
            ])
        };
        assert_eq!(of("north"), of("north"));
        assert_ne!(of("north"), of("south"));
        assert_eq!(of("north").get("Site"), Some("north"));
        assert_eq!(of("north").get("Crew"), None);
        assert_eq!(Extras::new(Vec::new()), Extras::default());
    }
}
