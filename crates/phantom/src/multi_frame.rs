use std::path::Path;

use dicom_core::{PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use jawgauge_volume::Volume;

use crate::encapsulate::FrameSize;
use crate::file::write_object;
use crate::functional_groups::{add_groups, look, put_sequence, rescale_elements};
use crate::object::{add, common_object, numbered_uid, pixel_bytes, strings};
use crate::plane::{Plane, position};
use crate::{PhantomError, ScanOptions, decimal_string};

/// Distance from the root of the identifier of a multi-frame object, and of the
/// organization of its dimensions.
const INSTANCE: u128 = 3;
const DIMENSIONS: u128 = 4;

/// The objects that [`write_multi_frame`] writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MultiFrameKind {
    /// CT Image Storage with many frames, which the standard does not allow: one position
    /// and orientation for all, the distance of frames only in Spacing Between Slices and
    /// Slice Thickness.
    PlainCt,
    /// Enhanced CT Image Storage, 1.2.840.10008.5.1.4.1.1.2.1.
    EnhancedCt,
    /// Legacy Converted Enhanced CT Image Storage, 1.2.840.10008.5.1.4.1.1.2.2.
    LegacyConvertedCt,
    /// X-Ray 3D Craniofacial Image Storage, 1.2.840.10008.5.1.4.1.1.13.1.2.
    XRay3dCraniofacial,
}

impl MultiFrameKind {
    pub(crate) const IMAGE_TYPE: [&str; 4] = ["DERIVED", "PRIMARY", "VOLUME", "NONE"];

    /// The SOP Class UID.
    #[must_use]
    pub fn sop_class_uid(self) -> &'static str {
        match self {
            Self::PlainCt => uids::CT_IMAGE_STORAGE,
            Self::EnhancedCt => uids::ENHANCED_CT_IMAGE_STORAGE,
            Self::LegacyConvertedCt => uids::LEGACY_CONVERTED_ENHANCED_CT_IMAGE_STORAGE,
            Self::XRay3dCraniofacial => uids::X_RAY3_D_CRANIOFACIAL_IMAGE_STORAGE,
        }
    }

    pub(crate) fn frame_type_sequence(self) -> Tag {
        match self {
            Self::XRay3dCraniofacial => tags::X_RAY3_D_FRAME_TYPE_SEQUENCE,
            _ => tags::CT_IMAGE_FRAME_TYPE_SEQUENCE,
        }
    }
}

/// Writes a volume as one multi-frame object.
///
/// [`MultiFrameKind::PlainCt`] has Image Position of its first frame, Image Orientation,
/// Pixel Spacing, Slice Thickness, Spacing Between Slices (negative where the slices run
/// against their normal) and the rescale at the top level, and no Frame Increment Pointer.
/// The other kinds have functional groups as [`ScanOptions::with_functional_groups`] asks.
/// Absent slices get no frame. Otherwise as [`crate::write_scan`]; the edit is called once,
/// with the number 0.
///
/// # Errors
///
/// Those of [`crate::write_scan`]; [`PhantomError::FrameOrder`] for an order that does not
/// name every slice once, [`PhantomError::TooLong`] for native pixel data of 4 GiB or more;
/// for [`MultiFrameKind::PlainCt`] also [`PhantomError::Sheared`],
/// [`PhantomError::AbsentSlice`] and [`PhantomError::RescaleVaries`].
///
/// # Source
///
/// DICOM PS3.3 sections A.38 (enhanced CT), A.71 (legacy converted), A.55 (craniofacial),
/// C.7.6.16 (functional groups); section numbers and Modality DX of the last from memory.
///
/// # Limits
///
/// Holds one copy of the voxels beside the volume, and the encoded frames where they are
/// encoded. Only what a reader needs of the modules is there: no acquisition parameters,
/// no dates.
pub fn write_multi_frame(
    path: &Path,
    volume: &Volume,
    kind: MultiFrameKind,
    options: &ScanOptions,
) -> Result<(), PhantomError> {
    let plane = Plane::of(volume)?;
    let order = frame_order(volume, options)?;
    let mut object = common_object(volume, &plane, options)?;
    let instance_uid = numbered_uid(options, INSTANCE);
    let text = |value: &str| PrimitiveValue::from(value);
    add(
        &mut object,
        [
            (tags::SOP_CLASS_UID, VR::UI, text(kind.sop_class_uid())),
            (tags::SOP_INSTANCE_UID, VR::UI, text(&instance_uid)),
            (tags::INSTANCE_NUMBER, VR::IS, text("1")),
            (tags::NUMBER_OF_FRAMES, VR::IS, text(&order.len().to_string())),
        ],
    );
    if kind == MultiFrameKind::PlainCt {
        add_plain(&mut object, volume, &plane, &order)?;
    } else {
        add_enhanced(&mut object, kind, options);
        add_groups(&mut object, volume, &plane, kind, &options.groups, &order);
    }
    let bytes = pixel_bytes(volume, &order)?;
    add(&mut object, [(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(bytes.into()))]);
    let size = FrameSize { rows: plane.rows, columns: plane.columns, first: 0 };
    write_object(path, (0, &instance_uid), object, size, options)
}

/// Which slice each frame holds.
fn frame_order(volume: &Volume, options: &ScanOptions) -> Result<Vec<usize>, PhantomError> {
    let slices = volume.geometry().dims()[2];
    let present: Vec<usize> = (0..slices).filter(|&k| !volume.absent_slices()[k]).collect();
    let Some(order) = &options.frame_order else { return Ok(present) };
    let mut sorted = order.clone();
    sorted.sort_unstable();
    if sorted == present {
        Ok(order.clone())
    } else {
        Err(PhantomError::FrameOrder { expected: present.len(), found: order.len() })
    }
}

/// The top level of a CT image that has frames all the same.
fn add_plain(
    object: &mut InMemDicomObject,
    volume: &Volume,
    plane: &Plane,
    order: &[usize],
) -> Result<(), PhantomError> {
    if !plane.square.is_straight() {
        return Err(PhantomError::Sheared { shear_deg: plane.square.shear_deg });
    }
    if let Some(slice) = volume.absent_slices().iter().position(|a| *a) {
        return Err(PhantomError::AbsentSlice { slice });
    }
    one_rescale(volume)?;
    let first = order.first().copied().unwrap_or(0);
    let text = |value: &str| PrimitiveValue::from(value);
    add(
        object,
        [
            (tags::IMAGE_TYPE, VR::CS, strings(&["DERIVED", "PRIMARY", "AXIAL"])),
            (tags::SLICE_THICKNESS, VR::DS, text(&plane.thickness())),
            (tags::SPACING_BETWEEN_SLICES, VR::DS, text(&decimal_string(plane.square.pitch_mm))),
            (tags::IMAGE_POSITION_PATIENT, VR::DS, position(volume, first)),
            (tags::IMAGE_ORIENTATION_PATIENT, VR::DS, plane.orientation.clone()),
            (tags::PIXEL_SPACING, VR::DS, plane.spacing.clone()),
        ],
    );
    add(object, rescale_elements(volume.rescale(first)));
    Ok(())
}

/// The rescale of every slice.
pub(crate) fn one_rescale(volume: &Volume) -> Result<jawgauge_volume::Rescale, PhantomError> {
    let first = volume.rescale(0);
    let slices = volume.geometry().dims()[2];
    match (1..slices).find(|&k| volume.rescale(k) != first) {
        None => Ok(first),
        Some(slice) => Err(PhantomError::RescaleVaries { slice }),
    }
}

/// Attributes of the enhanced objects, functional groups aside.
fn add_enhanced(object: &mut InMemDicomObject, kind: MultiFrameKind, options: &ScanOptions) {
    let text = |value: &str| PrimitiveValue::from(value);
    add(
        object,
        [
            (tags::IMAGE_TYPE, VR::CS, strings(&MultiFrameKind::IMAGE_TYPE)),
            (tags::CONTENT_QUALIFICATION, VR::CS, text("RESEARCH")),
            (tags::BURNED_IN_ANNOTATION, VR::CS, text("NO")),
            (tags::LOSSY_IMAGE_COMPRESSION, VR::CS, text("00")),
            (tags::PRESENTATION_LUT_SHAPE, VR::CS, text("IDENTITY")),
        ],
    );
    add(object, look());
    put_sequence(object, tags::ACQUISITION_CONTEXT_SEQUENCE, Vec::new());
    if kind == MultiFrameKind::XRay3dCraniofacial {
        add(object, [(tags::MODALITY, VR::CS, text("DX"))]);
    }
    let dimensions = numbered_uid(options, DIMENSIONS);
    let mut organization = InMemDicomObject::new_empty();
    let named = || (tags::DIMENSION_ORGANIZATION_UID, VR::UI, text(&dimensions));
    add(&mut organization, [named()]);
    put_sequence(object, tags::DIMENSION_ORGANIZATION_SEQUENCE, vec![organization]);
    let index = |pointer: Tag| {
        let mut item = InMemDicomObject::new_empty();
        let group = PrimitiveValue::from(tags::FRAME_CONTENT_SEQUENCE);
        add(
            &mut item,
            [
                named(),
                (tags::DIMENSION_INDEX_POINTER, VR::AT, PrimitiveValue::from(pointer)),
                (tags::FUNCTIONAL_GROUP_POINTER, VR::AT, group),
            ],
        );
        item
    };
    let indices = [tags::STACK_ID, tags::IN_STACK_POSITION_NUMBER].map(index).to_vec();
    put_sequence(object, tags::DIMENSION_INDEX_SEQUENCE, indices);
}
