use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use jawgauge_volume::Rescale;

use crate::IntakeError;
use crate::folder::ScanFile;
use crate::header::{Header, syntax_error};
use crate::walk::PixelSpan;

/// Plausible Pixel Spacing, mm: the finest detectors of the trade are near 0.05, and
/// 5 mm is coarser than any CT (common practice, no source).
const PIXEL_SPACING_MM: std::ops::RangeInclusive<f64> = 0.02..=5.0;
/// How far direction cosines may be from unit length, and their product from zero: what
/// cosines written with three decimals lose.
const COSINE_ROUNDING: f64 = 1e-3;

/// A slice whose attributes can be used.
#[derive(Debug, Clone)]
pub(crate) struct Slice {
    pub(crate) file: ScanFile,
    pub(crate) syntax: String,
    pub(crate) frame_uid: Option<String>,
    pub(crate) rows: u16,
    pub(crate) columns: u16,
    pub(crate) bits_stored: u16,
    pub(crate) signed: bool,
    pub(crate) position_mm: [f64; 3],
    pub(crate) orientation: [f64; 6],
    /// Row spacing (along a column), column spacing (along a row).
    pub(crate) spacing_mm: [f64; 2],
    pub(crate) rescale: Rescale,
    pub(crate) padding: Option<(i32, i32)>,
    pub(crate) thickness_mm: Option<f64>,
    pub(crate) between_mm: Option<f64>,
    pub(crate) identity_removed: bool,
    pub(crate) names_patient: bool,
    pub(crate) pixel_offset: u64,
    /// Bytes of Pixel Data beyond those of Rows and Columns, without a pad byte.
    pub(crate) surplus: u64,
}

impl Slice {
    /// Bytes of the voxels of the slice.
    pub(crate) fn pixel_bytes(&self) -> usize {
        usize::from(self.rows) * usize::from(self.columns) * 2
    }
}

/// Judges a header: every attribute that the volume depends on must be there and make sense.
pub(crate) fn judge(header: &Header) -> Result<Slice, IntakeError> {
    let known = [uids::IMPLICIT_VR_LITTLE_ENDIAN, uids::EXPLICIT_VR_LITTLE_ENDIAN];
    if !known.contains(&header.syntax.as_str()) {
        return Err(syntax_error(&header.file.name, &header.syntax));
    }
    // A CT image has one frame (DICOM PS3.3 section A.3).
    if let Some(frames) = header.optional_whole(tags::NUMBER_OF_FRAMES)? {
        must_be(header, tags::NUMBER_OF_FRAMES, frames, &[1], "1: one file for each slice")?;
    }
    pixel_module(header)?;
    let rows = dimension(header, tags::ROWS)?;
    let columns = dimension(header, tags::COLUMNS)?;
    let signed = header.whole(tags::PIXEL_REPRESENTATION)? == 1;
    let bits_stored = header.whole(tags::BITS_STORED)?;
    let bits_stored = u16::try_from(bits_stored).unwrap_or(16);
    let (pixel_offset, surplus) = pixel_span(header, rows, columns)?;
    Ok(Slice {
        file: header.file.clone(),
        syntax: header.syntax.clone(),
        frame_uid: header.optional_text(tags::FRAME_OF_REFERENCE_UID),
        rows,
        columns,
        bits_stored,
        signed,
        position_mm: header.decimals(tags::IMAGE_POSITION_PATIENT)?,
        orientation: orientation(header)?,
        spacing_mm: spacing(header)?,
        rescale: rescale(header)?,
        padding: padding(header, signed, bits_stored)?,
        thickness_mm: header.optional_decimal(tags::SLICE_THICKNESS),
        between_mm: header.optional_decimal(tags::SPACING_BETWEEN_SLICES),
        identity_removed: header
            .optional_text(tags::PATIENT_IDENTITY_REMOVED)
            .is_some_and(|t| t == "YES"),
        names_patient: [tags::PATIENT_NAME, tags::PATIENT_ID, tags::PATIENT_BIRTH_DATE]
            .iter()
            .any(|&tag| header.optional_text(tag).is_some()),
        pixel_offset,
        surplus,
    })
}

/// How the voxels are coded (DICOM PS3.3 section C.7.6.3, for CT C.8.2.1).
fn pixel_module(header: &Header) -> Result<(), IntakeError> {
    let whole = |tag, allowed: &[i64], expected: &str| {
        must_be(header, tag, header.whole(tag)?, allowed, expected)
    };
    whole(tags::SAMPLES_PER_PIXEL, &[1], "1")?;
    let photometric = header.text(tags::PHOTOMETRIC_INTERPRETATION)?;
    if photometric != "MONOCHROME2" {
        return Err(header.bad(tags::PHOTOMETRIC_INTERPRETATION, &photometric, "MONOCHROME2"));
    }
    whole(tags::BITS_ALLOCATED, &[16], "16")?;
    let stored = header.whole(tags::BITS_STORED)?;
    if !(1..=16).contains(&stored) {
        return Err(header.bad(tags::BITS_STORED, &stored.to_string(), "1 to 16"));
    }
    let expected = format!("{}, one less than Bits Stored", stored - 1);
    whole(tags::HIGH_BIT, &[stored - 1], &expected)?;
    whole(tags::PIXEL_REPRESENTATION, &[0, 1], "0 or 1")?;
    if header.has_modality_lut() {
        // It would replace slope and intercept (DICOM PS3.3 section C.11.1.1).
        let tag = tags::MODALITY_LUT_SEQUENCE;
        return Err(header.bad(tag, "a table", "absent: slope and intercept are needed"));
    }
    Ok(())
}

fn must_be(
    header: &Header,
    tag: Tag,
    value: i64,
    allowed: &[i64],
    expected: &str,
) -> Result<(), IntakeError> {
    if allowed.contains(&value) {
        Ok(())
    } else {
        Err(header.bad(tag, &value.to_string(), expected))
    }
}

fn dimension(header: &Header, tag: Tag) -> Result<u16, IntakeError> {
    let value = header.whole(tag)?;
    let fits = u16::try_from(value).ok().filter(|&n| n > 0);
    fits.ok_or_else(|| header.bad(tag, &value.to_string(), "1 to 65535"))
}

/// Offset of the voxels and surplus bytes (DICOM PS3.5 section 8.1.1).
fn pixel_span(header: &Header, rows: u16, columns: u16) -> Result<(u64, u64), IntakeError> {
    match header.pixels {
        Some(PixelSpan { offset, length: Some(length) }) => {
            let expected = u64::from(rows) * u64::from(columns) * 2;
            let found = u64::from(length);
            if found < expected {
                let file = header.file.name.clone();
                return Err(IntakeError::PixelLength { file, expected, found });
            }
            let surplus = found - expected;
            Ok((offset, if surplus == 1 { 0 } else { surplus }))
        }
        Some(PixelSpan { length: None, .. }) => {
            let expected = "native voxels as the transfer syntax says";
            Err(header.bad(tags::PIXEL_DATA, "an encapsulated stream", expected))
        }
        None => Err(header.missing(tags::PIXEL_DATA, header.float_pixels)),
    }
}

/// Row and column spacing (DICOM PS3.3 section 10.7.1.3).
///
/// Spacings measured on the detector (Imager Pixel Spacing) or before correction (Nominal
/// Scanned Pixel Spacing) are magnified by the cone and are never taken instead.
fn spacing(header: &Header) -> Result<[f64; 2], IntakeError> {
    let tag = tags::PIXEL_SPACING;
    let Some(text) = header.optional_text(tag) else {
        let others = [tags::IMAGER_PIXEL_SPACING, tags::NOMINAL_SCANNED_PIXEL_SPACING];
        let instead = others.into_iter().find(|&t| header.optional_text(t).is_some());
        return Err(header.missing(tag, instead));
    };
    let spacing: [f64; 2] = header.decimals(tag)?;
    if spacing.iter().all(|mm| PIXEL_SPACING_MM.contains(mm)) {
        Ok(spacing)
    } else {
        Err(header.bad(tag, &text, "two distances of 0.02 to 5 mm"))
    }
}

/// Direction cosines of a row and of a column (DICOM PS3.3 section C.7.6.2.1.1).
fn orientation(header: &Header) -> Result<[f64; 6], IntakeError> {
    let tag = tags::IMAGE_ORIENTATION_PATIENT;
    let o: [f64; 6] = header.decimals(tag)?;
    let length = |a: &[f64]| a.iter().map(|c| c * c).sum::<f64>().sqrt();
    let product: f64 = (0..3).map(|c| o[c] * o[c + 3]).sum();
    let unit = |a: &[f64]| (length(a) - 1.0).abs() <= COSINE_ROUNDING;
    if unit(&o[..3]) && unit(&o[3..]) && product.abs() <= COSINE_ROUNDING {
        Ok(o)
    } else {
        let text = header.text(tag)?;
        Err(header.bad(tag, &text, "two perpendicular directions of length 1"))
    }
}

/// Slope and intercept of this slice (DICOM PS3.3 section C.11.1.1.2).
fn rescale(header: &Header) -> Result<Rescale, IntakeError> {
    let [slope] = header.decimals(tags::RESCALE_SLOPE)?;
    let [intercept] = header.decimals(tags::RESCALE_INTERCEPT)?;
    if slope > 0.0 {
        Ok(Rescale { slope, intercept })
    } else {
        Err(header.bad(tags::RESCALE_SLOPE, &slope.to_string(), "a number above 0"))
    }
}

/// Stored values that mean "not scanned" (DICOM PS3.3 section C.7.5.1.1.2).
///
/// They have the sign of the voxels whatever sign the attribute was written with: 63536
/// in a signed scan is -2000.
fn padding(
    header: &Header,
    signed: bool,
    bits_stored: u16,
) -> Result<Option<(i32, i32)>, IntakeError> {
    let stored = |tag: Tag| -> Result<Option<i32>, IntakeError> {
        let Some(value) = header.optional_whole(tag)? else {
            return Ok(None);
        };
        let refused = || header.bad(tag, &value.to_string(), "a value that a voxel can have");
        let bits = match (u16::try_from(value), i16::try_from(value)) {
            (Ok(bits), _) => bits,
            (_, Ok(negative)) => negative.cast_unsigned(),
            _ => return Err(refused()),
        };
        let read = if signed { i32::from(bits.cast_signed()) } else { i32::from(bits) };
        let range = stored_range(signed, bits_stored);
        if range.contains(&read) { Ok(Some(read)) } else { Err(refused()) }
    };
    let value = stored(tags::PIXEL_PADDING_VALUE)?;
    let limit = stored(tags::PIXEL_PADDING_RANGE_LIMIT)?;
    match (value, limit) {
        (Some(value), limit) => {
            let limit = limit.unwrap_or(value);
            Ok(Some((value.min(limit), value.max(limit))))
        }
        // The limit alone says nothing (type 1C: only with a value).
        (None, Some(_)) => Err(header.missing(tags::PIXEL_PADDING_VALUE, None)),
        (None, None) => Ok(None),
    }
}

/// Values that voxels of `bits_stored` bits can have.
fn stored_range(signed: bool, bits_stored: u16) -> std::ops::RangeInclusive<i32> {
    if signed {
        let half = 1_i32 << (bits_stored - 1);
        -half..=half - 1
    } else {
        0..=(1_i32 << bits_stored) - 1
    }
}
