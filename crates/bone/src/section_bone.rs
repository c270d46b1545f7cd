//! The outlined bone of one section, in axes along the ridge.

use jawgauge_section::{Interpolation, SectionImage, SectionWindow};
use jawgauge_space::{PatientPoint, SectionFrame, SectionPoint};
use jawgauge_volume::Volume;

use crate::crest::{base_of, checked_crest};
use crate::cut_off::CutOff;
use crate::error::{BoneError, BoneWarning};
use crate::long_axis::long_axis;
use crate::outline::Outline;
use crate::profile::grey_levels;
use crate::runs::RidgeRuns;
use crate::smooth::{SlabLook, thin_wall_level};
use crate::threshold::{
    SitePiece, Threshold, ThresholdFound, ThresholdSource, are_apart, first_guess, half_way,
    no_two_classes, site_piece,
};
use crate::tip::put_back;
use crate::uncertainty::{EdgeQuality, Measured};
use crate::wall::{Blur, Start, WallSurvey, survey_walls};

/// Part of the plane that is searched for the site's bone: to either side, above and below
/// the site's point, mm. Jaws are up to about 40 mm high.
const SEARCH_MM: (f64, f64, f64) = (20.0, 12.0, 48.0);
/// Distance of samples of the search, mm.
const SEARCH_STEP_MM: f64 = 0.3;
/// How far beyond the window and beside the plane voxels are looked at, mm: the reach of
/// the edge fit and of profiles, rounded up.
const BESIDE_PLANE_MM: f64 = 2.0;
/// What is kept around the piece found, so that the tissue outside it can be read, mm.
const MARGIN_MM: f64 = 2.8;
/// A lean beyond this, degrees, is doubtful.
const LEAN_DOUBTFUL_DEG: f64 = 30.0;
/// A crest further from the site's point than this, mm, is worth a warning.
const CREST_FAR_MM: f64 = 5.0;
/// Levels outside that spread by more than this share of the contrast are worth a warning: at a
/// blur of 0.5 mm half of it moves an edge by 0.04 mm.
const MIXED_SHARE: f64 = 0.15;
/// A given threshold off half-way by more than this share of the contrast is worth a warning.
const OFF_HALF_SHARE: f64 = 0.1;

/// How a section is cut and outlined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionOptions {
    /// How the threshold is chosen.
    pub threshold: Threshold,
    /// Whether the section's apical direction is turned to the ridge's own long axis.
    pub along_ridge: bool,
    /// Distance of the section's samples, mm.
    pub step_mm: f64,
    /// Thickness of the slab whose mean is taken, mm; 0 for the plane alone.
    pub slab_mm: f64,
    /// How grey values between voxel centres are found.
    pub interpolation: Interpolation,
    /// The scan's blur, full width at half maximum in mm, where the user knows it; else it is measured.
    pub blur_fwhm_mm: Option<f64>,
}

impl Default for SectionOptions {
    /// Automatic threshold, along the ridge, samples every 0.1 mm, no slab, cubic.
    fn default() -> Self {
        Self {
            threshold: Threshold::Auto,
            along_ridge: true,
            step_mm: 0.1,
            slab_mm: 0.0,
            interpolation: Interpolation::Cubic,
            blur_fwhm_mm: None,
        }
    }
}

/// How the apical direction of the section was settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LongAxis {
    /// The given direction was kept.
    Given,
    /// Turned to the ridge's own long axis.
    Ridge {
        /// Turn from the given direction towards buccal, degrees.
        lean_deg: f64,
    },
    /// The ridge's own long axis could not be found; the given direction was kept.
    NotFound,
}

/// The bone of one section: outline, crest and what is needed to measure on it.
///
/// All places are in the axes of [`SectionBone::frame`], whose origin is the site's place on
/// the ridge axis.
#[derive(Debug, Clone)]
pub struct SectionBone {
    /// The section's axes, apical along the ridge where that was asked for.
    pub frame: SectionFrame,
    /// The section's grey values, in the axes before the turn.
    pub image: SectionImage,
    /// Turn from the image's axes to `frame`, degrees towards buccal.
    pub turned_by_deg: f64,
    /// The outer contour of the site's bone.
    pub outline: Outline,
    /// Its most crestal place.
    pub crest: SectionPoint,
    /// Its most apical place; `None` where the outline is cut off.
    pub base: Option<SectionPoint>,
    /// The threshold and how it was found.
    pub threshold: ThresholdFound,
    /// How the apical direction was settled.
    pub long_axis: LongAxis,
    /// How far the crest of a sharp ridge was put back beyond what the blur left visible.
    pub tip: Option<Measured>,
    /// Where a space filled with air begins within the outline, mm below the crest.
    pub air_from_mm: Option<f64>,
    /// How sure edges are.
    pub quality: EdgeQuality,
    /// What was seen that makes figures less certain.
    pub warnings: Vec<BoneWarning>,
    /// Blur, levels and edges of the walls; `None` with a given threshold.
    pub(crate) walls: Option<WallSurvey>,
    pub(crate) runs: RidgeRuns,
    pub(crate) beside: Vec<Outline>,
}

/// Corners of the space in which [`outline_section`] and what follows from it look at the
/// scan: the coarse look's window, and on either side of the plane what edges are fitted to
/// and half the thickness of a slab.
#[must_use]
pub fn section_reach(frame: &SectionFrame, slab_mm: f64) -> [PatientPoint; 8] {
    let (half, above, below) = SEARCH_MM;
    let beside = BESIDE_PLANE_MM + slab_mm / 2.0;
    let mut corners = [frame.origin(); 8];
    for (n, corner) in corners.iter_mut().enumerate() {
        let pick = |bit: usize, low: f64, high: f64| if n >> bit & 1 == 0 { low } else { high };
        *corner = frame.origin()
            + frame.buccal() * pick(0, -half - BESIDE_PLANE_MM, half + BESIDE_PLANE_MM)
            + frame.apical() * pick(1, -above - BESIDE_PLANE_MM, below + BESIDE_PLANE_MM)
            + frame.mesial() * pick(2, -beside, beside);
    }
    corners
}

/// Outlines the bone of the section `frame` whose crest is nearest to `site`.
///
/// A coarse look finds the piece; a fine image around it gives the outline. With `along_ridge` the axes are turned, within the section, to the straight line
/// that best fits the mid-points of the widths over the crestal 10 mm of bone.
///
/// # Errors
///
/// [`BoneError::SiteOutside`], [`BoneError::NoTwoClasses`], [`BoneError::NothingOutlined`],
/// [`BoneError::CrestClipped`].
pub fn outline_section(
    volume: &Volume,
    frame: SectionFrame,
    site: PatientPoint,
    options: &SectionOptions,
) -> Result<SectionBone, BoneError> {
    let SectionOptions { threshold, along_ridge, step_mm, slab_mm, interpolation, blur_fwhm_mm } =
        *options;
    if !volume.geometry().contains(frame.origin()) {
        return Err(BoneError::SiteOutside { at: frame.origin().to_array() });
    }
    let (site, _) = frame.section_from_patient(site);
    let (half, above, below) = SEARCH_MM;
    let search = SectionWindow::about_origin(half, above, below)
        .with_step_mm(SEARCH_STEP_MM)
        .with_slab_mm(slab_mm);
    let coarse = SectionImage::resample(volume, frame, &search, Interpolation::Linear)?;
    let (guess, piece) = first_guess(&coarse, threshold, site)?;
    let (least, most) = whole_bounds(&coarse, guess, &piece, site);
    let limit = |value: f64, low: f64, high: f64| value.clamp(low, high);
    let window = SectionWindow {
        least: SectionPoint::new(
            limit(least.buccal_mm - MARGIN_MM, -half, half),
            limit(least.apical_mm - MARGIN_MM, -above, below),
        ),
        most: SectionPoint::new(
            limit(most.buccal_mm + MARGIN_MM, -half, half),
            limit(most.apical_mm + MARGIN_MM, -above, below),
        ),
        step_mm,
        slab_mm,
    };
    let image = SectionImage::resample(volume, frame, &window, interpolation)?;
    let (mut piece, mut threshold) = fine_outline(&image, threshold, guess, site)?;
    let mut walls = None;
    // A given threshold leaves the outline where it puts it.
    if threshold.source == ThresholdSource::HalfWay {
        let look = SlabLook::new(volume, frame, &window, site)?;
        let mut better = None;
        for _ in 0..2 {
            let found = threshold.levels.and_then(|levels| look.better_outline(&piece, &levels));
            let Some((outlined, lost)) = found else { break };
            let half_way = threshold.grey;
            let again = grey_levels(&image, &outlined.outline, half_way, outlined.crest);
            better = Some((outlined, lost));
            match again {
                // Where a wall was lost, the levels beside it were none of the edge's.
                Some(levels) if lost => {
                    let grey = levels.half_way();
                    threshold = ThresholdFound { grey, levels: Some(levels), ..threshold };
                }
                _ => break,
            }
        }
        let is_half_way = better.as_ref().is_none_or(|b| !b.1);
        piece = better.map_or(piece, |b| b.0);
        if !threshold.levels.is_some_and(|levels| are_apart(&levels)) {
            return Err(no_two_classes(&image));
        }
        if let Some(levels) = &threshold.levels {
            let start = Start { outline: &piece.outline, is_half_way };
            let (survey, outline) =
                survey_walls(volume, &frame, start, levels, blur_fwhm_mm.map(Blur::given));
            piece.outline = outline;
            walls = Some(survey);
        }
    }
    let cut_off = threshold
        .levels
        .map_or_else(CutOff::default, |levels| CutOff::find(volume, &image, &piece, &levels));
    let half_way_levels = threshold.levels.filter(|_| threshold.source == ThresholdSource::HalfWay);
    let mut warnings = piece_warnings(&piece, &threshold, walls.as_ref());
    if let Some((survey, found)) = walls.as_ref().and_then(|w| Some((w, w.blur_instead?))) {
        warnings.push(BoneWarning::BlurDisagrees {
            given_mm: survey.blur.in_plane_mm,
            found_mm: found.in_plane_mm,
            u_mm: found.u_mm,
        });
    }
    if cut_off != CutOff::default() {
        warnings.push(BoneWarning::GreysCutOff { cut_off });
    }
    let metal = walls.as_ref().map_or(&[][..], |w| &w.beside_metal);
    let along = if along_ridge {
        long_axis(&piece.outline, metal)
    } else {
        Ok((0.0, piece.outline.clone()))
    };
    let (turned_by_deg, outline, long_axis) = match along {
        Ok((lean_deg, outline)) if along_ridge => {
            if lean_deg.abs() > LEAN_DOUBTFUL_DEG {
                warnings.push(BoneWarning::LongAxisLeans { by_deg: lean_deg });
            }
            (lean_deg, outline, LongAxis::Ridge { lean_deg })
        }
        Ok((_, outline)) => (0.0, outline, LongAxis::Given),
        Err(usable_mm) => {
            warnings.push(BoneWarning::LongAxisNotFound { usable_mm });
            (0.0, piece.outline, LongAxis::NotFound)
        }
    };
    let mut outline = outline;
    let mut crest = checked_crest(&outline)?;
    let mut tip = None;
    if let Some(found) = half_way_levels
        .as_ref()
        .and_then(|levels| put_back(&outline, levels, volume.geometry().coarsest_mm()))
    {
        outline = found.outline;
        crest = checked_crest(&outline)?;
        tip = Some(found.added);
    }
    let base = if outline.clip().is_none() { base_of(&outline) } else { None };
    let deepest = outline.bounds().1.apical_mm - crest.apical_mm;
    let runs = RidgeRuns::follow(&outline, crest.apical_mm, crest.buccal_mm, deepest);
    let mut quality = edge_quality(volume, &threshold, &image, cut_off);
    if let Some(walls) = &walls {
        quality.blur_fwhm_mm = walls.blur.in_plane_mm;
    }
    let mut bone = SectionBone {
        frame: frame.turned(turned_by_deg),
        image,
        turned_by_deg,
        outline,
        crest,
        base,
        threshold,
        long_axis,
        tip,
        air_from_mm: None,
        quality,
        warnings,
        walls: walls.map(|w| w.in_turned_frame(turned_by_deg)),
        runs,
        beside: piece.beside.iter().map(|b| b.in_turned_frame(turned_by_deg)).collect(),
    };
    let air_from_mm = bone
        .followed_runs()
        .step_by(5)
        .find(|(level, run)| bone.has_air_in(*level, run))
        .map(|(level, _)| level);
    bone.air_from_mm = air_from_mm;
    if let Some(from_mm) = air_from_mm {
        bone.warnings.push(BoneWarning::AirInside { from_mm });
    }
    if let Some(tip) = bone.tip {
        bone.warnings.push(BoneWarning::CrestPutBack { by_mm: tip.mm, u95_mm: tip.u95_mm });
    }
    Ok(bone)
}

/// Bounds of the piece with walls that are too thin for the threshold.
fn whole_bounds(
    coarse: &SectionImage,
    guess: f64,
    piece: &SitePiece,
    site: SectionPoint,
) -> (SectionPoint, SectionPoint) {
    let (least, most) = piece.outline.bounds();
    let low = grey_levels(coarse, &piece.outline, guess, piece.crest)
        .and_then(|levels| site_piece(coarse, thin_wall_level(&levels), site).ok());
    let Some(low) = low else { return (least, most) };
    let (low_least, low_most) = low.outline.bounds();
    (
        SectionPoint::new(
            least.buccal_mm.min(low_least.buccal_mm),
            least.apical_mm.min(low_least.apical_mm),
        ),
        SectionPoint::new(
            most.buccal_mm.max(low_most.buccal_mm),
            most.apical_mm.max(low_most.apical_mm),
        ),
    )
}

fn fine_outline(
    image: &SectionImage,
    threshold: Threshold,
    guess: f64,
    site: SectionPoint,
) -> Result<(SitePiece, ThresholdFound), BoneError> {
    let piece = site_piece(image, guess, site)?;
    match threshold {
        Threshold::Grey(grey) => {
            let levels = grey_levels(image, &piece.outline, grey, piece.crest);
            Ok((piece, ThresholdFound { grey, source: ThresholdSource::Given, levels }))
        }
        Threshold::Auto => {
            let (levels, piece) =
                half_way(image, guess, site, piece).ok_or_else(|| no_two_classes(image))?;
            let grey = levels.half_way();
            Ok((
                piece,
                ThresholdFound { grey, source: ThresholdSource::HalfWay, levels: Some(levels) },
            ))
        }
    }
}

fn piece_warnings(
    piece: &SitePiece,
    threshold: &ThresholdFound,
    walls: Option<&WallSurvey>,
) -> Vec<BoneWarning> {
    let mut warnings = Vec::new();
    if let Some(by) = piece.outline.clip() {
        warnings.push(BoneWarning::Clipped { by });
    }
    if piece.crest_distance_mm > CREST_FAR_MM {
        warnings.push(BoneWarning::CrestFar { distance_mm: piece.crest_distance_mm });
    }
    if let Some(levels) = threshold.levels {
        let off = threshold.grey - levels.half_way();
        if threshold.source == ThresholdSource::Given
            && off.abs() > OFF_HALF_SHARE * levels.contrast()
        {
            warnings.push(BoneWarning::ThresholdOffHalf {
                given: threshold.grey,
                half_way: levels.half_way(),
            });
        }
        let share = levels.outside_spread / levels.contrast();
        if share > MIXED_SHARE {
            warnings.push(BoneWarning::MixedOutside { share });
        }
        let share = levels.metal_share.max(walls.map_or(0.0, WallSurvey::metal_share));
        if share > 0.0 {
            warnings.push(BoneWarning::Metal { share });
        }
    }
    warnings
}

fn edge_quality(
    volume: &Volume,
    threshold: &ThresholdFound,
    image: &SectionImage,
    cut_off: CutOff,
) -> EdgeQuality {
    let voxel_mm = volume.geometry().coarsest_mm();
    let contrast_of_image = crate::contour::grey_range(image).map_or(0.0, |(low, high)| high - low);
    EdgeQuality {
        u_grey: threshold.u_grey(),
        noise: threshold.levels.map_or(0.0, |l| l.noise),
        voxel_mm,
        blur_fwhm_mm: threshold.levels.map_or(2.0 * voxel_mm, |l| l.blur_fwhm_mm),
        contrast: threshold.levels.map_or(contrast_of_image, |l| l.contrast()),
        cut_off,
    }
}
