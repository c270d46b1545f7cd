use super::*;

fn dir(x: f64, y: f64, z: f64) -> PatientDir {
    PatientVector::new(x, y, z).direction().expect("has a direction")
}

#[test]
fn a_turned_frame_and_a_turned_point_agree() {
    let frame = SectionFrame::new(
        PatientPoint::new(1.0, 2.0, 3.0),
        dir(0.2, -1.0, 0.1),
        PatientVector::new(0.1, 0.0, -1.0),
        PatientVector::new(-1.0, 0.0, 0.0),
    )
    .expect("a frame");
    let p = SectionPoint::new(1.5, 4.0);
    let place = frame.patient_from_section(p);
    for by in [-30.0, -1.0, 0.0, 12.5, 90.0] {
        let (q, off) = frame.turned(by).section_from_patient(place);
        assert!(off.abs() < 1e-12);
        assert!(q.distance_mm(p.in_turned_frame(by)) < 1e-12, "{by}: {q:?}");
    }
    // Turned by +90 degrees, apical points where buccal pointed.
    assert!(frame.turned(90.0).apical().angle_deg(frame.buccal()) < 1e-6);
}

#[test]
fn both_sides_of_both_jaws_keep_perpendicular_axes() {
    for x in [-1.0, 1.0] {
        for z in [-1.0, 1.0] {
            let frame = SectionFrame::new(
                PatientPoint::new(x * 20.0, 0.0, 0.0),
                dir(0.1, -1.0, 0.0),
                PatientVector::new(0.0, 0.0, z),
                PatientVector::new(x, 0.0, 0.0),
            )
            .expect("a frame");
            assert!(frame.buccal().dot(dir(x, 0.0, 0.0)) > 0.9);
            assert!(frame.apical().dot(dir(0.0, 0.0, z)) > 0.9);
            assert!(frame.buccal().dot(frame.apical()).abs() < 1e-12);
            assert!(frame.buccal().dot(frame.mesial()).abs() < 1e-12);
        }
    }
}

#[test]
fn directions_that_span_no_plane_are_refused() {
    let mesial = dir(0.0, -1.0, 0.0);
    let along = SectionFrame::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        mesial,
        PatientVector::new(0.0, 1.0, 0.001),
        PatientVector::new(1.0, 0.0, 0.0),
    );
    assert!(matches!(along, Err(SpaceError::Parallel { .. })));
    let no_side = SectionFrame::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        mesial,
        PatientVector::new(0.0, 0.0, -1.0),
        PatientVector::new(0.0, 1.0, 1.0),
    );
    assert!(matches!(no_side, Err(SpaceError::Parallel { .. })));
    let nan = SectionFrame::new(
        PatientPoint::new(f64::NAN, 0.0, 0.0),
        mesial,
        PatientVector::new(0.0, 0.0, -1.0),
        PatientVector::new(1.0, 0.0, 0.0),
    );
    assert_eq!(nan, Err(SpaceError::NotFinite));
}

#[test]
fn flat_voxels_are_refused() {
    let flat = Affine::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        [
            PatientVector::new(0.3, 0.0, 0.0),
            PatientVector::new(0.3, 0.0, 0.0),
            PatientVector::new(0.0, 0.0, 0.3),
        ],
    );
    assert!(matches!(flat, Err(SpaceError::Singular { .. })));
}

#[test]
fn rows_of_the_matrix_map_like_the_map() {
    let map = Affine::new(
        PatientPoint::new(-17.85, -14.85, -11.85),
        [
            PatientVector::new(0.3, 0.01, 0.0),
            PatientVector::new(0.0, 0.3, -0.02),
            PatientVector::new(0.0, 0.05, 0.4),
        ],
    )
    .expect("an affine");
    let v = VoxelCoord::new(3.25, 17.0, 60.5);
    let p = map.patient_from_voxel(v).to_array();
    let rows = map.to_rows();
    for (row, got) in rows.iter().zip(p) {
        let want = row[0] * v.i + row[1] * v.j + row[2] * v.k + row[3];
        assert!((want - got).abs() < 1e-12);
    }
    let back = map.voxel_from_patient(p.into());
    assert!((back.i - v.i).abs() + (back.j - v.j).abs() + (back.k - v.k).abs() < 1e-12);
}
