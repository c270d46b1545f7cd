//! Writes the base phantom in every form that the writers know, for checks with other
//! libraries: `cargo run -p jawgauge-phantom --example write_forms -- FOLDER`.

use std::error::Error;
use std::path::{Path, PathBuf};

use dicom_dictionary_std::uids;
use jawgauge_phantom::{
    Fragments, FunctionalGroups, FunctionalMacro, JpegLossless, MultiFrameKind, NiftiOptions,
    NrrdEncoding, NrrdOptions, NrrdSpace, OffsetTable, Placement, ScanOptions, ScanSyntax, Storage,
    ValueType, ZipMethod, encode_jpeg_lossless, encode_rle, p0, p0_geometry, p0_grey, p0_on,
    p0_rescale, sample_shape_as, write_dicomdir, write_multi_frame, write_nifti, write_nrrd,
    write_scan, write_zip,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry};

const KINDS: [(MultiFrameKind, &str); 4] = [
    (MultiFrameKind::PlainCt, "plain"),
    (MultiFrameKind::EnhancedCt, "enhanced"),
    (MultiFrameKind::LegacyConvertedCt, "legacy"),
    (MultiFrameKind::XRay3dCraniofacial, "craniofacial"),
];

const TYPES: [(ValueType, &str); 8] = [
    (ValueType::U8, "u8"),
    (ValueType::I8, "i8"),
    (ValueType::U16, "u16"),
    (ValueType::I16, "i16"),
    (ValueType::U32, "u32"),
    (ValueType::I32, "i32"),
    (ValueType::F32, "f32"),
    (ValueType::F64, "f64"),
];

fn jpeg(how: JpegLossless) -> ScanOptions {
    ScanOptions::default()
        .with_encoded_frames(uids::JPEG_LOSSLESS_SV1, move |_, samples, rows, columns| {
            encode_jpeg_lossless(samples, columns, rows, how)
        })
}

/// Stored values over all 16 bits, with differences of every category.
fn rough() -> Result<Volume, Box<dyn Error>> {
    let geometry = p0_geometry();
    let [columns, rows, slices] = geometry.dims();
    let voxels = ndarray::Array3::from_shape_fn((slices, rows, columns), |(k, j, i)| {
        let mixed = (i * 7919 + j * 104_729 + k * 1_299_709).wrapping_mul(2_654_435_761) >> 7;
        // Every place has jumps of another size, to half the range and more.
        let size = 1 + (i + j) % 16;
        u16::try_from(mixed & ((1 << size) - 1)).unwrap_or(u16::MAX)
            ^ if i % 3 == 0 { 0x8000 } else { 0 }
    });
    let rescale = vec![Rescale { slope: 1.0, intercept: -1000.0 }; slices];
    Ok(Volume::new(geometry, StoredVoxels::Unsigned(voxels), rescale)?)
}

fn main() -> Result<(), Box<dyn Error>> {
    let root = PathBuf::from(std::env::args_os().nth(1).ok_or("give a folder")?);
    let volume = p0();
    let multi = |name: &str, volume: &Volume, kind, options: &ScanOptions| {
        write_multi_frame(&root.join(name), volume, kind, options)
    };
    for (syntax, name) in [
        (ScanSyntax::ExplicitLittleEndian, "explicit"),
        (ScanSyntax::ImplicitLittleEndian, "implicit"),
        (ScanSyntax::ExplicitBigEndian, "big"),
        (ScanSyntax::Deflated, "deflated"),
        (ScanSyntax::EncapsulatedUncompressed, "uncompressed"),
    ] {
        let options = ScanOptions::default().with_syntax(syntax);
        write_scan(&root.join(name), &volume, &options)?;
        for (kind, of_kind) in KINDS {
            multi(&format!("{of_kind}-{name}.dcm"), &volume, kind, &options)?;
        }
    }
    let signed = sample_shape_as(
        Storage::Signed,
        p0_geometry(),
        Rescale { slope: 1.0, intercept: 0.0 },
        p0_grey,
        1,
    )?;
    multi(
        "signed-big.dcm",
        &signed,
        MultiFrameKind::EnhancedCt,
        &ScanOptions::default().with_syntax(ScanSyntax::ExplicitBigEndian),
    )?;
    multi("signed-jpeg.dcm", &signed, MultiFrameKind::EnhancedCt, &jpeg(JpegLossless::default()))?;
    let order = (0..80).map(|f| (f * 37 + 5) % 80).collect();
    multi(
        "shuffled.dcm",
        &volume,
        MultiFrameKind::EnhancedCt,
        &ScanOptions::default().with_frame_order(order),
    )?;
    write_rescaled(&root)?;
    let rle = ScanOptions::default()
        .with_encoded_frames(uids::RLE_LOSSLESS, |_, s, _, columns| encode_rle(s, columns));
    write_scan(&root.join("rle"), &volume, &rle)?;
    multi("rle.dcm", &volume, MultiFrameKind::EnhancedCt, &rle)?;
    multi("rough.dcm", &rough()?, MultiFrameKind::EnhancedCt, &ScanOptions::default())?;
    multi("rough-rle.dcm", &rough()?, MultiFrameKind::EnhancedCt, &rle)?;
    for predictor in 1..=7 {
        for restart_rows in [0, 1, 32] {
            let how =
                JpegLossless::default().with_predictor(predictor).with_restart_rows(restart_rows);
            let name = format!("rough-jpeg-{predictor}-{restart_rows}.dcm");
            multi(&name, &rough()?, MultiFrameKind::EnhancedCt, &jpeg(how))?;
        }
    }
    multi(
        "jpeg-12bit.dcm",
        &volume,
        MultiFrameKind::EnhancedCt,
        &jpeg(JpegLossless::default().with_precision(12)),
    )?;
    multi(
        "jpeg-pt1.dcm",
        &volume,
        MultiFrameKind::EnhancedCt,
        &jpeg(JpegLossless::default().with_point_transform(1)),
    )?;
    write_fragments(&root, &volume)?;
    write_plain(&root)?;
    let media = root.join("media");
    let names = ScanOptions::default().with_file_name(|k| format!("DICOM/SER1/IM{k:04}"));
    write_scan(&media, &volume, &names)?;
    write_dicomdir(&media)?;
    write_zip(&media, &root.join("stored.zip"), ZipMethod::Stored)?;
    write_zip(&media, &root.join("deflated.zip"), ZipMethod::Deflated)?;
    Ok(())
}

/// An oblique grid with three pitches; `turn` -1 makes it left-handed.
fn oblique(turn: f64) -> Result<VolumeGeometry, Box<dyn Error>> {
    // A rotation made of whole numbers: rows (2, -1, 2), (2, 2, -1), (-1, 2, 2) over 3.
    let step = |x: f64, y: f64, z: f64, mm: f64| {
        PatientVector::new(x * mm / 3.0, y * mm / 3.0, z * mm / 3.0)
    };
    let steps =
        [step(2.0, 2.0, -1.0, 0.3), step(-1.0, 2.0, 2.0, 0.25), step(2.0, -1.0, 2.0, 0.4 * turn)];
    Ok(VolumeGeometry::new([40, 36, 32], Affine::new(PatientPoint::new(-6.0, -9.5, 1.0), steps)?)?)
}

/// NIfTI and NRRD files of an oblique grid, right-handed and left-handed.
fn write_plain(root: &Path) -> Result<(), Box<dyn Error>> {
    for (turn, hand) in [(1.0, "right"), (-1.0, "left")] {
        let volume = p0_on(oblique(turn)?)?;
        let plain = root.join("plain").join(hand);
        write_scan(&plain.join("scan"), &volume, &ScanOptions::default())?;
        let nifti =
            |name: &str, options: NiftiOptions| write_nifti(&plain.join(name), &volume, &options);
        for (value_type, name) in TYPES {
            let options = NiftiOptions::default().with_type(value_type);
            let options = match value_type {
                ValueType::U8 => options.with_scaling(20.0, -1000.0),
                ValueType::I8 => options.with_scaling(20.0, 750.0),
                _ => options,
            };
            nifti(&format!("{name}.nii"), options.clone())?;
            nifti(&format!("{name}-big.nii.gz"), options.with_big_endian())?;
            let options = match value_type {
                ValueType::U8 => NrrdOptions::default().with_scaling(20.0, -1000.0),
                ValueType::I8 => NrrdOptions::default().with_scaling(20.0, 750.0),
                ValueType::U16 | ValueType::U32 => {
                    NrrdOptions::default().with_scaling(1.0, -1000.0)
                }
                _ => NrrdOptions::default(),
            };
            let options = options.with_type(value_type);
            write_nrrd(&plain.join(format!("{name}.nrrd")), &volume, &options)?;
            let options = options.with_big_endian().with_encoding(NrrdEncoding::Gzip);
            write_nrrd(&plain.join(format!("{name}-big.nhdr")), &volume, &options)?;
        }
        nifti("qform.nii", NiftiOptions::default().with_sform(0))?;
        nifti("sform.nii.gz", NiftiOptions::default().with_qform(0).with_sform(2))?;
        nifti("grey.nii", NiftiOptions::default().with_scaling(0.0, 0.0))?;
        for (space, name) in [
            (NrrdSpace::LeftPosteriorSuperior, "lps"),
            (NrrdSpace::RightAnteriorSuperior, "ras"),
            (NrrdSpace::LeftAnteriorSuperior, "las"),
        ] {
            for (encoding, how) in [
                (NrrdEncoding::Raw, "raw"),
                (NrrdEncoding::Gzip, "gzip"),
                (NrrdEncoding::Ascii, "ascii"),
            ] {
                let options = NrrdOptions::default().with_space(space).with_encoding(encoding);
                write_nrrd(&plain.join(format!("{name}-{how}.nrrd")), &volume, &options)?;
                write_nrrd(&plain.join(format!("{name}-{how}.nhdr")), &volume, &options)?;
            }
        }
        let spacings = NrrdOptions::default().with_spacings_only();
        write_nrrd(&plain.join("spacings.nrrd"), &volume, &spacings)?;
    }
    Ok(())
}

/// Each slice with a rescale of its own, the same grey values.
fn write_rescaled(root: &Path) -> Result<(), Box<dyn Error>> {
    let volume = p0();
    let rescale: Vec<Rescale> = (0..80)
        .map(|k| Rescale { slope: 1.0 + 0.01 * f64::from(k), intercept: p0_rescale().intercept })
        .collect();
    let volume = Volume::new(volume.geometry().clone(), volume.voxels().clone(), rescale)?;
    let path = root.join("rescaled.dcm");
    let groups = FunctionalGroups::default()
        .with_placement(FunctionalMacro::PixelMeasures, Placement::PerFrame)
        .with_placement(FunctionalMacro::PlaneOrientation, Placement::PerFrame);
    let options = ScanOptions::default().with_functional_groups(groups);
    Ok(write_multi_frame(&path, &volume, MultiFrameKind::EnhancedCt, &options)?)
}

fn write_fragments(root: &Path, volume: &Volume) -> Result<(), Box<dyn Error>> {
    let basic = Fragments::default().with_table(OffsetTable::Basic);
    let forms = [
        ("empty-1", Fragments::default()),
        ("empty-2", Fragments::default().with_items_per_frame(2)),
        ("basic-1", basic.clone()),
        ("basic-3", basic.clone().with_items_per_frame(3)),
        ("extended", Fragments::default().with_table(OffsetTable::Extended)),
        ("empty-item", basic.clone().with_empty_item_at_end()),
        ("wrong", basic.with_edited_offsets(|offsets| offsets.reverse())),
        ("one-item", Fragments::default().with_frames_in_one_item()),
        ("no-delimiter", Fragments::default().without_delimiter()),
    ];
    for (name, fragments) in forms {
        let options = jpeg(JpegLossless::default()).with_fragments(fragments);
        let path = root.join(format!("fragments-{name}.dcm"));
        write_multi_frame(&path, volume, MultiFrameKind::PlainCt, &options)?;
    }
    Ok(())
}
