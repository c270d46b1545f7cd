//! Walls too thin to reach the half-way value, brought back into the outline.

use jawgauge_section::{Interpolation, SectionImage, SectionWindow};
use jawgauge_space::{SectionFrame, SectionPoint};
use jawgauge_volume::Volume;

use crate::error::BoneError;
use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::threshold::{SitePiece, site_piece};

/// Share of the contrast that even a thin wall reaches: 0.3 mm of cortex at a blur of 0.7 mm, less dense
/// than usual, over marrow hardly denser than soft tissue.
const SHARE: f64 = 0.27;
/// Noise is taken down by the mean over this much along the ridge, mm; samples this far apart.
const SLAB_MM: f64 = 2.0;
const STEP_MM: f64 = 0.2;
/// The lower contour of a plain edge lies this much outside the half-way one: 0.26 blurs for the
/// share above, and some room.
const BEYOND_BLURS: f64 = 0.6;
const BEYOND_MM: f64 = 0.2;
/// A piece that is on average thinner than this many blurs is a thin wall, not a root beside the
/// ridge.
const WALL_BLURS: f64 = 2.0;

/// The outline of the site's piece by a lower level, where the half-way level has lost a wall;
/// `None` where it has lost none, or where the lower level would take in something else.
pub(crate) fn with_thin_walls(
    volume: &Volume,
    frame: SectionFrame,
    window: &SectionWindow,
    piece: &SitePiece,
    levels: &GreyLevels,
    site: SectionPoint,
) -> Result<Option<SitePiece>, BoneError> {
    let window =
        SectionWindow { step_mm: STEP_MM.max(window.step_mm), slab_mm: SLAB_MM, ..*window };
    let image = SectionImage::resample(volume, frame, &window, Interpolation::Linear)?;
    let cut = levels.outside + SHARE * levels.contrast();
    let Ok(low) = site_piece(&image, cut, site) else { return Ok(None) };
    let beyond = BEYOND_BLURS * levels.blur_fwhm_mm + BEYOND_MM;
    let lost =
        low.outline.points().iter().enumerate().any(|(i, p)| {
            low.outline.clip_at(i).is_none() && distance_to(&piece.outline, *p) > beyond
        });
    if !lost {
        return Ok(None);
    }
    let takes_in = |other: &Outline| {
        let points = other.points();
        let around: f64 = other.sides().map(|(a, b)| a.distance_mm(b)).sum();
        let thick_mm = 2.0 * other.area_mm2() / around;
        thick_mm > WALL_BLURS * levels.blur_fwhm_mm && low.outline.contains(points[0])
    };
    Ok((!piece.beside.iter().any(takes_in)).then_some(low))
}

/// Distance from a place to the nearest side of an outline, mm.
fn distance_to(outline: &Outline, p: SectionPoint) -> f64 {
    outline
        .sides()
        .map(|(a, b)| {
            let (du, dv) = (b.buccal_mm - a.buccal_mm, b.apical_mm - a.apical_mm);
            let (pu, pv) = (p.buccal_mm - a.buccal_mm, p.apical_mm - a.apical_mm);
            let t = ((pu * du + pv * dv) / (du * du + dv * dv).max(1e-12)).clamp(0.0, 1.0);
            (pu - t * du).hypot(pv - t * dv)
        })
        .fold(f64::INFINITY, f64::min)
}
