//! Composition of one strip on sub-pixels: paper, layers of ink, bed, dust.

use crate::design::Design;
use crate::layer::Layer;
use crate::raster::{Coverage, Poly, Window};
use crate::render::Frame;
use crate::rng::{mix, word};
use crate::shapes::P;
use crate::sheet::SheetSpec;
use crate::texture;
use crate::transform::Affine;

/// Working state of the strip at hand.
pub(crate) struct Strip<'a> {
    pub(crate) design: &'a Design,
    pub(crate) sheet: &'a SheetSpec,
    pub(crate) frame: &'a Frame,
    pub(crate) outline: [Poly; 1],
    pub(crate) dust: Vec<(Poly, f32)>,
    /// Scan px -> print mm.
    pub(crate) back: Affine,
    pub(crate) layers: Vec<Layer>,
    pub(crate) ss: usize,
    pub(crate) pad: usize,
    /// Sub-pixels a row.
    pub(crate) w: usize,
    pub(crate) planes: [Vec<f32>; 3],
    /// Ink taken up by the sheet, per pixel.
    pub(crate) uptake: Vec<f32>,
    pub(crate) cov: Vec<f32>,
    pub(crate) core: Vec<f32>,
    pub(crate) coverage: Coverage,
    pub(crate) baren: P,
}

impl Strip<'_> {
    /// Fills `planes` with linear reflectance for output rows `y..y + rows`.
    pub(crate) fn compose(&mut self, y: usize, rows: usize) {
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
                let at_rim = s * (1.0 + squash);
                let rim = if squash == 0.0 {
                    t
                } else {
                    layer.table.at(at_rim)
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
                            let plane = &mut self.planes[ch][at + k];
                            *plane = match &layer.coat {
                                None => *plane * (1.0 - c + (c - inner) * rim[ch] + inner * t[ch]),
                                Some(coat) => {
                                    let mut light = (1.0 - c) * *plane;
                                    if c > inner {
                                        light += (c - inner) * coat.over(at_rim, ch, *plane);
                                    }
                                    light + inner * coat.over(s, ch, *plane)
                                }
                            };
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
                    // The lamp stands above: the shadow is deepest below the sheet.
                    let below = 0.3 + 0.35 * (1.0 - p[1] / b).clamp(0.0, 2.0);
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
