use std::collections::BTreeMap;

use super::{HEAD_BYTES, PlainFault};

/// Longest line of a header, bytes. Lines of numbers have some hundred; texts are longer.
const LONGEST_LINE: usize = 16_384;

/// The fields of the format, by the names that are used here. Each may also be written without
/// blanks and in capitals.
const FIELDS: [&str; 31] = [
    "axis maxs",
    "axis mins",
    "block size",
    "byte skip",
    "centerings",
    "centers",
    "content",
    "data file",
    "dimension",
    "encoding",
    "endian",
    "kinds",
    "labels",
    "line skip",
    "max",
    "measurement frame",
    "min",
    "number",
    "old max",
    "old min",
    "sample units",
    "sizes",
    "space",
    "space dimension",
    "space directions",
    "space origin",
    "space units",
    "spacings",
    "thicknesses",
    "type",
    "units",
];

/// The fields of a header in text, and where it ends.
#[derive(Debug, Default)]
pub(super) struct Fields {
    values: BTreeMap<&'static str, String>,
    /// Bytes of the header with the empty line that ends it.
    pub(super) end: usize,
    /// Whether there are comments, labels or keys of somebody's own.
    pub(super) texts_present: bool,
}

impl Fields {
    /// The value of a field, trimmed.
    pub(super) fn get(&self, field: &str) -> Option<&str> {
        self.values.get(field).map(String::as_str)
    }

    /// As [`Fields::get`], for a field that must be there.
    pub(super) fn needed(
        &self,
        field: &'static str,
        instead: Option<&'static str>,
    ) -> Result<&str, PlainFault> {
        let instead = instead.filter(|i| self.get(i).is_some());
        self.get(field).ok_or(PlainFault::Missing { field, instead })
    }
}

/// Takes a header apart into its fields, up to the first empty line; a header that is `whole`
/// the file may also end with it. Comments and keys of somebody's own are passed over, not kept.
pub(super) fn read_fields(head: &[u8], whole: bool) -> Result<Fields, PlainFault> {
    let mut fields = Fields::default();
    let looked_at = &head[..head.len().min(HEAD_BYTES)];
    let whole = whole && looked_at.len() == head.len();
    let mut number = 0;
    while fields.end < looked_at.len() {
        let rest = &looked_at[fields.end..];
        number += 1;
        let newline = rest.iter().position(|&b| b == b'\n');
        if newline.is_none() && !whole {
            break;
        }
        let line = &rest[..newline.unwrap_or(rest.len())];
        fields.end += newline.map_or(rest.len(), |at| at + 1);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.len() > LONGEST_LINE {
            return Err(PlainFault::Line { line: number, reason: "is longer than 16384 bytes" });
        }
        if number == 1 {
            check_magic(line)?;
        } else if line.is_empty() {
            return Ok(fields);
        } else {
            fields.take(line, number)?;
        }
    }
    if whole { Ok(fields) } else { Err(PlainFault::HeaderEnd { bytes: looked_at.len() }) }
}

fn check_magic(line: &[u8]) -> Result<(), PlainFault> {
    match line.trim_ascii_end() {
        [b'N', b'R', b'R', b'D', b'0', b'0', b'0', b'1'..=b'5'] => Ok(()),
        _ => Err(PlainFault::Line { line: 1, reason: "is not NRRD0001 to NRRD0005" }),
    }
}

impl Fields {
    /// One line: a comment, `field: value` or `key:=value`.
    fn take(&mut self, line: &[u8], number: usize) -> Result<(), PlainFault> {
        if line[0] == b'#' {
            self.texts_present |= !is_notice(line);
            return Ok(());
        }
        let at = line.windows(2).position(|w| w == b": ").or_else(|| {
            let last = line.len() - 1;
            (line[last] == b':').then_some(last)
        });
        let field = at.and_then(|at| Some((known(&line[..at])?, &line[at + 1..])));
        let Some((field, value)) = field else {
            if line.windows(2).any(|w| w == b":=") {
                self.texts_present = true;
                return Ok(());
            }
            let reason = "is no comment, no known field and no key with a value";
            return Err(PlainFault::Line { line: number, reason });
        };
        self.texts_present |= matches!(field, "content" | "labels");
        let value = match std::str::from_utf8(value) {
            Ok(value) => value.trim(),
            // Texts are not used, so that their coding does not matter.
            Err(_) if matches!(field, "content" | "labels") => "",
            Err(_) => return Err(PlainFault::Line { line: number, reason: "is not UTF-8" }),
        };
        if self.values.insert(field, value.to_owned()).is_some() {
            return Err(PlainFault::Repeated { field, line: number });
        }
        Ok(())
    }
}

/// The two comments that name the format's own description, which writers put in every file.
fn is_notice(line: &[u8]) -> bool {
    let text = line[1..].trim_ascii();
    text == b"Complete NRRD file format specification at:"
        || text == b"http://teem.sourceforge.net/nrrd/format.html"
}

fn known(name: &[u8]) -> Option<&'static str> {
    let plain = name.to_ascii_lowercase();
    let blanks_left_out =
        |field: &str| field.bytes().filter(|b| *b != b' ').eq(plain.iter().copied());
    let found = FIELDS.into_iter().find(|f| f.as_bytes() == plain || blanks_left_out(f));
    // One thing under two names.
    found.map(|f| if f == "centers" { "centerings" } else { f })
}
