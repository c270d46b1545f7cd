use super::*;

/// Rounding of single precision at coordinates of some ten millimetres.
const SINGLE_MM: f64 = 2e-6;

/// LPS rows of the map of [`Nii::new`]: RAS with x and y turned round.
const ALONG_RAS: [[f64; 4]; 3] =
    [[-0.3, 0.0, 0.0, -10.0], [0.0, -0.4, 0.0, -20.0], [0.0, 0.0, 0.5, 30.0]];

#[test]
fn both_byte_orders_say_the_same() {
    for big in [false, true] {
        let nii = Nii::new(big);
        assert_eq!(recognise(&nii.bytes), Some(PlainKind::Nifti));
        let volume = nii.volume();
        assert_eq!(volume.dims, [4, 3, 5]);
        assert_eq!((volume.code, volume.big_endian), (VoxelCode::I16, big));
        assert_eq!(volume.rescale, Rescale { slope: 1.0, intercept: 0.0 });
        assert_eq!(volume.place, DataPlace::SameFile);
        assert_eq!(volume.start, DataStart { at: 0, lines: 0, bytes: Some(352) });
        assert_eq!(volume.voxel_bytes, VOXELS);
        assert!(!volume.gzip && !volume.texts_present);
        assert_eq!(volume.notes, []);
        assert_rows(&volume.affine, ALONG_RAS, SINGLE_MM);
    }
}

#[test]
fn a_quaternion_turns_as_nifti1_h_works_it_out() {
    // From the formula of method 2 in nifti1.h, by hand.
    let half = 0.5_f32.sqrt();
    let cases = [
        ("identity", 1.0, [0.0; 3], ALONG_RAS),
        ("qfac 0 is 1", 0.0, [0.0; 3], ALONG_RAS),
        (
            "qfac -1 turns k round",
            -1.0,
            [0.0; 3],
            [[-0.3, 0.0, 0.0, -10.0], [0.0, -0.4, 0.0, -20.0], [0.0, 0.0, -0.5, 30.0]],
        ),
        (
            "half a turn about z",
            1.0,
            [0.0, 0.0, 1.0],
            [[0.3, 0.0, 0.0, -10.0], [0.0, 0.4, 0.0, -20.0], [0.0, 0.0, 0.5, 30.0]],
        ),
        (
            // y goes to z, z to -y: in LPS, -y is +y.
            "a quarter turn about x",
            1.0,
            [half, 0.0, 0.0],
            [[-0.3, 0.0, 0.0, -10.0], [0.0, 0.0, 0.5, -20.0], [0.0, 0.4, 0.0, 30.0]],
        ),
    ];
    for (name, qfac, quaternion, rows) in cases {
        let nii = Nii::new(false)
            .shorts(at::SFORM_CODE, &[0])
            .floats(at::PIXDIM, &[qfac])
            .floats(at::QUATERN, &quaternion);
        let volume = nii.volume();
        assert_eq!(volume.notes, [], "{name}");
        assert_rows(&volume.affine, rows, SINGLE_MM);
    }
}

#[test]
fn the_sform_is_preferred_and_a_qform_that_disagrees_is_told() {
    let nii = Nii::new(false).floats(at::QOFFSET, &[10.0, 20.0, 33.0]);
    let volume = nii.volume();
    assert_rows(&volume.affine, ALONG_RAS, SINGLE_MM);
    let [PlainNote::FormsDisagree { distance_mm, angle_deg }] = volume.notes[..] else {
        panic!("{:?}", volume.notes);
    };
    assert!((distance_mm - 3.0).abs() < SINGLE_MM && angle_deg < 1e-4);

    // Turned by 2 degrees about z: b = c = 0, d = sin(1 degree). The farthest corner is
    // (3, 2, any), 0.9 and 0.8 mm from the first: it moves by 2 sin(1 degree) x its distance.
    let sine = 1.0_f64.to_radians().sin();
    #[allow(clippy::cast_possible_truncation)]
    let d = sine as f32;
    let volume = Nii::new(false).floats(at::QUATERN, &[0.0, 0.0, d]).volume();
    let [PlainNote::FormsDisagree { distance_mm, angle_deg }] = volume.notes[..] else {
        panic!("{:?}", volume.notes);
    };
    assert!((distance_mm - 2.0 * sine * 0.9_f64.hypot(0.8)).abs() < 1e-5, "{distance_mm}");
    assert!((angle_deg - 2.0).abs() < 1e-4, "{angle_deg}");

    // Less than a hundredth of a millimetre is not worth a word.
    let nii = Nii::new(false).floats(at::QOFFSET, &[10.0, 20.0, 30.009]);
    assert_eq!(nii.volume().notes, []);
}

#[test]
fn a_qform_without_sense_is_told_where_the_sform_is_used_and_refused_where_not() {
    let nii = Nii::new(false).floats(at::QUATERN, &[0.8, 0.8, 0.0]);
    let volume = nii.volume();
    assert_rows(&volume.affine, ALONG_RAS, SINGLE_MM);
    let said = volume.notes.iter().map(ToString::to_string).collect::<Vec<_>>();
    assert_eq!(volume.notes.len(), 1);
    assert!(said[0].starts_with("quatern_b, quatern_c, quatern_d is \"0.8"), "{said:?}");
    assert!(said[0].ends_with("not part of a unit quaternion, the sform was used"), "{said:?}");
    let fault = nii.shorts(at::SFORM_CODE, &[0]).fault();
    assert!(fault.starts_with("quatern_b, quatern_c, quatern_d is"), "{fault}");

    let alone = Nii::new(false).shorts(at::SFORM_CODE, &[0]);
    for (qfac, pixdim, named) in [
        (0.5, 0.3, "pixdim[0] (qfac) is \"0.5\", not 1 or -1"),
        (f32::NAN, 0.3, "pixdim[0] (qfac) is \"NaN\""),
        (1.0, -0.3, "pixdim is \"-0.3"),
        (1.0, 0.0, "pixdim is \"0 "),
    ] {
        let fault = alone.clone().floats(at::PIXDIM, &[qfac, pixdim]).fault();
        assert!(fault.starts_with(named), "{fault}");
    }
    // Rounding alone is no fault: the sum of squares may be a little above 1.
    let above = f32::from_bits(1.0_f32.to_bits() + 1);
    let volume = alone.floats(at::QUATERN, &[0.0, 0.0, above]).volume();
    let half_turn = [[0.3, 0.0, 0.0, -10.0], [0.0, 0.4, 0.0, -20.0], [0.0, 0.0, 0.5, 30.0]];
    assert_rows(&volume.affine, half_turn, SINGLE_MM);
}

#[test]
fn without_a_form_in_patient_coordinates_the_orientation_is_unknown() {
    let codes = |q, s| Nii::new(false).shorts(at::QFORM_CODE, &[q, s]);
    for (q, s) in [(0, 0), (0, 4), (3, 0), (5, 3)] {
        let fault = codes(q, s).fault();
        assert!(fault.starts_with(&format!("qform_code is {q} and sform_code is {s}")), "{fault}");
    }
    assert_eq!(codes(1, 4).volume().notes, [PlainNote::TemplateSform { sform: 4 }]);
    assert_eq!(codes(3, 2).volume().notes, [PlainNote::TemplateQform { qform: 3 }]);
    assert_eq!(codes(2, 0).volume().notes, []);
    assert!(codes(1, 6).fault().starts_with("sform_code is \"6\", not 0 to 5"));
    assert!(codes(-1, 1).fault().starts_with("qform_code is \"-1\""));
}

#[test]
fn units_other_than_millimetres_are_converted() {
    let scaled = |unit: u8, factor: f32| {
        let scale = |values: &[f32]| values.iter().map(|v| v * factor).collect::<Vec<_>>();
        Nii::new(false)
            .raw(at::XYZT_UNITS, &[unit])
            .floats(at::PIXDIM + 4, &scale(&[0.3, 0.4, 0.5]))
            .floats(at::QOFFSET, &scale(&[10.0, 20.0, 30.0]))
            .floats(at::SROW, &scale(&[0.3, 0.0, 0.0, 10.0, 0.0, 0.4]))
            .floats(at::SROW + 24, &scale(&[0.0, 20.0, 0.0, 0.0, 0.5, 30.0]))
    };
    // The upper bits are the unit of time.
    for (unit, factor) in [(1, 1e-3), (2, 1.0), (2 + 8, 1.0), (3, 1e3)] {
        let volume = scaled(unit, factor).volume();
        assert_eq!(volume.notes, [], "unit {unit}");
        assert_rows(&volume.affine, ALONG_RAS, 1e-5);
    }
    let unsaid = scaled(0, 1.0).volume();
    assert_eq!(unsaid.notes, [PlainNote::UnitNotSaid { field: "xyzt_units" }]);
    assert_rows(&unsaid.affine, ALONG_RAS, SINGLE_MM);
    assert!(scaled(4, 1.0).fault().starts_with("xyzt_units is \"4\""));
    // Millimetres that call themselves metres do not pass.
    let fault = scaled(1, 1.0).fault();
    assert!(fault.contains("not steps of 0.02 to 10 mm"), "{fault}");
}

#[test]
fn slope_and_intercept_follow_the_standard() {
    let scaled = |slope, inter| Nii::new(false).floats(at::SCL_SLOPE, &[slope, inter]);
    let volume = scaled(0.5, -1000.0).volume();
    assert_eq!(volume.rescale, Rescale { slope: 0.5, intercept: -1000.0 });
    let none = Rescale { slope: 1.0, intercept: 0.0 };
    assert_eq!(
        (scaled(0.0, 0.0).volume().rescale, scaled(0.0, 0.0).volume().notes),
        (none, vec![])
    );
    let volume = scaled(0.0, -1024.0).volume();
    assert_eq!(volume.rescale, none);
    assert_eq!(volume.notes, [PlainNote::InterceptNotUsed { intercept: -1024.0 }]);
    for (slope, inter, named) in [
        (-1.0, 0.0, "scl_slope is \"-1\""),
        (f32::INFINITY, 0.0, "scl_slope is \"inf\""),
        (1.0, f32::NAN, "scl_inter is \"NaN\""),
    ] {
        let fault = scaled(slope, inter).fault();
        assert!(fault.starts_with(named), "{fault}");
    }
    // As nibabel writes voxels that are not scaled.
    let volume = scaled(f32::NAN, f32::NAN).volume();
    assert_eq!((volume.rescale, volume.notes), (none, vec![]));
    assert_eq!(scaled(f32::NAN, -1024.0).volume().notes.len(), 1);
    // Not yet read where the slope says that there is none; it must still be told.
    assert_eq!(scaled(0.0, f32::NAN).volume().notes.len(), 1);
}

#[test]
fn voxels_that_are_no_single_grey_number_are_refused_by_name() {
    for (datatype, bits, code) in [
        (2, 8, VoxelCode::U8),
        (256, 8, VoxelCode::I8),
        (512, 16, VoxelCode::U16),
        (4, 16, VoxelCode::I16),
        (768, 32, VoxelCode::U32),
        (8, 32, VoxelCode::I32),
        (16, 32, VoxelCode::F32),
        (64, 64, VoxelCode::F64),
    ] {
        let nii = Nii::new(true).shorts(at::DATATYPE, &[datatype, bits]);
        let volume = parse_nifti(&nii.bytes, None).expect("a volume");
        assert_eq!((volume.code, volume.voxel_bytes), (code, 60 * code.bytes()));
        let nii = nii.shorts(at::BITPIX, &[12]);
        assert!(nii.fault().starts_with(&format!("bitpix is \"12\", not {bits}")));
    }
    for (datatype, name) in
        [(128, "Rgb24"), (2304, "Rgba32"), (32, "Complex64"), (1024, "Int64"), (1, "unknown")]
    {
        let fault = Nii::new(false).shorts(at::DATATYPE, &[datatype]).fault();
        assert!(fault.starts_with(&format!("datatype is \"{datatype} ({name})\"")), "{fault}");
    }
}

#[test]
fn one_volume_of_three_dimensions_is_read() {
    let dims = |dim: &[i16]| Nii::new(false).shorts(at::DIM, dim);
    assert_eq!(dims(&[4, 4, 3, 5, 1]).volume().dims, [4, 3, 5]);
    assert_eq!(dims(&[7, 4, 3, 5, 1, 1, 1, 1]).volume().dims, [4, 3, 5]);
    // What dim[0] does not count says nothing.
    assert_eq!(dims(&[3, 4, 3, 5, 0, -7]).volume().dims, [4, 3, 5]);
    for (dim, named) in [
        (&[2, 4, 3][..], "dim[0] is \"2\", not 3"),
        (&[0], "dim[0] is \"0\""),
        (&[4, 4, 3, 5, 2], "dim[4] is \"2\", not 1"),
        (&[5, 4, 3, 5, 1, 3], "dim[5] is \"3\", not 1"),
        (&[3, -4], "dim[1] is \"-4\", not 2 or more"),
        (&[3, 4, 0], "dim[2] is \"0\""),
        (&[3, 4, 3, 1], "dim[3] is \"1\""),
    ] {
        let fault = dims(dim).fault();
        assert!(fault.starts_with(named), "{fault}");
    }
}

#[test]
fn the_length_must_be_that_of_the_voxels() {
    let nii = Nii::new(false);
    let with = |length| parse_nifti(&nii.bytes, Some(length));
    let short = with(352 + VOXELS - 1).expect_err("short");
    assert_eq!(short, PlainFault::TooShort { needed: 352 + VOXELS, found: 352 + VOXELS - 1 });
    // A slice has 4 x 3 x 2 = 24 bytes.
    assert_eq!(
        with(352 + VOXELS + 23).expect("read").notes,
        [PlainNote::SurplusBytes { surplus: 23 }]
    );
    assert!(matches!(with(352 + VOXELS + 24), Err(PlainFault::TooLong { slice: 24, .. })));
    let unknown = parse_nifti(&nii.bytes, None).expect("read");
    assert!(matches!(unknown.judge_length(100), Err(PlainFault::TooShort { .. })));

    for (offset, ok) in [
        (352.0, true),
        (368.0, true),
        (0.0, false),
        (351.0, false),
        (352.5, false),
        (-352.0, false),
        (1e9, false),
        (f32::NAN, false),
    ] {
        let nii = nii.clone().floats(at::VOX_OFFSET, &[offset]);
        match parse_nifti(&nii.bytes, None) {
            Ok(volume) => {
                assert!(ok && volume.start.bytes.map(|b| b as f64) == Some(f64::from(offset)));
            }
            Err(fault) => {
                assert!(!ok && fault.to_string().starts_with("vox_offset is"), "{fault}");
            }
        }
    }
    // The largest image that the standard can describe is far from an overflow.
    let huge = nii.shorts(at::DIM, &[3, i16::MAX, i16::MAX, i16::MAX]).parsed();
    let needed = 352 + 2 * 32_767_u64.pow(3);
    assert_eq!(huge, Err(PlainFault::TooShort { needed, found: 352 + VOXELS }));
}

#[test]
fn steps_that_no_scan_has_are_refused() {
    let rows = |srow: &[f32]| Nii::new(false).floats(at::SROW, srow).fault();
    for (srow, named) in [
        (&[0.01][..], "not steps of 0.02 to 10 mm"),
        (&[11.0], "not steps of 0.02 to 10 mm"),
        (&[f32::NAN], "not steps of 0.02 to 10 mm"),
        (&[f32::INFINITY], "not steps of 0.02 to 10 mm"),
        (&[0.3, 0.0, 0.0, f32::NAN], "srow_x, srow_y, srow_z (last column)"),
        (&[0.3, 0.0, 0.0, 1e6], "not three coordinates within 100000 mm"),
        // j along i.
        (&[0.3, 0.4, 0.0, 0.0, 0.0, 0.0], "span 0.0000 of the box"),
    ] {
        let fault = rows(srow);
        assert!(fault.contains(named), "{fault}");
    }
}

#[test]
fn a_sheared_sform_and_a_pixdim_that_disagrees_are_told() {
    // The k step leans by atan(0.05 / 0.5) = 5.711 degrees towards -y of LPS.
    let nii = Nii::new(false).shorts(at::QFORM_CODE, &[0]).floats(at::SROW + 24, &[0.05]);
    let volume = nii.volume();
    assert_rows(
        &volume.affine,
        [[-0.3, 0.0, 0.0, -10.0], [0.0, -0.4, -0.05, -20.0], [0.0, 0.0, 0.5, 30.0]],
        SINGLE_MM,
    );
    let [PlainNote::Sheared { angle_deg }] = volume.notes[..] else {
        panic!("{:?}", volume.notes);
    };
    assert!((angle_deg - 0.1_f64.atan().to_degrees()).abs() < 1e-4);

    let nii = Nii::new(false).shorts(at::QFORM_CODE, &[0]).floats(at::PIXDIM + 8, &[1.0]);
    let [PlainNote::SpacingDisagrees { field: "pixdim", axis: 1, said_mm, step_mm }] =
        nii.volume().notes[..]
    else {
        panic!("{:?}", nii.volume().notes);
    };
    assert!((said_mm - 1.0).abs() < 1e-9 && (step_mm - 0.4).abs() < SINGLE_MM);
    let near = nii.floats(at::PIXDIM + 8, &[0.403]);
    assert_eq!(near.volume().notes, []);
}

#[test]
fn free_text_is_known_but_not_kept() {
    for (field, text) in [(at::DESCRIP, "NAME^OF A"), (at::DB_NAME, "NAME"), (348, "\u{1}")] {
        let volume = Nii::new(false).raw(field, text.as_bytes()).volume();
        assert!(volume.texts_present, "{field}");
        assert!(!format!("{volume:?}").contains("NAME"));
    }
    assert!(!Nii::new(false).raw(at::DESCRIP, b"   ").volume().texts_present);
    let volume = Nii::new(false).shorts(at::INTENT_CODE, &[1002]).volume();
    assert_eq!(volume.notes, [PlainNote::Intent { code: 1002 }]);
}

#[test]
fn relatives_of_the_format_are_refused_by_name() {
    let named = |bytes: &[u8], name: &str| {
        assert_eq!(recognise(bytes), Some(PlainKind::Nifti), "{name}");
        let fault = parse_nifti(bytes, None).expect_err("refused");
        assert!(fault.to_string().contains(name), "{fault}");
        assert!(matches!(fault, PlainFault::Relative { .. }));
        assert!(fault.remedy().contains("NIfTI-1 in a single"));
    };
    for big in [false, true] {
        named(&Nii::new(big).raw(at::MAGIC, b"ni1\0").bytes, "a pair of .hdr and .img");
        named(&Nii::new(big).raw(at::MAGIC, &[0; 4]).bytes, "Analyze");
        // nifti2.h: 540 bytes, the magic at byte 4.
        let second = Nii { bytes: vec![0; 540], big };
        named(&second.long(0, 540).raw(4, b"n+2\0\r\n\x1a\n").bytes, "a NIfTI-2 file");
    }
    let wrong_size = Nii::new(false).long(0, 349);
    assert_eq!(wrong_size.fault(), "sizeof_hdr is \"349\", not 348");
    let cut = parse_nifti(&Nii::new(false).bytes[..347], None);
    assert_eq!(cut, Err(PlainFault::HeaderEnd { bytes: 347 }));
}
