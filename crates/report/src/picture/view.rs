//! Where a place of a plane is drawn, and which part of the plane is.

use jawgauge_section::SectionWindow;
use jawgauge_space::SectionPoint;

use super::PictureError;
use super::canvas::{Rect, Spot};

/// Scales are whole multiples of this many units a millimetre, so that a bar of whole
/// millimetres ends on a pixel of the PNG.
const SCALE_STEP: f64 = 0.5;
/// Greatest scale, units a millimetre: more would show voxels, not bone.
const SCALE_MOST: f64 = 28.0;
/// Scale bars, mm: the longest that takes up to a third of the picture is drawn.
const BARS_MM: [f64; 5] = [20.0, 10.0, 5.0, 2.0, 1.0];

/// A plane on the page: its scale, its window, and which way it is shown.
///
/// There is one sample for each unit of the page. A sample's middle is its place: the pixel
/// that shows it reaches half a unit to every side, and that shift is made here only.
#[derive(Debug, Clone, Copy)]
pub(crate) struct View {
    /// Units of the page for each millimetre.
    pub(crate) units_per_mm: f64,
    /// Where the picture stands on the page.
    pub(crate) frame: Rect,
    least: SectionPoint,
    most: SectionPoint,
    apical_up: bool,
}

impl View {
    /// The largest view of the rectangle from `least` to `most` that fits into `area`, centred
    /// in it, at its top. The second axis runs down, or up with `apical_up`.
    ///
    /// # Errors
    ///
    /// [`PictureError::Extent`] where it does not fit at half a unit a millimetre.
    pub(crate) fn fitted(
        least: SectionPoint,
        most: SectionPoint,
        area: &Rect,
        apical_up: bool,
    ) -> Result<Self, PictureError> {
        let width_mm = most.buccal_mm - least.buccal_mm;
        let height_mm = most.apical_mm - least.apical_mm;
        let most_scale = (area.width / width_mm).min(area.height / height_mm).min(SCALE_MOST);
        let units_per_mm = (most_scale / SCALE_STEP).floor() * SCALE_STEP;
        if !(units_per_mm >= SCALE_STEP && width_mm > 0.0 && height_mm > 0.0) {
            return Err(PictureError::Extent { width_mm, height_mm });
        }
        let columns = (width_mm * units_per_mm).floor().max(2.0);
        let rows = (height_mm * units_per_mm).floor().max(2.0);
        let x = (area.x + (area.width - columns) / 2.0).floor();
        Ok(Self {
            units_per_mm,
            frame: Rect::new(x, area.y.floor(), columns, rows),
            least,
            most: SectionPoint::new(
                least.buccal_mm + (columns - 1.0) / units_per_mm,
                least.apical_mm + (rows - 1.0) / units_per_mm,
            ),
            apical_up,
        })
    }

    /// The part of the plane to resample: one sample for each unit of the page.
    pub(crate) fn window(&self) -> SectionWindow {
        SectionWindow {
            least: self.least,
            most: self.most,
            step_mm: 1.0 / self.units_per_mm,
            slab_mm: 0.0,
        }
    }

    /// Whether the second axis runs up the page.
    pub(crate) fn apical_up(&self) -> bool {
        self.apical_up
    }

    /// Where a place of the plane is drawn: the middle of the pixel of a sample there.
    pub(crate) fn spot(&self, p: SectionPoint) -> Spot {
        const HALF_PIXEL: f64 = 0.5;
        let across = (p.buccal_mm - self.least.buccal_mm) * self.units_per_mm;
        let down = if self.apical_up {
            (self.most.apical_mm - p.apical_mm) * self.units_per_mm
        } else {
            (p.apical_mm - self.least.apical_mm) * self.units_per_mm
        };
        Spot::new(self.frame.x + across + HALF_PIXEL, self.frame.y + down + HALF_PIXEL)
    }

    /// Length of the scale bar, mm.
    pub(crate) fn bar_mm(&self) -> f64 {
        let third_mm = self.frame.width / 3.0 / self.units_per_mm;
        BARS_MM.into_iter().find(|&mm| mm <= third_mm).unwrap_or(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view(apical_up: bool) -> View {
        let (least, most) = (SectionPoint::new(-5.0, -2.0), SectionPoint::new(5.0, 10.0));
        let area = Rect::new(100.0, 50.0, 400.0, 250.0);
        View::fitted(least, most, &area, apical_up).expect("fits")
    }

    #[test]
    fn a_sample_lies_in_the_middle_of_its_pixel() {
        // 250 units for 12 mm: 20.8, rounded down to 20.5 units a millimetre.
        let down = view(false);
        assert_eq!(down.units_per_mm, 20.5);
        assert_eq!(down.frame, Rect::new(197.0, 50.0, 205.0, 246.0));
        assert_eq!(down.spot(SectionPoint::new(-5.0, -2.0)), Spot::new(197.5, 50.5));
        assert_eq!(down.spot(down.window().most), Spot::new(401.5, 295.5));
    }

    #[test]
    fn the_maxilla_is_shown_with_apical_up() {
        let (down, up) = (view(false), view(true));
        let (high, low) = (SectionPoint::new(0.0, 1.0), SectionPoint::new(0.0, 3.0));
        assert!(down.spot(low).y > down.spot(high).y);
        assert!(up.spot(low).y < up.spot(high).y);
        assert_eq!(up.spot(up.window().least).y, 295.5);
        assert_eq!(up.spot(low).x, down.spot(low).x);
    }
}
