/// Categories of differences: 0 to 16 (ITU-T T.81 table H.2).
pub(crate) const CATEGORIES: usize = 17;
/// The longest code, bits.
const LONGEST: usize = 16;
/// Symbols in the search for code lengths: the categories and one that is never used, so
/// that no code consists of ones only.
const SYMBOLS: usize = CATEGORIES + 1;

/// A Huffman table that suits the given counts.
///
/// # Source
///
/// ITU-T T.81 section K.2 (lengths) and annex C (codes).
pub(crate) struct HuffmanTable {
    /// BITS: how many codes have 1 to 16 bits.
    pub(crate) counts: [u8; LONGEST],
    /// HUFFVAL: the categories, shortest code first.
    pub(crate) values: Vec<u8>,
    /// Code and its bits for each category.
    pub(crate) codes: [(u16, u32); CATEGORIES],
}

impl HuffmanTable {
    pub(crate) fn for_counts(counts: &[u64; CATEGORIES]) -> Self {
        let sizes = code_sizes(counts);
        let mut bits = [0_u8; 2 * SYMBOLS];
        for &size in sizes.iter().filter(|s| **s > 0) {
            bits[size] += 1;
        }
        shorten(&mut bits);
        let mut values = Vec::new();
        for size in 1..2 * SYMBOLS {
            values.extend((0..=16_u8).filter(|&v| sizes[usize::from(v)] == size));
        }
        let mut counts = [0; LONGEST];
        counts.copy_from_slice(&bits[1..=LONGEST]);
        let mut codes = [(0, 0); CATEGORIES];
        let (mut code, mut next) = (0_u16, values.iter());
        for (bits, &count) in (1..).zip(&counts) {
            for value in next.by_ref().take(usize::from(count)) {
                codes[usize::from(*value)] = (code, bits);
                code += 1;
            }
            code <<= 1;
        }
        Self { counts, values, codes }
    }
}

/// Figure K.1: code length of each symbol, 0 where it does not occur.
fn code_sizes(counts: &[u64; CATEGORIES]) -> [usize; SYMBOLS] {
    let mut frequency = [0; SYMBOLS];
    frequency[..CATEGORIES].copy_from_slice(counts);
    frequency[CATEGORIES] = 1;
    let mut sizes = [0; SYMBOLS];
    // Which tree each symbol is in.
    let mut tree: [usize; SYMBOLS] = std::array::from_fn(|s| s);
    loop {
        let least = |not: Option<usize>| {
            (0..SYMBOLS)
                .filter(|&t| frequency[t] > 0 && Some(t) != not)
                .min_by_key(|&t| (frequency[t], std::cmp::Reverse(t)))
        };
        let Some(first) = least(None) else { break };
        let Some(second) = least(Some(first)) else { break };
        frequency[first] += frequency[second];
        frequency[second] = 0;
        for symbol in 0..SYMBOLS {
            if tree[symbol] == first || tree[symbol] == second {
                sizes[symbol] += 1;
                tree[symbol] = first;
            }
        }
    }
    sizes
}

/// Figure K.3: no code longer than 16 bits, and the symbol that is never used taken out.
fn shorten(bits: &mut [u8; 2 * SYMBOLS]) {
    for long in (LONGEST + 1..2 * SYMBOLS).rev() {
        while bits[long] > 0 {
            let shorter = (1..long - 1).rev().find(|&j| bits[j] > 0);
            let Some(j) = shorter else { break };
            bits[long] -= 2;
            bits[long - 1] += 1;
            bits[j + 1] += 2;
            bits[j] -= 1;
        }
    }
    if let Some(longest) = (1..=LONGEST).rev().find(|&size| bits[size] > 0) {
        bits[longest] -= 1;
    }
}

/// Writes codes as bits, with a zero byte after each FF (ITU-T T.81 section F.1.2.3).
#[derive(Default)]
pub(crate) struct BitWriter {
    pub(crate) out: Vec<u8>,
    held: u64,
    count: u32,
}

impl BitWriter {
    /// The low `bits` of `value`, at most 32.
    #[inline]
    pub(crate) fn put(&mut self, value: u32, bits: u32) {
        self.held = (self.held << bits) | u64::from(value);
        self.count += bits;
        while self.count >= 8 {
            self.count -= 8;
            // The mask leaves a byte.
            #[allow(clippy::cast_possible_truncation)]
            let byte = ((self.held >> self.count) & 0xFF) as u8;
            self.out.push(byte);
            if byte == 0xFF {
                self.out.push(0);
            }
        }
        self.held &= (1 << self.count) - 1;
    }

    /// Ones up to the next whole byte.
    pub(crate) fn fill(&mut self) {
        let missing = (8 - self.count) % 8;
        self.put((1 << missing) - 1, missing);
    }
}
