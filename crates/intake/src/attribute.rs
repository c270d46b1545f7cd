use std::fmt;

use dicom_core::Tag;
use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry, UidDictionary};
use dicom_dictionary_std::{StandardDataDictionary, StandardSopClassDictionary};

/// Longest piece of a file's text that a message repeats, characters.
const LONGEST_QUOTE: usize = 64;

/// A DICOM attribute; shown as `(gggg,eeee) Keyword`.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Attribute(pub(crate) Tag);

impl Attribute {
    /// The group number.
    #[must_use]
    pub fn group(self) -> u16 {
        self.0.group()
    }

    /// The element number.
    #[must_use]
    pub fn element(self) -> u16 {
        self.0.element()
    }
}

impl fmt::Display for Attribute {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "({:04X},{:04X})", self.group(), self.element())?;
        match StandardDataDictionary.by_tag(self.0) {
            Some(entry) => write!(f, " {}", entry.alias()),
            None => Ok(()),
        }
    }
}

impl fmt::Debug for Attribute {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// A file's text made safe to print: control and direction-changing characters escaped,
/// cut after 64 characters.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = escaped(&text.chars().take(LONGEST_QUOTE).collect::<String>());
    if text.chars().nth(LONGEST_QUOTE).is_some() {
        out.push_str("...");
    }
    out
}

/// Text with control and direction-changing characters escaped.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        let turns = matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}');
        if c.is_control() || turns {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

/// Name of a SOP class, from the data dictionary.
pub(crate) fn sop_class_name(uid: &str) -> &'static str {
    StandardSopClassDictionary.by_uid(uid).map_or("unknown", |entry| entry.name)
}

/// Explicit VR Big Endian, retired (DICOM PS3.5 section A.3); the data dictionary leaves it out.
pub(crate) const EXPLICIT_BIG_ENDIAN: &str = "1.2.840.10008.1.2.2";

/// Names of transfer syntaxes (DICOM PS3.6 table A-1) that a scan may come in.
const TRANSFER_SYNTAXES: [(&str, &str); 32] = [
    ("1.2.840.10008.1.2", "Implicit VR Little Endian"),
    ("1.2.840.10008.1.2.1", "Explicit VR Little Endian"),
    ("1.2.840.10008.1.2.1.98", "Encapsulated Uncompressed Explicit VR Little Endian"),
    ("1.2.840.10008.1.2.1.99", "Deflated Explicit VR Little Endian"),
    (EXPLICIT_BIG_ENDIAN, "Explicit VR Big Endian"),
    ("1.2.840.10008.1.2.4.50", "JPEG Baseline"),
    ("1.2.840.10008.1.2.4.51", "JPEG Extended"),
    ("1.2.840.10008.1.2.4.57", "JPEG Lossless"),
    ("1.2.840.10008.1.2.4.70", "JPEG Lossless, first-order prediction"),
    ("1.2.840.10008.1.2.4.80", "JPEG-LS Lossless"),
    ("1.2.840.10008.1.2.4.81", "JPEG-LS Near-Lossless"),
    ("1.2.840.10008.1.2.4.90", "JPEG 2000 Lossless"),
    ("1.2.840.10008.1.2.4.91", "JPEG 2000"),
    ("1.2.840.10008.1.2.4.92", "JPEG 2000 Part 2 Multi-component Lossless"),
    ("1.2.840.10008.1.2.4.93", "JPEG 2000 Part 2 Multi-component"),
    ("1.2.840.10008.1.2.4.94", "JPIP Referenced"),
    ("1.2.840.10008.1.2.4.95", "JPIP Referenced Deflate"),
    ("1.2.840.10008.1.2.4.100", "MPEG2 Main Profile / Main Level"),
    ("1.2.840.10008.1.2.4.101", "MPEG2 Main Profile / High Level"),
    ("1.2.840.10008.1.2.4.102", "MPEG-4 AVC/H.264 High Profile"),
    ("1.2.840.10008.1.2.4.103", "MPEG-4 AVC/H.264 BD-compatible High Profile"),
    ("1.2.840.10008.1.2.4.107", "HEVC/H.265 Main Profile"),
    ("1.2.840.10008.1.2.4.108", "HEVC/H.265 Main 10 Profile"),
    ("1.2.840.10008.1.2.4.110", "JPEG XL Lossless"),
    ("1.2.840.10008.1.2.4.111", "JPEG XL JPEG Recompression"),
    ("1.2.840.10008.1.2.4.112", "JPEG XL"),
    ("1.2.840.10008.1.2.8.1", "Deflated Image Frame Compression"),
    ("1.2.840.10008.1.2.6.1", "RFC 2557 MIME Encapsulation"),
    ("1.2.840.10008.1.2.4.201", "High-Throughput JPEG 2000 Lossless"),
    ("1.2.840.10008.1.2.4.202", "High-Throughput JPEG 2000 with RPCL, Lossless"),
    ("1.2.840.10008.1.2.4.203", "High-Throughput JPEG 2000"),
    ("1.2.840.10008.1.2.5", "RLE Lossless"),
];

/// Name of a transfer syntax that a scan may come in, read by this crate or not; `None` for
/// others.
#[must_use]
pub fn transfer_syntax_name(uid: &str) -> Option<&'static str> {
    TRANSFER_SYNTAXES.iter().find(|(known, _)| *known == uid).map(|(_, name)| *name)
}
