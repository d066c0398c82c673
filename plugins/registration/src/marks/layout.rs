//! Where the marks and the images are.

use restrike_ops::mark_contacts::Contact;
use restrike_stage::{MarkKind, Point, Project, Rect};

/// How far a contact may lie from the sheet's nominal edge, mm: more than the
/// paper's own irregularity (common practice, no source).
const OFF_EDGE_MM: f64 = 5.0;

/// A face of a mark with its contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Face {
    /// Which.
    pub(crate) kind: MarkKind,
    /// Where, in print mm, with the normal towards the sheet.
    pub(crate) contact: Contact,
}

impl Face {
    /// Its name in tables.
    pub(crate) fn name(&self) -> &'static str {
        match self.kind {
            MarkKind::CornerLong => "corner mark, long edge",
            MarkKind::CornerShort => "corner mark, short edge",
            MarkKind::Straight => "straight mark",
        }
    }

    /// Its name in a sentence.
    pub(crate) fn spoken(&self) -> &'static str {
        match self.kind {
            MarkKind::CornerLong => "the long-edge face of the corner mark",
            MarkKind::CornerShort => "the short-edge face of the corner mark",
            MarkKind::Straight => "the straight mark",
        }
    }
}

/// The three faces: corner mark long, straight mark, corner mark short.
///
/// # Errors
/// When the config does not name one of each, or they do not fix the sheet:
/// the reason in words.
pub(crate) fn faces(project: &Project) -> Result<[Face; 3], String> {
    let find = |kind: MarkKind, words: &str| -> Result<Point, String> {
        let mut of_kind = project.marks.iter().filter(|m| m.face == kind);
        let mark = of_kind
            .next()
            .ok_or_else(|| format!("the config has no contact for the {words}"))?;
        if of_kind.next().is_some() {
            return Err(format!("the config has two contacts for the {words}"));
        }
        let at = Point::new(mark.x_mm, mark.y_mm);
        if !at.x.is_finite() || !at.y.is_finite() {
            return Err(format!("the contact of the {words} is not a place"));
        }
        Ok(at)
    };
    let k = find(MarkKind::CornerLong, "corner mark's long-edge face")?;
    let h = find(MarkKind::Straight, "straight mark")?;
    let c = find(MarkKind::CornerShort, "corner mark's short-edge face")?;
    // The sheet's edges run along the axes, so the pair of contacts tells
    // which edge it is.
    let along = h - k;
    let lies = along.x.abs() >= along.y.abs();
    let side = |v: f64| if v > 0.0 { -1.0 } else { 1.0 };
    let (long, short) = if lies {
        (Point::new(0.0, side(k.y + h.y)), Point::new(side(c.x), 0.0))
    } else {
        (Point::new(side(k.x + h.x), 0.0), Point::new(0.0, side(c.y)))
    };
    if along.norm() < 10.0 {
        return Err("the corner mark and the straight mark are less than 10 mm apart".to_owned());
    }
    let face = |kind, at, normal| Face {
        kind,
        contact: Contact { at, normal },
    };
    let faces = [
        face(MarkKind::CornerLong, k, long),
        face(MarkKind::Straight, h, long),
        face(MarkKind::CornerShort, c, short),
    ];
    if let Some(sheet) = project.sheet {
        let half = Point::new(sheet.width_mm / 2.0, sheet.height_mm / 2.0);
        for f in &faces {
            on_edge(f, half)?;
        }
    }
    Ok(faces)
}

fn on_edge(face: &Face, half: Point) -> Result<(), String> {
    let Point { x, y } = face.contact.at;
    let n = face.contact.normal;
    let place = format!("the contact of {} at ({x:.1}, {y:.1}) mm", face.spoken());
    let beyond = (x.abs() - half.x).max(y.abs() - half.y);
    if beyond > OFF_EDGE_MM {
        return Err(format!("{place} lies {beyond:.1} mm outside the sheet"));
    }
    let inside = (half.x * n.x.abs() + half.y * n.y.abs()) + n.dot(face.contact.at);
    if inside > OFF_EDGE_MM {
        return Err(format!(
            "{place} lies {inside:.1} mm inside the sheet's edge, where nothing touches"
        ));
    }
    Ok(())
}

/// A corner of an image, with its name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Corner {
    /// Where, print mm.
    pub(crate) at: Point,
    /// `lower left`, ...
    pub(crate) name: &'static str,
}

/// The corners of an image; of all images for `both`. An image the config does
/// not know is taken to fill the sheet, or to reach as far as the marks.
pub(crate) fn corners(project: &Project, image: &str) -> Vec<Corner> {
    let named: Vec<Rect> = project
        .images
        .iter()
        .filter(|i| i.name == image)
        .map(restrike_stage::ImageArea::rect)
        .collect();
    let areas = if !named.is_empty() {
        named
    } else if !project.images.is_empty() {
        project
            .images
            .iter()
            .map(restrike_stage::ImageArea::rect)
            .collect()
    } else {
        vec![fallback(project)]
    };
    let names = ["lower left", "lower right", "upper right", "upper left"];
    areas
        .iter()
        .flat_map(|r| r.corners().into_iter().zip(names))
        .map(|(at, name)| Corner { at, name })
        .collect()
}

/// The corners of what a block prints on an image, each named by the corner of the image it is
/// nearest to; those of the image where that is not known.
pub(crate) fn printed(project: &Project, image: &str, outline: &[Point]) -> Vec<Corner> {
    let corners = corners(project, image);
    let near = |p: &Point| {
        let far = |c: &&Corner| (c.at - *p).norm();
        corners.iter().min_by(|a, b| far(a).total_cmp(&far(b)))
    };
    let named = |p: &Point| {
        Some(Corner {
            at: *p,
            ..*near(p)?
        })
    };
    let printed: Option<Vec<Corner>> = outline.iter().map(named).collect();
    printed.filter(|p| !p.is_empty()).unwrap_or(corners)
}

fn fallback(project: &Project) -> Rect {
    if let Some(s) = project.sheet {
        return Rect::centred(s.width_mm, s.height_mm);
    }
    let reach = |v: fn(&restrike_stage::MarkInfo) -> f64| {
        let r = project.marks.iter().map(|m| v(m).abs());
        // A hand's breadth, where nothing at all is known.
        2.0 * r.fold(0.0, f64::max).max(50.0)
    };
    Rect::centred(reach(|m| m.x_mm), reach(|m| m.y_mm))
}

/// From print to block coordinates and back: the block lies face up, the
/// print shows its mirror image.
pub(crate) fn mirrored(p: Point) -> Point {
    Point::new(-p.x, p.y)
}
