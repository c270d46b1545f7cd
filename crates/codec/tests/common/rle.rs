//! An RLE encoder (DICOM PS3.5 annex G).

/// Samples as a stream of a segment for each byte, the highest first.
pub(crate) fn encode(samples: &[u16], columns: usize, bytes: usize) -> Vec<u8> {
    let segments: Vec<Vec<u8>> = (0..bytes)
        .rev()
        .map(|byte| {
            let plane: Vec<u8> = samples.iter().map(|s| s.to_le_bytes()[byte]).collect();
            // Section G.3.1: each row by itself, an even number of bytes.
            let mut packed: Vec<u8> = plane.chunks(columns).flat_map(pack).collect();
            packed.resize(packed.len().next_multiple_of(2), 0);
            packed
        })
        .collect();
    assemble(&segments)
}

/// A header and segments.
pub(crate) fn assemble(segments: &[Vec<u8>]) -> Vec<u8> {
    let mut head = [0_u32; 16];
    head[0] = u32::try_from(segments.len()).expect("a number");
    let mut offset = 64;
    for (place, segment) in head[1..].iter_mut().zip(segments) {
        *place = u32::try_from(offset).expect("an offset");
        offset += segment.len();
    }
    let mut stream: Vec<u8> = head.iter().flat_map(|n| n.to_le_bytes()).collect();
    segments.iter().for_each(|segment| stream.extend(segment));
    stream
}

/// Runs of three and more as runs, the rest as they are.
fn pack(row: &[u8]) -> Vec<u8> {
    let mut packed = Vec::new();
    let mut literal: Vec<u8> = Vec::new();
    let mut at = 0;
    let close = |literal: &mut Vec<u8>, packed: &mut Vec<u8>| {
        for part in literal.chunks(128) {
            packed.push(u8::try_from(part.len() - 1).expect("at most 128"));
            packed.extend(part);
        }
        literal.clear();
    };
    while at < row.len() {
        let run = row[at..].iter().take(128).take_while(|&&b| b == row[at]).count();
        if run > 2 {
            close(&mut literal, &mut packed);
            packed.extend([u8::try_from(257 - run).expect("at least 129"), row[at]]);
        } else {
            literal.extend(&row[at..at + run]);
        }
        at += run;
    }
    close(&mut literal, &mut packed);
    packed
}
