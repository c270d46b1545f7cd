//! JPEG with a cosine transform: streams that end early, and what is decoded or refused.
//! Outside: streams of libjpeg-turbo, and `jpeg-decoder` as another decoder.

mod common;

use common::{Fixture, fixture};
use jawgauge_codec::{Codec, CodecError, FrameShape, decode_frame};

fn error(fixture: &Fixture, stream: &[u8]) -> CodecError {
    decode_frame(Codec::JpegBaseline, stream, &fixture.shape).expect_err("refused")
}

fn place(stream: &[u8], marker: u8) -> usize {
    stream.windows(2).position(|w| w == [0xFF, marker]).expect("the marker")
}

/// Where the bits begin.
fn bits(stream: &[u8]) -> usize {
    place(stream, 0xDA) + 10
}

const STREAMS: [&str; 3] = ["baseline.jpg", "baseline-restart.jpg", "extended.jpg"];

#[test]
fn another_decoder_agrees() {
    for name in STREAMS {
        let fixture = fixture(name);
        let ours =
            decode_frame(Codec::JpegBaseline, &fixture.stream, &fixture.shape).expect("decoded");
        let theirs =
            jpeg_decoder::Decoder::new(fixture.stream.as_slice()).decode().expect("decoded");
        assert_eq!(ours.samples.len(), theirs.len());
        let off = ours.samples.iter().zip(&theirs).map(|(a, b)| a.abs_diff((*b).into())).max();
        // Inverse transforms may round as they like (ITU-T T.83).
        assert!(off <= Some(1), "{name} is off by {off:?}");
    }
}

#[test]
fn a_stream_cut_or_ended_anywhere_is_an_error() {
    for name in STREAMS {
        let fixture = fixture(name);
        for length in 0..fixture.stream.len() {
            let cut = &fixture.stream[..length];
            let found = decode_frame(Codec::JpegBaseline, cut, &fixture.shape);
            assert!(found.is_err(), "{length} bytes of {name} decode");
            if length >= bits(&fixture.stream) && length < fixture.stream.len() - 2 {
                let early = [cut, &[0xFF, 0xD9]].concat();
                let found = decode_frame(Codec::JpegBaseline, &early, &fixture.shape);
                assert!(found.is_err(), "{name} decodes with an end at {length}");
            }
        }
        let half = (bits(&fixture.stream) + fixture.stream.len()) / 2;
        let early = [&fixture.stream[..half], &[0xFF, 0xD9]].concat();
        assert!(matches!(error(&fixture, &early), CodecError::Truncated | CodecError::Damaged(_)));
    }
}

#[test]
fn bits_behind_the_last_block_are_an_error() {
    for name in STREAMS {
        let fixture = fixture(name);
        let end = fixture.stream.len() - 2;
        let surplus = [&fixture.stream[..end], &[0x55, 0x55, 0xFF, 0xD9]].concat();
        let expected = CodecError::Damaged("it holds more than the samples of the frame");
        assert_eq!(error(&fixture, &surplus), expected);
    }
}

#[test]
fn a_restart_marker_missing_or_out_of_turn_is_an_error() {
    let fixture = fixture("baseline-restart.jpg");
    let marker = place(&fixture.stream, 0xD1);
    let mut changed = fixture.stream.clone();
    changed[marker + 1] = 0xD2;
    let out_of_turn = CodecError::Damaged("a restart marker is missing or out of turn");
    assert_eq!(error(&fixture, &changed), out_of_turn);
    let mut changed = fixture.stream.clone();
    changed.drain(marker..marker + 2);
    assert!(matches!(error(&fixture, &changed), CodecError::Damaged(_) | CodecError::Truncated));
}

#[test]
fn sampling_factors_of_a_single_component_change_nothing() {
    // ITU-T T.81 section A.2.2: a single component has its blocks one by one.
    let fixture = fixture("baseline.jpg");
    let plain =
        decode_frame(Codec::JpegBaseline, &fixture.stream, &fixture.shape).expect("decoded");
    let factors = place(&fixture.stream, 0xC0) + 11;
    for sampling in [0x22, 0x21, 0x12] {
        let mut changed = fixture.stream.clone();
        changed[factors] = sampling;
        let found = decode_frame(Codec::JpegBaseline, &changed, &fixture.shape).expect("decoded");
        assert_eq!(found, plain, "{sampling:x}");
    }
}

#[test]
fn a_baseline_stream_under_the_name_of_jpeg_lossless_is_decoded_as_lossy() {
    let fixture = fixture("baseline.jpg");
    let found =
        decode_frame(Codec::JpegLossless, &fixture.stream, &fixture.shape).expect("decoded");
    assert!(found.lossy);
    let widened = FrameShape { bits_allocated: 16, ..fixture.shape };
    let wide = decode_frame(Codec::JpegLossless, &fixture.stream, &widened).expect("decoded");
    assert_eq!(wide, found);
    let stored = FrameShape { bits_stored: 12, ..widened };
    let refusal = CodecError::Precision { found: 8, stored: 12, allocated: 16 };
    assert_eq!(decode_frame(Codec::JpegLossless, &fixture.stream, &stored), Err(refusal));
}

#[test]
fn other_lossy_streams_are_refused_by_name() {
    let fixture = fixture("baseline.jpg");
    let signed = FrameShape { signed: true, ..fixture.shape };
    let refusal = CodecError::Unsupported("a lossy JPEG stream that is not 8 bits unsigned");
    assert_eq!(decode_frame(Codec::JpegBaseline, &fixture.stream, &signed), Err(refusal.clone()));
    let frame = place(&fixture.stream, 0xC0);
    let mut changed = fixture.stream.clone();
    changed[frame + 4] = 12;
    let twelve = FrameShape { bits_allocated: 16, bits_stored: 12, ..fixture.shape };
    assert_eq!(decode_frame(Codec::JpegBaseline, &changed, &twelve), Err(refusal));
    for (process, words) in [
        (0xC2, "a progressive JPEG stream"),
        (0xC9, "a JPEG process that is neither baseline nor lossless"),
        (0xDE, "a hierarchical JPEG stream"),
    ] {
        let mut changed = fixture.stream.clone();
        changed[frame + 1] = process;
        assert_eq!(error(&fixture, &changed), CodecError::Unsupported(words));
    }
}
