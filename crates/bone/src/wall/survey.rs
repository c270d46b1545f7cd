//! The walls all around a section: blur, levels, and the outline moved to where they are.

use jawgauge_space::{PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::Volume;
use rayon::prelude::*;

use super::blur::{Blur, EdgeBlur};
use super::faces::{Place, Smoothness};
use super::patch::{BIN_MM, COARSE_BIN_MM, Patch, Reach};
use super::rounded::{Vertex, rounded, stands_out};
use super::slab::{CORTEX, FINAL, Prior, SIGMA, Slab, SlabFit, THICKNESS, fit_slab};
use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::profile::FWHM_PER_SIGMA;

/// Distance of places that tell blur and levels, at first and then, and of fitted places of the outline, mm.
const SURVEY_MM: [f64; 2] = [1.2, 0.8];
const NODE_MM: f64 = 0.4;
/// Voxels along the surface in the section, and across the section, take part within this, mm.
const ALONG_MM: f64 = 0.7;
const BESIDE_MM: f64 = 0.9;
/// About so many of them are enough for one place among many.
const ENOUGH_VOXELS: usize = 700;
/// ... along a bend, within this share of its radius.
const ALONG_BEND: f64 = 0.6;
/// Outside the surface within this many blurs and this much, mm.
const OUTSIDE_BLURS: f64 = 1.0;
const OUTSIDE_MM: f64 = 0.2;
/// Inside the inner edge within this many blurs.
const INSIDE_BLURS: f64 = 1.6;
/// Spread of the cortex from wall to wall, as a share of its contrast.
const WALL_SHARE: f64 = 0.15;
/// Blur of fewer voxel steps than this is no blur: the mean over a voxel alone is 0.68 steps.
const SHARPEST_VOXELS: f64 = 0.7;
/// What a wall's model misses counts as noise of this share of the contrast where its lean is found.
const LEAN_NOISE: f64 = 0.04;
/// An outline ripples with the grid's phase by this share of a voxel step.
const RIPPLE_VOXELS: f64 = 0.06;
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
/// Where a fit misses the voxels by more than this many times their noise (squared), it is looked at again how
/// the surface leans, so many times in all.
const GOOD_EXCESS: f64 = 1.5;
const FIT_ROUNDS: usize = 4;
/// Of a wall that no fit explains, the surface alone is fitted, down to so many blurs.
const SHALLOW_BLURS: f64 = 0.8;
/// A fit that misses the voxels by more than this many times their noise (squared) is not believed.
const MOST_EXCESS: f64 = 8.0;
/// ... nor does one that misses by more than this many tell the blur: its wall is not even.
const BLUR_EXCESS: f64 = 2.5;
/// ... nor one that moves the surface by more than this many blurs plus this many voxel steps.
const MOST_MOVE: (f64, f64) = (0.6, 0.5);
/// ... nor one in bone so thin, in blurs, that the far surface shows.
const LEAST_THROUGH_BLURS: f64 = 3.0;
/// ... nor one that is less sure than this, mm.
const MOST_U_MM: f64 = 0.3;

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
    z: PatientVector,
}

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

/// Blur, levels and outline of the walls of a section, the outline moved to their surfaces.
///
/// `given` is a blur that the user knows.
pub(crate) fn survey_walls(
    volume: &Volume,
    frame: &SectionFrame,
    outline: &Outline,
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
        let fits = look(&survey, outline, step_mm);
        survey.learn(&fits, given);
    }
    let fits = look(&survey, outline, NODE_MM);
    let outline = survey.moved(outline, fits);
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
    fn spaced(&self, outline: &Outline, step_mm: f64) -> Vec<usize> {
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
            along_mm: ALONG_MM.min(ALONG_BEND / bend).max(1.05 * self.voxel_mm),
            beside_mm: BESIDE_MM.max(1.05 * self.voxel_mm),
            outside_mm: OUTSIDE_BLURS * self.blur.in_plane_mm + OUTSIDE_MM,
            inside_mm: place.half_through_mm(),
            enough: ENOUGH_VOXELS,
        }
    }

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
        let noise = self.noise.hypot(LEAN_NOISE * self.contrast());
        let solid = fit.slab.thickness > reach.inside_mm;
        let mut slab = fit.slab;
        let mut best: Option<(Patch, SlabFit)> = None;
        for _ in 0..FIT_ROUNDS {
            patch.find_lean(&slab, prior.sigma, noise, inside_mm);
            let bins = patch.bins(inside_mm, BIN_MM);
            let start = Slab { inner_spread: patch.inner_spread(), ..slab };
            let Some(found) = super::slab::descend(&bins, &prior, start, solid, false, FINAL)
            else {
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
        let noise = self.noise.hypot(LEAN_NOISE * self.contrast());
        let mut found = None;
        for _ in 0..2 {
            patch.find_lean(&slab, prior.sigma, noise, inside_mm);
            let fit = super::slab::descend(
                &patch.bins(inside_mm, BIN_MM),
                prior,
                slab,
                true,
                false,
                FINAL,
            )?;
            slab = fit.slab;
            found = Some(fit);
        }
        found.filter(|f| f.excess <= GOOD_EXCESS).map(|f| (patch, f))
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
        let believed = |w: &&WallFit| w.fit.excess <= MOST_EXCESS;
        if given.is_none() {
            let told = |blurs: f64| -> Vec<EdgeBlur> {
                fits.par_iter()
                    .filter(believed)
                    .filter(|w| w.fit.slab.thickness >= blurs * fwhm(w))
                    .filter_map(|w| self.edge_blur(w))
                    .collect()
            };
            let edges = told(THICK_BLURS);
            self.blur = if edges.len() >= ENOUGH_EDGES {
                Blur::of_edges(&edges, self.blur.in_plane_mm)
            } else {
                Blur::of_edges(&told(THINNER_BLURS), self.blur.in_plane_mm).of_thin_walls()
            };
            self.blur = self.blur.no_sharper_than(self.voxel_mm);
        }
        let thick: Vec<(f64, f64)> = fits
            .iter()
            .filter(believed)
            .filter(|w| w.fit.slab.thickness >= PLATEAU_BLURS * fwhm(w))
            .map(|w| (w.fit.slab.cortex, w.fit.covariance[(CORTEX, CORTEX)].sqrt()))
            .collect();
        let outside: Vec<(f64, f64)> = fits
            .iter()
            .filter(believed)
            .map(|w| (w.fit.slab.outside, 0.02 * self.contrast()))
            .collect();
        if let Some((level, spread)) = middle(&outside) {
            self.outside = (level, spread.max(OUTSIDE_LEAST * self.contrast()));
        }
        if let Some((level, spread)) = middle(&thick) {
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

    /// Whether a fit is to be believed.
    pub(crate) fn believes(&self, wall: &WallFit) -> bool {
        // An edge sharper than the sampling has no profile to fit.
        if self.blur.in_plane_mm < SHARPEST_VOXELS * self.voxel_mm {
            return false;
        }
        let most = MOST_MOVE.0 * self.blur.in_plane_mm + MOST_MOVE.1 * self.voxel_mm;
        wall.fit.excess <= MOST_EXCESS
            && wall.place.through_mm >= LEAST_THROUGH_BLURS * self.blur.in_plane_mm
            && wall.fit.slab.surface.abs() <= most
            && wall.fit.covariance[(0, 0)].sqrt() <= MOST_U_MM
    }

    /// The outline with its vertices replaced by the surfaces of fitted walls; where none was
    /// fitted, it stays as it is.
    fn moved(&mut self, outline: &Outline, fits: Vec<WallFit>) -> Outline {
        let mut fitted = vec![None; outline.points().len()];
        if std::env::var("JG_DBG").is_ok() {
            eprintln!(
                "blur {:?} noise {} outside {:?} cortex {:?} inside {:?}",
                self.blur, self.noise, self.outside, self.cortex, self.inside
            );
            let sharp = crate::tip::sharp_reach(outline, self.blur.sigma(0.0));
            eprintln!("sharp {sharp:?}");
            for i in self.spaced(outline, NODE_MM) {
                let p = outline.points()[i];
                let Some(n) = fits.iter().position(|w| w.place.index == i) else {
                    eprintln!("NODE {:.3} {:.3} none", p.buccal_mm, p.apical_mm);
                    continue;
                };
                let w = &fits[n];
                let at = w.place.below(w.fit.slab.surface * w.patch.slant());
                eprintln!(
                    "{} {:.3} {:.3} fit {:.3} {:.3} surf {:.3} thick {:.3} levels {:.0} {:.0} {:.0} curv {:.3} bend {:.3} lean {:?} thickens {:.2} u {:.3} excess {:.2} through {:.2} believed {} out {}",
                    if w.fit.excess > 1.0 { "NODEX" } else { "NODE" },
                    p.buccal_mm,
                    p.apical_mm,
                    at.buccal_mm,
                    at.apical_mm,
                    w.fit.slab.surface,
                    w.fit.slab.thickness,
                    w.fit.slab.outside,
                    w.fit.slab.cortex,
                    w.fit.slab.inside,
                    w.fit.slab.curvature,
                    w.patch.bend,
                    w.patch.lean,
                    w.patch.thickens,
                    w.fit.covariance[(0, 0)].sqrt(),
                    w.fit.excess,
                    w.place.through_mm,
                    self.believes(w),
                    stands_out(&fits, n)
                );
            }
        }
        let fits: Vec<WallFit> = fits.into_iter().filter(|w| self.believes(w)).collect();
        let sharp = crate::tip::sharp_reach(outline, self.blur.sigma(0.0));
        for (n, wall) in fits.iter().enumerate() {
            // What puts a sharp tip back goes by the contour that the blur has left.
            let at_tip = sharp.is_some_and(|(tip, mm)| wall.place.at.distance_mm(tip) < mm);
            if at_tip || stands_out(&fits, n) {
                continue;
            }
            let slant = wall.patch.slant();
            let at = wall.place.below(wall.fit.slab.surface * slant);
            fitted[wall.place.index] = Some(at);
            self.edges.push(Edge {
                at,
                inward: wall.place.inward,
                u_mm: wall.fit.covariance[(0, 0)].sqrt() * slant,
                by_sigma: wall.fit.by_sigma.0 * slant,
                sinks: wall.patch.lean.1,
            });
        }
        let nodes = self.spaced(outline, NODE_MM);
        let mut is_node = vec![false; fitted.len()];
        nodes.iter().for_each(|&i| is_node[i] = true);
        let mut vertices: Vec<Vertex> = Vec::new();
        let mut raw = true;
        for (i, &point) in outline.points().iter().enumerate() {
            match fitted[i] {
                Some(at) => {
                    vertices.push((at, None));
                    raw = false;
                }
                None if is_node[i] || outline.clip_at(i).is_some() => raw = true,
                None => {}
            }
            if raw {
                vertices.push((point, outline.clip_at(i)));
            }
        }
        Outline::from_parts(rounded(&vertices)).unwrap_or_else(|| outline.clone())
    }
}

/// Median of levels, and their spread from place to place.
fn middle(levels: &[(f64, f64)]) -> Option<(f64, f64)> {
    if levels.len() < 3 {
        return None;
    }
    let mut values: Vec<f64> = levels.iter().map(|l| l.0).collect();
    values.sort_by(f64::total_cmp);
    let median = values[values.len() / 2];
    let mut off: Vec<f64> = values.iter().map(|v| (v - median).abs()).collect();
    off.sort_by(f64::total_cmp);
    Some((median, 1.4826 * off[off.len() / 2]))
}
