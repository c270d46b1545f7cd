//! Real scans, found through `JAWGAUGE_SCANS`; without it these tests say that they were
//! skipped. The figures are from the description that comes with the scans.
#![allow(clippy::print_stderr)] // the only way to say that a test was skipped

mod common;

use std::path::PathBuf;

use common::assert_refused;
use jawgauge_intake::{ReadOptions, ScanWarning, list_series, read_scan};

fn scan(name: &str) -> Option<PathBuf> {
    let Some(root) = std::env::var_os("JAWGAUGE_SCANS") else {
        eprintln!("skipped: JAWGAUGE_SCANS is not set, {name} not read");
        return None;
    };
    Some(PathBuf::from(root).join(name))
}

#[test]
fn a_jaw_of_one_millimetre_voxels_is_read() {
    let Some(path) = scan("jaw-ct-1mm") else {
        return;
    };
    let scan = read_scan(&path, None).expect("read");
    assert_eq!(scan.volume.geometry().dims(), [170, 160, 50]);
    for mm in scan.volume.geometry().spacing_mm() {
        assert!((mm - 1.0).abs() < 1e-6, "{mm}");
    }
    let (low, high) = scan.volume.grey_range().expect("voxels");
    assert!(low < 0.0 && high > 1000.0, "{low} {high}");
    assert_eq!(list_series(&path, &ReadOptions::default()).expect("listed").len(), 1);
}

#[test]
fn one_head_scanned_flat_and_tilted_has_its_own_slice_steps() {
    let (Some(flat), Some(tilted)) = (scan("head-plastic-flat"), scan("head-plastic-tilted"))
    else {
        return;
    };
    let flat = read_scan(&flat, None).expect("read");
    assert!(!flat.warnings.iter().any(|w| matches!(w, ScanWarning::Sheared { .. })));
    let tilted = read_scan(&tilted, None).expect("read");
    let [i, j, k] = tilted.volume.geometry().affine().steps();
    let normal = i.cross(j).direction().expect("a normal");
    let along = k.dot(normal.as_vector());
    assert!((along - 2.371).abs() < 0.001, "{along} mm along the normal");
    let lean = k.direction().expect("a step").angle_deg(normal);
    assert!((lean - 18.5).abs() < 0.1, "{lean} degrees");
    assert!(tilted.warnings.iter().any(|w| matches!(w, ScanWarning::Sheared { .. })));
}

#[test]
fn a_head_with_slices_at_1_4_and_7_millimetres_is_refused() {
    let Some(path) = scan("head-uneven-tilted") else {
        return;
    };
    assert_refused(read_scan(&path, None), "uneven-slices", &["(0020,0032)", "mm"]);
}
