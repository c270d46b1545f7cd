//! Small scans of every form, and files of them with wrong bytes.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jawgauge_intake::{IntakeError, ReadOptions, list_series, open_scan};
use jawgauge_phantom::{
    Fragments, JpegLossless, MultiFrameKind, NiftiOptions, NrrdOptions, OffsetTable, ScanOptions,
    ScanSyntax, ZipMethod, damage, encode_jpeg_lossless, encode_rle, p0_grey, p0_rescale,
    sample_shape, write_dicomdir, write_multi_frame, write_nifti, write_nrrd, write_scan,
    write_zip,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Volume, VolumeGeometry};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// The longest that a scan of some kilobytes may take, however it is damaged.
pub(crate) const LONGEST: Duration = Duration::from_secs(1);
/// The most that reading one may hold, bytes.
#[allow(dead_code)] // the test has its own bound
pub(crate) const MOST_BYTES: f64 = 300e6;

/// Numbers at which lengths and counts overflow or change their meaning.
const EDGES: [u32; 12] = [
    0,
    1,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0x8000,
    0xFFFF,
    0x7FFF_FFFF,
    0x8000_0000,
    0xFFFF_FFFE,
    0xFFFF_FFFF,
];

/// One small scan: its name and its files, relative to a folder of its own.
pub(crate) struct Form {
    pub(crate) name: &'static str,
    pub(crate) files: Vec<(PathBuf, Vec<u8>)>,
    /// What is read: a file of it, or the folder.
    pub(crate) entry: Option<PathBuf>,
}

fn small() -> Volume {
    let steps = [[0.9, 0.0, 0.0], [0.0, 0.8, 0.0], [0.0, 0.0, 0.7]];
    let affine = Affine::new(PatientPoint::new(-4.0, -3.0, -1.0), steps.map(PatientVector::from));
    let geometry = VolumeGeometry::new([11, 9, 5], affine.expect("an affine")).expect("a grid");
    let grey = |p: PatientPoint| p0_grey(p) + 10.0 * p.to_array()[1];
    sample_shape(geometry, p0_rescale(), grey, 1).expect("a volume")
}

fn files_below(root: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![root.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(root).expect("below").to_owned();
                found.push((name, fs::read(&path).expect("read")));
            }
        }
    }
    found.sort();
    found
}

fn form(name: &'static str, entry: Option<&str>, write: impl Fn(&Path)) -> Form {
    let dir = tempfile::tempdir().expect("a folder");
    write(dir.path());
    Form { name, files: files_below(dir.path()), entry: entry.map(PathBuf::from) }
}

/// A scan of every form that is read.
pub(crate) fn forms() -> Vec<Form> {
    let volume = small();
    let rle = |_: usize, s: &[u16], _: u16, columns: u16| encode_rle(s, columns);
    let jpeg = |_: usize, s: &[u16], rows: u16, columns: u16| {
        encode_jpeg_lossless(s, columns, rows, JpegLossless::default().with_restart_rows(2))
    };
    let series = |options: ScanOptions| {
        let volume = &volume;
        move |dir: &Path| {
            write_scan(dir, volume, &options).expect("written");
        }
    };
    let frames = |kind: MultiFrameKind, options: ScanOptions| {
        let volume = &volume;
        move |dir: &Path| {
            write_multi_frame(&dir.join("all"), volume, kind, &options).expect("written");
        }
    };
    let syntax = |syntax| ScanOptions::default().with_syntax(syntax);
    let (rle_uid, jpeg_uid) = ("1.2.840.10008.1.2.5", "1.2.840.10008.1.2.4.70");
    let packed = |method: ZipMethod| {
        let volume = &volume;
        move |dir: &Path| {
            let inside = tempfile::tempdir().expect("a folder");
            write_scan(inside.path(), volume, &ScanOptions::default()).expect("written");
            write_zip(inside.path(), &dir.join("scan.zip"), method).expect("packed");
        }
    };
    let nifti = |name: &'static str, options: NiftiOptions| {
        let volume = &volume;
        move |dir: &Path| write_nifti(&dir.join(name), volume, &options).expect("written")
    };
    let nrrd = |name: &'static str| {
        let volume = &volume;
        move |dir: &Path| {
            write_nrrd(&dir.join(name), volume, &NrrdOptions::default()).expect("written");
        }
    };
    vec![
        form("explicit", None, series(syntax(ScanSyntax::ExplicitLittleEndian))),
        form("implicit", None, series(syntax(ScanSyntax::ImplicitLittleEndian))),
        form("big-endian", None, series(syntax(ScanSyntax::ExplicitBigEndian))),
        form("deflated", None, series(syntax(ScanSyntax::Deflated))),
        form("rle", None, series(ScanOptions::default().with_encoded_frames(rle_uid, rle))),
        form("jpeg", None, series(ScanOptions::default().with_encoded_frames(jpeg_uid, jpeg))),
        form("bare", None, |dir: &Path| {
            for path in write_scan(dir, &volume, &ScanOptions::default()).expect("written") {
                damage::edit_file(&path, damage::strip_meta).expect("stripped");
            }
        }),
        form("plain-frames", None, frames(MultiFrameKind::PlainCt, ScanOptions::default())),
        form("enhanced", None, frames(MultiFrameKind::EnhancedCt, ScanOptions::default())),
        form("enhanced-implicit", None, {
            frames(MultiFrameKind::LegacyConvertedCt, syntax(ScanSyntax::ImplicitLittleEndian))
        }),
        form("jpeg-frames", None, {
            let fragments =
                Fragments::default().with_items_per_frame(2).with_table(OffsetTable::Basic);
            let options = ScanOptions::default().with_encoded_frames(jpeg_uid, jpeg);
            frames(MultiFrameKind::XRay3dCraniofacial, options.with_fragments(fragments))
        }),
        form("rle-frames", None, {
            let fragments = Fragments::default().with_table(OffsetTable::Extended);
            let options = ScanOptions::default().with_encoded_frames(rle_uid, rle);
            frames(MultiFrameKind::PlainCt, options.with_fragments(fragments))
        }),
        form("directory", Some("DICOMDIR"), |dir: &Path| {
            let options = ScanOptions::default().with_file_name(|k| format!("SCAN/IM{k}"));
            write_scan(dir, &volume, &options).expect("written");
            write_dicomdir(dir).expect("a directory");
        }),
        form("zip-stored", Some("scan.zip"), packed(ZipMethod::Stored)),
        form("zip-deflated", Some("scan.zip"), packed(ZipMethod::Deflated)),
        form("nifti", Some("scan.nii"), nifti("scan.nii", NiftiOptions::default())),
        form("nifti-gz", Some("scan.nii.gz"), nifti("scan.nii.gz", NiftiOptions::default())),
        form("nrrd", Some("scan.nrrd"), nrrd("scan.nrrd")),
        form("nhdr", Some("scan.nhdr"), nrrd("scan.nhdr")),
    ]
}

/// Bytes with one to four faults.
pub(crate) fn mutated(bytes: &[u8], other: &[u8], rng: &mut ChaCha8Rng) -> Vec<u8> {
    let mut out = bytes.to_vec();
    for _ in 0..rng.random_range(1..=4_u8) {
        if out.is_empty() {
            break;
        }
        // Headers are where lengths stand: half of the faults go to the first kilobytes.
        let reach = if rng.random_bool(0.5) { out.len().min(2048) } else { out.len() };
        let at = rng.random_range(0..reach);
        let end = (at + rng.random_range(1..=64_usize)).min(out.len());
        match rng.random_range(0..9_u8) {
            0 => out[at] ^= 1 << rng.random_range(0..8_u8),
            1 => out[at] = rng.random(),
            2 => out[at..end].fill(if rng.random() { 0 } else { 0xFF }),
            3 | 4 => {
                let edge = EDGES[rng.random_range(0..EDGES.len())];
                let number = if rng.random() { edge.to_le_bytes() } else { edge.to_be_bytes() };
                let width = [1, 2, 4][rng.random_range(0..3_usize)].min(out.len() - at);
                out[at..at + width].copy_from_slice(&number[..width]);
            }
            5 => {
                out.drain(at..end);
            }
            6 => {
                let again = out[at..end].to_vec();
                out.splice(at..at, again);
            }
            7 => out.truncate(at),
            _ => {
                let from = rng.random_range(0..other.len().max(1)).min(other.len());
                let until = (from + 64).min(other.len());
                out.splice(at..end, other[from..until].iter().copied());
            }
        }
    }
    out
}

/// What became of a damaged scan.
pub(crate) struct Ended {
    pub(crate) result: Result<(), IntakeError>,
    pub(crate) took: Duration,
}

/// Lists and reads a scan of which one file has faults, as numbered by `seed`.
pub(crate) fn read_mutated(form: &Form, seed: u64, dir: &Path) -> Ended {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let victim = rng.random_range(0..form.files.len());
    let other = rng.random_range(0..form.files.len());
    let bytes = mutated(&form.files[victim].1, &form.files[other].1, &mut rng);
    let victim = dir.join(&form.files[victim].0);
    fs::write(&victim, bytes).expect("written");
    let path = form.entry.as_ref().map_or_else(|| dir.to_owned(), |entry| dir.join(entry));
    let begun = Instant::now();
    let options = ReadOptions::default();
    let result = list_series(&path, &options)
        .and_then(|_| open_scan(&path, &options))
        .and_then(|scan| scan.read(None))
        .map(|_| ());
    Ended { result, took: begun.elapsed() }
}

/// Writes a scan as it is.
pub(crate) fn restore(form: &Form, dir: &Path) {
    for (name, bytes) in &form.files {
        let path = dir.join(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        fs::write(path, bytes).expect("written");
    }
}
