//! Files cut short or with wrong bytes: a typed error, no panic, and no other volume.

mod common;

use std::fs;
use std::path::Path;

use common::{base, files_of, grid, written};
use jawgauge_intake::{IntakeError, read_scan};
use jawgauge_phantom::{ScanOptions, ScanSyntax, p0_grey, p0_rescale, sample_shape, write_scan};
use jawgauge_space::PatientPoint;
use jawgauge_volume::Volume;
use proptest::prelude::*;

/// A small scan: the middle of the base phantom, with some shading.
fn small() -> Volume {
    let steps = [[0.6, 0.0, 0.0], [0.0, 0.5, 0.0], [0.0, 0.0, 0.4]];
    let grey = |p: PatientPoint| p0_grey(p) + 10.0 * p.to_array()[1];
    sample_shape(grid([14, 12, 9], [-4.0, -3.0, -1.0], steps), p0_rescale(), grey, 2)
        .expect("a volume")
}

fn options(implicit: bool) -> ScanOptions {
    ScanOptions::default().with_syntax(if implicit {
        ScanSyntax::ImplicitLittleEndian
    } else {
        ScanSyntax::ExplicitLittleEndian
    })
}

/// Start of the voxels of a file: they are its last bytes.
fn header_length(bytes: &[u8]) -> usize {
    bytes.len() - 14 * 12 * 2
}

#[test]
fn a_file_cut_anywhere_is_an_error_or_counts_as_no_dicom_file() {
    for implicit in [false, true] {
        let dir = written(&small(), &options(implicit));
        let file = files_of(dir.path()).remove(4);
        let whole = fs::read(&file).expect("read");
        let mut kinds = std::collections::BTreeSet::new();
        for length in (0..whole.len()).step_by(3).chain([whole.len() - 1]) {
            fs::write(&file, &whole[..length]).expect("written");
            match read_scan(dir.path(), None) {
                // Without the prefix it is no DICOM file, and its slice is missing.
                Ok(scan) => {
                    assert!(length < 132, "cut at {length} and read");
                    assert_eq!(common::codes(&scan), ["missing-slices"]);
                    assert_eq!(scan.facts.skipped.values().sum::<usize>(), 1);
                }
                Err(error) => {
                    kinds.insert(error.code());
                    assert!(error.to_string().contains("slice0004.dcm"), "{length}: {error}");
                }
            }
        }
        assert!(kinds.contains("damaged-file"), "{kinds:?}");
    }
}

#[test]
fn forged_lengths_are_refused_before_anything_is_allocated() {
    let dir = written(&small(), &options(false));
    let file = files_of(dir.path()).remove(2);
    let whole = fs::read(&file).expect("read");
    // A private OB of 4 GB, an unknown VR of undefined length that never ends, and nesting
    // without end, each put before the data set's first attribute, (0008,0008).
    let at = whole.windows(6).position(|w| w == [8, 0, 8, 0, b'C', b'S']).expect("there");
    let open = [
        9, 0, 1, 16, b'S', b'Q', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFE, 0xFF, 0, 0xE0, 0xFF, 0xFF,
        0xFF, 0xFF,
    ];
    for (name, forged) in [
        ("OB", vec![9, 0, 16, 16, b'O', b'B', 0, 0, 0xF0, 0xFF, 0xFF, 0xFF]),
        ("UN", vec![9, 0, 1, 16, b'U', b'N', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF]),
        ("nesting", open.repeat(20_000)),
    ] {
        let bytes = [&whole[..at], &forged, &whole[at..]].concat();
        fs::write(&file, bytes).expect("written");
        let error = read_scan(dir.path(), None).expect_err(name);
        assert_eq!(error.code(), "damaged-file", "{name}: {error}");
        assert!(error.to_string().contains("slice0002.dcm"));
    }
}

#[test]
fn private_sequences_of_unknown_kind_are_stepped_over() {
    let dir = written(&small(), &options(false));
    let expected = read_scan(dir.path(), None).expect("read").volume;
    // (0009,1001) UN of undefined length with one implicit item of undefined length.
    let mut private = vec![9, 0, 1, 16, b'U', b'N', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF];
    private.extend([0xFE, 0xFF, 0x00, 0xE0, 0xFF, 0xFF, 0xFF, 0xFF]);
    private.extend([9, 0, 2, 16, 4, 0, 0, 0, 1, 2, 3, 4]);
    private.extend([0xFE, 0xFF, 0x0D, 0xE0, 0, 0, 0, 0]);
    private.extend([0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0]);
    for file in files_of(dir.path()) {
        let whole = fs::read(&file).expect("read");
        // Behind group 8, before group 0010.
        let at = whole.windows(6).position(|w| w == [0x10, 0, 0x10, 0, b'P', b'N']).expect("there");
        fs::write(&file, [&whole[..at], &private, &whole[at..]].concat()).expect("written");
    }
    assert_eq!(read_scan(dir.path(), None).expect("read").volume, expected);
}

#[test]
fn a_transfer_syntax_that_lies_is_told_and_the_data_set_read_as_it_is_coded() {
    for implicit in [false, true] {
        let dir = written(&small(), &options(implicit));
        let expected = read_scan(dir.path(), None).expect("read").volume;
        let file = files_of(dir.path()).remove(3);
        let mut bytes = fs::read(&file).expect("read");
        let at = bytes.windows(6).position(|w| w == [2, 0, 16, 0, b'U', b'I']).expect("there") + 6;
        if implicit {
            // "1.2.840.10008.1.2" and its pad become "...1.2.1" and a pad.
            bytes[at] = 20;
            bytes.splice(at + 19..at + 20, *b".1\0");
        } else {
            bytes[at] = 18;
            bytes.splice(at + 19..at + 22, [0]);
        }
        fs::write(&file, bytes).expect("written");
        let scan = read_scan(dir.path(), None).expect("read");
        assert_eq!(common::codes(&scan), ["transfer-syntax-disagrees"]);
        let said = scan.warnings[0].to_string();
        assert!(said.contains("(0002,0010)") && said.contains("slice0003.dcm"), "{said}");
        assert_eq!(scan.volume, expected);
    }
}

#[test]
fn any_preamble_will_do_and_none_too() {
    let dir = written(&small(), &options(false));
    let expected = read_scan(dir.path(), None).expect("read").volume;
    for (n, file) in files_of(dir.path()).iter().enumerate() {
        let mut bytes = fs::read(file).expect("read");
        if n % 2 == 0 {
            bytes[..2].copy_from_slice(b"MZ");
        } else {
            bytes.drain(..128);
        }
        fs::write(file, bytes).expect("written");
    }
    assert_eq!(read_scan(dir.path(), None).expect("read").volume, expected);
}

#[test]
fn a_wrong_length_of_the_meta_group_hides_no_attribute() {
    let dir = written(&small(), &options(false));
    let expected = read_scan(dir.path(), None).expect("read").volume;
    for wrong in [0_u32, 60, 600, u32::MAX] {
        for file in files_of(dir.path()) {
            let mut bytes = fs::read(&file).expect("read");
            assert_eq!(bytes[132..140], [2, 0, 0, 0, b'U', b'L', 4, 0]);
            bytes[140..144].copy_from_slice(&wrong.to_le_bytes());
            fs::write(&file, bytes).expect("written");
        }
        assert_eq!(read_scan(dir.path(), None).expect("read").volume, expected);
    }
}

/// Reads after changing bytes of a slice's header; only that it ends in order is asked.
fn after_change(dir: &Path, file: &Path, bytes: &[u8]) -> Result<Volume, IntakeError> {
    fs::write(file, bytes).expect("written");
    read_scan(dir, None).map(|scan| scan.volume)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn changed_bytes_of_a_header_never_move_the_other_slices(
        implicit: bool,
        changes in prop::collection::vec((0.0..1.0_f64, any::<u8>()), 1..4),
    ) {
        let dir = written(&small(), &options(implicit));
        let file = files_of(dir.path()).remove(4);
        let mut bytes = fs::read(&file).expect("read");
        let end = header_length(&bytes) as f64;
        for (place, value) in &changes {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let at = (place * end) as usize;
            bytes[at] = *value;
        }
        match after_change(dir.path(), &file, &bytes) {
            Err(error) => {
                let line = error.to_string();
                prop_assert!(!line.chars().any(char::is_control), "{line:?}");
            }
            Ok(volume) => {
                let (found, expected) = (volume.geometry().affine(), small());
                let expected = expected.geometry().affine();
                for (a, b) in found.steps().into_iter().zip(expected.steps()) {
                    // Tolerance of an even stack: 2 % of the pitch over eight steps.
                    prop_assert!((a - b).length_mm() < 0.01, "{a:?} {b:?}");
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]

    #[test]
    fn shuffled_and_renamed_files_give_the_same_volume_bit_for_bit(
        names in Just((0..80_usize).collect::<Vec<_>>()).prop_shuffle(),
        suffix in "[a-z]{0,3}",
        nested: bool,
    ) {
        let expected = plain_volume();
        let dir = tempfile::tempdir().expect("a folder");
        let options = ScanOptions::default().with_file_name(move |k| {
            let folder = if nested { format!("{}/", names[k] % 7) } else { String::new() };
            format!("{folder}x{}{suffix}", names[k])
        });
        write_scan(dir.path(), base(), &options).expect("written");
        let scan = read_scan(dir.path(), None).expect("read");
        prop_assert!(scan.volume == *expected);
    }
}

fn plain_volume() -> &'static Volume {
    static PLAIN: std::sync::OnceLock<Volume> = std::sync::OnceLock::new();
    PLAIN.get_or_init(|| {
        let dir = written(base(), &ScanOptions::default());
        read_scan(dir.path(), None).expect("read").volume
    })
}

#[test]
fn one_and_four_threads_read_the_same_volume() {
    let dir = written(base(), &ScanOptions::default());
    let read = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        pool.install(|| read_scan(dir.path(), None).expect("read"))
    };
    let (one, four) = (read(1), read(4));
    assert_eq!(one.volume, four.volume);
    assert_eq!(one.facts, four.facts);
}
