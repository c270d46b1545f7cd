//! Streams of the built-in encoders: bytes worked by hand, and read back by decoders written
//! here from ITU-T T.81 annexes F and H and DICOM PS3.5 annex G.

use jawgauge_phantom::{JpegLossless, encode_jpeg_lossless, encode_rle};

/// The entropy-coded bytes between the scan header and the end marker.
fn entropy_coded(stream: &[u8]) -> &[u8] {
    let scan = stream.windows(2).position(|w| w == [0xFF, 0xDA]).expect("a scan header");
    &stream[scan + 10..stream.len() - 2]
}

#[test]
fn a_small_frame_has_the_code_words_worked_by_hand() {
    // Differences 7 - 32768, 0, 7 - 7, 9 - 7: categories 15, 0, 0, 2. Code lengths by figure
    // K.1 are 3, 1, 1, 2, so 110, 0, 0, 10; the bits of 7 - 32768 - 1 = -32762 are
    // 000000000000110, those of 2 are 10.
    let stream = encode_jpeg_lossless(&[7, 7, 7, 9], 2, 2, JpegLossless::default());
    let start = [
        0xFF, 0xD8, 0xFF, 0xC3, 0, 11, 16, 0, 2, 0, 2, 1, 1, 0x11, 0, // frame
        0xFF, 0xC4, 0, 22, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2,
        15, // table
        0xFF, 0xDA, 0, 8, 1, 1, 0, 1, 0, 0, // scan
    ];
    assert_eq!(stream[..start.len()], start);
    assert_eq!(entropy_coded(&stream), [0b1100_0000, 0b0000_0001, 0b1000_1010]);
}

#[test]
fn a_difference_of_half_the_range_is_category_16_without_bits() {
    // 0 - 32768: the only code is 0, then ones to the end of the byte.
    let stream = encode_jpeg_lossless(&[0], 1, 1, JpegLossless::default());
    assert_eq!(entropy_coded(&stream), [0b0111_1111]);
    assert_eq!(stream[36], 16, "the value in the table");
}

#[test]
fn a_restart_begins_with_half_the_range_again() {
    let options = JpegLossless::default().with_restart_rows(1);
    let stream = encode_jpeg_lossless(&[32_768, 32_768], 1, 2, options);
    assert_eq!(entropy_coded(&stream), [0x7F, 0xFF, 0xD0, 0x7F]);
    assert!(stream.windows(6).any(|w| w == [0xFF, 0xDD, 0, 4, 0, 1]), "an interval of one row");
}

/// Stored values with jumps of every size, to half the range and more.
fn rough(columns: usize, rows: usize) -> Vec<u16> {
    let mut state = 1_u32;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state >> 16
    };
    (0..columns * rows)
        .map(|at| {
            let value = next() & ((1 << (1 + at % 16)) - 1);
            let half = if next() % 5 == 0 { 0x8000 } else { 0 };
            u16::try_from(value ^ half).expect("sixteen bits")
        })
        .collect()
}

#[test]
fn every_predictor_precision_and_restart_reads_back() {
    let (columns, rows) = (37, 23);
    let samples = rough(37, 23);
    for predictor in 1..=7 {
        for precision in [2, 8, 12, 15, 16] {
            for restart_rows in [0, 1, 5] {
                for point_transform in [0, 1] {
                    let options = JpegLossless::default()
                        .with_predictor(predictor)
                        .with_precision(precision)
                        .with_restart_rows(restart_rows)
                        .with_point_transform(point_transform);
                    let stream = encode_jpeg_lossless(&samples, columns, rows, options);
                    let mask = u16::MAX >> (16 - precision);
                    let kept = |s: &u16| (s & mask) >> point_transform << point_transform;
                    let expected: Vec<u16> = samples.iter().map(kept).collect();
                    assert_eq!(decode_jpeg_lossless(&stream), expected, "{options:?}");
                }
            }
        }
    }
}

#[test]
fn counts_that_ask_for_long_codes_get_sixteen_bits_at_most() {
    // Runs of differences whose counts grow as Fibonacci numbers make the deepest tree.
    let mut samples = vec![32_768_u16];
    let (mut few, mut many) = (1, 1);
    for size in (0..16_u32).rev() {
        for n in 0..few {
            let last = *samples.last().expect("one");
            let step = if size == 0 { 0 } else { 1 << (size - 1) };
            samples.push(if n % 2 == 0 {
                last.wrapping_add(step)
            } else {
                last.wrapping_sub(step)
            });
        }
        (few, many) = (many, few + many);
    }
    let columns = u16::try_from(samples.len()).expect("one row");
    let stream = encode_jpeg_lossless(&samples, columns, 1, JpegLossless::default());
    let table = stream.windows(2).position(|w| w == [0xFF, 0xC4]).expect("a table");
    let counts = &stream[table + 5..table + 21];
    assert!(counts[15] > 0, "{counts:?}");
    // Kraft: room for the code of ones only, which must not occur.
    let used: u32 = (1..=16).zip(counts).map(|(bits, n)| u32::from(*n) << (16 - bits)).sum();
    assert!(used < 1 << 16, "{counts:?}");
    assert_eq!(decode_jpeg_lossless(&stream), samples);
}

/// A decoder of one component, after ITU-T T.81; knows nothing of the encoder.
fn decode_jpeg_lossless(stream: &[u8]) -> Vec<u16> {
    let (mut columns, mut precision, mut restart) = (0, 0, usize::MAX);
    let mut codes: Vec<(u32, u32, u8)> = Vec::new();
    let mut at = 2;
    loop {
        let length = usize::from(stream[at + 2]) * 256 + usize::from(stream[at + 3]);
        let body = &stream[at + 4..at + 2 + length];
        let marker = stream[at + 1];
        at += 2 + length;
        match marker {
            0xC3 => {
                precision = u32::from(body[0]);
                columns = usize::from(body[3]) * 256 + usize::from(body[4]);
            }
            0xC4 => {
                let (mut code, mut value) = (0, 17);
                for bits in 1..=16 {
                    for _ in 0..body[bits] {
                        codes.push((u32::try_from(bits).expect("few"), code, body[value]));
                        code += 1;
                        value += 1;
                    }
                    code <<= 1;
                }
            }
            0xDD => restart = usize::from(body[0]) * 256 + usize::from(body[1]),
            0xDA => {
                let (predictor, shift) = (body[3], u32::from(body[5]));
                let first = 1_i64 << (precision - shift - 1);
                return rebuild(&stream[at..], columns, restart, (predictor, first), &codes)
                    .into_iter()
                    .map(|v| v << shift)
                    .collect();
            }
            _ => panic!("marker {marker:02x}"),
        }
    }
}

fn rebuild(
    coded: &[u8],
    columns: usize,
    restart: usize,
    (predictor, first): (u8, i64),
    codes: &[(u32, u32, u8)],
) -> Vec<u16> {
    let mut out: Vec<u16> = Vec::new();
    let mut begins = 0;
    for part in intervals(coded) {
        let mut bits = part.iter().flat_map(|byte| (0..8).rev().map(move |b| byte >> b & 1));
        loop {
            // Ones only are what is left at the end of an interval.
            let (mut code, mut length) = (0_u32, 0_u32);
            let size = loop {
                let Some(bit) = bits.next() else { break None };
                (code, length) = (code << 1 | u32::from(bit), length + 1);
                if let Some(found) = codes.iter().find(|c| (c.0, c.1) == (length, code)) {
                    break Some(found.2);
                }
            };
            let Some(size) = size else { break };
            let difference = match size {
                0 => 0,
                16 => 32_768,
                n => {
                    let value = (0..n).fold(0_i64, |v, _| {
                        v << 1 | i64::from(bits.next().expect("the bits of a difference"))
                    });
                    if value < 1 << (n - 1) { value - (1 << n) + 1 } else { value }
                }
            };
            let (x, at) = (out.len() % columns, out.len());
            let of = |back: usize| i64::from(out[at - back]);
            let prediction = match (at - begins < columns, x) {
                (true, 0) => first,
                (true, _) => of(1),
                (false, 0) => of(columns),
                (false, _) => {
                    let (a, b, c) = (of(1), of(columns), of(columns + 1));
                    match predictor {
                        1 => a,
                        2 => b,
                        3 => c,
                        4 => a + b - c,
                        5 => a + ((b - c) >> 1),
                        6 => b + ((a - c) >> 1),
                        _ => (a + b) >> 1,
                    }
                }
            };
            let value = (prediction + difference).rem_euclid(65_536);
            out.push(u16::try_from(value).expect("sixteen bits"));
            if out.len() - begins == restart {
                break;
            }
        }
        begins = out.len();
    }
    out
}

/// The bytes of each restart interval, without stuffed zeros; the markers count modulo 8.
fn intervals(coded: &[u8]) -> Vec<Vec<u8>> {
    let mut parts = vec![Vec::new()];
    let mut bytes = coded.iter();
    while let Some(&byte) = bytes.next() {
        if byte != 0xFF {
            parts.last_mut().expect("one").push(byte);
            continue;
        }
        match *bytes.next().expect("a byte after FF") {
            0 => parts.last_mut().expect("one").push(0xFF),
            0xD9 => break,
            marker => {
                assert_eq!(usize::from(marker), 0xD0 + (parts.len() - 1) % 8);
                parts.push(Vec::new());
            }
        }
    }
    parts
}

#[test]
fn rle_reads_back_whatever_the_runs() {
    for columns in [1_u16, 2, 3, 127, 128, 129, 300] {
        let mut samples = rough(usize::from(columns), 9);
        // Runs of every length, also over the longest that one control byte covers.
        let row = usize::from(columns);
        for (y, from) in (0..9).zip([0, 1, 2, 5, 60, 126, 127, 128, 0]) {
            if from < row {
                samples[y * row + from..(y + 1) * row].fill(0x1234);
            }
        }
        let stream = encode_rle(&samples, columns);
        assert_eq!(stream.len() % 2, 0);
        assert_eq!(decode_rle(&stream), samples, "{columns} columns");
    }
}

fn decode_rle(stream: &[u8]) -> Vec<u16> {
    let word = |n: usize| {
        let bytes = stream[4 * n..4 * n + 4].try_into().expect("four bytes");
        usize::try_from(u32::from_le_bytes(bytes)).expect("an offset")
    };
    assert_eq!(word(0), 2, "segments");
    let unpack = |bytes: &[u8]| {
        let mut out = Vec::new();
        let mut at = 0;
        while at + 1 < bytes.len() {
            let n = usize::from(bytes[at]);
            match n {
                0..=127 => {
                    out.extend_from_slice(&bytes[at + 1..at + 2 + n]);
                    at += n + 2;
                }
                128 => at += 1,
                _ => {
                    out.extend(std::iter::repeat_n(bytes[at + 1], 257 - n));
                    at += 2;
                }
            }
        }
        out
    };
    let high: Vec<u8> = unpack(&stream[word(1)..word(2)]);
    let low: Vec<u8> = unpack(&stream[word(2)..]);
    assert_eq!(high.len(), low.len());
    high.iter().zip(low).map(|(h, l)| u16::from_be_bytes([*h, l])).collect()
}
