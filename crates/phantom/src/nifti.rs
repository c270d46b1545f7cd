use std::fmt;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use flate2::Compression;
use flate2::write::GzEncoder;
use jawgauge_space::Affine;
use jawgauge_volume::{Rescale, Volume};
use nalgebra::{Matrix3, Rotation3, UnitQuaternion};

use crate::PhantomError;
use crate::multi_frame::one_rescale;
use crate::plain_values::{ValueType, binary_blocks};
use crate::plane::check_square;

/// Length of the header and of the (empty) extension after it, bytes.
const HEADER: usize = 348;
const VOXELS_AT: usize = 352;
/// Most voxels along an axis: a signed 16-bit number counts them.
const MOST: usize = i16::MAX as usize;
/// Units: millimetres and seconds.
const MILLIMETRES_SECONDS: u8 = 2 + 8;

type EditHeader = Arc<dyn Fn(&mut Vec<u8>) + Send + Sync>;

/// One of the two affines of a NIfTI header: its code (0 for absent), and the map, where it
/// is not the volume's.
#[derive(Debug, Clone, Copy)]
struct Form {
    code: i16,
    affine: Option<Affine>,
}

/// How [`write_nifti`] writes a volume.
#[derive(Clone)]
pub struct NiftiOptions {
    value_type: ValueType,
    big_endian: bool,
    scaling: Option<Rescale>,
    qform: Form,
    sform: Form,
    pixdim: Option<[f32; 3]>,
    edit: Option<EditHeader>,
}

impl fmt::Debug for NiftiOptions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("NiftiOptions")
            .field("value_type", &self.value_type)
            .field("big_endian", &self.big_endian)
            .field("scaling", &self.scaling)
            .field("qform", &self.qform)
            .field("sform", &self.sform)
            .field("pixdim", &self.pixdim)
            .field("edit", &self.edit.is_some())
            .finish()
    }
}

impl Default for NiftiOptions {
    /// Signed 16 bits, little endian, both affines with code 1 (scanner).
    fn default() -> Self {
        let form = Form { code: 1, affine: None };
        Self {
            value_type: ValueType::I16,
            big_endian: false,
            scaling: None,
            qform: form,
            sform: form,
            pixdim: None,
            edit: None,
        }
    }
}

impl NiftiOptions {
    /// The same with another type of voxels.
    #[must_use]
    pub fn with_type(mut self, value_type: ValueType) -> Self {
        self.value_type = value_type;
        self
    }

    /// The same with the high byte of each number first.
    #[must_use]
    pub fn with_big_endian(mut self) -> Self {
        self.big_endian = true;
        self
    }

    /// The same with these `scl_slope` and `scl_inter`, and values that give the grey
    /// values with them. Slope 0 says "no scaling": the values are the grey values.
    ///
    /// Without this, whole numbers are written as they are stored with the volume's
    /// rescale, floating point numbers as grey values with slope 1 and intercept 0.
    #[must_use]
    pub fn with_scaling(mut self, slope: f64, intercept: f64) -> Self {
        self.scaling = Some(Rescale { slope, intercept });
        self
    }

    /// The same with another `qform_code`; 0 leaves the quaternion out.
    #[must_use]
    pub fn with_qform(mut self, code: i16) -> Self {
        self.qform.code = code;
        self
    }

    /// The same with another `sform_code`; 0 leaves the rows out.
    #[must_use]
    pub fn with_sform(mut self, code: i16) -> Self {
        self.sform.code = code;
        self
    }

    /// The same with a quaternion of another map (voxel to LPS) than the volume's.
    #[must_use]
    pub fn with_qform_affine(mut self, affine: Affine) -> Self {
        self.qform.affine = Some(affine);
        self
    }

    /// The same with rows of another map (voxel to LPS) than the volume's.
    #[must_use]
    pub fn with_sform_affine(mut self, affine: Affine) -> Self {
        self.sform.affine = Some(affine);
        self
    }

    /// The same with these voxel sizes in `pixdim[1..=3]`, mm.
    #[must_use]
    pub fn with_pixdim(mut self, sizes: [f32; 3]) -> Self {
        self.pixdim = Some(sizes);
        self
    }

    /// The same with a change made to the 348 bytes of the header and the 4 after them, to
    /// build files with faults; voxels follow right after what it leaves.
    #[must_use]
    pub fn with_edited_header(
        mut self,
        edit: impl Fn(&mut Vec<u8>) + Send + Sync + 'static,
    ) -> Self {
        self.edit = Some(Arc::new(edit));
        self
    }
}

/// Writes a volume as a NIfTI-1 file: header and voxels in one, gzipped where the name ends
/// in `.gz`.
///
/// Both affines map to coordinates that grow to the patient's right, front and head, turned
/// from LPS. Absent slices and padding are written as they are stored.
///
/// # Errors
///
/// [`PhantomError::ValueRange`] where a value does not fit the type,
/// [`PhantomError::RescaleVaries`] where the slices have different rescales and no scaling
/// was given, [`PhantomError::NotPerpendicular`] and [`PhantomError::Sheared`] for a
/// quaternion of a grid that is not square, [`PhantomError::DimsTooLarge`],
/// [`PhantomError::PartOfGrid`], [`PhantomError::Write`].
///
/// # Accuracy
///
/// The header has 32-bit floating point numbers: seven digits.
///
/// # Source
///
/// The NIfTI-1 data format header, `nifti1.h`: layout from memory, checked with a general
/// reader.
pub fn write_nifti(
    path: &Path,
    volume: &Volume,
    options: &NiftiOptions,
) -> Result<(), PhantomError> {
    let is_float = matches!(options.value_type, ValueType::F32 | ValueType::F64);
    let scaling = match options.scaling {
        Some(scaling) => scaling,
        None if is_float => Rescale { slope: 1.0, intercept: 0.0 },
        None => one_rescale(volume)?,
    };
    // What a reader gets from the header.
    let scaling = Rescale {
        slope: f64::from(single(scaling.slope)),
        intercept: f64::from(single(scaling.intercept)),
    };
    let mut header = header(volume, options, scaling)?;
    if let Some(edit) = &options.edit {
        edit(&mut header);
    }
    let applied =
        if scaling.slope == 0.0 { Rescale { slope: 1.0, intercept: 0.0 } } else { scaling };
    let blocks = binary_blocks(volume, options.value_type, applied, options.big_endian)?;
    let write = || -> io::Result<()> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        let mut file = BufWriter::new(File::create(path)?);
        let all = |sink: &mut dyn Write| {
            sink.write_all(&header)?;
            blocks.iter().try_for_each(|block| sink.write_all(block))
        };
        if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("gz")) {
            let mut zipped = GzEncoder::new(file, Compression::fast());
            all(&mut zipped)?;
            file = zipped.finish()?;
        } else {
            all(&mut file)?;
        }
        file.flush()
    };
    write().map_err(|e| PhantomError::Write { path: path.to_owned(), reason: e.to_string() })
}

/// The nearest 32-bit number.
#[allow(clippy::cast_possible_truncation)]
fn single(value: f64) -> f32 {
    value as f32
}

/// Fields of a header, by their place in bytes.
struct Fields {
    bytes: Vec<u8>,
    big: bool,
}

impl Fields {
    fn put(&mut self, at: usize, little: &[u8]) {
        let place = &mut self.bytes[at..at + little.len()];
        place.copy_from_slice(little);
        if self.big {
            place.reverse();
        }
    }

    fn shorts(&mut self, at: usize, values: &[i16]) {
        for (n, v) in values.iter().enumerate() {
            self.put(at + 2 * n, &v.to_le_bytes());
        }
    }

    fn floats(&mut self, at: usize, values: &[f32]) {
        for (n, v) in values.iter().enumerate() {
            self.put(at + 4 * n, &v.to_le_bytes());
        }
    }
}

fn header(
    volume: &Volume,
    options: &NiftiOptions,
    scaling: Rescale,
) -> Result<Vec<u8>, PhantomError> {
    let dims = volume.geometry().dims();
    let [Ok(ni), Ok(nj), Ok(nk)] = dims.map(i16::try_from) else {
        return Err(PhantomError::DimsTooLarge { dims, most: MOST });
    };
    let mut fields = Fields { bytes: vec![0; VOXELS_AT], big: options.big_endian };
    fields.put(0, &i32::try_from(HEADER).unwrap_or(0).to_le_bytes());
    fields.shorts(40, &[3, ni, nj, nk, 1, 1, 1, 1]);
    let bits = i16::from(options.value_type.bits());
    fields.shorts(70, &[datatype(options.value_type), bits]);
    fields
        .floats(108, &[single(VOXELS_AT as f64), single(scaling.slope), single(scaling.intercept)]);
    fields.bytes[123] = MILLIMETRES_SECONDS;
    fields.shorts(252, &[options.qform.code, options.sform.code]);
    let affine = volume.geometry().affine();
    let mut qfac = 1.0;
    if options.qform.code > 0 {
        let form = options.qform.affine.as_ref().unwrap_or(affine);
        let (sign, quaternion) = quaternion(form)?;
        qfac = sign;
        fields.floats(256, &quaternion);
        fields.floats(268, &ras_rows(form).map(|row| row[3]));
    }
    if options.sform.code > 0 {
        let rows = ras_rows(options.sform.affine.as_ref().unwrap_or(affine));
        fields.floats(280, rows.as_flattened());
    }
    let form = options.qform.affine.as_ref().unwrap_or(affine);
    let [si, sj, sk] = options.pixdim.unwrap_or_else(|| form.spacing_mm().map(single));
    fields.floats(76, &[qfac, si, sj, sk, 0.0, 0.0, 0.0, 0.0]);
    fields.bytes[344..348].copy_from_slice(b"n+1\0");
    Ok(fields.bytes)
}

fn datatype(value_type: ValueType) -> i16 {
    match value_type {
        ValueType::U8 => 2,
        ValueType::I16 => 4,
        ValueType::I32 => 8,
        ValueType::F32 => 16,
        ValueType::F64 => 64,
        ValueType::I8 => 256,
        ValueType::U16 => 512,
        ValueType::U32 => 768,
    }
}

/// The first three rows of the map to RAS+: x and y of LPS with the other sign.
fn ras_rows(affine: &Affine) -> [[f32; 4]; 3] {
    let rows = affine.to_rows();
    [(0, -1.0), (1, -1.0), (2, 1.0)].map(|(r, sign)| rows[r].map(|v| single(v * sign)))
}

/// `qfac` and the quaternion's b, c, d (method 2 of the header's description).
fn quaternion(affine: &Affine) -> Result<(f32, [f32; 3]), PhantomError> {
    let square = check_square(affine)?;
    if !square.is_straight() {
        return Err(PhantomError::Sheared { shear_deg: square.shear_deg });
    }
    let (rows, sizes) = (affine.to_rows(), affine.spacing_mm());
    let mut turn = Matrix3::from_fn(|r, c| {
        let sign = if r < 2 { -1.0 } else { 1.0 };
        sign * rows[r][c] / sizes[c]
    });
    let mirrored = turn.determinant() < 0.0;
    if mirrored {
        turn.column_mut(2).neg_mut();
    }
    let q = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
    // The first part is not in the header; it is taken to be positive.
    let sign = if q.w < 0.0 { -1.0 } else { 1.0 };
    let parts = [q.i, q.j, q.k].map(|v| single(v * sign));
    Ok((if mirrored { -1.0 } else { 1.0 }, parts))
}
