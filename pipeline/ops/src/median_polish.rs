//! Median polish: a two-way table taken apart into a common value, an effect
//! of each row, an effect of each column and what is left.
//!
//! Source: Tukey, "Exploratory Data Analysis", Addison-Wesley 1977, chapter
//! 11; Hoaglin, Mosteller and Tukey (ed.), "Understanding Robust and
//! Exploratory Data Analysis", Wiley 1983, chapter 6. Cells may be missing.

use crate::stats::median;

/// Passes at most.
const PASSES: usize = 100;

/// A table taken apart: `value = overall + rows[i] + columns[j] + left[i][j]`.
#[derive(Debug, Clone, PartialEq)]
pub struct Polished {
    /// What all cells have in common.
    pub overall: f64,
    /// Effect of each row; `None` for a row without a value.
    pub rows: Vec<Option<f64>>,
    /// Effect of each column; `None` for a column without a value.
    pub columns: Vec<Option<f64>>,
    /// What is left in each cell.
    pub left: Vec<Vec<Option<f64>>>,
}

/// Takes a table apart, rows first. Values that are not finite are missing.
/// Stops when a pass changes nothing by more than `close`. `None` when there
/// is no value at all or the rows are not of one length.
pub fn median_polish(cells: &[Vec<Option<f64>>], close: f64) -> Option<Polished> {
    let width = cells.first()?.len();
    if cells.iter().any(|r| r.len() != width) {
        return None;
    }
    let mut left: Vec<Vec<Option<f64>>> = cells
        .iter()
        .map(|r| r.iter().map(|v| v.filter(|v| v.is_finite())).collect())
        .collect();
    let mut rows: Vec<Option<f64>> = left
        .iter()
        .map(|r| r.iter().any(Option::is_some).then_some(0.0))
        .collect();
    let mut columns: Vec<Option<f64>> = (0..width)
        .map(|j| left.iter().any(|r| r[j].is_some()).then_some(0.0))
        .collect();
    if rows.iter().all(Option::is_none) {
        return None;
    }
    let mut overall = 0.0;
    for _ in 0..PASSES {
        let mut change: f64 = 0.0;
        for (row, effect) in left.iter_mut().zip(&mut rows) {
            let Some(m) = middle(row.iter()) else {
                continue;
            };
            change = change.max(m.abs());
            row.iter_mut().flatten().for_each(|v| *v -= m);
            effect.iter_mut().for_each(|e| *e += m);
        }
        overall += centre(&mut columns);
        for (j, effect) in columns.iter_mut().enumerate() {
            let Some(m) = middle(left.iter().map(|r| &r[j])) else {
                continue;
            };
            change = change.max(m.abs());
            left.iter_mut()
                .filter_map(|r| r[j].as_mut())
                .for_each(|v| *v -= m);
            effect.iter_mut().for_each(|e| *e += m);
        }
        overall += centre(&mut rows);
        if change <= close {
            break;
        }
    }
    overall += centre(&mut columns);
    Some(Polished {
        overall,
        rows,
        columns,
        left,
    })
}

fn middle<'a>(values: impl Iterator<Item = &'a Option<f64>>) -> Option<f64> {
    let values: Vec<f64> = values.copied().flatten().collect();
    median(&values)
}

/// Takes the median out of effects and returns it.
fn centre(effects: &mut [Option<f64>]) -> f64 {
    let m = middle(effects.iter()).unwrap_or(0.0);
    effects.iter_mut().flatten().for_each(|e| *e -= m);
    m
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(rows: &[&[f64]]) -> Vec<Vec<Option<f64>>> {
        rows.iter()
            .map(|r| r.iter().copied().map(Some).collect())
            .collect()
    }

    /// Deaths in sport parachuting by experience (rows) and year: Velleman and
    /// Hoaglin, "Applications, Basics, and Computing of Exploratory Data
    /// Analysis", Duxbury 1981; the example of R's `?medpolish`, whose output
    /// this is (data and output from memory).
    #[test]
    fn parachuting_deaths_come_apart_as_in_the_book() {
        let cells = table(&[
            &[14.0, 15.0, 14.0],
            &[7.0, 4.0, 7.0],
            &[8.0, 2.0, 10.0],
            &[15.0, 9.0, 10.0],
            &[0.0, 2.0, 0.0],
        ]);
        let p = median_polish(&cells, 1e-9).unwrap();
        assert_eq!(p.overall, 8.0);
        assert_eq!(p.rows, [6.0, -1.0, 0.0, 2.0, -8.0].map(Some));
        assert_eq!(p.columns, [0.0, -1.0, 0.0].map(Some));
        let left = table(&[
            &[0.0, 2.0, 0.0],
            &[0.0, -2.0, 0.0],
            &[0.0, -5.0, 2.0],
            &[5.0, 0.0, 0.0],
            &[0.0, 3.0, 0.0],
        ]);
        assert_eq!(p.left, left);
    }

    #[test]
    fn one_wild_cell_and_gaps_do_not_move_the_effects() {
        let effect =
            |i: usize, j: usize| 1.5 + [-0.4, 0.0, 0.1, 0.3, -0.2][i] + [0.0, 2.0, -1.0][j];
        let mut cells: Vec<Vec<Option<f64>>> = (0..5)
            .map(|i| (0..3).map(|j| Some(effect(i, j))).collect())
            .collect();
        cells[3][1] = Some(99.0);
        cells[0][2] = None;
        cells[1][0] = Some(f64::NAN);
        let p = median_polish(&cells, 1e-12).unwrap();
        let columns: Vec<f64> = p.columns.iter().map(|c| c.unwrap()).collect();
        assert!((columns[1] - columns[0] - 2.0).abs() < 1e-9);
        assert!((columns[2] - columns[0] + 1.0).abs() < 1e-9);
        assert!((p.left[3][1].unwrap() - (99.0 - effect(3, 1))).abs() < 1e-9);
        assert_eq!(p.left[0][2], None);
    }

    #[test]
    fn empty_rows_and_columns_have_no_effect() {
        let p = median_polish(&[vec![Some(1.0), None], vec![None, None]], 1e-9).unwrap();
        assert_eq!((p.rows[1], p.columns[1]), (None, None));
        assert!((p.overall + p.rows[0].unwrap() + p.columns[0].unwrap() - 1.0).abs() < 1e-12);
        assert!(median_polish(&[vec![None]], 1e-9).is_none());
        assert!(median_polish(&[], 1e-9).is_none());
        assert!(median_polish(&[vec![Some(1.0)], vec![]], 1e-9).is_none());
    }
}
