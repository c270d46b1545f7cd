use jawgauge_space::{Affine, PatientDir, PatientPoint, PatientVector, SectionPoint};
use jawgauge_volume::VolumeGeometry;

use crate::ridge::Ridge;
use crate::ridge_error::{RidgeError, length_in};
use crate::ridge_map::whole;

/// Smallest and largest voxel, mm.
const VOXEL_MM: (f64, f64) = (0.02, 10.0);
/// Stations are looked at this often for the box around an arc, mm; between them an arc of
/// 15 mm radius bulges by 0.0021 mm, far less than a voxel.
const STATION_STEP_MM: f64 = 0.5;

/// How a grid of voxels lies about a ridge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridOptions {
    /// Voxel steps along i, j, k, mm.
    pub spacing_mm: [f64; 3],
    /// The axis about which the grid is turned against the patient's axes, any length but 0.
    pub turn_axis: PatientVector,
    /// The angle of that turn, degrees, by the right-hand rule.
    pub turn_deg: f64,
    /// Shift of the grid along i, j, k, in voxels.
    pub shift_voxels: [f64; 3],
    /// Space around the bone, and beyond both ends of the axis, mm.
    pub margin_mm: f64,
}

impl Default for GridOptions {
    /// Voxels of 0.3 mm along the patient's axes, 3 mm around the bone.
    fn default() -> Self {
        Self {
            spacing_mm: [0.3; 3],
            turn_axis: PatientVector::new(0.0, 0.0, 1.0),
            turn_deg: 0.0,
            shift_voxels: [0.0; 3],
            margin_mm: 3.0,
        }
    }
}

impl GridOptions {
    /// The same with other voxel steps along i, j, k, mm.
    #[must_use]
    pub fn with_spacing_mm(mut self, spacing_mm: [f64; 3]) -> Self {
        self.spacing_mm = spacing_mm;
        self
    }

    /// The same turned about `axis` by `turn_deg`, right-hand rule.
    #[must_use]
    pub fn with_turn(mut self, axis: PatientVector, turn_deg: f64) -> Self {
        (self.turn_axis, self.turn_deg) = (axis, turn_deg);
        self
    }

    /// The same shifted by fractions of a voxel along i, j, k.
    #[must_use]
    pub fn with_shift_voxels(mut self, shift_voxels: [f64; 3]) -> Self {
        self.shift_voxels = shift_voxels;
        self
    }

    /// The same with another margin, mm.
    #[must_use]
    pub fn with_margin_mm(mut self, margin_mm: f64) -> Self {
        self.margin_mm = margin_mm;
        self
    }
}

impl Ridge {
    /// A grid of voxels that holds the bone from the first to the last place of the axis, and
    /// the margin around it.
    ///
    /// Unturned, i runs to the patient's left, j to the back, k to the head. The shift moves
    /// the grid by less than a voxel against the unshifted one for values between 0 and 1;
    /// the box stays covered because a layer is added on either side.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Length`] for a voxel or margin out of range, [`RidgeError::NotFinite`]
    /// for the turn or the shift, [`RidgeError::Space`] for a turn axis of no length.
    pub fn grid(&self, options: &GridOptions) -> Result<VolumeGeometry, RidgeError> {
        for spacing in options.spacing_mm {
            length_in("the voxel step", spacing, VOXEL_MM.0, VOXEL_MM.1)?;
        }
        let margin = length_in("the margin", options.margin_mm, 0.0, 100.0)?;
        if !options.turn_deg.is_finite() {
            return Err(RidgeError::NotFinite { what: "the turn" });
        }
        let axis = options.turn_axis.direction()?;
        let dirs = [PatientDir::left(), PatientDir::posterior(), PatientDir::superior()]
            .map(|d| turned(d.as_vector(), axis, options.turn_deg));
        let corners = self.corners(margin);
        let mut dims = [0; 3];
        let mut steps = dirs;
        let mut origin = PatientPoint::new(0.0, 0.0, 0.0);
        for axis in 0..3 {
            let spacing = options.spacing_mm[axis];
            let shift = options.shift_voxels[axis];
            if !shift.is_finite() {
                return Err(RidgeError::NotFinite { what: "the shift" });
            }
            let zero = PatientPoint::new(0.0, 0.0, 0.0);
            let along = corners.iter().map(|&c| (c - zero).dot(dirs[axis]));
            let (low, high) =
                along.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
            dims[axis] = whole(((high - low) / spacing).ceil()) + 3;
            origin = origin + dirs[axis] * (low + (shift - shift.floor() - 1.0) * spacing);
            steps[axis] = dirs[axis] * spacing;
        }
        Ok(VolumeGeometry::new(dims, Affine::new(origin, steps)?)?)
    }

    /// Corners of the sections' boxes along the axis, widened by `margin` every way.
    fn corners(&self, margin: f64) -> Vec<PatientPoint> {
        let outline = self.section().outline();
        let (sin, cos) = self.section().lean_deg().to_radians().sin_cos();
        // The section's axes in the shape's own.
        let (buccal, apical) = ([cos, sin], [-sin, cos]);
        let minus = |n: [f64; 2]| [-n[0], -n[1]];
        let across = [-outline.reach(minus(buccal)) - margin, outline.reach(buccal) + margin];
        let down = [-outline.reach(minus(apical)) - margin, outline.reach(apical) + margin];
        let length = self.length_mm() + 2.0 * margin;
        let count = whole((length / STATION_STEP_MM).ceil()).max(1);
        let mut corners = Vec::new();
        for n in 0..=count {
            let station = length * n as f64 / count as f64 - margin;
            for u in across {
                for v in down {
                    corners.push(self.place(station, SectionPoint::new(u, v)));
                }
            }
        }
        corners
    }
}

/// `v` turned about `axis` by the right-hand rule (Rodrigues' formula).
fn turned(v: PatientVector, axis: PatientDir, by_deg: f64) -> PatientVector {
    let (sin, cos) = by_deg.to_radians().sin_cos();
    let a = axis.as_vector();
    v * cos + a.cross(v) * sin + a * (a.dot(v) * (1.0 - cos))
}
