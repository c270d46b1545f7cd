//! What multi-frame objects say of their frames, read back with the DICOM library alone.

use std::path::Path;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{DefaultDicomObject, InMemDicomObject, open_file};
use jawgauge_phantom::{
    FunctionalGroups, FunctionalMacro, MultiFrameKind, P0_DIMS, PhantomError, Placement,
    ScanOptions, p0_geometry, p0_grey, p0_rescale, sample_shape, write_multi_frame,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry, VoxelBox};

const ENHANCED: [MultiFrameKind; 3] = [
    MultiFrameKind::EnhancedCt,
    MultiFrameKind::LegacyConvertedCt,
    MultiFrameKind::XRay3dCraniofacial,
];

/// The base phantom, averaged over one place a voxel.
fn plain_p0() -> Volume {
    sample_shape(p0_geometry(), p0_rescale(), p0_grey, 1).expect("a volume")
}

fn written(volume: &Volume, kind: MultiFrameKind, options: &ScanOptions) -> DefaultDicomObject {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("deep/scan.dcm");
    write_multi_frame(&path, volume, kind, options).expect("written");
    open_file(path).expect("readable")
}

fn refused(volume: &Volume, kind: MultiFrameKind, options: &ScanOptions) -> PhantomError {
    write_multi_frame(Path::new("/nowhere"), volume, kind, options).expect_err("refused")
}

fn numbers(object: &InMemDicomObject, tag: Tag) -> Vec<f64> {
    object.element(tag).expect("an element").to_multi_float64().expect("numbers")
}

/// The items of a sequence.
fn items(object: &InMemDicomObject, tag: Tag) -> &[InMemDicomObject] {
    object.element(tag).expect("a sequence").items().expect("items")
}

fn has(object: &InMemDicomObject, tag: Tag) -> bool {
    object.get(tag).is_some()
}

/// A volume of 3 x 2 voxels a slice on steps along the axes; slice `k` is stored as `k`.
fn stack(step_k: [f64; 3], slices: usize) -> Volume {
    let [x, y, z] = step_k;
    let steps = [
        PatientVector::new(0.3, 0.0, 0.0),
        PatientVector::new(0.0, 0.4, 0.0),
        PatientVector::new(x, y, z),
    ];
    let affine = Affine::new(PatientPoint::new(1.0, 2.0, 3.0), steps).expect("an affine");
    let geometry = VolumeGeometry::new([3, 2, slices], affine).expect("a grid");
    let voxels = ndarray::Array3::from_shape_fn((slices, 2, 3), |(k, _, _)| {
        u16::try_from(k).expect("few slices")
    });
    let rescale = vec![p0_rescale(); slices];
    Volume::new(geometry, StoredVoxels::Unsigned(voxels), rescale).expect("a volume")
}

#[test]
fn a_plain_object_has_geometry_at_the_top_level_only() {
    let object = written(&plain_p0(), MultiFrameKind::PlainCt, &ScanOptions::default());
    assert_eq!(object.meta().media_storage_sop_class_uid(), uids::CT_IMAGE_STORAGE);
    assert_eq!(numbers(&object, tags::NUMBER_OF_FRAMES), [80.0]);
    assert_eq!(numbers(&object, tags::IMAGE_POSITION_PATIENT), [-17.85, -14.85, -11.85]);
    assert_eq!(numbers(&object, tags::IMAGE_ORIENTATION_PATIENT), [1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);
    assert_eq!(numbers(&object, tags::PIXEL_SPACING), [0.3, 0.3]);
    assert_eq!(numbers(&object, tags::SPACING_BETWEEN_SLICES), [0.3]);
    assert_eq!(numbers(&object, tags::SLICE_THICKNESS), [0.3]);
    assert_eq!(numbers(&object, tags::RESCALE_INTERCEPT), [-1000.0]);
    for tag in [
        tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE,
        tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE,
        tags::FRAME_INCREMENT_POINTER,
    ] {
        assert!(!has(&object, tag), "{tag}");
    }
    let volume = plain_p0();
    let StoredVoxels::Unsigned(voxels) = volume.voxels() else { panic!("unsigned") };
    let pixels = object.element(tags::PIXEL_DATA).expect("pixels");
    let expected: Vec<u8> = voxels.iter().flat_map(|v| v.to_le_bytes()).collect();
    assert_eq!(pixels.to_bytes().expect("bytes").as_ref(), expected);
}

#[test]
fn slices_against_the_normal_have_negative_spacing() {
    let object =
        written(&stack([0.0, 0.0, -0.5], 4), MultiFrameKind::PlainCt, &ScanOptions::default());
    assert_eq!(numbers(&object, tags::SPACING_BETWEEN_SLICES), [-0.5]);
    assert_eq!(numbers(&object, tags::SLICE_THICKNESS), [0.5]);
    assert_eq!(numbers(&object, tags::PIXEL_SPACING), [0.4, 0.3]);
}

#[test]
fn enhanced_objects_tell_the_place_of_every_frame() {
    for kind in ENHANCED {
        let object = written(&plain_p0(), kind, &ScanOptions::default());
        assert_eq!(object.meta().media_storage_sop_class_uid(), kind.sop_class_uid());
        let shared = items(&object, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE);
        let [shared] = shared else { panic!("{} shared items", shared.len()) };
        let measures = &items(shared, tags::PIXEL_MEASURES_SEQUENCE)[0];
        assert_eq!(numbers(measures, tags::PIXEL_SPACING), [0.3, 0.3]);
        let orientation = &items(shared, tags::PLANE_ORIENTATION_SEQUENCE)[0];
        assert_eq!(numbers(orientation, tags::IMAGE_ORIENTATION_PATIENT)[4], 1.0);
        let rescale = &items(shared, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE)[0];
        assert_eq!(numbers(rescale, tags::RESCALE_INTERCEPT), [-1000.0]);
        let xray = kind == MultiFrameKind::XRay3dCraniofacial;
        assert_eq!(has(shared, tags::X_RAY3_D_FRAME_TYPE_SEQUENCE), xray);
        assert_eq!(has(shared, tags::CT_IMAGE_FRAME_TYPE_SEQUENCE), !xray);
        let frames = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
        assert_eq!(frames.len(), P0_DIMS[2]);
        for (k, frame) in frames.iter().enumerate() {
            let position = &items(frame, tags::PLANE_POSITION_SEQUENCE)[0];
            let z = numbers(position, tags::IMAGE_POSITION_PATIENT)[2];
            assert!((z - (-11.85 + 0.3 * k as f64)).abs() < 1e-9, "{z}");
            let content = &items(frame, tags::FRAME_CONTENT_SEQUENCE)[0];
            assert_eq!(numbers(content, tags::IN_STACK_POSITION_NUMBER), [k as f64 + 1.0]);
        }
        for tag in [tags::IMAGE_POSITION_PATIENT, tags::PIXEL_SPACING, tags::RESCALE_SLOPE] {
            assert!(!has(&object, tag), "{tag}");
        }
    }
}

#[test]
fn shuffled_frames_keep_their_places_and_pixels() {
    let volume = stack([0.0, 0.0, 0.5], 4);
    let options = ScanOptions::default().with_frame_order(vec![2, 0, 3, 1]);
    let object = written(&volume, MultiFrameKind::EnhancedCt, &options);
    let frames = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
    let pixels = object.element(tags::PIXEL_DATA).expect("pixels");
    let pixels = pixels.to_multi_int::<u16>().expect("words");
    for (frame, slice) in frames.iter().zip([2.0, 0.0, 3.0, 1.0]) {
        let position = &items(frame, tags::PLANE_POSITION_SEQUENCE)[0];
        assert_eq!(numbers(position, tags::IMAGE_POSITION_PATIENT)[2], 3.0 + 0.5 * slice);
    }
    assert_eq!(pixels.chunks(6).map(|f| f[0]).collect::<Vec<_>>(), [2, 0, 3, 1]);
    for order in [vec![0, 1, 2], vec![0, 1, 2, 2], vec![0, 1, 2, 4]] {
        let options = ScanOptions::default().with_frame_order(order);
        let error = refused(&volume, MultiFrameKind::EnhancedCt, &options);
        assert!(matches!(error, PhantomError::FrameOrder { expected: 4, .. }), "{error}");
    }
}

#[test]
fn absent_slices_get_no_frame() {
    let absent = vec![false, true, false, false];
    let volume = stack([0.0, 0.0, 0.5], 4).with_absent_slices(absent).expect("a volume");
    let object = written(&volume, MultiFrameKind::EnhancedCt, &ScanOptions::default());
    let frames = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
    let heights: Vec<f64> = frames
        .iter()
        .map(|f| {
            numbers(&items(f, tags::PLANE_POSITION_SEQUENCE)[0], tags::IMAGE_POSITION_PATIENT)[2]
        })
        .collect();
    assert_eq!(heights, [3.0, 4.0, 4.5]);
    let error = refused(&volume, MultiFrameKind::PlainCt, &ScanOptions::default());
    assert!(matches!(error, PhantomError::AbsentSlice { slice: 1 }), "{error}");
}

#[test]
fn a_rescale_that_varies_is_written_for_each_frame() {
    let same = stack([0.0, 0.0, 0.5], 3);
    let rescale: Vec<Rescale> =
        (1..4).map(|k| Rescale { slope: f64::from(k), intercept: -1000.0 }).collect();
    let volume =
        Volume::new(same.geometry().clone(), same.voxels().clone(), rescale).expect("a volume");
    let object = written(&volume, MultiFrameKind::EnhancedCt, &ScanOptions::default());
    let frames = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
    for (slope, frame) in [1.0, 2.0, 3.0].into_iter().zip(frames) {
        let rescale = &items(frame, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE)[0];
        assert_eq!(numbers(rescale, tags::RESCALE_SLOPE), [slope]);
    }
    let shared = &items(&object, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE)[0];
    assert!(!has(shared, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE));
    let error = refused(&volume, MultiFrameKind::PlainCt, &ScanOptions::default());
    assert!(matches!(error, PhantomError::RescaleVaries { slice: 1 }), "{error}");
}

#[test]
fn macros_are_where_they_are_asked_to_be() {
    let groups = FunctionalGroups::default()
        .with_placement(FunctionalMacro::PixelMeasures, Placement::PerFrame)
        .with_placement(FunctionalMacro::PixelValueTransformation, Placement::Absent)
        .with_placement(FunctionalMacro::PlanePosition, Placement::Shared)
        .with_placement(FunctionalMacro::FrameType, Placement::PerFrame)
        .with_placement(FunctionalMacro::FrameType, Placement::Absent);
    let options = ScanOptions::default().with_functional_groups(groups);
    let object = written(&stack([0.0, 0.0, 0.5], 2), MultiFrameKind::EnhancedCt, &options);
    let shared = &items(&object, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE)[0];
    let frames = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
    let found = |tag| (has(shared, tag), frames.iter().all(|f| has(f, tag)));
    assert_eq!(found(tags::PIXEL_MEASURES_SEQUENCE), (false, true));
    assert_eq!(found(tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE), (false, false));
    assert_eq!(found(tags::PLANE_POSITION_SEQUENCE), (true, false));
    assert_eq!(found(tags::PLANE_ORIENTATION_SEQUENCE), (true, false));
    assert_eq!(found(tags::FRAME_CONTENT_SEQUENCE), (false, true));
    assert_eq!(found(tags::CT_IMAGE_FRAME_TYPE_SEQUENCE), (false, false));
}

#[test]
fn the_edit_gets_the_whole_data_set_once() {
    let options = ScanOptions::default().with_edit(|number, object| {
        assert_eq!(number, 0);
        assert!(object.get(tags::PIXEL_DATA).is_some());
        object.remove_element(tags::SPACING_BETWEEN_SLICES);
    });
    let object = written(&stack([0.0, 0.0, 0.5], 2), MultiFrameKind::PlainCt, &options);
    assert!(!has(&object, tags::SPACING_BETWEEN_SLICES));
    assert!(has(&object, tags::SLICE_THICKNESS));
}

#[test]
fn what_the_object_cannot_say_is_refused() {
    let sheared = stack([0.0, 0.1, 0.5], 2);
    let options = ScanOptions::default();
    let error = refused(&sheared, MultiFrameKind::PlainCt, &options);
    // atan(0.1 / 0.5).
    let PhantomError::Sheared { shear_deg } = error else { panic!("{error}") };
    assert!((shear_deg - 11.309_932_474).abs() < 1e-6, "{shear_deg}");
    let object = written(&sheared, MultiFrameKind::EnhancedCt, &options);
    assert_eq!(items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).len(), 2);

    let whole = sample_shape(p0_geometry(), p0_rescale(), |_| 0.0, 1).expect("a volume");
    let part = VoxelBox { first: [0; 3], size: [2, 2, 2] };
    let voxels = StoredVoxels::Unsigned(ndarray::Array3::zeros((2, 2, 2)));
    let part =
        Volume::of_part(whole.geometry().clone(), part, voxels, vec![p0_rescale(); P0_DIMS[2]])
            .expect("a part");
    let error = refused(&part, MultiFrameKind::EnhancedCt, &options);
    assert!(matches!(error, PhantomError::PartOfGrid { .. }), "{error}");

    let float = StoredVoxels::Float(ndarray::Array3::zeros((2, 2, 3)));
    let float =
        Volume::new(sheared.geometry().clone(), float, vec![p0_rescale(); 2]).expect("a volume");
    let error = refused(&float, MultiFrameKind::EnhancedCt, &options);
    assert!(matches!(error, PhantomError::FloatVoxels), "{error}");
}
