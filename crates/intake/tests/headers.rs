//! Attributes that are missing, unreadable, contradictory or not to be trusted: refused by
//! name, never replaced by a default.

mod common;

use common::{assert_refused, base, codes, reread, reread_p0, set, set_us, written};
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_intake::read_scan;
use jawgauge_phantom::{ScanOptions, ScanSyntax};

/// Sets an attribute of slice 12 only.
fn with_value(
    tag: Tag,
    value: &'static str,
) -> Result<jawgauge_intake::Scan, jawgauge_intake::IntakeError> {
    reread_p0(move |k, o| {
        if k == 12 {
            set(o, tag, VR::DS, value);
        }
    })
}

#[test]
fn a_missing_pixel_spacing_is_never_one_nor_that_of_the_detector() {
    for (other, value) in [
        (tags::IMAGER_PIXEL_SPACING, "0.40\\0.40"),
        (tags::NOMINAL_SCANNED_PIXEL_SPACING, "0.40\\0.40"),
    ] {
        let read = reread_p0(move |_, o| {
            o.remove_element(tags::PIXEL_SPACING);
            set(o, other, VR::DS, value);
        });
        let named = format!("({:04X},{:04X})", other.group(), other.element());
        let parts = ["(0028,0030) PixelSpacing", "missing", &named, "cannot be used", "slice0000"];
        assert_refused(read, "missing-attribute", &parts);
    }
    let empty = with_value(tags::PIXEL_SPACING, "");
    assert_refused(empty, "missing-attribute", &["(0028,0030)", "slice0012.dcm"]);
    let one = reread_p0(|k, o| {
        if k == 33 {
            o.remove_element(tags::PIXEL_SPACING);
        }
    });
    assert_refused(one, "missing-attribute", &["(0028,0030)", "slice0033.dcm"]);
}

#[test]
fn a_missing_position_orientation_slope_or_size_is_not_assumed() {
    for tag in [
        tags::IMAGE_POSITION_PATIENT,
        tags::IMAGE_ORIENTATION_PATIENT,
        tags::RESCALE_SLOPE,
        tags::RESCALE_INTERCEPT,
        tags::ROWS,
        tags::COLUMNS,
        tags::BITS_ALLOCATED,
        tags::BITS_STORED,
        tags::HIGH_BIT,
        tags::PIXEL_REPRESENTATION,
        tags::SAMPLES_PER_PIXEL,
        tags::PHOTOMETRIC_INTERPRETATION,
        tags::SERIES_INSTANCE_UID,
        tags::PIXEL_DATA,
    ] {
        let read = reread_p0(move |k, o| {
            if k == 70 {
                o.remove_element(tag);
            }
        });
        let named = format!("({:04X},{:04X})", tag.group(), tag.element());
        assert_refused(read, "missing-attribute", &[&named, "slice0070.dcm"]);
    }
}

#[test]
fn a_decimal_comma_or_a_unit_is_refused_and_not_skipped_over() {
    for (tag, value) in [
        (tags::PIXEL_SPACING, "0,30\\0,30"),
        (tags::PIXEL_SPACING, "0.30\\0.30\\0.30"),
        (tags::PIXEL_SPACING, "0.30"),
        (tags::PIXEL_SPACING, "1.0.0\\0.3"),
        (tags::IMAGE_POSITION_PATIENT, "-17,85\\-14,85\\-8,25"),
        (tags::IMAGE_POSITION_PATIENT, "-17.85\\-14.85"),
        (tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\0\\1"),
        (tags::RESCALE_INTERCEPT, "-1000,0"),
        (tags::RESCALE_SLOPE, "1,0"),
        (tags::RESCALE_SLOPE, "1.0 HU"),
    ] {
        let named = format!("({:04X},{:04X})", tag.group(), tag.element());
        let parts = [named.as_str(), "slice0012.dcm", value];
        assert_refused(with_value(tag, value), "bad-attribute", &parts);
    }
}

#[test]
fn nan_infinity_zero_and_absurd_distances_are_refused() {
    for (tag, value) in [
        (tags::PIXEL_SPACING, "NaN\\0.3"),
        (tags::PIXEL_SPACING, "inf\\0.3"),
        (tags::PIXEL_SPACING, "0\\0.3"),
        (tags::PIXEL_SPACING, "-0.3\\0.3"),
        (tags::PIXEL_SPACING, "1e-300\\0.3"),
        (tags::PIXEL_SPACING, "0.3\\1e9"),
        (tags::IMAGE_POSITION_PATIENT, "-17.85\\NaN\\-8.25"),
        (tags::IMAGE_POSITION_PATIENT, "-17.85\\1e999\\-8.25"),
        // Finite, and so far out that no millimetre is left of the steps.
        (tags::IMAGE_POSITION_PATIENT, "1e300\\-14.85\\-8.25"),
        (tags::IMAGE_POSITION_PATIENT, "-17.85\\-14.85\\1e16"),
        (tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\0\\nan\\0"),
        (tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\1\\0\\0"),
        (tags::IMAGE_ORIENTATION_PATIENT, "0\\0\\0\\0\\0\\0"),
        (tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\0\\0.99\\0"),
        (tags::RESCALE_SLOPE, "NaN"),
        (tags::RESCALE_SLOPE, "0"),
        (tags::RESCALE_SLOPE, "-1"),
        (tags::RESCALE_INTERCEPT, "-inf"),
    ] {
        let named = format!("({:04X},{:04X})", tag.group(), tag.element());
        let parts = [named.as_str(), "slice0012.dcm", value];
        assert_refused(with_value(tag, value), "bad-attribute", &parts);
    }
    // Metres written for millimetres in every position.
    let metres = reread_p0(|k, o| {
        let z = -0.01185 + 0.0003 * k as f64;
        set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, &format!("0\\0\\{z:.6}"));
    });
    assert!(metres.is_err());
}

#[test]
fn cosines_written_with_three_decimals_are_rounding_and_evened_out() {
    // 10 degrees about z; lengths of the written cosines are 1.00005.
    let read = reread_p0(|_, o| {
        set(o, tags::IMAGE_ORIENTATION_PATIENT, VR::DS, "0.985\\0.174\\0\\-0.174\\0.985\\0");
    })
    .expect("read");
    let [i, j, _] = read.volume.geometry().affine().steps();
    assert!((i.length_mm() - 0.3).abs() < 1e-12 && (j.length_mm() - 0.3).abs() < 1e-12);
    assert!(i.dot(j).abs() < 1e-12);
}

#[test]
fn values_that_cannot_be_used_are_refused_by_tag() {
    type Edit = fn(&mut InMemDicomObject);
    let cases: [(&str, &str, Edit); 13] = [
        ("(0028,0100)", "32", |o| set_us(o, tags::BITS_ALLOCATED, 32)),
        ("(0028,0101)", "16", |o| set_us(o, tags::BITS_ALLOCATED, 8)),
        ("(0028,0101)", "0", |o| set_us(o, tags::BITS_STORED, 0)),
        ("(0028,0101)", "17", |o| set_us(o, tags::BITS_STORED, 17)),
        ("(0028,0101)", "31", |o| set_us(o, tags::BITS_STORED, 31)),
        ("(0028,0101)", "32", |o| set_us(o, tags::BITS_STORED, 32)),
        ("(0028,0102)", "15", |o| set_us(o, tags::BITS_STORED, 12)),
        ("(0028,0103)", "2", |o| set_us(o, tags::PIXEL_REPRESENTATION, 2)),
        ("(0028,0002)", "3", |o| set_us(o, tags::SAMPLES_PER_PIXEL, 3)),
        ("(0028,0004)", "MONOCHROME1", |o| {
            set(o, tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME1");
        }),
        ("(0028,0010)", "0", |o| set_us(o, tags::ROWS, 0)),
        ("(0028,0120)", "5000", |o| {
            // No voxel of 12 bits can have it.
            set_us(o, tags::BITS_STORED, 12);
            set_us(o, tags::HIGH_BIT, 11);
            set_us(o, tags::PIXEL_PADDING_VALUE, 5000);
        }),
        ("(0028,3000)", "table", |o| {
            let mut item = InMemDicomObject::new_empty();
            set(&mut item, tags::MODALITY_LUT_TYPE, VR::LO, "US");
            let items = dicom_core::value::DataSetSequence::from(vec![item]);
            o.put(DataElement::new(tags::MODALITY_LUT_SEQUENCE, VR::SQ, items));
        }),
    ];
    for (tag, value, edit) in cases {
        for syntax in [ScanSyntax::ExplicitLittleEndian, ScanSyntax::ImplicitLittleEndian] {
            let options = ScanOptions::default().with_syntax(syntax).with_edit(move |k, o| {
                if k == 5 {
                    edit(o);
                }
            });
            let dir = written(base(), &options);
            let read = read_scan(dir.path(), None);
            assert_refused(read, "bad-attribute", &[tag, value, "slice0005.dcm"]);
        }
    }
}

#[test]
fn floating_point_voxels_are_named_and_not_taken_for_whole_ones() {
    let read = reread_p0(|_, o| {
        o.remove_element(tags::PIXEL_DATA);
        let floats = PrimitiveValue::F32(vec![0.0_f32; 120 * 100].into());
        o.put(DataElement::new(tags::FLOAT_PIXEL_DATA, VR::OF, floats));
    });
    let parts = ["(7FE0,0010) PixelData is missing", "(7FE0,0008) FloatPixelData"];
    assert_refused(read, "missing-attribute", &parts);
    let read = reread_p0(|_, o| {
        o.remove_element(tags::PIXEL_DATA);
        let floats = PrimitiveValue::F64(vec![0.0_f64; 120 * 100].into());
        o.put(DataElement::new(tags::DOUBLE_FLOAT_PIXEL_DATA, VR::OD, floats));
    });
    let parts = ["(7FE0,0010) PixelData is missing", "(7FE0,0009) DoubleFloatPixelData"];
    assert_refused(read, "missing-attribute", &parts);
}

#[test]
fn a_number_in_another_representation_than_its_own_is_refused_and_not_misread() {
    // Rows as text and as four bytes, Pixel Spacing as two binary numbers.
    type Edit = fn(&mut InMemDicomObject);
    let cases: [(&str, Edit); 3] = [
        ("(0028,0010)", |o| set(o, tags::ROWS, VR::IS, "100 ")),
        ("(0028,0010)", |o| {
            o.put(DataElement::new(tags::ROWS, VR::UL, PrimitiveValue::from(100_u32)));
        }),
        ("(0028,0030)", |o| {
            let spacing = PrimitiveValue::F64([0.3, 0.3].into_iter().collect());
            o.put(DataElement::new(tags::PIXEL_SPACING, VR::FD, spacing));
        }),
    ];
    for (tag, edit) in cases {
        let read = reread_p0(move |k, o| {
            if k == 12 {
                edit(o);
            }
        });
        assert_refused(read, "bad-attribute", &[tag, "slice0012.dcm"]);
    }
}

#[test]
fn a_slice_that_says_it_has_many_frames_is_refused() {
    let read = reread_p0(|k, o| {
        if k == 5 {
            set(o, tags::NUMBER_OF_FRAMES, VR::IS, "80");
        }
    });
    let parts = ["(7FE0,0010) PixelData", "1 of 80 frames present", "slice0005.dcm"];
    assert_refused(read, "pixel-data-length", &parts);
}

#[test]
fn pixel_data_too_short_is_refused_and_surplus_told() {
    let resized = |change: i64| {
        reread_p0(move |k, o| {
            if k != 9 {
                return;
            }
            let mut bytes =
                o.element(tags::PIXEL_DATA).expect("there").to_bytes().expect("bytes").into_owned();
            let length = i64::try_from(bytes.len()).expect("short") + change;
            bytes.resize(usize::try_from(length).expect("positive"), 0);
            o.put(DataElement::new(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(bytes.into())));
        })
    };
    let parts = ["(7FE0,0010) PixelData", "23998", "24000", "slice0009.dcm"];
    assert_refused(resized(-2), "pixel-data-length", &parts);
    assert_eq!(codes(&resized(992).expect("read")), ["surplus-pixel-bytes"]);
    assert_eq!(codes(&resized(0).expect("read")), [""; 0]);
}

#[test]
fn slices_of_different_kinds_in_one_series_are_refused_naming_the_odd_file() {
    type Edit = fn(&mut InMemDicomObject);
    let cases: [(&str, Edit); 6] = [
        ("(0028,0010) Rows", |o| {
            // Same number of voxels, so that only the shape gives it away.
            set_us(o, tags::ROWS, 120);
            set_us(o, tags::COLUMNS, 100);
        }),
        ("(0028,0103) PixelRepresentation", |o| set_us(o, tags::PIXEL_REPRESENTATION, 1)),
        ("(0020,0052) FrameOfReferenceUID", |o| {
            set(o, tags::FRAME_OF_REFERENCE_UID, VR::UI, "1.2.3");
        }),
        ("(0028,0030) PixelSpacing", |o| set(o, tags::PIXEL_SPACING, VR::DS, "0.31\\0.30")),
        ("(0020,0037) ImageOrientationPatient", |o| {
            set(o, tags::IMAGE_ORIENTATION_PATIENT, VR::DS, "1\\0\\0\\0\\0.9998\\0.02");
        }),
        ("(0028,0120) PixelPaddingValue", |o| set_us(o, tags::PIXEL_PADDING_VALUE, 7)),
    ];
    for (tag, edit) in cases {
        for odd in [0, 41] {
            let read = reread_p0(move |k, o| {
                if k == odd {
                    edit(o);
                }
            });
            let file = format!("slice{odd:04}.dcm");
            assert_refused(read, "mixed-series", &[tag, &file]);
        }
    }
}

#[test]
fn each_slice_keeps_its_own_slope_and_intercept() {
    let scan = reread(base(), |k, o| {
        if k == 3 {
            set(o, tags::RESCALE_INTERCEPT, VR::DS, "-1024");
            set(o, tags::RESCALE_SLOPE, VR::DS, "2");
        }
    })
    .expect("read");
    assert_eq!((scan.volume.rescale(3).slope, scan.volume.rescale(3).intercept), (2.0, -1024.0));
    assert_eq!((scan.volume.rescale(4).slope, scan.volume.rescale(4).intercept), (1.0, -1000.0));
    assert_eq!(scan.volume.voxel_grey(0, 0, 3), Some(-1024.0));
}
