use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use crate::IntakeError;
use crate::attribute::{Attribute, quoted};
use crate::header::Header;
use crate::plane::{Plane, plane, top_level_planes};
use crate::warning::FileRemark;

/// Frames of an object beyond which it is no scan of a jaw.
const MOST_FRAMES: usize = 65_535;

/// The planes of all frames, in stored order, and whether the object is a single image.
pub(crate) fn planes_of_frames(
    header: &Header,
    frames: usize,
    frame_pitch_mm: Option<f64>,
    remarks: &mut Vec<FileRemark>,
) -> Result<(bool, Vec<Plane>), IntakeError> {
    let ungrouped = header.sop_class == uids::CT_IMAGE_STORAGE && header.grouped_frames() == 0;
    let single = frames == 1 && ungrouped;
    if ungrouped && header.has_groups() {
        agrees_with_groups(header)?;
    }
    if frame_pitch_mm.is_some() && (single || !ungrouped) {
        remarks.push(FileRemark::PitchIgnored);
    }
    if let Some(other) = header.optional_text(tags::ANATOMICAL_ORIENTATION_TYPE)
        && other != "BIPED"
    {
        // Left, front and head would be other directions (DICOM PS3.3 section C.7.6.2.1.1).
        return Err(header.bad(tags::ANATOMICAL_ORIENTATION_TYPE, &other, "absent or BIPED"));
    }
    if ungrouped {
        check_frame_type(header, None, remarks)?;
    }
    let planes = if single {
        vec![plane(header, None, remarks)?]
    } else if ungrouped {
        check_increment(header, frame_pitch_mm.is_some())?;
        top_level_planes(header, frames, frame_pitch_mm, remarks)?
    } else {
        if header.grouped_frames() != frames {
            let found = header.grouped_frames().to_string();
            let expected = format!("{frames}, one item for each frame");
            return Err(header.bad(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, &found, &expected));
        }
        check_stacks(header, frames)?;
        let planes = (0..frames).map(|frame| {
            check_frame_type(header, Some(frame), remarks)?;
            plane(header, Some(frame), remarks)
        });
        planes.collect::<Result<_, _>>()?
    };
    Ok((single, planes))
}

/// Refuses a CT image with shared functional groups, which its object does not know, where
/// they say something else than the image itself: there is no rule which of them counts.
fn agrees_with_groups(header: &Header) -> Result<(), IntakeError> {
    let both = [
        tags::PIXEL_SPACING,
        tags::IMAGE_POSITION_PATIENT,
        tags::IMAGE_ORIENTATION_PATIENT,
        tags::SPACING_BETWEEN_SLICES,
        tags::SLICE_THICKNESS,
    ];
    match both.into_iter().find(|&tag| header.contradicts_itself(None, tag)) {
        Some(tag) => {
            let found = header.frame_text(None, tag).unwrap_or_default();
            Err(header.bad(tag, &found, "the same in the functional groups and outside them"))
        }
        None => Ok(()),
    }
}

/// Refuses frames of several stacks (Stack ID (0020,9056), DICOM PS3.3 section C.7.6.16.2.2): each
/// is a volume of its own.
fn check_stacks(header: &Header, frames: usize) -> Result<(), IntakeError> {
    let tag = tags::STACK_ID;
    let mut stacks = (0..frames).filter_map(|frame| header.frame_text(Some(frame), tag));
    let first = stacks.next();
    match stacks.find(|other| Some(other) != first.as_ref()) {
        Some(other) => {
            let expected = format!("{} as in the first frame", quoted(&first.unwrap_or_default()));
            Err(header.bad(tag, &other, &expected))
        }
        None => Ok(()),
    }
}

/// Refuses frames that are no part of a volume: localizers (Frame Type (0008,9007), value 3)
/// and frames whose voxels are not where the grid puts them (Volumetric Properties
/// (0008,9206) DISTORTED; DICOM PS3.3 section C.8.16.2.1).
fn check_frame_type(
    header: &Header,
    frame: Option<usize>,
    remarks: &mut Vec<FileRemark>,
) -> Result<(), IntakeError> {
    let has = |text: &str, word: &str| text.split('\\').any(|value| value.trim() == word);
    let tag = tags::FRAME_TYPE;
    if let Some(kind) = header.frame_text(frame, tag).filter(|t| has(t, "LOCALIZER")) {
        return Err(header.bad(tag, &kind, "a frame of a volume"));
    }
    let tag = tags::VOLUMETRIC_PROPERTIES;
    // What the frames do not say, the image says of them all.
    let said = header.frame_text(frame, tag).or_else(|| header.optional_text(tag));
    match said.as_deref() {
        None | Some("VOLUME") => Ok(()),
        Some("SAMPLED") => {
            remarks.push(FileRemark::Sampled);
            Ok(())
        }
        Some(other) => Err(header.bad(tag, other, "VOLUME: voxels where the grid puts them")),
    }
}

/// Refuses frames with one position that follow each other in time, or by turns, and so are
/// no volume (DICOM PS3.3 section C.7.6.6.1.1). Places in a vector are not read, and may be
/// uneven; a distance that was given overrules them. What is not there says nothing.
fn check_increment(header: &Header, given: bool) -> Result<(), IntakeError> {
    let taken = |t: &Tag| {
        *t == tags::SPACING_BETWEEN_SLICES || (given && *t == tags::SLICE_LOCATION_VECTOR)
    };
    match header.frame_increments().into_iter().find(|t| !taken(t)) {
        Some(other) => {
            let other = Attribute(other).to_string();
            let expected = "absent or (0018,0088) SpacingBetweenSlices";
            Err(header.bad(tags::FRAME_INCREMENT_POINTER, &other, expected))
        }
        None => Ok(()),
    }
}

/// The frames of an object; one where a CT image does not say (DICOM PS3.3 section
/// C.7.6.6: type 1 in multi-frame objects).
pub(crate) fn number_of_frames(header: &Header) -> Result<usize, IntakeError> {
    let tag = tags::NUMBER_OF_FRAMES;
    let frames = match header.optional_whole(tag)? {
        Some(frames) => frames,
        None if header.sop_class == uids::CT_IMAGE_STORAGE => 1,
        None => return Err(header.missing(tag, None)),
    };
    let fits = usize::try_from(frames).ok().filter(|n| (1..=MOST_FRAMES).contains(n));
    let fits = fits.ok_or_else(|| {
        header.bad(tag, &frames.to_string(), &format!("a whole number, 1 to {MOST_FRAMES}"))
    })?;
    Ok(fits)
}
