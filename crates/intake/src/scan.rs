use std::path::Path;

use jawgauge_volume::{Rescale, Volume, VolumeGeometry, VoxelBox};

use crate::folder::Skipped;
use crate::found::Found;
use crate::greys::{check_greys, check_wraps};
use crate::pixels::{FrameSource, Noticed, Progress, Stored, read_voxels};
use crate::shell::{padding_at_corners, undeclared_padding};
use crate::{FileRemark, IntakeError, ScanWarning};

/// The most that the voxels of a scan may take, bytes.
const LARGEST_VOXELS: u64 = 1 << 34;

/// A scan that was read.
#[derive(Debug, Clone)]
pub struct Scan {
    /// The voxels on their grid in the patient.
    pub volume: Volume,
    /// What the files say of themselves.
    pub facts: ScanFacts,
    /// What was noticed.
    pub warnings: Vec<ScanWarning>,
}

/// What the files of a series say of themselves.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ScanFacts {
    /// Series Instance UID (0020,000E), escaped; the name of the file where the format has
    /// none.
    pub series_uid: String,
    /// Frame of Reference UID (0020,0052), escaped.
    pub frame_of_reference_uid: Option<String>,
    /// Transfer Syntax UID (0002,0010) of the lowest slice, escaped; the name of the format
    /// where it is not DICOM.
    pub transfer_syntax: String,
    /// SOP Class UID (0008,0016); empty where the format is not DICOM.
    pub sop_class: String,
    /// Whether Patient Identity Removed (0012,0062) is YES in every file.
    pub identity_removed: bool,
    /// Whether any file has a patient name, ID or birth date that is not empty, be it a
    /// pseudonym; in other formats, whether there is free text that may hold a name.
    pub names_patient: bool,
    /// Whether the files tell where the voxels lie in the patient. Where not, left and
    /// right, up and down are those of the grid.
    pub place_known: bool,
    /// Files in the volume.
    pub files: usize,
    /// Slices in the volume.
    pub slices: usize,
    /// Files left out, by reason.
    pub skipped: Skipped,
    /// Lowest and highest stored value that mean "not scanned".
    pub padding: Option<(i32, i32)>,
    /// Bits Stored (0028,0101).
    pub bits_stored: u16,
    /// Whether voxels are stored signed (Pixel Representation (0028,0103) is 1).
    pub signed: bool,
}

/// What is to be read, and how.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    pub(crate) series: Option<String>,
    pub(crate) frame_pitch_mm: Option<f64>,
}

impl ReadOptions {
    /// The series to read where there are several: its Series Instance UID, or the name of
    /// the file where the format has none.
    #[must_use]
    pub fn with_series(mut self, series: impl Into<String>) -> Self {
        self.series = Some(series.into());
        self
    }

    /// The distance from frame to frame, mm, for objects that hold several frames but only
    /// one position; negative where the frames run against row x column. It stands for
    /// what the attributes say.
    #[must_use]
    pub fn with_frame_pitch_mm(mut self, pitch_mm: f64) -> Self {
        self.frame_pitch_mm = Some(pitch_mm);
        self
    }
}

/// A series of a folder, known from the headers alone.
#[derive(Debug)]
pub struct SeriesSummary {
    /// Series Instance UID, escaped; the name of the file where the format has none.
    pub series_uid: String,
    /// Files of the series without localizers.
    pub files: usize,
    /// The series, or why it cannot be used.
    pub scan: Result<OpenScan, IntakeError>,
}

/// A scan whose headers were read and found usable, and none of its voxels.
#[derive(Debug)]
pub struct OpenScan {
    pub(crate) geometry: VolumeGeometry,
    pub(crate) stored: Stored,
    /// One for each slice, `None` where it is missing.
    pub(crate) sources: Vec<Option<FrameSource>>,
    pub(crate) rescale: Vec<Rescale>,
    pub(crate) facts: ScanFacts,
    pub(crate) warnings: Vec<ScanWarning>,
    /// Whether overlays may lie in bits above those stored.
    pub(crate) overlays: bool,
    /// The lowest slice's file, for messages.
    pub(crate) first: String,
}

/// Every series of images below a path, or that of the file that it names, from headers only,
/// sorted by UID.
///
/// A series that cannot be used is listed with the reason. Voxels are read only where two
/// files claim the same place.
///
/// # Errors
///
/// [`IntakeError`] where a file cannot be opened or is damaged, or where there is no scan
/// at all.
pub fn list_series(path: &Path, options: &ReadOptions) -> Result<Vec<SeriesSummary>, IntakeError> {
    let found = Found::under(path)?;
    let summary = |uid: String| SeriesSummary {
        files: found.files(&uid),
        scan: found.lay_out(&uid, options.frame_pitch_mm),
        series_uid: uid,
    };
    match options.series.as_deref().or(found.pointed_at()) {
        Some(asked) => Ok(vec![summary(found.choose(Some(asked))?)]),
        None => Ok(found.names().into_iter().map(summary).collect()),
    }
}

/// Reads the headers of one scan.
///
/// `path` is a folder, read with its folders; a `.zip` archive; a DICOM directory, which
/// stands for its folder; a NIfTI or NRRD file; or one DICOM file, which stands for its
/// series among the files beside it. Files are known by what they hold, not by their names.
/// The grid comes from Image Position, Image Orientation and Pixel Spacing only (DICOM PS3.3
/// sections C.7.6.2.1.1 and 10.7.1.3), but for objects with several frames and one position;
/// what is missing or makes no sense is refused, never assumed. Neither the names nor the
/// order of the files matter, nor the number of threads.
///
/// # Errors
///
/// [`IntakeError`], which names file, attribute and value.
///
/// # Limits
///
/// See the [crate](crate#limits).
pub fn open_scan(path: &Path, options: &ReadOptions) -> Result<OpenScan, IntakeError> {
    let found = Found::under(path)?;
    let uid = found.choose(options.series.as_deref())?;
    found.lay_out(&uid, options.frame_pitch_mm)
}

/// Reads one scan whole: [`open_scan`] and [`OpenScan::read`].
///
/// # Frame and shape
///
/// Voxels are `[[k, j, i]]`; in DICOM k rises along row x column, whichever way that points
/// in the patient, in other formats it is as stored. A stack that is sheared stays so: the
/// step along k is the fitted step between positions.
///
/// # Errors
///
/// As [`open_scan`]; also where voxels cannot be decoded, or are not those of a scan.
///
/// # Examples
///
/// ```
/// use jawgauge_intake::read_scan;
/// use jawgauge_phantom::{ScanOptions, p0, write_scan};
/// let folder = tempfile::tempdir()?;
/// write_scan(folder.path(), &p0(), &ScanOptions::default())?;
/// let scan = read_scan(folder.path(), None)?;
/// assert_eq!(scan.volume.geometry().dims(), [120, 100, 80]);
/// assert!(scan.volume.geometry().spacing_mm().iter().all(|mm| (mm - 0.3).abs() < 1e-9));
/// assert!(scan.warnings.is_empty());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn read_scan(path: &Path, series: Option<&str>) -> Result<Scan, IntakeError> {
    let options = ReadOptions { series: series.map(str::to_owned), ..ReadOptions::default() };
    open_scan(path, &options)?.read(None)
}

impl OpenScan {
    /// The grid.
    #[must_use]
    pub fn geometry(&self) -> &VolumeGeometry {
        &self.geometry
    }

    /// What the files say of themselves.
    #[must_use]
    pub fn facts(&self) -> &ScanFacts {
        &self.facts
    }

    /// What was noticed in the headers.
    #[must_use]
    pub fn warnings(&self) -> &[ScanWarning] {
        &self.warnings
    }

    /// Reads all voxels. `progress` is told after each slice.
    ///
    /// # Errors
    ///
    /// [`IntakeError`] where voxels cannot be read or decoded, are too many, or are not
    /// those of a scan.
    pub fn read(&self, progress: Option<Progress<'_>>) -> Result<Scan, IntakeError> {
        self.read_part(VoxelBox::whole(self.geometry.dims()), progress)
    }

    /// Reads the voxels of a box, and no others: of native voxels only the rows that it
    /// touches, of compressed ones only its slices.
    ///
    /// Padding that no attribute declares is looked for at the corners of some slices, and not
    /// at all where slices would have to be decoded for it; grey values are
    /// judged by the voxels of the box, and where they look wrong by all.
    ///
    /// # Errors
    ///
    /// As [`OpenScan::read`]; [`IntakeError::Volume`] where the box reaches out of the grid.
    pub fn read_part(
        &self,
        part: VoxelBox,
        progress: Option<Progress<'_>>,
    ) -> Result<Scan, IntakeError> {
        let dims = self.geometry.dims();
        let fits = (0..3).all(|a| part.first[a] + part.size[a] <= dims[a] && part.size[a] > 0);
        if !fits {
            let (expected, found) = (dims, part.size);
            return Err(jawgauge_volume::VolumeError::Shape { expected, found }.into());
        }
        let bytes = if self.stored == Stored::Float { 4 } else { 2 };
        let needed = part.size.iter().fold(bytes, |n: u64, &d| n.saturating_mul(d as u64));
        if needed > LARGEST_VOXELS {
            let gb = |bytes: u64| bytes as f64 / 1e9;
            let (needed_gb, allowed_gb) = (gb(needed), gb(LARGEST_VOXELS));
            return Err(IntakeError::TooLarge { dims: part.size, needed_gb, allowed_gb });
        }
        let (volume, noticed) = self.voxels_of(part, progress)?;
        let whole = VoxelBox::whole(dims);
        let padding = match self.judge(&volume) {
            // A part may well be all air, or all of one sign: the whole scan decides.
            Err(_) if part != whole => {
                let volume = self.voxels_of(whole, progress)?.0;
                self.judge(&volume)?;
                padding_at_corners(self)?.or_else(|| undeclared_padding(&volume))
            }
            judged => {
                judged?;
                if part == whole { undeclared_padding(&volume) } else { padding_at_corners(self)? }
            }
        };
        let mut warnings = self.warnings.clone();
        self.warn_of(noticed, &mut warnings)?;
        warnings.extend(padding);
        Ok(Scan { volume, facts: self.facts.clone(), warnings })
    }

    /// Refuses voxels that cannot be those of a scan.
    fn judge(&self, volume: &Volume) -> Result<(), IntakeError> {
        check_wraps(volume, self.facts.bits_stored, &self.first)?;
        check_greys(volume, &self.first)
    }

    /// What was noticed in the voxels themselves.
    fn warn_of(
        &self,
        noticed: Noticed,
        warnings: &mut Vec<ScanWarning>,
    ) -> Result<(), IntakeError> {
        if noticed.other_bits.are_meant(self.overlays) {
            return Err(IntakeError::MoreBits {
                file: self.first.clone(),
                bits_stored: self.facts.bits_stored,
            });
        }
        let mut tell = |remark: FileRemark| {
            let told =
                |w: &ScanWarning| matches!(w, ScanWarning::Files { remark: r, .. } if *r == remark);
            if !warnings.iter().any(told) {
                let (file, files) = (self.first.clone(), self.facts.files);
                warnings.push(ScanWarning::Files { remark, file, files });
            }
        };
        if noticed.lossy {
            tell(FileRemark::Lossy);
        }
        if noticed.other_bits.any && !self.overlays {
            tell(FileRemark::OtherBits);
        }
        Ok(())
    }

    /// The voxels of a box within the grid, unjudged, and what was noticed in them.
    pub(crate) fn voxels_of(
        &self,
        part: VoxelBox,
        progress: Option<Progress<'_>>,
    ) -> Result<(Volume, Noticed), IntakeError> {
        let dims = self.geometry.dims();
        let (voxels, noticed) = read_voxels(&self.sources, dims, part, self.stored, progress)?;
        let absent = self.sources.iter().map(Option::is_none).collect();
        let mut volume =
            Volume::of_part(self.geometry.clone(), part, voxels, self.rescale.clone())?
                .with_absent_slices(absent)?;
        if let Some((low, high)) = self.facts.padding {
            volume = volume.with_padding(low, high);
        }
        Ok((volume, noticed))
    }
}
