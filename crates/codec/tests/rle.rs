//! RLE Lossless (DICOM PS3.5 annex G): round trips, a worked example, and every fault of a stream.

mod common;

use common::rle::{assemble, encode};
use common::{Noise, shape, waves};
use jawgauge_codec::{Codec, CodecError, Decoded, FrameShape, decode_frame};
use proptest::prelude::*;

fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    decode_frame(Codec::Rle, stream, shape)
}

fn bytes(rows: usize, columns: usize) -> FrameShape {
    FrameShape { bits_allocated: 8, ..shape(rows, columns, 8) }
}

/// Two segments of six samples: the high bytes as a run, the low ones as they are.
fn two_segments() -> (FrameShape, [Vec<u8>; 2]) {
    (shape(2, 3, 16), [vec![251, 0x12], vec![5, 1, 2, 3, 4, 5, 6, 0]])
}

const MORE: CodecError = CodecError::Damaged("a segment holds more than the frame has samples");
const OFFSETS: CodecError = CodecError::Damaged("the offsets of its segments make no sense");

#[test]
fn the_worked_example_of_packbits_comes_out() {
    // The example of Apple's technical note on PackBits, which annex G uses; from memory.
    let packed =
        [0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA];
    let mut unpacked =
        vec![0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0x22];
    unpacked.extend([0xAA; 10]);
    let decoded = decode(&assemble(&[packed.to_vec()]), &bytes(4, 6)).expect("decoded");
    assert_eq!(decoded.samples, unpacked);
    assert!(!decoded.lossy);
}

#[test]
fn the_first_segment_holds_the_high_bytes() {
    let (shape, segments) = two_segments();
    let decoded = decode(&assemble(&segments), &shape).expect("decoded");
    assert_eq!(decoded.samples, [0x1201, 0x1202, 0x1203, 0x1204, 0x1205, 0x1206]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn every_picture_comes_back(
        rows in 1_usize..30,
        columns in 1_usize..300,
        flat in 1_usize..200,
        seed: u64,
        wide: bool,
    ) {
        // Stretches of equal samples, up to `flat` long.
        let (mut noise, mut samples) = (Noise(seed), Vec::new());
        let most = if wide { 65_536 } else { 256 };
        while samples.len() < rows * columns {
            let sample = u16::try_from(noise.below(most)).expect("a sample");
            samples.extend(std::iter::repeat_n(sample, 1 + noise.below(flat)));
        }
        samples.truncate(rows * columns);
        let shape = if wide { shape(rows, columns, 16) } else { bytes(rows, columns) };
        let stream = encode(&samples, columns, if wide { 2 } else { 1 });
        prop_assert_eq!(decode(&stream, &shape).expect("decoded").samples, samples);
    }
}

#[test]
fn bytes_that_stand_for_nothing_are_stepped_over() {
    let (shape, [high, _]) = two_segments();
    let low = vec![128, 1, 1, 2, 128, 128, 3, 3, 4, 5, 6, 128, 128, 0];
    let decoded = decode(&assemble(&[high, low]), &shape).expect("decoded");
    assert_eq!(decoded.samples[5], 0x1206);
}

#[test]
fn a_stream_cut_anywhere_is_an_error() {
    let samples = waves(9, 7, 16, 3);
    let stream = encode(&samples, 7, 2);
    // The last byte may be padding.
    for length in 0..stream.len() - 1 {
        let found = decode(&stream[..length], &shape(9, 7, 16));
        assert!(found.is_err(), "{length} of {} bytes decode", stream.len());
    }
}

#[test]
fn a_segment_that_ends_inside_a_run_is_an_error() {
    let (shape, [high, _]) = two_segments();
    for low in [vec![5, 1, 2, 3], vec![251], vec![1, 1, 2, 128], vec![]] {
        let found = decode(&assemble(&[high.clone(), low]), &shape).expect_err("refused");
        assert_eq!(found, CodecError::Truncated);
    }
}

#[test]
fn a_segment_with_more_samples_than_the_frame_is_an_error() {
    let (shape, [high, low]) = two_segments();
    for longer in [
        vec![250, 0x12],
        vec![251, 0x12, 255, 0x12],
        vec![251, 0x12, 0, 0],
        vec![6, 1, 2, 3, 4, 5, 6, 7],
    ] {
        let found = decode(&assemble(&[longer, low.clone()]), &shape).expect_err("refused");
        assert_eq!(found, MORE);
    }
    let found =
        decode(&assemble(&[high, [low, vec![0, 0]].concat()]), &shape).expect_err("refused");
    assert_eq!(found, MORE);
}

#[test]
fn a_forged_number_of_segments_is_refused() {
    let (shape, segments) = two_segments();
    for forged in [0, 1, 3, 15, 16, 4_000_000_000_u32] {
        let mut stream = assemble(&segments);
        stream[..4].copy_from_slice(&forged.to_le_bytes());
        let found = decode(&stream, &shape).expect_err("refused");
        assert_eq!(found, CodecError::Segments { found: forged, expected: 2 });
        assert!(found.to_string().contains(&forged.to_string()), "{found}");
    }
}

#[test]
fn forged_offsets_are_refused() {
    let (shape, segments) = two_segments();
    for (first, second) in [(0, 66), (63, 66), (66, 66), (66, 64), (64, 64), (64, 0), (64, 4)] {
        let mut stream = assemble(&segments);
        stream[4..8].copy_from_slice(&u32::to_le_bytes(first));
        stream[8..12].copy_from_slice(&u32::to_le_bytes(second));
        assert_eq!(decode(&stream, &shape).expect_err("refused"), OFFSETS, "{first}, {second}");
    }
    for second in [75, 1 << 20, u32::MAX] {
        let mut stream = assemble(&segments);
        stream[8..12].copy_from_slice(&second.to_le_bytes());
        assert_eq!(decode(&stream, &shape).expect_err("refused"), CodecError::Truncated);
    }
}
