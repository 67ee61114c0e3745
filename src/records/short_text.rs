//! Short texts as numbers: looking one up among many does not lead back into the file.

/// A text of up to 15 bytes, and how many they are; no two texts share one.
pub(super) type ShortText = (u64, u64);

/// The numbers of a text, where it is short.
pub(super) fn short(text: &str) -> Option<ShortText> {
    let bytes = text.as_bytes();
    let length = bytes.len();
    if length > 15 {
        return None;
    }
    // Where the first and the last bytes overlap they are the same, so that laying one over the
    // other changes nothing.
    let laid = if let (Some(first), Some(last)) = (bytes.first_chunk(), bytes.last_chunk::<8>()) {
        let (first, last) = (u64::from_le_bytes(*first), u64::from_le_bytes(*last));
        u128::from(first) | u128::from(last) << (8 * (length - 8))
    } else if let (Some(first), Some(last)) = (bytes.first_chunk(), bytes.last_chunk::<4>()) {
        let (first, last) = (u32::from_le_bytes(*first), u32::from_le_bytes(*last));
        u128::from(first) | u128::from(last) << (8 * (length - 4))
    } else {
        bytes
            .iter()
            .rev()
            .fold(0, |laid, &b| laid << 8 | u128::from(b))
    };
    Some((laid as u64, (laid >> 64) as u64 | (length as u64) << 56))
}

/// The numbers of no text.
pub(super) const NO_TEXT: ShortText = (u64::MAX, u64::MAX);

/// One of `SLOTS` (a power of two) for a text.
pub(super) fn slot<const SLOTS: usize>((low, high): ShortText) -> usize {
    let mixed = (low ^ high.rotate_left(32)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    (mixed >> 48) as usize % SLOTS
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;

    #[test]
    fn no_two_short_texts_share_their_numbers() {
        let mut met: HashMap<ShortText, String> = HashMap::new();
        let letters = [
            "", "a", "b", "\0", "ab", "é", "UNIT-", "000", "\0\0\0\0", "x y",
        ];
        for a in letters {
            for b in letters {
                for c in letters {
                    let text = format!("{a}{b}{c}");
                    match short(&text) {
                        None => assert!(text.len() > 15, "{text:?}"),
                        Some(numbers) => {
                            assert_ne!(numbers, NO_TEXT);
                            let first = met.entry(numbers).or_insert_with(|| text.clone());
                            assert_eq!(*first, text);
                        }
                    }
                }
            }
        }
        assert!(met.len() > 300, "{}", met.len());
    }

    #[test]
    fn bytes_stand_in_their_order() {
        assert_eq!(short("ab"), Some((0x6261, 2 << 56)));
        assert_eq!(short("abcde"), Some((0x65_6463_6261, 5 << 56)));
        let (low, high) = short("abcdefghijklmno").unwrap();
        assert_eq!(low.to_le_bytes(), *b"abcdefgh");
        assert_eq!(high.to_le_bytes(), *b"ijklmno\x0f");
        assert_eq!(short("abcdefghijklmnop"), None);
    }
}
