//! Where the paper lies on the scanner's bed.
//!
//! The bed's colour is taken from the rim of the scan; the paper's sides are
//! the straight lines where, coming from the rim, that colour ends. Each is
//! then placed to a fraction of a pixel on the scan itself. A side that is not
//! found is outside the scan.

use restrike_stage::{Dpi, ImageView, MM_PER_INCH, Point, Size};

use crate::overview::Overview;
use crate::pixels::{Line, delta_e76, luminance_at, median};

/// The sides in the order left, top, right, bottom.
pub(crate) const SIDES: [Side; 4] = [Side::Left, Side::Top, Side::Right, Side::Bottom];

/// A side of the scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Smallest x.
    Left,
    /// Smallest y.
    Top,
    /// Largest x.
    Right,
    /// Largest y.
    Bottom,
}

impl Side {
    /// Whether the side runs up and down: its line gives x by y, the others y by x.
    pub(crate) fn upright(self) -> bool {
        matches!(self, Self::Left | Self::Right)
    }

    fn far(self) -> bool {
        matches!(self, Self::Right | Self::Bottom)
    }
}

/// The paper in the scan.
#[derive(Debug, Clone)]
pub(crate) struct Paper {
    /// Lines of the sides (pixels, pixel edges at whole numbers); the scan's own border where
    /// the side is outside it.
    pub(crate) lines: [Line; 4],
    /// Which sides lie in the scan.
    pub(crate) seen: [bool; 4],
    /// Corners: left top, right top, right bottom, left bottom.
    pub(crate) corners: [Point; 4],
}

impl Paper {
    /// Whether a point lies on the paper, `inset` pixels or more from its sides.
    pub(crate) fn contains(&self, x: f64, y: f64, inset: f64) -> bool {
        let [l, t, r, b] = &self.lines;
        x - l.value(y) >= inset
            && r.value(y) - x >= inset
            && y - t.value(x) >= inset
            && b.value(x) - y >= inset
    }

    /// Width and height in pixels, each where both its sides lie in the scan.
    pub(crate) fn size_px(&self) -> [Option<f64>; 2] {
        let centre = self.corners.iter().fold(Point::default(), |s, &c| s + c) * 0.25;
        let extent = |near: usize, far: usize, t: f64| {
            let (a, b) = (&self.lines[near], &self.lines[far]);
            let slope = (a.slope + b.slope) / 2.0;
            (self.seen[near] && self.seen[far])
                .then(|| (b.value(t) - a.value(t)) / (1.0 + slope * slope).sqrt())
        };
        [extent(0, 2, centre.y), extent(1, 3, centre.x)]
    }
}

/// Finds the paper. `sheet` and `dpi` serve only to tell a bed from a paper margin round a frame.
pub(crate) fn find(
    scan: ImageView<'_, u16>,
    overview: &Overview,
    sheet: Option<Size>,
    dpi: Dpi,
) -> Paper {
    let whole = whole(scan);
    let mut best: Option<([Option<Line>; 4], usize, f32)> = None;
    for bed in bed_colours(overview) {
        let lines = SIDES.map(|side| coarse(overview, bed.0, bed.1, side));
        let found = lines.iter().flatten().count();
        // Two sides that meet are the least that tells a bed from a dark picture.
        if found < 2 || !plausible(overview, &lines, bed.0, sheet, dpi, scan) {
            continue;
        }
        let better = best
            .as_ref()
            .is_none_or(|b| found > b.1 || (found == b.1 && bed.0[0] < b.2));
        if better {
            best = Some((lines, found, bed.0[0]));
        }
    }
    let Some((coarse, ..)) = best else {
        return whole;
    };
    let mut paper = assemble(scan, coarse);
    let fine = [0, 1, 2, 3].map(|i| {
        coarse[i].map(|line| refine(scan, overview.cell, &paper, i, line).unwrap_or(line))
    });
    paper = assemble(scan, fine);
    paper
}

fn whole(scan: ImageView<'_, u16>) -> Paper {
    assemble(scan, [None; 4])
}

fn assemble(scan: ImageView<'_, u16>, lines: [Option<Line>; 4]) -> Paper {
    #[allow(clippy::cast_precision_loss)]
    let border = [0.0, 0.0, scan.width() as f64, scan.height() as f64];
    let seen = lines.map(|l| l.is_some());
    let lines = [0, 1, 2, 3].map(|i| {
        lines[i].unwrap_or(Line {
            at: border[i],
            ..Line::default()
        })
    });
    // Meeting point of x = a + b y with y = c + d x.
    let meet = |upright: &Line, level: &Line| {
        let x = (upright.at + upright.slope * level.at) / (1.0 - upright.slope * level.slope);
        Point::new(x, level.value(x))
    };
    let [l, t, r, b] = &lines;
    let corners = [meet(l, t), meet(r, t), meet(r, b), meet(l, b)];
    Paper {
        lines,
        seen,
        corners,
    }
}

/// Colours the bed may have, with their scatter: the medians along the four sides of the rim.
fn bed_colours(o: &Overview) -> Vec<([f32; 3], f32)> {
    let mut out: Vec<([f32; 3], f32)> = Vec::new();
    if o.cols < 8 || o.rows < 8 {
        return out;
    }
    for side in SIDES {
        let n = if side.upright() { o.rows } else { o.cols };
        let rim: Vec<[f32; 3]> = (0..n).map(|t| cell_from(o, side, t, 0).lab).collect();
        let mid = [0, 1, 2].map(|c| {
            let v: Vec<f64> = rim.iter().map(|l| f64::from(l[c])).collect();
            #[allow(clippy::cast_possible_truncation)]
            let m = median(&v) as f32;
            m
        });
        let d: Vec<f64> = rim.iter().map(|l| f64::from(delta_e76(*l, mid))).collect();
        #[allow(clippy::cast_possible_truncation)]
        let scatter = median(&d) as f32;
        if out.iter().all(|(b, _)| delta_e76(*b, mid) > 6.0) {
            out.push((mid, scatter));
        }
    }
    out
}

/// The cell `depth` cells in from a side, `t` cells along it.
fn cell_from(o: &Overview, side: Side, t: usize, depth: usize) -> &crate::overview::Cell {
    match side {
        Side::Left => o.at(depth, t),
        Side::Right => o.at(o.cols - 1 - depth, t),
        Side::Top => o.at(t, depth),
        Side::Bottom => o.at(t, o.rows - 1 - depth),
    }
}

/// Line, in pixels, along which the bed's colour ends on one side.
#[allow(clippy::cast_precision_loss)]
fn coarse(o: &Overview, bed: [f32; 3], scatter: f32, side: Side) -> Option<Line> {
    let limit = (4.0 + 5.0 * scatter).clamp(7.0, 25.0);
    let (along, deep) = if side.upright() {
        (o.rows, o.cols)
    } else {
        (o.cols, o.rows)
    };
    let mut points = Vec::new();
    let mut at_rim = 0;
    for t in 0..along {
        let other = |d: usize| delta_e76(cell_from(o, side, t, d).lab, bed) > limit;
        // Two of three in a row: a speck on the bed is no paper.
        let first = (0..deep / 2 - 2).find(|&d| other(d) && (other(d + 1) || other(d + 2)));
        match first {
            Some(0) => at_rim += 1,
            Some(d) => {
                // Share of the first cell that is bed places the edge within it.
                let bed_y = cell_from(o, side, t, d - 1).y;
                let inner = cell_from(o, side, t, d + 1).y;
                let part = (inner - cell_from(o, side, t, d).y) / (inner - bed_y);
                let part = if part.is_finite() {
                    part.clamp(0.0, 1.0)
                } else {
                    0.0
                };
                points.push((t as f64 + 0.5, d as f64 + f64::from(part)));
            }
            None => {}
        }
    }
    if at_rim * 2 > points.len() + at_rim || points.len() * 3 < along {
        return None;
    }
    let line = Line::robust(&points, 1.0)?;
    if line.share < 0.5 || line.slope.abs() > 0.25 {
        return None;
    }
    let cell = o.cell as f64;
    let (at, slope) = if side.far() {
        (deep as f64 - line.at, -line.slope)
    } else {
        (line.at, line.slope)
    };
    Some(Line {
        at: at * cell,
        slope,
        share: line.share,
        rms: line.rms * cell,
    })
}

/// Whether what lies inside the lines can be paper on a bed, rather than a picture on paper.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn plausible(
    o: &Overview,
    lines: &[Option<Line>; 4],
    bed: [f32; 3],
    sheet: Option<Size>,
    dpi: Dpi,
    scan: ImageView<'_, u16>,
) -> bool {
    let cell = o.cell as f64;
    let mut strips: Vec<[f32; 3]> = Vec::new();
    for (side, line) in SIDES.into_iter().zip(lines) {
        let Some(line) = line else { continue };
        let n = if side.upright() { o.rows } else { o.cols };
        let mut cells: Vec<[f32; 3]> = Vec::new();
        for t in n / 8..n - n / 8 {
            let place = line.value((t as f64 + 0.5) * cell) / cell;
            for d in 2..5 {
                let v = if side.far() {
                    place - 1.0 - f64::from(d)
                } else {
                    place + f64::from(d)
                };
                let limit = if side.upright() { o.cols } else { o.rows };
                if v >= 0.0 && (v as usize) < limit {
                    let c = if side.upright() {
                        o.at(v as usize, t)
                    } else {
                        o.at(t, v as usize)
                    };
                    cells.push(c.lab);
                }
            }
        }
        let mid = [0, 1, 2].map(|c| {
            let v: Vec<f64> = cells.iter().map(|l| f64::from(l[c])).collect();
            median(&v) as f32
        });
        let alike = cells.iter().filter(|l| delta_e76(**l, mid) < 8.0).count();
        if alike * 2 >= cells.len() && (mid[0] > 45.0 || mid[0] > bed[0] + 10.0) {
            strips.push(mid);
        }
    }
    let found = lines.iter().flatten().count();
    // On a dark bed anything lighter inside is the sheet, bleed prints included.
    if bed[0] < 35.0 {
        return strips.len() * 2 >= found;
    }
    if strips.len() < found || strips.len() < 3 {
        return false;
    }
    let same = strips.iter().all(|s| delta_e76(*s, strips[0]) < 12.0);
    let by_size = sheet.is_none_or(|s| {
        let paper = assemble(scan, *lines);
        let scan_size = [scan.width() as f64, scan.height() as f64];
        let mm = dpi.mm_per_px();
        // Of the two readings, the one nearer to the nominal size.
        let off = |w: f64, h: f64| {
            let a = (w * mm[0] / s.width_mm - 1.0).abs() + (h * mm[1] / s.height_mm - 1.0).abs();
            let b = (w * mm[0] / s.height_mm - 1.0).abs() + (h * mm[1] / s.width_mm - 1.0).abs();
            a.min(b)
        };
        match paper.size_px() {
            [Some(w), Some(h)] => off(w, h) <= off(scan_size[0], scan_size[1]) + 0.02,
            _ => true,
        }
    });
    same && by_size
}

/// Places a side to a fraction of a pixel: where the luminance is half way between bed and paper.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn refine(
    scan: ImageView<'_, u16>,
    cell: usize,
    paper: &Paper,
    index: usize,
    coarse: Line,
) -> Option<Line> {
    const STATIONS: usize = 96;
    let upright = SIDES[index].upright();
    let (from, to) = match index {
        0 => (paper.corners[0].y, paper.corners[3].y),
        1 => (paper.corners[0].x, paper.corners[1].x),
        2 => (paper.corners[1].y, paper.corners[2].y),
        _ => (paper.corners[3].x, paper.corners[2].x),
    };
    let (along, deep) = if upright {
        (scan.height(), scan.width())
    } else {
        (scan.width(), scan.height())
    };
    let reach = (cell as f64 * 1.5).max(6.0);
    let mut points = Vec::with_capacity(STATIONS);
    let mut profile = Vec::new();
    for s in 0..STATIONS {
        let t = from + (to - from) * (0.06 + 0.88 * (s as f64 + 0.5) / STATIONS as f64);
        let place = coarse.value(t);
        let (low, high) = (
            (place - reach).max(0.0),
            (place + reach).min(deep as f64 - 1.0),
        );
        if t < 0.0 || t >= along as f64 || high - low < reach {
            continue;
        }
        let start = low as usize;
        profile.clear();
        for v in start..=high as usize {
            let t = t as usize;
            profile.push(f64::from(if upright {
                luminance_at(scan, v, t)
            } else {
                luminance_at(scan, t, v)
            }));
        }
        let third = profile.len() / 3;
        let a = median(&profile[..third]);
        let b = median(&profile[profile.len() - third..]);
        if (a - b).abs() < 0.02 {
            continue;
        }
        let half = (a + b) / 2.0;
        // From the bed inwards: ink beside the edge may cross the level again.
        let crosses = |w: &[f64]| (w[0] - half) * (w[1] - half) <= 0.0 && w[0] != w[1];
        let at = if SIDES[index].far() {
            profile.windows(2).rposition(crosses)
        } else {
            profile.windows(2).position(crosses)
        };
        if let Some(i) = at {
            let part = (half - profile[i]) / (profile[i + 1] - profile[i]);
            // Samples stand for pixel centres.
            points.push((t.floor() + 0.5, (start + i) as f64 + 0.5 + part));
        }
    }
    if points.len() < STATIONS / 4 {
        return None;
    }
    // Torn and deckle edges wander by tenths of a millimetre: keep what lies within half a cell.
    let wide = Line::robust(&points, (cell as f64 / 2.0).max(2.0))?;
    let line = Line::robust(&points, (3.0 * wide.rms).clamp(0.5, reach)).unwrap_or(wide);
    (line.share > 0.3).then_some(line)
}

/// Resolution that the paper's size in pixels and its nominal size in millimetres imply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Implied {
    /// Pixels per inch across, where both upright sides lie in the scan.
    pub(crate) x: Option<f64>,
    /// Pixels per inch down.
    pub(crate) y: Option<f64>,
    /// Whether the sheet lies on its side in the scan.
    pub(crate) turned: bool,
}

/// Resolution implied by the nominal size; `stated` decides whether the sheet lies on its side.
pub(crate) fn implied(paper: &Paper, sheet: Size, stated: Dpi) -> Implied {
    let [w, h] = paper.size_px();
    let by = |width_mm: f64, height_mm: f64| {
        (
            w.map(|w| w / width_mm * MM_PER_INCH),
            h.map(|h| h / height_mm * MM_PER_INCH),
        )
    };
    let upright = by(sheet.width_mm, sheet.height_mm);
    let turned = by(sheet.height_mm, sheet.width_mm);
    // A wrong resolution changes both directions alike; a sheet on its side does not.
    let strain = |(x, y): (Option<f64>, Option<f64>)| match (x, y) {
        (Some(x), Some(y)) => libm::log(x / stated.x * stated.y / y).abs(),
        (Some(x), None) => libm::log(x / stated.x).abs(),
        (None, Some(y)) => libm::log(y / stated.y).abs(),
        (None, None) => 0.0,
    };
    let on_side = strain(turned) + 0.02 < strain(upright);
    let (x, y) = if on_side { turned } else { upright };
    Implied {
        x,
        y,
        turned: on_side,
    }
}
