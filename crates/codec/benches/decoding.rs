//! Time to decode a frame of 512 x 512 samples of 16 bits allocated, 12 of them with noise.

#[path = "../tests/common/mod.rs"]
mod common;

use std::hint::black_box;

use common::{fixture, lossless, rle, shape, tiled, waves};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use jawgauge_codec::{Codec, decode_frame};

const SIDE: usize = 512;

fn decoding(c: &mut Criterion) {
    let samples = waves(SIDE, SIDE, 12, 1);
    let options = jpegls_options();
    let mut jpeg_ls = Vec::new();
    let side = u32::try_from(SIDE).expect("a side");
    jpegls::encode_with_options(&samples, side, side, &options, &mut jpeg_ls).expect("encoded");
    let lossless = |predictor| {
        let options = lossless::Options { precision: 12, predictor, ..Default::default() };
        lossless::encode(&samples, SIDE, &options)
    };
    let tiles = SIDE / 64;
    let streams = [
        ("JPEG Lossless, predictor 1", Codec::JpegLossless, lossless(1)),
        ("JPEG Lossless, predictor 6", Codec::JpegLossless, lossless(6)),
        ("RLE", Codec::Rle, rle::encode(&samples, SIDE, 2)),
        ("JPEG-LS", Codec::JpegLs, jpeg_ls),
        ("JPEG 2000", Codec::Jpeg2000, tiled(&fixture("openjpeg-square.j2k").stream, tiles)),
        ("HTJ2K", Codec::Jpeg2000, tiled(&fixture("openjph-square.j2c").stream, tiles)),
    ];
    let mut group = c.benchmark_group("decoding 512x512");
    group.throughput(Throughput::Bytes((2 * SIDE * SIDE) as u64));
    for (name, codec, stream) in streams {
        let shape = shape(SIDE, SIDE, 12);
        group.bench_function(name, |b| {
            b.iter(|| decode_frame(codec, black_box(&stream), &shape).expect("decoded"));
        });
    }
    group.finish();
}

fn jpegls_options() -> jpegls::EncodeOptions {
    let mut options = jpegls::EncodeOptions::default();
    options.precision = Some(12);
    options
}

criterion_group!(benches, decoding);
criterion_main!(benches);
