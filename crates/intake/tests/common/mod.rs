//! Scans with faults, and what is asked of every reading.
#![allow(dead_code)] // each test file uses its part

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::uids;
use dicom_object::InMemDicomObject;
use jawgauge_intake::{IntakeError, Scan, ScanWarning, read_scan};
use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, ScanOptions, encode_jpeg_lossless, encode_rle, p0, p0_geometry,
    p0_marker, write_multi_frame, write_scan,
};
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

/// Writes a volume as one object into a new folder; the folder, and the file in it.
pub(crate) fn in_one(
    volume: &Volume,
    kind: MultiFrameKind,
    options: &ScanOptions,
) -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("scan.dcm");
    write_multi_frame(&file, volume, kind, options).expect("written");
    (dir, file)
}

/// Reads the base phantom back from one object.
pub(crate) fn reread_one(kind: MultiFrameKind, options: &ScanOptions) -> Result<Scan, IntakeError> {
    let (dir, _) = in_one(base(), kind, options);
    read_scan(dir.path(), None)
}

/// Reads the base phantom back from one object after `edit` has changed it.
pub(crate) fn reedit_one(
    kind: MultiFrameKind,
    edit: impl Fn(&mut InMemDicomObject) + Send + Sync + 'static,
) -> Result<Scan, IntakeError> {
    reread_one(kind, &ScanOptions::default().with_edit(move |_, o| edit(o)))
}

/// Changes the bytes of a file.
pub(crate) fn change_file(path: &Path, change: impl FnOnce(&mut Vec<u8>)) {
    let mut bytes = std::fs::read(path).expect("read");
    change(&mut bytes);
    std::fs::write(path, bytes).expect("written");
}

/// Fails unless a reading is the base phantom, voxel for voxel and in its place, with
/// exactly these warnings.
pub(crate) fn assert_p0(read: Result<Scan, IntakeError>, warnings: &[&str], name: &str) {
    let scan = read.unwrap_or_else(|e| panic!("{name}: {e}"));
    assert_eq!(codes(&scan), warnings, "{name}");
    assert_eq!(scan.volume.voxels(), base().voxels(), "{name}");
    let off = corner_error_mm(scan.volume.geometry(), &p0_geometry());
    assert!(off < 1e-6, "{name}: {off} mm");
    for k in [0, 79] {
        assert_eq!(scan.volume.rescale(k), base().rescale(k), "{name}");
    }
    assert!(scan.volume.absent_slices().iter().all(|a| !a), "{name}");
}

/// JPEG Lossless, First-Order Prediction.
pub(crate) const JPEG: &str = uids::JPEG_LOSSLESS_SV1;

pub(crate) fn jpeg_with(how: JpegLossless) -> ScanOptions {
    ScanOptions::default().with_encoded_frames(JPEG, move |_, samples, rows, columns| {
        encode_jpeg_lossless(samples, columns, rows, how)
    })
}

pub(crate) fn jpeg() -> ScanOptions {
    jpeg_with(JpegLossless::default())
}

pub(crate) fn rle() -> ScanOptions {
    ScanOptions::default().with_encoded_frames(uids::RLE_LOSSLESS, |_, samples, _, columns| {
        encode_rle(samples, columns)
    })
}
