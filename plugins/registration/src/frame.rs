//! The scan's place as the stage deskew gives it.

use restrike_stage::{Affine, Measure, Point, Project, Rect, Table};

use crate::paper::affine_through;

/// Where the sheet lies in the scan.
#[derive(Debug, Clone)]
pub(crate) struct SheetPlace {
    /// From scan pixels to print mm, one map for the whole sheet.
    pub(crate) to_print: Affine,
    /// The sheet in print mm.
    pub(crate) sheet: Rect,
    /// Whether the printed border ties the map to the key's print.
    pub(crate) by_border: bool,
}

/// Reads the tables of deskew.
///
/// # Errors
/// In words, when they do not say where the sheet is.
pub(crate) fn place(project: &Project, input: &Measure<'_>) -> Result<SheetPlace, String> {
    let table = input
        .table("deskew")
        .ok_or("stage deskew did not say where the sheet lies")?;
    let mut pairs = Vec::new();
    let mut by_border = !table.rows.is_empty();
    for row in 0..table.rows.len() {
        let Some(map) = map_of(table, row) else {
            continue;
        };
        by_border &= table
            .get(row, "frame")
            .as_str()
            .is_some_and(|f| f.contains("border"));
        let name = table.get(row, "image").as_str().unwrap_or("");
        let area = project
            .images
            .iter()
            .find(|i| i.name == name)
            .map_or_else(|| everything(&map, input), restrike_stage::ImageArea::rect);
        let back = map.inverse().ok_or("deskew's map has no inverse")?;
        for corner in area.corners() {
            pairs.push((back.apply(corner), corner));
        }
    }
    let to_print = affine_through(&pairs).ok_or("stage deskew gave no map to print coordinates")?;
    let sheet = match project.sheet {
        Some(s) => Rect::centred(s.width_mm, s.height_mm),
        None => everything(&to_print, input),
    };
    Ok(SheetPlace {
        to_print,
        sheet,
        by_border,
    })
}

fn map_of(table: &Table, row: usize) -> Option<Affine> {
    let mut m = [0.0; 6];
    for (v, name) in m.iter_mut().zip(["a", "b", "c", "d", "e", "f"]) {
        *v = table.get(row, &format!("to_print_{name}")).as_f64()?;
    }
    Some(Affine(m))
}

/// The part of print coordinates that the scan shows whatever its turn.
#[allow(clippy::cast_precision_loss)]
fn everything(map: &Affine, input: &Measure<'_>) -> Rect {
    let (w, h) = (input.scan.width() as f64, input.scan.height() as f64);
    let c = Rect::new(Point::new(0.0, 0.0), Point::new(w, h))
        .corners()
        .map(|p| map.apply(p));
    let mut x = c.map(|p| p.x);
    let mut y = c.map(|p| p.y);
    x.sort_by(f64::total_cmp);
    y.sort_by(f64::total_cmp);
    Rect::new(Point::new(x[1], y[1]), Point::new(x[2], y[2]))
}
