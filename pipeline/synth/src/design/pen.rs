//! The drawing kit of the design families: lines, filled regions, hatching and
//! lettering-like marks in one image, clipped to its border.

use super::{Area, Block, Bokashi, ImagePlace, Line, Role};
use crate::rng::Rng;
use crate::shapes::{P, add, arc_length, clip_ring, densify, densify_ring, inside, rect, runs};

/// Names, absorption and print order of the colour blocks a design may use.
const COLOURS: [(&str, [f64; 3]); 8] = [
    ("ochre", [0.14, 0.36, 1.05]),
    ("blue", [1.55, 0.72, 0.24]),
    ("mist", [0.17, 0.12, 0.08]),
    ("red", [0.22, 1.45, 1.35]),
    ("green", [0.85, 0.36, 0.80]),
    ("brown", [0.50, 0.85, 1.15]),
    ("violet", [0.60, 0.95, 0.35]),
    ("pink", [0.06, 0.45, 0.30]),
];

/// Longest step of a flattened straight line, mm, so that a smooth warp bends it.
const STEP: f64 = 1.0;

pub(crate) struct Pen {
    pub(crate) rng: Rng,
    /// Half size of the image, mm.
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) frame_width: f64,
    /// Unit of drawing: a hundredth of the shorter side, mm.
    pub(crate) u: f64,
    frame: bool,
    lines: Vec<Line>,
    /// Per colour block: rings, printed or (true) cleared, in order.
    fills: Vec<Vec<(bool, Vec<P>)>>,
    solids: Vec<(bool, Vec<P>)>,
    bokashi: Vec<Option<Bokashi>>,
}

impl Pen {
    pub(crate) fn new(mut rng: Rng, size: P, frame: bool, colours: usize) -> Self {
        let n = colours.min(COLOURS.len());
        let frame_width = 0.45 + 0.05 * rng.below(3) as f64;
        let (a, b) = (size[0] / 2.0, size[1] / 2.0);
        let mut pen = Self {
            rng,
            a,
            b,
            frame_width,
            u: 2.0 * a.min(b) / 100.0,
            frame,
            lines: Vec::new(),
            fills: vec![Vec::new(); n],
            solids: Vec::new(),
            bokashi: vec![None; n],
        };
        if frame {
            // Centre lines; the horizontal pair spans the outer width, the
            // vertical pair ends inside it, so the outline is one rectangle.
            let h = frame_width / 2.0;
            for (p, q) in [
                ([-a, -b + h], [a, -b + h]),
                ([-a, b - h], [a, b - h]),
                ([-a + h, -b + h], [-a + h, b - h]),
                ([a - h, -b + h], [a - h, b - h]),
            ] {
                pen.put(densify(&[p, q], STEP), frame_width, 0.0, Role::Frame);
            }
        }
        pen
    }

    fn put(&mut self, points: Vec<P>, width: f64, taper: f64, role: Role) {
        if points.len() > 1 && arc_length(&points) > 0.35 {
            self.lines.push(Line {
                id: 0,
                image: String::new(),
                role,
                width_mm: (width * 1000.0).round() / 1000.0,
                taper,
                closed: false,
                points,
            });
        }
    }

    /// Inner bounds: the centre line of the border (trap), or the image edge.
    fn bounds(&self) -> (P, P) {
        let h = if self.frame {
            self.frame_width / 2.0
        } else {
            0.0
        };
        ([-self.a + h, -self.b + h], [self.a - h, self.b - h])
    }

    /// A line, clipped to the image.
    pub(crate) fn line(&mut self, pts: &[P], width: f64, taper: f64, role: Role) {
        let (lo, hi) = self.bounds();
        let pts = densify(pts, STEP);
        for run in runs(&pts, &|p| {
            p[0] > lo[0] && p[0] < hi[0] && p[1] > lo[1] && p[1] < hi[1]
        }) {
            self.put(run, width, taper, role);
        }
    }

    /// Contour of a ring.
    pub(crate) fn contour(&mut self, ring: &[P], width: f64) {
        let mut pts = ring.to_vec();
        pts.extend(ring.first());
        self.line(&pts, width, 0.0, Role::Contour);
    }

    /// Index of a colour block; designs of few colours use a near one instead.
    fn colour(&self, name: &str) -> usize {
        let name = match (name, self.fills.len()) {
            ("pink", 0..=7) => "mist",
            ("violet", 6) => "brown",
            ("violet" | "brown", 0..=5) => "ochre",
            _ => name,
        };
        COLOURS.iter().position(|c| c.0 == name).unwrap_or(0)
    }

    fn clip(&self, ring: &[P]) -> Vec<P> {
        let (lo, hi) = self.bounds();
        densify_ring(&clip_ring(ring, lo, hi), STEP)
    }

    /// Fills a ring on a colour block.
    pub(crate) fn fill(&mut self, colour: &str, ring: &[P]) {
        let c = self.colour(colour);
        let r = self.clip(ring);
        if r.len() > 2 {
            self.fills[c].push((false, r));
        }
    }

    /// Clears a ring from a colour block.
    pub(crate) fn clear(&mut self, colour: &str, ring: &[P]) {
        let c = self.colour(colour);
        let r = self.clip(ring);
        if r.len() > 2 {
            self.fills[c].push((true, r));
        }
    }

    /// Clears a ring from what every colour block has so far.
    pub(crate) fn clear_all(&mut self, ring: &[P]) {
        for (name, _) in COLOURS.iter().take(self.fills.len()) {
            self.clear(name, ring);
        }
    }

    /// A key solid.
    pub(crate) fn solid(&mut self, ring: &[P]) {
        let r = self.clip(ring);
        if r.len() > 2 {
            self.solids.push((false, r));
        }
    }

    /// Removes what the key has drawn inside a ring (a nearer object comes there).
    pub(crate) fn knock_out(&mut self, ring: &[P]) {
        for l in std::mem::take(&mut self.lines) {
            if l.role == Role::Frame {
                self.lines.push(l);
                continue;
            }
            for run in runs(&l.points, &|p| !inside(ring, p)) {
                self.put(run, l.width_mm, l.taper, l.role);
            }
        }
    }

    /// Sets a block's gradation.
    pub(crate) fn gradate(&mut self, colour: &str, from: P, to: P) {
        let c = self.colour(colour);
        self.bokashi[c] = Some(Bokashi { from, to });
    }

    /// Parallel lines inside a ring.
    pub(crate) fn hatch(&mut self, ring: &[P], angle: f64, pitch: f64, width: f64) {
        let (s, c) = libm::sincos(angle);
        let reach = 2.0 * (self.a + self.b);
        let n = (reach / pitch).ceil() as i64;
        for i in -n..=n {
            let o = i as f64 * pitch + self.rng.range(-0.15, 0.15) * pitch;
            let p = [-s * o, c * o];
            let line = densify(
                &[
                    [p[0] - c * reach, p[1] - s * reach],
                    [p[0] + c * reach, p[1] + s * reach],
                ],
                0.5,
            );
            for run in runs(&line, &|q| inside(ring, q)) {
                self.line(&run, width, 0.2, Role::Hatch);
            }
        }
    }

    /// A lettering-like mark in the cell of size `s` centred at `c`. Strokes
    /// go to the key, or to a colour block as areas.
    pub(crate) fn mark(&mut self, c: P, s: f64, colour: Option<&str>) {
        let n = 3 + self.rng.below(5);
        for _ in 0..n {
            let h = 0.42 * s;
            let x = self.rng.range(-h, h) * 0.8;
            let y = self.rng.range(-h, h) * 0.8;
            let kind = self.rng.below(4);
            let l = self.rng.range(0.35, 0.95) * h;
            let bend = self.rng.range(-0.15, 0.15) * s;
            let pts = match kind {
                0 => vec![[-l, y], [0.0, y + 0.04 * s], [l, y + 0.07 * s]],
                1 => vec![[x, l], [x + 0.2 * bend, 0.0], [x, -l]],
                2 => vec![
                    [x, y],
                    [x - 0.25 * s + bend, y - 0.2 * s],
                    [x - 0.3 * s, y - 0.4 * s],
                ],
                _ => vec![
                    [x, y],
                    [x + 0.18 * s, y - 0.12 * s - bend],
                    [x + 0.3 * s, y - 0.35 * s],
                ],
            };
            let pts: Vec<P> = pts
                .iter()
                .map(|p| add(c, [p[0].clamp(-h, h), p[1].clamp(-h, h)]))
                .collect();
            let pts = crate::shapes::curve(&pts, false, 0.15);
            let width = (s * self.rng.range(0.06, 0.12))
                .clamp(0.1, if colour.is_some() { 2.0 } else { 0.6 });
            match colour {
                None => self.line(&pts, width, 0.35, Role::Lettering),
                Some(name) => {
                    let ring = crate::stroke::outline(&pts, width / 2.0, 0.2);
                    self.fill(name, &ring);
                }
            }
        }
    }

    /// A column of marks going down from `top`.
    pub(crate) fn column(&mut self, top: P, size: f64, count: usize) {
        for i in 0..count {
            self.mark([top[0], top[1] - size * 1.08 * i as f64], size, None);
        }
    }

    /// A red seal: square with a cleared mark.
    pub(crate) fn seal(&mut self, c: P, s: f64) {
        let h = s / 2.0;
        self.fill("red", &rect(c[0] - h, c[1] - h, c[0] + h, c[1] + h));
        for i in 0..3 {
            let y = c[1] + (f64::from(i) - 1.0) * s * 0.27;
            let w = s * self.rng.range(0.2, 0.36);
            self.clear("red", &rect(c[0] - w, y - 0.05 * s, c[0] + w, y + 0.05 * s));
        }
    }

    /// Places the image's shapes at every image of the sheet.
    pub(crate) fn finish(self, images: &[ImagePlace]) -> Vec<Block> {
        let areas = |rings: &[(bool, Vec<P>)]| -> Vec<Area> {
            let mut out = Vec::new();
            for (i, (cleared, r)) in rings.iter().enumerate() {
                for im in images {
                    out.push(Area {
                        id: i as u32,
                        image: im.name.clone(),
                        cleared: *cleared,
                        rings: vec![r.iter().map(|p| add(*p, im.centre)).collect()],
                    });
                }
            }
            out
        };
        let mut lines = Vec::new();
        for im in images {
            for (i, l) in self.lines.iter().enumerate() {
                lines.push(Line {
                    id: i as u32,
                    image: im.name.clone(),
                    points: l.points.iter().map(|p| add(*p, im.centre)).collect(),
                    ..l.clone()
                });
            }
        }
        let mut blocks = vec![Block {
            name: "key".to_owned(),
            order: 1,
            key: true,
            absorption: [2.7, 2.65, 2.5],
            lines,
            areas: areas(&self.solids),
            bokashi: Vec::new(),
        }];
        for (i, (name, absorption)) in COLOURS.iter().take(self.fills.len()).enumerate() {
            blocks.push(Block {
                name: (*name).to_owned(),
                order: i as u32 + 2,
                key: false,
                absorption: *absorption,
                lines: Vec::new(),
                areas: areas(&self.fills[i]),
                bokashi: self.bokashi[i]
                    .map(|g| {
                        images
                            .iter()
                            .map(|im| Bokashi {
                                from: add(g.from, im.centre),
                                to: add(g.to, im.centre),
                            })
                            .collect()
                    })
                    .unwrap_or_default(),
            });
        }
        blocks
    }
}
