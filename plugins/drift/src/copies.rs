//! Series that say nearly what another says: the same column of the whole and of a
//! half, a length seen and the length unseen, one quantity at two thresholds.
//!
//! Two are held to be copies when what changes from each sheet to the next does so
//! alike in both. Changes are compared, not values: two columns that creep for
//! reasons of their own would be alike in their values.

use rayon::prelude::*;

use crate::series::{Axis, Series};

/// Least correlation of the changes, either sign.
const ALIKE: f64 = 0.98;
/// Fewest changes that can be compared.
const LEAST: usize = 7;
/// Most series that are compared each with each.
const MOST: usize = 6000;

/// The number of its group for each series; groups in the order of their first.
pub(crate) fn groups(all: &[&Series]) -> Vec<usize> {
    let changes: Vec<Option<Vec<f64>>> = all.par_iter().map(|s| changes(s)).collect();
    let mut group: Vec<usize> = (0..all.len()).collect();
    if all.len() > MOST {
        return group;
    }
    let pairs: Vec<(usize, usize)> = (0..all.len())
        .into_par_iter()
        .flat_map_iter(|a| {
            let changes = &changes;
            (a + 1..all.len()).filter_map(move |b| {
                let (x, y) = (changes[a].as_ref()?, changes[b].as_ref()?);
                (same_sheets(all[a], all[b]) && alike(x, y)).then_some((a, b))
            })
        })
        .collect();
    for (a, b) in pairs {
        let (low, high) = (group[a].min(group[b]), group[a].max(group[b]));
        if low != high {
            for g in group.iter_mut().filter(|g| **g == high) {
                *g = low;
            }
        }
    }
    group
}

/// Changes from each sheet to the next, less their mean, of unit length; none
/// where there are too few or nothing changes.
#[allow(clippy::cast_precision_loss)]
fn changes(series: &Series) -> Option<Vec<f64>> {
    let mut points: Vec<(usize, f64)> = series.points.iter().map(|p| (p.sheet, p.value)).collect();
    if series.key.axis == Axis::Year {
        // Sheets of one year have no order but the list's.
        points.sort_by_key(|p| p.0);
    }
    let mut d: Vec<f64> = points.windows(2).map(|w| w[1].1 - w[0].1).collect();
    if d.len() < LEAST {
        return None;
    }
    let mean = d.iter().sum::<f64>() / d.len() as f64;
    d.iter_mut().for_each(|v| *v -= mean);
    let norm = d.iter().map(|v| v * v).sum::<f64>().sqrt();
    if norm.is_nan() || norm <= 0.0 {
        return None;
    }
    d.iter_mut().for_each(|v| *v /= norm);
    Some(d)
}

fn same_sheets(a: &Series, b: &Series) -> bool {
    a.key.axis == b.key.axis
        && a.points.len() == b.points.len()
        && a.points
            .iter()
            .zip(&b.points)
            .all(|(p, q)| p.sheet == q.sheet)
}

fn alike(x: &[f64], y: &[f64]) -> bool {
    x.iter().zip(y).map(|(a, b)| a * b).sum::<f64>().abs() >= ALIKE
}
