//! What a stream says of itself is held against the object's header before anything is decoded.

mod common;

use common::{Fixture, fixture};
use jawgauge_codec::{Codec, CodecError, FrameShape, decode_frame};

/// A stream of 16 bits for each codec.
const STREAMS: [&str; 4] = ["turbo-p1.jpg", "charls-16.jls", "openjpeg-16.j2k", "openjph-16.j2c"];

fn refusal(fixture: &Fixture, shape: FrameShape) -> CodecError {
    decode_frame(fixture.codec, &fixture.stream, &shape).expect_err("refused")
}

#[test]
fn another_size_is_refused_with_both_sizes_named() {
    for name in STREAMS.into_iter().chain(["baseline.jpg"]) {
        let fixture = fixture(name);
        let FrameShape { rows, columns, .. } = fixture.shape;
        let (found_rows, found_columns) = (rows.into(), columns.into());
        for (rows, columns) in [(rows - 1, columns), (rows, columns + 1), (columns, rows)] {
            let found = refusal(&fixture, FrameShape { rows, columns, ..fixture.shape });
            let expected = CodecError::Size { found_rows, found_columns, rows, columns };
            assert_eq!(found, expected, "{name}");
            let sentence = found.to_string();
            let numbers = [found_rows, found_columns, rows.into(), columns.into()];
            assert!(numbers.iter().all(|n| sentence.contains(&n.to_string())), "{sentence}");
        }
    }
}

#[test]
fn more_bits_than_allocated_are_refused_with_both_numbers_named() {
    for name in STREAMS {
        let fixture = fixture(name);
        let shape = FrameShape { bits_allocated: 8, bits_stored: 8, ..fixture.shape };
        let found = refusal(&fixture, shape);
        assert_eq!(found, CodecError::Precision { found: 16, stored: 8, allocated: 8 }, "{name}");
        let sentence = found.to_string();
        assert!(sentence.contains("16") && sentence.contains("BitsAllocated is 8"), "{sentence}");
    }
}

#[test]
fn fewer_bits_than_stored_are_refused() {
    for name in ["turbo-12.jpg", "charls-12.jls", "openjpeg-12.j2k"] {
        let fixture = fixture(name);
        let found = refusal(&fixture, FrameShape { bits_stored: 13, ..fixture.shape });
        assert_eq!(found, CodecError::Precision { found: 12, stored: 13, allocated: 16 }, "{name}");
    }
}

#[test]
fn eight_bits_under_sixteen_allocated_are_widened() {
    for name in ["turbo-8.jpg", "charls-8.jls", "openjpeg-8.j2k", "openjph-8.j2c", "baseline.jpg"] {
        let fixture = fixture(name);
        let narrow = decode_frame(fixture.codec, &fixture.stream, &fixture.shape).expect("decoded");
        for bits_stored in [7, 8] {
            let shape = FrameShape { bits_allocated: 16, bits_stored, ..fixture.shape };
            let wide = decode_frame(fixture.codec, &fixture.stream, &shape).expect("decoded");
            assert_eq!(wide, narrow, "{name}");
            assert!(wide.samples.iter().all(|&s| s < 256), "{name}");
        }
    }
}

#[test]
fn several_components_are_refused() {
    // The number of components in SOF (ITU-T T.81 section B.2.2) and SIZ (T.800 section A.5.1).
    for (name, marker, behind) in [
        ("turbo-p1.jpg", 0xC3, 9),
        ("baseline.jpg", 0xC0, 9),
        ("charls-16.jls", 0xF7, 9),
        ("openjpeg-16.j2k", 0x51, 39),
    ] {
        let mut fixture = fixture(name);
        let place = fixture.stream.windows(2).position(|w| w == [0xFF, marker]).expect("a header");
        for count in [2, 3] {
            fixture.stream[place + behind] = count;
            let found = refusal(&fixture, fixture.shape);
            assert_eq!(found, CodecError::Components { found: count.into() }, "{name}");
        }
    }
}

#[test]
fn a_stream_of_another_kind_is_refused() {
    let picture = fixture("turbo-p1.jpg");
    for (codec, expected) in [
        (Codec::JpegLossless, "a JPEG stream"),
        (Codec::JpegBaseline, "a JPEG stream"),
        (Codec::JpegLs, "a JPEG stream"),
        (Codec::Jpeg2000, "a JPEG 2000 codestream"),
    ] {
        for stream in [&b""[..], b"\x12\x34\x56\x78native", &[0; 200]] {
            let found = decode_frame(codec, stream, &picture.shape);
            assert_eq!(found, Err(CodecError::NotSuch { expected }), "{codec:?}");
        }
    }
    let found = decode_frame(Codec::Rle, b"\x02\x00\x00\x00", &picture.shape);
    assert_eq!(found, Err(CodecError::Truncated));
    let found = decode_frame(Codec::Jpeg2000, &picture.stream, &picture.shape);
    assert_eq!(found, Err(CodecError::NotSuch { expected: "a JPEG 2000 codestream" }));
}

#[test]
fn a_shape_that_no_codec_is_for_is_refused() {
    let fixture = fixture("turbo-p1.jpg");
    for shape in [
        FrameShape { rows: 0, ..fixture.shape },
        FrameShape { columns: 0, ..fixture.shape },
        FrameShape { bits_allocated: 32, ..fixture.shape },
        FrameShape { bits_allocated: 12, bits_stored: 12, ..fixture.shape },
        FrameShape { bits_stored: 0, ..fixture.shape },
        FrameShape { bits_stored: 17, ..fixture.shape },
        FrameShape { bits_allocated: 8, ..fixture.shape },
    ] {
        let found = refusal(&fixture, shape);
        assert!(matches!(found, CodecError::Shape { .. }), "{shape:?}: {found}");
    }
}

#[test]
fn every_transfer_syntax_has_its_codec() {
    // DICOM PS3.6 table A-1.
    for (uid, codec) in [
        ("1.2.840.10008.1.2.4.50", Some(Codec::JpegBaseline)),
        ("1.2.840.10008.1.2.4.57", Some(Codec::JpegLossless)),
        ("1.2.840.10008.1.2.4.70", Some(Codec::JpegLossless)),
        ("1.2.840.10008.1.2.4.80", Some(Codec::JpegLs)),
        ("1.2.840.10008.1.2.4.81", Some(Codec::JpegLs)),
        ("1.2.840.10008.1.2.4.90", Some(Codec::Jpeg2000)),
        ("1.2.840.10008.1.2.4.91", Some(Codec::Jpeg2000)),
        ("1.2.840.10008.1.2.4.201", Some(Codec::Jpeg2000)),
        ("1.2.840.10008.1.2.4.202", Some(Codec::Jpeg2000)),
        ("1.2.840.10008.1.2.4.203", Some(Codec::Jpeg2000)),
        ("1.2.840.10008.1.2.5", Some(Codec::Rle)),
        ("1.2.840.10008.1.2.1", None),
        ("1.2.840.10008.1.2.4.51", None),
        ("1.2.840.10008.1.2.4.7", None),
        ("", None),
    ] {
        assert_eq!(Codec::of_transfer_syntax(uid), codec, "{uid}");
    }
}
