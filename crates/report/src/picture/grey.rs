//! A resampled plane as a grey picture inside the SVG.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder as _};
use jawgauge_bone::GreyLevels;
use jawgauge_section::SectionImage;
use jawgauge_volume::Sample;

use super::PictureError;
use super::canvas::{Canvas, num};
use super::view::View;

/// Black lies this share of the contrast of bone below the soft tissue ...
const BELOW_SHARE: f64 = 0.4;
/// ... and white this share above the cortex.
const ABOVE_SHARE: f64 = 0.25;
/// Without levels: shares of the grey values that become black and white.
const TAILS: (f64, f64) = (0.01, 0.995);

/// Grey values that are shown black and white.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GreyWindow {
    pub(crate) black: f64,
    pub(crate) white: f64,
}

impl GreyWindow {
    /// Soft tissue dark, cortex light.
    pub(crate) fn of_levels(levels: &GreyLevels) -> Self {
        let contrast = levels.contrast();
        Self {
            black: levels.outside - BELOW_SHARE * contrast,
            white: levels.cortex + ABOVE_SHARE * contrast,
        }
    }

    /// From the values of the picture itself.
    ///
    /// # Errors
    ///
    /// [`PictureError::NothingScanned`] where there are none.
    pub(crate) fn of_image(image: &SectionImage) -> Result<Self, PictureError> {
        let mut values: Vec<f64> = samples(image).filter_map(Sample::grey).collect();
        values.sort_by(f64::total_cmp);
        let at = |share: f64| {
            // A share of a slice's length.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let index = (share * (values.len() as f64 - 1.0)).max(0.0) as usize;
            values.get(index).copied().ok_or(PictureError::NothingScanned)
        };
        Ok(Self { black: at(TAILS.0)?, white: at(TAILS.1)? })
    }

    fn shade(self, grey: f64) -> u8 {
        let share = (grey - self.black) / (self.white - self.black).max(1e-9);
        // Between 0 and 255 by the clamp.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let shade = (share.clamp(0.0, 1.0) * 255.0).round() as u8;
        shade
    }
}

fn samples(image: &SectionImage) -> impl Iterator<Item = Sample> + '_ {
    let (rows, columns) = image.shape();
    (0..rows).flat_map(move |row| (0..columns).map(move |column| image.at(row, column)))
}

/// Puts the picture where `view` shows it; what was not scanned is hatched. Says whether there
/// is anything hatched.
///
/// # Errors
///
/// [`PictureError::NothingScanned`] where all of it is outside, [`PictureError::Png`].
pub(crate) fn put_image(
    canvas: &mut Canvas,
    image: &SectionImage,
    view: &View,
    window: GreyWindow,
) -> Result<bool, PictureError> {
    let (rows, columns) = image.shape();
    let mut pixels = Vec::with_capacity(2 * rows * columns);
    let mut outside = 0;
    for row in 0..rows {
        let row = if view.apical_up() { rows - 1 - row } else { row };
        for column in 0..columns {
            match image.at(row, column) {
                Sample::Grey(grey) => pixels.extend([window.shade(grey), 255]),
                Sample::Outside => {
                    outside += 1;
                    pixels.extend([0, 0]);
                }
            }
        }
    }
    if outside == rows * columns {
        return Err(PictureError::NothingScanned);
    }
    let bytes = if outside == 0 {
        let opaque: Vec<u8> = pixels.iter().step_by(2).copied().collect();
        png(&opaque, columns, rows, ExtendedColorType::L8)?
    } else {
        png(&pixels, columns, rows, ExtendedColorType::La8)?
    };
    let [x, y, w, h] = [view.frame.x, view.frame.y, view.frame.width, view.frame.height].map(num);
    if outside > 0 {
        canvas.raw("<defs><pattern id=\"not-scanned\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\"><rect width=\"8\" height=\"8\" fill=\"#efefef\"/><path d=\"M-2 10L10 -2M-2 2L2 -2M6 10L10 6\" stroke=\"#c4c4c4\" stroke-width=\"1\" fill=\"none\"/></pattern></defs>");
        canvas.raw(&format!(
            "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" fill=\"url(#not-scanned)\"/>"
        ));
    }
    let data = STANDARD.encode(bytes);
    canvas.raw(&format!(
        "<image x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" preserveAspectRatio=\"none\" style=\"image-rendering:pixelated\" href=\"data:image/png;base64,{data}\"/>"
    ));
    Ok(outside > 0)
}

fn png(
    pixels: &[u8],
    columns: usize,
    rows: usize,
    color: ExtendedColorType,
) -> Result<Vec<u8>, PictureError> {
    let side = |n: usize| u32::try_from(n).map_err(|e| PictureError::Png(e.to_string()));
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Best, FilterType::Adaptive)
        .write_image(pixels, side(columns)?, side(rows)?, color)
        .map_err(|e| PictureError::Png(e.to_string()))?;
    Ok(bytes)
}
