//! What must not matter: where the patient lies, and which side is which.

mod common;

use common::scene;
use jawgauge_bone::{MeasureOptions, SiteMeasure, measure_site};
use jawgauge_phantom::{Cortex, Noise, Profile};
use jawgauge_space::{Affine, PatientPoint, PatientVector, SectionFrame};
use jawgauge_volume::{Volume, VolumeGeometry};

/// The same volume with its grid mapped by `map`.
fn moved(volume: &Volume, map: impl Fn(PatientPoint) -> PatientPoint) -> Volume {
    let affine = volume.geometry().affine();
    let at = |i: f64, j: f64, k: f64| {
        map(affine.patient_from_voxel(jawgauge_space::VoxelCoord::new(i, j, k)))
    };
    let origin = at(0.0, 0.0, 0.0);
    let steps =
        [at(1.0, 0.0, 0.0) - origin, at(0.0, 1.0, 0.0) - origin, at(0.0, 0.0, 1.0) - origin];
    let affine = Affine::new(origin, steps).expect("an affine");
    let geometry = VolumeGeometry::new(volume.geometry().dims(), affine).expect("a grid");
    let rescale = (0..geometry.dims()[2]).map(|k| volume.rescale(k)).collect();
    Volume::new(geometry, volume.voxels().clone(), rescale).expect("a volume")
}

fn moved_frame(frame: &SectionFrame, map: impl Fn(PatientPoint) -> PatientPoint) -> SectionFrame {
    let vector = |v: PatientVector| map(frame.origin() + v) - map(frame.origin());
    SectionFrame::new(
        map(frame.origin()),
        vector(frame.mesial().as_vector()).direction().expect("a direction"),
        vector(frame.apical().as_vector()),
        vector(frame.buccal().as_vector()),
    )
    .expect("a frame")
}

fn assert_same(a: &SiteMeasure, b: &SiteMeasure, within_mm: f64) {
    for (a, b) in a.widths.iter().zip(&b.widths) {
        let (a, b) = (a.as_ref().expect("a width"), b.as_ref().expect("a width"));
        assert!((a.width.mm - b.width.mm).abs() <= within_mm, "{a:?} {b:?}");
        assert!((a.buccal.buccal_mm - b.buccal.buccal_mm).abs() <= within_mm, "{a:?} {b:?}");
        assert!((a.width.u95_mm - b.width.u95_mm).abs() <= within_mm, "{a:?} {b:?}");
    }
    let (a, b) = (a.height.expect("a height"), b.height.expect("a height"));
    assert!((a.mm - b.mm).abs() <= within_mm);
}

#[test]
fn a_rigid_motion_of_everything_leaves_every_millimetre_unchanged() {
    let mut scene = scene(
        Profile::Tapered { crest_radius_mm: 1.8, base_radius_mm: 4.5, height_mm: 22.0 },
        Cortex { buccal_mm: 1.0, lingual_mm: 1.8, crest_mm: 1.8, base_mm: 1.8 },
    );
    scene.noise = Noise { sd: 40.0, seed: 3 };
    let (volume, frame, options) = (scene.volume(), scene.frame(), MeasureOptions::default());
    let still = measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
    let (sin, cos) = 0.7_f64.sin_cos();
    let turn = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        PatientPoint::new(120.0 + cos * x - sin * z, y - 44.0, 7.5 + sin * x + cos * z)
    };
    let turned = measure_site(
        &moved(&volume, turn),
        moved_frame(&frame, turn),
        turn(scene.point()),
        &[],
        &options,
    )
    .expect("measured");
    assert_same(&still, &turned, 1e-6);
}

#[test]
fn a_mirror_swaps_the_sides_and_nothing_else() {
    let scene = scene(
        Profile::Rounded { radius_mm: 2.5, height_mm: 18.0 },
        Cortex { buccal_mm: 1.0, lingual_mm: 1.8, crest_mm: 1.8, base_mm: 1.8 },
    );
    let (volume, frame, options) = (scene.volume(), scene.frame(), MeasureOptions::default());
    let right = measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
    let mirror = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        PatientPoint::new(-x, y, z)
    };
    let left = measure_site(
        &moved(&volume, mirror),
        moved_frame(&frame, mirror),
        mirror(scene.point()),
        &[],
        &options,
    )
    .expect("measured");
    assert_same(&right, &left, 1e-6);
    let buccal_x = |m: &SiteMeasure| m.bone.frame.buccal().to_array()[0];
    assert!(buccal_x(&right) < -0.9 && buccal_x(&left) > 0.9);
}
