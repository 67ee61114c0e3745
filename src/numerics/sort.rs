//! Sorting many whole numbers on all cores.

use rayon::prelude::*;

/// Below this many keys one core is as fast.
const FEW: usize = 1 << 15;
/// Ranges of equal width by leading bits, each then cut into as many buckets as its share of a sample
/// asks for.
const RANGES: usize = 1 << 11;
/// Keys in the sample.
const SAMPLE: usize = 1 << 13;
/// Keys a bucket should have, and the most buckets that are made for it.
const BUCKET: usize = 48;
const MOST_BUCKETS: usize = 1 << 14;
/// Parts that are distributed at the same time.
const PARTS: usize = 4;

/// Where keys go: a rising function from keys to buckets.
struct Buckets {
    least: u64,
    shift: u32,
    /// First bucket of a range and how many it has.
    ranges: Vec<(u32, u32)>,
    count: usize,
}

impl Buckets {
    fn new(keys: &[u64], least: u64, greatest: u64) -> Self {
        let bits = u64::BITS - (greatest - least).leading_zeros();
        let shift = bits.saturating_sub(RANGES.trailing_zeros());
        let mut found = vec![0; RANGES];
        let mut sampled = 0;
        for &key in keys.iter().step_by(keys.len().div_ceil(SAMPLE)) {
            found[((key - least) >> shift) as usize] += 1;
            sampled += 1;
        }
        let wanted = (keys.len() / BUCKET).min(MOST_BUCKETS);
        let mut count = 0;
        let ranges = found.iter().map(|found| {
            let own = 1 + found * wanted / sampled;
            let first = count;
            count += own;
            (first as u32, own as u32)
        });
        Self {
            least,
            shift,
            ranges: ranges.collect(),
            count,
        }
    }

    fn of(&self, key: u64) -> usize {
        let above = key - self.least;
        let (first, own) = self.ranges[(above >> self.shift) as usize];
        // How far into its range, in 2^−32.
        let rest = above & ((1 << self.shift) - 1);
        let share = if self.shift > 32 {
            rest >> (self.shift - 32)
        } else {
            rest << (32 - self.shift)
        };
        first as usize + ((share * u64::from(own)) >> 32) as usize
    }
}

/// Puts values in the rising order of a key below 2⁹⁶, and those of the same key in the order of another. For up to 2³²
/// of them.
pub(crate) fn sort_by_number<T: Copy, K: Ord>(
    values: &mut [T],
    key: impl Fn(&T) -> u128,
    then: impl Fn(&T) -> K,
) {
    // Numbers alone are compared and moved, each with the place that it comes from.
    let mut order: Vec<u128> = (0..)
        .zip(&*values)
        .map(|(at, v)| key(v) << 32 | at)
        .collect();
    if !order.is_sorted() {
        order.sort_unstable();
        let place = |key: &u128| (key & u128::from(u32::MAX)) as usize;
        let sorted: Vec<T> = order.iter().map(|key| values[place(key)]).collect();
        values.copy_from_slice(&sorted);
    }
    let mut from = 0;
    for alike in order.chunk_by(|a, b| a >> 32 == b >> 32) {
        values[from..from + alike.len()].sort_unstable_by_key(&then);
        from += alike.len();
    }
}

/// The order of `f64::total_cmp` as that of whole numbers.
pub(crate) fn number_in_order(value: f64) -> u64 {
    let bits = value.to_bits();
    let negative = bits >> 63 == 1;
    bits ^ if negative { u64::MAX } else { 1 << 63 }
}

/// The keys in rising order: distributed over buckets (part by part), then each bucket is put together
/// and sorted.
pub fn sorted(mut keys: Vec<u64>) -> Vec<u64> {
    let size = keys.len().div_ceil(PARTS).max(1);
    let bounds = |keys: &[u64]| {
        let least = keys.iter().fold(u64::MAX, |a, &b| a.min(b));
        (least, keys.iter().fold(0, |a, &b| a.max(b)))
    };
    let (least, greatest) = keys
        .par_chunks(size)
        .map(bounds)
        .reduce(|| (u64::MAX, 0), |a, b| (a.0.min(b.0), a.1.max(b.1)));
    if keys.len() < FEW || least == greatest {
        keys.sort_unstable();
        return keys;
    }
    let buckets = Buckets::new(&keys, least, greatest);
    // Each part by bucket, with where its buckets end.
    let parts: Vec<(Vec<u64>, Vec<u32>)> = keys
        .par_chunks(size)
        .map(|part| {
            let mut ends = vec![0; buckets.count + 1];
            for &key in part {
                ends[buckets.of(key) + 1] += 1;
            }
            for k in 0..buckets.count {
                ends[k + 1] += ends[k];
            }
            let mut by_bucket = vec![0; part.len()];
            // `ends[k]` is where the next key of bucket k goes; in the end, where k ends.
            for &key in part {
                let next = &mut ends[buckets.of(key)];
                by_bucket[*next as usize] = key;
                *next += 1;
            }
            (by_bucket, ends)
        })
        .collect();
    let piece = |ends: &[u32], k: usize| {
        let start = if k == 0 { 0 } else { ends[k - 1] };
        start as usize..ends[k] as usize
    };
    let mut rest = keys.as_mut_slice();
    let mut slots = Vec::with_capacity(buckets.count);
    for k in 0..buckets.count {
        let count = parts.iter().map(|(_, ends)| piece(ends, k).len()).sum();
        let (slot, beyond) = rest.split_at_mut(count);
        slots.push(slot);
        rest = beyond;
    }
    slots
        .into_par_iter()
        .enumerate()
        .with_min_len(64)
        .for_each(|(k, slot)| {
            let mut filled = 0;
            for (by_bucket, ends) in &parts {
                let piece = &by_bucket[piece(ends, k)];
                slot[filled..filled + piece.len()].copy_from_slice(piece);
                filled += piece.len();
            }
            slot.sort_unstable();
        });
    keys
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::streams::stream;

    #[test]
    fn keys_come_out_as_the_library_sorts_them() {
        let mut random = stream(41, 0);
        for spread in [1.0, 300.0, 1e6, 1e18] {
            for n in [0, 1, 1000, FEW, 100_003] {
                let keys: Vec<u64> = (0..n).map(|_| (spread * random.uniform()) as u64).collect();
                let mut library = keys.clone();
                library.sort_unstable();
                assert_eq!(sorted(keys), library);
            }
        }
    }

    /// Bits of numbers of very different size, and keys over the whole range.
    #[test]
    fn keys_crowded_in_places_come_out_sorted_too() {
        let mut random = stream(42, 0);
        let mut keys: Vec<u64> = (0..FEW)
            .map(|_| (30.0 * random.normal()).exp().to_bits())
            .collect();
        keys.extend((0..FEW as u64).map(|k| k * k % 17));
        keys.extend([0, u64::MAX, u64::MAX - 1]);
        let mut library = keys.clone();
        library.sort_unstable();
        assert_eq!(sorted(keys), library);
    }

    /// As the standard library sorts, which keeps what is alike in its order.
    #[test]
    fn by_number_as_by_comparison() {
        let mut random = stream(3, 1);
        for count in [0, 1, 2, 50, 3_000] {
            let each = (0..count).map(|i| ((40.0 * random.uniform() - 20.0).round() / 8.0, i));
            let mut values: Vec<(f64, usize)> = each.collect();
            let mut expected = values.clone();
            expected.sort_by(|a, b| a.0.total_cmp(&b.0));
            sort_by_number(&mut values, |v| u128::from(number_in_order(v.0)), |v| v.1);
            assert_eq!(values, expected);
        }
        let rising = [
            f64::NEG_INFINITY,
            -3.5,
            -1e-300,
            -0.0,
            0.0,
            1e-300,
            3.5,
            f64::INFINITY,
        ];
        assert!(rising.map(number_in_order).is_sorted_by(|a, b| a < b));
    }
}
