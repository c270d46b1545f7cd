//! JPEG Lossless, Huffman coded (ITU-T T.81 annex H, process 14: SOF3).

use crate::CodecError;
use crate::bits::{Bits, Huffman};
use crate::jpeg::{Frame, Reader, Scan, Segment, Stream};

/// Samples that a byte can hold at most: the shortest code has one bit.
pub(crate) const SAMPLES_PER_BYTE: usize = 8;

/// What a scan does with every sample.
struct Rule<'a> {
    table: &'a Huffman,
    /// What comes before the first sample of the scan and of every restart interval.
    first: u32,
    /// The highest sample.
    most: u32,
}

/// Decodes a lossless stream: samples row by row, and whether low bits were left out.
pub(crate) fn decode(stream: &[u8]) -> Result<(Vec<u16>, bool), CodecError> {
    let mut reader = Reader::new(stream)?;
    let mut frame: Option<Frame> = None;
    let mut tables: [Option<Huffman>; 4] = [const { None }; 4];
    let mut restart = 0_usize;
    loop {
        match reader.next()? {
            Segment::Frame(found) => {
                if frame.replace(found).is_some() {
                    return Err(CodecError::Unsupported("several frames in one stream"));
                }
            }
            Segment::Huffman(found) => {
                // Class 0: lossless streams have no other (T.81 section B.2.4.2).
                for (_, place, counts, symbols) in found.into_iter().filter(|t| t.0 == 0) {
                    // Differences of 16 bits have categories 0 to 16 (table H.2).
                    if symbols.iter().any(|&category| category > 16) {
                        return Err(CodecError::Damaged("a Huffman table makes no sense"));
                    }
                    tables[place] = Some(Huffman::new(&counts, symbols)?);
                }
            }
            Segment::Restart(interval) => restart = usize::from(interval),
            Segment::Scan(scan) => {
                let frame = frame.ok_or(CodecError::Damaged("a scan comes before its frame"))?;
                let table = tables.get(scan.dc_table).and_then(Option::as_ref);
                let table = table.ok_or(CodecError::Damaged("a Huffman table is missing"))?;
                let (samples, end) =
                    decode_scan(stream, reader.at(), &frame, &scan, table, restart)?;
                Stream::new(stream, end).must_end()?;
                return Ok((samples, scan.low > 0));
            }
            Segment::Other => {}
        }
    }
}

fn decode_scan(
    bytes: &[u8],
    start: usize,
    frame: &Frame,
    scan: &Scan,
    table: &Huffman,
    restart: usize,
) -> Result<(Vec<u16>, usize), CodecError> {
    let (columns, rows) = (usize::from(frame.columns), usize::from(frame.rows));
    let shift = u32::from(scan.low);
    if shift >= u32::from(frame.precision) {
        return Err(CodecError::Damaged("its point transform leaves no bits"));
    }
    // Section H.1.1: a restart interval is a whole number of rows.
    if !restart.is_multiple_of(columns) {
        return Err(CodecError::Unsupported("a restart interval that is no whole number of rows"));
    }
    // Table H.1; with 0 nothing is predicted, which is for hierarchical images (annex J) only.
    let decode_rows = match scan.start {
        1 => rows_of::<1>,
        2 => rows_of::<2>,
        3 => rows_of::<3>,
        4 => rows_of::<4>,
        5 => rows_of::<5>,
        6 => rows_of::<6>,
        7 => rows_of::<7>,
        0 => return Err(CodecError::Unsupported("JPEG Lossless without a predictor")),
        _ => return Err(CodecError::Damaged("it has no such predictor")),
    };
    // Section H.1.2.1: the first prediction is the middle of the range that is left after the
    // point transform.
    let width = u32::from(frame.precision) - shift;
    let rule = Rule { table, first: 1 << (width - 1), most: (1 << width) - 1 };
    let each = if restart == 0 { rows } else { restart / columns };
    let mut samples = vec![0_u16; columns * rows];
    let mut bits = Bits::new(bytes, start);
    for (interval, rows) in samples.chunks_mut(each * columns).enumerate() {
        if interval > 0 {
            let mut stream = Stream::new(bytes, bits.end()?);
            bits = Bits::new(bytes, stream.restart_marker(interval - 1)?);
        }
        decode_rows(&rule, &mut bits, rows, columns)?;
    }
    // Section A.4: the low bits that were left out.
    if shift > 0 {
        samples.iter_mut().for_each(|sample| *sample <<= shift);
    }
    Ok((samples, bits.end()?))
}

/// The rows up to the next restart marker.
fn rows_of<const PREDICTOR: u8>(
    rule: &Rule<'_>,
    bits: &mut Bits<'_>,
    rows: &mut [u16],
    columns: usize,
) -> Result<(), CodecError> {
    let (top, rest) = rows.split_at_mut(columns);
    // Section H.1.2.1: the row on top is predicted from the left.
    run(rule, bits, rule.first, top, |left| left)?;
    let mut above: &[u16] = top;
    for row in rest.chunks_mut(columns) {
        // The first sample of a row is predicted from above.
        let mut corner = u32::from(above[0]);
        run(rule, bits, corner, &mut row[..1], |above| above)?;
        let left = u32::from(row[0]);
        let mut rest_above = above[1..].iter();
        run(rule, bits, left, &mut row[1..], |left| {
            let over = rest_above.next().map_or(0, |&sample| u32::from(sample));
            let predicted = predict::<PREDICTOR>(left, over, corner);
            corner = over;
            predicted
        })?;
        above = row;
    }
    Ok(())
}

/// Samples from left to right, each predicted with the help of the one before it.
#[inline(always)]
fn run(
    rule: &Rule<'_>,
    bits: &mut Bits<'_>,
    before: u32,
    samples: &mut [u16],
    mut predict: impl FnMut(u32) -> u32,
) -> Result<(), CodecError> {
    let mut last = before;
    let mut all = 0;
    for sample in samples {
        let (category, number) = bits.take(rule.table)?;
        // Table H.2: category 16 is the difference 32768, without more bits.
        let difference = number.wrapping_add((category & 16) << 11);
        // Section H.1.2.1: modulo 2^16.
        last = predict(last).wrapping_add(difference) & 0xFFFF;
        all |= last;
        // Within 16 bits by the line above.
        #[allow(clippy::cast_possible_truncation)]
        {
            *sample = last as u16;
        }
    }
    if all > rule.most {
        return Err(CodecError::Damaged("a sample is out of the range of its precision"));
    }
    Ok(())
}

/// Table H.1: from the samples to the left, above, and above to the left; two's complement.
#[inline(always)]
fn predict<const PREDICTOR: u8>(a: u32, b: u32, c: u32) -> u32 {
    let half = |difference: u32| (difference.cast_signed() >> 1).cast_unsigned();
    match PREDICTOR {
        1 => a,
        2 => b,
        3 => c,
        4 => a.wrapping_add(b).wrapping_sub(c),
        5 => a.wrapping_add(half(b.wrapping_sub(c))),
        6 => b.wrapping_add(half(a.wrapping_sub(c))),
        _ => (a + b) >> 1,
    }
}
