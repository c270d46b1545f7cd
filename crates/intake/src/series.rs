use dicom_core::Tag;
use dicom_dictionary_std::tags;

use crate::IntakeError;
use crate::attribute::{Attribute, quoted};
use crate::slice::Slice;

/// Cosines of two slices that differ by less than this are the same but for rounding:
/// an angle of 0.006 degrees.
const SAME_COSINE: f64 = 1e-4;
/// The same for Pixel Spacing, mm: 0.01 mm over 1000 pixels.
const SAME_SPACING_MM: f64 = 1e-5;

/// Refuses a series whose slices do not belong on one grid.
///
/// What must agree: frame of reference (DICOM PS3.3 section C.7.4.1), the image plane but
/// for the position (C.7.6.2) and the coding of the voxels (C.7.6.3). The file that differs
/// from most of the series is named.
pub(crate) fn check_uniform(slices: &[Slice]) -> Result<(), IntakeError> {
    same(slices, tags::SOP_CLASS_UID, |s| s.object.sop_class.clone(), PartialEq::eq)?;
    same(slices, tags::ROWS, |s| s.object.shape.rows, PartialEq::eq)?;
    same(slices, tags::COLUMNS, |s| s.object.shape.columns, PartialEq::eq)?;
    same(slices, tags::PIXEL_REPRESENTATION, |s| u8::from(s.object.shape.signed), PartialEq::eq)?;
    same(slices, tags::BITS_ALLOCATED, |s| s.object.shape.bits_allocated, PartialEq::eq)?;
    same(slices, tags::BITS_STORED, |s| s.object.shape.bits_stored, PartialEq::eq)?;
    same(slices, tags::PIXEL_PADDING_VALUE, |s| Shown(s.object.padding), PartialEq::eq)?;
    let frame = |s: &Slice| Shown(s.object.frame_uid.clone());
    same(slices, tags::FRAME_OF_REFERENCE_UID, frame, PartialEq::eq)?;
    let near = |tolerance: f64| {
        move |a: &Numbers, b: &Numbers| {
            a.0.iter().zip(&b.0).all(|(x, y)| (x - y).abs() <= tolerance)
        }
    };
    let spacing = |s: &Slice| Numbers(s.spacing_mm.to_vec());
    same(slices, tags::PIXEL_SPACING, spacing, near(SAME_SPACING_MM))?;
    let orientation = |s: &Slice| Numbers(s.orientation.to_vec());
    same(slices, tags::IMAGE_ORIENTATION_PATIENT, orientation, near(SAME_COSINE))
}

/// A value that may be absent, as a message shows it.
#[derive(PartialEq)]
struct Shown<T>(Option<T>);

impl<T: std::fmt::Debug> std::fmt::Display for Shown<T> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.0 {
            Some(value) => f.write_str(format!("{value:?}").trim_matches('"')),
            None => f.write_str("absent"),
        }
    }
}

struct Numbers(Vec<f64>);

impl std::fmt::Display for Numbers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let texts: Vec<String> = self.0.iter().map(ToString::to_string).collect();
        f.write_str(&texts.join("\\"))
    }
}

fn same<T: std::fmt::Display>(
    slices: &[Slice],
    tag: Tag,
    value: impl Fn(&Slice) -> T,
    agree: impl Fn(&T, &T) -> bool,
) -> Result<(), IntakeError> {
    let values: Vec<T> = slices.iter().map(value).collect();
    // Majority vote in one pass: a candidate gains by agreement and falls at zero.
    let mut candidate = 0;
    let mut votes = 0_usize;
    for (index, value) in values.iter().enumerate() {
        if votes == 0 {
            candidate = index;
            votes = 1;
        } else if agree(&values[candidate], value) {
            votes += 1;
        } else {
            votes -= 1;
        }
    }
    match values.iter().position(|value| !agree(&values[candidate], value)) {
        None => Ok(()),
        Some(odd) => Err(IntakeError::Mixed {
            file: slices[odd].name(),
            attribute: Attribute(tag),
            value: quoted(&values[odd].to_string()),
            usual: quoted(&values[candidate].to_string()),
        }),
    }
}
