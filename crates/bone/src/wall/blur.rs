//! The scan's blur, found from its own edges.

use super::robust::median_and_spread;
use crate::profile::FWHM_PER_SIGMA;

/// Relative standard uncertainty of a blur that no edge told, and the least of one that edges told.
const U_SHARE_GUESSED: f64 = 0.2;
const U_SHARE_LEAST: f64 = 0.01;
/// ... of one that only thin walls told, whose thickness and blur are hard to part: those that seem thick and
/// sharp are asked, and tell it up to 18 % too low.
const U_SHARE_THIN: f64 = 0.15;
/// No single edge tells the blur better than to this share.
const OWN_SHARE: f64 = 0.03;
/// Edges that lean this far out of a plane of slices (cosine) tell of the blur along z.
const APART_LEAST: f64 = 0.3;
/// Blur along z counts as different where it differs by more than this many standard
/// uncertainties.
const APART_SIGMAS: f64 = 3.0;
/// A given blur is another where it differs by this share as well.
const OTHER_SHARE: f64 = 0.1;
/// ... and by this share, told by at least so many edges each.
const APART_SHARE: f64 = 0.12;
const APART_EDGES: usize = 5;
/// Fewest edges for one figure.
const FEWEST_EDGES: usize = 2;

/// Where a blur came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlurSource {
    /// Given by the user.
    Given,
    /// Fitted to edges of thick cortex around the site.
    Edges,
    /// Fitted to edges of walls hardly thicker than the blur: no thick cortex was found.
    ThinEdges,
    /// Read from the slope of the grey value at the outline: no thick cortex was found.
    Slope,
}

/// The blur of a scan near a site: a Gaussian, within the slices and along z.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blur {
    /// Full width at half maximum within the planes of slices, mm.
    pub in_plane_mm: f64,
    /// Full width at half maximum across them, mm; the same unless edges say otherwise.
    pub along_z_mm: f64,
    /// Standard uncertainty of either, mm.
    pub u_mm: f64,
    /// Where it came from.
    pub source: BlurSource,
    /// Edges that it was fitted to.
    pub edges: usize,
}

/// The blur as one edge tells it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EdgeBlur {
    /// Standard deviation of the blur and its standard uncertainty, mm.
    pub(crate) sigma: f64,
    pub(crate) u_sigma: f64,
    /// Square of the cosine between the edge's normal and z.
    pub(crate) z2: f64,
}

impl Blur {
    /// A blur that the user gave, the same every way.
    #[must_use]
    pub fn given(fwhm_mm: f64) -> Self {
        Self {
            in_plane_mm: fwhm_mm,
            along_z_mm: fwhm_mm,
            u_mm: U_SHARE_LEAST * fwhm_mm,
            source: BlurSource::Given,
            edges: 0,
        }
    }

    /// Standard deviation across an edge whose normal makes an angle with z, mm; `z2` is the square
    /// of its cosine.
    pub(crate) fn sigma(&self, z2: f64) -> f64 {
        let mean = self.in_plane_mm.powi(2) * (1.0 - z2) + self.along_z_mm.powi(2) * z2;
        mean.sqrt() / FWHM_PER_SIGMA
    }

    /// Standard uncertainty of that, mm.
    pub(crate) fn u_sigma(&self) -> f64 {
        self.u_mm / FWHM_PER_SIGMA
    }

    /// Whether no thick cortex told it: then nothing tells the level of cortex either.
    pub(crate) fn is_of_thin_walls(&self) -> bool {
        matches!(self.source, BlurSource::ThinEdges | BlurSource::Slope)
    }

    /// Whether it differs from another by more than three standard uncertainties and a tenth.
    pub(crate) fn is_other_than(&self, other: &Self) -> bool {
        let apart = (self.in_plane_mm - other.in_plane_mm).abs();
        apart > APART_SIGMAS * self.u_mm.hypot(other.u_mm) && apart > OTHER_SHARE * self.in_plane_mm
    }

    /// The same, no sharper than voxels are: the mean over a voxel blurs by as much as a Gaussian of 0.68
    /// steps (one step over the root of 12, times 2.355).
    pub(crate) fn no_sharper_than(self, voxel_mm: f64) -> Self {
        let least_mm = FWHM_PER_SIGMA / 12.0_f64.sqrt() * voxel_mm;
        Self {
            in_plane_mm: self.in_plane_mm.max(least_mm),
            along_z_mm: self.along_z_mm.max(least_mm),
            ..self
        }
    }

    /// The same, known no better than thin walls tell it.
    pub(crate) fn of_thin_walls(self) -> Self {
        let source = match self.source {
            BlurSource::Edges => BlurSource::ThinEdges,
            other => other,
        };
        Self { u_mm: self.u_mm.max(U_SHARE_THIN * self.in_plane_mm), source, ..self }
    }

    /// The blur that several edges tell; `guess_mm` where they are too few.
    pub(crate) fn of_edges(edges: &[EdgeBlur], guess_mm: f64) -> Self {
        let Some((all, u_all)) = middle(edges) else {
            return Self {
                in_plane_mm: guess_mm,
                along_z_mm: guess_mm,
                u_mm: U_SHARE_GUESSED * guess_mm,
                source: BlurSource::Slope,
                edges: edges.len(),
            };
        };
        let fwhm = |sigma: f64| FWHM_PER_SIGMA * sigma;
        let least = |sigma: f64, u: f64| fwhm(u.max(U_SHARE_LEAST * sigma));
        let same = Self {
            in_plane_mm: fwhm(all),
            along_z_mm: fwhm(all),
            u_mm: least(all, u_all),
            source: BlurSource::Edges,
            edges: edges.len(),
        };
        let flat: Vec<EdgeBlur> = edges.iter().filter(|e| e.z2 < APART_LEAST).copied().collect();
        let steep: Vec<EdgeBlur> =
            edges.iter().filter(|e| e.z2 > 1.0 - APART_LEAST).copied().collect();
        let (Some((a, ua)), Some((b, ub))) = (middle(&flat), middle(&steep)) else { return same };
        let few = flat.len().min(steep.len()) < APART_EDGES;
        let apart = (a - b).abs();
        if few || apart < APART_SIGMAS * ua.hypot(ub) || apart < APART_SHARE * all {
            return same;
        }
        Self { in_plane_mm: fwhm(a), along_z_mm: fwhm(b), u_mm: least(all, ua.max(ub)), ..same }
    }
}

/// Weighted mean of the edges within three spreads of their median, and its standard uncertainty by
/// their own or by their scatter, whichever is more.
fn middle(edges: &[EdgeBlur]) -> Option<(f64, f64)> {
    if edges.len() < FEWEST_EDGES {
        return None;
    }
    let (median, spread) = median_and_spread(edges.iter().map(|e| e.sigma).collect())?;
    // The uncertainty of a blur grows with the blur found; weights must not.
    let own = |e: &EdgeBlur| e.u_sigma / e.sigma * median;
    let kept: Vec<&EdgeBlur> =
        edges.iter().filter(|e| (e.sigma - median).abs() <= 3.0 * spread.max(own(e))).collect();
    let weight = |e: &EdgeBlur| 1.0 / (own(e).powi(2) + (OWN_SHARE * median).powi(2));
    let sum: f64 = kept.iter().map(|e| weight(e)).sum();
    let mean = kept.iter().map(|e| weight(e) * e.sigma).sum::<f64>() / sum;
    let scatter = kept.iter().map(|e| weight(e) * (e.sigma - mean).powi(2)).sum::<f64>() / sum;
    let n = kept.len() as f64;
    // Neighbouring edges share voxels: count half of them.
    Some((mean, (1.0 / sum).sqrt().max((2.0 * scatter / n).sqrt())))
}
