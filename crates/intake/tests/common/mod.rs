//! Scans with faults, and what is asked of every reading.
#![allow(dead_code)] // each test file uses its part

use std::path::Path;
use std::sync::OnceLock;

use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_object::InMemDicomObject;
use jawgauge_intake::{IntakeError, Scan, ScanWarning, read_scan};
use jawgauge_phantom::{ScanOptions, p0, p0_marker, write_scan};
use jawgauge_space::{Affine, PatientPoint, PatientVector, VoxelCoord};
use jawgauge_volume::{Volume, VolumeGeometry};
use tempfile::TempDir;

/// The base phantom, sampled once.
pub(crate) fn base() -> &'static Volume {
    static BASE: OnceLock<Volume> = OnceLock::new();
    BASE.get_or_init(p0)
}

/// Writes a volume into a new folder.
pub(crate) fn written(volume: &Volume, options: &ScanOptions) -> TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    write_scan(dir.path(), volume, options).expect("written");
    dir
}

/// Reads a volume back after `edit` has changed its slices.
pub(crate) fn reread(
    volume: &Volume,
    edit: impl Fn(usize, &mut InMemDicomObject) + Send + Sync + 'static,
) -> Result<Scan, IntakeError> {
    let dir = written(volume, &ScanOptions::default().with_edit(edit));
    read_scan(dir.path(), None)
}

/// Reads the base phantom back after `edit` has changed its slices.
pub(crate) fn reread_p0(
    edit: impl Fn(usize, &mut InMemDicomObject) + Send + Sync + 'static,
) -> Result<Scan, IntakeError> {
    reread(base(), edit)
}

pub(crate) fn set(object: &mut InMemDicomObject, tag: Tag, vr: VR, value: &str) {
    object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
}

pub(crate) fn set_us(object: &mut InMemDicomObject, tag: Tag, value: u16) {
    object.put(DataElement::new(tag, VR::US, PrimitiveValue::from(value)));
}

/// The codes of a scan's warnings.
pub(crate) fn codes(scan: &Scan) -> Vec<&'static str> {
    scan.warnings.iter().map(ScanWarning::code).collect()
}

/// Fails unless a reading was refused with `code` in one line that holds all `parts`.
pub(crate) fn assert_refused(read: Result<Scan, IntakeError>, code: &str, parts: &[&str]) {
    let error = match read {
        Ok(scan) => panic!("read with warnings {:?}, expected {code} {parts:?}", codes(&scan)),
        Err(error) => error,
    };
    let line = error.to_string();
    assert_eq!(error.code(), code, "{line}");
    for part in parts {
        assert!(line.contains(part), "{part:?} not in {line:?}");
    }
    assert!(!line.chars().any(char::is_control), "{line:?}");
}

/// Largest distance between the corners of two grids, mm.
pub(crate) fn corner_error_mm(a: &VolumeGeometry, b: &VolumeGeometry) -> f64 {
    assert_eq!(a.dims(), b.dims());
    let [ni, nj, nk] = a.dims().map(|n| n as f64 - 1.0);
    let mut worst: f64 = 0.0;
    for corner in 0..8_u8 {
        let pick = |bit: u8, n: f64| if corner >> bit & 1 == 1 { n } else { 0.0 };
        let at = VoxelCoord::new(pick(0, ni), pick(1, nj), pick(2, nk));
        let [p, q] = [a, b].map(|g| g.affine().patient_from_voxel(at));
        worst = worst.max(p.distance_mm(q));
    }
    worst
}

/// Centre of the voxels brighter than 2000 in the patient.
pub(crate) fn bright_centre(volume: &Volume) -> PatientPoint {
    let [ni, nj, nk] = volume.geometry().dims();
    let mut sum = PatientVector::new(0.0, 0.0, 0.0);
    let mut count = 0.0;
    let origin = PatientPoint::new(0.0, 0.0, 0.0);
    for k in 0..nk {
        for j in 0..nj {
            for i in 0..ni {
                if volume.voxel_grey(i, j, k).is_some_and(|g| g > 2000.0) {
                    let at = VoxelCoord::new(i as f64, j as f64, k as f64);
                    sum = sum + (volume.geometry().affine().patient_from_voxel(at) - origin);
                    count += 1.0;
                }
            }
        }
    }
    assert!(count > 0.0, "no bright voxel");
    origin + sum * (1.0 / count)
}

/// Fails unless the marker ball is at the patient's left, front and head.
pub(crate) fn assert_marker_in_place(volume: &Volume) {
    let found = bright_centre(volume);
    let off = found.distance_mm(p0_marker());
    assert!(off < 0.1, "{off} mm off at {:?}", found.to_array());
}

/// A grid of `dims` from its first voxel and its steps.
pub(crate) fn grid(dims: [usize; 3], origin: [f64; 3], steps: [[f64; 3]; 3]) -> VolumeGeometry {
    let affine = Affine::new(origin.into(), steps.map(PatientVector::from)).expect("an affine");
    VolumeGeometry::new(dims, affine).expect("a grid")
}

/// The files of a folder in order of their names.
pub(crate) fn files_of(dir: &Path) -> Vec<std::path::PathBuf> {
    let entries = std::fs::read_dir(dir).expect("a folder");
    let mut files: Vec<_> = entries.map(|e| e.expect("an entry").path()).collect();
    files.sort();
    files
}
