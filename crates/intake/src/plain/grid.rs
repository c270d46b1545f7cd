use jawgauge_space::{Affine, PatientPoint, PatientVector, VoxelCoord};

use super::{MOST_VOXELS, PlainFault, PlainNote, VoxelCode};

/// Plausible voxel steps, mm: the finest detectors of the trade are near 0.05, and wider than
/// 10 mm is no CT made (common practice, no source).
const STEP_MM: std::ops::RangeInclusive<f64> = 0.02..=10.0;
/// Farthest plausible coordinate of the first voxel, mm: there, single precision, in which
/// NIfTI stores it, still parts 0.01 mm, and no scanner is so large.
const FARTHEST_MM: f64 = 1e5;
/// Least share of the box of their lengths that the voxel steps may span: a stack leaning by
/// 60 degrees. Gantries tilt by 30 at most (common practice, no source).
const LEAST_SPAN: f64 = 0.5;
/// Steps off a right angle by more than this, degrees, are worth a word.
const SHEAR_TOLD_DEG: f64 = 0.1;
/// A spacing said besides the voxel steps may differ from them by this share before it is worth
/// a word: what two decimals of a fine spacing lose.
const SPACING_SHARE: f64 = 0.01;

/// Where the first voxel's centre lies and the steps along i, j, k: LPS, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placement {
    pub(super) origin: [f64; 3],
    pub(super) steps: [[f64; 3]; 3],
}

impl Placement {
    /// A placement given in axes whose directions are LPS times `signs`, in units of `unit_mm`.
    pub(super) fn from_axes(
        origin: [f64; 3],
        steps: [[f64; 3]; 3],
        signs: [f64; 3],
        unit_mm: f64,
    ) -> Self {
        let turned = |v: [f64; 3]| std::array::from_fn(|c| v[c] * signs[c] * unit_mm);
        Self { origin: turned(origin), steps: steps.map(turned) }
    }

    /// The checked map. `origin_field` and `steps_field` are named where a number cannot be used.
    pub(super) fn affine(
        &self,
        origin_field: &'static str,
        steps_field: &'static str,
    ) -> Result<Affine, PlainFault> {
        if !self.origin.iter().all(|c| c.abs() <= FARTHEST_MM) {
            return Err(PlainFault::Value {
                field: origin_field,
                value: shown(&self.origin),
                expected: format!("three coordinates within {FARTHEST_MM} mm"),
            });
        }
        let steps = self.steps.map(PatientVector::from);
        let lengths = steps.map(PatientVector::length_mm);
        let refused = |value: String, expected: &str| PlainFault::Value {
            field: steps_field,
            value,
            expected: expected.to_owned(),
        };
        if !lengths.iter().all(|mm| STEP_MM.contains(mm)) {
            let value = format!("voxel steps of {} mm", shown(&lengths));
            return Err(refused(value, "steps of 0.02 to 10 mm"));
        }
        let span = steps[0].cross(steps[1]).dot(steps[2]).abs() / lengths.iter().product::<f64>();
        let flat = || {
            let value = format!("voxel steps that span {span:.4} of the box of their lengths");
            refused(value, "steps that span at least half of it")
        };
        if !(span >= LEAST_SPAN) {
            return Err(flat());
        }
        Affine::new(PatientPoint::from(self.origin), steps).map_err(|_| flat())
    }
}

fn shown(numbers: &[f64; 3]) -> String {
    numbers.map(|n| format!("{n}")).join(" ")
}

/// The greatest departure of two voxel steps from a right angle, where it deserves a word.
pub(super) fn shear(affine: &Affine) -> Option<PlainNote> {
    let [i, j, k] = affine.steps();
    let off = |a: PatientVector, b: PatientVector| {
        (a.cross(b).length_mm().atan2(a.dot(b)).to_degrees() - 90.0).abs()
    };
    let angle_deg = off(i, j).max(off(i, k)).max(off(j, k));
    (angle_deg > SHEAR_TOLD_DEG).then_some(PlainNote::Sheared { angle_deg })
}

/// Notes for spacings that are said besides the voxel steps and differ.
pub(super) fn spacing_notes(
    affine: &Affine,
    field: &'static str,
    said_mm: [f64; 3],
) -> Vec<PlainNote> {
    let steps = affine.spacing_mm();
    (0..3)
        .filter(|&axis| !((said_mm[axis] / steps[axis] - 1.0).abs() <= SPACING_SHARE))
        .map(|axis| PlainNote::SpacingDisagrees {
            field,
            axis,
            said_mm: said_mm[axis],
            step_mm: steps[axis],
        })
        .collect()
}

/// How far two maps part: mm at the corners of the volume, degrees between the steps.
pub(super) fn parting(a: &Affine, b: &Affine, dims: [usize; 3]) -> (f64, f64) {
    let mut distance_mm = 0.0_f64;
    for corner in 0..8_usize {
        let at = |axis: usize| {
            if corner >> axis & 1 == 1 { dims[axis] as f64 - 1.0 } else { 0.0 }
        };
        let place = VoxelCoord::new(at(0), at(1), at(2));
        let apart = a.patient_from_voxel(place).distance_mm(b.patient_from_voxel(place));
        distance_mm = distance_mm.max(apart);
    }
    let angle_deg = a
        .steps()
        .into_iter()
        .zip(b.steps())
        .map(|(p, q)| p.cross(q).length_mm().atan2(p.dot(q)).to_degrees())
        .fold(0.0, f64::max);
    (distance_mm, angle_deg)
}

/// The checked dimensions and the bytes of all voxels.
pub(super) fn checked_dims(
    field: &'static str,
    sizes: [u64; 3],
    code: VoxelCode,
) -> Result<([usize; 3], u64), PlainFault> {
    let refused = || PlainFault::Value {
        field,
        value: sizes.map(|n| n.to_string()).join(" "),
        expected: format!("2 to {MOST_VOXELS} voxels each way"),
    };
    if !sizes.iter().all(|n| (2..=MOST_VOXELS).contains(n)) {
        return Err(refused());
    }
    let bytes = sizes.iter().try_fold(code.bytes(), |product, &n| product.checked_mul(n));
    let mut dims = [0; 3];
    for (dim, size) in dims.iter_mut().zip(sizes) {
        *dim = usize::try_from(size).map_err(|_| refused())?;
    }
    Ok((dims, bytes.ok_or_else(refused)?))
}
