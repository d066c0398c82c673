//! Drawings as PDF, true to size, to be printed.

use std::sync::Arc;

use svg2pdf::usvg::{Options, Tree, fontdb};
use svg2pdf::{ConversionOptions, PageOptions};

/// Pixels an inch of what has no unit (CSS Values 3, 5.2).
const CSS_DPI: f32 = 96.0;

/// An SVG as PDF, a millimetre of the one a millimetre of the other.
///
/// # Errors
/// In words, when it is no SVG or cannot be drawn.
pub(crate) fn pdf(svg: &str) -> Result<Vec<u8>, String> {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    let options = Options {
        dpi: CSS_DPI,
        fontdb: Arc::new(fonts),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options).map_err(|e| e.to_string())?;
    let page = PageOptions { dpi: CSS_DPI };
    svg2pdf::to_pdf(&tree, ConversionOptions::default(), page).map_err(|e| e.to_string())
}
