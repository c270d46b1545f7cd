//! Streams of outside encoders (see `fixtures/codec/make.py`): libjpeg-turbo, liblj92, CharLS,
//! OpenJPEG, OpenJPH, FFmpeg, pydicom.

mod common;

use std::collections::BTreeMap;

use common::{Fixture, fixtures};
use jawgauge_codec::{Decoded, decode_frame};

/// The worst difference of the stored bits.
fn worst(fixture: &Fixture, decoded: &Decoded) -> u16 {
    assert_eq!(decoded.samples.len(), fixture.samples.len(), "{}", fixture.name);
    let mask = u16::MAX >> (16 - fixture.shape.bits_stored);
    let pairs = decoded.samples.iter().zip(&fixture.samples);
    pairs.map(|(a, b)| (a & mask).abs_diff(b & mask)).max().expect("samples")
}

#[test]
fn streams_of_outside_encoders_give_the_samples_that_went_in() {
    let mut seen = BTreeMap::new();
    for fixture in fixtures() {
        let decoded = decode_frame(fixture.codec, &fixture.stream, &fixture.shape)
            .unwrap_or_else(|e| panic!("{}: {e}", fixture.name));
        let off = worst(&fixture, &decoded);
        assert!(off <= fixture.worst, "{} is off by {off}", fixture.name);
        assert_eq!(decoded.lossy, fixture.lossy, "{}", fixture.name);
        *seen.entry(format!("{:?}", fixture.codec)).or_insert(0) += 1;
    }
    assert_eq!(seen.len(), 5, "{seen:?}");
}

#[test]
fn the_padding_of_an_item_behind_the_end_marker_changes_nothing() {
    let mut seen = 0;
    for fixture in fixtures().iter().filter(|f| f.stream.ends_with(&[0xFF, 0xD9])) {
        let bare = decode_frame(fixture.codec, &fixture.stream, &fixture.shape);
        for pad in [&[0][..], &[0xFF], &[0xFF, 0], &[0, 0, 0]] {
            let padded = [&fixture.stream[..], pad].concat();
            let found = decode_frame(fixture.codec, &padded, &fixture.shape);
            assert_eq!(found, bare, "{} with {pad:?}", fixture.name);
        }
        seen += 1;
    }
    assert!(seen > 40, "{seen} streams");
}
