//! What the places of edges, of the crest and of the base are uncertain by.

use jawgauge_space::SectionPoint;

use crate::gum::{Budget, Source};
use crate::profile::FWHM_PER_SIGMA;
use crate::section_bone::SectionBone;

/// What the model of a blurred wall misses at a fitted place, one standard deviation, in blurs: the grid's
/// phase, a blur that is no Gaussian, the averaging of rays over a detector's pixel (ridges of a simulated
/// scanner); and mm for each 1/mm that the surface bends otherwise than the outline (ridges of
/// `tests/accuracy`).
const MODEL_BLURS: f64 = 0.02;
/// ... and where all walls are thin: neither blur nor cortex is told well then.
const THIN_BLURS: f64 = 0.12;
const BEND_MM2: f64 = 0.14;
/// Beside metal no edge is trusted: it may lie anywhere near, one standard deviation, mm.
const METAL_MM: f64 = 1.0;
/// A contour at a level that even a thin wall reaches lies outside the surface by about this share of the
/// blur; that it was sunk by as much as its neighbours takes off about half of that.
const LOW_SHARE: f64 = 0.13;
/// A line that crosses a surface at less than this cosine is taken to cross it so.
const STEEPEST_COSINE: f64 = 0.35;
/// The extreme of a stretch of edge is less certain than one place of it, by this factor: flat tops in
/// noisy phantoms.
const EXTREME_SHARE: f64 = 1.4;
/// What the model misses at a crest, mm, and as a share of what blur takes off a crest of 1 mm radius
/// (s^2 / 2 R, first term of the expansion for a cylinder).
const CREST_MM: f64 = 0.015;
const CREST_SHARE: f64 = 0.7;

/// An edge along a line out of the bone.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct EdgeSources {
    /// Standard uncertainty from noise and levels, mm.
    pub(crate) noise_mm: f64,
    /// Outward move for one standard uncertainty of the blur, mm.
    pub(crate) blur_mm: f64,
    /// Standard uncertainty of the model, mm.
    pub(crate) model_mm: f64,
    /// Outward move for each millimetre mesially.
    pub(crate) drift: f64,
}

impl EdgeSources {
    /// Standard uncertainty, mm.
    pub(crate) fn u_mm(&self) -> f64 {
        self.noise_mm.hypot(self.blur_mm).hypot(self.model_mm)
    }

    pub(crate) fn budget(&self) -> Budget {
        Budget::default()
            .with(Source::Noise, self.noise_mm)
            .with(Source::Blur, self.blur_mm.abs())
            .with(Source::Model, self.model_mm)
    }
}

impl SectionBone {
    /// The sources at a place of the outline along `(buccal, apical)`.
    ///
    /// Where no wall was fitted there, all of [`crate::EdgeQuality`] counts as the model.
    pub(crate) fn edge_sources(&self, p: SectionPoint, along: (f64, f64)) -> EdgeSources {
        let fitted = self.walls.as_ref().and_then(|w| Some((w, w.edge_near(p)?)));
        let Some((walls, edge)) = fitted else {
            let model_mm = self.quality.u_edge_mm(self.slope_at(p, along)).hypot(self.low_mm());
            let model_mm = if self.is_beside_metal(p) { METAL_MM } else { model_mm };
            return EdgeSources { model_mm, ..EdgeSources::default() };
        };
        let cosine = (edge.inward.0 * along.0 + edge.inward.1 * along.1).abs();
        let longer = 1.0 / cosine.max(STEEPEST_COSINE);
        let sigma = self.quality.blur_fwhm_mm / FWHM_PER_SIGMA;
        let cut_off_mm = self.quality.cut_off.u_edge_mm(sigma);
        let thin = walls.blur.is_of_thin_walls();
        let missed = if thin { THIN_BLURS } else { MODEL_BLURS };
        EdgeSources {
            noise_mm: edge.u_mm * longer,
            blur_mm: -edge.by_sigma * walls.blur.u_sigma() * longer,
            model_mm: (missed * self.quality.blur_fwhm_mm)
                .hypot(BEND_MM2 * edge.bend)
                .hypot(cut_off_mm)
                * longer,
            drift: -edge.sinks * longer,
        }
    }

    /// Whether metal lies beside a place of the outline.
    pub(crate) fn is_beside_metal(&self, at: SectionPoint) -> bool {
        self.walls.as_ref().is_some_and(|walls| walls.is_beside_metal(at))
    }

    /// What a place without a fitted wall is uncertain by where the outline began at a level lower than
    /// half-way, mm.
    fn low_mm(&self) -> f64 {
        let low = self.walls.as_ref().is_some_and(|w| !w.is_half_way);
        if low { LOW_SHARE * self.quality.blur_fwhm_mm } else { 0.0 }
    }

    /// The sources of an extreme of the outline, crest or base.
    pub(crate) fn extreme_sources(&self, p: SectionPoint) -> EdgeSources {
        let along = (0.0, 1.0);
        let fitted = self.walls.as_ref().is_some_and(|w| w.edge_near(p).is_some());
        if !fitted {
            let model_mm = self.quality.u_tip_mm(self.slope_at(p, along)).hypot(self.low_mm());
            return EdgeSources { model_mm, ..EdgeSources::default() };
        }
        let edge = self.edge_sources(p, along);
        let sigma = self.quality.blur_fwhm_mm / FWHM_PER_SIGMA;
        let rounded = CREST_SHARE * 0.5 * sigma * sigma;
        EdgeSources {
            noise_mm: EXTREME_SHARE * edge.noise_mm,
            model_mm: edge.model_mm.hypot(CREST_MM).hypot(rounded),
            ..edge
        }
    }

    /// The sources of the crest, with what is uncertain of a tip that was put back.
    pub(crate) fn crest_sources(&self) -> EdgeSources {
        let crest = self.extreme_sources(self.crest);
        let tip = self.tip.map_or(0.0, |t| 0.5 * t.u95_mm);
        EdgeSources { model_mm: crest.model_mm.hypot(tip), ..crest }
    }
}
