//! JPEG-LS (ITU-T T.87): padding before the end marker and every fault of a stream. Streams of
//! outside encoders, CharLS and FFmpeg.

mod common;

use common::{Fixture, fixture, fixtures, shape, waves};
use jawgauge_codec::{Codec, CodecError, decode_frame};
use proptest::prelude::*;

fn streams() -> Vec<Fixture> {
    let found: Vec<_> = fixtures().into_iter().filter(|f| f.codec == Codec::JpegLs).collect();
    assert!(found.len() > 5, "{} fixtures", found.len());
    found
}

fn error(fixture: &Fixture, stream: &[u8]) -> CodecError {
    decode_frame(Codec::JpegLs, stream, &fixture.shape).expect_err("refused")
}

fn place(stream: &[u8], marker: u8) -> usize {
    stream.windows(2).position(|w| w == [0xFF, marker]).expect("the marker")
}

#[test]
fn bytes_before_the_end_marker_are_padding() {
    for fixture in streams() {
        let plain = decode_frame(Codec::JpegLs, &fixture.stream, &fixture.shape).expect("decoded");
        let end = fixture.stream.len() - 2;
        for pad in [&[0][..], &[0, 0], &[0xFF], &[0, 0xFF, 0xFF], &[0; 4]] {
            let padded = [&fixture.stream[..end], pad, &[0xFF, 0xD9, 0]].concat();
            let found = decode_frame(Codec::JpegLs, &padded, &fixture.shape)
                .unwrap_or_else(|e| panic!("{} with {pad:?}: {e}", fixture.name));
            assert_eq!(found, plain, "{}", fixture.name);
        }
        let more = [&fixture.stream[..end], &[0; 5], &[0xFF, 0xD9]].concat();
        assert!(decode_frame(Codec::JpegLs, &more, &fixture.shape).is_err(), "{}", fixture.name);
    }
}

#[test]
fn an_end_before_the_last_sample_is_an_error() {
    for fixture in streams() {
        let start = place(&fixture.stream, 0xDA) + 10;
        for place in start..fixture.stream.len() - 2 {
            let early = [&fixture.stream[..place], &[0xFF, 0xD9]].concat();
            let found = decode_frame(Codec::JpegLs, &early, &fixture.shape);
            assert!(found.is_err(), "{}: an end at {place} decodes", fixture.name);
        }
        let half = (start + fixture.stream.len()) / 2;
        let early = [&fixture.stream[..half], &[0xFF, 0xD9]].concat();
        assert_eq!(error(&fixture, &early), CodecError::Truncated, "{}", fixture.name);
    }
}

#[test]
fn bytes_behind_the_last_sample_are_an_error() {
    let fixture = fixture("charls-16.jls");
    let end = fixture.stream.len() - 2;
    let surplus = [&fixture.stream[..end], &[0x55, 0x55], &[0xFF, 0xD9]].concat();
    assert!(matches!(error(&fixture, &surplus), CodecError::Refused { .. }));
    let behind = [&fixture.stream[..], &[7]].concat();
    assert_eq!(error(&fixture, &behind), CodecError::Truncated);
}

#[test]
fn a_mapping_table_point_transform_or_restart_interval_is_refused() {
    let fixture = fixture("charls-16.jls");
    let scan = place(&fixture.stream, 0xDA);
    let mapping = CodecError::Unsupported("a mapping table or point transform of JPEG-LS");
    for (at, value) in [(scan + 6, 1), (scan + 9, 1)] {
        let mut changed = fixture.stream.clone();
        changed[at] = value;
        assert_eq!(error(&fixture, &changed), mapping);
    }
    let mut changed = fixture.stream.clone();
    changed.splice(scan..scan, [0xFF, 0xDD, 0, 4, 0, 37]);
    let restart = CodecError::Unsupported("a restart interval of JPEG-LS");
    assert_eq!(error(&fixture, &changed), restart);
}

#[test]
fn a_stream_of_another_kind_is_refused() {
    let fixture = fixture("charls-16.jls");
    let lossless = common::fixture("turbo-p1.jpg");
    let found = error(&fixture, &lossless.stream);
    assert_eq!(found, CodecError::NotSuch { expected: "a JPEG-LS stream" });
    let found = decode_frame(Codec::JpegLossless, &fixture.stream, &fixture.shape);
    let refusal = CodecError::Unsupported("a JPEG-LS stream under the name of JPEG");
    assert_eq!(found.expect_err("refused"), refusal);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// The encoder is that of the decoder's crate; outside streams are in `outside.rs`.
    #[test]
    fn every_picture_comes_back_within_the_loss_that_was_allowed(
        precision in 2_u8..=16,
        near in prop::sample::select(vec![0_u8, 0, 1, 3, 20]),
        rows in 1_usize..30,
        columns in 1_usize..40,
        seed: u64,
    ) {
        // Half of the highest sample at most (ITU-T T.87 section C.2.3).
        let near = u16::from(near).min((1 << (precision - 1)) - 1);
        let samples = waves(rows, columns, precision, seed);
        let mut options = jpegls::EncodeOptions::default();
        options.precision = Some(precision);
        options.near = u8::try_from(near).expect("a byte");
        let mut stream = Vec::new();
        let [width, height] = [columns, rows].map(|n| u32::try_from(n).expect("a size"));
        jpegls::encode_with_options(&samples, width, height, &options, &mut stream).expect("encoded");
        let found = decode_frame(Codec::JpegLs, &stream, &shape(rows, columns, precision));
        let found = found.expect("decoded");
        prop_assert_eq!(found.lossy, near > 0);
        let off = found.samples.iter().zip(&samples).map(|(a, b)| a.abs_diff(*b)).max();
        prop_assert!(off <= Some(near), "off by {:?}", off);
    }
}
