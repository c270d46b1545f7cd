use dicom_dictionary_std::{tags, uids};
use jawgauge_volume::Rescale;

use crate::IntakeError;
use crate::header::Header;
use crate::warning::FileRemark;

/// Plausible Pixel Spacing, mm: the finest detectors of the trade are near 0.05, and
/// 5 mm is coarser than any CT (common practice, no source).
const PIXEL_SPACING_MM: std::ops::RangeInclusive<f64> = 0.02..=5.0;
/// Plausible distance of frames, mm.
const FRAME_PITCH_MM: std::ops::RangeInclusive<f64> = 0.02..=10.0;
/// Plausible coordinates of a position, mm either way: no patient lies further than 10 m
/// from the origin (common practice, no source), and beyond 1e11 mm a micrometre is lost.
const POSITION_MM: std::ops::RangeInclusive<f64> = -1e4..=1e4;
/// How far direction cosines may be from unit length, and their product from zero: what
/// cosines written with three decimals lose.
const COSINE_ROUNDING: f64 = 1e-3;
/// Distances that differ by less than this share are the same.
const SAME_PITCH: f64 = 0.02;

/// Where a slice lies and what its values mean.
#[derive(Debug, Clone)]
pub(crate) struct Plane {
    pub(crate) position_mm: [f64; 3],
    pub(crate) orientation: [f64; 6],
    pub(crate) spacing_mm: [f64; 2],
    pub(crate) rescale: Rescale,
    pub(crate) thickness_mm: Option<f64>,
    pub(crate) between_mm: Option<f64>,
}

/// The plane of a single image, or of a frame by its functional groups (DICOM PS3.3
/// sections C.7.6.2 and C.7.6.16.2).
pub(crate) fn plane(
    header: &Header,
    frame: Option<usize>,
    remarks: &mut Vec<FileRemark>,
) -> Result<Plane, IntakeError> {
    Ok(Plane {
        position_mm: position(header, frame)?,
        orientation: orientation(header, frame)?,
        spacing_mm: spacing(header, frame)?,
        rescale: rescale(header, frame, remarks)?,
        thickness_mm: header.optional_decimal(frame, tags::SLICE_THICKNESS),
        between_mm: header.optional_decimal(frame, tags::SPACING_BETWEEN_SLICES),
    })
}

/// The planes of a CT image with several frames and one position, as cone-beam exporters
/// write it; the standard does not know it.
///
/// The frames follow each other along row x column from Image Position on, by Spacing
/// Between Slices (centre to centre, DICOM PS3.3 section C.8.4.15 for nuclear medicine,
/// where a negative one means against the normal), else by Slice Thickness, else not at
/// all. `pitch_mm` overrules both. Without Image Position and Orientation the grid's own
/// axes stand for the patient's, which is told.
pub(crate) fn top_level_planes(
    header: &Header,
    frames: usize,
    pitch_mm: Option<f64>,
    remarks: &mut Vec<FileRemark>,
) -> Result<Vec<Plane>, IntakeError> {
    let placed = [tags::IMAGE_POSITION_PATIENT, tags::IMAGE_ORIENTATION_PATIENT]
        .map(|tag| header.frame_text(None, tag).is_some());
    let (position, orientation) = match placed {
        [false, false] => {
            remarks.push(FileRemark::PlaceUnknown);
            ([0.0; 3], [1.0, 0.0, 0.0, 0.0, 1.0, 0.0])
        }
        _ => (position(header, None)?, orientation(header, None)?),
    };
    let pitch = match pitch_mm {
        Some(pitch) => pitch,
        None => frame_pitch(header, remarks)?,
    };
    let [a, b, c, d, e, f] = orientation;
    let normal = [b * f - c * e, c * d - a * f, a * e - b * d];
    let (spacing_mm, rescale) = (spacing(header, None)?, rescale(header, None, remarks)?);
    let plane = |frame: usize| {
        let along = pitch * frame as f64;
        Plane {
            position_mm: [0, 1, 2].map(|c| position[c] + along * normal[c]),
            orientation,
            spacing_mm,
            rescale,
            thickness_mm: None,
            between_mm: None,
        }
    };
    Ok((0..frames).map(plane).collect())
}

/// Distance from frame to frame, mm, negative where they run against the normal.
fn frame_pitch(header: &Header, remarks: &mut Vec<FileRemark>) -> Result<f64, IntakeError> {
    let (between, thickness) = (tags::SPACING_BETWEEN_SLICES, tags::SLICE_THICKNESS);
    let plausible = |tag| -> Result<Option<f64>, IntakeError> {
        let Some(text) = header.frame_text(None, tag) else { return Ok(None) };
        let [mm] = header.decimals(None, tag)?;
        if FRAME_PITCH_MM.contains(&mm.abs()) {
            Ok(Some(mm))
        } else {
            Err(header.bad(tag, &text, "a distance of 0.02 to 10 mm"))
        }
    };
    let Some(mm) = plausible(between)? else {
        return match plausible(thickness)? {
            Some(mm) if mm > 0.0 => {
                remarks.push(FileRemark::PitchFromThickness);
                Ok(mm)
            }
            Some(mm) => Err(header.bad(thickness, &mm.to_string(), "a distance above 0 mm")),
            None => Err(IntakeError::NoFramePitch { file: header.file.name.clone() }),
        };
    };
    if mm < 0.0 {
        remarks.push(FileRemark::FramesReversed);
    }
    remarks.push(match header.optional_decimal(None, thickness) {
        Some(other) if !((other - mm.abs()).abs() <= SAME_PITCH * mm.abs()) => {
            let thousandths = |mm: f64| {
                // Saturates; a distance of frames is below 10 mm.
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                let um = (mm.abs() * 1e3).round() as u32;
                um
            };
            FileRemark::PitchDisagrees {
                spacing_um: thousandths(mm),
                thickness_um: thousandths(other),
            }
        }
        _ => FileRemark::PitchFromSpacing,
    });
    Ok(mm)
}

/// The centre of the first voxel (DICOM PS3.3 section C.7.6.2.1.1).
fn position(header: &Header, frame: Option<usize>) -> Result<[f64; 3], IntakeError> {
    let tag = tags::IMAGE_POSITION_PATIENT;
    let position: [f64; 3] = header.decimals(frame, tag)?;
    if position.iter().all(|mm| POSITION_MM.contains(mm)) {
        Ok(position)
    } else {
        let text = header.frame_text(frame, tag).unwrap_or_default();
        Err(header.bad(tag, &text, "three coordinates within 10 m of the origin"))
    }
}

/// Row and column spacing (DICOM PS3.3 section 10.7.1.3).
///
/// Spacings measured on the detector (Imager Pixel Spacing) or before correction (Nominal
/// Scanned Pixel Spacing) are magnified by the cone and are never taken instead.
fn spacing(header: &Header, frame: Option<usize>) -> Result<[f64; 2], IntakeError> {
    let tag = tags::PIXEL_SPACING;
    let Some(text) = header.frame_text(frame, tag) else {
        let others = [tags::IMAGER_PIXEL_SPACING, tags::NOMINAL_SCANNED_PIXEL_SPACING];
        let instead = others.into_iter().find(|&t| header.optional_text(t).is_some());
        return Err(header.missing(tag, instead));
    };
    let spacing: [f64; 2] = header.decimals(frame, tag)?;
    if spacing.iter().all(|mm| PIXEL_SPACING_MM.contains(mm)) {
        Ok(spacing)
    } else {
        Err(header.bad(tag, &text, "two distances of 0.02 to 5 mm"))
    }
}

/// Direction cosines of a row and of a column (DICOM PS3.3 section C.7.6.2.1.1).
fn orientation(header: &Header, frame: Option<usize>) -> Result<[f64; 6], IntakeError> {
    let tag = tags::IMAGE_ORIENTATION_PATIENT;
    let o: [f64; 6] = header.decimals(frame, tag)?;
    let length = |a: &[f64]| a.iter().map(|c| c * c).sum::<f64>().sqrt();
    let product: f64 = (0..3).map(|c| o[c] * o[c + 3]).sum();
    let unit = |a: &[f64]| (length(a) - 1.0).abs() <= COSINE_ROUNDING;
    if unit(&o[..3]) && unit(&o[3..]) && product.abs() <= COSINE_ROUNDING {
        Ok(o)
    } else {
        let text = header.frame_text(frame, tag).unwrap_or_default();
        Err(header.bad(tag, &text, "two perpendicular directions of length 1"))
    }
}

/// Slope and intercept of a slice (DICOM PS3.3 sections C.11.1.1.2 and C.7.6.16.2.9).
///
/// An X-Ray 3D image need not have them (PS3.3 table A.51-1): its stored values are then
/// its grey values.
fn rescale(
    header: &Header,
    frame: Option<usize>,
    remarks: &mut Vec<FileRemark>,
) -> Result<Rescale, IntakeError> {
    let both = [tags::RESCALE_SLOPE, tags::RESCALE_INTERCEPT];
    let optional = header.sop_class == uids::X_RAY3_D_CRANIOFACIAL_IMAGE_STORAGE;
    if optional && both.iter().all(|&tag| header.frame_text(frame, tag).is_none()) {
        remarks.push(FileRemark::NoRescale);
        return Ok(Rescale { slope: 1.0, intercept: 0.0 });
    }
    if both.iter().any(|&tag| header.contradicts_itself(frame, tag)) {
        remarks.push(FileRemark::RescaleTwice);
    }
    // It maps to another quantity, and it is not said which of several maps to grey values.
    let other = tags::REAL_WORLD_VALUE_SLOPE;
    if let Some(missing) = both.into_iter().find(|&tag| header.frame_text(frame, tag).is_none()) {
        let instead = header.frame_text(frame, other).map(|_| other);
        return Err(header.missing(missing, instead));
    }
    let [slope] = header.decimals(frame, tags::RESCALE_SLOPE)?;
    let [intercept] = header.decimals(frame, tags::RESCALE_INTERCEPT)?;
    if slope > 0.0 {
        Ok(Rescale { slope, intercept })
    } else {
        Err(header.bad(tags::RESCALE_SLOPE, &slope.to_string(), "a number above 0"))
    }
}
