use jawgauge_space::Affine;
use jawgauge_volume::Rescale;

use super::grid::{Placement, checked_dims, shear, spacing_notes};
use super::nrrd_fields::{Fields, read_fields};
use super::{DataPlace, DataStart, PlainFault, PlainNote, PlainVolume, VoxelCode};
use crate::attribute::quoted;
use crate::decimal::parse_decimals;

/// Spellings of the types that are read.
const TYPES: [(VoxelCode, &[&str]); 8] = [
    (VoxelCode::I8, &["signed char", "int8", "int8_t"]),
    (VoxelCode::U8, &["uchar", "unsigned char", "uint8", "uint8_t"]),
    (
        VoxelCode::I16,
        &["short", "short int", "signed short", "signed short int", "int16", "int16_t"],
    ),
    (VoxelCode::U16, &["ushort", "unsigned short", "unsigned short int", "uint16", "uint16_t"]),
    (VoxelCode::I32, &["int", "signed int", "int32", "int32_t"]),
    (VoxelCode::U32, &["uint", "unsigned int", "uint32", "uint32_t"]),
    (VoxelCode::F32, &["float"]),
    (VoxelCode::F64, &["double"]),
];

/// Reads the header of an NRRD file: `head` are its first bytes, [`super::HEAD_BYTES`] or the
/// whole file, and `length` all its bytes, where known.
///
/// Where the voxels are packed, in a file beside it, or behind skipped lines, their length is
/// not judged here: see [`PlainVolume::judge_length`].
///
/// # Source
///
/// The format's definition, <http://teem.sourceforge.net/nrrd/format.html> (from memory, held
/// against SimpleITK and pynrrd in the tests). `space origin` is the centre of the first sample
/// whatever `centerings` says. Left out: `byte skip` of packed data, of which readers differ.
pub(crate) fn parse_nrrd(head: &[u8], length: Option<u64>) -> Result<PlainVolume, PlainFault> {
    let whole = length.is_some_and(|all| all <= head.len() as u64);
    let fields = read_fields(head, whole)?;
    exactly(&fields, "dimension", &["3"], "3")?;
    let code = voxel_code(&fields)?;
    let gzip = packed(&fields)?;
    let (dims, voxel_bytes) = checked_dims("sizes", sizes(&fields)?, code)?;
    let big_endian = code.bytes() > 1
        && exactly(&fields, "endian", &["little", "big"], "little or big")? == "big";
    check_kinds(&fields)?;
    let mut notes: Vec<PlainNote> = unit_note(&fields)?.into_iter().collect();
    let affine = orientation(&fields)?;
    notes.extend(shear(&affine));
    if let Some(spacings) = fields.get("spacings") {
        notes.extend(spacing_notes(&affine, "spacings", said_spacings(spacings, &affine)?));
    }
    let unused = ["old min", "old max"].into_iter().filter(|f| fields.get(f).is_some());
    notes.extend(unused.map(|field| PlainNote::NotUsed { field }));
    let place = place(&fields)?;
    let at = if place == DataPlace::SameFile { fields.end as u64 } else { 0 };
    let mut volume = PlainVolume {
        dims,
        affine,
        code,
        big_endian,
        rescale: Rescale { slope: 1.0, intercept: 0.0 },
        voxel_bytes,
        place,
        start: start(&fields, at, gzip)?,
        gzip,
        texts_present: fields.texts_present,
        notes,
    };
    let own = volume.place == DataPlace::SameFile && !gzip && volume.start.lines == 0;
    if let Some(length) = length.filter(|_| own) {
        let surplus = volume.judge_length(length.saturating_sub(at))?;
        volume.notes.extend(surplus);
    }
    Ok(volume)
}

fn bad(field: &'static str, value: &str, expected: &str) -> PlainFault {
    PlainFault::Value { field, value: quoted(value), expected: expected.to_owned() }
}

/// A needed field that has one of the given values, whatever its capitals.
fn exactly(
    fields: &Fields,
    field: &'static str,
    allowed: &[&'static str],
    expected: &str,
) -> Result<&'static str, PlainFault> {
    let value = fields.needed(field, None)?;
    let found = allowed.iter().find(|a| a.eq_ignore_ascii_case(value));
    found.copied().ok_or_else(|| bad(field, value, expected))
}

fn voxel_code(fields: &Fields) -> Result<VoxelCode, PlainFault> {
    let value = fields.needed("type", None)?;
    let is = |name: &&str| name.eq_ignore_ascii_case(value);
    let found = TYPES.iter().find(|(_, names)| names.iter().any(is));
    found
        .map(|(code, _)| *code)
        .ok_or_else(|| bad("type", value, "a whole number of up to 32 bits, float or double"))
}

fn packed(fields: &Fields) -> Result<bool, PlainFault> {
    exactly(fields, "encoding", &["raw", "gzip", "gz"], "raw or gzip").map(|e| e != "raw")
}

fn sizes(fields: &Fields) -> Result<[u64; 3], PlainFault> {
    let text = fields.needed("sizes", None)?;
    let sizes: Option<Vec<u64>> = text.split_whitespace().map(whole).collect();
    let sizes = sizes.and_then(|s| s.try_into().ok());
    sizes.ok_or_else(|| bad("sizes", text, "three whole numbers"))
}

fn whole(text: &str) -> Option<u64> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    text.parse().ok().filter(|_| digits)
}

/// Every axis must be one of space; axes of colours, vectors or lists are refused.
fn check_kinds(fields: &Fields) -> Result<(), PlainFault> {
    let Some(text) = fields.get("kinds") else { return Ok(()) };
    let of_space = |kind: &str| {
        ["domain", "space", "none", "???"].iter().any(|known| known.eq_ignore_ascii_case(kind))
    };
    if text.split_whitespace().count() == 3 && text.split_whitespace().all(of_space) {
        return Ok(());
    }
    Err(bad("kinds", text, "three of domain or space"))
}

fn unit_note(fields: &Fields) -> Result<Option<PlainNote>, PlainFault> {
    let field = "space units";
    let text = fields.get(field).unwrap_or_default();
    let said = text.replace('"', " ");
    let units: Vec<&str> = said.split_whitespace().collect();
    match units.as_slice() {
        [] => Ok(Some(PlainNote::UnitNotSaid { field })),
        ["mm", "mm", "mm"] => Ok(None),
        _ => Err(bad(field, text, "\"mm\" three times")),
    }
}

fn orientation(fields: &Fields) -> Result<Affine, PlainFault> {
    let space = fields.needed("space", Some("space dimension"))?;
    let is = |names: &[&str]| names.iter().any(|n| n.eq_ignore_ascii_case(space));
    // Signs that turn the axes into LPS.
    let signs = if is(&["left-posterior-superior", "LPS"]) {
        [1.0, 1.0, 1.0]
    } else if is(&["right-anterior-superior", "RAS"]) {
        [-1.0, -1.0, 1.0]
    } else if is(&["left-anterior-superior", "LAS"]) {
        [1.0, -1.0, 1.0]
    } else {
        let expected = "left-posterior-superior, right-anterior-superior or left-anterior-superior";
        return Err(bad("space", space, expected));
    };
    let directions = fields.needed("space directions", Some("spacings"))?;
    let steps: [[f64; 3]; 3] = vectors(directions)
        .and_then(|v| v.try_into().ok())
        .ok_or_else(|| bad("space directions", directions, "three vectors (x,y,z)"))?;
    let text = fields.needed("space origin", Some("axis mins"))?;
    let [origin]: [[f64; 3]; 1] = vectors(text)
        .and_then(|v| v.try_into().ok())
        .ok_or_else(|| bad("space origin", text, "a point (x,y,z)"))?;
    Placement::from_axes(origin, steps, signs, 1.0).affine("space origin", "space directions")
}

/// Vectors in brackets, `(1,0,0) (0,1,0)`.
fn vectors(text: &str) -> Option<Vec<[f64; 3]>> {
    let mut rest = text.trim();
    let mut found = Vec::new();
    while !rest.is_empty() {
        let (inside, after) = rest.strip_prefix('(')?.split_once(')')?;
        let numbers: Option<Vec<f64>> = inside.split(',').map(number).collect();
        found.push(numbers?.try_into().ok()?);
        rest = after.trim_start();
    }
    Some(found)
}

fn number(text: &str) -> Option<f64> {
    match parse_decimals(text.trim())?.as_slice() {
        [number] => Some(*number),
        _ => None,
    }
}

/// `spacings` beside `space directions`: NaN says nothing, as the format has it.
fn said_spacings(text: &str, affine: &Affine) -> Result<[f64; 3], PlainFault> {
    let steps = affine.spacing_mm();
    let said = |(axis, word): (usize, &str)| {
        if word.eq_ignore_ascii_case("nan") { steps.get(axis).copied() } else { number(word) }
    };
    let said: Option<Vec<f64>> = text.split_whitespace().enumerate().map(said).collect();
    let said = said.and_then(|s| s.try_into().ok());
    said.ok_or_else(|| bad("spacings", text, "three distances"))
}

fn place(fields: &Fields) -> Result<DataPlace, PlainFault> {
    let field = "data file";
    let Some(name) = fields.get(field) else { return Ok(DataPlace::SameFile) };
    let listed = name.split_whitespace().next() == Some("LIST");
    if listed || name.contains('%') {
        return Err(bad(field, name, "a single file"));
    }
    let outside = |c: char| matches!(c, '/' | '\\' | ':') || c.is_control();
    if matches!(name, "" | "." | "..") || name.contains(outside) {
        return Err(bad(field, name, "the name of a file beside the header"));
    }
    Ok(DataPlace::Beside(name.to_owned()))
}

fn start(fields: &Fields, at: u64, gzip: bool) -> Result<DataStart, PlainFault> {
    let lines = fields.get("line skip").unwrap_or("0");
    let lines = whole(lines).ok_or_else(|| bad("line skip", lines, "a whole number of lines"))?;
    let skip = fields.get("byte skip").unwrap_or("0");
    let bytes = match (skip, whole(skip)) {
        (_, Some(0)) => Some(0),
        _ if gzip => return Err(bad("byte skip", skip, "0, as the voxels are packed")),
        ("-1", _) => None,
        (_, Some(bytes)) => Some(bytes),
        _ => return Err(bad("byte skip", skip, "a whole number of bytes, or -1")),
    };
    Ok(DataStart { at, lines, bytes })
}
