//! Implant templates, built with the DICOM library: what is read of them, and what is refused.

use std::path::PathBuf;

use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use jawgauge_intake::{ImplantTemplate, TemplateError, TemplateMesh, read_implant_template};
use tempfile::TempDir;

fn put(object: &mut InMemDicomObject, tag: Tag, vr: VR, value: impl Into<PrimitiveValue>) {
    object.put(DataElement::new(tag, vr, value.into()));
}

fn sequence(tag: Tag, items: Vec<InMemDicomObject>) -> DataElement<InMemDicomObject> {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(items))
}

fn item(elements: Vec<DataElement<InMemDicomObject>>) -> InMemDicomObject {
    InMemDicomObject::from_element_iter(elements)
}

fn longs(tag: Tag, numbers: &[u32]) -> DataElement<InMemDicomObject> {
    DataElement::new(tag, VR::OL, PrimitiveValue::U32(numbers.into()))
}

/// A template without a body.
fn bare() -> InMemDicomObject {
    let mut o = InMemDicomObject::new_empty();
    put(&mut o, tags::SOP_CLASS_UID, VR::UI, uids::GENERIC_IMPLANT_TEMPLATE_STORAGE);
    put(&mut o, tags::SOP_INSTANCE_UID, VR::UI, "1.2.3");
    put(&mut o, tags::IMPLANT_NAME, VR::LO, "Body\u{1b}[31m A");
    put(&mut o, tags::IMPLANT_PART_NUMBER, VR::LO, "A-1");
    put(&mut o, tags::IMPLANT_SIZE, VR::LO, "4.0 by 10 ");
    put(&mut o, tags::IMPLANT_TEMPLATE_VERSION, VR::LO, "2");
    put(&mut o, tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE, VR::FD, 0.05_f64);
    o
}

const CORNERS: [[f32; 3]; 5] =
    [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.5, 0.5, 2.0]];

/// A surface of its points and of what joins them.
fn surface(number: u32, joined: Vec<DataElement<InMemDicomObject>>) -> InMemDicomObject {
    let coordinates: Vec<f32> = CORNERS.as_flattened().to_vec();
    let points = item(vec![
        DataElement::new(tags::NUMBER_OF_SURFACE_POINTS, VR::UL, dicom_value!(U32, [5])),
        DataElement::new(
            tags::POINT_COORDINATES_DATA,
            VR::OF,
            PrimitiveValue::F32(coordinates.into()),
        ),
    ]);
    item(vec![
        DataElement::new(tags::SURFACE_NUMBER, VR::UL, dicom_value!(U32, [number])),
        sequence(tags::SURFACE_POINTS_SEQUENCE, vec![points]),
        sequence(tags::SURFACE_MESH_PRIMITIVES_SEQUENCE, vec![item(joined)]),
    ])
}

fn with_surfaces(surfaces: Vec<InMemDicomObject>) -> InMemDicomObject {
    let mut o = bare();
    o.put(sequence(tags::SURFACE_SEQUENCE, surfaces));
    o
}

/// A folder with one file in it.
struct File(TempDir);

impl File {
    fn of(object: InMemDicomObject, syntax: &str) -> Self {
        let file = Self(tempfile::tempdir().expect("a folder"));
        let meta = FileMetaTableBuilder::new()
            .transfer_syntax(syntax)
            .media_storage_sop_class_uid(uids::GENERIC_IMPLANT_TEMPLATE_STORAGE)
            .media_storage_sop_instance_uid("1.2.3");
        let object = object.with_meta(meta).expect("meta information");
        object.write_to_file(file.path()).expect("written");
        file
    }

    fn bytes(bytes: &[u8]) -> Self {
        let file = Self(tempfile::tempdir().expect("a folder"));
        std::fs::write(file.path(), bytes).expect("written");
        file
    }

    fn path(&self) -> PathBuf {
        self.0.path().join("template.dcm")
    }

    fn read(&self) -> Result<ImplantTemplate, TemplateError> {
        read_implant_template(&self.path())
    }
}

fn explicit(object: InMemDicomObject) -> File {
    File::of(object, uids::EXPLICIT_VR_LITTLE_ENDIAN)
}

#[test]
fn name_size_number_version_and_tolerance_are_read_and_escaped() {
    for syntax in [uids::EXPLICIT_VR_LITTLE_ENDIAN, uids::IMPLICIT_VR_LITTLE_ENDIAN] {
        let template = File::of(bare(), syntax).read().expect("a template");
        assert_eq!(template.name.as_deref(), Some("Body\\u{1b}[31m A"));
        assert_eq!(template.size.as_deref(), Some("4.0 by 10"));
        assert_eq!(template.part_number.as_deref(), Some("A-1"));
        assert_eq!(template.version.as_deref(), Some("2"));
        assert_eq!(template.tolerance_mm, Some(0.05));
        assert_eq!(template.mesh, TemplateMesh::None);
        assert_eq!(template.title().as_deref(), Some("Body\\u{1b}[31m A 4.0 by 10"));
    }
    let mut nameless = bare();
    for tag in [tags::IMPLANT_NAME, tags::IMPLANT_SIZE] {
        nameless.remove_element(tag);
    }
    // Type 2: there, and empty.
    nameless.put(DataElement::empty(tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE, VR::FD));
    let template = explicit(nameless).read().expect("a template");
    assert_eq!((template.title(), template.tolerance_mm), (None, None));
}

#[test]
fn triangles_strips_and_fans_are_the_same_surface() {
    // The four sides of a pyramid over a square, one way or the other.
    let sides = [1, 2, 5, 2, 3, 5, 3, 4, 5, 4, 1, 5];
    let part = |numbers: &[u32]| item(vec![longs(tags::LONG_PRIMITIVE_POINT_INDEX_LIST, numbers)]);
    let joined = [
        vec![longs(tags::LONG_TRIANGLE_POINT_INDEX_LIST, &sides)],
        // Numbers of two bytes, as files had them before.
        vec![DataElement::new(
            Tag(0x0066, 0x0023),
            VR::OW,
            PrimitiveValue::U16(sides.iter().map(|n| u16::try_from(*n).expect("small")).collect()),
        )],
        vec![sequence(tags::TRIANGLE_FAN_SEQUENCE, vec![part(&[5, 1, 2, 3, 4, 1])])],
        vec![sequence(
            tags::TRIANGLE_STRIP_SEQUENCE,
            vec![part(&[1, 2, 5, 3]), part(&[3, 4, 5, 1])],
        )],
    ];
    for syntax in [uids::EXPLICIT_VR_LITTLE_ENDIAN, uids::IMPLICIT_VR_LITTLE_ENDIAN] {
        for joined in &joined {
            let object = with_surfaces(vec![surface(1, joined.clone())]);
            let template = File::of(object, syntax).read().expect("a template");
            let TemplateMesh::Triangles(triangles) = template.mesh else {
                panic!("{:?}", template.mesh)
            };
            let mut found: Vec<Vec<[i64; 3]>> = triangles
                .iter()
                .map(|t| {
                    // Halves and wholes: exact when doubled.
                    #[allow(clippy::cast_possible_truncation)]
                    let mut corners = t.map(|p| p.map(|c| (2.0 * c) as i64)).to_vec();
                    corners.sort_unstable();
                    corners
                })
                .collect();
            found.sort();
            let tip = [1, 1, 4];
            let mut truth = [[0, 0], [2, 0], [2, 2], [0, 2], [0, 0]]
                .windows(2)
                .map(|p| {
                    let mut corners = vec![[p[0][0], p[0][1], 0], [p[1][0], p[1][1], 0], tip];
                    corners.sort_unstable();
                    corners
                })
                .collect::<Vec<_>>();
            truth.sort();
            assert_eq!(found, truth);
        }
    }
}

#[test]
fn surfaces_that_cannot_be_used_say_why() {
    let good = || vec![longs(tags::LONG_TRIANGLE_POINT_INDEX_LIST, &[1, 2, 5])];
    let unusable = |object: InMemDicomObject, words: &str| {
        let template = explicit(object).read().expect("a template");
        let TemplateMesh::Unusable(why) = template.mesh else { panic!("{:?}", template.mesh) };
        assert!(why.contains(words), "{why}");
    };
    let list = |numbers: &[u32]| {
        with_surfaces(vec![surface(1, vec![longs(tags::LONG_TRIANGLE_POINT_INDEX_LIST, numbers)])])
    };
    unusable(list(&[1, 2, 6]), "point 6, of 5");
    unusable(list(&[0, 1, 2]), "point 0");
    unusable(list(&[1, 2, 3, 4]), "4 numbers");
    unusable(list(&[]), "no triangles");
    let two = || vec![surface(1, good()), surface(2, good())];
    unusable(with_surfaces(two()), "several surfaces");
    let named = |number: u16| {
        let mut o = with_surfaces(two());
        let tag = tags::IMPLANT_TEMPLATE3_D_MODEL_SURFACE_NUMBER;
        put(&mut o, tag, VR::US, number);
        o
    };
    unusable(named(3), "none of its surfaces");
    let template = explicit(named(2)).read().expect("a template");
    assert!(matches!(template.mesh, TemplateMesh::Triangles(t) if t.len() == 1));
    let mut scaled = with_surfaces(vec![surface(1, good())]);
    put(&mut scaled, tags::SURFACE_MODEL_SCALING_FACTOR, VR::FD, 25.4_f64);
    unusable(scaled, "SurfaceModelScalingFactor");
    let mut described = with_surfaces(vec![surface(1, good())]);
    let mut model = InMemDicomObject::new_empty();
    put(&mut model, tags::SURFACE_MODEL_SCALING_FACTOR, VR::FD, 10.0_f64);
    described.put(sequence(tags::SURFACE_MODEL_DESCRIPTION_SEQUENCE, vec![model]));
    unusable(described, "SurfaceModelScalingFactor");
}

#[test]
fn what_is_no_template_is_refused() {
    let mut other = bare();
    put(&mut other, tags::SOP_CLASS_UID, VR::UI, uids::CT_IMAGE_STORAGE);
    let refused = explicit(other).read();
    assert!(
        matches!(&refused, Err(TemplateError::SopClass { name, .. }) if *name == "CT Image Storage"),
        "{refused:?}"
    );
    let mut rough = bare();
    put(&mut rough, tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE, VR::FD, -1.0_f64);
    let refused = explicit(rough).read();
    assert!(matches!(refused, Err(TemplateError::Value { .. })), "{refused:?}");
    for bytes in [&b""[..], b"not DICOM at all", &[0; 200]] {
        assert_eq!(File::bytes(bytes).read(), Err(TemplateError::NotDicom));
    }
    let missing = read_implant_template(std::path::Path::new("none.dcm"));
    assert!(matches!(missing, Err(TemplateError::Open { .. })), "{missing:?}");
}

#[test]
fn a_damaged_template_is_an_error_and_never_a_panic() {
    let good = vec![longs(tags::LONG_TRIANGLE_POINT_INDEX_LIST, &[1, 2, 5, 2, 3, 5])];
    let whole = std::fs::read(explicit(with_surfaces(vec![surface(1, good)])).path());
    let whole = whole.expect("read");
    let mut refused = 0;
    for at in 0..whole.len() {
        refused += usize::from(File::bytes(&whole[..at]).read().is_err());
        let mut wrong = whole.clone();
        wrong[at] ^= 0xFF;
        let _ = File::bytes(&wrong).read();
    }
    assert!(refused > whole.len() / 2, "{refused} of {}", whole.len());
    // Sequences within sequences, as deep as the file goes on.
    let mut deep = whole[..whole.len().min(400)].to_vec();
    let end = deep.windows(4).position(|w| w == b"\x66\x00\x02\x00").unwrap_or(deep.len());
    deep.truncate(end);
    for _ in 0..100_000 {
        deep.extend_from_slice(b"\x66\x00\x02\x00SQ\x00\x00\xFF\xFF\xFF\xFF");
        deep.extend_from_slice(b"\xFE\xFF\x00\xE0\xFF\xFF\xFF\xFF");
    }
    let refused = File::bytes(&deep).read();
    assert!(matches!(refused, Err(TemplateError::Damaged { .. })), "{refused:?}");
}
