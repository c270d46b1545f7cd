//! JPEG Lossless (ITU-T T.81 annex H): pictures that come back as they went in, and every fault of
//! a stream. Outside decoders and encoders: `jpeg-decoder` where it is right, and libjpeg-turbo and
//! liblj92 in `outside.rs`.

mod common;

use common::lossless::{Options, encode};
use common::{Noise, fixture, shape, waves};
use jawgauge_codec::{Codec, CodecError, Decoded, FrameShape, decode_frame};
use proptest::prelude::*;

const ROWS: usize = 9;
const COLUMNS: usize = 7;

fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    decode_frame(Codec::JpegLossless, stream, shape)
}

/// A small picture of 16 bits, its shape, and its stream.
fn small(options: &Options) -> (Vec<u16>, FrameShape, Vec<u8>) {
    let samples = waves(ROWS, COLUMNS, options.precision, 5);
    let stream = encode(&samples, COLUMNS, options);
    (samples, shape(ROWS, COLUMNS, options.precision), stream)
}

fn restarted() -> (Vec<u16>, FrameShape, Vec<u8>) {
    small(&Options { restart_rows: 1, ..Options::default() })
}

/// Where a marker begins.
fn place(stream: &[u8], marker: u8) -> usize {
    stream.windows(2).position(|w| w == [0xFF, marker]).expect("the marker")
}

/// Where the bits begin.
fn bits(stream: &[u8]) -> usize {
    place(stream, 0xDA) + 10
}

fn error(stream: &[u8]) -> CodecError {
    decode(stream, &shape(ROWS, COLUMNS, 16)).expect_err("refused")
}

/// Samples at random, at the ends of the range, or all the same.
fn samples(kind: u8, seed: u64, count: usize, precision: u8) -> Vec<u16> {
    let mut noise = Noise(seed);
    let most = u16::MAX >> (16 - precision);
    let one = u16::try_from(noise.below(usize::from(most) + 1)).expect("a sample");
    let sample = |_| match kind {
        0 => u16::try_from(noise.below(usize::from(most) + 1)).expect("a sample"),
        1 => [0, most, most / 2, most / 2 + 1][noise.below(4)],
        _ => one,
    };
    (0..count).map(sample).collect()
}

fn options() -> impl Strategy<Value = (Options, usize)> {
    let ranking = Just(Options::default().ranking).prop_shuffle();
    (2_u8..=16, 1_u8..=7, 0_u8..16, 1_usize..20, 0_usize..20, 0_usize..3, ranking, any::<bool>())
        .prop_map(|(precision, predictor, low, rows, restart, fill, ranking, more_tables)| {
            let point_transform = low % precision;
            let restart_rows = restart % (rows + 1);
            let options = Options {
                precision,
                predictor,
                point_transform,
                restart_rows,
                fill,
                ranking,
                more_tables,
            };
            (options, rows)
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn every_picture_comes_back(
        (options, rows) in options(),
        columns in 1_usize..40,
        kind in 0_u8..3,
        seed: u64,
    ) {
        let samples = samples(kind, seed, rows * columns, options.precision);
        let stream = encode(&samples, columns, &options);
        let decoded = decode(&stream, &shape(rows, columns, options.precision)).expect("decoded");
        let low = options.point_transform;
        let kept: Vec<u16> = samples.iter().map(|s| s >> low << low).collect();
        prop_assert_eq!(decoded.samples, kept);
        prop_assert_eq!(decoded.lossy, low > 0);
    }

    /// `jpeg-decoder` 0.3 is right without restart intervals and point transform.
    #[test]
    fn another_decoder_agrees_where_it_is_right(
        precision in prop::sample::select(vec![8_u8, 12, 16]),
        predictor in 1_u8..=7,
        rows in 1_usize..20,
        columns in 1_usize..40,
        seed: u64,
    ) {
        let samples = waves(rows, columns, precision, seed);
        let options = Options { precision, predictor, ..Options::default() };
        let stream = encode(&samples, columns, &options);
        let theirs = jpeg_decoder::Decoder::new(stream.as_slice()).decode().expect("decoded");
        let theirs: Vec<u16> = if precision > 8 {
            theirs.as_chunks::<2>().0.iter().map(|b| u16::from_ne_bytes(*b)).collect()
        } else {
            theirs.into_iter().map(u16::from).collect()
        };
        let ours = decode(&stream, &shape(rows, columns, precision)).expect("decoded");
        prop_assert_eq!(ours.samples, theirs);
    }
}

#[test]
fn another_decoder_agrees_on_outside_streams_without_restart_intervals() {
    let mut compared = 0;
    for predictor in 1..=7 {
        let fixture = fixture(&format!("turbo-p{predictor}.jpg"));
        let theirs =
            jpeg_decoder::Decoder::new(fixture.stream.as_slice()).decode().expect("decoded");
        let ours = decode(&fixture.stream, &fixture.shape).expect("decoded");
        let ours: Vec<u8> = ours.samples.iter().flat_map(|s| s.to_ne_bytes()).collect();
        assert_eq!(ours, theirs, "predictor {predictor}");
        compared += 1;
    }
    assert_eq!(compared, 7);
}

#[test]
fn a_large_frame_with_ff_bytes_and_restart_markers_comes_back() {
    let samples = waves(300, 400, 16, 2);
    let options = Options { predictor: 4, restart_rows: 32, ..Options::default() };
    let stream = encode(&samples, 400, &options);
    assert!(stream.windows(2).filter(|w| w == &[0xFF, 0]).count() > 100, "stuffed zeros");
    assert_eq!(decode(&stream, &shape(300, 400, 16)).expect("decoded").samples, samples);
}

#[test]
fn a_stream_of_8_bits_under_16_allocated_is_widened() {
    let samples = waves(ROWS, COLUMNS, 8, 5);
    let stream = encode(&samples, COLUMNS, &Options { precision: 8, ..Options::default() });
    assert_eq!(decode(&stream, &shape(ROWS, COLUMNS, 8)).expect("decoded").samples, samples);
}

#[test]
fn a_stream_cut_anywhere_is_an_error() {
    for (_, shape, stream) in [small(&Options::default()), restarted()] {
        for length in 0..stream.len() {
            let found = decode(&stream[..length], &shape);
            assert!(found.is_err(), "{length} of {} bytes decode", stream.len());
        }
    }
}

#[test]
fn an_end_marker_before_the_last_sample_is_an_error() {
    for (_, shape, stream) in [small(&Options::default()), restarted()] {
        for place in bits(&stream)..stream.len() - 2 {
            let early = [&stream[..place], &[0xFF, 0xD9]].concat();
            let found = decode(&early, &shape);
            assert!(found.is_err(), "an end at {place} of {} decodes", stream.len());
        }
    }
    let (_, _, stream) = small(&Options::default());
    let half = (bits(&stream) + stream.len()) / 2;
    assert_eq!(error(&[&stream[..half], &[0xFF, 0xD9]].concat()), CodecError::Truncated);
}

#[test]
fn a_missing_end_marker_is_an_error() {
    let (_, _, stream) = small(&Options::default());
    assert_eq!(error(&stream[..stream.len() - 2]), CodecError::Truncated);
}

#[test]
fn zeros_behind_the_end_marker_are_padding_and_other_bytes_an_error() {
    let (samples, shape, mut stream) = small(&Options::default());
    stream.push(0);
    assert_eq!(decode(&stream, &shape).expect("decoded").samples, samples);
    stream.push(7);
    assert_eq!(error(&stream), CodecError::Damaged("bytes stand behind the end of its image"));
}

#[test]
fn a_second_picture_behind_the_end_marker_is_an_error() {
    let (_, _, stream) = small(&Options::default());
    let twice = [stream.clone(), stream].concat();
    assert_eq!(error(&twice), CodecError::Damaged("bytes stand behind the end of its image"));
}

#[test]
fn bits_behind_the_last_sample_are_an_error() {
    let (_, _, mut stream) = small(&Options::default());
    let end = stream.len() - 2;
    stream.splice(end..end, [0x55, 0x55]);
    let surplus = CodecError::Damaged("it holds more than the samples of the frame");
    assert_eq!(error(&stream), surplus);
    let (_, _, mut stream) = restarted();
    let marker = place(&stream, 0xD0);
    stream.splice(marker..marker, [0x55, 0x55]);
    assert_eq!(error(&stream), surplus);
}

#[test]
fn bits_missing_before_a_restart_marker_are_an_error() {
    let (_, _, mut stream) = restarted();
    let marker = place(&stream, 0xD3);
    stream.drain(marker - 2..marker);
    assert_eq!(error(&stream), CodecError::Truncated);
}

#[test]
fn a_restart_marker_out_of_turn_is_an_error() {
    let (_, _, mut stream) = restarted();
    let marker = place(&stream, 0xD3);
    stream[marker + 1] = 0xD4;
    let out_of_turn = CodecError::Damaged("a restart marker is missing or out of turn");
    assert_eq!(error(&stream), out_of_turn);
}

#[test]
fn a_missing_restart_marker_is_an_error() {
    let (_, _, mut stream) = restarted();
    let marker = place(&stream, 0xD3);
    stream.drain(marker..marker + 2);
    assert!(matches!(error(&stream), CodecError::Damaged(_)), "{:?}", error(&stream));
}

#[test]
fn a_missing_restart_interval_is_an_error() {
    let (_, _, mut stream) = restarted();
    let (from, to) = (place(&stream, 0xD3), place(&stream, 0xD4));
    stream.drain(from..to);
    let out_of_turn = CodecError::Damaged("a restart marker is missing or out of turn");
    assert_eq!(error(&stream), out_of_turn);
}

#[test]
fn a_restart_marker_without_an_interval_is_an_error() {
    let (_, _, stream) = restarted();
    let place = place(&stream, 0xDD);
    let without = [&stream[..place], &stream[place + 6..]].concat();
    assert!(matches!(error(&without), CodecError::Truncated | CodecError::Damaged(_)));
    let (_, _, mut plain) = small(&Options::default());
    let end = plain.len() - 2;
    plain.splice(end..end, [0xFF, 0xD0]);
    let stray = CodecError::Damaged("a restart marker stands where none should");
    assert_eq!(error(&plain), stray);
}

#[test]
fn a_restart_interval_of_part_of_a_row_is_refused() {
    let (_, _, mut stream) = restarted();
    let place = place(&stream, 0xDD);
    stream[place + 5] = 5;
    let refusal = CodecError::Unsupported("a restart interval that is no whole number of rows");
    assert_eq!(error(&stream), refusal);
}

#[test]
fn a_stream_without_a_predictor_or_with_an_unknown_one_is_refused() {
    let (_, _, mut stream) = small(&Options::default());
    let predictor = bits(&stream) - 3;
    stream[predictor] = 0;
    assert_eq!(error(&stream), CodecError::Unsupported("JPEG Lossless without a predictor"));
    stream[predictor] = 8;
    assert_eq!(error(&stream), CodecError::Damaged("it has no such predictor"));
}

#[test]
fn a_point_transform_of_all_bits_is_refused() {
    let samples = waves(ROWS, COLUMNS, 8, 5);
    let mut stream = encode(&samples, COLUMNS, &Options { precision: 8, ..Options::default() });
    let low = bits(&stream) - 1;
    stream[low] = 8;
    let found = decode(&stream, &shape(ROWS, COLUMNS, 8)).expect_err("refused");
    assert_eq!(found, CodecError::Damaged("its point transform leaves no bits"));
}

#[test]
fn a_missing_huffman_table_is_an_error() {
    let (_, _, mut stream) = small(&Options::default());
    let tables = bits(&stream) - 4;
    stream[tables] = 0x30;
    assert_eq!(error(&stream), CodecError::Damaged("a Huffman table is missing"));
    stream[tables] = 0x50;
    assert_eq!(error(&stream), CodecError::Damaged("a Huffman table is missing"));
}

#[test]
fn a_huffman_table_of_no_differences_is_an_error() {
    let (_, _, mut stream) = small(&Options::default());
    let symbols = place(&stream, 0xC4) + 5 + 16;
    stream[symbols] = 17;
    assert_eq!(error(&stream), CodecError::Damaged("a Huffman table makes no sense"));
}

#[test]
fn a_code_in_no_table_is_an_error() {
    let (_, _, mut stream) = small(&Options::default());
    // The code of all ones is free.
    let start = bits(&stream);
    stream.splice(start..start, [0xFF, 0x00, 0xFF, 0x00, 0xFF, 0x00]);
    assert_eq!(error(&stream), CodecError::Damaged("a code is in no Huffman table"));
}

#[test]
fn a_sample_beyond_its_precision_is_an_error() {
    let samples = [[4000; COLUMNS], [5000; COLUMNS]].concat();
    let mut stream = encode(&samples, COLUMNS, &Options::default());
    let precision = place(&stream, 0xC3) + 4;
    stream[precision] = 12;
    let found = decode(&stream, &shape(2, COLUMNS, 12)).expect_err("refused");
    assert_eq!(found, CodecError::Damaged("a sample is out of the range of its precision"));
}

#[test]
fn lines_counted_later_are_refused() {
    let (_, _, mut stream) = small(&Options::default());
    let rows = place(&stream, 0xC3) + 5;
    stream[rows + 1] = 0;
    let refusal = CodecError::Unsupported("a number of lines that comes later (DNL)");
    assert_eq!(error(&stream), refusal);
}

#[test]
fn a_second_frame_or_scan_is_refused() {
    let (_, _, stream) = small(&Options::default());
    let frame = place(&stream, 0xC3);
    let twice = [&stream[..frame], &stream[frame..frame + 13], &stream[frame..]].concat();
    assert_eq!(error(&twice), CodecError::Unsupported("several frames in one stream"));
    let scan = place(&stream, 0xDA);
    let twice = [&stream[..stream.len() - 2], &stream[scan..]].concat();
    assert_eq!(error(&twice), CodecError::Unsupported("several scans in one stream"));
}

#[test]
fn a_scan_of_several_components_is_refused() {
    let (_, _, mut stream) = small(&Options::default());
    let count = place(&stream, 0xDA) + 4;
    stream[count] = 2;
    assert_eq!(error(&stream), CodecError::Unsupported("a scan of several components"));
}
