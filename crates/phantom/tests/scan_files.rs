//! What the written files hold, read back with the DICOM library alone.

use dicom_dictionary_std::tags;
use dicom_object::open_file;
use jawgauge_phantom::{
    P0_DIMS, PhantomError, ScanOptions, ScanSyntax, decimal_string, p0, p0_geometry, p0_grey,
    p0_rescale, sample_shape, sample_shape_as, write_scan,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{StoredVoxels, VolumeGeometry};

#[test]
fn every_slice_tells_its_place_and_its_voxels() {
    for syntax in [ScanSyntax::ExplicitLittleEndian, ScanSyntax::ImplicitLittleEndian] {
        let dir = tempfile::tempdir().expect("a folder");
        let volume = p0();
        let files = write_scan(dir.path(), &volume, &ScanOptions::default().with_syntax(syntax))
            .expect("written");
        assert_eq!(files.len(), P0_DIMS[2]);
        let StoredVoxels::Unsigned(voxels) = volume.voxels() else { panic!("unsigned") };
        for (k, file) in files.iter().enumerate() {
            let slice = open_file(file).expect("readable");
            let position = slice.element(tags::IMAGE_POSITION_PATIENT).expect("a position");
            let position = position.to_multi_float64().expect("numbers");
            assert_eq!(position.len(), 3);
            assert!((position[2] - (-11.85 + 0.3 * k as f64)).abs() < 1e-9);
            let data = slice.element(tags::PIXEL_DATA).expect("pixels");
            let data = data.to_bytes().expect("bytes");
            let expected: Vec<u8> = voxels
                .index_axis(ndarray::Axis(0), k)
                .iter()
                .flat_map(|v| v.to_le_bytes())
                .collect();
            assert_eq!(data.as_ref(), expected.as_slice());
            let name = slice.element(tags::PATIENT_NAME).expect("an empty name");
            assert!(name.to_str().expect("text").is_empty());
        }
    }
}

#[test]
fn the_base_phantom_has_the_grey_values_of_its_parts() {
    let volume = p0();
    // Voxel centres: i = 59 and 60 lie at x = -0.15 and 0.15; marker at i = 79.5, j = 22.8, k = 59.5.
    assert_eq!(volume.voxel_grey(60, 50, 39), Some(1200.0));
    assert_eq!(volume.voxel_grey(75, 50, 39), Some(60.0));
    assert_eq!(volume.voxel_grey(0, 0, 0), Some(-1000.0));
    assert_eq!(volume.voxel_grey(80, 23, 60), Some(2500.0));
    // Faces at x = +-3 lie on voxel borders: the ridge is 20 whole voxels wide.
    let bone = (0..P0_DIMS[0]).filter(|&i| volume.voxel_grey(i, 50, 39) == Some(1200.0)).count();
    assert_eq!(bone, 20);
}

#[test]
fn the_same_scan_twice_has_the_same_bytes() {
    let [first, second] = [0, 1].map(|_| {
        let dir = tempfile::tempdir().expect("a folder");
        let files = write_scan(dir.path(), &p0(), &ScanOptions::default()).expect("written");
        files.iter().map(|f| std::fs::read(f).expect("read")).collect::<Vec<_>>()
    });
    assert_eq!(first, second);
}

#[test]
fn decimal_strings_keep_coordinates_within_a_millionth_of_a_millimetre() {
    for step in 0..2000_i32 {
        for scale in [1e-9, 1e-4, 0.3, 7.3, 412.7] {
            let value = (f64::from(step) - 1000.0) / 7.0 * scale;
            let text = decimal_string(value);
            assert!(text.len() <= 16, "{text}");
            let read: f64 = text.parse().expect("a number");
            assert!((read - value).abs() <= 1e-9, "{text} {value}");
        }
    }
}

#[test]
fn a_grey_value_beyond_sixteen_bits_is_refused() {
    let hot = sample_shape(p0_geometry(), p0_rescale(), |p| p0_grey(p) * 100.0, 1);
    assert!(matches!(hot, Err(PhantomError::GreyRange { .. })));
    let nan = sample_shape(p0_geometry(), p0_rescale(), |_| f64::NAN, 1);
    assert!(nan.is_err());
    let signed = jawgauge_phantom::Storage::Signed;
    let low = sample_shape_as(signed, p0_geometry(), p0_rescale(), |_| -40_000.0, 1);
    assert!(low.is_err());
}

#[test]
fn absent_slices_get_no_file_and_padding_is_declared() {
    let mut absent = vec![false; P0_DIMS[2]];
    absent[7] = true;
    let volume = p0().with_padding(0, 0).with_absent_slices(absent).expect("a volume");
    let dir = tempfile::tempdir().expect("a folder");
    let files = write_scan(dir.path(), &volume, &ScanOptions::default()).expect("written");
    assert_eq!(files.len(), P0_DIMS[2] - 1);
    assert!(!dir.path().join("slice0007.dcm").exists());
    let slice = open_file(&files[0]).expect("readable");
    let padding = slice.element(tags::PIXEL_PADDING_VALUE).expect("declared");
    assert_eq!(padding.to_int::<i32>().expect("a number"), 0);
}

#[test]
fn a_grid_that_a_file_cannot_describe_is_refused() {
    let affine = Affine::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        [
            PatientVector::new(0.3, 0.0, 0.0),
            PatientVector::new(0.1, 0.3, 0.0),
            PatientVector::new(0.0, 0.0, 0.3),
        ],
    )
    .expect("an affine");
    let geometry = VolumeGeometry::new([4, 4, 4], affine).expect("a grid");
    let volume = sample_shape(geometry, p0_rescale(), |_| 0.0, 1).expect("a volume");
    let dir = tempfile::tempdir().expect("a folder");
    let refused = write_scan(dir.path(), &volume, &ScanOptions::default());
    assert!(matches!(refused, Err(PhantomError::NotPerpendicular { .. })));
}
