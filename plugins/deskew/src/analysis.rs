//! One scan from its pixels to places, angles and transforms.

use restrike_ops::line_fit::FittedLine;
use restrike_stage::{Affine, ImageArea, ImageView, Point, Project, Rect, Size};

use crate::border::{self, Border, Where};
use crate::metric::{Metric, Side, turn};
use crate::overview::Overview;
use crate::paper::{self, Outline};
use crate::rectangle::{Angle, Corner, PAPER_FLOOR_PX, Rectangle};
use crate::settings::{AngleChoice, Settings};
use crate::sheet_frame::{SheetFrame, scale_error};
use crate::texture;

/// The sheet on the bed, before anything printed is looked at.
pub(crate) struct Sheet {
    pub(crate) metric: Metric,
    pub(crate) overview: Overview,
    pub(crate) outline: Outline,
    pub(crate) paper: Rectangle,
    pub(crate) frame: SheetFrame,
    /// How far the sheet reaches over the scan's border: left, top, right,
    /// bottom, mm; `None` where the sheet's size or place is not known.
    pub(crate) cut: Option<[f64; 4]>,
    /// Whether the measured size is the stated one.
    pub(crate) size_agrees: Option<bool>,
    /// Whether the sheet lies a quarter turn round.
    pub(crate) quarter_turn: bool,
}

impl Sheet {
    pub(crate) fn find(
        scan: ImageView<'_, u16>,
        metric: Metric,
        project: &Project,
        settings: &Settings,
    ) -> Self {
        let overview = Overview::new(scan, &metric);
        let outline = paper::outline(scan, metric, &overview, settings);
        let lines = outline.edges.map(|e| e.map(|e| e.line));
        let paper = Rectangle::new(lines, PAPER_FLOOR_PX * metric.pitch());
        let frame = SheetFrame::new(&paper, project.sheet, &metric, None);
        let measured = [paper.extent(true), paper.extent(false)];
        let stated = project.sheet.map(|s| [s.width_mm, s.height_mm]);
        let tolerance = settings.size_tolerance_mm;
        let agrees = |sheet: [f64; 2]| -> Option<bool> {
            let parts: Vec<bool> = measured
                .iter()
                .zip(sheet)
                .filter_map(|(m, s)| m.map(|m| (m.0 - s).abs() <= tolerance))
                .collect();
            (!parts.is_empty()).then(|| parts.iter().all(|p| *p))
        };
        let size_agrees = stated.and_then(agrees);
        let quarter_turn = measured.iter().all(Option::is_some)
            && size_agrees == Some(false)
            && stated.and_then(|s| agrees([s[1], s[0]])) == Some(true);
        let cut = project.sheet.and_then(|s| overhang(&metric, &frame, s));
        Self {
            metric,
            overview,
            outline,
            paper,
            frame,
            cut,
            size_agrees,
            quarter_turn,
        }
    }

    /// Factor by which the scan's stated resolution contradicts the sheet's size.
    pub(crate) fn scale_error(&self, project: &Project) -> Option<f64> {
        scale_error(
            [self.paper.extent(true), self.paper.extent(false)],
            project.sheet.map(|s| [s.width_mm, s.height_mm]),
        )
    }
}

/// How far the sheet's stated outline reaches over each border of the scan.
fn overhang(metric: &Metric, frame: &SheetFrame, size: Size) -> Option<[f64; 4]> {
    let [w, h] = metric.extent();
    let half = Point::new(size.width_mm / 2.0, size.height_mm / 2.0);
    let mut over = [f64::NEG_INFINITY; 4];
    for c in Rect::new(half * -1.0, half).corners() {
        let p = frame.bed_of(c);
        for (o, v) in over.iter_mut().zip([-p.x, p.y, p.x - w, -p.y - h]) {
            *o = o.max(v);
        }
    }
    if !frame.placed[0] {
        // Centred for want of better: only the sum of both sides is known.
        let both = over[0] + over[2];
        (over[0], over[2]) = (both / 2.0, both / 2.0);
    }
    Some(over)
}

/// One printed image as found.
pub(crate) struct Found {
    pub(crate) name: String,
    /// Stated place, print mm.
    pub(crate) stated: Option<Rect>,
    pub(crate) border: Option<Border>,
    /// The border's lines, the missing one put in from its opposite.
    pub(crate) sides: Rectangle,
    /// Corners on the bed: upper left, upper right, lower right, lower left.
    pub(crate) corners: [Option<Corner>; 4],
    pub(crate) rotation: Option<Angle>,
    /// `border`, `paper`, `texture`, or empty.
    pub(crate) angle_source: &'static str,
    /// What the print frame is tied to: `border`, `paper`, `scan`.
    pub(crate) tied_to: &'static str,
    /// Measured over stated size, x and y, with standard errors.
    pub(crate) scale: [Option<(f64, f64)>; 2],
    /// Scan pixels to print mm.
    pub(crate) to_print: Affine,
    pub(crate) remarks: Vec<String>,
}

/// Scatter of the print's turn on its paper, degrees (common practice, no source).
const PLACING_DEG: f64 = 0.05;

/// Everything found on a scan.
pub(crate) struct Findings {
    pub(crate) images: Vec<Found>,
    pub(crate) texture: Result<Angle, String>,
}

/// Looks for the printed images and ties the print frame to them.
pub(crate) fn images(
    scan: ImageView<'_, u16>,
    sheet: &Sheet,
    project: &Project,
    settings: &Settings,
) -> Findings {
    let level = sheet.overview.paper(&sheet.frame);
    let (metric, frame) = (sheet.metric, sheet.frame);
    let use_border = matches!(settings.angle, AngleChoice::Auto | AngleChoice::Border);
    let areas: Vec<Option<&ImageArea>> = if project.images.is_empty() {
        vec![None]
    } else {
        project.images.iter().map(Some).collect()
    };
    let borders: Vec<(Option<Border>, String)> = areas
        .iter()
        .map(|area| look(scan, &metric, &frame, *area, level, settings))
        .collect();
    let none_found = borders.iter().all(|b| b.0.is_none());
    let needed = match settings.angle {
        AngleChoice::Texture => true,
        AngleChoice::Auto => none_found && (sheet.paper.count() < 2 || nothing_known(project)),
        _ => false,
    };
    let texture = if needed {
        texture::direction(&metric, &sheet.overview, &frame, sheet.paper.count() == 4)
    } else {
        Err("not looked for: the angle is taken from elsewhere".to_owned())
    };
    let images = areas
        .iter()
        .zip(borders)
        .map(|(area, (border, remark))| {
            let mut found = tie(
                sheet, *area, border, &texture, project, settings, use_border,
            );
            if !remark.is_empty() {
                found.remarks.insert(0, remark);
            }
            found
        })
        .collect();
    Findings { images, texture }
}

fn nothing_known(project: &Project) -> bool {
    project.sheet.is_none() && project.images.is_empty()
}

/// Searches for an image's border; says why there is none.
fn look(
    scan: ImageView<'_, u16>,
    metric: &Metric,
    frame: &SheetFrame,
    area: Option<&ImageArea>,
    level: [f32; 3],
    settings: &Settings,
) -> (Option<Border>, String) {
    let place = match area {
        Some(a) if !a.border => {
            return (
                None,
                "the image is stated to have no border line".to_owned(),
            );
        }
        Some(a) => Where {
            centre: Point::new(a.x_mm, a.y_mm),
            size: [a.width_mm, a.height_mm],
            inwards: settings.border_reach_mm,
            outwards: settings.border_reach_mm,
            sized: true,
        },
        None => Where {
            centre: Point::default(),
            size: frame.size,
            // Anywhere on the outer third of the sheet, clear of its edges.
            inwards: frame.size[0].min(frame.size[1]) / 3.0,
            outwards: -2.5,
            sized: false,
        },
    };
    match border::find(scan, *metric, frame, &place, level) {
        Some(b) => (Some(b), String::new()),
        None if place.sized => (
            None,
            format!(
                "no border line within {:.1} mm of its stated place",
                settings.border_reach_mm
            ),
        ),
        None => (None, "no border line found".to_owned()),
    }
}

/// Puts a missing fourth side in from its opposite and the stated size.
fn completed(rect: &Rectangle, size: Option<[f64; 2]>, scale: f64) -> Rectangle {
    let mut out = *rect;
    let Some(size) = size else { return out };
    if rect.count() != 3 {
        return out;
    }
    for side in Side::ALL {
        if rect.side(side).is_some() {
            continue;
        }
        let opposite = Side::ALL[(side as usize + 2) % 4];
        if let Some(line) = rect.side(opposite) {
            let gap = size[usize::from(side.is_level())] * scale;
            let moved = line.moved(-gap);
            let unsure = 0.002 * gap;
            out.sides[side as usize] = Some(FittedLine {
                direction: moved.direction * -1.0,
                offset_se: (line.offset_se * line.offset_se + unsure * unsure).sqrt(),
                angle_se: line.angle_se + 5e-4,
                ..moved
            });
        }
    }
    out
}

fn tie(
    sheet: &Sheet,
    area: Option<&ImageArea>,
    border: Option<Border>,
    texture: &Result<Angle, String>,
    project: &Project,
    settings: &Settings,
    use_border: bool,
) -> Found {
    let metric = &sheet.metric;
    let frame = &sheet.frame;
    let stated = area.map(ImageArea::rect);
    let rect = border
        .as_ref()
        .map(|b| b.rectangle(metric.pitch()))
        .unwrap_or_default();
    let size = area.map(|a| [a.width_mm, a.height_mm]);
    let sides = completed(&rect, size, frame.scale);
    let corners = match &border {
        Some(b) => {
            let local = b.corners(metric.pitch());
            let far = sides.corners();
            [0, 1, 2, 3].map(|i| local[i].or(far[i]))
        }
        None => sides.corners(),
    };
    // A block's border is seldom straight: its corners tell its turn.
    let sides = match corners {
        [Some(a), Some(b), Some(c), Some(d)] if border.is_some() => {
            Rectangle::through(&[a, b, c, d])
        }
        _ => sides,
    };
    let by_border = sides.rotation().filter(|_| use_border);
    // Of a sheet of unknown size, a line or two may be anything.
    let enough = if project.sheet.is_some() { 1 } else { 3 };
    let by_paper = sheet
        .paper
        .rotation()
        .filter(|_| sheet.paper.count() >= enough);
    let by_texture = texture.as_ref().ok().copied();
    let (rotation, angle_source) = match settings.angle {
        AngleChoice::Border => (by_border, "border"),
        AngleChoice::Paper => (by_paper, "paper"),
        AngleChoice::Texture => (by_texture, "texture"),
        AngleChoice::Auto => match (by_border, by_paper, by_texture) {
            (Some(a), _, _) => (Some(a), "border"),
            (None, _, Some(t)) if nothing_known(project) => (Some(t), "texture"),
            (None, Some(p), _) => (Some(p), "paper"),
            (None, None, t) => (t, "texture"),
        },
    };
    let mut remarks = Vec::new();
    if rect.count() == 3 {
        remarks.push(
            "one side of the border was not found: it is put in from the stated size".to_owned(),
        );
    }
    if rotation.is_none() {
        match (settings.angle, texture) {
            (AngleChoice::Border, _) => {
                remarks.push("no border line to take the angle from".to_owned());
            }
            (AngleChoice::Paper, _) => {
                remarks.push("no paper edge to take the angle from".to_owned());
            }
            (_, Err(why)) => remarks.push(format!("no border, no paper edge; texture: {why}")),
            _ => {}
        }
    }
    let angle_source = if rotation.is_some() { angle_source } else { "" };
    // The paper's turn is the print's only as far as sheets are laid alike.
    let rotation = rotation.map(|a| match angle_source {
        "paper" => {
            let why = match by_border {
                Some(border) => format!(
                    "as set, the paper's turn is given; the printed border's is {:.4} degree",
                    border.value.to_degrees()
                ),
                None => "the print's own turn is not seen: the paper's is given".to_owned(),
            };
            remarks.push(format!(
                "{why}; its error takes in {PLACING_DEG} degree for how sheets are laid"
            ));
            let placing = PLACING_DEG.to_radians();
            Angle {
                se: (a.se * a.se + placing * placing).sqrt(),
                ..a
            }
        }
        _ => a,
    });
    let whole: Option<Vec<Corner>> = corners.iter().copied().collect();
    let bed = match (&whole, stated) {
        (Some(c), Some(r)) if use_border => from_corners(c, &r).map(|a| (a, "border")),
        _ => None,
    };
    let scale = [true, false].map(|across| {
        let (size, stated) = (sides.extent(across)?, size?);
        let s = stated[usize::from(!across)];
        Some((size.0 / s, size.1 / s))
    });
    let (print_to_bed, tied_to) = bed.unwrap_or_else(|| {
        let angle = rotation.map_or(frame.angle, |a| a.value);
        let turned = SheetFrame { angle, ..*frame };
        let tied = if sheet.paper.count() > 0 {
            "paper"
        } else {
            "scan"
        };
        (turned.print_map().inverse().unwrap_or_default(), tied)
    });
    let to_print = print_to_bed
        .inverse()
        .map_or(Affine::IDENTITY, |back| metric.affine().then(&back));
    Found {
        name: area.map_or_else(|| "whole".to_owned(), |a| a.name.clone()),
        stated,
        border,
        sides,
        corners,
        rotation,
        angle_source,
        tied_to,
        scale,
        to_print,
        remarks,
    }
}

/// The affine map from print mm to bed mm that takes the stated corners to
/// the measured ones best (least squares).
fn from_corners(c: &[Corner], r: &Rect) -> Option<Affine> {
    let [ul, ur, lr, ll] = [c.first()?.at, c.get(1)?.at, c.get(2)?.at, c.get(3)?.at];
    let (w, h) = (r.width(), r.height());
    if !(w > 0.0 && h > 0.0) {
        return None;
    }
    let ax = ((ur - ul) + (lr - ll)) * (0.5 / w);
    let ay = ((ul - ll) + (ur - lr)) * (0.5 / h);
    let mean = (ul + ur + lr + ll) * 0.25;
    let o = r.centre();
    Some(Affine([
        ax.x,
        ay.x,
        mean.x - ax.x * o.x - ay.x * o.y,
        ax.y,
        ay.y,
        mean.y - ax.y * o.x - ay.y * o.y,
    ]))
}

/// Corners of a stated rectangle on the bed, in the order of [`Found::corners`].
pub(crate) fn stated_corners(frame: &SheetFrame, r: &Rect) -> [Point; 4] {
    let [ll, lr, ur, ul] = r.corners();
    [ul, ur, lr, ll].map(|p| frame.centre + turn(p * frame.scale, frame.angle))
}
