//! Small scans in odd orientations, for checks against other readers of DICOM.

use jawgauge_phantom::{ScanOptions, Storage, sample_shape_as};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, Volume, VolumeGeometry};

/// Columns, rows and slices; all different, so that an exchange shows.
const DIMS: [usize; 3] = [7, 5, 6];
/// Centre of the first voxel.
const ORIGIN: [f64; 3] = [-12.5, 31.25, -7.125];
/// Signed, with a slope that is no power of two.
const RESCALE: Rescale = Rescale { slope: 0.5, intercept: -100.0 };

/// A scan and how it is written.
pub(crate) struct OddStack {
    /// Its folder.
    pub(crate) name: &'static str,
    /// Its voxels: every one has another grey value.
    pub(crate) volume: Volume,
    /// How it is written: file names are not in the order of slices.
    pub(crate) options: ScanOptions,
}

/// Steps along i, j and k of each stack, mm.
fn all_steps() -> Vec<(&'static str, [[f64; 3]; 3])> {
    // A rotation about three axes, its columns written out to be exact to the last digit:
    // (2, -1, 2), (2, 2, -1), (-1, 2, 2), each over 3.
    let turned = |along: [f64; 3], mm: f64| along.map(|c| c / 3.0 * mm);
    let (a, b, c) = ([2.0, -1.0, 2.0], [2.0, 2.0, -1.0], [-1.0, 2.0, 2.0]);
    let add = |p: [f64; 3], q: [f64; 3]| [p[0] + q[0], p[1] + q[1], p[2] + q[2]];
    vec![
        ("axial", [[0.4, 0.0, 0.0], [0.0, 0.7, 0.0], [0.0, 0.0, 1.1]]),
        ("coronal", [[0.4, 0.0, 0.0], [0.0, 0.0, -0.7], [0.0, 1.1, 0.0]]),
        ("sagittal", [[0.0, 0.4, 0.0], [0.0, 0.0, -0.7], [-1.1, 0.0, 0.0]]),
        ("turned-half-about-y", [[-0.4, 0.0, 0.0], [0.0, 0.7, 0.0], [0.0, 0.0, -1.1]]),
        // Slices are handed to the writer against row x column.
        ("mirrored-order", [[-0.4, 0.0, 0.0], [0.0, 0.7, 0.0], [0.0, 0.0, 1.1]]),
        ("oblique", [turned(a, 0.4), turned(b, 0.7), turned(c, 1.1)]),
        ("sheared", [[0.4, 0.0, 0.0], [0.0, 0.7, 0.0], [0.0, 0.37, 1.1]]),
        (
            "oblique-sheared",
            [
                turned(a, 0.4),
                turned(b, 0.7),
                add(turned(c, 1.1), add(turned(a, 0.2), turned(b, -0.3))),
            ],
        ),
    ]
}

/// All odd stacks.
pub(crate) fn odd_stacks() -> Vec<OddStack> {
    all_steps()
        .into_iter()
        .zip(1_u128..)
        .map(|((name, steps), number)| {
            let affine = Affine::new(PatientPoint::from(ORIGIN), steps.map(PatientVector::from))
                .expect("steps that span a volume");
            let geometry = VolumeGeometry::new(DIMS, affine).expect("a grid");
            // Stored 10, 11, 12 …, in the order of k, j, i.
            let grey = |p: PatientPoint| {
                let [i, j, k] = affine.voxel_from_patient(p).to_array().map(f64::round);
                let [ni, nj, _] = DIMS.map(|n| n as f64);
                (10.0 + i + ni * (j + nj * k)) * RESCALE.slope + RESCALE.intercept
            };
            let volume = sample_shape_as(Storage::Signed, geometry, RESCALE, grey, 1)
                .expect("values of 16 bits");
            let options = ScanOptions::default()
                .with_uid_root(0x4d1e_0000_0000_0000_0000_0000_0000_0000 + (number << 32))
                .with_file_name(|k| format!("file{}.dcm", (5 * k + 2) % 6));
            OddStack { name, volume, options }
        })
        .collect()
}
