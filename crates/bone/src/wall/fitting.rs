//! A wall fitted at one place, and whether the fit is to be believed.

use jawgauge_volume::Volume;

use super::faces::Place;
use super::patch::{BIN_MM, COARSE_BIN_MM, Patch, Reach};
use super::slab::{FINAL, Prior, Slab, SlabFit, descend, fit_slab};
use super::survey::WallSurvey;
use crate::profile::FWHM_PER_SIGMA;

/// Inside the inner edge within this many blurs.
const INSIDE_BLURS: f64 = 1.6;
/// Blur of fewer voxel steps than this is no blur: the mean over a voxel alone is 0.68 steps.
const SHARPEST_VOXELS: f64 = 0.7;
/// What a wall's model misses counts as noise of this share of the contrast where its lean is found.
const LEAN_NOISE: f64 = 0.04;
/// Where a fit misses the voxels by more than this many times their noise (squared), it is looked at again how
/// the surface leans, so many times in all.
const GOOD_EXCESS: f64 = 1.5;
const FIT_ROUNDS: usize = 4;
/// Of a wall that no fit explains, the surface alone is fitted, down to so many blurs.
const SHALLOW_BLURS: f64 = 0.8;
/// A fit that misses the voxels by more than this many times their noise (squared) is not believed.
const MOST_EXCESS: f64 = 8.0;
/// ... nor one that moves the surface by more than this many blurs plus this many voxel steps.
const MOST_MOVE: (f64, f64) = (0.6, 0.5);
/// ... nor one in bone so thin, in blurs, that the far surface shows.
const LEAST_THROUGH_BLURS: f64 = 3.0;
/// ... nor one that is less sure than this, mm.
const MOST_U_MM: f64 = 0.3;

/// A wall fitted at a place.
#[derive(Debug, Clone)]
pub(crate) struct WallFit {
    pub(crate) place: Place,
    pub(crate) patch: Patch,
    pub(crate) fit: SlabFit,
    pub(crate) z2: f64,
    /// How deep voxels were looked at, mm.
    pub(crate) inside_mm: f64,
    /// Whether it was fitted down to what lies inside; else its surface alone.
    pub(crate) is_whole: bool,
}

impl WallSurvey {
    /// The wall at a place.
    pub(crate) fn fit(&self, volume: &Volume, place: Place, reach: Reach) -> Option<WallFit> {
        let z2 = place.face.inward.dot(self.z).powi(2);
        let prior = self.prior(z2);
        let fwhm = FWHM_PER_SIGMA * prior.sigma;
        let mut patch = Patch::gather(volume, &place.face, &reach)?;
        let start = Slab {
            surface: 0.0,
            thickness: fwhm,
            outside: prior.outside.0,
            cortex: prior.cortex.0,
            inside: prior.inside.0,
            curvature: place.face.curvature,
            inner_spread: 0.0,
            far: None,
        };
        let mut inside_mm = reach.inside_mm;
        let fit = fit_slab(&patch.bins(inside_mm, COARSE_BIN_MM), &prior, &start, inside_mm)?;
        // What lies far below the wall says nothing of it.
        inside_mm = (fit.slab.surface + fit.slab.thickness + INSIDE_BLURS * fwhm)
            .max(0.5 * fwhm)
            .min(reach.inside_mm);
        let noise = self.lean_noise();
        let solid = fit.slab.thickness > reach.inside_mm;
        let mut slab = fit.slab;
        let mut best: Option<(Patch, SlabFit)> = None;
        for _ in 0..FIT_ROUNDS {
            patch.find_lean(&slab, prior.sigma, noise, inside_mm);
            let bins = patch.bins(inside_mm, BIN_MM);
            let start = Slab { inner_spread: patch.inner_spread(), ..slab };
            let Some(found) = descend(&bins, &prior, start, solid, false, FINAL) else {
                break;
            };
            let better = best.as_ref().is_none_or(|b| found.excess < b.1.excess);
            if better {
                best = Some((patch.clone(), found));
            }
            if !better || found.excess <= GOOD_EXCESS {
                break;
            }
            slab = Slab { cortex: slab.cortex.max(prior.cortex.0), ..found.slab };
        }
        let (patch, fit) = best?;
        let inside = SHALLOW_BLURS * fwhm;
        if fit.excess > MOST_EXCESS
            && let Some((patch, fit)) = self.surface_alone(&patch, &fit.slab, &prior, inside)
        {
            return Some(WallFit { place, patch, fit, z2, inside_mm: inside, is_whole: false });
        }
        Some(WallFit { place, patch, fit, z2, inside_mm, is_whole: true })
    }

    /// The surface of a wall that is not even: of its first blur alone, taken as solid.
    fn surface_alone(
        &self,
        patch: &Patch,
        slab: &Slab,
        prior: &Prior,
        inside_mm: f64,
    ) -> Option<(Patch, SlabFit)> {
        let mut patch = patch.laid_flat();
        let mut slab = Slab {
            surface: 0.0,
            thickness: inside_mm + 1.0,
            outside: prior.outside.0,
            cortex: prior.cortex.0,
            inner_spread: 0.0,
            ..*slab
        };
        let noise = self.lean_noise();
        let mut found = None;
        for _ in 0..2 {
            patch.find_lean(&slab, prior.sigma, noise, inside_mm);
            let fit = descend(&patch.bins(inside_mm, BIN_MM), prior, slab, true, false, FINAL)?;
            slab = fit.slab;
            found = Some(fit);
        }
        found.filter(|f| f.excess <= GOOD_EXCESS).map(|f| (patch, f))
    }

    /// Whether metal lies beside a wall.
    pub(super) fn is_by_metal(&self, wall: &WallFit) -> bool {
        wall.patch.reaches(self.metal_above(), wall.inside_mm)
    }

    /// Whether a wall explains its voxels, and no metal lies beside it.
    pub(super) fn is_of_bone(&self, wall: &WallFit) -> bool {
        wall.fit.excess <= MOST_EXCESS && !self.is_by_metal(wall)
    }

    /// Noise with what a wall's model misses, where its lean is found.
    fn lean_noise(&self) -> f64 {
        self.noise.hypot(LEAN_NOISE * self.contrast())
    }

    /// Whether a fit is to be believed.
    pub(crate) fn believes(&self, wall: &WallFit) -> bool {
        // An edge sharper than the sampling has no profile to fit.
        if self.blur.in_plane_mm < SHARPEST_VOXELS * self.voxel_mm {
            return false;
        }
        let most = MOST_MOVE.0 * self.blur.in_plane_mm + MOST_MOVE.1 * self.voxel_mm;
        self.is_of_bone(wall)
            && wall.place.through_mm >= LEAST_THROUGH_BLURS * self.blur.in_plane_mm
            && wall.fit.slab.surface.abs() <= most
            && wall.fit.covariance[(0, 0)].sqrt() <= MOST_U_MM
    }
}
