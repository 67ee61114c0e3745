//! Sorting many whole numbers on all cores.

use rayon::prelude::*;

/// Below this many keys one core is as fast.
const FEW: usize = 1 << 15;
/// Buckets of the first pass, by leading bits.
const BUCKETS: usize = 1 << 12;
/// Parts that are distributed at the same time.
const PARTS: usize = 4;

/// The keys in rising order: distributed over buckets by their leading bits (part by part), then each
/// bucket is put together and sorted.
pub fn sorted(mut keys: Vec<u64>) -> Vec<u64> {
    let bounds = keys.iter().copied().min().zip(keys.iter().copied().max());
    let Some((least, greatest)) = bounds.filter(|(a, b)| keys.len() >= FEW && a < b) else {
        keys.sort_unstable();
        return keys;
    };
    let bits = u64::BITS - (greatest - least).leading_zeros();
    let shift = bits.saturating_sub(BUCKETS.trailing_zeros());
    let bucket = |key: u64| ((key - least) >> shift) as usize;
    let size = keys.len().div_ceil(PARTS);
    // Each part by bucket, with where its buckets end.
    let parts: Vec<(Vec<u64>, Vec<usize>)> = keys
        .par_chunks(size)
        .map(|part| {
            let mut ends = vec![0; BUCKETS + 1];
            for &key in part {
                ends[bucket(key) + 1] += 1;
            }
            for k in 0..BUCKETS {
                ends[k + 1] += ends[k];
            }
            let mut by_bucket = vec![0; part.len()];
            // `ends[k]` is where the next key of bucket k goes; in the end, where k ends.
            for &key in part {
                let next = &mut ends[bucket(key)];
                by_bucket[*next] = key;
                *next += 1;
            }
            (by_bucket, ends)
        })
        .collect();
    let mut rest = keys.as_mut_slice();
    let mut slots = Vec::with_capacity(BUCKETS);
    for k in 0..BUCKETS {
        let in_part = |ends: &Vec<usize>| ends[k] - if k == 0 { 0 } else { ends[k - 1] };
        let count: usize = parts.iter().map(|(_, ends)| in_part(ends)).sum();
        let (slot, beyond) = rest.split_at_mut(count);
        slots.push(slot);
        rest = beyond;
    }
    slots
        .into_par_iter()
        .enumerate()
        .with_min_len(16)
        .for_each(|(k, slot)| {
            let mut filled = 0;
            for (by_bucket, ends) in &parts {
                let start = if k == 0 { 0 } else { ends[k - 1] };
                let piece = &by_bucket[start..ends[k]];
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
}
