/// Length of the header, bytes: a count and 15 offsets of 4 bytes.
const HEADER: usize = 64;
/// Longest run or literal that one control byte covers.
const LONGEST: usize = 128;
/// Shortest run that is worth a control byte of its own.
const SHORTEST_RUN: usize = 3;

/// A frame of 16-bit samples as an RLE Lossless stream (1.2.840.10008.1.2.5).
///
/// Two segments, high bytes first; every row is encoded by itself.
///
/// # Source
///
/// DICOM PS3.5 annex G.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::encode_rle;
/// let stream = encode_rle(&[0x0107; 5], 5);
/// assert_eq!(stream[..12], [2, 0, 0, 0, 64, 0, 0, 0, 66, 0, 0, 0]);
/// // Five equal bytes: control byte -(5 - 1).
/// assert_eq!(stream[64..], [252, 0x01, 252, 0x07]);
/// ```
#[must_use]
pub fn encode_rle(samples: &[u16], columns: u16) -> Vec<u8> {
    let mut out = vec![0; HEADER];
    out[0] = 2;
    let mut row_bytes = Vec::with_capacity(usize::from(columns));
    for segment in 0..2_usize {
        let offset = u32::try_from(out.len()).unwrap_or(u32::MAX);
        out[4 + 4 * segment..8 + 4 * segment].copy_from_slice(&offset.to_le_bytes());
        for row in samples.chunks(usize::from(columns).max(1)) {
            row_bytes.clear();
            row_bytes.extend(row.iter().map(|s| s.to_be_bytes()[segment]));
            pack(&row_bytes, &mut out);
        }
        if out.len() % 2 == 1 {
            out.push(0);
        }
    }
    out
}

/// PackBits: DICOM PS3.5 section G.3.1.
fn pack(mut bytes: &[u8], out: &mut Vec<u8>) {
    // Both lengths are 1 to 128, so `257 - n` and `n - 1` fit into a byte.
    #[allow(clippy::cast_possible_truncation)]
    fn control(n: usize, run: bool) -> u8 {
        if run { (257 - n) as u8 } else { (n - 1) as u8 }
    }
    let run_at = |bytes: &[u8]| bytes.iter().take(LONGEST).take_while(|b| **b == bytes[0]).count();
    while !bytes.is_empty() {
        let run = run_at(bytes);
        if run >= SHORTEST_RUN {
            out.extend([control(run, true), bytes[0]]);
            bytes = &bytes[run..];
            continue;
        }
        let mut literal = run;
        while literal < bytes.len().min(LONGEST) {
            let next = run_at(&bytes[literal..]);
            if next >= SHORTEST_RUN {
                break;
            }
            literal += next;
        }
        let literal = literal.min(LONGEST);
        out.push(control(literal, false));
        out.extend_from_slice(&bytes[..literal]);
        bytes = &bytes[literal..];
    }
}
