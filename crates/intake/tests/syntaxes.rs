//! Native transfer syntaxes besides the usual ones, and file meta information that is
//! wrong, cut short or not there.

mod common;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use common::{assert_p0, assert_refused, base, change_file, files_of, in_one, reread_one, written};
use dicom_dictionary_std::tags;
use flate2::Compression;
use flate2::write::DeflateEncoder;
use jawgauge_intake::{SkipReason, read_scan};
use jawgauge_phantom::{MultiFrameKind, ScanOptions, ScanSyntax, damage, write_scan};
use std::io::Write;

/// A file below this is read or refused within this time, whatever it claims.
const SOON: Duration = Duration::from_secs(5);

const NATIVE: [ScanSyntax; 5] = [
    ScanSyntax::ExplicitLittleEndian,
    ScanSyntax::ImplicitLittleEndian,
    ScanSyntax::ExplicitBigEndian,
    ScanSyntax::Deflated,
    ScanSyntax::EncapsulatedUncompressed,
];

fn in_syntax(syntax: ScanSyntax) -> tempfile::TempDir {
    written(base(), &ScanOptions::default().with_syntax(syntax))
}

/// Changes every file of a folder and reads it.
fn after(
    dir: &Path,
    change: impl Fn(&mut Vec<u8>),
) -> Result<jawgauge_intake::Scan, jawgauge_intake::IntakeError> {
    for file in files_of(dir) {
        change_file(&file, &change);
    }
    read_scan(dir, None)
}

#[test]
fn slices_in_every_native_syntax_are_the_same_volume() {
    for syntax in NATIVE {
        let read = read_scan(in_syntax(syntax).path(), None);
        assert_p0(read, &[], syntax.uid());
        let options = ScanOptions::default().with_syntax(syntax);
        let frames = reread_one(MultiFrameKind::PlainCt, &options);
        assert_p0(frames, &["pitch-from-spacing"], syntax.uid());
    }
}

#[test]
fn signed_voxels_in_big_endian_keep_their_sign() {
    use jawgauge_phantom::{Storage, p0_geometry, p0_grey, sample_shape_as};
    use jawgauge_volume::Rescale;
    // The intercept that overflows 16 bits where a table is made of all values.
    let rescale = Rescale { slope: 1.0, intercept: -1024.0 };
    let volume = sample_shape_as(Storage::Signed, p0_geometry(), rescale, p0_grey, 1);
    let volume = volume.expect("a volume");
    for syntax in NATIVE {
        let dir = written(&volume, &ScanOptions::default().with_syntax(syntax));
        let scan = read_scan(dir.path(), None).expect("read");
        assert_eq!(scan.volume.voxels(), volume.voxels(), "{syntax:?}");
        assert_eq!(scan.volume.voxel_grey(0, 0, 0), Some(-1000.0), "{syntax:?}");
    }
}

#[test]
fn words_written_as_bytes_in_big_endian_are_refused_and_not_swapped_or_left() {
    let options =
        ScanOptions::default().with_syntax(ScanSyntax::ExplicitBigEndian).with_pixels_as_bytes();
    let parts = ["(7FE0,0010) PixelData", "OB", "OW"];
    let slices = read_scan(written(base(), &options).path(), None);
    assert_refused(slices, "bad-attribute", &parts);
    for kind in [MultiFrameKind::PlainCt, MultiFrameKind::EnhancedCt] {
        assert_refused(reread_one(kind, &options), "bad-attribute", &parts);
    }
    // In little endian the order of the bytes is the same.
    let little = ScanOptions::default().with_pixels_as_bytes();
    assert_p0(read_scan(written(base(), &little).path(), None), &[], "little endian");
}

#[test]
fn big_endian_called_little_and_little_called_big_are_read_as_they_are_with_a_word() {
    let pairs = [
        (ScanSyntax::ExplicitBigEndian, ScanSyntax::ExplicitLittleEndian),
        (ScanSyntax::ExplicitBigEndian, ScanSyntax::ImplicitLittleEndian),
        (ScanSyntax::ExplicitLittleEndian, ScanSyntax::ExplicitBigEndian),
        (ScanSyntax::ImplicitLittleEndian, ScanSyntax::ExplicitBigEndian),
        (ScanSyntax::ImplicitLittleEndian, ScanSyntax::Deflated),
    ];
    for (is, said) in pairs {
        let read = after(in_syntax(is).path(), |bytes| {
            let mut uid = said.uid().as_bytes().to_vec();
            uid.resize(uid.len().next_multiple_of(2), 0);
            damage::set_meta_value(bytes, tags::TRANSFER_SYNTAX_UID, &uid).expect("changed");
        });
        assert_p0(read, &["transfer-syntax-disagrees"], &format!("{is:?} called {said:?}"));
    }
}

#[test]
fn a_transfer_syntax_with_a_blank_or_a_nul_behind_it_is_known() {
    for pad in ["", "\0", " ", " \0", "  ", "\0\0\0"] {
        let read = after(in_syntax(ScanSyntax::ExplicitLittleEndian).path(), |bytes| {
            let uid = format!("1.2.840.10008.1.2.1{pad}");
            damage::set_meta_value(bytes, tags::TRANSFER_SYNTAX_UID, uid.as_bytes())
                .expect("changed");
        });
        assert_p0(read, &[], &format!("{pad:?}"));
    }
}

#[test]
fn no_length_of_the_meta_group_hides_or_invents_an_attribute_in_any_syntax() {
    type Change = fn(u32) -> u32;
    let changes: [(&str, Change); 6] = [
        ("+60", |n| n + 60),
        ("+600", |n| n + 600),
        ("-20", |n| n - 20),
        ("half", |n| n / 2),
        ("zero", |_| 0),
        ("the most", |_| u32::MAX),
    ];
    for syntax in NATIVE {
        for (name, change) in changes {
            let read = after(in_syntax(syntax).path(), |bytes| {
                damage::set_meta_group_length(bytes, change).expect("changed");
            });
            assert_p0(read, &[], &format!("{syntax:?} {name}"));
        }
        // The end of another element of the group, where nothing of the data set begins.
        let read = after(in_syntax(syntax).path(), |bytes| {
            let from =
                damage::find(bytes, tags::FILE_META_INFORMATION_GROUP_LENGTH).expect("there");
            let to = damage::find(bytes, tags::TRANSFER_SYNTAX_UID).expect("there");
            let length = u32::try_from(to.end - from.end).expect("short");
            damage::set_meta_group_length(bytes, |_| length).expect("changed");
        });
        assert_p0(read, &[], &format!("{syntax:?} up to the transfer syntax"));
    }
}

#[test]
fn meta_elements_that_are_missing_or_against_the_rules_stop_no_reading() {
    for syntax in [ScanSyntax::ExplicitLittleEndian, ScanSyntax::Deflated] {
        for tag in [
            tags::FILE_META_INFORMATION_GROUP_LENGTH,
            tags::MEDIA_STORAGE_SOP_INSTANCE_UID,
            tags::MEDIA_STORAGE_SOP_CLASS_UID,
            tags::IMPLEMENTATION_CLASS_UID,
        ] {
            let read = after(in_syntax(syntax).path(), |bytes| {
                damage::remove_meta_element(bytes, tag).expect("taken away");
            });
            assert_p0(read, &[], &format!("without {tag}"));
        }
        for (tag, value) in [
            (tags::IMPLEMENTATION_CLASS_UID, &b"1.2.abc.4x"[..]),
            (tags::MEDIA_STORAGE_SOP_INSTANCE_UID, &b"not a UID, and odd"[..]),
            (tags::IMPLEMENTATION_CLASS_UID, &[b'1'; 100][..]),
        ] {
            let read = after(in_syntax(syntax).path(), |bytes| {
                damage::set_meta_value(bytes, tag, value).expect("changed");
            });
            assert_p0(read, &[], &format!("{tag}"));
        }
        // A version name of 20 characters where 16 are allowed (DICOM PS3.10 table 7.1-1).
        let read = after(in_syntax(syntax).path(), |bytes| {
            let name = damage::explicit_element(
                tags::IMPLEMENTATION_VERSION_NAME,
                *b"SH",
                20,
                b"TWENTY_CHARACTERS_20",
            );
            let at = damage::data_set_start(bytes);
            bytes.splice(at..at, name);
        });
        assert_p0(read, &[], "a long version name");
    }
}

#[test]
fn without_transfer_syntax_the_data_set_is_read_as_it_is_coded_with_a_word() {
    for syntax in [ScanSyntax::ImplicitLittleEndian, ScanSyntax::ExplicitBigEndian] {
        let read = after(in_syntax(syntax).path(), |bytes| {
            damage::remove_meta_element(bytes, tags::TRANSFER_SYNTAX_UID).expect("taken away");
        });
        match read {
            Ok(scan) => assert_p0(Ok(scan), &["transfer-syntax-disagrees"], "no syntax"),
            Err(error) => {
                assert_eq!(error.code(), "transfer-syntax");
                assert!(error.to_string().contains("(0002,0010)"), "{error}");
            }
        }
    }
}

#[test]
fn a_data_set_without_preamble_or_meta_is_read_with_a_word() {
    for syntax in [
        ScanSyntax::ImplicitLittleEndian,
        ScanSyntax::ExplicitLittleEndian,
        ScanSyntax::ExplicitBigEndian,
    ] {
        let bare = |bytes: &mut Vec<u8>| damage::strip_meta(bytes).expect("stripped");
        let read = after(in_syntax(syntax).path(), bare);
        assert_p0(read, &["no-file-meta"], &format!("{syntax:?}"));
        let read = after(in_syntax(syntax).path(), |bytes| {
            damage::strip_preamble(bytes).expect("stripped");
        });
        assert_p0(read, &[], "no preamble");
        let read = after(in_syntax(syntax).path(), |bytes| {
            // Meta without the prefix.
            bytes.drain(..132);
        });
        assert_p0(read, &[], "no prefix");
        let read = after(in_syntax(syntax).path(), |bytes| {
            damage::set_preamble(bytes, b"MZ\x90\0\x03").expect("set");
        });
        assert_p0(read, &[], "a program's preamble");
        let options = ScanOptions::default().with_syntax(syntax);
        let (dir, _) = in_one(base(), MultiFrameKind::EnhancedCt, &options);
        assert_p0(after(dir.path(), bare), &["no-file-meta"], "enhanced");
    }
}

#[test]
fn a_single_bare_file_among_whole_ones_is_named() {
    let dir = in_syntax(ScanSyntax::ExplicitLittleEndian);
    let file = dir.path().join("slice0033.dcm");
    change_file(&file, |bytes| damage::strip_meta(bytes).expect("stripped"));
    let scan = read_scan(dir.path(), None).expect("read");
    assert!(scan.warnings[0].to_string().contains("slice0033.dcm"), "{:?}", scan.warnings);
    assert_p0(Ok(scan), &["no-file-meta"], "one of 80");
}

#[test]
fn files_that_only_begin_like_a_data_set_stop_no_folder() {
    let dir = in_syntax(ScanSyntax::ExplicitLittleEndian);
    let mut begins = vec![
        [&[8, 0, 5, 0, 10, 0, 0, 0][..], &[0xA5; 400]].concat(),
        [&[8, 0, 0, 0, 4, 0, 0, 0][..], &[0x5A; 3]].concat(),
        [&b"\x08\x00\x05\x00CS\x0A\x00"[..], &[0x77; 60]].concat(),
        [&b"\x00\x08\x00\x05CS\x00\x0A"[..], &[0x77; 60]].concat(),
        vec![8, 0, 0],
        b"DICM".to_vec(),
        [8, 0, 5, 0, 0, 0, 0, 0].repeat(100),
    ];
    begins.push([&[0; 128][..], b"DIC"].concat());
    let count = begins.len();
    for (n, bytes) in begins.into_iter().enumerate() {
        fs::write(dir.path().join(format!("stranger{n}")), bytes).expect("written");
    }
    // "DICM" alone promises a data set and has none: that file is damaged.
    let error = read_scan(dir.path(), None).expect_err("damaged");
    assert!(error.to_string().contains("stranger5"), "{error}");
    fs::remove_file(dir.path().join("stranger5")).expect("removed");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.facts.skipped, [(SkipReason::NotDicom, count - 1)].into());
    assert_p0(Ok(scan), &[], "strangers");
}

/// The meta of a deflated file, and behind it what `data_set` inflates to.
fn deflated_file(meta_of: &[u8], data_set: impl FnOnce(&mut dyn Write)) -> Vec<u8> {
    let mut bytes = meta_of[..damage::data_set_start(meta_of)].to_vec();
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::best());
    data_set(&mut packed);
    bytes.extend(packed.finish().expect("packed"));
    bytes
}

#[test]
fn deflated_bytes_that_unpack_to_gigabytes_are_given_up_soon() {
    let dir = in_syntax(ScanSyntax::Deflated);
    let file = dir.path().join("slice0040.dcm");
    let whole = fs::read(&file).expect("read");
    let zeros = vec![0_u8; 1 << 20];
    let private = dicom_core::Tag(0x0009, 0x1010);
    // An element of 1 GB before the voxels; voxels of 2 GB; 2000 elements of 1 MB.
    let one = |out: &mut dyn Write| {
        let length = 1 << 30;
        out.write_all(&damage::explicit_element(private, *b"OB", length, &[])).expect("written");
        (0..1024).for_each(|_| out.write_all(&zeros).expect("written"));
    };
    let many = |out: &mut dyn Write| {
        for _ in 0..2000 {
            let head = damage::explicit_element(private, *b"OB", 1 << 20, &[]);
            out.write_all(&head).expect("written");
            out.write_all(&zeros).expect("written");
        }
    };
    let nesting = |out: &mut dyn Write| {
        let open = damage::nested_sequences(private, 20_000);
        out.write_all(&open).expect("written");
    };
    for (name, bytes) in [
        ("one", deflated_file(&whole, one)),
        ("many", deflated_file(&whole, many)),
        ("nesting", deflated_file(&whole, nesting)),
    ] {
        fs::write(&file, bytes).expect("written");
        let start = Instant::now();
        let read = read_scan(dir.path(), None);
        assert!(start.elapsed() < SOON, "{name}: {:?}", start.elapsed());
        assert_refused(read, "damaged-file", &["slice0040.dcm"]);
    }
}

#[test]
fn surplus_of_a_gigabyte_in_deflated_voxels_is_not_unpacked() {
    let dir = tempfile::tempdir().expect("a folder");
    let plain = ScanOptions::default();
    write_scan(dir.path(), base(), &plain).expect("written");
    let deflated = in_syntax(ScanSyntax::Deflated);
    let meta = fs::read(deflated.path().join("slice0000.dcm")).expect("read");
    let file = dir.path().join("slice0040.dcm");
    let whole = fs::read(&file).expect("read");
    let pixels = damage::find(&whole, tags::PIXEL_DATA).expect("there");
    let bytes = deflated_file(&meta, |out| {
        let from = damage::data_set_start(&whole);
        out.write_all(&whole[from..pixels.at]).expect("written");
        let head = damage::explicit_element(tags::PIXEL_DATA, *b"OW", 1 << 30, &[]);
        out.write_all(&head).expect("written");
        out.write_all(&whole[pixels.value]).expect("written");
        (0..1024).for_each(|_| out.write_all(&[0; 1 << 20]).expect("written"));
    });
    fs::write(&file, bytes).expect("written");
    let start = Instant::now();
    let read = read_scan(dir.path(), None);
    assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
    let parts = ["(0028,0008) NumberOfFrames", "slice0040.dcm"];
    assert_refused(read, "number-of-frames", &parts);
}

#[test]
fn deflated_bytes_that_are_cut_are_refused_by_file() {
    let whole = fs::read(in_syntax(ScanSyntax::Deflated).path().join("slice0040.dcm"));
    let whole = whole.expect("read");
    let from = damage::data_set_start(&whole);
    for cut in [from, from + 1, from + 40, (from + whole.len()) / 2, whole.len() - 8] {
        let dir = in_syntax(ScanSyntax::Deflated);
        fs::write(dir.path().join("slice0040.dcm"), &whole[..cut]).expect("written");
        let error = read_scan(dir.path(), None).expect_err("cut");
        assert!(error.to_string().contains("slice0040.dcm"), "{cut}: {error}");
    }
}
