use jawgauge_space::Affine;
use jawgauge_volume::Rescale;
use nifti::{Endianness, NiftiHeader, NiftiType};

use super::grid::{Placement, checked_dims, parting, shear, spacing_notes};
use super::{DataPlace, DataStart, PlainFault, PlainNote, PlainVolume, VoxelCode};

/// Bytes of a NIfTI-1 header (nifti1.h, `sizeof_hdr`); Analyze 7.5 has as many.
const HEADER: usize = 348;
/// Bytes of a NIfTI-2 header (nifti2.h).
const HEADER_2: i32 = 540;
/// Where the magic stands in a NIfTI-1 header.
const MAGIC: std::ops::Range<usize> = 344..348;
/// First byte that voxels of a single file may have (nifti1.h, `vox_offset`) ...
const FIRST_VOXEL: f32 = 352.0;
/// ... and the last offset up to which single precision holds every whole number, 2^24.
const LAST_VOXEL: f32 = 16_777_216.0;
/// RAS+ (nifti1.h: +x right, +y anterior, +z superior) to LPS+.
const RAS: [f64; 3] = [-1.0, -1.0, 1.0];
/// How far b2 + c2 + d2 of a unit quaternion may exceed 1: rounding of three numbers in single
/// precision, 3 x 2^-23.
const QUATERNION_ROUNDING: f64 = 3.6e-7;
/// sform and qform may part by so much at a corner of the volume, mm, before it is worth a word.
/// A quaternion near a half turn loses up to 0.04 degrees to single precision, which over a jaw
/// of 70 mm radius is 0.05 mm ...
const FORMS_MM: f64 = 0.05;
/// ... and the voxel steps by so much, degrees, for the same reason.
const FORMS_DEG: f64 = 0.05;

/// Whether the bytes begin as NIfTI-1, NIfTI-2 or Analyze do.
pub(super) fn looks_like_nifti(head: &[u8]) -> bool {
    let sizes = [348, HEADER_2];
    let by_size = word(head).is_some_and(|b| {
        sizes.contains(&i32::from_le_bytes(b)) || sizes.contains(&i32::from_be_bytes(b))
    });
    by_size || head.get(MAGIC).is_some_and(|m| m == b"n+1\0" || m == b"ni1\0")
}

fn word(head: &[u8]) -> Option<[u8; 4]> {
    head.first_chunk().copied()
}

/// Reads the header of a NIfTI-1 file: `head` are its first bytes, 352 or more where it has
/// them, and `length` all its bytes, where known; both decompressed.
///
/// The sform is used where its code says patient coordinates (1 or 2), else the qform. Codes
/// 3, 4 and 5 map to a standard head, whose millimetres are not the patient's. `scl_slope` 0
/// means no scaling; `xyzt_units` 0 is taken for millimetres, with a note.
///
/// # Source
///
/// nifti1.h of the NIfTI Data Format Working Group, <https://nifti.nimh.nih.gov/nifti-1>, methods
/// 2 and 3 of "3D image (volume) orientation and location in space" (from memory, held against
/// nibabel and SimpleITK in the tests). Method 1, without orientation, is refused.
pub(crate) fn parse_nifti(head: &[u8], length: Option<u64>) -> Result<PlainVolume, PlainFault> {
    refuse_relatives(head)?;
    let header = head.get(..HEADER).ok_or(PlainFault::HeaderEnd { bytes: head.len() })?;
    let header = NiftiHeader::from_reader(header)
        .map_err(|_| PlainFault::Relative { found: "no NIfTI-1 header" })?;
    if header.sizeof_hdr != 348 {
        return Err(bad("sizeof_hdr", header.sizeof_hdr, "348"));
    }
    let code = voxel_code(&header)?;
    let (dims, voxel_bytes) = dims(&header, code)?;
    let (unit_mm, unit_note) = unit(&header)?;
    let mut notes: Vec<PlainNote> = unit_note.into_iter().collect();
    let affine = orientation(&header, dims, unit_mm, &mut notes)?;
    notes.extend(shear(&affine));
    notes.extend(spacing_notes(&affine, "pixdim", pixdim(&header).map(|mm| mm * unit_mm)));
    let rescale = rescale(&header, &mut notes)?;
    if header.intent_code != 0 {
        notes.push(PlainNote::Intent { code: header.intent_code });
    }
    let mut volume = PlainVolume {
        dims,
        affine,
        code,
        big_endian: header.endianness == Endianness::Big,
        rescale,
        voxel_bytes,
        place: DataPlace::SameFile,
        start: DataStart { at: 0, lines: 0, bytes: Some(offset(&header)?) },
        gzip: false,
        texts_present: texts_present(&header, head.get(HEADER)),
        notes,
    };
    if let Some(length) = length {
        let surplus = volume.judge_length(length)?;
        volume.notes.extend(surplus);
    }
    Ok(volume)
}

fn bad(
    field: &'static str,
    value: impl std::fmt::Display,
    expected: impl Into<String>,
) -> PlainFault {
    PlainFault::Value { field, value: value.to_string(), expected: expected.into() }
}

/// Names what is not read: NIfTI-2, pairs of files, and Analyze, which has no orientation.
fn refuse_relatives(head: &[u8]) -> Result<(), PlainFault> {
    let found = |found| Err(PlainFault::Relative { found });
    let size = word(head).map(|b| [i32::from_le_bytes(b), i32::from_be_bytes(b)]);
    if size.is_some_and(|s| s.contains(&HEADER_2)) {
        return found("sizeof_hdr is 540, a NIfTI-2 file");
    }
    match head.get(MAGIC) {
        Some(b"n+1\0") | None => Ok(()),
        Some(b"ni1\0") => found("magic is \"ni1\", the header of a pair of .hdr and .img files"),
        Some(_) => found("magic is neither \"n+1\" nor \"ni1\", as in Analyze files"),
    }
}

fn voxel_code(header: &NiftiHeader) -> Result<VoxelCode, PlainFault> {
    let code = match header.data_type() {
        Ok(NiftiType::Uint8) => VoxelCode::U8,
        Ok(NiftiType::Int8) => VoxelCode::I8,
        Ok(NiftiType::Uint16) => VoxelCode::U16,
        Ok(NiftiType::Int16) => VoxelCode::I16,
        Ok(NiftiType::Uint32) => VoxelCode::U32,
        Ok(NiftiType::Int32) => VoxelCode::I32,
        Ok(NiftiType::Float32) => VoxelCode::F32,
        Ok(NiftiType::Float64) => VoxelCode::F64,
        other => {
            let name = other.map_or_else(|_| "unknown".to_owned(), |t| format!("{t:?}"));
            let expected = "a whole number of up to 32 bits, FLOAT32 or FLOAT64";
            return Err(bad("datatype", format!("{} ({name})", header.datatype), expected));
        }
    };
    let bits = code.bytes() * 8;
    if i64::from(header.bitpix) != i64::try_from(bits).unwrap_or(0) {
        return Err(bad("bitpix", header.bitpix, format!("{bits}, as datatype says")));
    }
    Ok(code)
}

fn dims(header: &NiftiHeader, code: VoxelCode) -> Result<([usize; 3], u64), PlainFault> {
    // The library reads them unsigned; the standard has them signed.
    let [rank, i, j, k, more @ ..] = header.dim.map(u16::cast_signed);
    if !(3..=7).contains(&rank) {
        return Err(bad("dim[0]", rank, "3"));
    }
    let used = more.iter().take(usize::try_from(rank - 3).unwrap_or(0));
    for (dim, field) in used.zip(["dim[4]", "dim[5]", "dim[6]", "dim[7]"]) {
        if *dim != 1 {
            return Err(bad(field, dim, "1: a single volume"));
        }
    }
    for (dim, field) in [i, j, k].into_iter().zip(["dim[1]", "dim[2]", "dim[3]"]) {
        if dim < 2 {
            return Err(bad(field, dim, "2 or more"));
        }
    }
    checked_dims("dim", [i, j, k].map(|n| u64::from(n.unsigned_abs())), code)
}

/// Millimetres of the unit of length (nifti1.h, `XYZT_TO_SPACE`).
fn unit(header: &NiftiHeader) -> Result<(f64, Option<PlainNote>), PlainFault> {
    match header.xyzt_units & 7 {
        0 => Ok((1.0, Some(PlainNote::UnitNotSaid { field: "xyzt_units" }))),
        1 => Ok((1000.0, None)),
        2 => Ok((1.0, None)),
        3 => Ok((0.001, None)),
        _ => Err(bad("xyzt_units", header.xyzt_units, "metre, millimetre or micron (1, 2 or 3)")),
    }
}

fn pixdim(header: &NiftiHeader) -> [f64; 3] {
    let [_, i, j, k, ..] = header.pixdim.map(f64::from);
    [i, j, k]
}

/// Whether a code says coordinates of the patient (1 scanner, 2 aligned) and not of a standard
/// head (3 Talairach, 4 MNI 152, 5 another template).
fn of_patient(field: &'static str, code: i16) -> Result<bool, PlainFault> {
    match code {
        0 | 3..=5 => Ok(false),
        1 | 2 => Ok(true),
        _ => Err(bad(field, code, "0 to 5")),
    }
}

fn orientation(
    header: &NiftiHeader,
    dims: [usize; 3],
    unit_mm: f64,
    notes: &mut Vec<PlainNote>,
) -> Result<Affine, PlainFault> {
    let (qform, sform) = (header.qform_code, header.sform_code);
    let (by_q, by_s) = (of_patient("qform_code", qform)?, of_patient("sform_code", sform)?);
    if by_s {
        let affine = by_sform(header, unit_mm)?;
        match by_q.then(|| by_qform(header, unit_mm)) {
            Some(Ok(other)) => {
                let (distance_mm, angle_deg) = parting(&affine, &other, dims);
                if !(distance_mm <= FORMS_MM && angle_deg <= FORMS_DEG) {
                    notes.push(PlainNote::FormsDisagree { distance_mm, angle_deg });
                }
            }
            Some(Err(fault)) => notes.push(PlainNote::QformUnusable { fault: Box::new(fault) }),
            None if qform != 0 => notes.push(PlainNote::TemplateQform { qform }),
            None => {}
        }
        return Ok(affine);
    }
    if by_q {
        if sform != 0 {
            notes.push(PlainNote::TemplateSform { sform });
        }
        return by_qform(header, unit_mm);
    }
    Err(PlainFault::NoOrientation { qform, sform })
}

/// Method 3: the rows of the affine as they stand.
fn by_sform(header: &NiftiHeader, unit_mm: f64) -> Result<Affine, PlainFault> {
    let rows = [header.srow_x, header.srow_y, header.srow_z].map(|row| row.map(f64::from));
    let column = |c: usize| [rows[0][c], rows[1][c], rows[2][c]];
    Placement::from_axes(column(3), [column(0), column(1), column(2)], RAS, unit_mm)
        .affine("srow_x, srow_y, srow_z (last column)", "srow_x, srow_y, srow_z")
}

/// Method 2: a rotation by the unit quaternion (a, b, c, d) with a >= 0, spacings, a shift.
///
/// Near half a turn a is known to 3e-4 only, as b, c and d are in single precision: everything
/// may be turned together by 0.04 degrees, distances are not touched.
fn by_qform(header: &NiftiHeader, unit_mm: f64) -> Result<Affine, PlainFault> {
    // 0 stands for 1 (nifti1.h, "qfac").
    let handed = match header.pixdim[0] {
        1.0 | 0.0 => 1.0,
        -1.0 => -1.0,
        x => return Err(bad("pixdim[0] (qfac)", x, "1 or -1")),
    };
    let spacing = pixdim(header);
    if !spacing.iter().all(|mm| *mm > 0.0) {
        let value = spacing.map(|mm| mm.to_string()).join(" ");
        return Err(bad("pixdim", value, "three spacings above 0"));
    }
    let [b, c, d] = [header.quatern_b, header.quatern_c, header.quatern_d].map(f64::from);
    let squares = b * b + c * c + d * d;
    if !(squares <= 1.0 + QUATERNION_ROUNDING) {
        let value = format!("{b} {c} {d}");
        return Err(bad("quatern_b, quatern_c, quatern_d", value, "part of a unit quaternion"));
    }
    let a = (1.0 - squares).max(0.0).sqrt();
    let columns = [
        [a * a + b * b - c * c - d * d, 2.0 * (b * c + a * d), 2.0 * (b * d - a * c)],
        [2.0 * (b * c - a * d), a * a + c * c - b * b - d * d, 2.0 * (c * d + a * b)],
        [2.0 * (b * d + a * c), 2.0 * (c * d - a * b), a * a + d * d - b * b - c * c],
    ];
    let scales = [spacing[0], spacing[1], spacing[2] * handed];
    let steps = std::array::from_fn(|n| columns[n].map(|x| x * scales[n]));
    let shift = [header.quatern_x, header.quatern_y, header.quatern_z].map(f64::from);
    Placement::from_axes(shift, steps, RAS, unit_mm)
        .affine("qoffset_x, qoffset_y, qoffset_z", "pixdim")
}

/// Slope and intercept (nifti1.h, `scl_slope`): a slope of 0 means none of both; so does one
/// that is not a number, which `nibabel` writes there.
fn rescale(header: &NiftiHeader, notes: &mut Vec<PlainNote>) -> Result<Rescale, PlainFault> {
    let (slope, intercept) = (f64::from(header.scl_slope), f64::from(header.scl_inter));
    if slope == 0.0 || slope.is_nan() {
        if intercept != 0.0 && !(slope.is_nan() && intercept.is_nan()) {
            notes.push(PlainNote::InterceptNotUsed { intercept });
        }
        return Ok(Rescale { slope: 1.0, intercept: 0.0 });
    }
    if !(slope > 0.0 && slope.is_finite()) {
        return Err(bad("scl_slope", slope, "a number above 0, or 0 for no scaling"));
    }
    if !intercept.is_finite() {
        return Err(bad("scl_inter", intercept, "a finite number"));
    }
    Ok(Rescale { slope, intercept })
}

fn offset(header: &NiftiHeader) -> Result<u64, PlainFault> {
    let offset = header.vox_offset;
    if (FIRST_VOXEL..=LAST_VOXEL).contains(&offset) && offset.fract() == 0.0 {
        // Whole and in range, as just checked.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        return Ok(offset as u64);
    }
    Err(bad("vox_offset", offset, "a whole number of 352 to 16777216"))
}

/// Whether a text field says anything, or extensions follow (their first byte is not 0).
fn texts_present(header: &NiftiHeader, extension: Option<&u8>) -> bool {
    let fields: [&[u8]; 4] =
        [&header.descrip, &header.db_name, &header.aux_file, &header.intent_name];
    let said = |text: &[u8]| text.iter().any(|b| !matches!(b, 0 | b' '));
    fields.into_iter().any(said) || extension.is_some_and(|&b| b != 0)
}
