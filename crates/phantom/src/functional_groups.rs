use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_volume::Volume;

use crate::object::{add, strings};
use crate::plane::{Plane, position};
use crate::{MultiFrameKind, decimal_string};

/// A functional group macro (DICOM PS3.3 sections C.7.6.16.2, C.8.15.3, C.8.21.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FunctionalMacro {
    /// Pixel Measures (0028,9110): Pixel Spacing and Slice Thickness.
    PixelMeasures,
    /// Plane Position (0020,9113): Image Position.
    PlanePosition,
    /// Plane Orientation (0020,9116): Image Orientation.
    PlaneOrientation,
    /// Pixel Value Transformation (0028,9145): the rescale.
    PixelValueTransformation,
    /// Frame Content (0020,9111): place in the stack.
    FrameContent,
    /// CT Image Frame Type (0018,9329) or X-Ray 3D Frame Type (0018,9504).
    FrameType,
}

impl FunctionalMacro {
    const ALL: [Self; 6] = [
        Self::PixelMeasures,
        Self::PlanePosition,
        Self::PlaneOrientation,
        Self::PixelValueTransformation,
        Self::FrameContent,
        Self::FrameType,
    ];
}

/// Where a macro is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Placement {
    /// Once, in the shared groups; with the values of the first frame.
    Shared,
    /// In the groups of every frame.
    PerFrame,
    /// Nowhere.
    Absent,
}

/// Which functional group macros of a multi-frame object are written where.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FunctionalGroups {
    placed: Vec<(FunctionalMacro, Placement)>,
}

impl FunctionalGroups {
    /// The same with a macro in another place.
    ///
    /// Without this, Plane Position and Frame Content are written for each frame, Pixel
    /// Value Transformation too where slices have different rescales, the others once.
    #[must_use]
    pub fn with_placement(mut self, group: FunctionalMacro, placement: Placement) -> Self {
        self.placed.retain(|(g, _)| *g != group);
        self.placed.push((group, placement));
        self
    }

    fn placement(&self, group: FunctionalMacro, rescale_varies: bool) -> Placement {
        let asked = self.placed.iter().find(|(g, _)| *g == group).map(|(_, p)| *p);
        asked.unwrap_or(match group {
            FunctionalMacro::PlanePosition | FunctionalMacro::FrameContent => Placement::PerFrame,
            FunctionalMacro::PixelValueTransformation if rescale_varies => Placement::PerFrame,
            _ => Placement::Shared,
        })
    }
}

/// Shared and per-frame groups of the frames that hold the slices `order`.
pub(crate) fn add_groups(
    object: &mut InMemDicomObject,
    volume: &Volume,
    plane: &Plane,
    kind: MultiFrameKind,
    groups: &FunctionalGroups,
    order: &[usize],
) {
    let first = order.first().copied().unwrap_or(0);
    let varies = order.iter().any(|&k| volume.rescale(k) != volume.rescale(first));
    let of = |k: usize, placement: Placement| {
        let mut item = InMemDicomObject::new_empty();
        for group in FunctionalMacro::ALL {
            if groups.placement(group, varies) == placement {
                let (tag, value) = macro_item(group, volume, plane, kind, k);
                put_sequence(&mut item, tag, vec![value]);
            }
        }
        item
    };
    put_sequence(
        object,
        tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE,
        vec![of(first, Placement::Shared)],
    );
    let per_frame = order.iter().map(|&k| of(k, Placement::PerFrame)).collect();
    put_sequence(object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, per_frame);
}

pub(crate) fn put_sequence(object: &mut InMemDicomObject, tag: Tag, items: Vec<InMemDicomObject>) {
    object.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
}

fn macro_item(
    group: FunctionalMacro,
    volume: &Volume,
    plane: &Plane,
    kind: MultiFrameKind,
    k: usize,
) -> (Tag, InMemDicomObject) {
    let text = |value: &str| PrimitiveValue::from(value);
    let (tag, elements) = match group {
        FunctionalMacro::PixelMeasures => (
            tags::PIXEL_MEASURES_SEQUENCE,
            vec![
                (tags::PIXEL_SPACING, VR::DS, plane.spacing.clone()),
                (tags::SLICE_THICKNESS, VR::DS, text(&plane.thickness())),
            ],
        ),
        FunctionalMacro::PlanePosition => (
            tags::PLANE_POSITION_SEQUENCE,
            vec![(tags::IMAGE_POSITION_PATIENT, VR::DS, position(volume, k))],
        ),
        FunctionalMacro::PlaneOrientation => (
            tags::PLANE_ORIENTATION_SEQUENCE,
            vec![(tags::IMAGE_ORIENTATION_PATIENT, VR::DS, plane.orientation.clone())],
        ),
        FunctionalMacro::PixelValueTransformation => {
            let rescale = volume.rescale(k);
            (tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, rescale_elements(rescale))
        }
        FunctionalMacro::FrameContent => {
            let place = u32::try_from(k + 1).unwrap_or(u32::MAX);
            (
                tags::FRAME_CONTENT_SEQUENCE,
                vec![
                    (tags::STACK_ID, VR::SH, text("1")),
                    (tags::IN_STACK_POSITION_NUMBER, VR::UL, PrimitiveValue::from(place)),
                    (
                        tags::DIMENSION_INDEX_VALUES,
                        VR::UL,
                        PrimitiveValue::U32([1, place].into_iter().collect()),
                    ),
                ],
            )
        }
        FunctionalMacro::FrameType => (
            kind.frame_type_sequence(),
            [vec![(tags::FRAME_TYPE, VR::CS, strings(&MultiFrameKind::IMAGE_TYPE))], look()]
                .concat(),
        ),
    };
    let mut item = InMemDicomObject::new_empty();
    add(&mut item, elements);
    (tag, item)
}

/// Rescale Intercept, Slope and Type.
pub(crate) fn rescale_elements(
    rescale: jawgauge_volume::Rescale,
) -> Vec<(Tag, VR, PrimitiveValue)> {
    let text = |value: &str| PrimitiveValue::from(value);
    vec![
        (tags::RESCALE_INTERCEPT, VR::DS, text(&decimal_string(rescale.intercept))),
        (tags::RESCALE_SLOPE, VR::DS, text(&decimal_string(rescale.slope))),
        (tags::RESCALE_TYPE, VR::LO, text("US")),
    ]
}

/// What the object and each frame say of how they are to be looked at.
pub(crate) fn look() -> Vec<(Tag, VR, PrimitiveValue)> {
    let text = |value: &str| PrimitiveValue::from(value);
    vec![
        (tags::PIXEL_PRESENTATION, VR::CS, text("MONOCHROME")),
        (tags::VOLUMETRIC_PROPERTIES, VR::CS, text("VOLUME")),
        (tags::VOLUME_BASED_CALCULATION_TECHNIQUE, VR::CS, text("NONE")),
    ]
}
