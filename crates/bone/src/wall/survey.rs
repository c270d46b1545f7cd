//! The walls all around a section: blur, levels, and the outline moved to where they are.

use jawgauge_space::{PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::Volume;
use rayon::prelude::*;

use super::blur::{Blur, EdgeBlur};
use super::faces::{Place, Smoothness};
use super::fitting::WallFit;
use super::patch::{BIN_MM, Reach};
use super::robust::median_and_spread;
use super::slab::{FINAL, Prior, SIGMA, THICKNESS};
use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::profile::FWHM_PER_SIGMA;

/// Distance of places that tell blur and levels, at first and then, and of fitted places of the outline, mm.
const SURVEY_MM: [f64; 2] = [1.5, 0.8];
pub(super) const NODE_MM: f64 = 0.4;
/// Voxels along the surface in the section, and across the section, take part within this, mm.
const ALONG_MM: f64 = 0.7;
const BESIDE_MM: f64 = 0.9;
/// ... or within so many voxel steps, where voxels are coarse.
const FEW_VOXELS: f64 = 1.6;
/// About so many of them are enough for one place among many.
const ENOUGH_VOXELS: usize = 700;
/// ... along a bend, within this share of its radius.
const ALONG_BEND: f64 = 0.6;
/// Outside the surface within this many blurs and this much, mm.
const OUTSIDE_BLURS: f64 = 1.0;
const OUTSIDE_MM: f64 = 0.2;
/// Spread of the cortex from wall to wall, as a share of its contrast.
const WALL_SHARE: f64 = 0.15;
/// An outline ripples with the grid's phase by this share of a voxel step.
const RIPPLE_VOXELS: f64 = 0.06;
/// A voxel this many times as far above outside as thick cortex is, is metal (or enamel).
const METAL_RATIO: f64 = 2.5;
/// What is known of cortex, outside and inside before any wall was looked at, shares of contrast.
const FIRST_CORTEX: f64 = 0.5;
const OUTSIDE_SHARE: f64 = 0.1;
/// ... and of outside at least, however alike it was found everywhere.
const OUTSIDE_LEAST: f64 = 0.03;
const INSIDE: (f64, f64) = (0.35, 0.3);
/// Cortex of this many blurs is thick: it tells blur, and its grey level is its own.
const THICK_BLURS: f64 = 1.7;
/// ... where so few edges are, thinner ones are asked too.
const ENOUGH_EDGES: usize = 4;
const THINNER_BLURS: f64 = 1.15;
const PLATEAU_BLURS: f64 = 1.5;
/// ... nor does one that misses by more than this many tell the blur: its wall is not even.
const BLUR_EXCESS: f64 = 2.5;

/// Fewest walls that tell a level.
const FEWEST_LEVELS: usize = 3;
/// A fitted place this near stands for a place of the outline, mm.
const EDGE_NEAR_MM: f64 = 0.4;

/// A fitted place of the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Edge {
    pub(crate) at: SectionPoint,
    /// Inwards across the wall, unit, in the section.
    pub(crate) inward: (f64, f64),
    /// Standard uncertainty along that from noise and levels, mm.
    pub(crate) u_mm: f64,
    /// How far it moves inwards for each millimetre of the blur's standard deviation.
    pub(crate) by_sigma: f64,
    /// How far the surface sinks for each millimetre mesially.
    pub(crate) sinks: f64,
    /// How far inwards of the outline at hand it was found, mm.
    pub(crate) moved_mm: f64,
    /// Curvature found beyond the outline's, 1/mm.
    pub(crate) bend: f64,
}

/// What the walls around a section have in common.
#[derive(Debug, Clone)]
pub(crate) struct WallSurvey {
    pub(crate) blur: Blur,
    /// Mean and spread of the levels.
    pub(crate) outside: (f64, f64),
    pub(crate) cortex: (f64, f64),
    pub(crate) inside: (f64, f64),
    /// Noise of a voxel.
    pub(crate) noise: f64,
    pub(crate) voxel_mm: f64,
    /// Fitted places of the outline.
    pub(crate) edges: Vec<Edge>,
    /// The blur that edges tell where it is none like the one that was given.
    pub(crate) blur_instead: Option<Blur>,
    /// Places of the outline beside metal, where no edge is trusted.
    pub(crate) beside_metal: Vec<SectionPoint>,
    /// Whether the outline lay at the half-way level, where no wall was fitted.
    pub(crate) is_half_way: bool,
    pub(super) z: PatientVector,
}

/// The outline that walls are looked for along.
#[derive(Clone, Copy)]
pub(crate) struct Start<'a> {
    pub(crate) outline: &'a Outline,
    /// Whether it lies at the half-way level; else at a lower one, outside the surface.
    pub(crate) is_half_way: bool,
}

/// Blur, levels and outline of the walls of a section, the outline moved to their surfaces.
///
/// `given` is a blur that the user knows.
pub(crate) fn survey_walls(
    volume: &Volume,
    frame: &SectionFrame,
    start: Start,
    levels: &GreyLevels,
    given: Option<Blur>,
) -> (WallSurvey, Outline) {
    let mut survey = WallSurvey::first(volume, levels, given);
    let look = |survey: &WallSurvey, outline: &Outline, step_mm: f64| -> Vec<WallFit> {
        let smooth = survey.smoothness();
        survey
            .spaced(outline, step_mm)
            .into_par_iter()
            .filter_map(|i| Place::at_vertex(frame, outline, i, &smooth))
            .filter_map(|place| survey.fit(volume, place, survey.reach(&place)))
            .collect()
    };
    for step_mm in SURVEY_MM {
        let fits = look(&survey, start.outline, step_mm);
        survey.learn(&fits, given);
    }
    let fits = look(&survey, start.outline, NODE_MM);
    let outline = survey.moved(start, fits);
    (survey, outline)
}

impl WallSurvey {
    fn first(volume: &Volume, levels: &GreyLevels, given: Option<Blur>) -> Self {
        let contrast = levels.contrast();
        let voxel_mm = volume.geometry().coarsest_mm();
        let [i, j, _] = volume.geometry().affine().steps();
        let z = i.cross(j);
        Self {
            blur: given.unwrap_or_else(|| Blur::of_edges(&[], levels.blur_fwhm_mm)),
            outside: (levels.outside, OUTSIDE_SHARE * contrast),
            cortex: (levels.cortex, FIRST_CORTEX * contrast),
            inside: (levels.outside + INSIDE.0 * contrast, INSIDE.1 * contrast),
            // Interpolation takes off some of the noise of single voxels.
            noise: (1.3 * levels.noise).max(0.004 * contrast),
            voxel_mm,
            edges: Vec::new(),
            blur_instead: None,
            beside_metal: Vec::new(),
            is_half_way: true,
            z: z * (1.0 / z.length_mm().max(f64::MIN_POSITIVE)),
        }
    }

    /// The same with places in axes turned by `by_deg`.
    pub(crate) fn in_turned_frame(mut self, by_deg: f64) -> Self {
        for edge in &mut self.edges {
            edge.at = edge.at.in_turned_frame(by_deg);
            let inward = SectionPoint::new(edge.inward.0, edge.inward.1).in_turned_frame(by_deg);
            edge.inward = (inward.buccal_mm, inward.apical_mm);
        }
        for at in &mut self.beside_metal {
            *at = at.in_turned_frame(by_deg);
        }
        self
    }

    /// The fitted place nearest to a place of the outline, if one is near.
    pub(crate) fn edge_near(&self, at: SectionPoint) -> Option<&Edge> {
        let distance = |e: &&Edge| e.at.distance_mm(at);
        let nearest = self.edges.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        (distance(&nearest) <= EDGE_NEAR_MM).then_some(nearest)
    }

    pub(crate) fn contrast(&self) -> f64 {
        self.cortex.0 - self.outside.0
    }

    /// The grey value above which a voxel is metal.
    pub(crate) fn metal_above(&self) -> f64 {
        self.outside.0 + METAL_RATIO * self.contrast()
    }

    /// Share of the places looked at that lie beside metal.
    pub(crate) fn metal_share(&self) -> f64 {
        let beside = self.beside_metal.len() as f64;
        beside / (beside + self.edges.len() as f64).max(1.0)
    }

    /// Whether metal lies beside a place of the outline.
    pub(crate) fn is_beside_metal(&self, at: SectionPoint) -> bool {
        self.beside_metal.iter().any(|m| m.distance_mm(at) <= EDGE_NEAR_MM)
    }

    pub(crate) fn prior(&self, z2: f64) -> Prior {
        Prior {
            outside: self.outside,
            cortex: self.cortex,
            inside: self.inside,
            noise: self.noise,
            sigma: self.blur.sigma(z2),
        }
    }

    pub(crate) fn smoothness(&self) -> Smoothness {
        let sigma_mm = self.blur.sigma(0.0);
        // The place of a contour is as noisy as the grey value over its slope.
        let noise_mm =
            self.noise / self.contrast() * sigma_mm * 2.5 + RIPPLE_VOXELS * self.voxel_mm;
        Smoothness { sigma_mm, noise_mm }
    }

    /// Every vertex about `step_mm` after the one before.
    pub(super) fn spaced(&self, outline: &Outline, step_mm: f64) -> Vec<usize> {
        let points = outline.points();
        let n = points.len();
        let mut since = step_mm;
        (0..n)
            .filter(|&i| {
                since += points[(i + n - 1) % n].distance_mm(points[i]);
                let takes = since >= step_mm && outline.clip_at(i).is_none();
                if takes {
                    since = 0.0;
                }
                takes
            })
            .collect()
    }

    /// How far voxels about a place are looked at.
    pub(crate) fn reach(&self, place: &Place) -> Reach {
        let bend = place.face.curvature.abs().max(1e-6);
        Reach {
            along_mm: (ALONG_MM.max(FEW_VOXELS * self.voxel_mm))
                .min(ALONG_BEND / bend)
                .max(1.05 * self.voxel_mm),
            beside_mm: BESIDE_MM.max(FEW_VOXELS * self.voxel_mm),
            outside_mm: OUTSIDE_BLURS * self.blur.in_plane_mm + OUTSIDE_MM,
            inside_mm: place.half_through_mm(),
            enough: ENOUGH_VOXELS,
        }
    }

    /// Learns noise, blur and the cortex' level from fitted walls.
    fn learn(&mut self, fits: &[WallFit], given: Option<Blur>) {
        let mut noises: Vec<f64> = fits
            .iter()
            .map(|w| w.patch.scatter(&w.fit.slab, w.fit.sigma, w.inside_mm))
            .filter(|(_, n)| *n > 20.0)
            .map(|(sum, n)| (sum / (n - 6.0)).sqrt())
            .collect();
        noises.sort_by(f64::total_cmp);
        if let Some(noise) = noises.get(noises.len() / 2) {
            self.noise = noise.max(0.002 * self.contrast());
        }
        let fwhm = |w: &WallFit| FWHM_PER_SIGMA * w.fit.sigma;
        let clean: Vec<&WallFit> = fits.iter().filter(|w| self.is_of_bone(w)).collect();
        let told = |blurs: f64| -> Vec<EdgeBlur> {
            clean
                .par_iter()
                .filter(|w| w.fit.slab.thickness >= blurs * fwhm(w))
                .filter_map(|w| self.edge_blur(w))
                .collect()
        };
        if let Some(given) = given {
            let edges = told(THINNER_BLURS);
            let found = Blur::of_edges(&edges, given.in_plane_mm);
            self.blur_instead =
                (edges.len() >= ENOUGH_EDGES && found.is_other_than(&given)).then_some(found);
        } else {
            let edges = told(THICK_BLURS);
            self.blur = if edges.len() >= ENOUGH_EDGES {
                Blur::of_edges(&edges, self.blur.in_plane_mm)
            } else {
                Blur::of_edges(&told(THINNER_BLURS), self.blur.in_plane_mm).of_thin_walls()
            };
            self.blur = self.blur.no_sharper_than(self.voxel_mm);
        }
        let thick: Vec<f64> = clean
            .iter()
            .filter(|w| w.fit.slab.thickness >= PLATEAU_BLURS * fwhm(w))
            .map(|w| w.fit.slab.cortex)
            .collect();
        let outside: Vec<f64> = clean.iter().map(|w| w.fit.slab.outside).collect();
        let middle = |levels: Vec<f64>| {
            (levels.len() >= FEWEST_LEVELS).then(|| median_and_spread(levels)).flatten()
        };
        if let Some((level, spread)) = middle(outside) {
            self.outside = (level, spread.max(OUTSIDE_LEAST * self.contrast()));
        }
        if let Some((level, spread)) = middle(thick) {
            self.cortex = (level, spread.max(WALL_SHARE * (level - self.outside.0)));
        }
        let contrast = self.contrast();
        self.inside = (self.outside.0 + INSIDE.0 * contrast, INSIDE.1 * contrast);
    }

    /// The blur as one wall tells it: levels as free as before any wall was looked at.
    fn edge_blur(&self, wall: &WallFit) -> Option<EdgeBlur> {
        let prior = Prior {
            cortex: (wall.fit.slab.cortex, FIRST_CORTEX * self.contrast()),
            ..self.prior(wall.z2)
        };
        let bins = wall.patch.bins(wall.inside_mm, BIN_MM);
        let fit = super::slab::descend(&bins, &prior, wall.fit.slab, false, true, FINAL)?;
        let u_sigma = fit.covariance[(SIGMA, SIGMA)].sqrt();
        let u_thickness = fit.covariance[(THICKNESS, THICKNESS)].sqrt();
        let told = u_sigma < 0.4 * fit.sigma && u_thickness < 0.5 * fit.slab.thickness;
        (told && fit.excess <= BLUR_EXCESS).then_some(EdgeBlur {
            sigma: fit.sigma,
            u_sigma,
            z2: wall.z2,
        })
    }
}
