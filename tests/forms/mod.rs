//! The base phantom, moved so that no flip can hide, in any form that a scan comes in.
#![allow(dead_code)] // each test file uses its part

use std::fs;
use std::path::{Path, PathBuf};

use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, NiftiOptions, NrrdOptions, P0_SUPERSAMPLE, ScanOptions,
    ScanSyntax, ZipMethod, encode_jpeg_lossless, encode_rle, p0_grey, p0_rescale, sample_shape,
    write_multi_frame, write_nifti, write_nrrd, write_scan, write_zip,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Volume, VolumeGeometry};
use serde_json::Value;

use crate::common::{
    Bench, P0_HEAD, args, assert_near, at, codes, distance, list, number, run, text, triple,
};

/// As in tests/documents.rs.
pub(crate) const WITHIN_MM: f64 = 0.10;
/// The box is moved by this, so that every flip and every exchange of axes shows: bone from
/// x = -2 to 4, y = -8 to 12, z = -9 to 3 mm.
const MOVED: [f64; 3] = [1.0, 2.0, 0.0];
/// What the box's height reads where the distance of slices is taken from a thickness of
/// 0.50 or a spacing of 0.40 or 0.25 mm, averaged over a gap, or counted without it.
const WRONG_HEIGHTS_MM: [f64; 5] = [20.0, 16.0, 10.0, 12.15, 11.70];

pub(crate) fn grid(dims: [usize; 3], origin: [f64; 3], steps: [[f64; 3]; 3]) -> VolumeGeometry {
    let affine = Affine::new(origin.into(), steps.map(PatientVector::from)).expect("an affine");
    VolumeGeometry::new(dims, affine).expect("a grid")
}

pub(crate) fn lopsided(geometry: VolumeGeometry) -> Volume {
    let grey = |p: PatientPoint| p0_grey(p - PatientVector::from(MOVED));
    sample_shape(geometry, p0_rescale(), grey, P0_SUPERSAMPLE).expect("a volume")
}

/// Two sites: one in the middle, one at y = 11, where only a box that is not turned round has
/// bone.
pub(crate) fn case_on(scan: &str) -> String {
    let site = |id: &str, y: f64| format!("[[site]]\nid = \"{id}\"\nat = [1.0, {y:.1}, 3.0]\n");
    P0_HEAD.replace("path = \"scan\"", &format!("path = \"{scan}\"")).replace(
        "axis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]",
        "axis = [[1.0, -7.5, 3.0], [1.0, 11.5, 3.0]]",
    ) + &site("middle", 0.0)
        + &site("back", 11.0)
}

/// Fails unless the box is where and what it is; the measured sites.
pub(crate) fn assert_box(document: &Value, scan_warnings: &[&str], name: &str) -> Value {
    assert_eq!(codes(document, "/scan/warnings"), scan_warnings, "{name}");
    let sites = list(document, "/sites");
    assert_eq!(sites.len(), 2, "{name}");
    for site in sites {
        assert_eq!(text(site, "/side"), "left", "{name}");
        let height = number(site, "/bone_height_mm");
        assert!(WRONG_HEIGHTS_MM.iter().all(|w| (height - w).abs() > 0.04), "{name}: {height}");
        assert_near(height, 12.0, WITHIN_MM, name);
        assert_near(triple(site, "/crest")[2], 3.0, WITHIN_MM, name);
        let widths = list(site, "/widths");
        assert_eq!(widths.len(), 6, "{name}");
        for width in widths {
            assert_near(number(width, "/width_mm"), 6.0, WITHIN_MM, name);
            assert_near(triple(width, "/buccal")[0], 4.0, WITHIN_MM, name);
            assert_near(triple(width, "/lingual")[0], -2.0, WITHIN_MM, name);
        }
        for (key, direction) in [("buccal", [1.0, 0.0, 0.0]), ("apical", [0.0, 0.0, -1.0])] {
            let found = triple(site, &format!("/frame/{key}"));
            assert_near(distance(found, direction), 0.0, 0.02, name);
        }
    }
    at(document, "/sites").clone()
}

pub(crate) fn set(object: &mut InMemDicomObject, tag: Tag, vr: VR, value: &str) {
    object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
}

pub(crate) fn in_syntax(syntax: ScanSyntax) -> ScanOptions {
    ScanOptions::default().with_syntax(syntax)
}

pub(crate) fn jpeg(how: JpegLossless) -> ScanOptions {
    ScanOptions::default()
        .with_encoded_frames(uids::JPEG_LOSSLESS_SV1, move |_, s, rows, columns| {
            encode_jpeg_lossless(s, columns, rows, how)
        })
}

pub(crate) fn rle() -> ScanOptions {
    let encode = |_: usize, s: &[u16], _: u16, columns: u16| encode_rle(s, columns);
    ScanOptions::default().with_encoded_frames(uids::RLE_LOSSLESS, encode)
}

/// Changes the distance tags of an object with one position.
pub(crate) fn spaced(
    between: Option<&'static str>,
    thickness: Option<&'static str>,
) -> ScanOptions {
    ScanOptions::default().with_edit(move |_, o| {
        for (tag, value) in
            [(tags::SPACING_BETWEEN_SLICES, between), (tags::SLICE_THICKNESS, thickness)]
        {
            match value {
                Some(value) => set(o, tag, VR::DS, value),
                None => {
                    o.remove_element(tag);
                }
            }
        }
    })
}

/// Writes a volume below a folder in some form; the path for the case.
pub(crate) type Write = Box<dyn Fn(&Path, &Volume) -> PathBuf>;

pub(crate) fn slices(options: ScanOptions) -> Write {
    Box::new(move |dir, volume| {
        write_scan(dir, volume, &options).expect("written");
        dir.to_owned()
    })
}

pub(crate) fn one(kind: MultiFrameKind, options: ScanOptions) -> Write {
    Box::new(move |dir, volume| {
        let path = dir.join("all.dcm");
        write_multi_frame(&path, volume, kind, &options).expect("written");
        path
    })
}

/// What another form writes, in an archive.
pub(crate) fn packed(inner: Write, method: ZipMethod) -> Write {
    Box::new(move |dir, volume| {
        inner(&dir.join("inner"), volume);
        let path = dir.join("scan.zip");
        write_zip(&dir.join("inner"), &path, method).expect("written");
        path
    })
}

pub(crate) fn nifti(name: &'static str, options: NiftiOptions) -> Write {
    Box::new(move |dir, volume| {
        write_nifti(&dir.join(name), volume, &options).expect("written");
        dir.join(name)
    })
}

pub(crate) fn nrrd(name: &'static str, options: NrrdOptions) -> Write {
    Box::new(move |dir, volume| {
        write_nrrd(&dir.join(name), volume, &options).expect("written");
        dir.join(name)
    })
}

/// Slices after their bytes were changed.
pub(crate) fn changed(options: ScanOptions, change: fn(&mut Vec<u8>)) -> Write {
    Box::new(move |dir, volume| {
        for file in write_scan(dir, volume, &options).expect("written") {
            let mut bytes = fs::read(&file).expect("read");
            change(&mut bytes);
            fs::write(file, bytes).expect("written");
        }
        dir.to_owned()
    })
}

/// Measures the box in each form.
pub(crate) fn assert_forms(forms: Vec<(&str, Write, &[&str])>, volume: &Volume) -> Vec<Value> {
    let bench = Bench::empty();
    let mut all = Vec::new();
    for (n, (name, write, told)) in forms.into_iter().enumerate() {
        let folder = format!("form{n}");
        let path = write(&bench.path(&folder), volume);
        let relative = path.strip_prefix(bench.path("")).expect("below").to_string_lossy();
        let run = run(&args!["measure", bench.case(&case_on(&relative)), "--json", "-"]);
        assert_eq!(run.status, 0, "{name}: {run:#?}");
        all.push(assert_box(&run.document(), told, name));
    }
    assert!(!all.is_empty());
    all
}

/// The same place of the patient on grids that run along other axes.
pub(crate) fn other_directions() -> [VolumeGeometry; 5] {
    const P: f64 = 0.3;
    let (low, high) = ([-17.85, -14.85, -11.85], [17.85, 14.85, 11.85]);
    let (x, y, z) = ([P, 0.0, 0.0], [0.0, P, 0.0], [0.0, 0.0, P]);
    let back = |d: [f64; 3]| d.map(|c| -c);
    [
        grid([120, 80, 100], [low[0], low[1], high[2]], [x, back(z), y]),
        grid([100, 80, 120], [low[0], low[1], high[2]], [y, back(z), x]),
        grid([120, 100, 80], [high[0], low[1], high[2]], [back(x), y, back(z)]),
        grid([120, 100, 80], [low[0], low[1], high[2]], [x, y, back(z)]),
        grid([100, 120, 80], [low[0], high[1], low[2]], [back(y), x, z]),
    ]
}
