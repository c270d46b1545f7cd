//! Fixtures, invented pictures, and encoders that know faults.
#![allow(dead_code)] // each test file uses its part

pub(crate) mod lossless;
pub(crate) mod rle;

use std::fs;
use std::path::{Path, PathBuf};

use jawgauge_codec::{Codec, FrameShape};

/// A stream of an outside encoder and what must come out of it.
#[derive(Debug, Clone)]
pub(crate) struct Fixture {
    pub(crate) name: String,
    pub(crate) codec: Codec,
    pub(crate) shape: FrameShape,
    pub(crate) lossy: bool,
    pub(crate) stream: Vec<u8>,
    pub(crate) samples: Vec<u16>,
    /// How far a sample may be off: inverse transforms may round as they like.
    pub(crate) worst: u16,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/codec")
}

fn read(name: &str) -> Vec<u8> {
    fs::read(folder().join(name)).expect("a fixture")
}

/// All fixtures, as `expected.tsv` lists them.
pub(crate) fn fixtures() -> Vec<Fixture> {
    let table = String::from_utf8(read("expected.tsv")).expect("text");
    let found: Vec<Fixture> =
        table.lines().filter(|line| !line.starts_with('#')).map(fixture_of).collect();
    assert!(found.len() > 50, "{} fixtures", found.len());
    found
}

/// The fixture with this name.
pub(crate) fn fixture(name: &str) -> Fixture {
    fixtures().into_iter().find(|f| f.name == name).expect("a fixture with this name")
}

fn fixture_of(line: &str) -> Fixture {
    let fields: Vec<&str> = line.split('\t').collect();
    let [name, codec, rows, columns, allocated, stored, signed, lossy, samples, worst] = fields[..]
    else {
        panic!("ten fields: {line}")
    };
    let number = |text: &str| text.parse::<u16>().expect("a number");
    let codec = match codec {
        "rle" => Codec::Rle,
        "baseline" => Codec::JpegBaseline,
        "lossless" => Codec::JpegLossless,
        "ls" => Codec::JpegLs,
        "2000" => Codec::Jpeg2000,
        other => panic!("{other} is no codec"),
    };
    let raw = read(samples);
    Fixture {
        name: name.to_owned(),
        codec,
        shape: FrameShape {
            rows: number(rows),
            columns: number(columns),
            bits_allocated: number(allocated),
            bits_stored: number(stored),
            signed: signed == "1",
        },
        lossy: lossy == "1",
        stream: read(name),
        samples: raw.as_chunks::<2>().0.iter().map(|b| u16::from_le_bytes(*b)).collect(),
        worst: number(worst),
    }
}

/// An unsigned shape of 16 bits allocated.
pub(crate) fn shape(rows: usize, columns: usize, bits_stored: u8) -> FrameShape {
    FrameShape {
        rows: u16::try_from(rows).expect("rows"),
        columns: u16::try_from(columns).expect("columns"),
        bits_allocated: 16,
        bits_stored: bits_stored.into(),
        signed: false,
    }
}

/// Numbers that look random and are the same each time (splitmix64, from memory).
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    /// Below a bound.
    pub(crate) fn below(&mut self, bound: usize) -> usize {
        usize::try_from(self.next() % bound.max(1) as u64).expect("below a bound")
    }
}

/// A picture like a slice of a scan: waves over the range of the bits, with noise of about a
/// hundredth of it.
pub(crate) fn waves(rows: usize, columns: usize, bits: u8, seed: u64) -> Vec<u16> {
    let most = f64::from((1_u32 << bits) - 1);
    let mut noise = Noise(seed);
    let sample = |at: usize| {
        let (j, i) = ((at / columns) as f64, (at % columns) as f64);
        let shape = 0.5 + 0.35 * (i / 19.0).sin() * (j / 23.0).cos();
        // About a normal distribution: the sum of four even ones.
        let spread: f64 =
            (0..4).map(|_| (noise.next() >> 11) as f64 / (1_u64 << 53) as f64 - 0.5).sum();
        // Within the range of the bits.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        {
            ((shape + 0.01 * spread) * most).round().clamp(0.0, most) as u16
        }
    };
    (0..rows * columns).map(sample).collect()
}

/// A JPEG 2000 codestream of a square of one tile, 2^n samples wide, as all the tiles of a larger
/// square: a tile's bits do not depend on its place as long as it begins at such multiples.
pub(crate) fn tiled(stream: &[u8], across: usize) -> Vec<u8> {
    let first = stream.windows(2).position(|w| w == [0xFF, 0x90]).expect("a tile");
    let (head, part) = (&stream[..first], &stream[first..stream.len() - 2]);
    let mut whole = head.to_vec();
    // Xsiz, Ysiz, and the tiles' XTsiz, YTsiz (ITU-T T.800 section A.5.1).
    let side = u32::from_be_bytes(*head[8..].first_chunk().expect("a size"));
    let larger = side * u32::try_from(across).expect("a number of tiles");
    whole[8..12].copy_from_slice(&larger.to_be_bytes());
    whole[12..16].copy_from_slice(&larger.to_be_bytes());
    whole[24..28].copy_from_slice(&side.to_be_bytes());
    whole[28..32].copy_from_slice(&side.to_be_bytes());
    for tile in 0..across * across {
        let at = whole.len();
        whole.extend(part);
        // Isot (section A.4.2).
        let number = u16::try_from(tile).expect("a number of tiles").to_be_bytes();
        whole[at + 4..at + 6].copy_from_slice(&number);
    }
    whole.extend([0xFF, 0xD9]);
    whole
}
