//! How slices find their places in the stack: order, gaps, repeats.

mod common;

use common::{
    assert_marker_in_place, assert_refused, base, codes, corner_error_mm, files_of, grid, reread,
    reread_p0, set, written,
};
use dicom_core::VR;
use dicom_dictionary_std::tags;
use jawgauge_intake::{ScanWarning, read_scan};
use jawgauge_phantom::{ScanOptions, p0_geometry, p0_rescale, sample_shape};
use jawgauge_space::{PatientPoint, VoxelCoord};
use jawgauge_volume::Sample;

#[test]
fn instance_numbers_and_file_names_do_not_order_slices() {
    let expected = reread_p0(|_, _| {}).expect("read").volume;
    let numbers: [fn(usize) -> String; 4] = [
        |k| (80 - k).to_string(),
        |_| String::new(),
        |_| "1".to_owned(),
        |k| (k * 7919 % 80).to_string(),
    ];
    for number in numbers {
        let options = ScanOptions::default()
            .with_edit(move |k, o| set(o, tags::INSTANCE_NUMBER, VR::IS, &number(k)))
            .with_file_name(|k| format!("IM{}", (k * 37 + 11) % 80 + 1));
        let dir = written(base(), &options);
        let scan = read_scan(dir.path(), None).expect("read");
        assert_eq!(scan.volume, expected);
        assert_marker_in_place(&scan.volume);
    }
}

fn without(
    slices: &'static [usize],
) -> Result<jawgauge_intake::Scan, jawgauge_intake::IntakeError> {
    let dir = written(base(), &ScanOptions::default());
    for k in slices {
        std::fs::remove_file(dir.path().join(format!("slice{k:04}.dcm"))).expect("removed");
    }
    read_scan(dir.path(), None)
}

#[test]
fn a_missing_slice_leaves_its_place_free_and_moves_no_other() {
    for (gone, before, after, found) in [
        (&[40][..], "slice0039.dcm", "slice0041.dcm", 0.6),
        (&[40, 41, 42][..], "slice0039.dcm", "slice0043.dcm", 1.2),
    ] {
        let scan = without(gone).expect("read");
        assert!(corner_error_mm(scan.volume.geometry(), &p0_geometry()) < 1e-9);
        let absent = scan.volume.absent_slices().iter();
        let absent: Vec<usize> = absent.enumerate().filter(|(_, a)| **a).map(|(k, _)| k).collect();
        assert_eq!(absent, gone);
        let [warning] = scan.warnings.as_slice() else { panic!("{:?}", scan.warnings) };
        let ScanWarning::MissingSlices { before: b, after: a, missing, found_mm, pitch_mm } =
            warning
        else {
            panic!("{warning:?}")
        };
        assert_eq!((b.as_str(), a.as_str(), *missing), (before, after, gone.len()));
        assert!((found_mm - found).abs() < 1e-9 && (pitch_mm - 0.3).abs() < 1e-9);
        let inside = scan.volume.sample_linear(PatientPoint::new(0.0, 0.0, -11.85 + 0.3 * 40.0));
        assert_eq!(inside, Sample::Outside);
    }
}

#[test]
fn the_first_slice_missing_only_shortens_the_scan() {
    let scan = without(&[0]).expect("read");
    assert_eq!(scan.volume.geometry().dims(), [120, 100, 79]);
    let origin = scan.volume.geometry().affine().patient_from_voxel(VoxelCoord::new(0.0, 0.0, 0.0));
    assert!(origin.distance_mm(PatientPoint::new(-17.85, -14.85, -11.55)) < 1e-9);
    assert!(scan.warnings.is_empty());
}

#[test]
fn every_second_slice_missing_in_one_half_is_not_averaged() {
    let gone: &[usize] =
        &[1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 31, 33, 35, 37, 39];
    let scan = without(gone).expect("read");
    assert!(corner_error_mm(scan.volume.geometry(), &p0_geometry()) < 1e-9);
    assert_eq!(codes(&scan), vec!["missing-slices"; 20]);
    assert_eq!(scan.facts.files, 60);
}

#[test]
fn an_uneven_step_is_refused_with_both_files_and_distances() {
    let shifted = |by: f64| {
        reread_p0(move |k, o| {
            if k >= 40 {
                let z = -11.85 + 0.3 * k as f64 + by;
                set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, &format!("-17.85\\-14.85\\{z:.6}"));
            }
        })
    };
    let parts = ["(0020,0032)", "slice0039.dcm", "slice0040.dcm", "0.4500", "0.3000"];
    assert_refused(shifted(0.15), "uneven-slices", &parts);
    // A step so wide that nothing but free places would be read.
    assert_refused(shifted(300.0), "uneven-slices", &["slice0039.dcm", "slice0040.dcm"]);
    // 1 % of the pitch is rounding.
    assert!(shifted(0.003).is_ok());
}

#[test]
fn a_slice_shifted_in_its_plane_is_refused() {
    let read = reread_p0(|k, o| {
        if k == 20 {
            set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, "-17.55\\-14.85\\-5.85");
        }
    });
    assert_refused(read, "slice-off-line", &["(0020,0032)", "slice0020.dcm"]);
}

#[test]
fn positions_written_with_two_decimals_keep_a_fine_pitch() {
    let geometry = grid(
        [20, 20, 60],
        [0.0, 0.0, 0.0],
        [[0.125, 0.0, 0.0], [0.0, 0.125, 0.0], [0.0, 0.0, 0.125]],
    );
    let grey = |p: PatientPoint| 60.0 + 100.0 * p.to_array()[0];
    let volume = sample_shape(geometry, p0_rescale(), grey, 1).expect("a volume");
    let scan = reread(&volume, |k, o| {
        let z = 0.125 * k as f64;
        set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, &format!("0.00\\0.00\\{z:.2}"));
    })
    .expect("read");
    assert_eq!(scan.volume.geometry().dims(), [20, 20, 60]);
    assert!((scan.volume.geometry().spacing_mm()[2] - 0.125).abs() < 1e-4);
}

#[test]
fn a_repeated_file_is_dropped_and_one_with_other_pixels_refused() {
    let dir = written(base(), &ScanOptions::default());
    let files = files_of(dir.path());
    std::fs::copy(&files[5], dir.path().join("copy.dcm")).expect("copied");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(codes(&scan), ["duplicate-slices"]);
    assert_eq!(scan.facts.files, 80);
    let mut bytes = std::fs::read(&files[5]).expect("read");
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    std::fs::write(dir.path().join("copy.dcm"), bytes).expect("written");
    let parts = ["(0020,0032)", "copy.dcm", "slice0005.dcm"];
    assert_refused(read_scan(dir.path(), None), "same-place", &parts);
}
