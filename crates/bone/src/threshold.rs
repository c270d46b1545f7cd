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
    let cuts = candidate_cuts(&mut values);
    let refined: Vec<(f64, f64, SitePiece)> = cuts
        .iter()
        .filter_map(|&cut| {
            let piece = site_piece(image, cut, site).ok()?;
            let (found, piece) = half_way(image, cut, site, piece)?;
            Some((found.half_way(), found.contrast(), piece))
        })
        .collect();
    let near = |p: &SitePiece| p.crest_distance_mm <= NEAR_CREST_MM;
    let plainest = refined.iter().filter(|r| near(&r.2)).map(|r| r.1).fold(f64::INFINITY, f64::min);
    let mut best: Option<(f64, SitePiece)> = None;
    for (cut, contrast, piece) in refined {
        let better = match &best {
            None => true,
            Some((best_cut, best_piece)) => {
                if near(&piece) {
                    let metal = contrast > METAL_RATIO * plainest;
                    !metal && (!near(best_piece) || cut > *best_cut)
                } else {
                    !near(best_piece) && piece.crest_distance_mm < best_piece.crest_distance_mm
                }
            }
        };
        if better {
            best = Some((cut, piece));
        }
    }
    best.ok_or_else(|| {
        let (low, high) = grey_range(image).unwrap_or((f64::NAN, f64::NAN));
        BoneError::NoTwoClasses { low, high }
    })
}

/// Levels and outline found from one another, starting at an outline at `threshold`.
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
    }
    Some((levels, piece))
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
