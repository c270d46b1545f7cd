//! Short streams that ask for huge frames: refused in well under a second and without the memory.
//! The peak is that of the process (`VmHWM` of proc(5), Linux only), so that this file has one test.
#![cfg(target_os = "linux")]

mod common;

use std::time::{Duration, Instant};

use common::{fixture, rle};
use jawgauge_codec::{Codec, CodecError, FrameShape, decode_frame};

/// What all streams together may add to the peak, bytes.
const MOST_BYTES: u64 = 100 << 20;
/// What a stream may take.
const LONGEST: Duration = Duration::from_millis(500);

fn peak_bytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("a status");
    let line = status.lines().find(|l| l.starts_with("VmHWM:")).expect("a peak");
    let kilobytes: u64 = line.split_whitespace().nth(1).expect("a number").parse().expect("whole");
    kilobytes * 1024
}

/// The fixture's stream with another size in its header, and nothing else changed.
fn resized(name: &str, rows: u16, columns: u16) -> (Codec, Vec<u8>) {
    let fixture = fixture(name);
    let mut stream = fixture.stream;
    let place = |marker| stream.windows(2).position(|w| w == [0xFF, marker]).expect("a header");
    match fixture.codec {
        Codec::Rle => {}
        Codec::Jpeg2000 => {
            // Xsiz, Ysiz, XTsiz, YTsiz (ITU-T T.800 section A.5.1).
            for (at, number) in [(8, columns), (12, rows), (24, columns), (28, rows)] {
                stream[at..at + 4].copy_from_slice(&u32::from(number).to_be_bytes());
            }
        }
        codec => {
            let frame = place(match codec {
                Codec::JpegLs => 0xF7,
                Codec::JpegBaseline => 0xC0,
                _ => 0xC3,
            });
            stream[frame + 5..frame + 7].copy_from_slice(&rows.to_be_bytes());
            stream[frame + 7..frame + 9].copy_from_slice(&columns.to_be_bytes());
        }
    }
    (fixture.codec, stream)
}

const STREAMS: [&str; 8] = [
    "turbo-flat.jpg",
    "turbo-p4-restart1.jpg",
    "baseline.jpg",
    "charls-flat.jls",
    "openjpeg-flat.j2k",
    "openjph-16.j2c",
    "pydicom-flat.rle",
    "pydicom-16.rle",
];

/// What comes of a stream, in time.
fn decode(codec: Codec, stream: &[u8], shape: &FrameShape) -> Result<usize, CodecError> {
    let begun = Instant::now();
    let found = decode_frame(codec, stream, shape).map(|decoded| decoded.samples.len());
    assert!(begun.elapsed() < LONGEST, "{codec:?} {shape:?} took {:?}", begun.elapsed());
    found
}

#[test]
fn short_streams_of_huge_frames_are_refused_at_once() {
    let before = peak_bytes();
    for name in STREAMS {
        let fixture = fixture(name);
        // Larger than the header says: never looked at.
        let (codec, stream) = resized(name, 65_535, 65_535);
        if codec != Codec::Rle {
            let found = decode(codec, &stream, &fixture.shape);
            assert!(matches!(found, Err(CodecError::Size { .. })), "{name}: {found:?}");
        }
        // As large as the header says.
        for (rows, columns) in [(65_535, 65_535), (65_535, 1025)] {
            let shape = FrameShape { rows, columns, ..fixture.shape };
            let found = decode(codec, &resized(name, rows, columns).1, &shape);
            assert!(matches!(found, Err(CodecError::TooLarge { .. })), "{name}: {found:?}");
        }
        for (rows, columns) in [(8192, 8192), (65_535, 1024), (4096, 4096)] {
            let shape = FrameShape { rows, columns, ..fixture.shape };
            let found = decode(codec, &resized(name, rows, columns).1, &shape);
            assert_eq!(found, Err(CodecError::Truncated), "{name}");
        }
        // Small enough to be believed: JPEG 2000 can hold it in a few bytes.
        let shape = FrameShape { rows: 2048, columns: 2048, ..fixture.shape };
        let found = decode(codec, &resized(name, 2048, 2048).1, &shape);
        assert!(found.is_err() || codec == Codec::Jpeg2000, "{name}: {found:?}");
    }
    // Rows of runs that say more than there is.
    let segment = [129, 0].repeat(70_000);
    let shape = common::shape(4096, 4096, 16);
    let stream = rle::assemble(&[segment.clone(), segment]);
    assert_eq!(decode(Codec::Rle, &stream, &shape), Err(CodecError::Truncated));
    let grown = peak_bytes() - before;
    assert!(grown < MOST_BYTES, "{grown} bytes");
}
