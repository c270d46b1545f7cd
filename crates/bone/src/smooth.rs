//! The outline with noise taken down, and with walls that are too thin to reach the half-way value.

use jawgauge_section::{Interpolation, SectionImage, SectionWindow};
use jawgauge_space::{SectionFrame, SectionPoint};
use jawgauge_volume::Volume;

use crate::error::BoneError;
use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::profile::FWHM_PER_SIGMA;
use crate::threshold::{SitePiece, site_piece};
use crate::tip::sharp_reach;

/// Share of the contrast that even a thin wall reaches: 0.3 mm of cortex at a blur of 0.7 mm, less dense
/// than usual, over marrow hardly denser than soft tissue.
const SHARE: f64 = 0.27;
/// Noise of more than this share of the contrast makes an outline ragged.
const NOISY_SHARE: f64 = 0.02;
/// Noise is taken down by the mean over this much along the ridge, mm; samples this far apart.
const SLAB_MM: f64 = 1.6;
const STEP_MM: f64 = 0.2;
/// The lower contour of a plain edge lies this much outside the half-way one: 0.26 blurs for the
/// share above, and some room.
const BEYOND_BLURS: f64 = 0.6;
const BEYOND_MM: f64 = 0.2;
/// An outline longer by this factor than the lower one runs round the inside of a wall too.
const RING_SHARE: f64 = 1.3;
/// A wall is lost where this much of the lower contour, mm, is astray; the tip of a sharp ridge is less.
const LOST_MM: f64 = 2.0;
/// A mouth no wider than this, mm, into a pocket of at least this area, mm2, is a gap in a wall.
const MOUTH_MM: f64 = 1.0;
const POCKET_MM2: f64 = 3.0;
/// A piece that is on average thinner than this many blurs is a thin wall, not a root beside the
/// ridge.
const WALL_BLURS: f64 = 2.0;

/// The grey value that even a thin wall reaches.
pub(crate) fn thin_wall_level(levels: &GreyLevels) -> f64 {
    levels.outside + SHARE * levels.contrast()
}

/// The section as the mean over a slab, with less noise.
pub(crate) struct SlabLook {
    image: SectionImage,
    site: SectionPoint,
}

impl SlabLook {
    pub(crate) fn new(
        volume: &Volume,
        frame: SectionFrame,
        window: &SectionWindow,
        site: SectionPoint,
    ) -> Result<Self, BoneError> {
        let window =
            SectionWindow { step_mm: STEP_MM.max(window.step_mm), slab_mm: SLAB_MM, ..*window };
        let image = SectionImage::resample(volume, frame, &window, Interpolation::Linear)?;
        Ok(Self { image, site })
    }

    /// A better outline of the site's piece to begin with: by a lower level, where the half-way level
    /// has lost a wall and the lower one takes in nothing else; on a noisy scan, from the slab. `None`
    /// where the one at hand is as good. Tells whether a wall was lost.
    pub(crate) fn better_outline(
        &self,
        piece: &SitePiece,
        levels: &GreyLevels,
    ) -> Option<(SitePiece, bool)> {
        let noisy = levels.noise > NOISY_SHARE * levels.contrast();
        let cut = thin_wall_level(levels);
        let mut low = site_piece(&self.image, cut, self.site).ok()?;
        while let Some(closed) = close_mouth(&low.outline) {
            low.outline = closed;
        }
        let beyond = BEYOND_BLURS * levels.blur_fwhm_mm + BEYOND_MM;
        let lost = loses_wall(&piece.outline, &low.outline, beyond);
        if !lost {
            // A slab wears a sharp tip down further than the scan did.
            let sigma = levels.blur_fwhm_mm / FWHM_PER_SIGMA;
            let smooth = || site_piece(&self.image, levels.half_way(), self.site).ok();
            // ... and a thin wall that leans across it.
            let plain = |p: &SitePiece| {
                sharp_reach(&p.outline, sigma).is_none()
                    && !loses_wall(&p.outline, &low.outline, beyond)
            };
            return noisy.then(smooth).flatten().filter(plain).map(|p| (p, false));
        }
        // A wall that was lost leaves thin pieces: the wall, or an open ring. Two thick ones are two bones.
        let is_thick =
            |o: &Outline| 2.0 * o.area_mm2() / length_of(o) > WALL_BLURS * levels.blur_fwhm_mm;
        let takes_in = |o: &Outline| {
            is_thick(o) && is_thick(&piece.outline) && low.outline.contains(o.points()[0])
        };
        (!piece.beside.iter().any(takes_in)).then_some((low, true))
    }
}

/// Length all around an outline, mm.
fn length_of(outline: &Outline) -> f64 {
    outline.sides().map(|(a, b)| a.distance_mm(b)).sum()
}

/// Whether an outline runs inside a wall that a lower one goes round, which lies `beyond_mm` outside it
/// along a plain edge.
fn loses_wall(outline: &Outline, low: &Outline, beyond_mm: f64) -> bool {
    let points = low.points();
    let before = |i: usize| points[(i + points.len() - 1) % points.len()];
    let mut side = 0;
    let astray_mm: f64 = (0..points.len())
        .filter(|&i| low.clip_at(i).is_none())
        .filter(|&i| {
            // Neighbours are near to the same side.
            let found = side_within(outline, points[i], beyond_mm, side);
            side = found.unwrap_or(side);
            found.is_none()
        })
        .map(|i| points[i].distance_mm(before(i)))
        .sum();
    length_of(outline) > RING_SHARE * length_of(low) || astray_mm > LOST_MM
}

/// The outline without the largest pocket that opens through a mouth too narrow for anything but a
/// gap that noise has torn into a thin wall; `None` where there is none.
fn close_mouth(outline: &Outline) -> Option<Outline> {
    let points = outline.points();
    let n = points.len();
    let mut most: Option<(f64, usize, usize)> = None;
    for i in 0..n {
        let mut twice_area = 0.0;
        let from = points[i];
        for step in 1..n / 2 * 2 {
            let (a, b) = (points[(i + step - 1) % n], points[(i + step) % n]);
            let (au, av) = (a.buccal_mm - from.buccal_mm, a.apical_mm - from.apical_mm);
            let (bu, bv) = (b.buccal_mm - from.buccal_mm, b.apical_mm - from.apical_mm);
            twice_area += au * bv - bu * av;
            // A pocket runs the other way round than the outline.
            let pocket = -0.5 * twice_area;
            if pocket >= POCKET_MM2
                && b.distance_mm(from) <= MOUTH_MM
                && most.is_none_or(|m| pocket > m.0)
            {
                most = Some((pocket, i, step));
            }
        }
    }
    let (_, i, step) = most?;
    let kept = (step..=n).map(|k| (i + k) % n);
    Outline::from_parts(kept.map(|k| (points[k], outline.clip_at(k))).collect())
}

/// Whether a side of an outline passes within a distance of a place, mm; the search begins at the side
/// `from`, and tells the side that was near.
fn side_within(outline: &Outline, p: SectionPoint, mm: f64, from: usize) -> Option<usize> {
    let points = outline.points();
    let n = points.len();
    let near = |&i: &usize| {
        let (a, b) = (points[i], points[(i + 1) % n]);
        let (du, dv) = (b.buccal_mm - a.buccal_mm, b.apical_mm - a.apical_mm);
        let (pu, pv) = (p.buccal_mm - a.buccal_mm, p.apical_mm - a.apical_mm);
        let t = ((pu * du + pv * dv) / (du * du + dv * dv).max(1e-12)).clamp(0.0, 1.0);
        (pu - t * du).powi(2) + (pv - t * dv).powi(2) <= mm * mm
    };
    (0..n).map(|k| (from + k) % n).find(near)
}
