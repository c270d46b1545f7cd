//! Streams cut and with wrong bytes: never a panic, another number of samples, or a long wait.

mod common;

use std::time::{Duration, Instant};

use common::{Noise, fixtures};
use jawgauge_codec::{Decoded, decode_frame};

/// Changed streams for each fixture.
const CHANGES: usize = 3000;
/// The longest that a frame of 777 samples may take; it takes about 0.1 ms.
const LONGEST: Duration = Duration::from_secs(1);

/// One of the ways in which bytes go wrong.
fn change(stream: &mut Vec<u8>, noise: &mut Noise) {
    // Half of the changes meet the headers.
    let within = if noise.below(2) == 0 { stream.len().min(150) } else { stream.len() };
    let at = noise.below(within);
    let mut byte = || u8::try_from(noise.below(256)).expect("a byte");
    match byte() % 6 {
        0 => stream[at] ^= 1 << (byte() % 8),
        1 => stream[at] = byte(),
        2 => stream[at] = [0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF][usize::from(byte() % 6)],
        3 => {
            let end = (at + 1 + usize::from(byte() % 8)).min(stream.len());
            stream.drain(at..end);
        }
        4 => {
            let inserted: Vec<u8> = (0..1 + byte() % 8).map(|_| byte()).collect();
            stream.splice(at..at, inserted);
        }
        _ => (0..2 + byte() % 4).for_each(|_| {
            let place = usize::from(byte()) * within / 256;
            stream[place] = byte();
        }),
    }
}

#[test]
fn changed_streams_give_an_error_or_a_whole_frame() {
    let (mut whole, mut errors) = (0, 0);
    for (number, fixture) in fixtures().into_iter().enumerate() {
        let mut noise = Noise(number as u64);
        for n in 0..CHANGES {
            let mut stream = fixture.stream.clone();
            change(&mut stream, &mut noise);
            let begun = Instant::now();
            let found = decode_frame(fixture.codec, &stream, &fixture.shape);
            let name = &fixture.name;
            assert!(begun.elapsed() < LONGEST, "change {n} of {name} takes too long");
            match found {
                Ok(Decoded { samples, .. }) => {
                    assert_eq!(samples.len(), fixture.samples.len(), "change {n} of {name}");
                    whole += 1;
                }
                Err(error) => {
                    let sentence = error.to_string();
                    assert!(
                        sentence.len() < 300 && !sentence.contains(char::is_control),
                        "{sentence}"
                    );
                    errors += 1;
                }
            }
        }
    }
    assert!(whole > 10_000 && errors > 50_000, "{whole} whole frames, {errors} errors");
}

#[test]
fn cut_streams_never_give_other_samples() {
    let mut cuts = 0;
    for fixture in fixtures() {
        for length in 0..fixture.stream.len() {
            let found = decode_frame(fixture.codec, &fixture.stream[..length], &fixture.shape);
            if let Ok(decoded) = found {
                // Only padding was cut.
                assert_eq!(length, fixture.stream.len() - 1, "{}", fixture.name);
                let whole = decode_frame(fixture.codec, &fixture.stream, &fixture.shape);
                assert_eq!(Ok(decoded), whole, "{}", fixture.name);
            }
            cuts += 1;
        }
    }
    assert!(cuts > 30_000, "{cuts} cuts");
}
