//! A finished picture.

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};

use super::PictureError;
use super::font;

/// Pixels of the PNG for each unit of the SVG.
const PIXELS_PER_UNIT: f32 = 2.0;
/// Largest side of a PNG, pixels.
const MOST_PIXELS: f32 = 32_000.0;

/// A finished picture: an SVG, and the PNG made from that very SVG.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawing {
    svg: String,
}

impl Drawing {
    pub(crate) fn new(svg: String) -> Self {
        Self { svg }
    }

    /// The text of the SVG.
    #[must_use]
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The SVG as a PNG file, two pixels for each unit, with the compiled-in fonts.
    ///
    /// # Errors
    ///
    /// [`PictureError::Raster`] where the SVG cannot be read back, [`PictureError::Png`] where
    /// the pixels cannot be packed.
    pub fn png(&self) -> Result<Vec<u8>, PictureError> {
        let options = Options { fontdb: font::database(), ..Options::default() };
        let tree = Tree::from_str(&self.svg, &options)
            .map_err(|error| PictureError::Raster(error.to_string()))?;
        let side = |units: f32| {
            let pixels = (units * PIXELS_PER_UNIT).ceil();
            // Between 1 and 32000 by the clamp; NaN becomes 0, which gives no pixmap.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let pixels = pixels.clamp(1.0, MOST_PIXELS) as u32;
            pixels
        };
        let (width, height) = (side(tree.size().width()), side(tree.size().height()));
        let mut pixmap = Pixmap::new(width, height)
            .ok_or_else(|| PictureError::Raster(format!("{width} x {height} pixels")))?;
        let scale = Transform::from_scale(PIXELS_PER_UNIT, PIXELS_PER_UNIT);
        resvg::render(&tree, scale, &mut pixmap.as_mut());
        pixmap.encode_png().map_err(|error| PictureError::Png(error.to_string()))
    }
}
