//! Which way the ridge runs where it is cut, from how its walls lean across the section.

use jawgauge_space::{PatientDir, SectionFrame};
use nalgebra::{Matrix3, Vector3};

use super::survey::Edge;

/// Only walls this near to the crest tell, mm.
const NEAR_MM: f64 = 12.0;
/// Fewest places for an answer.
const FEWEST: usize = 12;
/// Leans that miss by more than this many spreads count for less (Huber).
const HUBER: f64 = 1.5;
const ROUNDS: usize = 8;
/// Neighbouring places share voxels: so many of them count as one.
const SHARED: f64 = 3.0;

/// How the ridge runs against the normal of its section.
///
/// # Limits
///
/// Told by the walls within about a millimetre of the section: a ridge that bends or flares there is
/// told as it is there, not as it runs from tooth to tooth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidgeDirection {
    /// Angle between the ridge axis and the way the ridge runs, degrees.
    pub off_deg: f64,
    /// Its standard uncertainty, degrees.
    pub u_deg: f64,
    /// The part of it across the ridge, which widens widths: towards buccal where the ridge, followed
    /// mesially, drifts to the cheek; degrees.
    pub across_deg: f64,
    /// The part along the apical direction, which lengthens heights, degrees.
    pub apical_deg: f64,
    /// The way the ridge runs.
    pub runs: PatientDir,
}

impl RidgeDirection {
    /// Factor by which widths are too wide: 1 over the cosine of the part across.
    #[must_use]
    pub fn inflation(&self) -> f64 {
        1.0 / self.across_deg.to_radians().cos()
    }

    /// The direction that the leans of walls tell, within the first millimetres below the crest.
    ///
    /// Followed across the section, a wall with the inward normal n sinks by n . d + c for each
    /// millimetre: d is the drift of the ridge, c what it tapers by. Robust least squares.
    pub(crate) fn of_walls(edges: &[Edge], frame: &SectionFrame, crest_mm: f64) -> Option<Self> {
        let near: Vec<&Edge> =
            edges.iter().filter(|e| e.at.apical_mm - crest_mm <= NEAR_MM).collect();
        if near.len() < FEWEST {
            return None;
        }
        let row = |e: &Edge| Vector3::new(e.inward.0, e.inward.1, 1.0);
        let mut drift = Vector3::zeros();
        let mut spread = f64::INFINITY;
        let mut normal = Matrix3::zeros();
        for _ in 0..ROUNDS {
            normal = Matrix3::zeros();
            let mut right = Vector3::zeros();
            for e in &near {
                let miss: f64 = e.sinks - row(e).dot(&drift);
                let off = miss.abs() / spread;
                let weight = if off > HUBER { HUBER / off } else { 1.0 };
                normal += row(e) * row(e).transpose() * weight;
                right += row(e) * (weight * e.sinks);
            }
            drift = normal.cholesky()?.solve(&right);
            let mut off: Vec<f64> =
                near.iter().map(|e| (e.sinks - row(e).dot(&drift)).abs()).collect();
            off.sort_by(f64::total_cmp);
            spread = (1.4826 * off[off.len() / 2]).max(1e-4);
        }
        let covariance = normal.cholesky()?.inverse() * (SHARED * spread * spread);
        let runs =
            frame.mesial().as_vector() + frame.buccal() * drift[0] + frame.apical() * drift[1];
        let u = (covariance[(0, 0)] + covariance[(1, 1)]).sqrt();
        Some(Self {
            off_deg: drift[0].hypot(drift[1]).atan().to_degrees(),
            u_deg: u.atan().to_degrees(),
            across_deg: drift[0].atan().to_degrees(),
            apical_deg: drift[1].atan().to_degrees(),
            runs: runs.direction().ok()?,
        })
    }
}
