//! The grey value at which bone begins.

use jawgauge_section::SectionImage;
use jawgauge_space::SectionPoint;

use crate::contour::grey_range;
use crate::crest::crest_of;
use crate::error::BoneError;
use crate::levels::{GreyLevels, candidate_cuts};
use crate::outline::{LEAST_PIECE_MM2, Outline};
use crate::profile::grey_levels;

/// Grey values this near to the site are looked at for a first guess, mm.
const GUESS_RADIUS_MM: f64 = 10.0;
/// A crest this near to the site's point is the site's crest, mm.
const NEAR_CREST_MM: f64 = 3.0;
/// A candidate this many times as contrasty as another one outlines metal.
const METAL_RATIO: f64 = 3.0;
/// The half-way value has settled where it changes by less than this share of the contrast: at a
/// blur of 0.5 mm that moves an edge by 0.0005 mm.
const SETTLED_SHARE: f64 = 0.001;
/// Two levels closer than this many standard deviations of the noise are one tissue: among pure
/// noise, the highest and lowest stretches of it lie three to four apart.
const LEAST_CONTRAST: f64 = 6.0;
/// ... and so are levels closer than this many of their own spreads from place to place.
const LEAST_SPREADS: f64 = 2.5;
/// Rounds in which outline and half-way value are found from one another.
const ROUNDS: usize = 3;

/// How the threshold is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Threshold {
    /// Per section, half-way between the soft tissue outside and the cortex.
    #[default]
    Auto,
    /// A grey value.
    Grey(f64),
}

/// Where a threshold came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ThresholdSource {
    /// Given by the user.
    Given,
    /// Found in the section.
    HalfWay,
}

/// The threshold used and what it was found from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThresholdFound {
    /// The grey value.
    pub grey: f64,
    /// Where it came from.
    pub source: ThresholdSource,
    /// Levels on both sides of the edge; `None` where a given threshold left nothing to find
    /// them from.
    pub levels: Option<GreyLevels>,
}

impl ThresholdFound {
    /// How far the threshold may be from half-way at any one place of the edge: one standard
    /// deviation, grey values.
    ///
    /// Half the spread of either level; for a given threshold also its distance from half-way.
    #[must_use]
    pub fn u_grey(&self) -> Option<f64> {
        self.levels.map(|l| {
            let spread = 0.5 * l.outside_spread.hypot(l.cortex_spread);
            spread.hypot(self.grey - l.half_way())
        })
    }
}

/// An outline of the site's piece and how far its crest is from the site's point.
#[derive(Debug, Clone)]
pub(crate) struct SitePiece {
    pub(crate) outline: Outline,
    pub(crate) crest: SectionPoint,
    pub(crate) crest_distance_mm: f64,
    /// The other pieces of the image.
    pub(crate) beside: Vec<Outline>,
}

/// The piece of bone whose crest is nearest to the site's point.
pub(crate) fn site_piece(
    image: &SectionImage,
    threshold: f64,
    site: SectionPoint,
) -> Result<SitePiece, BoneError> {
    let pieces = Outline::pieces(image, threshold);
    let nothing = || {
        let (low, high) = grey_range(image).unwrap_or((f64::NAN, f64::NAN));
        BoneError::NothingOutlined { threshold, least_mm2: LEAST_PIECE_MM2, low, high }
    };
    if pieces.is_empty() {
        return Err(nothing());
    }
    let mut beside = pieces;
    let (index, crest) = beside
        .iter()
        .enumerate()
        .filter_map(|(index, outline)| Some((index, crest_of(outline)?)))
        .min_by(|a, b| a.1.distance_mm(site).total_cmp(&b.1.distance_mm(site)))
        .ok_or(BoneError::CrestClipped)?;
    let outline = beside.swap_remove(index);
    Ok(SitePiece { outline, crest, crest_distance_mm: crest.distance_mm(site), beside })
}

/// A first outline and threshold from a coarse image of the section.
pub(crate) fn first_guess(
    image: &SectionImage,
    threshold: Threshold,
    site: SectionPoint,
) -> Result<(f64, SitePiece), BoneError> {
    if let Threshold::Grey(grey) = threshold {
        return Ok((grey, site_piece(image, grey, site)?));
    }
    let mut values = values_near(image, site);
    let mut candidates: Vec<Candidate> = Vec::new();
    let mut doubtful: Vec<GreyLevels> = Vec::new();
    for cut in candidate_cuts(&mut values) {
        // Between the levels of an edge that was found, every cut leads to that edge again.
        if candidates.iter().any(|c| c.leads_here(cut)) {
            continue;
        }
        let Ok(piece) = site_piece(image, cut, site) else { continue };
        let levels = grey_levels(image, &piece.outline, cut, piece.crest);
        match half_way(image, cut, site, piece) {
            Some((levels, piece)) => candidates.push(Candidate { levels, piece }),
            None => doubtful.extend(levels),
        }
    }
    let near = |c: &Candidate| c.piece.crest_distance_mm <= NEAR_CREST_MM;
    let contrast = |c: &Candidate| c.levels.contrast();
    let plainest =
        candidates.iter().filter(|c| near(c)).map(contrast).fold(f64::INFINITY, f64::min);
    let best = if plainest.is_finite() {
        candidates.retain(|c| near(c) && contrast(c) <= METAL_RATIO * plainest);
        candidates.into_iter().max_by(|a, b| a.levels.half_way().total_cmp(&b.levels.half_way()))
    } else {
        let distance = |c: &Candidate| c.piece.crest_distance_mm;
        candidates.into_iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))
    };
    // An edge within what the best one calls inside, which nothing could be made of, may be the bone's, and
    // the best one that of mucosa against air.
    let within = |c: &Candidate| doubtful.iter().any(|d| d.outside > c.levels.half_way());
    best.filter(|c| !within(c))
        .map(|c| (c.levels.half_way(), c.piece))
        .ok_or_else(|| no_two_classes(image))
}

/// The error of an image in which no edge of bone was found.
pub(crate) fn no_two_classes(image: &SectionImage) -> BoneError {
    let (low, high) = grey_range(image).unwrap_or((f64::NAN, f64::NAN));
    BoneError::NoTwoClasses { low, high }
}

/// An edge that some cut led to.
struct Candidate {
    levels: GreyLevels,
    piece: SitePiece,
}

impl Candidate {
    fn leads_here(&self, cut: f64) -> bool {
        let share = (cut - self.levels.outside) / self.levels.contrast();
        (0.2..=0.8).contains(&share)
    }
}

/// Levels and outline found from one another, starting at an outline at `threshold`: the levels
/// half-way between which the outline runs, to within a thousandth of their contrast.
pub(crate) fn half_way(
    image: &SectionImage,
    threshold: f64,
    site: SectionPoint,
    piece: SitePiece,
) -> Option<(GreyLevels, SitePiece)> {
    let mut piece = piece;
    let mut levels = grey_levels(image, &piece.outline, threshold, piece.crest)?;
    for _ in 0..ROUNDS {
        let cut = levels.half_way();
        piece = site_piece(image, cut, site).ok()?;
        levels = grey_levels(image, &piece.outline, cut, piece.crest)?;
        if (levels.half_way() - cut).abs() < SETTLED_SHARE * levels.contrast() {
            break;
        }
    }
    are_apart(&levels).then_some((levels, piece))
}

/// Whether two levels are two tissues. Contours of noise are as ragged as the noise, and so are the
/// levels beside them.
pub(crate) fn are_apart(levels: &GreyLevels) -> bool {
    let spread = levels.noise.hypot(levels.outside_spread).max(levels.cortex_spread);
    levels.contrast() >= LEAST_CONTRAST * levels.noise
        && levels.contrast() >= LEAST_SPREADS * spread
}

fn values_near(image: &SectionImage, site: SectionPoint) -> Vec<f64> {
    let (rows, columns) = image.shape();
    let mut values = Vec::new();
    for row in 0..rows {
        for column in 0..columns {
            if image.place_of(row as f64, column as f64).distance_mm(site) > GUESS_RADIUS_MM {
                continue;
            }
            values.extend(image.at(row, column).grey());
        }
    }
    values
}
