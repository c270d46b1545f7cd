//! Compressed frames that contradict the header, or are coded in ways that readers often get
//! wrong (DICOM PS3.5 section 8.2, ITU-T T.81).

mod common;

use common::{JPEG, assert_p0, assert_refused, base, in_one, jpeg_with, reread_one, set_us};
use dicom_dictionary_std::{tags, uids};
use jawgauge_intake::{IntakeError, Scan, read_scan};
use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, ScanOptions, Storage, encode_jpeg_lossless, encode_rle,
    p0_geometry, p0_grey, sample_shape_as,
};
use jawgauge_volume::{Rescale, StoredVoxels};

/// A stream of samples, rows and columns.
type Encode = fn(&[u16], u16, u16) -> Vec<u8>;

const ENHANCED: MultiFrameKind = MultiFrameKind::EnhancedCt;

/// Reads the object after the stream of frame 41 was exchanged for what `stream` makes of
/// its samples, rows and columns.
fn with_stream(stream: Encode) -> Result<Scan, IntakeError> {
    let options =
        ScanOptions::default().with_encoded_frames(JPEG, move |k, samples, rows, columns| {
            if k == 40 {
                stream(samples, rows, columns)
            } else {
                encode_jpeg_lossless(samples, columns, rows, JpegLossless::default())
            }
        });
    reread_one(ENHANCED, &options)
}

#[test]
fn a_stream_of_another_size_or_depth_is_refused_by_frame_and_shifts_no_other() {
    let cases: [(&str, Encode); 4] = [
        ("narrower", |s, rows, columns| {
            let cut: Vec<u16> = s
                .chunks_exact(usize::from(columns))
                .flat_map(|row| row[..row.len() - 2].to_vec())
                .collect();
            encode_jpeg_lossless(&cut, columns - 2, rows, JpegLossless::default())
        }),
        ("turned", |s, rows, columns| {
            encode_jpeg_lossless(s, rows, columns, JpegLossless::default())
        }),
        ("fewer rows", |s, rows, columns| {
            let cut = &s[..s.len() - usize::from(columns)];
            encode_jpeg_lossless(cut, columns, rows - 1, JpegLossless::default())
        }),
        ("eight bits", |s, rows, columns| {
            let narrow: Vec<u16> = s.iter().map(|s| s >> 4).collect();
            encode_jpeg_lossless(&narrow, columns, rows, JpegLossless::default().with_precision(8))
        }),
    ];
    for (name, stream) in cases {
        let read = with_stream(stream);
        let Err(error) = &read else { panic!("{name}") };
        assert_eq!(error.code(), "pixel-data", "{name}: {error}");
        assert_refused(read, "pixel-data", &["(7FE0,0010)", "scan.dcm frame 41"]);
    }
}

#[test]
fn a_stream_that_ends_early_or_is_another_format_is_refused_by_frame() {
    let cases: [(&str, Encode); 5] = [
        ("an early end", |s, rows, columns| {
            let mut all = encode_jpeg_lossless(s, columns, rows, JpegLossless::default());
            all.truncate(all.len() / 2 / 2 * 2);
            all.extend([0xFF, 0xD9]);
            all
        }),
        ("no end", |s, rows, columns| {
            let mut all = encode_jpeg_lossless(s, columns, rows, JpegLossless::default());
            all.truncate(all.len() / 2 / 2 * 2);
            all
        }),
        ("forged size", |s, rows, columns| {
            let mut all = encode_jpeg_lossless(s, columns, rows, JpegLossless::default());
            // Behind SOI, SOF3, its length and the precision.
            all[7..11].fill(0xFF);
            all
        }),
        ("native", |s, _, _| s.iter().flat_map(|s| s.to_le_bytes()).collect()),
        ("RLE", |s, _, columns| encode_rle(s, columns)),
    ];
    for (name, stream) in cases {
        let read = with_stream(stream);
        let Err(error) = &read else { panic!("{name}") };
        assert_eq!(error.code(), "pixel-data", "{name}: {error}");
        assert_refused(read, "pixel-data", &["(7FE0,0010)", "scan.dcm frame 41"]);
    }
}

#[test]
fn restart_intervals_and_every_predictor_give_the_same_voxels() {
    for rows in [1, 32, 99] {
        let options = jpeg_with(JpegLossless::default().with_restart_rows(rows));
        assert_p0(reread_one(ENHANCED, &options), &[], &format!("restart after {rows} rows"));
    }
    for predictor in 2..=7 {
        for rows in [0, 32] {
            let how = JpegLossless::default().with_predictor(predictor).with_restart_rows(rows);
            let options = ScanOptions::default()
                .with_encoded_frames(uids::JPEG_LOSSLESS, move |_, samples, rows, columns| {
                    encode_jpeg_lossless(samples, columns, rows, how)
                });
            assert_p0(reread_one(ENHANCED, &options), &[], &format!("predictor {predictor}"));
        }
    }
}

#[test]
fn a_point_transform_loses_low_bits_and_is_never_read_as_if_it_lost_none() {
    // Even values lose nothing by one bit; the base phantom has odd ones at its edges.
    let options = jpeg_with(JpegLossless::default().with_point_transform(1));
    match reread_one(ENHANCED, &options) {
        Err(error) => assert_eq!(error.code(), "pixel-data", "{error}"),
        Ok(scan) => {
            let both = (scan.volume.voxels(), base().voxels());
            let (StoredVoxels::Unsigned(found), StoredVoxels::Unsigned(expected)) = both else {
                panic!("unsigned")
            };
            assert!(found.iter().zip(expected).all(|(f, e)| f >> 1 == e >> 1), "more than a bit");
        }
    }
}

#[test]
fn eight_bits_in_sixteen_are_widened_frame_by_frame() {
    let rescale = Rescale { slope: 20.0, intercept: -1000.0 };
    let volume = sample_shape_as(Storage::Unsigned, p0_geometry(), rescale, p0_grey, 1);
    let volume = volume.expect("a volume");
    let options = jpeg_with(JpegLossless::default().with_precision(8)).with_bits_stored(8);
    let (dir, _) = in_one(&volume, ENHANCED, &options);
    match read_scan(dir.path(), None) {
        Ok(scan) => assert_eq!(scan.volume.voxels(), volume.voxels()),
        Err(error) => assert_eq!(error.code(), "pixel-data", "{error}"),
    }
    // A stream of twelve bits cannot be one of eight allocated.
    let options = jpeg_with(JpegLossless::default().with_precision(12)).with_edit(|_, o| {
        set_us(o, tags::BITS_ALLOCATED, 8);
        set_us(o, tags::BITS_STORED, 8);
        set_us(o, tags::HIGH_BIT, 7);
    });
    assert_refused(reread_one(ENHANCED, &options), "pixel-data", &["(7FE0,0010)", "frame 1"]);
}

#[test]
fn a_forged_rle_header_is_refused_by_frame() {
    for (name, at, value) in [
        ("segments", 0, 4_000_000_000_u32),
        ("no segments", 0, 0),
        ("one segment", 0, 1),
        ("offset", 4, 0xFFFF_FFF0),
        ("second offset", 8, 0xFFFF_FFF0),
        ("second offset before the first", 8, 0),
    ] {
        let options = ScanOptions::default().with_encoded_frames(
            uids::RLE_LOSSLESS,
            move |k, samples, _, columns| {
                let mut stream = encode_rle(samples, columns);
                if k == 40 {
                    stream[at..at + 4].copy_from_slice(&value.to_le_bytes());
                }
                stream
            },
        );
        let read = reread_one(ENHANCED, &options);
        let Err(error) = &read else { panic!("{name}") };
        assert_eq!(error.code(), "pixel-data", "{name}: {error}");
        assert_refused(read, "pixel-data", &["(7FE0,0010)", "scan.dcm frame 41"]);
    }
}
