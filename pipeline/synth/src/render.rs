//! Renders a sheet in horizontal strips: shapes to coverage, layers to
//! reflectance on sub-pixels, then the scanner.

use crate::design::{Block, Design};
use crate::ink::InkTable;
use crate::raster::{Coverage, Poly, Window};
use crate::rng::{Rng, mix, word};
use crate::scanner::{Pixels, Sensor, decimate, kernel};
use crate::shapes::{P, densify_ring};
use crate::sheet::{BlockState, SheetKind, SheetSpec, Void};
use crate::stroke::smooth_noise;
use crate::texture;
use crate::transform::{Affine, scan_affine};
use crate::truth::Truth;
use crate::wear::block_groups;
use crate::{Rendered, SynthError};

/// Output rows rendered at a time.
const STRIP: usize = 48;
/// Share of a layer's ink that shows through to the back.
const SHOW_THROUGH: f64 = 0.045;

/// Where the scan lies over the sheet.
pub(crate) struct Frame {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Print mm -> scan px.
    pub(crate) to_scan: Affine,
    /// Sheet corners in print mm: upper left, upper right, lower right, lower left.
    pub(crate) corners: [P; 4],
}

impl Frame {
    pub(crate) fn new(design: &Design, sheet: &SheetSpec) -> Result<Self, SynthError> {
        let scan = &sheet.scan;
        let bad = |what: &str| SynthError::Spec(format!("{}: {what}", sheet.name));
        if !(10.0..=4800.0).contains(&scan.dpi) {
            return Err(bad("dpi must be between 10 and 4800"));
        }
        if !(1..=8).contains(&scan.supersample) {
            return Err(bad("supersample must be between 1 and 8"));
        }
        if !(0.0..=50.0).contains(&scan.psf_sigma_px) {
            return Err(bad("psf_sigma_px must be between 0 and 50"));
        }
        if scan.bits != 8 && scan.bits != 16 {
            return Err(bad("bits must be 8 or 16"));
        }
        let a = (design.sheet_mm[0] + sheet.paper.size_error_mm[0]) / 2.0;
        let b = (design.sheet_mm[1] + sheet.paper.size_error_mm[1]) / 2.0;
        let e = sheet.paper.corner_error_mm;
        let mut corners = [[-a, b], [a, b], [a, -b], [-a, -b]];
        for (c, e) in corners.iter_mut().zip(e) {
            *c = crate::shapes::add(*c, e);
        }
        let turn = scan.degrees
            + if sheet.kind == SheetKind::UpsideDown {
                180.0
            } else {
                0.0
            };
        let m = scan_affine(scan.dpi, turn, [0.0, 0.0]);
        let mut lo = [f64::INFINITY; 2];
        let mut hi = [f64::NEG_INFINITY; 2];
        for c in corners {
            let p = m.apply(c);
            for i in 0..2 {
                lo[i] = lo[i].min(p[i]);
                hi[i] = hi[i].max(p[i]);
            }
        }
        let k = scan.dpi / 25.4;
        let width = (hi[0] - lo[0] + k * (scan.margin_mm[0] + scan.margin_mm[2])).round();
        let height = (hi[1] - lo[1] + k * (scan.margin_mm[1] + scan.margin_mm[3])).round();
        if !(width >= 8.0 && height >= 8.0 && width * height <= 4e8) {
            return Err(bad(
                "scan is smaller than 8 px or larger than 400 megapixels",
            ));
        }
        // Centre so that left and top margins hold exactly.
        let centre = [k * scan.margin_mm[0] - lo[0], k * scan.margin_mm[1] - lo[1]];
        Ok(Self {
            width: width as usize,
            height: height as usize,
            to_scan: scan_affine(scan.dpi, turn, centre),
            corners,
        })
    }
}

/// A block made ready for one sheet.
struct Layer {
    /// Printed or cleared; polygons; cores.
    groups: Vec<(bool, Vec<Poly>, Vec<Poly>)>,
    table: InkTable,
    strength: f32,
    /// Scan px -> block mm.
    back: Affine,
    /// Gradation by image: origin, direction / length^2.
    fade: Vec<(P, P)>,
    voids: Vec<Void>,
    shift: [f32; 2],
}

impl Layer {
    fn new(
        design: &Design,
        block: &Block,
        sheet: &SheetSpec,
        frame: &Frame,
        to_sub: &Affine,
    ) -> Option<Self> {
        let state: BlockState = sheet.state(&block.name);
        let mirror = if sheet.kind == SheetKind::Verso {
            Affine([-1.0, 0.0, 0.0, 0.0, 1.0, 0.0])
        } else {
            Affine::IDENTITY
        };
        let map = state.motion.affine().then(&mirror).then(&frame.to_scan);
        let sub = map.then(to_sub);
        let place = |rings: Vec<Vec<P>>| -> Vec<Poly> {
            rings
                .into_iter()
                .map(|r| {
                    Poly::new(
                        r.into_iter()
                            .map(|p| sub.apply(state.warp.apply(p)))
                            .collect(),
                    )
                })
                .collect()
        };
        let groups = block_groups(design, block, &state, sheet)
            .into_iter()
            .map(|g| (g.cleared, place(g.rings), place(g.cores)))
            .collect();
        let seed = mix(sheet.block_seed ^ u64::from(block.order));
        let through = if sheet.kind == SheetKind::Verso {
            SHOW_THROUGH
        } else {
            1.0
        };
        Some(Self {
            groups,
            table: InkTable::new(state.absorption.unwrap_or(block.absorption)),
            strength: (state.strength * through) as f32,
            back: map.inverse()?,
            fade: block
                .bokashi
                .iter()
                .map(|b| {
                    let d = [b.to[0] - b.from[0], b.to[1] - b.from[1]];
                    let l = (d[0] * d[0] + d[1] * d[1]).max(1e-9);
                    (b.from, [d[0] / l, d[1] / l])
                })
                .collect(),
            voids: sheet
                .voids
                .iter()
                .filter(|v| v.block == block.name)
                .cloned()
                .collect(),
            shift: [
                (word(seed, 1) >> 50) as f32 * 0.01,
                (word(seed, 2) >> 50) as f32 * 0.01,
            ],
        })
    }

    /// Strength relative to the layer's, at a place of the block.
    fn local(&self, q: P, design: &Design, mottle: f32) -> f32 {
        let mut s = 1.0f32;
        if !self.fade.is_empty() {
            let mut which = 0;
            for (i, im) in design.images.iter().enumerate() {
                if (q[0] - im.centre[0]).abs() < (q[0] - design.images[which].centre[0]).abs() {
                    which = i;
                }
            }
            let (from, d) = self.fade[which.min(self.fade.len() - 1)];
            let t = ((q[0] - from[0]) * d[0] + (q[1] - from[1]) * d[1]).clamp(0.0, 1.0);
            s *= (1.0 - t * t * (3.0 - 2.0 * t)) as f32;
        }
        for v in &self.voids {
            let d = [(q[0] - v.at[0]) / v.radii[0], (q[1] - v.at[1]) / v.radii[1]];
            let r = d[0] * d[0] + d[1] * d[1];
            if r < 1.0 {
                s *= (1.0 - v.depth * (1.0 - r) * (1.0 - r)) as f32;
            }
        }
        if mottle > 0.0 {
            let (x, y) = (q[0] as f32 + self.shift[0], q[1] as f32 + self.shift[1]);
            s *= 1.0 + mottle * 0.707 * (texture::mottle().at(x, y) + texture::grain().at(x, y));
        }
        s
    }
}

/// Outline of the sheet in sub-pixels.
fn sheet_outline(sheet: &SheetSpec, frame: &Frame, to_sub: &Affine) -> Poly {
    let c = &frame.corners;
    let mut ring = vec![c[3], c[2], c[1], c[0]];
    if sheet.paper.deckle_mm > 0.0 {
        ring = densify_ring(&ring, 0.25);
        let n = crate::shapes::normals(&ring, true);
        ring = ring
            .iter()
            .zip(&n)
            .enumerate()
            .map(|(i, (p, n))| {
                let s = i as f64 * 0.25;
                let d = sheet.paper.deckle_mm
                    * (0.8 * smooth_noise(s / 3.0, sheet.impression_seed)
                        + 0.6 * smooth_noise(s / 0.6, sheet.impression_seed ^ 77));
                [p[0] + d * n[0], p[1] + d * n[1]]
            })
            .collect();
    }
    let m = frame.to_scan.then(to_sub);
    Poly::new(ring.into_iter().map(|p| m.apply(p)).collect())
}

/// Renders one sheet. `design` is the run's; a sheet with `other_design` is
/// printed from that one.
///
/// # Errors
/// [`SynthError::Spec`] when the spec asks for an impossible scan.
pub fn render(design: &Design, sheet: &SheetSpec) -> Result<Rendered, SynthError> {
    let other = sheet.other_design.as_ref().map(Design::generate);
    let design = other.as_ref().unwrap_or(design);
    let frame = Frame::new(design, sheet)?;
    let ss = sheet.scan.supersample;
    let (k, pad) = kernel(sheet.scan.psf_sigma_px, ss);
    let s = ss as f64;
    let to_sub = Affine([s, 0.0, pad as f64, 0.0, s, pad as f64]);
    let layers: Vec<Layer> = design
        .blocks
        .iter()
        .filter(|b| sheet.prints(&b.name))
        .filter_map(|b| Layer::new(design, b, sheet, &frame, &to_sub))
        .collect();
    let mut strip = Strip {
        design,
        sheet,
        outline: [sheet_outline(sheet, &frame, &to_sub)],
        dust: dust_polys(sheet, &to_sub),
        back: frame.to_scan.inverse().unwrap_or(Affine::IDENTITY),
        layers,
        ss,
        pad,
        w: frame.width * ss + 2 * pad,
        planes: [Vec::new(), Vec::new(), Vec::new()],
        uptake: Vec::new(),
        cov: Vec::new(),
        core: Vec::new(),
        coverage: Coverage::new(),
        baren: baren_centre(sheet),
        frame: &frame,
    };
    let sensor = Sensor::new(&sheet.scan, frame.width, frame.height);
    let n = frame.width * frame.height * 3;
    let mut pixels = if sheet.scan.bits == 8 {
        Pixels::U8(Vec::with_capacity(n))
    } else {
        Pixels::U16(Vec::with_capacity(n))
    };
    let mut tmp = Vec::new();
    let mut out: [Vec<f32>; 3] = Default::default();
    let mut y = 0;
    while y < frame.height {
        let rows = STRIP.min(frame.height - y);
        strip.compose(y, rows);
        for (o, p) in out.iter_mut().zip(&strip.planes) {
            o.resize(rows * frame.width, 0.0);
            decimate(p, strip.w, &k, ss, frame.width, rows, &mut tmp, o);
        }
        for j in 0..rows {
            let at = j * frame.width..(j + 1) * frame.width;
            let row = [&out[0][at.clone()], &out[1][at.clone()], &out[2][at]];
            match &mut pixels {
                Pixels::U8(v) => sensor.row(y + j, row, |e| v.push((e * 255.0 + 0.5) as u8)),
                Pixels::U16(v) => sensor.row(y + j, row, |e| v.push((e * 65_535.0 + 0.5) as u16)),
            }
        }
        y += rows;
    }
    Ok(Rendered {
        truth: Truth::new(design, sheet, &frame),
        width: frame.width as u32,
        height: frame.height as u32,
        pixels,
    })
}

fn dust_polys(sheet: &SheetSpec, to_sub: &Affine) -> Vec<(Poly, f32)> {
    sheet
        .scan
        .dust
        .iter()
        .map(|d| {
            let ring = if d.points.len() > 1 {
                crate::stroke::outline(&crate::shapes::curve(&d.points, false, 2.0), d.radius, 0.3)
            } else {
                crate::shapes::ellipse(
                    d.points.first().copied().unwrap_or_default(),
                    d.radius,
                    0.7 * d.radius,
                    d.radius,
                )
            };
            let ring = ring.into_iter().map(|p| to_sub.apply(p)).collect();
            (Poly::new(ring), d.reflectance as f32)
        })
        .collect()
}

fn baren_centre(sheet: &SheetSpec) -> P {
    let mut r = Rng::new(sheet.impression_seed, "baren");
    [r.range(-150.0, 150.0), r.range(-400.0, -200.0)]
}

/// Working state of the strip at hand.
struct Strip<'a> {
    design: &'a Design,
    sheet: &'a SheetSpec,
    frame: &'a Frame,
    outline: [Poly; 1],
    dust: Vec<(Poly, f32)>,
    /// Scan px -> print mm.
    back: Affine,
    layers: Vec<Layer>,
    ss: usize,
    pad: usize,
    /// Sub-pixels a row.
    w: usize,
    planes: [Vec<f32>; 3],
    /// Ink taken up by the sheet, per pixel.
    uptake: Vec<f32>,
    cov: Vec<f32>,
    core: Vec<f32>,
    coverage: Coverage,
    baren: P,
}

impl Strip<'_> {
    /// Fills `planes` with linear reflectance for output rows `y..y + rows`.
    fn compose(&mut self, y: usize, rows: usize) {
        let h = rows * self.ss + 2 * self.pad;
        let all = Window {
            x0: 0,
            y0: y * self.ss,
            w: self.w,
            h,
        };
        for p in &mut self.planes {
            p.resize(self.w * h, 0.0);
        }
        self.paper(all);
        let layers = std::mem::take(&mut self.layers);
        for l in &layers {
            self.ink(l, all);
        }
        self.layers = layers;
        self.bed(all);
        for (p, r) in &self.dust {
            let Some(win) = Coverage::bounds(std::iter::once(p), all) else {
                continue;
            };
            let planes = &mut self.planes;
            let w = self.w;
            let off = (win.y0 - all.y0) * w + win.x0;
            let (mut x, mut row) = (0, off);
            self.coverage.fill(std::iter::once(p), win, |_, c| {
                for q in planes.iter_mut() {
                    let v = &mut q[row + x];
                    *v += (r - *v) * c;
                }
                x += 1;
                if x == win.w {
                    x = 0;
                    row += w;
                }
            });
        }
    }

    /// Centre of pixel cell (i, j) of a window, in scan px.
    fn cell(&self, all: Window, i: usize, j: usize) -> P {
        let p = (self.pad / self.ss) as f64;
        [i as f64 + 0.5 - p, (all.y0 / self.ss + j) as f64 + 0.5 - p]
    }

    fn paper(&mut self, all: Window) {
        let (ss, w) = (self.ss, self.w);
        let (cw, ch) = (w / ss, all.h / ss);
        self.uptake.clear();
        self.uptake.resize(cw * ch, 1.0);
        let paper = &self.sheet.paper;
        let ink = &self.sheet.ink;
        let seed = mix(self.sheet.impression_seed);
        let o = [1, 2, 3, 4].map(|i| (word(seed, i) >> 50) as f32 * 0.01);
        let [a, b] = [self.frame.corners[1][0], self.frame.corners[1][1]];
        let colour = paper.colour.map(|c| c as f32);
        let (fibre, toning) = (paper.fibre as f32, paper.toning as f32);
        let textured = fibre > 0.0 || ink.sheet_mottle > 0.0 || ink.baren > 0.0 || toning > 0.0;
        for j in 0..ch {
            for i in 0..cw {
                let mut c = colour;
                if textured {
                    let p = self.back.apply(self.cell(all, i, j));
                    let (x, y) = (p[0] as f32, p[1] as f32);
                    let f = texture::fibre().at(x + o[0], y + o[1]);
                    let m = texture::mottle().at(x + o[2], y + o[3]);
                    let slow = texture::mottle().at(x * 0.06 + o[3], y * 0.06 + o[2]);
                    if toning > 0.0 {
                        let d = (a - p[0].abs()).min(b - p[1].abs()).max(0.0) as f32;
                        let e = (1.0 - d / 22.0).max(0.0);
                        let t = toning * (0.45 + 0.7 * e * e + 0.12 * slow).max(0.0);
                        c = [
                            c[0] / (1.0 + 0.15 * t),
                            c[1] / (1.0 + 0.4 * t),
                            c[2] / (1.0 + t),
                        ];
                    }
                    let k = 1.0 + fibre * (0.9 * f + 0.4 * slow);
                    c = c.map(|v| v * k);
                    let mut u = 1.0 + ink.sheet_mottle as f32 * (0.8 * m + 0.6 * f);
                    if ink.baren > 0.0 {
                        let (dx, dy) = (p[0] - self.baren[0], p[1] - self.baren[1]);
                        let d = ((dx * dx + dy * dy).sqrt() / 3.1) as f32 + 0.25 * slow;
                        let t = (d - d.floor()) * 2.0 - 1.0;
                        u *= 1.0 + ink.baren as f32 * (1.0 - 2.0 * t * t) * (0.6 + 0.4 * slow);
                    }
                    self.uptake[j * cw + i] = u.max(0.0);
                }
                for (p, c) in self.planes.iter_mut().zip(c) {
                    for r in 0..ss {
                        p[(j * ss + r) * w + i * ss..][..ss].fill(c);
                    }
                }
            }
        }
    }

    fn ink(&mut self, layer: &Layer, all: Window) {
        let squash = self.sheet.ink.squash as f32;
        let ss = self.ss;
        let Some(b) =
            Coverage::bounds(layer.groups.iter().filter(|g| !g.0).flat_map(|g| &g.1), all)
        else {
            return;
        };
        // Whole pixel cells.
        let (x0, y0) = (b.x0 / ss * ss, b.y0 / ss * ss);
        let win = Window {
            x0,
            y0,
            w: (b.x0 + b.w).div_ceil(ss) * ss - x0,
            h: (b.y0 + b.h).div_ceil(ss) * ss - y0,
        };
        cover(
            &mut self.coverage,
            layer.groups.iter().map(|g| (g.0, &g.1)),
            win,
            &mut self.cov,
        );
        if squash != 0.0 {
            cover(
                &mut self.coverage,
                layer.groups.iter().map(|g| (g.0, &g.2)),
                win,
                &mut self.core,
            );
        }
        let mottle = self.sheet.ink.block_mottle as f32;
        let (cx, cy) = (win.x0 / ss, (win.y0 - all.y0) / ss);
        let cw = self.w / ss;
        for j in 0..win.h / ss {
            for i in 0..win.w / ss {
                let first = j * ss * win.w + i * ss;
                let mut any = 0.0f32;
                for r in 0..ss {
                    for c in &self.cov[first + r * win.w..][..ss] {
                        any = any.max(*c);
                    }
                }
                if any < 2e-4 {
                    continue;
                }
                let q = layer.back.apply(self.cell(all, cx + i, cy + j));
                let s = layer.strength
                    * layer.local(q, self.design, mottle)
                    * self.uptake[(cy + j) * cw + cx + i];
                let t = layer.table.at(s);
                let rim = if squash == 0.0 {
                    t
                } else {
                    layer.table.at(s * (1.0 + squash))
                };
                for r in 0..ss {
                    let at = ((cy + j) * ss + r) * self.w + win.x0 + i * ss;
                    for k in 0..ss {
                        let c = self.cov[first + r * win.w + k];
                        let inner = if squash == 0.0 {
                            c
                        } else {
                            self.core[first + r * win.w + k].min(c)
                        };
                        for ch in 0..3 {
                            self.planes[ch][at + k] *=
                                1.0 - c + (c - inner) * rim[ch] + inner * t[ch];
                        }
                    }
                }
            }
        }
    }

    /// Lays the sheet on the bed.
    fn bed(&mut self, all: Window) {
        let scan = &self.sheet.scan;
        let (ss, w) = (self.ss, self.w);
        self.cov.clear();
        self.cov.resize(w * all.h, 0.0);
        let cov = &mut self.cov;
        self.coverage
            .fill(self.outline.iter(), all, |i, c| cov[i] = c);
        let bed = scan.bed.map(|c| c as f32);
        let [a, b] = [self.frame.corners[1][0], self.frame.corners[1][1]];
        for j in 0..all.h / ss {
            for i in 0..w / ss {
                let first = j * ss * w + i * ss;
                let least = (0..ss)
                    .flat_map(|r| &self.cov[first + r * w..][..ss])
                    .fold(1.0f32, |m, c| m.min(*c));
                if least >= 1.0 {
                    continue;
                }
                let mut shade = 1.0f32;
                if scan.shadow > 0.0 {
                    let p = self.back.apply(self.cell(all, i, j));
                    let d = [(p[0].abs() - a).max(0.0), (p[1].abs() - b).max(0.0)];
                    let d = (d[0] * d[0] + d[1] * d[1]).sqrt() / scan.shadow_mm;
                    // The lamp stands above: the shadow falls below the sheet.
                    let below = if p[1] < 0.0 { 1.0 } else { 0.35 };
                    shade = 1.0 - (scan.shadow * below / (1.0 + d * d * (1.0 + d))) as f32;
                }
                for (p, bed) in self.planes.iter_mut().zip(bed) {
                    for r in 0..ss {
                        for k in 0..ss {
                            let at = first + r * w + k;
                            let c = self.cov[at];
                            p[at] = p[at] * c + bed * shade * (1.0 - c);
                        }
                    }
                }
            }
        }
    }
}

/// Coverage by groups applied one after the other.
fn cover<'a>(
    coverage: &mut Coverage,
    groups: impl Iterator<Item = (bool, &'a Vec<Poly>)>,
    win: Window,
    out: &mut Vec<f32>,
) {
    out.clear();
    out.resize(win.w * win.h, 0.0);
    for (cleared, polys) in groups {
        let Some(part) = Coverage::bounds(polys.iter(), win) else {
            continue;
        };
        let (mut x, mut row) = (0, (part.y0 - win.y0) * win.w + part.x0 - win.x0);
        coverage.fill(polys.iter(), part, |_, c| {
            let v = &mut out[row + x];
            *v = if cleared {
                *v * (1.0 - c)
            } else {
                (*v + c).min(1.0)
            };
            x += 1;
            if x == part.w {
                x = 0;
                row += win.w;
            }
        });
    }
}
