//! NIfTI and NRRD files byte by byte; the layout of the headers is that of `nifti1.h` and of
//! the NRRD definition, version 4.

use std::io::Read;
use std::path::Path;

use jawgauge_phantom::{
    NiftiOptions, NrrdEncoding, NrrdOptions, NrrdSpace, PhantomError, ValueType, write_nifti,
    write_nrrd,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry};

/// A quarter turn about z with three pitches: i runs to the back, j to the right, k up.
fn turned() -> Affine {
    affine([[0.0, 0.5, 0.0], [-0.25, 0.0, 0.0], [0.0, 0.0, 2.0]])
}

fn affine(steps: [[f64; 3]; 3]) -> Affine {
    let steps = steps.map(|[x, y, z]| PatientVector::new(x, y, z));
    Affine::new(PatientPoint::new(1.0, 2.0, 3.0), steps).expect("an affine")
}

/// 3 x 2 x 2 voxels stored as 0 to 11, grey values 10 v - 20.
fn volume(affine: Affine) -> Volume {
    let geometry = VolumeGeometry::new([3, 2, 2], affine).expect("a grid");
    let voxels = ndarray::Array3::from_shape_vec((2, 2, 3), (0..12).collect()).expect("twelve");
    let rescale = vec![Rescale { slope: 10.0, intercept: -20.0 }; 2];
    Volume::new(geometry, StoredVoxels::Unsigned(voxels), rescale).expect("a volume")
}

fn nifti(name: &str, volume: &Volume, options: &NiftiOptions) -> Vec<u8> {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join(name);
    write_nifti(&path, volume, options).expect("written");
    std::fs::read(path).expect("read")
}

fn short(file: &[u8], at: usize) -> i16 {
    i16::from_le_bytes([file[at], file[at + 1]])
}

fn floats(file: &[u8], at: usize, count: usize) -> Vec<f32> {
    let four = |b: &[u8]| f32::from_le_bytes([b[0], b[1], b[2], b[3]]);
    file[at..at + 4 * count].chunks_exact(4).map(four).collect()
}

#[test]
fn a_nifti_header_holds_both_affines() {
    let file = nifti("scan.nii", &volume(turned()), &NiftiOptions::default());
    assert_eq!(file[..4], 348_i32.to_le_bytes());
    assert_eq!([0, 2, 4, 6, 8].map(|n| short(&file, 40 + n)), [3, 3, 2, 2, 1]);
    assert_eq!((short(&file, 70), short(&file, 72)), (4, 16), "signed 16 bits");
    assert_eq!(floats(&file, 108, 3), [352.0, 10.0, -20.0]);
    assert_eq!((short(&file, 252), short(&file, 254)), (1, 1));
    // RAS: i runs to the back (-y), j to the right (+x).
    let rows = [0.0, 0.25, 0.0, -1.0, -0.5, 0.0, 0.0, -2.0, 0.0, 0.0, 2.0, 3.0];
    assert_eq!(floats(&file, 280, 12), rows);
    // The same as -90 degrees about z: b = c = 0, d = -sin 45.
    assert_eq!(floats(&file, 76, 4), [1.0, 0.5, 0.25, 2.0]);
    let quaternion = floats(&file, 256, 6);
    let d = -std::f32::consts::FRAC_1_SQRT_2;
    for (found, expected) in quaternion.iter().zip([0.0, 0.0, d, -1.0, -2.0, 3.0]) {
        assert!((found - expected).abs() < 1e-6, "{quaternion:?}");
    }
    assert_eq!(&file[344..348], b"n+1\0");
    let values: Vec<i16> = (0..12).map(|n| short(&file, 352 + 2 * n)).collect();
    assert_eq!(values, (0..12).collect::<Vec<i16>>());
    assert_eq!(file.len(), 352 + 24);
}

#[test]
fn a_left_handed_grid_has_a_negative_qfac() {
    let mirrored = affine([[0.0, 0.5, 0.0], [-0.25, 0.0, 0.0], [0.0, 0.0, -2.0]]);
    let file = nifti("scan.nii", &volume(mirrored), &NiftiOptions::default());
    assert_eq!(floats(&file, 76, 4), [-1.0, 0.5, 0.25, 2.0]);
    assert_eq!(floats(&file, 312, 4), [0.0, 0.0, -2.0, 3.0]);
}

#[test]
fn a_form_with_code_0_is_left_out_and_another_one_is_taken() {
    let other = affine([[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, 0.0, 0.3]]);
    let options = NiftiOptions::default().with_qform(0).with_sform(2).with_sform_affine(other);
    let file = nifti("scan.nii", &volume(turned()), &options);
    assert_eq!((short(&file, 252), short(&file, 254)), (0, 2));
    assert_eq!(floats(&file, 256, 6), [0.0; 6]);
    assert_eq!(floats(&file, 280, 4), [-0.3, 0.0, 0.0, -1.0]);
    let options = NiftiOptions::default().with_sform(0).with_qform(3).with_pixdim([1.0, 2.0, 3.0]);
    let file = nifti("scan.nii", &volume(turned()), &options);
    assert_eq!((short(&file, 252), short(&file, 254)), (3, 0));
    assert_eq!(floats(&file, 280, 12), [0.0; 12]);
    assert_eq!(floats(&file, 80, 3), [1.0, 2.0, 3.0]);
    let options = NiftiOptions::default().with_qform_affine(other);
    assert_eq!(floats(&nifti("scan.nii", &volume(turned()), &options), 80, 3), [0.3; 3]);
}

#[test]
fn a_sheared_grid_has_rows_and_no_quaternion() {
    let sheared = volume(affine([[0.5, 0.0, 0.0], [0.0, 0.5, 0.0], [0.0, 0.5, 0.5]]));
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.nii");
    let refused = write_nifti(&path, &sheared, &NiftiOptions::default());
    let Err(PhantomError::Sheared { shear_deg }) = refused else { panic!("{refused:?}") };
    assert!((shear_deg - 45.0).abs() < 1e-9);
    let file = nifti("scan.nii", &sheared, &NiftiOptions::default().with_qform(0));
    assert_eq!(floats(&file, 280, 12)[4..8], [0.0, -0.5, -0.5, -2.0]);
}

#[test]
fn gzip_and_big_endian_hold_the_same() {
    let plain = nifti("scan.nii", &volume(turned()), &NiftiOptions::default());
    let zipped = nifti("scan.nii.gz", &volume(turned()), &NiftiOptions::default());
    let mut unzipped = Vec::new();
    flate2::read::GzDecoder::new(zipped.as_slice()).read_to_end(&mut unzipped).expect("gzip");
    assert_eq!(unzipped, plain);
    let big = nifti("scan.nii", &volume(turned()), &NiftiOptions::default().with_big_endian());
    assert_eq!(big[..4], 348_i32.to_be_bytes());
    assert_eq!(big[42..44], [0, 3]);
    assert_eq!(big[284..288], 0.25_f32.to_be_bytes());
    assert_eq!(big[352..358], [0, 0, 0, 1, 0, 2]);
}

#[test]
fn every_type_has_its_code_and_values() {
    for (value_type, code, bytes) in [
        (ValueType::U8, 2, 1),
        (ValueType::I16, 4, 2),
        (ValueType::I32, 8, 4),
        (ValueType::F32, 16, 4),
        (ValueType::F64, 64, 8),
        (ValueType::I8, 256, 1),
        (ValueType::U16, 512, 2),
        (ValueType::U32, 768, 4),
    ] {
        let options = NiftiOptions::default().with_type(value_type);
        let file = nifti("scan.nii", &volume(turned()), &options);
        assert_eq!((short(&file, 70), usize::try_from(short(&file, 72))), (code, Ok(8 * bytes)));
        assert_eq!(file.len(), 352 + 12 * bytes);
        let last = &file[352 + 11 * bytes..];
        match value_type {
            // Grey values: 10 x 11 - 20.
            ValueType::F32 => assert_eq!(last, 90_f32.to_le_bytes()),
            ValueType::F64 => assert_eq!(last, 90_f64.to_le_bytes()),
            _ => assert_eq!(last[0], 11),
        }
        let scaling =
            if bytes >= 4 && code != 8 && code != 768 { [1.0, 0.0] } else { [10.0, -20.0] };
        assert_eq!(floats(&file, 112, 2), scaling);
    }
}

#[test]
fn values_that_do_not_fit_are_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.nii");
    // Grey value -20 without scaling.
    let options = NiftiOptions::default().with_type(ValueType::U8).with_scaling(0.0, 0.0);
    let refused = write_nifti(&path, &volume(turned()), &options);
    let Err(PhantomError::ValueRange { value, low, high }) = refused else { panic!("{refused:?}") };
    assert_eq!((value, low, high), (-20.0, 0.0, 255.0));
    let float = StoredVoxels::Float(ndarray::Array3::from_elem((2, 2, 3), f32::NAN));
    let rescale = vec![Rescale { slope: 1.0, intercept: 0.0 }; 2];
    let nan = Volume::new(volume(turned()).geometry().clone(), float, rescale).expect("a volume");
    assert!(write_nifti(&path, &nan, &NiftiOptions::default()).is_err());
    let file = nifti("scan.nii", &nan, &NiftiOptions::default().with_type(ValueType::F32));
    assert!(floats(&file, 352, 12).iter().all(|v| v.is_nan()));
    let rescale =
        vec![Rescale { slope: 1.0, intercept: 0.0 }, Rescale { slope: 2.0, intercept: 0.0 }];
    let varied = volume(turned());
    let varied =
        Volume::new(varied.geometry().clone(), varied.voxels().clone(), rescale).expect("a volume");
    let refused = write_nifti(&path, &varied, &NiftiOptions::default());
    assert!(matches!(refused, Err(PhantomError::RescaleVaries { slice: 1 })));
}

#[test]
fn the_header_is_edited_last() {
    let options = NiftiOptions::default().with_edited_header(|header| {
        assert_eq!(header.len(), 352);
        header[344] = b'x';
    });
    assert_eq!(&nifti("scan.nii", &volume(turned()), &options)[344..348], b"x+1\0");
}

/// The header's lines and what follows the empty line.
fn nrrd(name: &str, options: &NrrdOptions) -> (Vec<String>, Vec<u8>) {
    let dir = tempfile::tempdir().expect("a folder");
    let data = write_nrrd(&dir.path().join(name), &volume(turned()), options).expect("written");
    let file = std::fs::read(dir.path().join(name)).expect("read");
    let end = file.windows(2).position(|w| w == b"\n\n").expect("an empty line");
    let text = std::str::from_utf8(&file[..end]).expect("text");
    let lines = text.lines().map(str::to_owned).collect();
    let beside = data != dir.path().join(name);
    assert_eq!(beside, Path::new(name).extension().is_some_and(|e| e == "nhdr"));
    let voxels = if beside { std::fs::read(data).expect("read") } else { file[end + 2..].to_vec() };
    (lines, voxels)
}

#[test]
fn an_nrrd_header_tells_the_grid_in_its_space() {
    let (lines, voxels) = nrrd("scan.nrrd", &NrrdOptions::default());
    let expected = [
        "NRRD0004",
        "type: int16",
        "dimension: 3",
        "space: left-posterior-superior",
        "sizes: 3 2 2",
        "space directions: (0,0.5,0) (-0.25,0,0) (0,0,2)",
        "kinds: domain domain domain",
        "space origin: (1,2,3)",
        "endian: little",
        "encoding: raw",
    ];
    assert_eq!(lines, expected);
    let grey: Vec<u8> = (0..12_i16).flat_map(|v| (10 * v - 20).to_le_bytes()).collect();
    assert_eq!(voxels, grey);
    for (space, word, directions, origin) in [
        (
            NrrdSpace::RightAnteriorSuperior,
            "right-anterior-superior",
            "(-0,-0.5,0) (0.25,-0,0) (-0,-0,2)",
            "(-1,-2,3)",
        ),
        (
            NrrdSpace::LeftAnteriorSuperior,
            "left-anterior-superior",
            "(0,-0.5,0) (-0.25,-0,0) (0,-0,2)",
            "(1,-2,3)",
        ),
    ] {
        let (lines, _) = nrrd("scan.nrrd", &NrrdOptions::default().with_space(space));
        assert_eq!(lines[3], format!("space: {word}"));
        assert_eq!(lines[5], format!("space directions: {directions}"));
        assert_eq!(lines[7], format!("space origin: {origin}"));
    }
}

#[test]
fn nrrd_voxels_are_raw_gzipped_or_words_inside_or_beside() {
    let (_, raw) = nrrd("scan.nrrd", &NrrdOptions::default());
    for name in ["scan.nrrd", "scan.nhdr"] {
        let gzip = NrrdOptions::default().with_encoding(NrrdEncoding::Gzip);
        let (lines, zipped) = nrrd(name, &gzip);
        let mut voxels = Vec::new();
        flate2::read::GzDecoder::new(zipped.as_slice()).read_to_end(&mut voxels).expect("gzip");
        assert_eq!(voxels, raw);
        let beside = lines.contains(&"data file: scan.raw.gz".to_owned());
        assert_eq!(beside, name == "scan.nhdr");
        let (lines, text) = nrrd(name, &NrrdOptions::default().with_encoding(NrrdEncoding::Ascii));
        assert_eq!(text, b"-20 -10 0 10 20 30\n40 50 60 70 80 90\n");
        assert!(!lines.iter().any(|l| l.starts_with("endian")), "{lines:?}");
    }
    let (lines, voxels) = nrrd("scan.nrrd", &NrrdOptions::default().with_big_endian());
    assert!(lines.contains(&"endian: big".to_owned()));
    assert_eq!(voxels[..4], [0xFF, 0xEC, 0xFF, 0xF6], "-20 and -10");
}

#[test]
fn nrrd_fields_are_replaced_added_and_left_out() {
    let options = NrrdOptions::default()
        .with_spacings_only()
        .with_scaling(10.0, -20.0)
        .with_type(ValueType::U8)
        .with_field("sizes", "3 2 3")
        .with_field("centre:=", "node")
        .without_field("encoding");
    let (lines, voxels) = nrrd("scan.nrrd", &options);
    let expected = [
        "NRRD0004",
        "type: uint8",
        "dimension: 3",
        "sizes: 3 2 3",
        "spacings: 0.5 0.25 2",
        "centre:=node",
    ];
    assert_eq!(lines, expected);
    assert_eq!(voxels, (0..12).collect::<Vec<u8>>());
}
