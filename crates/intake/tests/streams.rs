//! Voxels in items: offset tables, fragments, what is cut off, and streams called by the
//! wrong name (DICOM PS3.5 section A.4).

mod common;

use common::{
    JPEG, assert_p0, assert_refused, base, change_file, codes, in_one, jpeg, reread_one, rle, set,
    written,
};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};
use jawgauge_intake::{IntakeError, Scan, read_scan};
use jawgauge_phantom::{Fragments, MultiFrameKind, OffsetTable, ScanOptions, ScanSyntax, damage};

const PLAIN: MultiFrameKind = MultiFrameKind::PlainCt;
const ENHANCED: MultiFrameKind = MultiFrameKind::EnhancedCt;

fn in_items() -> ScanOptions {
    ScanOptions::default().with_syntax(ScanSyntax::EncapsulatedUncompressed)
}

/// Each way of putting frames into items, and its options.
fn ways() -> [(&'static str, ScanOptions); 3] {
    [("as they are", in_items()), ("JPEG", jpeg()), ("RLE", rle())]
}

/// Reads the base phantom in one object after its bytes were changed.
fn after(options: &ScanOptions, change: impl FnOnce(&mut Vec<u8>)) -> Result<Scan, IntakeError> {
    let (dir, file) = in_one(base(), ENHANCED, options);
    change_file(&file, change);
    read_scan(dir.path(), None)
}

#[test]
fn frames_in_items_are_the_same_voxels_in_slices_and_in_one_object() {
    for (name, options) in ways() {
        assert_p0(reread_one(ENHANCED, &options), &[], name);
        assert_p0(reread_one(PLAIN, &options), &["pitch-from-spacing"], name);
        assert_p0(read_scan(written(base(), &options).path(), None), &[], name);
    }
}

#[test]
fn every_offset_table_that_fits_its_items_parts_the_frames() {
    for (name, options) in ways() {
        for table in [OffsetTable::Basic, OffsetTable::Extended] {
            for items in [1, 2, 3] {
                // An RLE frame is one item: DICOM PS3.5 section A.4.2.
                if name == "RLE" && items > 1 {
                    continue;
                }
                let fragments = Fragments::default().with_items_per_frame(items).with_table(table);
                for kind in [PLAIN, ENHANCED] {
                    let read = reread_one(kind, &options.clone().with_fragments(fragments.clone()));
                    let told: &[&str] = if kind == PLAIN { &["pitch-from-spacing"] } else { &[] };
                    assert_p0(read, told, &format!("{name} {table:?} {items} items"));
                }
            }
        }
    }
}

#[test]
fn frames_without_offset_table_are_parted_where_streams_begin() {
    let fragments = Fragments::default().with_items_per_frame(2);
    assert_p0(reread_one(ENHANCED, &jpeg().with_fragments(fragments.clone())), &[], "two items");
    // Streams that cannot be known by their first bytes are not parted by counting.
    for options in [in_items(), rle()] {
        let read = reread_one(ENHANCED, &options.with_fragments(fragments.clone()));
        assert_refused(read, "pixel-data", &["(7FE0,0010)", "160 items for 80 frames", "scan.dcm"]);
    }
}

#[test]
fn one_slice_may_be_cut_into_several_items() {
    let fragments = Fragments::default().with_items_per_frame(3);
    for options in [in_items(), jpeg()] {
        let dir = written(base(), &options.with_fragments(fragments.clone()));
        assert_p0(read_scan(dir.path(), None), &[], "three items");
    }
}

#[test]
fn an_empty_item_at_the_end_is_no_frame() {
    for (name, options) in ways() {
        for table in [OffsetTable::Empty, OffsetTable::Basic, OffsetTable::Extended] {
            let fragments = Fragments::default().with_table(table).with_empty_item_at_end();
            let options = options.clone().with_fragments(fragments);
            assert_p0(reread_one(ENHANCED, &options), &[], &format!("{name} {table:?}"));
            let slices = written(base(), &options);
            assert_p0(read_scan(slices.path(), None), &[], &format!("{name} {table:?} slices"));
        }
    }
}

#[test]
fn an_offset_table_that_hits_no_item_or_the_wrong_one_mixes_no_frames() {
    type Edit = fn(&mut Vec<u64>);
    let edits: [(&str, Edit); 7] = [
        ("odd", |o| o[40] += 1),
        ("exchanged", |o| o.swap(10, 20)),
        ("repeated", |o| o[41] = o[40]),
        ("far beyond", |o| o[79] = u64::from(u32::MAX)),
        ("zeros", |o| o.fill(0)),
        ("late", |o| o.iter_mut().for_each(|n| *n += 8)),
        ("one short", |o| {
            o.pop();
        }),
    ];
    for (way, options) in ways() {
        for table in [OffsetTable::Basic, OffsetTable::Extended] {
            for (name, edit) in edits {
                let fragments = Fragments::default().with_table(table).with_edited_offsets(edit);
                let read = reread_one(ENHANCED, &options.clone().with_fragments(fragments));
                let error = match read {
                    Err(error) => error,
                    Ok(_) => panic!("{way} {table:?} {name} was read"),
                };
                assert_eq!(error.code(), "pixel-data", "{way} {name}: {error}");
                assert!(error.to_string().contains("(7FE0,0010)"), "{error}");
            }
        }
    }
}

#[test]
fn an_offset_table_that_cuts_frames_within_their_items_mixes_no_frames() {
    for options in [in_items(), jpeg()] {
        // Frame 41 begins at an item of its own, but one too late.
        let fragments = Fragments::default()
            .with_items_per_frame(3)
            .with_table(OffsetTable::Basic)
            .with_edited_offsets(|o| {
                let each = o[41] - o[40];
                o[40] += each / 3 / 2 * 2 + 2;
            });
        let read = reread_one(ENHANCED, &options.with_fragments(fragments));
        assert_refused(read, "pixel-data", &["(7FE0,0010)", "scan.dcm"]);
    }
}

#[test]
fn all_frames_in_one_item_are_refused_and_not_taken_for_one() {
    for (name, options) in ways() {
        let options = options.with_fragments(Fragments::default().with_frames_in_one_item());
        for kind in [PLAIN, ENHANCED] {
            let read = reread_one(kind, &options);
            let parts = ["(7FE0,0010)", "1 of 80 frames present", "scan.dcm"];
            match &read {
                Err(error) => assert_eq!(error.code(), "pixel-data", "{name} {error}"),
                Ok(_) => panic!("{name}"),
            }
            assert_refused(read, "pixel-data", &parts);
        }
    }
}

#[test]
fn a_number_of_frames_that_the_items_contradict_is_refused() {
    for (name, options) in ways() {
        for table in [OffsetTable::Empty, OffsetTable::Basic] {
            for count in ["40", "79", "81", "1"] {
                let fragments = Fragments::default().with_table(table);
                let options = options.clone().with_fragments(fragments);
                let options =
                    options.with_edit(move |_, o| set(o, tags::NUMBER_OF_FRAMES, VR::IS, count));
                let read = reread_one(PLAIN, &options);
                assert!(read.is_err(), "{name} {table:?} {count}");
                let error = read.map(|s| codes(&s)).expect_err("contradicted").to_string();
                assert!(error.contains("scan.dcm"), "{name} {count}: {error}");
            }
        }
    }
    // Where the count is left out, the items must not be taken for one stream either.
    for table in [OffsetTable::Empty, OffsetTable::Basic] {
        let options = jpeg().with_fragments(Fragments::default().with_table(table));
        let options = options.with_edit(|_, o| {
            o.remove_element(tags::NUMBER_OF_FRAMES);
        });
        let parts = ["(7FE0,0010)", "80 frames", "(0028,0008)", "scan.dcm"];
        assert_refused(reread_one(PLAIN, &options), "pixel-data", &parts);
    }
}

#[test]
fn slices_that_hold_a_second_frame_without_saying_so_are_refused() {
    for (name, options) in ways() {
        for table in [OffsetTable::Empty, OffsetTable::Basic] {
            let options = options.clone().with_fragments(Fragments::default().with_table(table));
            let options = options.with_edit(|_, o| {
                let once = o.element(tags::PIXEL_DATA).expect("there").to_bytes().expect("bytes");
                let twice = PrimitiveValue::U8(once.repeat(2).into());
                o.put(DataElement::new(tags::PIXEL_DATA, VR::OW, twice));
            });
            let read = read_scan(written(base(), &options).path(), None);
            let Err(error) = &read else { panic!("{name} {table:?}") };
            assert_eq!(error.code(), "pixel-data", "{name}: {error}");
            assert_refused(read, "pixel-data", &["(7FE0,0010)", "slice00"]);
        }
    }
}

/// Where the items of the pixel data lie: the offset table, then the fragments.
fn items_of(bytes: &[u8]) -> Vec<damage::Place> {
    damage::items(bytes, tags::PIXEL_DATA).expect("items")
}

#[test]
fn frames_that_an_interrupted_copy_lost_are_counted_and_never_zero() {
    for (name, options) in ways() {
        for table in [OffsetTable::Empty, OffsetTable::Basic, OffsetTable::Extended] {
            let options = options.clone().with_fragments(Fragments::default().with_table(table));
            let cut = |place: fn(&[damage::Place]) -> usize| {
                after(&options, |bytes| {
                    let end = place(&items_of(bytes));
                    bytes.truncate(end);
                })
            };
            let sixty = ["(7FE0,0010) PixelData", "60 of 80 frames present", "scan.dcm"];
            let what = format!("{name} {table:?}");
            for (how, read) in [
                // The table is the first item, so the sixtieth frame's number is 60.
                ("behind frame 60", cut(|items| items[60].end)),
                ("in the header of frame 61", cut(|items| items[61].at + 5)),
                ("behind the header of frame 61", cut(|items| items[61].value.start)),
                (
                    "in the middle of frame 61",
                    cut(|items| (items[61].value.start + items[61].value.end) / 2),
                ),
            ] {
                let Err(error) = &read else { panic!("{what} {how}") };
                assert_eq!(error.code(), "pixel-data", "{what} {how}: {error}");
                assert_refused(read, "pixel-data", &sixty);
            }
            let read = cut(|items| items[80].end - 1);
            let parts = ["79 of 80 frames present", "scan.dcm"];
            assert_refused(read, "pixel-data", &parts);
        }
    }
}

#[test]
fn frames_of_two_items_that_were_cut_are_not_said_to_be_there() {
    let fragments = Fragments::default().with_items_per_frame(2);
    for (end, present) in [(120, "60 of 80"), (121, "61 of 80")] {
        let read = after(&jpeg().with_fragments(fragments.clone()), |bytes| {
            let end = items_of(bytes)[end].end;
            bytes.truncate(end);
        });
        assert_refused(read, "pixel-data", &["(7FE0,0010)", present, "scan.dcm"]);
    }
}

#[test]
fn a_missing_delimiter_is_told_where_all_frames_are_there() {
    for (name, options) in ways() {
        let options = options.with_fragments(Fragments::default().without_delimiter());
        assert_p0(reread_one(ENHANCED, &options), &["no-delimiter"], name);
        assert_p0(read_scan(written(base(), &options).path(), None), &["no-delimiter"], name);
    }
}

#[test]
fn a_delimiter_with_a_length_is_a_delimiter() {
    let read = after(&in_items(), |bytes| {
        let end = bytes.len();
        assert_eq!(bytes[end - 8..end - 4], [0xFE, 0xFF, 0xDD, 0xE0]);
        bytes[end - 4..].fill(0xFF);
    });
    assert_p0(read, &[], "a delimiter of undefined length");
}

#[test]
fn an_item_with_a_forged_length_is_refused_before_it_is_read() {
    for forged in [0xFFFF_FFFE_u32, 0x7FFF_FFFF, 0xFFFF_FFFF] {
        for (name, options) in ways() {
            let read = after(&options, |bytes| {
                let at = items_of(bytes)[7].value.start;
                bytes[at - 4..at].copy_from_slice(&forged.to_le_bytes());
            });
            let parts = ["(7FE0,0010) PixelData", "6 of 80 frames present", "scan.dcm"];
            let Err(error) = &read else { panic!("{name} {forged:X}") };
            assert_eq!(error.code(), "pixel-data", "{name}: {error}");
            assert_refused(read, "pixel-data", &parts);
        }
    }
    // The table itself.
    let read = after(&in_items(), |bytes| {
        let at = items_of(bytes)[0].value.start;
        bytes[at - 4..at].copy_from_slice(&0xFFFF_FFF0_u32.to_le_bytes());
    });
    assert!(read.is_err());
}

#[test]
fn an_empty_frame_between_others_is_refused() {
    for (name, options) in ways() {
        for table in [OffsetTable::Empty, OffsetTable::Basic] {
            let options = options.clone().with_fragments(Fragments::default().with_table(table));
            let read = after(&options, |bytes| {
                let place = items_of(bytes)[30].clone();
                bytes[place.value.start - 4..place.value.start].fill(0);
                bytes.drain(place.value);
            });
            assert!(read.is_err(), "{name} {table:?}");
        }
    }
}

#[test]
fn an_encapsulated_stream_under_a_native_syntax_is_refused_by_tag() {
    for uid in ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2"] {
        let read = after(&jpeg(), |bytes| with_syntax(bytes, uid));
        assert_refused(read, "bad-attribute", &["(7FE0,0010)", "(0002,0010)", "scan.dcm"]);
    }
}

#[test]
fn a_stream_called_by_the_name_of_another_codec_is_refused_and_not_guessed_at() {
    for (options, uid) in [
        (jpeg(), uids::RLE_LOSSLESS),
        (rle(), JPEG),
        (jpeg(), uids::JPEG2000_LOSSLESS),
        (jpeg(), uids::JPEGLS_LOSSLESS),
        (in_items(), JPEG),
        (jpeg(), "1.2.840.10008.1.2.1.98"),
    ] {
        let read = after(&options, |bytes| with_syntax(bytes, uid));
        let error = read.map(|s| codes(&s)).expect_err(uid);
        assert!(["pixel-data", "transfer-syntax"].contains(&error.code()), "{uid}: {error}");
        assert!(error.to_string().contains("scan.dcm"), "{uid}: {error}");
    }
}

fn with_syntax(bytes: &mut Vec<u8>, uid: &str) {
    let mut value = uid.as_bytes().to_vec();
    value.resize(value.len().next_multiple_of(2), 0);
    damage::set_meta_value(bytes, tags::TRANSFER_SYNTAX_UID, &value).expect("changed");
}

#[test]
fn one_damaged_slice_of_a_folder_is_named() {
    let dir = written(base(), &jpeg());
    let file = dir.path().join("slice0033.dcm");
    change_file(&file, |bytes| {
        let items = items_of(bytes);
        let middle = (items[1].value.start + items[1].value.end) / 2;
        bytes.truncate(middle);
    });
    assert_refused(read_scan(dir.path(), None), "pixel-data", &["slice0033.dcm"]);
}
