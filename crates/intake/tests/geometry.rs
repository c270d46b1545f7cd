//! Where voxels lie, whatever the files claim besides their positions.

mod common;

use common::{
    assert_marker_in_place, base, bright_centre, codes, corner_error_mm, grid, reread, reread_p0,
    set,
};
use dicom_core::VR;
use dicom_dictionary_std::tags;
use jawgauge_intake::ScanWarning;
use jawgauge_phantom::{P0_DIMS, p0_geometry, p0_grey, p0_on, p0_rescale, sample_shape};
use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::Sample;

#[test]
fn a_scan_comes_back_as_it_was_written() {
    let volume = base();
    let scan = reread(volume, |_, _| {}).expect("read");
    assert_eq!(scan.volume.voxels(), volume.voxels());
    assert!(corner_error_mm(scan.volume.geometry(), volume.geometry()) < 1e-9);
    assert_eq!(scan.volume.rescale(7), p0_rescale());
    assert!(scan.warnings.is_empty(), "{:?}", scan.warnings);
    assert_eq!((scan.facts.files, scan.facts.skipped.len()), (80, 0));
    assert!(scan.facts.identity_removed && !scan.facts.names_patient);
    assert_marker_in_place(&scan.volume);
}

#[test]
fn slice_thickness_and_spacing_between_slices_are_not_the_pitch() {
    let scan = reread_p0(|_, o| {
        set(o, tags::SLICE_THICKNESS, VR::DS, "0.50");
        set(o, tags::SPACING_BETWEEN_SLICES, VR::DS, "0.40");
    })
    .expect("read");
    assert!((scan.volume.geometry().spacing_mm()[2] - 0.3).abs() < 1e-9);
    let [warning] = scan.warnings.as_slice() else { panic!("{:?}", scan.warnings) };
    let ScanWarning::SpacingAttributesDisagree {
        slice_thickness_mm,
        spacing_between_slices_mm,
        pitch_mm,
        files,
    } = warning
    else {
        panic!("{warning:?}")
    };
    assert_eq!((*slice_thickness_mm, *spacing_between_slices_mm), (Some(0.5), Some(0.4)));
    assert!((pitch_mm - 0.3).abs() < 1e-9);
    assert_eq!(*files, 80);
    let text = warning.to_string();
    assert!(text.contains("(0018,0050)") && text.contains("(0018,0088)"), "{text}");
}

#[test]
fn slice_thickness_absent_zero_odd_or_negative_changes_no_millimetre() {
    type Case = (&'static str, Option<&'static str>, usize);
    let cases: [Case; 4] = [
        ("absent", None, 0),
        ("zero", Some("0"), 80),
        ("text", Some("thin"), 0),
        ("negative", Some("-0.30"), 80),
    ];
    for (name, value, disagreeing) in cases {
        let scan = reread_p0(move |_, o| match value {
            Some(value) => set(o, tags::SLICE_THICKNESS, VR::DS, value),
            None => {
                o.remove_element(tags::SLICE_THICKNESS);
            }
        })
        .expect("read");
        assert!((scan.volume.geometry().spacing_mm()[2] - 0.3).abs() < 1e-9, "{name}");
        let files = scan.warnings.iter().map(|w| match w {
            ScanWarning::SpacingAttributesDisagree { files, .. } => *files,
            other => panic!("{other:?}"),
        });
        assert_eq!(files.sum::<usize>(), disagreeing, "{name}");
    }
    let scan = reread_p0(|k, o| {
        if k == 30 {
            set(o, tags::SLICE_THICKNESS, VR::DS, "0.60");
        }
    })
    .expect("read");
    assert!(matches!(scan.warnings[..], [ScanWarning::SpacingAttributesDisagree { files: 1, .. }]));
}

#[test]
fn positions_are_voxel_centres_so_the_ridge_stays_in_the_middle() {
    let scan = reread_p0(|_, _| {}).expect("read");
    // Half-way grey 630 on either side of the ridge along x, at the height of the origin.
    let edge = |side: f64| {
        let at = |x: f64| scan.volume.sample_linear(PatientPoint::new(side * x, 0.05, 0.05));
        let (mut inside, mut outside) = (2.0, 4.0);
        for _ in 0..40 {
            let middle = (inside + outside) / 2.0;
            let bone = at(middle).grey().expect("inside the scan") > 630.0;
            *(if bone { &mut inside } else { &mut outside }) = middle;
        }
        side * inside
    };
    let (left, right) = (edge(1.0), edge(-1.0));
    assert!(((left + right) / 2.0).abs() < 1e-6, "{left} {right}");
    assert!((left - right - 6.0).abs() < 1e-6, "{left} {right}");
}

#[test]
fn outside_the_scan_is_no_grey_value_and_the_outermost_centres_are_inside() {
    let shift = PatientVector::new(16.0, 0.0, 0.0);
    let shape = move |p: PatientPoint| p0_grey(p - shift);
    let volume = sample_shape(p0_geometry(), p0_rescale(), shape, 1).expect("a volume");
    let scan = reread(&volume, |_, _| {}).expect("read");
    assert_eq!(scan.volume.sample_linear(PatientPoint::new(19.0, 0.0, 0.0)), Sample::Outside);
    for (x, i) in [(-17.85, 0), (17.85, 119)] {
        for nudge in [-1e-9, 0.0, 1e-9] {
            let grey = scan.volume.sample_linear(PatientPoint::new(x + nudge, 0.15, 0.15)).grey();
            let voxel = volume.voxel_grey(i, 50, 40).expect("scanned");
            assert!((grey.expect("inside") - voxel).abs() < 1e-5);
        }
        let beyond = PatientPoint::new(x * (1.0 + 1e-4), 0.15, 0.15);
        assert_eq!(scan.volume.sample_linear(beyond), Sample::Outside);
    }
}

#[test]
fn the_same_anatomy_stored_in_other_directions_keeps_left_right_and_up() {
    let s = 0.3;
    let grids = [
        (
            "rows run to the right",
            grid(P0_DIMS, [17.85, -14.85, -11.85], [[-s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, s]]),
        ),
        (
            "coronal",
            grid(
                [120, 80, 100],
                [-17.85, -14.85, 11.85],
                [[s, 0.0, 0.0], [0.0, 0.0, -s], [0.0, s, 0.0]],
            ),
        ),
        (
            "sagittal",
            grid(
                [100, 80, 120],
                [-17.85, -14.85, 11.85],
                [[0.0, s, 0.0], [0.0, 0.0, -s], [s, 0.0, 0.0]],
            ),
        ),
        (
            "slices run down",
            grid(P0_DIMS, [-17.85, -14.85, 11.85], [[s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, -s]]),
        ),
    ];
    for (name, geometry) in grids {
        let scan = reread(&p0_on(geometry).expect("a volume"), |_, _| {}).expect("read");
        assert_marker_in_place(&scan.volume);
        let [a, b, c] = scan.volume.geometry().affine().steps();
        assert!(a.cross(b).dot(c) > 0.0, "{name}: slices run along row x column");
        for (p, grey) in
            [([0.1, 0.1, 2.8], 1200.0), ([0.1, 0.1, -8.8], 1200.0), ([0.1, 0.1, 4.0], 60.0)]
        {
            let found = scan.volume.sample_linear(p.into()).grey().expect("inside");
            assert!((found - grey).abs() < 1e-6, "{name} {p:?} {found}");
        }
    }
}

#[test]
fn feet_first_in_the_patient_position_turns_nothing() {
    let plain = reread_p0(|_, _| {}).expect("read");
    let feet_first = reread_p0(|_, o| set(o, tags::PATIENT_POSITION, VR::CS, "FFS")).expect("read");
    assert_eq!(feet_first.volume, plain.volume);
}

#[test]
fn a_tilted_gantry_shears_the_affine_and_not_the_anatomy() {
    let lean = 0.3 * 10_f64.to_radians().tan();
    let sheared = grid(
        P0_DIMS,
        [-17.85, -14.85, -11.85],
        [[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, lean, 0.3]],
    );
    let volume = p0_on(sheared).expect("a volume");
    let mut read = Vec::new();
    for tilt in [None, Some("10"), Some("-10")] {
        let scan = reread(&volume, move |_, o| {
            if let Some(tilt) = tilt {
                set(o, tags::GANTRY_DETECTOR_TILT, VR::DS, tilt);
            }
        })
        .expect("read");
        assert!(corner_error_mm(scan.volume.geometry(), volume.geometry()) < 1e-6);
        assert_eq!(codes(&scan), ["sheared-stack"]);
        let ScanWarning::Sheared { angle_deg } = scan.warnings[0] else { panic!("sheared") };
        assert!((angle_deg - 10.0).abs() < 1e-6, "{angle_deg}");
        assert_marker_in_place(&scan.volume);
        read.push(scan.volume);
    }
    assert!(read.iter().all(|v| *v == read[0]));
}

#[test]
fn row_and_column_spacing_are_not_exchanged() {
    let geometry = grid(
        [90, 100, 40],
        [-17.8, -14.85, -11.7],
        [[0.4, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, 0.0, 0.6]],
    );
    let scan = reread(&p0_on(geometry).expect("a volume"), |_, o| {
        // Row spacing, then column spacing: DICOM PS3.3 section 10.7.1.3.
        assert_eq!(
            o.element(tags::PIXEL_SPACING).expect("there").to_str().expect("text"),
            "0.3\\0.4"
        );
    })
    .expect("read");
    let spacing = scan.volume.geometry().spacing_mm();
    assert!(spacing.iter().zip([0.4, 0.3, 0.6]).all(|(a, b)| (a - b).abs() < 1e-9), "{spacing:?}");
    assert!(bright_centre(&scan.volume).distance_mm(jawgauge_phantom::p0_marker()) < 0.2);
}
