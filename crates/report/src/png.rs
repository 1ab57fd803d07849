//! SVG to PNG for mail readers, with an embedded font so that every machine draws the same.

use std::sync::Arc;

use resvg::tiny_skia;
use resvg::usvg;

/// A chart that could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum PngError {
    /// The SVG is not well formed: a defect of the chart module.
    #[error("a chart is not valid SVG: {0}")]
    Svg(#[from] usvg::Error),
    /// No room for the picture.
    #[error("a chart of {width} × {height} pixels cannot be drawn")]
    Size {
        /// Width, pixels.
        width: u32,
        /// Height, pixels.
        height: u32,
    },
    /// The encoder failed.
    #[error("a chart cannot be encoded as PNG: {0}")]
    Encode(String),
}

/// Draws an SVG at twice its size (mail is read on dense screens).
///
/// # Errors
/// Where the SVG is malformed or the picture cannot be made.
pub fn to_png(svg: &str) -> Result<Vec<u8>, PngError> {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    let options = usvg::Options {
        fontdb: Arc::new(fonts),
        font_family: "DejaVu Sans".to_owned(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options)?;
    let size = tree.size().to_int_size();
    let (width, height) = (
        size.width().saturating_mul(2),
        size.height().saturating_mul(2),
    );
    let mut picture =
        tiny_skia::Pixmap::new(width, height).ok_or(PngError::Size { width, height })?;
    picture.fill(tiny_skia::Color::WHITE);
    resvg::render(
        &tree,
        tiny_skia::Transform::from_scale(2.0, 2.0),
        &mut picture.as_mut(),
    );
    picture
        .encode_png()
        .map_err(|error| PngError::Encode(error.to_string()))
}
