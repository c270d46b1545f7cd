//! The attributes that all image objects share.

use dicom_core::{DataElement, PrimitiveValue, Tag, VR, dicom_value};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_volume::{StoredVoxels, Volume};
use ndarray::Axis;

use crate::plane::Plane;
use crate::{PhantomError, ScanOptions};

/// An identifier counted from the root (DICOM PS3.5 section B.2).
pub(crate) fn numbered_uid(options: &ScanOptions, offset: u128) -> String {
    format!("2.25.{}", options.uid_root.wrapping_add(offset))
}

pub(crate) fn strings(values: &[&str]) -> PrimitiveValue {
    PrimitiveValue::Strs(values.iter().map(ToString::to_string).collect())
}

pub(crate) fn add(
    object: &mut InMemDicomObject,
    elements: impl IntoIterator<Item = (Tag, VR, PrimitiveValue)>,
) {
    for (tag, vr, value) in elements {
        object.put(DataElement::new(tag, vr, value));
    }
}

/// Patient, study, series, equipment and image pixel attributes, without the pixels.
pub(crate) fn common_object(
    volume: &Volume,
    plane: &Plane,
    options: &ScanOptions,
) -> Result<InMemDicomObject, PhantomError> {
    let signed = match volume.voxels() {
        StoredVoxels::Signed(_) => true,
        StoredVoxels::Unsigned(_) => false,
        StoredVoxels::Float(_) => return Err(PhantomError::FloatVoxels),
    };
    let series_uid = options.series_uid.clone().unwrap_or_else(|| numbered_uid(options, 2));
    let frame_uid =
        options.frame_of_reference_uid.clone().unwrap_or_else(|| numbered_uid(options, 1));
    let text = |value: &str| PrimitiveValue::from(value);
    let us = |value: u16| PrimitiveValue::from(value);
    let mut object = InMemDicomObject::new_empty();
    add(
        &mut object,
        [
            (tags::MODALITY, VR::CS, text("CT")),
            (tags::MANUFACTURER, VR::LO, PrimitiveValue::Empty),
            (tags::PATIENT_IDENTITY_REMOVED, VR::CS, text("YES")),
            (tags::DEIDENTIFICATION_METHOD, VR::LO, text("synthetic")),
            (tags::BODY_PART_EXAMINED, VR::CS, text("JAW")),
            (tags::PATIENT_POSITION, VR::CS, text("HFS")),
            (tags::STUDY_INSTANCE_UID, VR::UI, text(&numbered_uid(options, 0))),
            (tags::SERIES_INSTANCE_UID, VR::UI, text(&series_uid)),
            (tags::SERIES_NUMBER, VR::IS, text("1")),
            (tags::FRAME_OF_REFERENCE_UID, VR::UI, text(&frame_uid)),
            (tags::SAMPLES_PER_PIXEL, VR::US, us(1)),
            (tags::PHOTOMETRIC_INTERPRETATION, VR::CS, text("MONOCHROME2")),
            (tags::ROWS, VR::US, us(plane.rows)),
            (tags::COLUMNS, VR::US, us(plane.columns)),
            (tags::BITS_ALLOCATED, VR::US, us(16)),
            (tags::BITS_STORED, VR::US, us(options.bits_stored)),
            (tags::HIGH_BIT, VR::US, us(options.bits_stored.saturating_sub(1))),
            (tags::PIXEL_REPRESENTATION, VR::US, us(u16::from(signed))),
        ],
    );
    // Type 2: must be there, may be empty.
    let empty = [
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
    ];
    add(&mut object, empty.map(|(tag, vr)| (tag, vr, PrimitiveValue::Empty)));
    if let Some((low, high)) = volume.padding() {
        let vr = if signed { VR::SS } else { VR::US };
        add(&mut object, [(tags::PIXEL_PADDING_VALUE, vr, pixel_value(signed, low))]);
        if high != low {
            let limit = pixel_value(signed, high);
            add(&mut object, [(tags::PIXEL_PADDING_RANGE_LIMIT, vr, limit)]);
        }
    }
    Ok(object)
}

/// A stored value as an element; the low 16 bits are what a stored voxel has.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn pixel_value(signed: bool, value: i32) -> PrimitiveValue {
    if signed { dicom_value!(I16, value as i16) } else { dicom_value!(U16, value as u16) }
}

/// The voxels of some slices as little-endian bytes.
pub(crate) fn pixel_bytes(volume: &Volume, slices: &[usize]) -> Result<Vec<u8>, PhantomError> {
    let [columns, rows, _] = volume.geometry().dims();
    let mut bytes = Vec::with_capacity(2 * columns * rows * slices.len());
    for &k in slices {
        match volume.voxels() {
            StoredVoxels::Signed(all) => {
                bytes.extend(all.index_axis(Axis(0), k).iter().flat_map(|v| v.to_le_bytes()));
            }
            StoredVoxels::Unsigned(all) => {
                bytes.extend(all.index_axis(Axis(0), k).iter().flat_map(|v| v.to_le_bytes()));
            }
            StoredVoxels::Float(_) => return Err(PhantomError::FloatVoxels),
        }
    }
    Ok(bytes)
}
