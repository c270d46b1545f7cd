use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::GzEncoder;
use jawgauge_volume::{Rescale, Volume};

use crate::PhantomError;
use crate::plain_values::{ValueType, binary_blocks, text_blocks};

/// Orientation of the space of an NRRD file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NrrdSpace {
    /// `left-posterior-superior`, as the volume.
    LeftPosteriorSuperior,
    /// `right-anterior-superior`.
    RightAnteriorSuperior,
    /// `left-anterior-superior`.
    LeftAnteriorSuperior,
}

impl NrrdSpace {
    fn word(self) -> &'static str {
        match self {
            Self::LeftPosteriorSuperior => "left-posterior-superior",
            Self::RightAnteriorSuperior => "right-anterior-superior",
            Self::LeftAnteriorSuperior => "left-anterior-superior",
        }
    }

    /// LPS coordinates in this space.
    fn turned(self, [x, y, z]: [f64; 3]) -> [f64; 3] {
        match self {
            Self::LeftPosteriorSuperior => [x, y, z],
            Self::RightAnteriorSuperior => [-x, -y, z],
            Self::LeftAnteriorSuperior => [x, -y, z],
        }
    }
}

/// How the voxels of an NRRD file are encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NrrdEncoding {
    /// As they are.
    Raw,
    /// Gzipped.
    Gzip,
    /// As numbers in words.
    Ascii,
}

impl NrrdEncoding {
    fn word(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Gzip => "gzip",
            Self::Ascii => "ascii",
        }
    }

    fn ending(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Gzip => "raw.gz",
            Self::Ascii => "txt",
        }
    }
}

/// How [`write_nrrd`] writes a volume.
#[derive(Debug, Clone)]
pub struct NrrdOptions {
    value_type: ValueType,
    encoding: NrrdEncoding,
    big_endian: bool,
    space: NrrdSpace,
    spacings_only: bool,
    scaling: Rescale,
    fields: Vec<(String, Option<String>)>,
}

impl Default for NrrdOptions {
    /// Grey values as signed 16-bit numbers, raw, little endian, in the volume's own space.
    fn default() -> Self {
        Self {
            value_type: ValueType::I16,
            encoding: NrrdEncoding::Raw,
            big_endian: false,
            space: NrrdSpace::LeftPosteriorSuperior,
            spacings_only: false,
            scaling: Rescale { slope: 1.0, intercept: 0.0 },
            fields: Vec::new(),
        }
    }
}

impl NrrdOptions {
    /// The same with another type of voxels.
    #[must_use]
    pub fn with_type(mut self, value_type: ValueType) -> Self {
        self.value_type = value_type;
        self
    }

    /// The same with another encoding.
    #[must_use]
    pub fn with_encoding(mut self, encoding: NrrdEncoding) -> Self {
        self.encoding = encoding;
        self
    }

    /// The same with the high byte of each number first.
    #[must_use]
    pub fn with_big_endian(mut self) -> Self {
        self.big_endian = true;
        self
    }

    /// The same in another space.
    #[must_use]
    pub fn with_space(mut self, space: NrrdSpace) -> Self {
        self.space = space;
        self
    }

    /// The same with `spacings` in place of space, directions and origin, which does not
    /// tell where the patient is.
    #[must_use]
    pub fn with_spacings_only(mut self) -> Self {
        self.spacings_only = true;
        self
    }

    /// The same with values that give the grey value as value x slope + intercept, which
    /// the file does not tell.
    #[must_use]
    pub fn with_scaling(mut self, slope: f64, intercept: f64) -> Self {
        self.scaling = Rescale { slope, intercept };
        self
    }

    /// The same with a field of the header as given, in place of what it would be, else
    /// after the others. `name` may hold `:=` at its end for a key of one's own.
    #[must_use]
    pub fn with_field(mut self, name: impl Into<String>, value: impl Into<String>) -> Self {
        self.fields.push((name.into(), Some(value.into())));
        self
    }

    /// The same without a field of the header.
    #[must_use]
    pub fn without_field(mut self, name: impl Into<String>) -> Self {
        self.fields.push((name.into(), None));
        self
    }
}

/// Writes a volume as an NRRD file: header and voxels in one, or, where the name ends in
/// `.nhdr`, the voxels in a file beside it. Returns the file that holds the voxels.
///
/// Voxel sizes and directions are those of the affine, sheared or not. Absent slices and
/// padding are written as they are stored.
///
/// # Errors
///
/// [`PhantomError::ValueRange`] where a value does not fit the type,
/// [`PhantomError::PartOfGrid`], [`PhantomError::Write`].
///
/// # Source
///
/// Definition of the NRRD file format, version 4: fields from memory, checked with a
/// general reader.
pub fn write_nrrd(
    path: &Path,
    volume: &Volume,
    options: &NrrdOptions,
) -> Result<PathBuf, PhantomError> {
    let detached = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("nhdr"));
    let beside = path.with_extension(options.encoding.ending());
    let data_name = beside.file_name().map(|n| n.to_string_lossy().into_owned());
    let header = header(volume, options, data_name.filter(|_| detached));
    let NrrdOptions { value_type, scaling, big_endian, .. } = *options;
    let blocks = match options.encoding {
        NrrdEncoding::Ascii => text_blocks(volume, value_type, scaling)?,
        _ => binary_blocks(volume, value_type, scaling, big_endian)?,
    };
    let voxels = |mut file: BufWriter<File>| -> io::Result<()> {
        let all = |sink: &mut dyn Write| blocks.iter().try_for_each(|b| sink.write_all(b));
        if options.encoding == NrrdEncoding::Gzip {
            let mut zipped = GzEncoder::new(file, Compression::fast());
            all(&mut zipped)?;
            file = zipped.finish()?;
        } else {
            all(&mut file)?;
        }
        file.flush()
    };
    let write = || -> io::Result<()> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        let mut file = BufWriter::new(File::create(path)?);
        file.write_all(header.as_bytes())?;
        if detached {
            file.flush()?;
            file = BufWriter::new(File::create(&beside)?);
        }
        voxels(file)
    };
    write().map_err(|e| PhantomError::Write { path: path.to_owned(), reason: e.to_string() })?;
    Ok(if detached { beside } else { path.to_owned() })
}

fn header(volume: &Volume, options: &NrrdOptions, data_file: Option<String>) -> String {
    let affine = volume.geometry().affine();
    let [ni, nj, nk] = volume.geometry().dims();
    let vector = |v: [f64; 3]| {
        let [x, y, z] = options.space.turned(v);
        format!("({x},{y},{z})")
    };
    let mut fields =
        vec![("type", type_word(options.value_type).to_owned()), ("dimension", "3".to_owned())];
    let sizes = ("sizes", format!("{ni} {nj} {nk}"));
    if options.spacings_only {
        let [si, sj, sk] = affine.spacing_mm();
        fields.extend([sizes, ("spacings", format!("{si} {sj} {sk}"))]);
    } else {
        let steps = affine.steps().map(|s| vector(s.to_array())).join(" ");
        let rows = affine.to_rows();
        let origin = vector([rows[0][3], rows[1][3], rows[2][3]]);
        fields.extend([
            ("space", options.space.word().to_owned()),
            sizes,
            ("space directions", steps),
            ("kinds", "domain domain domain".to_owned()),
            ("space origin", origin),
        ]);
    }
    if options.encoding != NrrdEncoding::Ascii && options.value_type.bits() > 8 {
        let order = if options.big_endian { "big" } else { "little" };
        fields.push(("endian", order.to_owned()));
    }
    fields.push(("encoding", options.encoding.word().to_owned()));
    if let Some(name) = data_file {
        fields.push(("data file", name));
    }
    let mut fields: Vec<(String, String)> =
        fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
    for (name, value) in &options.fields {
        let at = fields.iter().position(|(n, _)| n == name);
        match (at, value) {
            (Some(at), Some(value)) => fields[at].1.clone_from(value),
            (Some(at), None) => drop(fields.remove(at)),
            (None, Some(value)) => fields.push((name.clone(), value.clone())),
            (None, None) => {}
        }
    }
    let line = |(name, value): &(String, String)| match name.strip_suffix(":=") {
        Some(key) => format!("{key}:={value}\n"),
        None => format!("{name}: {value}\n"),
    };
    format!("NRRD0004\n{}\n", fields.iter().map(line).collect::<String>())
}

fn type_word(value_type: ValueType) -> &'static str {
    match value_type {
        ValueType::U8 => "uint8",
        ValueType::I8 => "int8",
        ValueType::U16 => "uint16",
        ValueType::I16 => "int16",
        ValueType::U32 => "uint32",
        ValueType::I32 => "int32",
        ValueType::F32 => "float",
        ValueType::F64 => "double",
    }
}
