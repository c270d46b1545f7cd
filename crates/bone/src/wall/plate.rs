//! Thickness of the plates, or the range that it lies in.

use jawgauge_space::{SectionFrame, SectionPoint};
use jawgauge_volume::Volume;
use rayon::prelude::*;

use super::faces::{DEEPEST_MM, Place};
use super::fitting::WallFit;
use super::patch::{BIN_MM, Reach};
use super::slab::{Bin, FINAL, Prior, Slab, THICKNESS, descend};
use super::survey::WallSurvey;
use crate::error::Unmeasured;
use crate::gum::{Budget, Source};
use crate::outline::Outline;
use crate::profile::FWHM_PER_SIGMA;
use crate::uncertainty::Measured;

/// Thicknesses that are held against a profile: as many as these, over so many standard
/// uncertainties to either side of the best.
const TRIED: i32 = 24;
const TRIED_SIGMAS: (f64, f64) = (4.0, 5.0);
/// No wall is thinner than this, mm.
const THINNEST_MM: f64 = 0.05;
/// Beyond this many standard uncertainties above the limit a wall's own fit tells all.
const PLAIN_BY: f64 = 3.5;
/// One number is told where the plate is thicker than this many blurs by this many standard
/// uncertainties; else a range.
const TELLS_FROM_BLURS: f64 = 1.0;
const TELLS_BY: f64 = 2.6;
/// What the model of an even wall misses, one standard deviation: in blurs, as at its surface and its inner
/// edge (ridges of a simulated scanner), and mm for the square of the share that the wall thickens by along
/// the patch.
const MODEL_BLURS: f64 = 0.03;
const UNEVEN_MM: f64 = 0.8;
/// An expanded uncertainty of more than this share of the thickness is no measurement.
const LEAST_KNOWN: f64 = 0.5;
/// Where no wall is thick, cortex may be as much denser than it shows, and plates thinner by this.
const PALEST: f64 = 0.4;
/// Rounds in which a plate and the one on the far side of narrow bone are found from one another.
const ROUNDS: usize = 2;
/// An outline's vertex this near to the end of a run, mm, stands for it.
const VERTEX_MM: f64 = 0.4;
/// Marrow shows for at least this many blurs below a plate that is told.
const MARROW_BLURS: f64 = 0.5;

/// Thickness of a plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plate {
    /// Thick enough for the scan's blur: along the normal of its surface.
    Thickness(Measured),
    /// Thickness and density cannot be told apart: with 95 % probability it lies between these.
    Between {
        /// Lower end, mm.
        low_mm: f64,
        /// Upper end, mm.
        high_mm: f64,
    },
}

impl Plate {
    /// The thickness, where it can be told.
    #[must_use]
    pub fn thickness(&self) -> Option<Measured> {
        match self {
            Self::Thickness(m) => Some(*m),
            Self::Between { .. } => None,
        }
    }

    /// The same in a scan whose lengths have this standard uncertainty, as a share; a range is wider
    /// than that by far and stays.
    pub(crate) fn with_scale_u_share(self, scale_u_share: f64) -> Self {
        match self {
            Self::Thickness(m) => {
                let budget = m.budget.with(Source::Scale, scale_u_share * m.mm);
                Self::Thickness(Measured::new(m.mm, budget))
            }
            Self::Between { .. } => self,
        }
    }

    /// The range, where only that can be told.
    #[must_use]
    pub fn range_mm(&self) -> Option<(f64, f64)> {
        match *self {
            Self::Thickness(_) => None,
            Self::Between { low_mm, high_mm } => Some((low_mm, high_mm)),
        }
    }
}

/// The plates at the ends of runs, each `[buccal, lingual]`.
pub(crate) fn measure_plates(
    volume: &Volume,
    frame: &SectionFrame,
    outline: &Outline,
    survey: &WallSurvey,
    ends: &[[SectionPoint; 2]],
) -> Vec<[Result<Plate, Unmeasured>; 2]> {
    ends.par_iter()
        .map(|pair| {
            let walls = pair.map(|end| wall_at(volume, frame, outline, survey, end));
            both(volume, survey, walls)
        })
        .collect()
}

fn wall_at(
    volume: &Volume,
    frame: &SectionFrame,
    outline: &Outline,
    survey: &WallSurvey,
    end: SectionPoint,
) -> Option<WallFit> {
    let points = outline.points();
    let index = (0..points.len())
        .min_by(|&a, &b| points[a].distance_mm(end).total_cmp(&points[b].distance_mm(end)))?;
    if points[index].distance_mm(end) > VERTEX_MM {
        return None;
    }
    let place = Place::at_vertex(frame, outline, index, &survey.smoothness())?;
    survey
        .fit(volume, place, full(survey, &place))
        .filter(|wall| wall.is_whole && survey.believes(wall))
}

/// All voxels about a place.
fn full(survey: &WallSurvey, place: &Place) -> Reach {
    Reach { enough: usize::MAX, ..survey.reach(place) }
}

/// Both plates of a level; where the bone is narrow, each is fitted with the other in view.
fn both(
    volume: &Volume,
    survey: &WallSurvey,
    walls: [Option<WallFit>; 2],
) -> [Result<Plate, Unmeasured>; 2] {
    let mut walls = walls;
    for _ in 0..ROUNDS {
        let before = [walls[0].as_ref().map(far_view), walls[1].as_ref().map(far_view)];
        for (n, wall) in walls.iter_mut().enumerate() {
            if let (Some(wall), Some(far)) = (wall, before[1 - n]) {
                see_far(volume, survey, wall, far);
            }
        }
    }
    walls.map(|wall| wall.ok_or(Unmeasured::NoPlate).and_then(|w| judge(survey, &w)))
}

/// Thickness and level of a wall as the one on the far side sees it.
fn far_view(wall: &WallFit) -> (f64, f64) {
    (wall.fit.slab.thickness, wall.fit.slab.cortex)
}

/// Fits a wall again, down to the far wall's inner edge and with that edge in the profile, where the
/// bone is too narrow to leave the far wall out.
fn see_far(volume: &Volume, survey: &WallSurvey, wall: &mut WallFit, far: (f64, f64)) {
    let fwhm = FWHM_PER_SIGMA * wall.fit.sigma;
    let inner = wall.place.through_mm - far.0;
    let wanted = wall.fit.slab.thickness + 1.6 * fwhm;
    if wanted + 0.6 * fwhm < inner && wanted <= wall.place.half_through_mm() {
        return;
    }
    let inside_mm = inner.min(DEEPEST_MM).min(wanted);
    if !(inside_mm > 0.3) {
        return;
    }
    let reach = Reach { inside_mm, ..full(survey, &wall.place) };
    let Some(mut patch) = super::patch::Patch::gather(volume, &wall.place.face, &reach) else {
        return;
    };
    patch.lies_as(&wall.patch);
    let slab = Slab { far: Some((inner, far.1)), ..wall.fit.slab };
    let bins = patch.bins(inside_mm, BIN_MM);
    if let Some(fit) = descend(&bins, &survey.prior(wall.z2), slab, false, false, FINAL) {
        (wall.patch, wall.fit, wall.inside_mm) = (patch, fit, inside_mm);
    }
}

/// One number or a range, from how well every thickness explains the profile.
fn judge(survey: &WallSurvey, wall: &WallFit) -> Result<Plate, Unmeasured> {
    let bins = wall.patch.bins(wall.inside_mm, BIN_MM);
    let prior = survey.prior(wall.z2);
    let fwhm = FWHM_PER_SIGMA * prior.sigma;
    let deepest = wall.inside_mm - wall.fit.slab.surface;
    let thickness = wall.fit.slab.thickness;
    if thickness > deepest - MARROW_BLURS * fwhm {
        return Err(Unmeasured::NoMarrow { at_least_mm: deepest.max(0.0) });
    }
    // The blur is held; that it may be a little off is met by holding it a little off.
    let u_sigma = survey.blur.u_sigma();
    let own = wall.fit.covariance[(THICKNESS, THICKNESS)].sqrt();
    let by_blur = (wall.fit.by_sigma.1 * u_sigma).abs();
    // The wall is one slab only as far as it keeps its thickness over the patch.
    let uneven = UNEVEN_MM * wall.patch.thickens.powi(2);
    let budget = |own: f64, by_blur: f64| {
        Budget::default()
            .with(Source::Noise, own)
            .with(Source::Blur, by_blur)
            .with(Source::Model, MODEL_BLURS * fwhm)
            .with(Source::Model, uneven)
    };
    let u_mm = budget(own, by_blur).u_mm();
    if !u_mm.is_finite() {
        return Err(Unmeasured::NoPlate);
    }
    if thickness - PLAIN_BY * u_mm >= TELLS_FROM_BLURS * fwhm {
        return told(thickness, budget(own, by_blur));
    }
    let mut weights: Vec<(f64, f64)> = Vec::new();
    for (off, share) in [(-1.732, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732, 1.0 / 6.0)] {
        let prior = Prior { sigma: (prior.sigma + off * u_sigma).max(0.3 * prior.sigma), ..prior };
        let likely = likelihood(&bins, &prior, wall, deepest, u_mm);
        let sum: f64 = likely.iter().map(|l| l.1).sum();
        weights.extend(likely.iter().map(|l| (l.0, share * l.1 / sum)));
    }
    weights.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mean: f64 = weights.iter().map(|w| w.0 * w.1).sum();
    let variance: f64 = weights.iter().map(|w| (w.0 - mean).powi(2) * w.1).sum();
    let u_mm = variance.sqrt();
    if !u_mm.is_finite() {
        return Err(Unmeasured::NoPlate);
    }
    if mean - TELLS_BY * u_mm >= TELLS_FROM_BLURS * fwhm {
        let own = (u_mm * u_mm - by_blur * by_blur).max(0.0).sqrt();
        return told(mean, budget(own, by_blur));
    }
    // What the model misses widens the range as it does a number.
    let missed = 2.0 * (MODEL_BLURS * fwhm).hypot(uneven);
    let [low, middle, high] = [0.025, 0.5, 0.975].map(|share| quantile(&weights, share));
    let low_mm = middle - (middle - low).hypot(missed);
    let low_mm = if survey.blur.is_of_thin_walls() { PALEST * low_mm } else { low_mm };
    // Nothing thinner than the thinnest was tried.
    let low_mm = if low_mm <= 1.2 * THINNEST_MM { 0.0 } else { low_mm };
    Ok(Plate::Between { low_mm, high_mm: middle + (high - middle).hypot(missed) })
}

/// A thickness, unless nothing much is known of it: where a wall changes its thickness along the patch, as at
/// the crest.
fn told(thickness_mm: f64, budget: Budget) -> Result<Plate, Unmeasured> {
    let found = Measured::new(thickness_mm, budget);
    let useful = found.u95_mm <= LEAST_KNOWN * thickness_mm;
    if useful { Ok(Plate::Thickness(found)) } else { Err(Unmeasured::NoPlate) }
}

/// The thickness below which a share of the probability lies, linear between those tried.
fn quantile(weights: &[(f64, f64)], share: f64) -> f64 {
    let mut below = 0.0;
    let mut before = weights.first().map_or(0.0, |w| w.0);
    for &(thickness, weight) in weights {
        if below + weight >= share {
            let part = if weight > 0.0 { (share - below) / weight } else { 1.0 };
            return before + part * (thickness - before);
        }
        below += weight;
        before = thickness;
    }
    before
}

/// Thicknesses, each with its share of probability when all are equally likely beforehand, the
/// other unknowns at their best.
fn likelihood(
    bins: &[Bin],
    prior: &Prior,
    wall: &WallFit,
    deepest: f64,
    u_mm: f64,
) -> Vec<(f64, f64)> {
    let best = wall.fit.slab.thickness;
    let low = (best - TRIED_SIGMAS.0 * u_mm).max(THINNEST_MM);
    let high = (best + TRIED_SIGMAS.1 * u_mm).min(deepest.max(low + 0.1));
    let step = (high - low) / f64::from(TRIED);
    let steps: Vec<f64> = (0..=TRIED).map(|n| low + f64::from(n) * step).collect();
    let nearest = steps.partition_point(|t| *t < best).min(steps.len() - 1);
    let mut chi2 = vec![f64::INFINITY; steps.len()];
    let walk = |order: &mut dyn Iterator<Item = usize>, chi2: &mut Vec<f64>| {
        let mut slab = wall.fit.slab;
        for n in order {
            // Keep the middle of the wall where it is.
            let by = steps[n] - slab.thickness;
            let start = Slab { thickness: steps[n], surface: slab.surface - 0.5 * by, ..slab };
            let Some(fit) = descend(bins, prior, start, true, false, FINAL) else { break };
            chi2[n] = fit.chi2;
            slab = fit.slab;
        }
    };
    walk(&mut (nearest..steps.len()), &mut chi2);
    walk(&mut (0..nearest).rev(), &mut chi2);
    let best = chi2.iter().copied().fold(f64::INFINITY, f64::min);
    let scale = wall.fit.excess.max(1.0);
    steps.iter().zip(&chi2).map(|(t, c)| (*t, (-0.5 * (c - best) / scale).exp())).collect()
}
