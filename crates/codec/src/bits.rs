//! Entropy-coded bits of JPEG streams and their Huffman codes (ITU-T T.81 annexes C and F.2.2).

use crate::CodecError;

/// Length up to which a code is found with one look at a table; longer ones are rare.
const SHORT: u32 = 11;

/// A Huffman table. An entry holds the bits of a code together with those that follow it, the
/// bits of the code alone, and its symbol, 8 bits each from the lowest up; 0 where there is no code.
pub(crate) struct Huffman {
    short: Box<[u32; 1 << SHORT]>,
    /// The last of the 16-bit words that begin with each longer code, rising, and its entry. They
    /// follow each other without a gap, and shorter codes come before them all.
    long: Vec<(u32, u32)>,
}

impl Huffman {
    /// From the numbers of codes of 1 to 16 bits and their symbols (T.81 section C.2).
    pub(crate) fn new(counts: &[u8; 16], symbols: &[u8]) -> Result<Self, CodecError> {
        let bad = CodecError::Damaged("a Huffman table makes no sense");
        let mut table = Self { short: Box::new([0; 1 << SHORT]), long: Vec::new() };
        let mut symbols = symbols.iter();
        // The next code, as the first bits of 16.
        let mut code = 0_u32;
        for (length, &count) in (1_u32..).zip(counts) {
            let step = 1 << (16 - length);
            for &symbol in symbols.by_ref().take(count.into()) {
                if code + step > 1 << 16 {
                    return Err(bad);
                }
                let entry = (length + extra(symbol)) | length << 8 | u32::from(symbol) << 16;
                if length <= SHORT {
                    let first = (code >> (16 - SHORT)) as usize;
                    table.short[first..][..1 << (SHORT - length)].fill(entry);
                } else {
                    table.long.push((code + step - 1, entry));
                }
                code += step;
            }
        }
        if code == 0 { Err(bad) } else { Ok(table) }
    }

    /// The entry of the code that these bits, from the highest, begin with.
    #[inline]
    fn entry(&self, bits: u64) -> u32 {
        let short = self.short[(bits >> (64 - SHORT)) as usize];
        if short == 0 { self.long_entry(bits) } else { short }
    }

    #[cold]
    fn long_entry(&self, bits: u64) -> u32 {
        let word = u32::try_from(bits >> 48).unwrap_or(0);
        let place = self.long.partition_point(|code| code.0 < word);
        self.long.get(place).map_or(0, |code| code.1)
    }
}

/// How many bits follow the code of a symbol: its low four bits (T.81 sections F.1.2.1 and F.1.2.2).
/// Category 16 of lossless differences has none (table H.2).
fn extra(symbol: u8) -> u32 {
    u32::from(symbol & 15)
}

/// Reads the bits between two markers.
pub(crate) struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    /// The next bits, from the highest; `held` of them count.
    buffer: u64,
    held: u32,
}

impl<'a> Bits<'a> {
    pub(crate) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at, buffer: 0, held: 0 }
    }

    /// Takes in bytes up to the next marker, at least until 32 bits are held.
    #[inline]
    fn fill(&mut self) {
        let next = self.bytes.get(self.at..).and_then(|b| b.first_chunk::<8>());
        if let Some(word) = next.map(|b| u64::from_be_bytes(*b)).filter(|&w| !holds_ff(w)) {
            // Bits beyond those that count are taken in again, the same.
            self.buffer |= word >> self.held;
            let bytes = (63 - self.held) / 8;
            self.at += bytes as usize;
            self.held += 8 * bytes;
        } else {
            self.fill_slowly();
        }
    }

    #[cold]
    fn fill_slowly(&mut self) {
        while self.held <= 56 {
            let Some(&byte) = self.bytes.get(self.at) else { return };
            if byte == 0xFF {
                // A stuffed zero stands for nothing (T.81 section F.1.2.3).
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.buffer |= u64::from(byte) << (56 - self.held);
            self.held += 8;
        }
    }

    /// The next symbol and the number that the bits behind it stand for: as many as its low four
    /// bits say, a leading zero meaning negative (T.81 section F.2.2.1, EXTEND), in two's complement.
    #[inline]
    pub(crate) fn take(&mut self, table: &Huffman) -> Result<(u32, u32), CodecError> {
        if self.held < 32 {
            self.fill();
        }
        let entry = table.entry(self.buffer);
        let (total, length) = (entry & 0xFF, entry >> 8 & 0xFF);
        if entry == 0 || total > self.held {
            return Err(self.out_of_codes());
        }
        let rest = self.buffer << length;
        let extra = total - length;
        // Up to 15 bits.
        #[allow(clippy::cast_possible_truncation)]
        let number = ((rest >> 1) >> (63 - extra)) as u32;
        let below = if rest.cast_signed() < 0 { 0 } else { (1 << extra) - 1 };
        self.buffer <<= total;
        self.held -= total;
        Ok((entry >> 16, number.wrapping_sub(below)))
    }

    #[cold]
    fn out_of_codes(&self) -> CodecError {
        // No code and its bits are longer than 16 + 15.
        if self.held < 31 {
            CodecError::Truncated
        } else {
            CodecError::Damaged("a code is in no Huffman table")
        }
    }

    /// Where the bits end; no more than the padding of a byte may be left of them.
    pub(crate) fn end(mut self) -> Result<usize, CodecError> {
        self.fill_slowly();
        if self.held >= 8 {
            return Err(CodecError::Damaged("it holds more than the samples of the frame"));
        }
        Ok(self.at)
    }
}

/// Whether one of eight bytes is 0xFF.
#[inline]
fn holds_ff(word: u64) -> bool {
    const LOWEST: u64 = u64::from_ne_bytes([0x01; 8]);
    const HIGHEST: u64 = u64::from_ne_bytes([0x80; 8]);
    (!word).wrapping_sub(LOWEST) & word & HIGHEST != 0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A word of codes that begins with the given bits.
    fn bits(text: &str) -> Vec<u8> {
        let digits: Vec<u8> = text.bytes().filter(|b| *b != b' ').map(|b| b - b'0').collect();
        digits
            .chunks(8)
            .map(|c| c.iter().fold(0, |byte, bit| byte << 1 | bit) << (8 - c.len()))
            .collect()
    }

    #[test]
    fn codes_are_given_out_shortest_first() {
        // Two codes of two bits, one of three, one of twelve: 00, 01, 100, 101000000000.
        let counts = [0, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0];
        let table = Huffman::new(&counts, &[3, 0, 16, 2]).expect("a table");
        let stream = bits("00 101 01 100 101000000000 01 00 011");
        let mut reader = Bits::new(&stream, 0);
        let taken: Vec<_> = (0..5).map(|_| reader.take(&table).expect("a code")).collect();
        // Table F.1 of T.81: 011 of three bits is -4.
        assert_eq!(
            taken,
            [(3, 5), (0, 0), (16, 0), (2, 2_u32.wrapping_sub(4)), (3, 4_u32.wrapping_neg())]
        );
        assert_eq!(reader.end(), Ok(stream.len()));
    }

    #[test]
    fn a_table_with_more_codes_than_there_is_room_for_is_refused() {
        let mut counts = [0; 16];
        counts[0] = 3;
        assert!(Huffman::new(&counts, &[0, 1, 2]).is_err());
        assert!(Huffman::new(&[0; 16], &[]).is_err());
    }

    #[test]
    fn ff_is_seen_in_every_place() {
        assert!(!holds_ff(0xFE7F_8001_00F0_0FEF));
        for place in 0..8 {
            assert!(holds_ff(0xFE7F_8001_00F0_0FEF | 0xFF << (8 * place)));
        }
    }

    #[test]
    fn a_stuffed_zero_is_no_bit_and_a_marker_is_the_end() {
        let counts = [2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        let table = Huffman::new(&counts, &[0, 1]).expect("a table");
        // Codes 1 with their bit 1, four of them a byte.
        let stream = [0xFF, 0x00, 0xFF, 0x00, 0xFF, 0xD9];
        let mut reader = Bits::new(&stream, 0);
        for _ in 0..8 {
            assert_eq!(reader.take(&table), Ok((1, 1)));
        }
        assert_eq!(reader.take(&table), Err(CodecError::Truncated));
        assert_eq!(reader.end(), Ok(4));
    }
}
