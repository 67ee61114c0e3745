//! Where a byte stands in a line. A line is looked at eight bytes at a time, and the places found in up to
//! 64 bytes are gone through together: how many cells a line has hardly changes from line to line,
//! how long they are does, and a processor guesses the former well.

const EACH: u64 = 0x0101_0101_0101_0101;
const LOW_BITS: u64 = 0x7f7f_7f7f_7f7f_7f7f;
/// Brings the lowest bits of eight bytes together in the highest byte.
const GATHER: u64 = 0x0102_0408_1020_4080;
/// Bytes looked at together.
const TOGETHER: usize = 64;

/// Calls `found` with each place of a byte, in order.
pub(super) fn each_place(bytes: &[u8], byte: u8, mut found: impl FnMut(usize)) {
    let wanted = EACH * u64::from(byte);
    for (block, bytes) in bytes.chunks(TOGETHER).enumerate() {
        let (words, rest) = bytes.as_chunks();
        let mut places: u64 = 0;
        for (at, word) in words.iter().enumerate() {
            // A byte of `differs` is 0 where the wanted one stands; the highest bit of each byte of
            // `zeros` says so.
            let differs = u64::from_le_bytes(*word) ^ wanted;
            let zeros = !(((differs & LOW_BITS) + LOW_BITS) | differs | LOW_BITS);
            places |= ((zeros >> 7).wrapping_mul(GATHER) >> 56) << (8 * at);
        }
        let behind = bytes.len() - rest.len();
        for (at, b) in rest.iter().enumerate() {
            places |= u64::from(*b == byte) << (behind + at);
        }
        while places != 0 {
            found(TOGETHER * block + places.trailing_zeros() as usize);
            places &= places - 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_place_is_found(bytes in prop::collection::vec(prop::sample::select(vec![0_u8, 1, b'+', b',', b'-', 0x7f, 0x80, 0xac, 0xff]), 0..200), byte in prop::sample::select(vec![0_u8, b',', 0xac, 0xff])) {
            let mut places = Vec::new();
            each_place(&bytes, byte, |at| places.push(at));
            prop_assert_eq!(places, memchr::memchr_iter(byte, &bytes).collect::<Vec<_>>());
        }
    }
}
