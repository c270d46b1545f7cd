//! JPEG 2000 and High-Throughput JPEG 2000: signedness, tiles, and every fault of a codestream.
//! Streams of outside encoders, OpenJPEG, OpenJPH and FFmpeg.

mod common;

use common::{Fixture, fixture, fixtures, shape, tiled};
use jawgauge_codec::{Codec, CodecError, FrameShape, decode_frame};

fn streams() -> Vec<Fixture> {
    let found: Vec<_> = fixtures().into_iter().filter(|f| f.codec == Codec::Jpeg2000).collect();
    assert!(found.len() > 15, "{} fixtures", found.len());
    found
}

fn error(fixture: &Fixture, stream: &[u8]) -> CodecError {
    decode_frame(Codec::Jpeg2000, stream, &fixture.shape).expect_err("refused")
}

fn place(stream: &[u8], marker: u8) -> usize {
    stream.windows(2).position(|w| w == [0xFF, marker]).expect("the marker")
}

fn put_long(stream: &mut [u8], at: usize, number: u32) {
    stream[at..at + 4].copy_from_slice(&number.to_be_bytes());
}

/// The tiles that the square fixtures are repeated to, across and down.
const ACROSS: usize = 3;

/// The fixture as larger square, and its samples.
fn larger(name: &str) -> (FrameShape, Vec<u8>, Vec<u16>) {
    let one = fixture(name);
    let side = usize::from(one.shape.columns);
    let row = |j: usize| one.samples[(j % side) * side..][..side].repeat(ACROSS);
    let samples = (0..ACROSS * side).flat_map(row).collect();
    let shape = shape(ACROSS * side, ACROSS * side, 12);
    (shape, tiled(&one.stream, ACROSS), samples)
}

#[test]
fn tiles_come_out_in_their_place() {
    for name in ["openjpeg-square.j2k", "openjph-square.j2c"] {
        let (shape, stream, samples) = larger(name);
        let found = decode_frame(Codec::Jpeg2000, &stream, &shape).expect("decoded");
        assert_eq!(found.samples, samples, "{name}");
    }
}

#[test]
fn an_unsigned_stream_of_a_signed_image_is_taken_bit_for_bit() {
    for (name, bits_stored) in
        [("openjpeg-16.j2k", 16), ("openjpeg-12.j2k", 12), ("openjph-16.j2c", 16)]
    {
        let fixture = fixture(name);
        let signed = FrameShape { signed: true, bits_stored, ..fixture.shape };
        let found = decode_frame(Codec::Jpeg2000, &fixture.stream, &signed).expect("decoded");
        assert_eq!(found.samples, fixture.samples, "{name}");
    }
}

#[test]
fn an_unsigned_stream_with_more_bits_than_a_signed_image_stores_is_refused() {
    let fixture = fixture("openjpeg-16.j2k");
    let signed = FrameShape { signed: true, bits_stored: 12, ..fixture.shape };
    let found = decode_frame(Codec::Jpeg2000, &fixture.stream, &signed).expect_err("refused");
    assert_eq!(found, CodecError::Signed { stream: false });
    assert_eq!(found.to_string(), "the stream is unsigned, (0028,0103) PixelRepresentation is 1");
}

#[test]
fn an_unsigned_lossy_stream_of_a_signed_image_is_refused() {
    for name in ["openjpeg-irreversible.j2k", "openjph-irreversible.j2c"] {
        let fixture = fixture(name);
        let signed = FrameShape { signed: true, ..fixture.shape };
        let found = decode_frame(Codec::Jpeg2000, &fixture.stream, &signed);
        assert_eq!(found, Err(CodecError::Signed { stream: false }), "{name}");
    }
}

#[test]
fn a_signed_stream_of_an_unsigned_image_is_refused() {
    for name in ["openjpeg-signed16.j2k", "openjph-signed16.j2c"] {
        let fixture = fixture(name);
        let unsigned = FrameShape { signed: false, ..fixture.shape };
        let found = decode_frame(Codec::Jpeg2000, &fixture.stream, &unsigned).expect_err("refused");
        assert_eq!(found, CodecError::Signed { stream: true });
        assert_eq!(found.to_string(), "the stream is signed, (0028,0103) PixelRepresentation is 0");
    }
}

#[test]
fn a_signed_stream_with_more_bits_than_stored_keeps_its_low_bits() {
    let fixture = fixture("openjpeg-signed12.j2k");
    let stored = FrameShape { bits_stored: 11, ..fixture.shape };
    let found = decode_frame(Codec::Jpeg2000, &fixture.stream, &stored).expect("decoded");
    assert_eq!(found.samples, fixture.samples);
}

#[test]
fn a_stream_cut_anywhere_is_an_error() {
    for fixture in streams() {
        for length in 0..fixture.stream.len() {
            let cut = &fixture.stream[..length];
            let found = decode_frame(Codec::Jpeg2000, cut, &fixture.shape);
            assert!(found.is_err(), "{length} bytes of {} decode", fixture.name);
        }
    }
}

#[test]
fn an_end_marker_before_the_end_is_an_error() {
    for fixture in streams() {
        for length in place(&fixture.stream, 0x93) + 2..fixture.stream.len() - 2 {
            let early = [&fixture.stream[..length], &[0xFF, 0xD9]].concat();
            let found = decode_frame(Codec::Jpeg2000, &early, &fixture.shape);
            assert!(found.is_err(), "{} decodes with an end at {length}", fixture.name);
        }
    }
}

/// However many bytes are missing at the end of a tile, its length put right.
#[test]
fn a_tile_that_ends_early_is_an_error_even_where_its_length_says_so() {
    let mut tried = 0;
    for fixture in streams() {
        let sot = fixture.stream.windows(2).rposition(|w| w == [0xFF, 0x90]).expect("a tile");
        let start = sot + place(&fixture.stream[sot..], 0x93) + 2;
        let length = fixture.stream.len() - 2 - sot;
        for missing in 1..(fixture.stream.len() - 2 - start) {
            let mut shorter = fixture.stream[..sot + length - missing].to_vec();
            put_long(&mut shorter, sot + 6, u32::try_from(length - missing).expect("a length"));
            shorter.extend([0xFF, 0xD9]);
            let found = decode_frame(Codec::Jpeg2000, &shorter, &fixture.shape);
            assert!(found.is_err(), "{} decodes without {missing} bytes", fixture.name);
            // The same without a length: up to the end marker.
            put_long(&mut shorter, sot + 6, 0);
            let found = decode_frame(Codec::Jpeg2000, &shorter, &fixture.shape);
            assert!(found.is_err(), "{} decodes without {missing} bytes", fixture.name);
            tried += 1;
        }
    }
    assert!(tried > 10_000, "{tried} streams");
}

#[test]
fn a_tile_without_a_length_goes_on_up_to_the_end_marker() {
    for name in ["openjpeg-16.j2k", "openjph-16.j2c"] {
        let fixture = fixture(name);
        let mut stream = fixture.stream.clone();
        let sot = stream.windows(2).rposition(|w| w == [0xFF, 0x90]).expect("a tile");
        put_long(&mut stream, sot + 6, 0);
        let found = decode_frame(Codec::Jpeg2000, &stream, &fixture.shape).expect("decoded");
        assert_eq!(found.samples, fixture.samples, "{name}");
    }
}

/// Rows 13 to 15 of the reference grid: halved twice, none of them is left (ITU-T T.800 section B.5).
#[test]
fn a_picture_too_narrow_for_its_lowest_resolutions_is_decoded() {
    let fixture = fixture("openjpeg-square.j2k");
    let sod = place(&fixture.stream, 0x93);
    // SIZ: section A.5.1. No length of the tile.
    let mut head = fixture.stream[..sod + 2].to_vec();
    for (at, number) in [(12, 16), (20, 13), (28, 16), (place(&head, 0x90) + 6, 0)] {
        put_long(&mut head, at, number);
    }
    // Three levels, and an empty packet (section B.10.3) for each of the two resolutions that are
    // left: all coefficients are 0, which is the middle of the range.
    assert_eq!(head[place(&head, 0x52) + 9], 3);
    let with = |packets: usize| [&head[..], &vec![0; packets], &[0xFF, 0xD9]].concat();
    let shape = FrameShape { rows: 3, ..fixture.shape };
    let found = decode_frame(Codec::Jpeg2000, &with(2), &shape).expect("decoded");
    assert_eq!(found.samples, vec![1 << 11; shape.samples()]);
    for fewer in [0, 1] {
        let found = decode_frame(Codec::Jpeg2000, &with(fewer), &shape);
        assert!(found.is_err(), "{fewer} packets of two decode");
    }
}

#[test]
fn a_missing_or_repeated_tile_is_an_error() {
    let (shape, stream, _) = larger("openjpeg-square.j2k");
    let first = place(&stream, 0x90);
    let length = (stream.len() - 2 - first) / (ACROSS * ACROSS);
    let part = |n: usize| first + n * length..first + (n + 1) * length;
    for tile in 0..ACROSS * ACROSS {
        let mut without = stream.clone();
        without.drain(part(tile));
        let found = decode_frame(Codec::Jpeg2000, &without, &shape);
        assert_eq!(found, Err(CodecError::Truncated), "without tile {tile}");
    }
    let mut twice = stream.clone();
    twice.splice(part(0).end..part(0).end, stream[part(0)].iter().copied());
    let out_of_turn = CodecError::Damaged("a part of a tile is missing or out of turn");
    assert_eq!(decode_frame(Codec::Jpeg2000, &twice, &shape), Err(out_of_turn));
    let none = [&stream[..first], &[0xFF, 0xD9]].concat();
    assert_eq!(decode_frame(Codec::Jpeg2000, &none, &shape), Err(CodecError::Truncated));
}

#[test]
fn bytes_behind_the_end_marker_are_an_error() {
    let fixture = fixture("openjpeg-16.j2k");
    let behind = [&fixture.stream[..], &[7, 0xFF, 0xD9]].concat();
    let expected = CodecError::Damaged("bytes stand behind the end of its image");
    assert_eq!(error(&fixture, &behind), expected);
}

#[test]
fn a_coding_style_of_a_tile_or_component_counts_too() {
    // An irreversible style that a reversible one of the component takes the place of, and the
    // reverse: something may be lost.
    let fixture = fixture("openjpeg-16.j2k");
    let cod = place(&fixture.stream, 0x52);
    let length = usize::from(fixture.stream[cod + 3]);
    let style = &fixture.stream[cod + 9..cod + 2 + length];
    let coc = |style: &[u8]| {
        let length = u8::try_from(4 + style.len()).expect("a length");
        [&[0xFF, 0x53, 0, length, 0, 0][..], style].concat()
    };
    let mut stream = fixture.stream.clone();
    stream.splice(cod + 2 + length..cod + 2 + length, coc(style));
    let found = decode_frame(Codec::Jpeg2000, &stream, &fixture.shape).expect("decoded");
    assert_eq!((found.samples.as_slice(), found.lossy), (&fixture.samples[..], false));
    let last = cod + 2 + length - 1;
    assert_eq!(stream[last], 1, "reversible");
    stream[last] = 0;
    let found = decode_frame(Codec::Jpeg2000, &stream, &fixture.shape).expect("decoded");
    assert_eq!((found.samples.as_slice(), found.lossy), (&fixture.samples[..], true));
}

#[test]
fn a_codestream_that_asks_for_too_many_parts_is_refused() {
    let fixture = fixture("openjpeg-16.j2k");
    let cod = place(&fixture.stream, 0x52);
    let parts = CodecError::Damaged("it has more parts than its size allows");
    // Tiles of one sample in 4096 x 4096 (SIZ: T.800 section A.5.1).
    let mut stream = fixture.stream.clone();
    for (at, number) in [(8, 4096), (12, 4096), (24, 1), (28, 1)] {
        put_long(&mut stream, at, number);
    }
    let shape = FrameShape { rows: 4096, columns: 4096, ..fixture.shape };
    assert_eq!(decode_frame(Codec::Jpeg2000, &stream, &shape), Err(parts.clone()));
    // 65535 layers of precincts of one sample in 1024 x 1024 (COD: section A.6.1).
    let levels = fixture.stream[cod + 9];
    let sized = |layers: u16, precinct: u8, block: u8| {
        let mut stream = fixture.stream.clone();
        for (at, number) in [(8, 1024), (12, 1024), (24, 1024), (28, 1024)] {
            put_long(&mut stream, at, number);
        }
        let end = cod + 2 + usize::from(stream[cod + 3]);
        stream.splice(end..end, vec![precinct; usize::from(levels) + 1]);
        stream[cod + 3] += levels + 1;
        stream[cod + 4] |= 1;
        stream[cod + 6..cod + 8].copy_from_slice(&layers.to_be_bytes());
        (stream[cod + 10], stream[cod + 11]) = (block, block);
        stream
    };
    let shape = FrameShape { rows: 1024, columns: 1024, ..fixture.shape };
    // With 0xF1 precincts, not the style, make the blocks one sample wide (section B.7).
    for stream in [sized(1, 0x11, 4), sized(65_535, 0x66, 4), sized(1, 0xFF, 0), sized(1, 0xF1, 3)]
    {
        assert_eq!(decode_frame(Codec::Jpeg2000, &stream, &shape), Err(parts.clone()));
    }
    // Precincts of one sample have no place in a band of half the size (table A.21).
    let range = CodecError::Damaged("its coding style is out of range");
    for precinct in [0xF0, 0x0F] {
        let found = decode_frame(Codec::Jpeg2000, &sized(1, precinct, 4), &shape);
        assert_eq!(found, Err(range.clone()), "{precinct:x}");
    }
    // As many as an ordinary picture has go on to the decoder.
    assert!(
        !matches!(decode_frame(Codec::Jpeg2000, &sized(1, 0x88, 4), &shape), Err(e) if e == parts)
    );
}

#[test]
fn sizes_that_contradict_each_other_are_refused() {
    let fixture = fixture("openjpeg-16.j2k");
    let expected = CodecError::Damaged("its size and its tiles contradict each other");
    for (at, number) in [(8, 0), (12, 0), (24, 0), (28, 0), (16, 1 << 20), (32, 1), (36, u32::MAX)]
    {
        let mut stream = fixture.stream.clone();
        put_long(&mut stream, at, number);
        assert_eq!(error(&fixture, &stream), expected, "{number} at {at}");
    }
    for at in [43, 44] {
        let mut stream = fixture.stream.clone();
        stream[at] = 2;
        let refusal = CodecError::Unsupported("a JPEG 2000 component of reduced size");
        assert_eq!(error(&fixture, &stream), refusal);
    }
}

#[test]
fn packet_headers_in_one_place_are_refused_and_empty_markers_stepped_over() {
    let fixture = fixture("openjpeg-16.j2k");
    let cod = place(&fixture.stream, 0x52);
    let with = |segment: &[u8]| [&fixture.stream[..cod], segment, &fixture.stream[cod..]].concat();
    // PPM (ITU-T T.800 section A.7.4), and a marker without a segment (section A.1.3).
    let refusal = CodecError::Unsupported("JPEG 2000 with its packet headers in one place");
    assert_eq!(error(&fixture, &with(&[0xFF, 0x60, 0, 3, 0])), refusal);
    let found = decode_frame(Codec::Jpeg2000, &with(&[0xFF, 0x30]), &fixture.shape);
    assert_eq!(found.expect("decoded").samples, fixture.samples);
}
