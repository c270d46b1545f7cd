//! Lengths that do not fit: odd, forged, nested too deep, bytes behind the voxels, and
//! sizes that no memory holds.

mod common;

use std::fs;
use std::time::{Duration, Instant};

use common::{
    assert_p0, assert_refused, base, change_file, files_of, in_one, reread_p0, set_us, written,
};
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use jawgauge_intake::{IntakeError, Scan, read_scan};
use jawgauge_phantom::{MultiFrameKind, ScanOptions, ScanSyntax, damage};

/// Whatever a small file claims, it is read or refused within this time.
const SOON: Duration = Duration::from_secs(5);

/// Reads the base phantom after the bytes of one slice, in the middle, were changed.
fn after_one(syntax: ScanSyntax, change: impl FnOnce(&mut Vec<u8>)) -> Result<Scan, IntakeError> {
    let dir = written(base(), &ScanOptions::default().with_syntax(syntax));
    change_file(&dir.path().join("slice0040.dcm"), change);
    let start = Instant::now();
    let read = read_scan(dir.path(), None);
    assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
    read
}

/// The same with all slices changed.
fn after_all(syntax: ScanSyntax, change: impl Fn(&mut Vec<u8>)) -> Result<Scan, IntakeError> {
    let dir = written(base(), &ScanOptions::default().with_syntax(syntax));
    for file in files_of(dir.path()) {
        change_file(&file, &change);
    }
    read_scan(dir.path(), None)
}

const EXPLICIT: ScanSyntax = ScanSyntax::ExplicitLittleEndian;
const IMPLICIT: ScanSyntax = ScanSyntax::ImplicitLittleEndian;
/// Private: its creator, and elements of its block (DICOM PS3.5 section 7.8.1).
const CREATOR: Tag = Tag(0x0009, 0x0010);
const PRIVATE: Tag = Tag(0x0009, 0x1010);

fn put_in(bytes: &mut Vec<u8>, tag: Tag, raw: &[u8]) {
    damage::insert_before(bytes, tag, raw).expect("put in");
}

#[test]
fn declared_surplus_behind_the_voxels_is_told_and_ignored() {
    for surplus in [2_usize, 992, 23_998] {
        let read = after_all(EXPLICIT, |bytes| {
            let length = u32::try_from(24_000 + surplus).expect("short");
            damage::set_declared_length(bytes, tags::PIXEL_DATA, length).expect("set");
            bytes.resize(bytes.len() + surplus, 0x5A);
        });
        assert_p0(read, &["surplus-pixel-bytes"], &format!("{surplus} bytes"));
    }
    let read = after_one(EXPLICIT, |bytes| {
        damage::set_declared_length(bytes, tags::PIXEL_DATA, 24_992).expect("set");
        bytes.resize(bytes.len() + 992, 0);
    });
    let scan = read.expect("read");
    let said = scan.warnings[0].to_string();
    assert!(said.contains("992 in slice0040.dcm") && said.contains("(7FE0,0010)"), "{said}");
}

#[test]
fn bytes_behind_the_voxels_that_nothing_declares_are_told_and_ignored() {
    for syntax in [EXPLICIT, IMPLICIT, ScanSyntax::ExplicitBigEndian] {
        for tail in [vec![0_u8; 1], vec![0; 2], vec![0; 992], vec![0x20; 992], b"\r\n".to_vec()] {
            let read = after_all(syntax, |bytes| bytes.extend_from_slice(&tail));
            assert_p0(read, &["trailing-bytes"], &format!("{syntax:?} {} bytes", tail.len()));
        }
    }
}

#[test]
fn trailing_padding_of_the_standard_is_no_fault() {
    // DICOM PS3.10 section 7.2.
    let padding = damage::explicit_element(Tag(0xFFFC, 0xFFFC), *b"OB", 126, &[0; 126]);
    let read = after_all(EXPLICIT, |bytes| bytes.extend_from_slice(&padding));
    assert_p0(read, &[], "padding");
    let padding = damage::implicit_element(Tag(0xFFFC, 0xFFFC), 126, &[0; 126]);
    let read = after_all(IMPLICIT, |bytes| bytes.extend_from_slice(&padding));
    assert_p0(read, &[], "implicit padding");
    // Voxels and then a signature, which may follow them.
    let signature = damage::undefined_sequence(tags::DIGITAL_SIGNATURES_SEQUENCE, *b"SQ", &[]);
    let read = after_all(EXPLICIT, |bytes| bytes.extend_from_slice(&signature));
    assert_p0(read, &[], "a signature");
}

#[test]
fn a_declared_length_below_the_voxels_is_refused_though_the_bytes_are_there() {
    let read = after_one(EXPLICIT, |bytes| {
        damage::set_declared_length(bytes, tags::PIXEL_DATA, 23_998).expect("set");
    });
    let parts = ["(7FE0,0010) PixelData", "23998", "24000", "slice0040.dcm"];
    assert_refused(read, "pixel-data-length", &parts);
}

#[test]
fn a_declared_length_beyond_the_file_is_refused_where_voxels_are_missing() {
    for length in [48_000_u32, 0x7FFF_FFFF, 0xFFFF_FFFE] {
        let read = after_one(EXPLICIT, |bytes| {
            damage::set_declared_length(bytes, tags::PIXEL_DATA, length).expect("set");
            bytes.truncate(bytes.len() - 2);
        });
        let parts = ["(7FE0,0010) PixelData", "23998", "slice0040.dcm"];
        assert_refused(read, "pixel-data-length", &parts);
    }
}

#[test]
fn odd_lengths_with_and_without_a_pad_byte_shift_nothing() {
    for padded in [false, true] {
        let value: &[u8] = if padded { b"ODD\0" } else { b"ODD" };
        for (syntax, raw) in [
            (EXPLICIT, damage::explicit_element(CREATOR, *b"LO", 3, value)),
            (IMPLICIT, damage::implicit_element(CREATOR, 3, value)),
        ] {
            let read = after_all(syntax, |bytes| put_in(bytes, CREATOR, &raw));
            assert_p0(read, &[], &format!("{syntax:?} padded {padded}"));
        }
        // A wanted attribute, right before others that are.
        let value: &[u8] = if padded { b"0.3\\0.3 " } else { b"0.3\\0.3" };
        for (syntax, raw) in [
            (EXPLICIT, damage::explicit_element(tags::PIXEL_SPACING, *b"DS", 7, value)),
            (IMPLICIT, damage::implicit_element(tags::PIXEL_SPACING, 7, value)),
        ] {
            let read = after_all(syntax, |bytes| {
                damage::replace(bytes, tags::PIXEL_SPACING, &raw).expect("replaced");
            });
            assert_p0(read, &[], &format!("{syntax:?} spacing padded {padded}"));
        }
    }
}

#[test]
fn private_sequences_of_every_sort_are_stepped_over() {
    let inner = damage::implicit_element(Tag(0x0009, 0x1011), 4, b"abcd");
    let explicit = damage::explicit_element(Tag(0x0009, 0x1011), *b"LO", 4, b"abcd");
    let empty_item = damage::item(0, &[]);
    let counted = [damage::item(12, &inner)].concat();
    let sequences: [(&str, Vec<u8>); 7] = [
        // Implicit inside, whatever the file: DICOM PS3.5 section 6.2.2.
        ("UN", damage::undefined_sequence(PRIVATE, *b"UN", &[inner.clone(), inner.clone()])),
        ("UN without items", damage::undefined_sequence(PRIVATE, *b"UN", &[])),
        ("SQ", damage::undefined_sequence(PRIVATE, *b"SQ", std::slice::from_ref(&explicit))),
        (
            "SQ in UN",
            damage::undefined_sequence(
                PRIVATE,
                *b"UN",
                &[[
                    damage::implicit_element(Tag(0x0009, 0x1012), damage::UNDEFINED, &counted),
                    damage::SEQUENCE_DELIMITER.to_vec(),
                ]
                .concat()],
            ),
        ),
        (
            "UN in SQ",
            damage::undefined_sequence(
                PRIVATE,
                *b"SQ",
                &[damage::undefined_sequence(Tag(0x0009, 0x1012), *b"UN", &[inner])],
            ),
        ),
        ("an empty item", {
            let mut raw = damage::explicit_element(PRIVATE, *b"SQ", damage::UNDEFINED, &empty_item);
            raw.extend(damage::SEQUENCE_DELIMITER);
            raw
        }),
        ("UN of known length", damage::explicit_element(PRIVATE, *b"UN", 5, b"abc\0\0")),
    ];
    for (name, raw) in sequences {
        let both = [damage::explicit_element(CREATOR, *b"LO", 4, b"MINE"), raw].concat();
        let read = after_all(EXPLICIT, |bytes| put_in(bytes, CREATOR, &both));
        assert_p0(read, &[], name);
        let (dir, file) = in_one(base(), MultiFrameKind::EnhancedCt, &ScanOptions::default());
        change_file(&file, |bytes| put_in(bytes, CREATOR, &both));
        assert_p0(read_scan(dir.path(), None), &[], name);
    }
}

#[test]
fn sequences_whose_inner_lengths_lie_are_refused_with_tag_and_place() {
    let inner = damage::explicit_element(Tag(0x0009, 0x1011), *b"LO", 4, b"abcd");
    let open = |item: Vec<u8>| damage::explicit_element(PRIVATE, *b"SQ", damage::UNDEFINED, &item);
    for (name, raw) in [
        ("an item that takes in what follows", open(damage::item(4000, &inner))),
        ("an item that ends within its attribute", {
            [open(damage::item(6, &inner)), damage::SEQUENCE_DELIMITER.to_vec()].concat()
        }),
        ("an item's delimiter for the sequence's", {
            let item = [damage::item(12, &inner), damage::ITEM_DELIMITER.to_vec()].concat();
            open(item)
        }),
        ("a sequence's delimiter for the item's", {
            let item =
                [damage::item(damage::UNDEFINED, &inner), damage::SEQUENCE_DELIMITER.to_vec()];
            open(item.concat())
        }),
        ("no delimiter at all", open(damage::item(damage::UNDEFINED, &inner))),
        ("an item of nearly all bits", open(damage::item(0xFFFF_FFFE, &inner))),
    ] {
        let read = after_one(EXPLICIT, |bytes| put_in(bytes, PRIVATE, &raw));
        let Err(error) = &read else { panic!("{name}") };
        assert_eq!(error.code(), "damaged-file", "{name}: {error}");
        assert_refused(read, "damaged-file", &["at byte", "(", "slice0040.dcm"]);
    }
}

#[test]
fn functional_groups_whose_lengths_lie_are_refused() {
    let changed = |change: fn(&mut Vec<u8>)| {
        let (dir, file) = in_one(base(), MultiFrameKind::EnhancedCt, &ScanOptions::default());
        change_file(&file, change);
        read_scan(dir.path(), None)
    };
    let shared = tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE;
    let read = changed(|bytes| {
        let items = damage::items(bytes, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE).expect("items");
        let at = items[0].value.start;
        bytes[at - 4..at].copy_from_slice(&30_u32.to_le_bytes());
    });
    assert_refused(read, "damaged-file", &["scan.dcm"]);
    let read = changed(|bytes| {
        let tag = tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE;
        damage::set_declared_length(bytes, tag, 20).expect("set");
    });
    assert_refused(read, "damaged-file", &["scan.dcm"]);
    // Twice the same sequence: which one counts is not told.
    let read = changed(|bytes| {
        let place = damage::find(bytes, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE).expect("there");
        let again = bytes[place.at..place.end].to_vec();
        bytes.splice(place.end..place.end, again);
    });
    let named = format!("({:04X},{:04X})", shared.group(), shared.element());
    assert_refused(read, "damaged-file", &[&named, "twice", "scan.dcm"]);
}

#[test]
fn an_attribute_that_stands_there_twice_is_refused_and_neither_is_taken() {
    for tag in [
        tags::IMAGE_POSITION_PATIENT,
        tags::PIXEL_SPACING,
        tags::RESCALE_SLOPE,
        tags::ROWS,
        tags::SERIES_INSTANCE_UID,
    ] {
        for syntax in [EXPLICIT, IMPLICIT] {
            let read = after_one(syntax, |bytes| {
                let place = damage::find(bytes, tag).expect("there");
                let again = bytes[place.at..place.end].to_vec();
                bytes.splice(place.end..place.end, again);
            });
            let named = format!("({:04X},{:04X})", tag.group(), tag.element());
            assert_refused(read, "damaged-file", &[&named, "twice", "slice0040.dcm"]);
        }
    }
}

#[test]
fn forged_lengths_before_the_voxels_are_refused_soon_and_by_file() {
    for (name, syntax, raw) in [
        ("OB", EXPLICIT, damage::explicit_element(PRIVATE, *b"OB", 0xFFFF_FFF0, b"ab")),
        ("UT", EXPLICIT, damage::explicit_element(PRIVATE, *b"UT", 0x7FFF_FFFF, b"ab")),
        ("SQ", EXPLICIT, damage::explicit_element(PRIVATE, *b"SQ", 0x7FFF_FFFE, b"ab")),
        ("LO", IMPLICIT, damage::implicit_element(PRIVATE, 0x7FFF_FFFF, b"ab")),
        ("implicit", IMPLICIT, damage::implicit_element(PRIVATE, 0xFFFF_FFFE, b"ab")),
    ] {
        let read = after_one(syntax, |bytes| put_in(bytes, PRIVATE, &raw));
        let Err(error) = &read else { panic!("{name}") };
        assert_eq!(error.code(), "damaged-file", "{name}: {error}");
        assert_refused(read, "damaged-file", &["(0009,1010)", "claims", "slice0040.dcm"]);
    }
    // A wanted attribute.
    for tag in [tags::IMAGE_POSITION_PATIENT, tags::PATIENT_NAME, tags::ROWS] {
        let read = after_one(IMPLICIT, |bytes| {
            damage::set_declared_length(bytes, tag, 0x7FFF_FFFF).expect("set");
        });
        assert_refused(read, "damaged-file", &["slice0040.dcm"]);
        let read = after_one(IMPLICIT, |bytes| {
            damage::set_declared_length(bytes, tag, 20_000).expect("set");
        });
        assert_refused(read, "damaged-file", &["slice0040.dcm"]);
    }
}

#[test]
fn sequences_nested_twenty_thousand_deep_are_refused_and_end_no_process() {
    let deep = damage::nested_sequences(Tag(0x0040, 0xA730), 20_000);
    let read = after_one(EXPLICIT, |bytes| put_in(bytes, Tag(0x0040, 0xA730), &deep));
    assert_refused(read, "damaged-file", &["(0040,A730)", "nested too deep", "slice0040.dcm"]);
    // A few levels are usual.
    let shallow = damage::nested_sequences(Tag(0x0040, 0xA730), 30);
    let read = after_one(EXPLICIT, |bytes| put_in(bytes, Tag(0x0040, 0xA730), &shallow));
    assert_p0(read, &[], "thirty levels");
    // Within the groups of a frame, too.
    let (dir, file) = in_one(base(), MultiFrameKind::EnhancedCt, &ScanOptions::default());
    change_file(&file, |bytes| {
        let tag = tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE;
        let group = damage::undefined_sequence(tag, *b"SQ", &[deep]);
        damage::replace(bytes, tag, &group).expect("replaced");
    });
    let parts = ["nested too deep", "scan.dcm"];
    assert_refused(read_scan(dir.path(), None), "damaged-file", &parts);
}

#[test]
fn the_largest_rows_and_columns_with_few_bytes_are_refused_soon() {
    let start = Instant::now();
    let one = reread_p0(|k, o| {
        if k == 40 {
            set_us(o, tags::ROWS, 65_535);
            set_us(o, tags::COLUMNS, 65_535);
        }
    });
    let parts = ["(7FE0,0010) PixelData", "24000", "8589672450", "slice0040.dcm"];
    assert_refused(one, "pixel-data-length", &parts);
    for kind in [MultiFrameKind::PlainCt, MultiFrameKind::EnhancedCt] {
        for frames in ["5000", "65535"] {
            let read = common::reedit_one(kind, move |o| {
                set_us(o, tags::ROWS, 65_535);
                set_us(o, tags::COLUMNS, 65_535);
                common::set(o, tags::NUMBER_OF_FRAMES, dicom_core::VR::IS, frames);
            });
            assert_refused(read, "pixel-data-length", &["(7FE0,0010)", "scan.dcm"]);
        }
    }
    assert!(start.elapsed() < 4 * SOON, "{:?}", start.elapsed());
}

#[test]
#[cfg(unix)]
fn more_voxels_than_are_allowed_are_refused_with_both_sizes_before_any_is_read() {
    // Five slices of 65535 x 32767 voxels, whose bytes are holes in the files: 21 GB.
    let dir = written(base(), &ScanOptions::default());
    for (k, file) in files_of(dir.path()).into_iter().enumerate() {
        if k >= 5 {
            fs::remove_file(file).expect("removed");
            continue;
        }
        let voxels: u32 = 65_535 * 32_767 * 2;
        change_file(&file, |bytes| {
            let us =
                |tag, value: u16| damage::explicit_element(tag, *b"US", 2, &value.to_le_bytes());
            damage::replace(bytes, tags::ROWS, &us(tags::ROWS, 32_767)).expect("replaced");
            damage::replace(bytes, tags::COLUMNS, &us(tags::COLUMNS, 65_535)).expect("replaced");
            damage::set_declared_length(bytes, tags::PIXEL_DATA, voxels).expect("set");
        });
        let handle = fs::OpenOptions::new().write(true).open(&file).expect("opened");
        let length = handle.metadata().expect("there").len() - 24_000 + u64::from(voxels);
        handle.set_len(length).expect("a hole");
    }
    let start = Instant::now();
    let read = read_scan(dir.path(), None);
    assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
    assert_refused(read, "too-large", &["65535 x 32767 x 5 voxels", "21.5 GB", "17.2 GB allowed"]);
}

#[test]
fn files_of_a_few_bytes_stop_no_folder() {
    let dir = written(base(), &ScanOptions::default());
    for n in 1..=9 {
        fs::write(dir.path().join(format!("tiny{n}")), &b"DIC\x08\x00\x05\x00CS"[..n])
            .expect("written");
    }
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.facts.skipped.values().sum::<usize>(), 9);
    assert_p0(Ok(scan), &[], "tiny files");
}
