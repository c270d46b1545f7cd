//! A JPEG Lossless encoder (ITU-T T.81 annex H) that can do what others leave out.

/// How a picture is encoded.
#[derive(Debug, Clone)]
pub(crate) struct Options {
    pub(crate) precision: u8,
    pub(crate) predictor: u8,
    pub(crate) point_transform: u8,
    /// Rows of a restart interval, 0 for none.
    pub(crate) restart_rows: usize,
    /// Fill bytes before each marker (T.81 section B.1.1.2).
    pub(crate) fill: usize,
    /// Categories from the shortest code to the longest.
    pub(crate) ranking: [u8; 17],
    /// Tables that are not used, or not yet as they will be, before the one that is.
    pub(crate) more_tables: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            precision: 16,
            predictor: 1,
            point_transform: 0,
            restart_rows: 0,
            fill: 0,
            ranking: [7, 8, 6, 9, 5, 4, 3, 2, 1, 0, 10, 11, 12, 13, 14, 15, 16],
            more_tables: false,
        }
    }
}

/// Numbers of codes of 1 to 16 bits: three of two bits, and one of each other length, so that
/// the code of all ones stays free (T.81 section C.2).
const COUNTS: [u8; 16] = [0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1];

struct Writer {
    bytes: Vec<u8>,
    held: u64,
    count: u32,
    fill: usize,
}

impl Writer {
    fn marker(&mut self, marker: u8) {
        self.bytes.extend(std::iter::repeat_n(0xFF, self.fill + 1));
        self.bytes.push(marker);
    }

    fn segment(&mut self, marker: u8, body: &[u8]) {
        self.marker(marker);
        let length = u16::try_from(body.len() + 2).expect("a short segment");
        self.bytes.extend(length.to_be_bytes());
        self.bytes.extend(body);
    }

    fn bits(&mut self, bits: u32, count: u32) {
        self.held = self.held << count | u64::from(bits);
        self.count += count;
        while self.count >= 8 {
            self.count -= 8;
            let byte = u8::try_from(self.held >> self.count & 0xFF).expect("a byte");
            self.bytes.push(byte);
            if byte == 0xFF {
                self.bytes.push(0);
            }
        }
    }

    /// Fills up the last byte with ones (T.81 section F.1.2.3).
    fn pad(&mut self) {
        let left = (8 - self.count % 8) % 8;
        self.bits((1 << left) - 1, left);
    }
}

fn table(place: u8, symbols: &[u8]) -> Vec<u8> {
    [&[place], &COUNTS[..], symbols].concat()
}

/// Code and length of each category.
fn codes(ranking: &[u8; 17]) -> [(u32, u32); 17] {
    let mut codes = [(0, 0); 17];
    let (mut code, mut rank) = (0, 0);
    for (length, count) in (1..).zip(COUNTS) {
        for _ in 0..count {
            codes[usize::from(ranking[rank])] = (code, length);
            code += 1;
            rank += 1;
        }
        code <<= 1;
    }
    codes
}

/// Samples row by row as a stream.
pub(crate) fn encode(samples: &[u16], columns: usize, options: &Options) -> Vec<u8> {
    let rows = samples.len() / columns;
    let mut out = Writer { bytes: Vec::new(), held: 0, count: 0, fill: options.fill };
    out.marker(0xD8);
    let [a, b] = u16::try_from(rows).expect("rows").to_be_bytes();
    let [c, d] = u16::try_from(columns).expect("columns").to_be_bytes();
    out.segment(0xFE, b"invented");
    out.segment(0xC3, &[options.precision, a, b, c, d, 1, 1, 0x11, 0]);
    let symbols = options.ranking;
    if options.more_tables {
        let other: Vec<u8> = symbols.iter().rev().copied().collect();
        out.segment(0xC4, &[table(2, &other), table(1, &other), table(0, &symbols)].concat());
        out.segment(0xC4, &table(2, &symbols));
    } else {
        out.segment(0xC4, &table(2, &symbols));
    }
    if options.restart_rows > 0 {
        let interval = u16::try_from(options.restart_rows * columns).expect("an interval");
        out.segment(0xDD, &interval.to_be_bytes());
    }
    out.segment(0xDA, &[1, 1, 0x20, options.predictor, 0, options.point_transform]);
    let codes = codes(&options.ranking);
    let shifted: Vec<i32> =
        samples.iter().map(|&s| i32::from(s >> options.point_transform)).collect();
    let each = if options.restart_rows == 0 { rows } else { options.restart_rows };
    for row in 0..rows {
        let top = row % each == 0;
        if top && row > 0 {
            out.pad();
            out.marker(0xD0 + u8::try_from((row / each - 1) % 8).expect("a number"));
        }
        for column in 0..columns {
            let at = row * columns + column;
            let predicted = match (top, column) {
                (true, 0) => 1 << (options.precision - options.point_transform - 1),
                (true, _) => shifted[at - 1],
                (false, 0) => shifted[at - columns],
                _ => {
                    let (a, b) = (shifted[at - 1], shifted[at - columns]);
                    predict(options.predictor, a, b, shifted[at - columns - 1])
                }
            };
            // Modulo 2^16, from -32767 to 32768 (T.81 section H.1.2.1).
            let difference = (shifted[at] - predicted).rem_euclid(1 << 16);
            let difference = if difference > 32768 { difference - (1 << 16) } else { difference };
            let category = 32 - difference.unsigned_abs().leading_zeros();
            let (code, length) = codes[category as usize];
            out.bits(code, length);
            if category < 16 {
                let low = if difference < 0 { difference - 1 } else { difference };
                out.bits(low.cast_unsigned() & ((1 << category) - 1), category);
            }
        }
    }
    out.pad();
    out.marker(0xD9);
    out.bytes
}

/// T.81 table H.1.
fn predict(predictor: u8, a: i32, b: i32, c: i32) -> i32 {
    match predictor {
        1 => a,
        2 => b,
        3 => c,
        4 => a + b - c,
        5 => a + ((b - c) >> 1),
        6 => b + ((a - c) >> 1),
        7 => (a + b) / 2,
        other => panic!("{other} is no predictor"),
    }
}
