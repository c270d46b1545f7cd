use jawgauge_space::{Affine, PatientPoint, PatientVector, VoxelCoord};
use ndarray::Array3;

use super::*;

fn ramp(dims: [usize; 3], grey: impl Fn(PatientPoint) -> f64) -> Volume {
    let affine = Affine::new(
        PatientPoint::new(-3.0, 2.0, 5.0),
        [
            PatientVector::new(0.3, 0.02, 0.0),
            PatientVector::new(-0.02, 0.3, 0.01),
            PatientVector::new(0.0, 0.1, 0.4),
        ],
    )
    .expect("an affine");
    let geometry = VolumeGeometry::new(dims, affine).expect("a grid");
    // 0.01 grey a stored step: rounding to whole stored values stays below 0.005 grey.
    let rescale = Rescale { slope: 0.01, intercept: -50.0 };
    let voxels = Array3::from_shape_fn((dims[2], dims[1], dims[0]), |(k, j, i)| {
        let at = centre_of(&affine, i, j, k);
        let stored = ((grey(at) - rescale.intercept) / rescale.slope).round();
        assert!((0.0..65536.0).contains(&stored), "{stored}");
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        {
            stored as u16
        }
    });
    Volume::new(geometry, StoredVoxels::Unsigned(voxels), vec![rescale; dims[2]]).expect("a volume")
}

fn centre_of(affine: &Affine, i: usize, j: usize, k: usize) -> PatientPoint {
    affine.patient_from_voxel(VoxelCoord::new(i as f64, j as f64, k as f64))
}

fn linear(p: PatientPoint) -> f64 {
    let [x, y, z] = p.to_array();
    100.0 + 12.0 * x - 7.0 * y + 3.0 * z
}

fn places(volume: &Volume, margin: f64) -> Vec<PatientPoint> {
    let [ni, nj, nk] = volume.geometry().dims().map(|n| n as f64 - 1.0 - 2.0 * margin);
    let mut out = Vec::new();
    for step in 0..200_u32 {
        let f = |a: u32| f64::from(step * a % 199) / 199.0;
        out.push(volume.geometry().affine().patient_from_voxel(VoxelCoord::new(
            margin + f(17) * ni,
            margin + f(53) * nj,
            margin + f(101) * nk,
        )));
    }
    out
}

#[test]
fn both_interpolations_reproduce_a_linear_ramp_within_a_hundredth_of_grey() {
    let volume = ramp([40, 34, 30], linear);
    let patch = CubicPatch::around(&volume, &places(&volume, 0.0)).expect("a patch");
    for p in places(&volume, 0.0) {
        let grey = volume.sample_linear(p).grey().expect("inside");
        assert!((grey - linear(p)).abs() <= 0.01, "{grey} {}", linear(p));
    }
    // Mirroring bends a ramp at the volume's edge; 10 voxels in it is gone.
    for p in places(&volume, 10.0) {
        let grey = patch.sample(p).grey().expect("inside");
        assert!((grey - linear(p)).abs() <= 0.01, "{grey} {}", linear(p));
    }
}

#[test]
fn the_spline_passes_through_the_voxels_and_does_not_notice_the_cut_of_its_box() {
    let wavy = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        150.0 + 60.0 * (3.0 * x).sin() + 40.0 * (2.0 * y + z).cos()
    };
    let volume = ramp([60, 60, 50], wavy);
    let centre = volume.geometry().centre();
    let near = [centre, centre + PatientVector::new(0.7, 0.7, 0.7)];
    let small = CubicPatch::around(&volume, &near).expect("a patch");
    let whole = CubicPatch::around(&volume, &places(&volume, 0.0)).expect("a patch");
    for (i, j, k) in [(30, 30, 25), (31, 29, 26), (30, 31, 24)] {
        let at = centre_of(volume.geometry().affine(), i, j, k);
        let grey = whole.sample(at).grey().expect("inside");
        assert!((grey - volume.voxel_grey(i, j, k).expect("scanned")).abs() < 1e-9);
    }
    for step in 0..20 {
        let p = near[0].toward(near[1], f64::from(step) / 19.0);
        let (a, b) = (small.sample(p).grey().expect("in"), whole.sample(p).grey().expect("in"));
        assert!((a - b).abs() < 1e-4, "{a} {b}");
    }
}

#[test]
fn a_place_on_the_outermost_centre_has_its_voxels_value_and_beyond_it_is_outside() {
    let volume = ramp([20, 20, 20], linear);
    let patch = CubicPatch::around(&volume, &places(&volume, 0.0)).expect("a patch");
    let at = |i: f64| VoxelCoord::new(i, 7.0, 9.0);
    for (corner, index) in [(0.0, 0), (19.0, 19)] {
        let value = volume.voxel_grey(index, 7, 9).expect("scanned");
        for nudge in [-1e-9, 0.0, 1e-9] {
            for sample in
                [volume.sample_linear_at(at(corner + nudge)), patch.sample_at(at(corner + nudge))]
            {
                assert!((sample.grey().expect("on the edge") - value).abs() < 1e-6);
            }
        }
    }
    for i in [-0.01, 19.01, f64::NAN] {
        assert_eq!(volume.sample_linear_at(at(i)), Sample::Outside);
        assert_eq!(patch.sample_at(at(i)), Sample::Outside);
    }
}

#[test]
fn padding_and_absent_slices_are_outside_and_do_not_ring() {
    let plain = ramp([30, 30, 30], linear);
    let StoredVoxels::Unsigned(mut voxels) = plain.voxels().clone() else { panic!("unsigned") };
    voxels.slice_axis_mut(ndarray::Axis(2), (20..).into()).fill(65_535);
    let mut absent = vec![false; 30];
    absent[5] = true;
    let rescale = vec![plain.rescale(0); 30];
    let volume = Volume::new(plain.geometry().clone(), StoredVoxels::Unsigned(voxels), rescale)
        .and_then(|v| v.with_padding(65_535, 65_535).with_absent_slices(absent))
        .expect("a volume");
    let patch = CubicPatch::around(&volume, &places(&volume, 0.0)).expect("a patch");
    let at = VoxelCoord::new;
    for outside in [at(19.5, 9.0, 12.0), at(25.0, 9.0, 12.0), at(9.0, 9.0, 5.0), at(9.0, 9.0, 4.5)]
    {
        assert_eq!(volume.sample_linear_at(outside), Sample::Outside);
        assert_eq!(patch.sample_at(outside), Sample::Outside);
    }
    for inside in [at(19.0, 9.0, 12.0), at(18.5, 9.0, 12.0), at(9.0, 9.0, 6.0)] {
        let truth = linear(plain.geometry().affine().patient_from_voxel(inside));
        let grey = volume.sample_linear_at(inside).grey().expect("inside");
        assert!((grey - truth).abs() <= 0.01);
        let grey = patch.sample_at(inside).grey().expect("inside");
        assert!((grey - truth).abs() <= 2.0, "a step of one voxel is 4 grey: {grey} {truth}");
    }
}

#[test]
fn disagreeing_parts_are_refused() {
    let plain = ramp([4, 4, 4], linear);
    let voxels = StoredVoxels::Signed(Array3::zeros((4, 4, 5)));
    let shape = Volume::new(plain.geometry().clone(), voxels, vec![plain.rescale(0); 4]);
    assert!(matches!(shape, Err(VolumeError::Shape { .. })));
    let flat = Volume::new(
        plain.geometry().clone(),
        plain.voxels().clone(),
        vec![Rescale { slope: 0.0, intercept: 0.0 }; 4],
    );
    assert!(matches!(flat, Err(VolumeError::Rescale { slice: 0, .. })));
    let count = Volume::new(plain.geometry().clone(), plain.voxels().clone(), vec![]);
    assert!(matches!(count, Err(VolumeError::SliceCount { expected: 4, found: 0 })));
    assert!(plain.with_absent_slices(vec![true]).is_err());
}

#[test]
fn a_part_samples_as_the_whole_and_tells_where_it_was_not_enough() {
    let whole = ramp([7, 6, 8], linear);
    let part = VoxelBox { first: [1, 2, 1], size: [4, 3, 4] };
    let StoredVoxels::Unsigned(all) = whole.voxels() else { panic!("unsigned") };
    let of_part = Array3::from_shape_fn((4, 3, 4), |(k, j, i)| all[[k + 1, j + 2, i + 1]]);
    let [_, _, nk] = whole.geometry().dims();
    let rescale: Vec<Rescale> = (0..nk).map(|k| whole.rescale(k)).collect();
    let geometry = whole.geometry().clone();
    let volume =
        Volume::of_part(geometry, part, StoredVoxels::Unsigned(of_part), rescale).expect("a part");
    for at in [[1.0, 2.0, 1.0], [1.3, 3.9, 4.0], [4.0, 4.0, 4.0], [2.5, 2.25, 1.125]] {
        let at = VoxelCoord::new(at[0], at[1], at[2]);
        assert_eq!(volume.sample_linear_at(at), whole.sample_linear_at(at), "{at:?}");
        assert!(volume.sample_linear_at(at).grey().is_some());
    }
    assert_eq!(volume.missed_voxels(), None);
    assert_eq!(volume.sample_linear_at(VoxelCoord::new(4.2, 3.0, 2.0)), Sample::Outside);
    let missed = volume.missed_voxels().expect("one was missed");
    assert_eq!(missed.first, [5, 3, 2]);
    assert_eq!(missed.size, [1, 1, 1]);
}
