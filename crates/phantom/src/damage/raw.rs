//! Elements as bytes, Little Endian, with any length that a test wants to claim.

use dicom_core::Tag;

/// The length of a sequence or item that ends with a delimiter.
pub const UNDEFINED: u32 = u32::MAX;
/// Item Delimitation Item (FFFE,E00D).
pub const ITEM_DELIMITER: [u8; 8] = [0xFE, 0xFF, 0x0D, 0xE0, 0, 0, 0, 0];
/// Sequence Delimitation Item (FFFE,E0DD).
pub const SEQUENCE_DELIMITER: [u8; 8] = [0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0];

/// Value representations whose length has 16 bits (DICOM PS3.5 table 7.1-2).
pub(crate) const SHORT: [&[u8; 2]; 20] = [
    b"AE", b"AS", b"AT", b"CS", b"DA", b"DS", b"DT", b"FL", b"FD", b"IS", b"LO", b"LT", b"PN",
    b"SH", b"SL", b"SS", b"ST", b"TM", b"UI", b"UL",
];

/// Whether the length of an element has 16 bits; US stands apart only for the table's width.
pub(crate) fn is_short(vr: [u8; 2]) -> bool {
    &vr == b"US" || SHORT.contains(&&vr)
}

fn tag_bytes(tag: Tag) -> [u8; 4] {
    let ([a, b], [c, d]) = (tag.group().to_le_bytes(), tag.element().to_le_bytes());
    [a, b, c, d]
}

/// An Explicit VR Little Endian element with any claimed length. The low 16 bits of the
/// length are written for a value representation that has no more.
///
/// # Examples
///
/// ```
/// use dicom_core::Tag;
/// use jawgauge_phantom::damage::explicit_element;
/// let forged = explicit_element(Tag(0x0009, 0x1010), *b"OB", 0xFFFF_FFF0, b"ab");
/// assert_eq!(forged[..12], [9, 0, 0x10, 0x10, b'O', b'B', 0, 0, 0xF0, 0xFF, 0xFF, 0xFF]);
/// let short = explicit_element(Tag(0x0010, 0x0020), *b"LO", 4, b"abcd");
/// assert_eq!(short[4..8], [b'L', b'O', 4, 0]);
/// ```
#[must_use]
pub fn explicit_element(tag: Tag, vr: [u8; 2], declared: u32, value: &[u8]) -> Vec<u8> {
    let mut out = tag_bytes(tag).to_vec();
    out.extend(vr);
    let length = declared.to_le_bytes();
    if is_short(vr) {
        out.extend(&length[..2]);
    } else {
        out.extend([0, 0]);
        out.extend(length);
    }
    out.extend_from_slice(value);
    out
}

/// An Implicit VR Little Endian element with any claimed length.
#[must_use]
pub fn implicit_element(tag: Tag, declared: u32, value: &[u8]) -> Vec<u8> {
    [&tag_bytes(tag)[..], &declared.to_le_bytes(), value].concat()
}

/// An item (FFFE,E000) with any claimed length; [`UNDEFINED`] does not add the delimiter.
#[must_use]
pub fn item(declared: u32, value: &[u8]) -> Vec<u8> {
    implicit_element(Tag(0xFFFE, 0xE000), declared, value)
}

/// A sequence of undefined length in Explicit VR Little Endian, with items of undefined
/// length around the given bytes.
///
/// With the value representation `UN` the items hold Implicit VR Little Endian, whatever
/// the file (DICOM PS3.5 section 6.2.2, note on UN of undefined length).
#[must_use]
pub fn undefined_sequence(tag: Tag, vr: [u8; 2], items: &[Vec<u8>]) -> Vec<u8> {
    let mut out = explicit_element(tag, vr, UNDEFINED, &[]);
    for value in items {
        out.extend(item(UNDEFINED, value));
        out.extend(ITEM_DELIMITER);
    }
    out.extend(SEQUENCE_DELIMITER);
    out
}

/// Sequences of one item each, one within another, `depth` deep; all of undefined length,
/// Explicit VR Little Endian.
#[must_use]
pub fn nested_sequences(tag: Tag, depth: usize) -> Vec<u8> {
    let open = explicit_element(tag, *b"SQ", UNDEFINED, &item(UNDEFINED, &[]));
    let close = [ITEM_DELIMITER, SEQUENCE_DELIMITER].concat();
    [open.repeat(depth), close.repeat(depth)].concat()
}
