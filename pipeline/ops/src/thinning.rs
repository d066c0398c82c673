//! Skeleton of a printed shape, one sample wide.
//!
//! Distance-ordered homotopic thinning (Pudney 1998,
//! doi:10.1006/cviu.1998.0680): samples go in order of their distance from the
//! edge, so that what stays lies in the middle, and only if going changes
//! neither the shape's pieces nor its holes (connectivity number of Yokoi,
//! Toriwaki and Fukumura 1975, doi:10.1016/S0146-664X(75)80003-7: exactly one),
//! nor shortens a line (a sample with one neighbour left stays).

use restrike_model::Raster;

/// The samples of a skeleton, with a rim of one empty sample on all sides.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skeleton {
    stride: usize,
    cells: Vec<bool>,
}

impl Skeleton {
    /// An empty skeleton of a raster's size.
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            stride: width + 2,
            cells: vec![false; (width + 2) * (height + 2)],
        }
    }

    /// Number of the cell of sample (x, y).
    pub fn cell(&self, x: usize, y: usize) -> usize {
        (y + 1) * self.stride + x + 1
    }

    /// Sample (x, y) of a cell that is not on the rim.
    pub fn sample(&self, cell: usize) -> (usize, usize) {
        (
            (cell % self.stride).saturating_sub(1),
            (cell / self.stride).saturating_sub(1),
        )
    }

    /// How many cells there are, with the rim.
    pub fn cells(&self) -> usize {
        self.cells.len()
    }

    /// Whether a cell is on the skeleton.
    pub fn has(&self, cell: usize) -> bool {
        self.cells.get(cell).copied().unwrap_or(false)
    }

    /// Puts a cell on the skeleton or takes it off; the rim stays empty.
    pub fn put(&mut self, cell: usize, on: bool) {
        let (x, y) = (cell % self.stride, cell / self.stride);
        let rows = self.cells.len() / self.stride;
        if x > 0 && x + 1 < self.stride && y > 0 && y + 1 < rows {
            self.cells[cell] = on;
        }
    }

    /// The eight cells round one that is not on the rim, clockwise from the right.
    pub fn around(&self, cell: usize) -> [usize; 8] {
        let (up, down) = (cell - self.stride, cell + self.stride);
        [
            cell + 1,
            down + 1,
            down,
            down - 1,
            cell - 1,
            up - 1,
            up,
            up + 1,
        ]
    }

    /// Neighbours on the skeleton.
    pub fn neighbours(&self, cell: usize) -> impl Iterator<Item = usize> + '_ {
        self.around(cell).into_iter().filter(|n| self.cells[*n])
    }

    /// Whether taking the cell off changes no piece, no hole and no line's length.
    pub fn removable(&self, cell: usize) -> bool {
        let mut on = [false; 9];
        for (on, n) in on.iter_mut().zip(self.around(cell)) {
            *on = self.cells[n];
        }
        on[8] = on[0];
        let count = on[..8].iter().filter(|o| **o).count();
        let number = (0..8)
            .step_by(2)
            .filter(|k| !on[*k] && (on[*k + 1] || on[*k + 2]))
            .count();
        count > 1 && number == 1
    }
}

/// Skeleton of the samples below zero of a signed distance, first channel.
///
/// Samples deeper than `solid` (as positive distance, in the raster's unit)
/// all stay: the skeleton of what is no line is not sought, which saves time.
pub fn thin(distance: &Raster<f32>, solid: f32) -> Skeleton {
    let (w, h) = (distance.width(), distance.height());
    let mut skeleton = Skeleton::new(w, h);
    // Depths are positive, so their bits are in the order of their values.
    let mut order: Vec<(u32, u32)> = Vec::new();
    for y in 0..h {
        for (x, d) in distance
            .row(y)
            .iter()
            .step_by(distance.channels().max(1))
            .enumerate()
        {
            if *d < 0.0 {
                let cell = skeleton.cell(x, y);
                skeleton.cells[cell] = true;
                if -d <= solid {
                    #[allow(clippy::cast_possible_truncation)]
                    order.push(((-d).to_bits(), cell as u32));
                }
            }
        }
    }
    order.sort_unstable();
    let mut order: Vec<usize> = order.into_iter().map(|(_, cell)| cell as usize).collect();
    // Later removals make earlier ones possible: again until nothing goes.
    loop {
        let before = order.len();
        order.retain(|cell| {
            let goes = skeleton.removable(*cell);
            if goes {
                skeleton.cells[*cell] = false;
            }
            !goes
        });
        if order.len() == before {
            return skeleton;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn shape(rows: &[&str]) -> Raster<f32> {
        let data = rows
            .iter()
            .flat_map(|r| r.bytes().map(|b| if b == b'#' { -1.0 } else { 1.0 }))
            .collect();
        Raster::from_vec(rows[0].len(), rows.len(), 1, data).unwrap()
    }

    fn count(s: &Skeleton) -> usize {
        (0..s.cells()).filter(|c| s.has(*c)).count()
    }

    /// Pieces of the cells that are `on` (8-connected) or off (4-connected).
    fn pieces(s: &Skeleton, on: bool) -> usize {
        let rows = s.cells() / s.stride;
        let mut seen = vec![false; s.cells()];
        let mut found = 0;
        for start in 0..s.cells() {
            if s.has(start) != on || seen[start] {
                continue;
            }
            found += 1;
            seen[start] = true;
            let mut open = vec![start];
            while let Some(c) = open.pop() {
                let (x, y) = ((c % s.stride) as isize, (c / s.stride) as isize);
                for dy in -1..=1_isize {
                    for dx in -1..=1_isize {
                        let (u, v) = (x + dx, y + dy);
                        let inside = u >= 0 && v >= 0 && u < s.stride as isize && v < rows as isize;
                        if !inside || (!on && dx != 0 && dy != 0) {
                            continue;
                        }
                        let n = v as usize * s.stride + u as usize;
                        if s.has(n) == on && !seen[n] {
                            seen[n] = true;
                            open.push(n);
                        }
                    }
                }
            }
        }
        found
    }

    #[test]
    fn a_bar_becomes_a_line_and_a_ring_a_ring() {
        let bar = thin(
            &shape(&["........", ".######.", ".######.", "........"]),
            9.0,
        );
        assert!((4..=6).contains(&count(&bar)), "{}", count(&bar));
        let ring = thin(&shape(&[".....", ".###.", ".#.#.", ".###.", "....."]), 9.0);
        assert_eq!((pieces(&ring, true), pieces(&ring, false)), (1, 2));
        assert_eq!(count(&ring), 4);
        let dot = thin(&shape(&["....", ".##.", ".##.", "...."]), 9.0);
        assert!(count(&dot) >= 1 && count(&dot) <= 2);
    }

    #[test]
    fn what_is_solid_stays_whole() {
        let full = shape(&["#####", "#####", "#####"]);
        assert_eq!(count(&thin(&full, 0.5)), 15);
        assert_eq!(count(&thin(&Raster::new(0, 0, 1), 0.5)), 0);
    }

    proptest! {
        /// Any shape at all, in any order of depth.
        #[test]
        fn pieces_and_holes_stay_and_nothing_more_can_go(
            w in 1_usize..14, h in 1_usize..14, values in proptest::collection::vec(-3.0_f32..2.0, 196)
        ) {
            let r = Raster::from_vec(w, h, 1, values[..w * h].to_vec()).unwrap();
            let mut whole = Skeleton::new(w, h);
            for y in 0..h {
                for x in 0..w {
                    let cell = whole.cell(x, y);
                    whole.put(cell, r.get(x, y, 0) < 0.0);
                }
            }
            let thinned = thin(&r, f32::MAX);
            prop_assert_eq!(pieces(&whole, true), pieces(&thinned, true));
            prop_assert_eq!(pieces(&whole, false), pieces(&thinned, false));
            for c in 0..thinned.cells() {
                prop_assert!(!thinned.has(c) || (whole.has(c) && !thinned.removable(c)));
            }
        }
    }
}
