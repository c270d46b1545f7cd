//! How sure an edge, a width and a height are.

use crate::cut_off::CutOff;
use crate::gum::Budget;

/// Share of the voxel step by which interpolation may miss an edge: the largest error seen in
/// noise-free phantoms of 0.2 to 0.4 mm voxels at any phase, over the voxel step, over 2.
const VOXEL_SHARE: f64 = 0.04;
/// Part of the voxel noise that is left in the place of one edge after the fit to the voxels around.
const NOISE_SHARE: f64 = 0.5;
/// No edge is said to be surer than this, one standard deviation, mm.
const LEAST_U_MM: f64 = 0.01;
/// The extreme of a stretch of edge is less certain than one place of it, by this factor: flat
/// tops in noisy phantoms.
const EXTREME_SHARE: f64 = 1.4;
/// Tightest crest that the allowance for rounding by blur is made for, mm.
const CREST_RADIUS_MM: f64 = 1.0;

/// A value with its expanded uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value, mm.
    pub mm: f64,
    /// Its expanded uncertainty, coverage factor 2, mm.
    pub u95_mm: f64,
    /// What that is made of.
    pub budget: Budget,
}

impl Measured {
    /// A value with what it is uncertain by.
    #[must_use]
    pub fn new(mm: f64, budget: Budget) -> Self {
        Self { mm, u95_mm: budget.u95_mm(), budget }
    }
}

/// What the place of an edge is uncertain by.
///
/// A simple bound for places where no wall was fitted (corners, beside metal, with a given threshold): the
/// threshold's own uncertainty and the noise, both divided by the slope of the grey value along
/// the line of measurement, and a share of the voxel step for interpolation. Budgets hold it as
/// [`crate::gum::Source::Model`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeQuality {
    /// Uncertainty of the threshold, grey values (`None`: not known).
    pub u_grey: Option<f64>,
    /// Noise, grey values.
    pub noise: f64,
    /// The longest voxel step, mm.
    pub voxel_mm: f64,
    /// Blur of the scan at the edges, full width at half maximum, mm.
    pub blur_fwhm_mm: f64,
    /// Contrast of cortex against outside, grey values.
    pub contrast: f64,
    /// Ends of the scale that cut off the grey values of one side of the edge.
    pub cut_off: CutOff,
}

impl EdgeQuality {
    /// Standard uncertainty of an edge that is crossed at `slope` grey values a millimetre.
    ///
    /// A slope that is not known is taken as a quarter of that of a clean edge.
    #[must_use]
    pub fn u_edge_mm(&self, slope: Option<f64>) -> f64 {
        let sigma = self.blur_fwhm_mm / crate::profile::FWHM_PER_SIGMA;
        let clean = self.contrast / (sigma * (2.0 * std::f64::consts::PI).sqrt());
        let slope = slope.map_or(0.25 * clean, f64::abs).max(0.1 * clean);
        let threshold = self.u_grey.unwrap_or(0.25 * self.contrast) / slope;
        let noise = NOISE_SHARE * self.noise / slope;
        let voxel = VOXEL_SHARE * self.voxel_mm;
        let cut_off = self.cut_off.u_edge_mm(sigma);
        let squares = threshold.powi(2) + noise.powi(2) + voxel.powi(2) + cut_off.powi(2);
        squares.sqrt().max(LEAST_U_MM)
    }

    /// Standard uncertainty of the crest or base: an edge, and what blur takes off a tip.
    ///
    /// Blur of standard deviation s moves the contour of a crest of radius R by about
    /// s^2 / (2 R) (first term of the expansion for a cylinder); R = 1 mm is allowed for.
    #[must_use]
    pub fn u_tip_mm(&self, slope: Option<f64>) -> f64 {
        let sigma = self.blur_fwhm_mm / crate::profile::FWHM_PER_SIGMA;
        EXTREME_SHARE * self.u_edge_mm(slope).hypot(sigma * sigma / (2.0 * CREST_RADIUS_MM))
    }
}

/// Expanded uncertainty of a place that a person marked on the scan, mm: anywhere within one
/// voxel of it, all equally likely (a rectangular distribution, JCGM 100:2008 section 4.3.7,
/// from memory), coverage factor 2.
#[must_use]
pub fn u95_of_marked_place(voxel_mm: f64) -> f64 {
    2.0 * voxel_mm / 3.0_f64.sqrt()
}
