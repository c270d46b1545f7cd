use crate::jpeg_huffman::{BitWriter, CATEGORIES, HuffmanTable};

/// How [`encode_jpeg_lossless`] encodes a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JpegLossless {
    precision: u8,
    predictor: u8,
    point_transform: u8,
    restart_rows: u16,
}

impl Default for JpegLossless {
    /// 16 bits, predictor 1 (the sample to the left), no point transform, no restarts.
    fn default() -> Self {
        Self { precision: 16, predictor: 1, point_transform: 0, restart_rows: 0 }
    }
}

impl JpegLossless {
    /// The same with this many bits a sample, 2 to 16.
    #[must_use]
    pub fn with_precision(mut self, precision: u8) -> Self {
        self.precision = precision;
        self
    }

    /// The same with another predictor, 1 to 7 (ITU-T T.81 table H.1).
    #[must_use]
    pub fn with_predictor(mut self, predictor: u8) -> Self {
        self.predictor = predictor;
        self
    }

    /// The same with samples divided by two to this power first, which loses their low bits.
    #[must_use]
    pub fn with_point_transform(mut self, point_transform: u8) -> Self {
        self.point_transform = point_transform;
        self
    }

    /// The same with a restart marker after every so many rows; 0 for none.
    #[must_use]
    pub fn with_restart_rows(mut self, rows: u16) -> Self {
        self.restart_rows = rows;
        self
    }
}

/// A frame of one component as a lossless JPEG stream: process 14 (SOF3), Huffman coded,
/// any selection value (transfer syntaxes 1.2.840.10008.1.2.4.57 and .70).
///
/// The Huffman table is made for the frame. Bits of a sample above the precision are
/// dropped. Differences are taken modulo 65536, and one of 32768 is category 16 without
/// further bits.
///
/// # Panics
///
/// Where there are not `rows` x `columns` samples, an option is out of its range, or a
/// restart interval does not fit into 16 bits.
///
/// # Source
///
/// ITU-T T.81 annexes B (markers) and H (lossless mode).
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::{JpegLossless, encode_jpeg_lossless};
/// let stream = encode_jpeg_lossless(&[7, 7, 7, 9], 2, 2, JpegLossless::default());
/// assert_eq!(stream[..4], [0xFF, 0xD8, 0xFF, 0xC3]);
/// assert_eq!(stream[stream.len() - 2..], [0xFF, 0xD9]);
/// ```
#[must_use]
pub fn encode_jpeg_lossless(
    samples: &[u16],
    columns: u16,
    rows: u16,
    options: JpegLossless,
) -> Vec<u8> {
    let JpegLossless { precision, predictor, point_transform, restart_rows } = options;
    assert_eq!(samples.len(), usize::from(rows) * usize::from(columns), "samples of a frame");
    assert!((2..=16).contains(&precision), "precision {precision}");
    assert!((1..=7).contains(&predictor), "predictor {predictor}");
    assert!(point_transform < precision, "point transform {point_transform}");
    let restart = restart_rows.checked_mul(columns).expect("a restart interval of 16 bits");

    let differences = differences(samples, usize::from(columns), options);
    let mut counts = [0; CATEGORIES];
    for &d in &differences {
        counts[category(d)] += 1;
    }
    let table = HuffmanTable::for_counts(&counts);

    let mut bits = BitWriter::default();
    bits.out.reserve(samples.len());
    bits.out.extend([0xFF, 0xD8]);
    let [y, x] = [rows, columns].map(u16::to_be_bytes);
    let frame = [precision, y[0], y[1], x[0], x[1], 1, 1, 0x11, 0];
    segment(&mut bits.out, 0xC3, &frame);
    segment(&mut bits.out, 0xC4, &[&[0], &table.counts[..], &table.values].concat());
    if restart > 0 {
        segment(&mut bits.out, 0xDD, &restart.to_be_bytes());
    }
    segment(&mut bits.out, 0xDA, &[1, 1, 0, predictor, 0, point_transform]);

    let interval = if restart > 0 { usize::from(restart) } else { differences.len().max(1) };
    for (number, part) in differences.chunks(interval).enumerate() {
        if number > 0 {
            // Restart markers count modulo 8.
            #[allow(clippy::cast_possible_truncation)]
            bits.out.extend([0xFF, 0xD0 + (number - 1) as u8 % 8]);
        }
        for &d in part {
            put(&mut bits, d, &table);
        }
        bits.fill();
    }
    bits.out.extend([0xFF, 0xD9]);
    bits.out
}

fn segment(out: &mut Vec<u8>, marker: u8, body: &[u8]) {
    out.extend([0xFF, marker]);
    let length = u16::try_from(body.len() + 2).unwrap_or(u16::MAX);
    out.extend(length.to_be_bytes());
    out.extend_from_slice(body);
}

/// Difference of each sample from its prediction, modulo 65536 (sections H.1.2.1, H.1.1).
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn differences(samples: &[u16], columns: usize, options: JpegLossless) -> Vec<u16> {
    let JpegLossless { precision, predictor, point_transform, restart_rows } = options;
    let mask = u16::MAX >> (16 - precision);
    let shifted: Vec<u16> = samples.iter().map(|s| (s & mask) >> point_transform).collect();
    let mut out = Vec::with_capacity(samples.len());
    let mut above: &[u16] = &[];
    for (y, row) in shifted.chunks(columns.max(1)).enumerate() {
        let restarts = restart_rows > 0 && y % usize::from(restart_rows) == 0;
        if y == 0 || restarts {
            // First line of a restart interval: half the range, then the sample to the left.
            out.push(row[0].wrapping_sub(1 << (precision - point_transform - 1)));
            out.extend(row.windows(2).map(|w| w[1].wrapping_sub(w[0])));
        } else {
            out.push(row[0].wrapping_sub(above[0]));
            for (left, up) in row.windows(2).zip(above.windows(2)) {
                let [a, b, c] = [left[0], up[1], up[0]].map(i32::from);
                let prediction = match predictor {
                    1 => a,
                    2 => b,
                    3 => c,
                    4 => a + b - c,
                    5 => a + ((b - c) >> 1),
                    6 => b + ((a - c) >> 1),
                    _ => (a + b) >> 1,
                };
                // Modulo 65536: the low 16 bits.
                out.push(left[1].wrapping_sub(prediction as u16));
            }
        }
        above = row;
    }
    out
}

/// Bits of the size of a difference (table H.2).
#[inline]
fn category(difference: u16) -> usize {
    let size = difference.cast_signed().unsigned_abs();
    (16 - size.leading_zeros()) as usize
}

#[inline]
fn put(bits: &mut BitWriter, difference: u16, table: &HuffmanTable) {
    let ssss = category(difference);
    let (code, length) = table.codes[ssss];
    bits.put(u32::from(code), length);
    if (1..16).contains(&ssss) {
        let signed = difference.cast_signed();
        let value = if signed < 0 { difference.wrapping_sub(1) } else { difference };
        let mask = u16::MAX >> (16 - ssss);
        // One to fifteen bits.
        #[allow(clippy::cast_possible_truncation)]
        bits.put(u32::from(value & mask), ssss as u32);
    }
}
