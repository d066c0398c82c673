//! Renders a sheet in horizontal strips: shapes to coverage, layers to
//! reflectance on sub-pixels, then the scanner.

use crate::design::Design;
use crate::layer::Layer;
use crate::raster::{Coverage, Poly};
use crate::rng::Rng;
use crate::scanner::{Pixels, Sensor, decimate, kernel};
use crate::shapes::{P, densify_ring};
use crate::sheet::{SheetKind, SheetSpec};
use crate::strip::Strip;
use crate::stroke::smooth_noise;
use crate::transform::{Affine, scan_affine};
use crate::truth::Truth;
use crate::{Rendered, SynthError};

/// Output rows rendered at a time.
const STRIP: usize = 48;
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
