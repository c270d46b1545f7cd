use std::sync::Arc;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use jawgauge_codec::{Codec, FrameShape};
use jawgauge_volume::Rescale;

use crate::IntakeError;
use crate::attribute::EXPLICIT_BIG_ENDIAN;
use crate::fragments::Run;
use crate::frames::{number_of_frames, planes_of_frames};
use crate::header::{Header, syntax_error};
use crate::plane::Plane;
use crate::source::{Layer, ScanFile};
use crate::walk::PixelSpan;
use crate::warning::FileRemark;

/// Transfer syntaxes whose voxels are native (DICOM PS3.5 annex A).
const NATIVE_SYNTAXES: [&str; 4] = [
    uids::IMPLICIT_VR_LITTLE_ENDIAN,
    uids::EXPLICIT_VR_LITTLE_ENDIAN,
    uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN,
    EXPLICIT_BIG_ENDIAN,
];
/// Transfer syntaxes that lose something whatever the stream says.
const LOSSY_SYNTAXES: [&str; 1] = [uids::JPEG_BASELINE8_BIT];

/// A slice whose attributes can be used: a file, or a frame of one.
#[derive(Debug, Clone)]
pub(crate) struct Slice {
    pub(crate) file: Arc<ScanFile>,
    /// Number of the frame in a multi-frame object, from 0.
    pub(crate) frame: Option<usize>,
    pub(crate) object: Arc<ObjectFacts>,
    pub(crate) position_mm: [f64; 3],
    pub(crate) orientation: [f64; 6],
    /// Row spacing (along a column), column spacing (along a row).
    pub(crate) spacing_mm: [f64; 2],
    pub(crate) rescale: Rescale,
    pub(crate) thickness_mm: Option<f64>,
    pub(crate) between_mm: Option<f64>,
    /// The bytes of its voxels.
    pub(crate) runs: Vec<Run>,
}

/// What all frames of an object share.
#[derive(Debug, Clone)]
pub(crate) struct ObjectFacts {
    pub(crate) syntax: String,
    pub(crate) sop_class: String,
    pub(crate) frame_uid: Option<String>,
    pub(crate) shape: FrameShape,
    pub(crate) padding: Option<(i32, i32)>,
    pub(crate) identity_removed: bool,
    pub(crate) names_patient: bool,
    pub(crate) layer: Layer,
    pub(crate) big_endian: bool,
    /// How the voxels are compressed, `None` where they are native.
    pub(crate) codec: Option<Codec>,
    /// Bytes of Pixel Data beyond those asked for, without a pad byte.
    pub(crate) surplus: u64,
    /// Whether overlays may lie in unused bits of the voxels.
    pub(crate) overlays: bool,
    pub(crate) remarks: Vec<FileRemark>,
}

impl Slice {
    /// The file, and the frame where it has several.
    pub(crate) fn name(&self) -> String {
        match self.frame {
            Some(frame) => format!("{} frame {}", self.file.name, frame + 1),
            None => self.file.name.clone(),
        }
    }
}

fn native_bytes(shape: &FrameShape) -> u64 {
    u64::from(shape.rows) * u64::from(shape.columns) * u64::from(shape.bits_allocated / 8)
}

/// Judges a header: every attribute that the volume depends on must be there and make
/// sense. Returns a slice for each frame, in stored order.
pub(crate) fn judge(
    header: &Header,
    frame_pitch_mm: Option<f64>,
) -> Result<Vec<Slice>, IntakeError> {
    let shape = pixel_module(header)?;
    let frames = number_of_frames(header)?;
    let Voxels { codec, runs, surplus, mut remarks } = voxels(header, &shape, frames)?;
    if header.syntax_lies {
        remarks.push(FileRemark::SyntaxDisagrees);
    }
    if header.bare {
        remarks.push(FileRemark::NoFileMeta);
    }
    if header.tail > 0 {
        remarks.push(FileRemark::TrailingBytes);
    }
    let said_lossy = header.optional_text(tags::LOSSY_IMAGE_COMPRESSION);
    if said_lossy.is_some_and(|t| t == "01") || LOSSY_SYNTAXES.contains(&header.syntax.as_str()) {
        remarks.push(FileRemark::Lossy);
    }
    let (single, planes) = planes_of_frames(header, frames, frame_pitch_mm, &mut remarks)?;
    remarks.sort_unstable();
    remarks.dedup();
    let object = Arc::new(ObjectFacts {
        syntax: header.syntax.clone(),
        sop_class: header.sop_class.clone(),
        frame_uid: header.optional_text(tags::FRAME_OF_REFERENCE_UID),
        shape,
        padding: padding(header, &shape)?,
        identity_removed: header
            .optional_text(tags::PATIENT_IDENTITY_REMOVED)
            .is_some_and(|t| t == "YES"),
        names_patient: [tags::PATIENT_NAME, tags::PATIENT_ID, tags::PATIENT_BIRTH_DATE]
            .iter()
            .any(|&tag| header.optional_text(tag).is_some()),
        layer: header.layer,
        big_endian: header.coding.big_endian,
        codec,
        surplus,
        overlays: header.has_overlays(),
        remarks,
    });
    let slice = |(frame, (plane, runs)): (usize, (Plane, Vec<Run>))| Slice {
        file: header.file.clone(),
        frame: (!single).then_some(frame),
        object: object.clone(),
        position_mm: plane.position_mm,
        orientation: plane.orientation,
        spacing_mm: plane.spacing_mm,
        rescale: plane.rescale,
        thickness_mm: plane.thickness_mm,
        between_mm: plane.between_mm,
        runs,
    };
    Ok(planes.into_iter().zip(runs).enumerate().map(slice).collect())
}

/// How the voxels are coded (DICOM PS3.3 section C.7.6.3, for CT C.8.2.1).
fn pixel_module(header: &Header) -> Result<FrameShape, IntakeError> {
    let whole = |tag, allowed: &[i64], expected: &str| {
        must_be(header, tag, header.whole(tag)?, allowed, expected)
    };
    whole(tags::SAMPLES_PER_PIXEL, &[1], "1")?;
    let photometric = header.text(tags::PHOTOMETRIC_INTERPRETATION)?;
    if photometric != "MONOCHROME2" {
        return Err(header.bad(tags::PHOTOMETRIC_INTERPRETATION, &photometric, "MONOCHROME2"));
    }
    if let Some(floats) = header.float_pixels {
        return Err(header.missing(tags::PIXEL_DATA, Some(floats)));
    }
    whole(tags::BITS_ALLOCATED, &[8, 16], "8 or 16")?;
    let allocated = header.whole(tags::BITS_ALLOCATED)?;
    let stored = header.whole(tags::BITS_STORED)?;
    if !(1..=allocated).contains(&stored) {
        return Err(header.bad(
            tags::BITS_STORED,
            &stored.to_string(),
            &format!("1 to {allocated}"),
        ));
    }
    let expected = format!("{}, one less than Bits Stored", stored - 1);
    whole(tags::HIGH_BIT, &[stored - 1], &expected)?;
    whole(tags::PIXEL_REPRESENTATION, &[0, 1], "0 or 1")?;
    if header.has_modality_lut() {
        // It would replace slope and intercept (DICOM PS3.3 section C.11.1.1).
        let tag = tags::MODALITY_LUT_SEQUENCE;
        return Err(header.bad(tag, "a table", "absent: slope and intercept are needed"));
    }
    Ok(FrameShape {
        rows: dimension(header, tags::ROWS)?,
        columns: dimension(header, tags::COLUMNS)?,
        bits_allocated: u16::try_from(allocated).unwrap_or(16),
        bits_stored: u16::try_from(stored).unwrap_or(16),
        signed: header.whole(tags::PIXEL_REPRESENTATION)? == 1,
    })
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

/// Where the voxels of an object stand.
struct Voxels {
    codec: Option<Codec>,
    /// The bytes of each frame.
    runs: Vec<Vec<Run>>,
    surplus: u64,
    remarks: Vec<FileRemark>,
}

/// Finds the bytes of each frame (DICOM PS3.5 section 8).
fn voxels(header: &Header, shape: &FrameShape, frames: usize) -> Result<Voxels, IntakeError> {
    let file = || header.file.name.clone();
    let codec = Codec::of_transfer_syntax(&header.syntax);
    let native = header.bare || NATIVE_SYNTAXES.contains(&header.syntax.as_str());
    let wrapped = header.syntax == uids::ENCAPSULATED_UNCOMPRESSED_EXPLICIT_VR_LITTLE_ENDIAN;
    if codec.is_none() && !native && !wrapped {
        return Err(syntax_error(&header.file.name, &header.syntax));
    }
    let tag = tags::PIXEL_DATA;
    let Some(pixels) = &header.pixels else { return Err(header.missing(tag, None)) };
    let each = native_bytes(shape);
    match pixels {
        PixelSpan::Native { offset, length, left, bytes } => {
            if header.coding.big_endian && (*bytes == (shape.bits_allocated == 16)) {
                // Bytes in a word would be swapped, words in bytes would not (PS3.5 section A.3).
                let (found, expected) =
                    if *bytes { ("OB", "OW for words") } else { ("OW", "OB for bytes") };
                return Err(header.bad(tag, found, expected));
            }
            let expected = each * frames as u64;
            let found = u64::from(*length).min(*left);
            if found < expected {
                return Err(IntakeError::PixelLength {
                    file: file(),
                    expected,
                    found,
                    frames: (frames > 1).then(|| (found / each, frames)),
                });
            }
            let surplus = found - expected;
            if surplus >= each {
                let holds = found / each;
                return Err(IntakeError::FrameCount { file: file(), frames, holds });
            }
            let run = |frame: u64| vec![Run { offset: offset + frame * each, length: each }];
            Ok(Voxels {
                codec: None,
                runs: (0..frames as u64).map(run).collect(),
                surplus: if surplus == 1 { 0 } else { surplus },
                remarks: if native { Vec::new() } else { vec![FileRemark::SyntaxDisagrees] },
            })
        }
        PixelSpan::Encapsulated(_) if native => {
            let expected = "native voxels as (0002,0010) TransferSyntaxUID says";
            Err(header.bad(tag, "an encapsulated stream", expected))
        }
        PixelSpan::Encapsulated(items) => {
            let runs = items
                .frames(frames, &header.offsets, &header.lengths)
                .map_err(|reason| IntakeError::Frames { file: file(), reason })?;
            if wrapped {
                let of = |runs: &Vec<Run>| runs.iter().map(|r| r.length).sum::<u64>();
                if let Some(odd) = runs.iter().position(|r| of(r) != each && of(r) != each + 1) {
                    let reason =
                        format!("frame {} has {} bytes of {each}", odd + 1, of(&runs[odd]));
                    return Err(IntakeError::Frames { file: file(), reason });
                }
            }
            let missing = if items.delimited { None } else { Some(FileRemark::NoDelimiter) };
            Ok(Voxels { codec, runs, surplus: 0, remarks: missing.into_iter().collect() })
        }
    }
}

/// Stored values that mean "not scanned" (DICOM PS3.3 section C.7.5.1.1.2).
///
/// They have the sign of the voxels whatever sign the attribute was written with: 63536
/// in a signed scan is -2000.
fn padding(header: &Header, shape: &FrameShape) -> Result<Option<(i32, i32)>, IntakeError> {
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
        let read = if shape.signed { i32::from(bits.cast_signed()) } else { i32::from(bits) };
        let range = stored_range(shape.signed, shape.bits_stored);
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
