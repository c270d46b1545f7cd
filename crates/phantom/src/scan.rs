use std::path::{Path, PathBuf};

use dicom_core::{DataElement, PrimitiveValue, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use jawgauge_space::VoxelCoord;
use jawgauge_volume::{StoredVoxels, Volume};
use rayon::prelude::*;

use crate::{PhantomError, ScanOptions, ScanSyntax, decimal_string};

/// How far rows and columns may be from perpendicular, degrees: rounding of an affine.
const PERPENDICULAR_DEG: f64 = 1e-6;

/// Distance of the first slice's identifier from the root.
const FIRST_INSTANCE: u128 = 16;

/// Writes a volume as a folder of DICOM CT Image Storage files, one a slice.
///
/// Every file holds the attributes that the CT Image object requires; Image Position is
/// the centre of the slice's first voxel, Image Orientation and Pixel Spacing come from
/// the columns of the affine. Rescale Type is US (unspecified), as grey values of a cone
/// beam are not Hounsfield units; the standard allows that for images called derived, so
/// these are. Padding is written as Pixel Padding Value and Range
/// Limit; absent slices get no file. Patient name and ID are empty and Patient Identity
/// Removed is YES. The same volume and options give the same bytes. Returns the files in
/// slice order.
///
/// # Accuracy
///
/// Positions read back within 1e-9 mm.
///
/// # Errors
///
/// [`PhantomError::NotPerpendicular`] for a grid whose rows and columns are not,
/// [`PhantomError::TooLarge`] above 65535 columns or rows, [`PhantomError::Write`] where
/// the system refuses a file.
///
/// # Source
///
/// DICOM PS3.3 table A.3-1 (CT Image modules), C.7.6.2 (image plane), C.8.2.1 (CT image),
/// PS3.5 section B.2 (identifiers under 2.25).
///
/// # Limits
///
/// Synthetic files: no acquisition parameters, no dates.
pub fn write_scan(
    dir: &Path,
    volume: &Volume,
    options: &ScanOptions,
) -> Result<Vec<PathBuf>, PhantomError> {
    let geometry = volume.geometry();
    let [columns, rows, slices] = geometry.dims();
    let too_large = PhantomError::TooLarge { columns, rows };
    let (Ok(columns), Ok(rows)) = (u16::try_from(columns), u16::try_from(rows)) else {
        return Err(too_large);
    };
    let steps = geometry.affine().steps();
    let (along_row, down_column) = (steps[0].direction()?, steps[1].direction()?);
    let angle_deg = along_row.angle_deg(down_column);
    if !((angle_deg - 90.0).abs() <= PERPENDICULAR_DEG) {
        return Err(PhantomError::NotPerpendicular { angle_deg });
    }
    let [ax, ay, az] = along_row.to_array();
    let [dx, dy, dz] = down_column.to_array();
    let plane = Plane {
        columns,
        rows,
        orientation: decimals(&[ax, ay, az, dx, dy, dz]),
        // Row spacing first: DICOM PS3.3 section 10.7.1.3.
        spacing: decimals(&[steps[1].length_mm(), steps[0].length_mm()]),
        thickness: decimal_string(
            along_row.as_vector().cross(down_column.as_vector()).dot(steps[2]).abs(),
        ),
    };
    let written: Vec<usize> = (0..slices).filter(|&k| !volume.absent_slices()[k]).collect();
    written
        .into_par_iter()
        .map(|k| {
            let path = dir.join((options.file_name)(k));
            write_slice(&path, k, volume, &plane, options)?;
            Ok(path)
        })
        .collect()
}

/// What all slices share.
struct Plane {
    columns: u16,
    rows: u16,
    orientation: PrimitiveValue,
    spacing: PrimitiveValue,
    thickness: String,
}

fn write_slice(
    path: &Path,
    k: usize,
    volume: &Volume,
    plane: &Plane,
    options: &ScanOptions,
) -> Result<(), PhantomError> {
    let failed = |reason: String| PhantomError::Write { path: path.to_owned(), reason };
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent).map_err(|e| failed(e.to_string()))?;
    }
    let instance_uid = uid(options, FIRST_INSTANCE + k as u128);
    let mut object = slice_object(k, &instance_uid, volume, plane, options);
    if let Some(edit) = &options.edit {
        edit(k, &mut object);
    }
    let text_of = |tag, otherwise: &str| {
        let found = object.get(tag).and_then(|e| e.to_str().ok().map(|s| s.into_owned()));
        found.unwrap_or_else(|| otherwise.to_owned())
    };
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(text_of(tags::SOP_CLASS_UID, uids::CT_IMAGE_STORAGE))
        .media_storage_sop_instance_uid(text_of(tags::SOP_INSTANCE_UID, &instance_uid))
        .transfer_syntax(match options.syntax {
            ScanSyntax::ExplicitLittleEndian => uids::EXPLICIT_VR_LITTLE_ENDIAN,
            ScanSyntax::ImplicitLittleEndian => uids::IMPLICIT_VR_LITTLE_ENDIAN,
        });
    let file = object.with_meta(meta).map_err(|e| failed(e.to_string()))?;
    file.write_to_file(path).map_err(|e| failed(e.to_string()))
}

/// An identifier counted from the root (DICOM PS3.5 section B.2).
fn uid(options: &ScanOptions, offset: u128) -> String {
    format!("2.25.{}", options.uid_root.wrapping_add(offset))
}

fn decimals(values: &[f64]) -> PrimitiveValue {
    PrimitiveValue::Strs(values.iter().map(|&v| decimal_string(v)).collect())
}

fn slice_object(
    k: usize,
    instance_uid: &str,
    volume: &Volume,
    plane: &Plane,
    options: &ScanOptions,
) -> InMemDicomObject {
    let (signed, bytes) = pixel_bytes(volume, k);
    let position =
        volume.geometry().affine().patient_from_voxel(VoxelCoord::new(0.0, 0.0, k as f64));
    let rescale = volume.rescale(k);
    let series_uid = options.series_uid.clone().unwrap_or_else(|| uid(options, 2));
    let frame_uid = options.frame_of_reference_uid.clone().unwrap_or_else(|| uid(options, 1));
    let text = |value: &str| PrimitiveValue::from(value);
    let us = |value: u16| PrimitiveValue::from(value);
    let strs =
        |values: &[&str]| PrimitiveValue::Strs(values.iter().map(ToString::to_string).collect());
    let mut elements = vec![
        (tags::IMAGE_TYPE, VR::CS, strs(&["DERIVED", "PRIMARY", "AXIAL"])),
        (tags::SOP_CLASS_UID, VR::UI, text(uids::CT_IMAGE_STORAGE)),
        (tags::SOP_INSTANCE_UID, VR::UI, text(instance_uid)),
        (tags::MODALITY, VR::CS, text("CT")),
        (tags::MANUFACTURER, VR::LO, PrimitiveValue::Empty),
        (tags::PATIENT_IDENTITY_REMOVED, VR::CS, text("YES")),
        (tags::DEIDENTIFICATION_METHOD, VR::LO, text("synthetic")),
        (tags::BODY_PART_EXAMINED, VR::CS, text("JAW")),
        (tags::SLICE_THICKNESS, VR::DS, text(&plane.thickness)),
        (tags::PATIENT_POSITION, VR::CS, text("HFS")),
        (tags::STUDY_INSTANCE_UID, VR::UI, text(&uid(options, 0))),
        (tags::SERIES_INSTANCE_UID, VR::UI, text(&series_uid)),
        (tags::SERIES_NUMBER, VR::IS, text("1")),
        (tags::INSTANCE_NUMBER, VR::IS, text(&(k + 1).to_string())),
        (tags::IMAGE_POSITION_PATIENT, VR::DS, decimals(&position.to_array())),
        (tags::IMAGE_ORIENTATION_PATIENT, VR::DS, plane.orientation.clone()),
        (tags::FRAME_OF_REFERENCE_UID, VR::UI, text(&frame_uid)),
        (tags::SAMPLES_PER_PIXEL, VR::US, us(1)),
        (tags::PHOTOMETRIC_INTERPRETATION, VR::CS, text("MONOCHROME2")),
        (tags::ROWS, VR::US, us(plane.rows)),
        (tags::COLUMNS, VR::US, us(plane.columns)),
        (tags::PIXEL_SPACING, VR::DS, plane.spacing.clone()),
        (tags::BITS_ALLOCATED, VR::US, us(16)),
        (tags::BITS_STORED, VR::US, us(options.bits_stored)),
        (tags::HIGH_BIT, VR::US, us(options.bits_stored.saturating_sub(1))),
        (tags::PIXEL_REPRESENTATION, VR::US, us(u16::from(signed))),
        (tags::RESCALE_INTERCEPT, VR::DS, text(&decimal_string(rescale.intercept))),
        (tags::RESCALE_SLOPE, VR::DS, text(&decimal_string(rescale.slope))),
        (tags::RESCALE_TYPE, VR::LO, text("US")),
        (tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(bytes.into())),
    ];
    // Type 2: must be there, may be empty.
    for (tag, vr) in [
        (tags::STUDY_DATE, VR::DA),
        (tags::CONTENT_DATE, VR::DA),
        (tags::STUDY_TIME, VR::TM),
        (tags::CONTENT_TIME, VR::TM),
        (tags::ACCESSION_NUMBER, VR::SH),
        (tags::REFERRING_PHYSICIAN_NAME, VR::PN),
        (tags::PATIENT_NAME, VR::PN),
        (tags::PATIENT_ID, VR::LO),
        (tags::PATIENT_BIRTH_DATE, VR::DA),
        (tags::PATIENT_SEX, VR::CS),
        (tags::KVP, VR::DS),
        (tags::STUDY_ID, VR::SH),
        (tags::ACQUISITION_NUMBER, VR::IS),
        (tags::POSITION_REFERENCE_INDICATOR, VR::LO),
    ] {
        elements.push((tag, vr, PrimitiveValue::Empty));
    }
    if let Some((low, high)) = volume.padding() {
        elements.push((tags::PIXEL_PADDING_VALUE, pixel_vr(signed), pixel_value(signed, low)));
        if high != low {
            let limit = pixel_value(signed, high);
            elements.push((tags::PIXEL_PADDING_RANGE_LIMIT, pixel_vr(signed), limit));
        }
    }
    InMemDicomObject::from_element_iter(
        elements.into_iter().map(|(tag, vr, value)| DataElement::new(tag, vr, value)),
    )
}

fn pixel_vr(signed: bool) -> VR {
    if signed { VR::SS } else { VR::US }
}

/// A stored value as an element; the low 16 bits are what a stored voxel has.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn pixel_value(signed: bool, value: i32) -> PrimitiveValue {
    if signed { dicom_value!(I16, value as i16) } else { dicom_value!(U16, value as u16) }
}

/// Whether the voxels are signed, and those of slice `k` as little-endian bytes.
fn pixel_bytes(volume: &Volume, k: usize) -> (bool, Vec<u8>) {
    let axis = ndarray::Axis(0);
    match volume.voxels() {
        StoredVoxels::Signed(all) => {
            (true, all.index_axis(axis, k).iter().flat_map(|v| v.to_le_bytes()).collect())
        }
        StoredVoxels::Unsigned(all) => {
            (false, all.index_axis(axis, k).iter().flat_map(|v| v.to_le_bytes()).collect())
        }
    }
}
