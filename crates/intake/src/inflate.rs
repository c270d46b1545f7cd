use std::io::{self, BufReader, Read};
use std::sync::{Mutex, PoisonError};

use flate2::bufread::DeflateDecoder;

/// More decoders than this are not kept for the next file: no more threads than that read.
const MOST_AT_REST: usize = 64;

/// Decoders between two files. Each holds some 50 kB; made anew for every one of hundreds
/// of files they leave the heap in splinters that take a third of a scan's room.
static AT_REST: Mutex<Vec<DeflateDecoder<Packed>>> = Mutex::new(Vec::new());

/// Bytes before they are unpacked.
pub(crate) type Packed = BufReader<Box<dyn Read + Send>>;

/// Deflated bytes (RFC 1951), unpacked as they are read.
pub(crate) struct Inflate {
    /// There until it is dropped.
    decoder: Option<DeflateDecoder<Packed>>,
}

impl Inflate {
    pub(crate) fn new(packed: Packed) -> Self {
        let at_rest = AT_REST.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let decoder = match at_rest {
            Some(mut decoder) => {
                decoder.reset(packed);
                decoder
            }
            None => DeflateDecoder::new(packed),
        };
        Self { decoder: Some(decoder) }
    }
}

impl Read for Inflate {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        self.decoder.as_mut().map_or(Ok(0), |decoder| decoder.read(to))
    }
}

impl Drop for Inflate {
    fn drop(&mut self) {
        let Some(mut decoder) = self.decoder.take() else { return };
        decoder.reset(BufReader::with_capacity(0, Box::new(io::empty())));
        let mut at_rest = AT_REST.lock().unwrap_or_else(PoisonError::into_inner);
        if at_rest.len() < MOST_AT_REST {
            at_rest.push(decoder);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::DeflateEncoder;

    use super::*;

    #[test]
    fn a_decoder_that_stopped_half_way_unpacks_the_next_file_from_its_start() {
        let pack = |bytes: &[u8]| {
            let mut encoder = DeflateEncoder::new(Vec::new(), Compression::default());
            encoder.write_all(bytes).expect("packed");
            encoder.finish().expect("packed")
        };
        let open =
            |packed: Vec<u8>| Inflate::new(BufReader::new(Box::new(io::Cursor::new(packed))));
        let first: Vec<u8> =
            (0..100_000_u32).flat_map(|n| n.wrapping_mul(n).to_le_bytes()).collect();
        for stop in [0, 1, 1000, 70_000, 400_000] {
            let mut begun = Vec::new();
            open(pack(&first)).take(stop).read_to_end(&mut begun).expect("unpacked");
            assert_eq!(begun.len() as u64, stop);
            // A damaged one leaves nothing behind either.
            let mut damaged = pack(&first);
            damaged[50..90].fill(0xFF);
            let _ = open(damaged).read_to_end(&mut Vec::new());
            let mut second = Vec::new();
            open(pack(b"the next file")).read_to_end(&mut second).expect("unpacked");
            assert_eq!(second, b"the next file");
        }
    }
}
