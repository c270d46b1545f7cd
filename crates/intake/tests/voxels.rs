//! Stored values: sign, unused bits, padding, and the same voxels as another reader sees.

mod common;

use common::{assert_refused, base, codes, reread, set_us, written};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_pixeldata::PixelDecoder;
use jawgauge_intake::{ReadOptions, ScanWarning, open_scan, read_scan};
use jawgauge_phantom::{
    NiftiOptions, ScanOptions, Storage, ValueType, p0_geometry, p0_grey, sample_shape_as,
    write_nifti,
};
use jawgauge_space::PatientPoint;
use jawgauge_volume::{Rescale, Sample, StoredVoxels, Volume, VoxelBox};

fn sampled(storage: Storage, intercept: f64, grey: impl Fn(PatientPoint) -> f64 + Sync) -> Volume {
    let rescale = Rescale { slope: 1.0, intercept };
    sample_shape_as(storage, p0_geometry(), rescale, grey, 1).expect("a volume")
}

fn change_words(object: &mut InMemDicomObject, change: impl Fn(usize, u16) -> u16) {
    let bytes = object.element(tags::PIXEL_DATA).expect("there").to_bytes().expect("bytes");
    let words = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]]));
    let changed: Vec<u8> =
        words.enumerate().flat_map(|(n, word)| change(n, word).to_le_bytes()).collect();
    object.put(DataElement::new(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(changed.into())));
}

#[test]
fn signed_voxels_with_intercept_zero_are_read_as_they_are() {
    let volume = sampled(Storage::Signed, 0.0, p0_grey);
    let scan = reread(&volume, |_, _| {}).expect("read");
    assert_eq!(scan.volume.voxels(), volume.voxels());
    assert_eq!(scan.volume.voxel_grey(0, 0, 0), Some(-1000.0));
    assert!(scan.facts.signed);
}

#[test]
fn an_intercept_below_16_bits_of_signed_voxels_is_no_fault() {
    // Lowest stored value plus intercept is beyond 16 bits, though no voxel has it.
    for intercept in [-1024.0, -8192.0] {
        let volume = sampled(Storage::Signed, intercept, p0_grey);
        let scan = reread(&volume, |_, _| {}).expect("read");
        assert_eq!(scan.volume.voxels(), volume.voxels());
        assert_eq!(scan.volume.voxel_grey(0, 0, 0), Some(-1000.0));
        assert!(scan.warnings.is_empty());
    }
}

#[test]
fn signed_voxels_declared_unsigned_are_refused() {
    let volume = sampled(Storage::Signed, 0.0, p0_grey);
    let read = reread(&volume, |_, o| set_us(o, tags::PIXEL_REPRESENTATION, 0));
    let parts = ["(0028,0103) PixelRepresentation is 0", "slice0000.dcm", "2500", "64536"];
    assert_refused(read, "signedness", &parts);
}

#[test]
fn unsigned_voxels_declared_signed_are_refused() {
    // Air 0, soft tissue 12000 to 24000, bone (5.6 % of the scan) 36000, marker 40000.
    let bright = |p: PatientPoint| match p0_grey(p) {
        g if g > 2000.0 => 40_000.0,
        g if g > 1000.0 => 36_000.0,
        g if g > 0.0 => 12_000.0 + 1000.0 * p.to_array()[0].abs(),
        _ => 0.0,
    };
    let volume = sampled(Storage::Unsigned, 0.0, bright);
    assert!(reread(&volume, |_, _| {}).is_ok(), "with the right sign it is read");
    let read = reread(&volume, |_, o| set_us(o, tags::PIXEL_REPRESENTATION, 1));
    assert_refused(read, "signedness", &["(0028,0103) PixelRepresentation is 1", "slice0000.dcm"]);
}

#[test]
fn a_wrong_sign_that_a_part_hardly_shows_is_refused_for_the_part_too() {
    // The lower group fills a corner; one row of it is in the part.
    let dark = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        if x < -9.0 && y < 0.0 && z < 6.0 { -500.0 } else { p0_grey(p).max(0.0) + y.abs().round() }
    };
    let volume = sampled(Storage::Signed, 0.0, dark);
    let options = ScanOptions::default().with_edit(|_, o| set_us(o, tags::PIXEL_REPRESENTATION, 0));
    let dir = written(&volume, &options);
    let parts = ["(0028,0103) PixelRepresentation is 0", "65036"];
    assert_refused(read_scan(dir.path(), None), "signedness", &parts);
    let open = open_scan(dir.path(), &ReadOptions::default()).expect("open");
    let part = VoxelBox { first: [29, 30, 20], size: [60, 40, 40] };
    assert_refused(open.read_part(part, None), "signedness", &parts);
    // A part without it has no wrong value.
    let part = VoxelBox { first: [30, 30, 20], size: [60, 40, 40] };
    let read = open.read_part(part, None).expect("read");
    assert_eq!(read.volume.voxel_grey(45, 45, 30), volume.voxel_grey(45, 45, 30));
}

#[test]
fn undeclared_padding_at_an_end_of_the_scale_is_told_and_is_no_wrong_sign() {
    let round = |p: PatientPoint| {
        let [x, y, _] = p.to_array();
        x.hypot(y) <= 14.0
    };
    let part = VoxelBox { first: [0, 30, 20], size: [60, 40, 40] };
    for (storage, fill, lift, intercept) in [
        (Storage::Signed, -32_768.0, 0.0, 0.0),
        (Storage::Unsigned, 0.0, 40_000.0, 0.0),
        (Storage::Unsigned, -32_768.0, 0.0, -32_768.0),
    ] {
        let grey = move |p| if round(p) { p0_grey(p) + lift } else { fill };
        let volume = sampled(storage, intercept, grey);
        let dir = written(&volume, &ScanOptions::default());
        let scan = read_scan(dir.path(), None).expect("read");
        assert_eq!(codes(&scan), ["undeclared-padding"]);
        let open = open_scan(dir.path(), &ReadOptions::default()).expect("open");
        assert_eq!(codes(&open.read_part(part, None).expect("read")), ["undeclared-padding"]);
    }
}

#[test]
fn a_few_very_bright_voxels_of_metal_are_no_wrong_sign() {
    let metal = |p: PatientPoint| {
        let near = p.distance_mm(PatientPoint::new(8.0, 8.0, 8.0)) < 4.0;
        if near { 60_000.0 } else { p0_grey(p) }
    };
    let volume = sampled(Storage::Unsigned, -1000.0, metal);
    assert!(reread(&volume, |_, _| {}).is_ok());
}

#[test]
fn rubbish_above_bits_stored_does_not_reach_the_voxels() {
    for storage in [Storage::Unsigned, Storage::Signed] {
        // Twelve bits hold -1000 to 2000 signed, and the same plus 1000 unsigned.
        let intercept = if storage == Storage::Signed { 0.0 } else { -1000.0 };
        let volume = sampled(storage, intercept, |p| p0_grey(p).min(2000.0));
        let options = ScanOptions::default().with_bits_stored(12);
        let clean = read_scan(written(&volume, &options).path(), None).expect("read");
        assert_eq!(clean.volume.voxels(), volume.voxels());
        let noisy = options.clone().with_edit(|k, o| {
            let rubbish = |n: usize| u16::try_from((n * 31 + k * 17) % 16).expect("four bits");
            change_words(o, |n, word| (word & 0x0FFF) | rubbish(n) << 12);
        });
        let scan = read_scan(written(&volume, &noisy).path(), None).expect("read");
        assert_eq!(scan.volume, clean.volume);
        assert_eq!(codes(&scan), ["bits-above-stored"]);
        // An overlay in bit 12 (6000,0102), as old scanners wrote it.
        let overlay = options.with_edit(|_, o| {
            set_us(o, dicom_core::Tag(0x6000, 0x0100), 16);
            set_us(o, dicom_core::Tag(0x6000, 0x0102), 12);
            change_words(o, |n, word| (word & 0x0FFF) | u16::from(n % 3 == 0) << 12);
        });
        let scan = read_scan(written(&volume, &overlay).path(), None).expect("read");
        assert_eq!(scan.volume, clean.volume);
        assert_eq!(codes(&scan), <[&str; 0]>::default());
    }
}

#[test]
fn grey_values_that_need_more_bits_than_are_declared_are_refused_and_never_cut() {
    // A crown with a sharp edge, and one whose grey values rise over two millimetres.
    for soft_mm in [0.0, 2.0] {
        let crown = move |p: PatientPoint| {
            let out = p.distance_mm(PatientPoint::new(8.0, 8.0, 8.0)) - 4.0;
            let share =
                if soft_mm > 0.0 { (-out / soft_mm).clamp(0.0, 1.0) } else { f64::from(out < 0.0) };
            p0_grey(p) + 8000.0 * share
        };
        // The last one stays below twice the highest signed value, where the bits above are clear.
        for (storage, intercept, most) in [
            (Storage::Unsigned, -1000.0, 1e4),
            (Storage::Signed, 0.0, 1e4),
            (Storage::Signed, 0.0, 3000.0),
        ] {
            if most < 1e4 && soft_mm == 0.0 {
                continue;
            }
            let volume = sampled(storage, intercept, move |p| crown(p).min(most));
            assert!(reread(&volume, |_, _| {}).is_ok());
            let dir = written(
                &volume,
                &ScanOptions::default().with_edit(|_, o| {
                    set_us(o, tags::BITS_STORED, 12);
                    set_us(o, tags::HIGH_BIT, 11);
                }),
            );
            let parts = ["(0028,0101) BitsStored is 12", "slice0000.dcm"];
            assert_refused(read_scan(dir.path(), None), "bits-stored", &parts);
            let open = open_scan(dir.path(), &ReadOptions::default()).expect("open");
            let part = VoxelBox { first: [60, 50, 40], size: [50, 40, 30] };
            assert_refused(open.read_part(part, None), "bits-stored", &parts);
        }
    }
}

#[test]
fn bits_shifted_to_the_top_are_refused() {
    let volume = sampled(Storage::Unsigned, -1000.0, p0_grey);
    let options = ScanOptions::default().with_bits_stored(12).with_edit(|_, o| {
        set_us(o, tags::HIGH_BIT, 15);
        change_words(o, |_, word| word << 4);
    });
    let read = read_scan(written(&volume, &options).path(), None);
    assert_refused(read, "bad-attribute", &["(0028,0102) HighBit", "15", "11"]);
}

#[test]
fn padding_is_outside_whatever_sign_it_is_written_with() {
    let inside = |p: PatientPoint| {
        let [x, y, _] = p.to_array();
        x.hypot(y) <= 14.0
    };
    let padded = |value: f64| {
        sampled(Storage::Signed, 0.0, move |p| if inside(p) { p0_grey(p) } else { value })
    };
    let ss = |value: i16| PrimitiveValue::from(value);
    let us = |value: u16| PrimitiveValue::from(value);
    let cases: [(&str, f64, VR, PrimitiveValue, Option<PrimitiveValue>); 4] = [
        ("signed", -2000.0, VR::SS, ss(-2000), None),
        ("written unsigned", -2000.0, VR::US, us(63_536), None),
        ("a range", -1995.0, VR::SS, ss(-2000), Some(ss(-1990))),
        ("as bright as bone", 2200.0, VR::SS, ss(2200), None),
    ];
    for (name, value, vr, tag_value, limit) in cases {
        let scan = reread(&padded(value), move |_, o| {
            o.put(DataElement::new(tags::PIXEL_PADDING_VALUE, vr, tag_value.clone()));
            if let Some(limit) = &limit {
                o.put(DataElement::new(tags::PIXEL_PADDING_RANGE_LIMIT, vr, limit.clone()));
            }
        })
        .expect("read");
        let at = |x: f64| scan.volume.sample_linear(PatientPoint::new(x, 0.15, 0.15));
        assert_eq!(at(15.0), Sample::Outside, "{name}");
        assert_eq!(at(13.0), Sample::Grey(-1000.0), "{name}");
        assert_eq!(at(0.15), Sample::Grey(1200.0), "{name}");
        assert!(scan.facts.padding.is_some(), "{name}");
    }
}

#[test]
fn a_constant_shell_that_no_attribute_declares_is_told() {
    let shell = |p: PatientPoint| {
        let [x, y, _] = p.to_array();
        if x.hypot(y) <= 14.0 { p0_grey(p) } else { -2000.0 }
    };
    let scan = reread(&sampled(Storage::Signed, 0.0, shell), |_, _| {}).expect("read");
    assert_eq!(codes(&scan), ["undeclared-padding"]);
    let ScanWarning::UndeclaredPadding { grey, share } = scan.warnings[0] else {
        panic!("padding")
    };
    // A circle of radius 14 mm in 36 x 30 mm leaves 43 %.
    let share = share.expect("read whole");
    assert!(grey == -2000.0 && (share - 0.43).abs() < 0.01, "{grey} {share}");
    // The corners tell it where only a part is read.
    let dir = written(&sampled(Storage::Signed, 0.0, shell), &ScanOptions::default());
    let open = open_scan(dir.path(), &ReadOptions::default()).expect("open");
    let part = VoxelBox { first: [40, 30, 20], size: [30, 20, 30] };
    let part = open.read_part(part, None).expect("read");
    assert_eq!(part.warnings, [ScanWarning::UndeclaredPadding { grey: -2000.0, share: None }]);
}

#[test]
fn a_little_padding_far_below_all_else_does_not_make_a_scan_look_inverted() {
    // Corners beyond a circle of 22.5 mm: half a per cent of the voxels.
    let cut = |p: PatientPoint| {
        let [x, y, _] = p.to_array();
        if x.hypot(y) <= 22.5 { p0_grey(p) } else { -30_000.0 }
    };
    let scan = reread(&sampled(Storage::Signed, 0.0, cut), |_, _| {}).expect("read");
    let corner = scan.volume.voxel_grey(0, 0, 0);
    assert_eq!(corner, Some(-30_000.0));
}

/// Checked against `dicom-pixeldata`, a general-purpose decoder that shares no code with
/// the reading of voxels here.
#[test]
fn the_voxels_are_those_that_a_general_decoder_sees() {
    for storage in [Storage::Signed, Storage::Unsigned] {
        let volume = sampled(storage, -1000.0, p0_grey);
        let dir = tempfile::tempdir().expect("a folder");
        let files = jawgauge_phantom::write_scan(dir.path(), &volume, &ScanOptions::default())
            .expect("written");
        let scan = read_scan(dir.path(), None).expect("read");
        for (k, file) in files.iter().enumerate() {
            let object = dicom_object::open_file(file).expect("readable");
            let decoded = object.decode_pixel_data().expect("decoded");
            let axis = ndarray::Axis(0);
            let ours: Vec<u8> = match scan.volume.voxels() {
                StoredVoxels::Signed(v) => {
                    v.index_axis(axis, k).iter().flat_map(|v| v.to_le_bytes()).collect()
                }
                StoredVoxels::Unsigned(v) => {
                    v.index_axis(axis, k).iter().flat_map(|v| v.to_le_bytes()).collect()
                }
                StoredVoxels::Float(_) => panic!("stored as whole numbers"),
            };
            assert_eq!(decoded.data(), ours.as_slice(), "slice {k}");
        }
        assert_eq!(files.len(), base().geometry().dims()[2]);
    }
}

#[test]
fn floating_point_voxels_that_are_infinite_are_refused_in_these_words() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.nii");
    let options = NiftiOptions::default().with_type(ValueType::F32);
    write_nifti(&path, base(), &options).expect("written");
    let mut bytes = std::fs::read(&path).expect("read");
    let last = bytes.len() - 4;
    for value in [f32::INFINITY, f32::NEG_INFINITY] {
        bytes[last..].copy_from_slice(&value.to_le_bytes());
        std::fs::write(&path, &bytes).expect("written");
        assert_refused(read_scan(&path, None), "grey-values", &["a voxel is infinite", "scan.nii"]);
    }
}

#[test]
fn values_that_ran_over_the_end_of_the_scale_are_refused() {
    // Twelve bits, the upper ones cleared; edges that rise over a millimetre.
    let soft_crown = |p: PatientPoint| {
        let out = p.distance_mm(PatientPoint::new(0.0, 0.0, 0.0)) - 7.0;
        60.0 + 3000.0 * (-out / 2.0).clamp(0.0, 1.0)
    };
    let volume = sampled(Storage::Unsigned, -2000.0, soft_crown);
    let cut = |o: &mut InMemDicomObject| change_words(o, |_, word| word & 0x0FFF);
    let twelve = ScanOptions::default().with_bits_stored(12).with_edit(move |_, o| cut(o));
    let dir = written(&volume, &twelve);
    let parts = ["other end of their 12 bits", "slice0000.dcm"];
    assert_refused(read_scan(dir.path(), None), "grey-values", &parts);
    // Two's complement of twelve bits that is declared unsigned.
    let air = |p: PatientPoint| soft_crown(p) / 2.0 - 600.0;
    let signed = sampled(Storage::Signed, 0.0, air);
    let options = ScanOptions::default().with_bits_stored(12).with_edit(move |_, o| {
        cut(o);
        set_us(o, tags::PIXEL_REPRESENTATION, 0);
    });
    let dir = written(&signed, &options);
    assert_refused(read_scan(dir.path(), None), "grey-values", &parts);
    let right = ScanOptions::default().with_bits_stored(12);
    assert!(read_scan(written(&signed, &right).path(), None).is_ok());
}

#[test]
fn a_pocket_of_air_with_a_wrong_sign_is_refused_however_small() {
    let pocket = |p: PatientPoint| {
        let out = p.distance_mm(PatientPoint::new(9.0, -8.0, 0.0)) - 2.0;
        let [x, y, _] = p.to_array();
        p0_grey(p).max(0.0) + (x * y).abs().round() + 20.0 - 1000.0 * (0.5 - out).clamp(0.0, 1.0)
    };
    let volume = sampled(Storage::Signed, 0.0, pocket);
    assert!(reread(&volume, |_, _| {}).is_ok());
    let read = reread(&volume, |_, o| set_us(o, tags::PIXEL_REPRESENTATION, 0));
    assert_refused(read, "signedness", &["(0028,0103) PixelRepresentation is 0"]);
}

#[test]
fn marks_in_the_bits_above_are_no_grey_values_and_overlays_elsewhere_excuse_nothing() {
    let volume = sampled(Storage::Unsigned, -1000.0, |p| p0_grey(p).min(2000.0));
    let options = ScanOptions::default().with_bits_stored(12);
    // All beyond a circle is marked in the highest bit, as is a box of bone.
    let marked = options.clone().with_edit(|_, o| {
        change_words(o, |n, word| {
            let (i, j) = ((n % 120) as f64 - 59.5, (n / 120) as f64 - 49.5);
            let (i, j) = (i * 0.3, j * 0.3);
            if i.hypot(j) > 14.0 { 0x8000 } else { word | u16::from(word > 1500) << 15 }
        });
    });
    let scan = read_scan(written(&volume, &marked).path(), None).expect("read");
    assert_eq!(codes(&scan), ["bits-above-stored"]);
    assert_eq!(scan.volume.voxel_grey(60, 50, 40), volume.voxel_grey(60, 50, 40));
    // An overlay with data of its own does not lie in the voxels.
    let crowned = sampled(Storage::Unsigned, -1000.0, |p| p0_grey(p).max(0.0) * 3.0);
    let overlay = ScanOptions::default().with_edit(|_, o| {
        set_us(o, tags::BITS_STORED, 12);
        set_us(o, tags::HIGH_BIT, 11);
        set_us(o, dicom_core::Tag(0x6000, 0x0100), 1);
        set_us(o, dicom_core::Tag(0x6000, 0x0102), 0);
        let data = PrimitiveValue::U8(vec![0; 1500].into());
        o.put(DataElement::new(dicom_core::Tag(0x6000, 0x3000), VR::OW, data));
    });
    assert_refused(read_scan(written(&crowned, &overlay).path(), None), "bits-stored", &["12"]);
}
