//! Counting, drawing and listing inversions of a sequence, the step that
//! Kendall's statistic and Theil-Sen slopes have in common.
//!
//! Source: Knight, "A computer method for calculating Kendall's tau with
//! ungrouped data", JASA 61, 1966 (counting by merging, O(n log n)). An
//! inversion is a pair `i < j` with `keys[i] > keys[j]`; equal keys are none.

/// Length of the runs that are sorted by insertion before merging begins.
const RUN: usize = 8;

/// Number of inversions; the keys are sorted on return. `spare` is working room.
pub fn count(keys: &mut [f64], spare: &mut Vec<f64>) -> u64 {
    let n = keys.len();
    let mut inversions = 0_u64;
    for run in keys.chunks_mut(RUN) {
        for i in 1..run.len() {
            let key = run[i];
            let mut j = i;
            while j > 0 && run[j - 1] > key {
                run[j] = run[j - 1];
                j -= 1;
            }
            run[j] = key;
            inversions += (i - j) as u64;
        }
    }
    spare.clear();
    spare.resize(n, 0.0);
    let mut width = RUN;
    let mut in_keys = true;
    while width < n {
        let (from, to): (&mut [f64], &mut [f64]) = if in_keys {
            (&mut *keys, spare.as_mut_slice())
        } else {
            (spare.as_mut_slice(), &mut *keys)
        };
        for (source, target) in from.chunks(2 * width).zip(to.chunks_mut(2 * width)) {
            if source.len() <= width {
                target.copy_from_slice(source);
                continue;
            }
            let (left, right) = source.split_at(width);
            let (mut i, mut j) = (0, 0);
            // No branch on the comparison: it cannot be foreseen.
            while i < left.len() && j < right.len() {
                let (l, r) = (left[i], right[j]);
                let take_right = l > r;
                target[i + j] = if take_right { r } else { l };
                inversions += u64::from(take_right) * (left.len() - i) as u64;
                i += usize::from(!take_right);
                j += usize::from(take_right);
            }
            let done = i + j;
            let rest = if i < left.len() {
                &left[i..]
            } else {
                &right[j..]
            };
            target[done..].copy_from_slice(rest);
        }
        in_keys = !in_keys;
        width *= 2;
    }
    if !in_keys {
        keys.copy_from_slice(spare);
    }
    inversions
}

/// Merges a sequence of (key, tag) and calls `block(left, right)` for every
/// element of a right half with the tags of all elements of the left half that
/// it is inverted with. Sorted on return.
fn blocks(items: &mut Vec<(f64, u32)>, mut block: impl FnMut(&[(f64, u32)], u32)) {
    let n = items.len();
    let mut spare = items.clone();
    let mut width = 1;
    while width < n {
        for (source, target) in items.chunks(2 * width).zip(spare.chunks_mut(2 * width)) {
            if source.len() <= width {
                target.copy_from_slice(source);
                continue;
            }
            let (left, right) = source.split_at(width);
            let (mut i, mut j) = (0, 0);
            for slot in target.iter_mut() {
                let take_right = i == left.len() || (j < right.len() && left[i].0 > right[j].0);
                if take_right {
                    if i < left.len() {
                        block(&left[i..], right[j].1);
                    }
                    *slot = right[j];
                    j += 1;
                } else {
                    *slot = left[i];
                    i += 1;
                }
            }
        }
        std::mem::swap(items, &mut spare);
        width *= 2;
    }
}

/// The inversions of a sequence of (key, tag) with the given places in the
/// order in which they are met, as pairs of tags (earlier, later). `places`
/// must be sorted.
pub fn draw(mut items: Vec<(f64, u32)>, places: &[u64]) -> Vec<(u32, u32)> {
    let mut found = Vec::with_capacity(places.len());
    let mut met = 0_u64;
    let mut next = 0;
    blocks(&mut items, |left, right| {
        let end = met + left.len() as u64;
        while next < places.len() && places[next] < end {
            if let Ok(at) = usize::try_from(places[next] - met) {
                found.push((left[at].1, right));
            }
            next += 1;
        }
        met = end;
    });
    found
}

/// All inversions of a sequence of (key, tag), as pairs of tags (earlier, later).
pub fn list(mut items: Vec<(f64, u32)>) -> Vec<(u32, u32)> {
    let mut found = Vec::new();
    blocks(&mut items, |left, right| {
        found.extend(left.iter().map(|l| (l.1, right)));
    });
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn naive(keys: &[f64]) -> Vec<(u32, u32)> {
        let mut found = Vec::new();
        for j in 0..keys.len() {
            for i in 0..j {
                if keys[i] > keys[j] {
                    found.push((i as u32, j as u32));
                }
            }
        }
        found.sort_unstable();
        found
    }

    proptest! {
        #[test]
        fn as_many_as_by_comparing_all_pairs(keys in prop::collection::vec(-20..20_i32, 0..200)) {
            let keys: Vec<f64> = keys.into_iter().map(f64::from).collect();
            let expected = naive(&keys);
            let mut sorted = keys.clone();
            prop_assert_eq!(count(&mut sorted, &mut Vec::new()), expected.len() as u64);
            prop_assert!(sorted.is_sorted());
            let items: Vec<(f64, u32)> = keys.iter().copied().zip(0..).collect();
            let mut all = list(items.clone());
            let every: Vec<u64> = (0..all.len() as u64).collect();
            prop_assert_eq!(draw(items, &every), all.clone());
            all.sort_unstable();
            prop_assert_eq!(all, expected);
        }
    }
}
