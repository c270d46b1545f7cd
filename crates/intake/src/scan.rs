use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use dicom_dictionary_std::uids;
use jawgauge_volume::{Volume, VolumeGeometry};
use rayon::prelude::*;

use crate::attribute::quoted;
use crate::folder::{ScanFile, SkipReason, Skipped, list_files, shown};
use crate::header::{FileKind, Header, read_header, sop_class_error};
use crate::pixels::{read_bytes, read_voxels};
use crate::series::check_uniform;
use crate::shell::undeclared_padding;
use crate::signedness::check_signedness;
use crate::slice::{Slice, judge};
use crate::stack::{Stack, stack};
use crate::{IntakeError, ScanWarning};

/// A scan that was read whole.
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
    /// Series Instance UID (0020,000E), escaped.
    pub series_uid: String,
    /// Frame of Reference UID (0020,0052), escaped.
    pub frame_of_reference_uid: Option<String>,
    /// Transfer Syntax UID (0002,0010) of the lowest slice.
    pub transfer_syntax: String,
    /// SOP Class UID (0008,0016).
    pub sop_class: String,
    /// Whether Patient Identity Removed (0012,0062) is YES in every file.
    pub identity_removed: bool,
    /// Whether any file has a patient name, ID or birth date that is not empty, be it a
    /// pseudonym.
    pub names_patient: bool,
    /// Files in the volume.
    pub files: usize,
    /// Files left out, by reason.
    pub skipped: Skipped,
    /// Lowest and highest stored value that mean "not scanned".
    pub padding: Option<(i32, i32)>,
    /// Bits Stored (0028,0101).
    pub bits_stored: u16,
    /// Whether voxels are stored signed (Pixel Representation (0028,0103) is 1).
    pub signed: bool,
}

/// A series of a folder, known from the headers alone.
#[derive(Debug)]
pub struct SeriesSummary {
    /// Series Instance UID, escaped.
    pub series_uid: String,
    /// CT images of the series without localizers.
    pub slices: usize,
    /// What the series is, or why it cannot be used.
    pub outline: Result<SeriesOutline, IntakeError>,
}

/// Grid, facts and warnings of a series that can be used as far as its headers tell.
#[derive(Debug, Clone)]
pub struct SeriesOutline {
    /// The grid.
    pub geometry: VolumeGeometry,
    /// What the files say of themselves.
    pub facts: ScanFacts,
    /// What was noticed.
    pub warnings: Vec<ScanWarning>,
}

/// Every series of CT images below a path, from headers only, sorted by UID.
///
/// A series that cannot be used is listed with the reason. Voxels are read only where two
/// files claim the same place.
///
/// # Errors
///
/// [`IntakeError`] where a file cannot be opened or is damaged, or where there is no CT
/// image at all.
pub fn list_series(path: &Path) -> Result<Vec<SeriesSummary>, IntakeError> {
    let found = Found::under(path)?;
    let summary = |uid: &String| {
        let slices = found.series[uid].len();
        let outline = found.lay_out(uid).map(|series| SeriesOutline {
            geometry: series.stack.geometry.clone(),
            facts: series.facts,
            warnings: series.stack.warnings,
        });
        SeriesSummary { series_uid: uid.clone(), slices, outline }
    };
    Ok(found.series.keys().map(summary).collect())
}

/// Reads one series of single-slice CT images into a volume.
///
/// `path` is a folder, read with its folders, or one file, which stands for its series
/// among the files beside it. `series` names the Series Instance UID where there are
/// several. The grid comes from Image Position, Image Orientation and Pixel Spacing only
/// (DICOM PS3.3 sections C.7.6.2.1.1 and 10.7.1.3); what is missing or makes no sense is
/// refused, never assumed. Neither the names nor the order of the files matter, nor the
/// number of threads.
///
/// # Frame and shape
///
/// Voxels are `[[k, j, i]]`; k rises along row x column, whichever way that points in the
/// patient. A stack that is sheared stays so: the step along k is the fitted step between
/// positions.
///
/// # Errors
///
/// [`IntakeError`], which names file, attribute and value.
///
/// # Limits
///
/// See the [crate](crate#limits).
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
    let found = Found::under(path)?;
    let uid = found.choose(series)?;
    let Series { slices, stack, facts } = found.lay_out(&uid)?;
    let voxels = read_voxels(&slices, &stack.order)?;
    let lowest = stack.order.iter().flatten().next().map_or(&slices[0], |&i| &slices[i]);
    let mut rescale = Vec::with_capacity(stack.order.len());
    for index in &stack.order {
        // A missing slice is never sampled; it carries the rescale of the one below.
        let before = rescale.last().copied().unwrap_or(lowest.rescale);
        rescale.push(index.map_or(before, |i| slices[i].rescale));
    }
    let absent = stack.order.iter().map(Option::is_none).collect();
    let mut volume = Volume::new(stack.geometry, voxels, rescale)?.with_absent_slices(absent)?;
    if let Some((low, high)) = facts.padding {
        volume = volume.with_padding(low, high);
    }
    check_signedness(&volume, &lowest.file.name)?;
    let mut warnings = stack.warnings;
    warnings.extend(undeclared_padding(&volume));
    Ok(Scan { volume, facts, warnings })
}

/// The files below a path, sorted out.
struct Found {
    /// CT images by series, localizers apart.
    series: BTreeMap<String, Vec<Header>>,
    localizers: BTreeMap<String, Vec<String>>,
    skipped: Skipped,
    /// The series of the file that the path names.
    pointed_at: Option<String>,
}

/// A series whose slices are in their places.
struct Series {
    slices: Vec<Slice>,
    stack: Stack,
    facts: ScanFacts,
}

impl Found {
    fn under(path: &Path) -> Result<Self, IntakeError> {
        let (files, skipped) = list_files(path)?;
        let mut found = Self {
            series: BTreeMap::new(),
            localizers: BTreeMap::new(),
            skipped,
            pointed_at: pointed_at(path)?,
        };
        let kinds: Vec<_> = files.par_iter().map(read_header).collect();
        let mut other: Option<IntakeError> = None;
        for (file, kind) in files.iter().zip(kinds) {
            match kind? {
                FileKind::Slice(header) if header.localizer => {
                    *found.skipped.entry(SkipReason::Localizer).or_default() += 1;
                    let names = found.localizers.entry(quoted(&header.series_uid)).or_default();
                    names.push(file.name.clone());
                }
                FileKind::Slice(header) => {
                    found.series.entry(quoted(&header.series_uid)).or_default().push(*header);
                }
                FileKind::NotDicom => *found.skipped.entry(SkipReason::NotDicom).or_default() += 1,
                FileKind::Other(uid) => {
                    if uid != uids::MEDIA_STORAGE_DIRECTORY_STORAGE && other.is_none() {
                        other = Some(sop_class_error(&file.name, &uid));
                    }
                    *found.skipped.entry(SkipReason::OtherObject(uid)).or_default() += 1;
                }
            }
        }
        match other {
            _ if !found.series.is_empty() => Ok(found),
            Some(other) => Err(other),
            None => Err(IntakeError::NoScan { skipped: found.skipped }),
        }
    }

    fn choose(&self, asked: Option<&str>) -> Result<String, IntakeError> {
        let series = || self.series.iter().map(|(uid, files)| (uid.clone(), files.len())).collect();
        match (asked.or(self.pointed_at.as_deref()), self.series.keys().next()) {
            (Some(asked), _) => {
                let asked = quoted(asked.trim());
                if self.series.contains_key(&asked) {
                    Ok(asked)
                } else {
                    Err(IntakeError::NoSuchSeries { asked, series: series() })
                }
            }
            (None, Some(only)) if self.series.len() == 1 => Ok(only.clone()),
            (None, _) => Err(IntakeError::SeveralSeries { series: series() }),
        }
    }

    fn lay_out(&self, uid: &str) -> Result<Series, IntakeError> {
        let headers = &self.series[uid];
        let slices = headers.iter().map(judge).collect::<Result<Vec<_>, _>>()?;
        check_uniform(&slices)?;
        let mut stack = stack(&slices, same_voxels)?;
        if let Some(names) = self.localizers.get(uid) {
            let (file, count) = (names[0].clone(), names.len());
            stack.warnings.push(ScanWarning::Localizers { file, count });
        }
        let surplus = || slices.iter().filter(|s| s.surplus > 0);
        if let Some(first) = surplus().next() {
            stack.warnings.push(ScanWarning::SurplusPixelBytes {
                file: first.file.name.clone(),
                surplus: first.surplus,
                files: surplus().count(),
            });
        }
        let facts = self.facts(uid, &slices, &stack);
        Ok(Series { slices, stack, facts })
    }

    fn facts(&self, uid: &str, slices: &[Slice], stack: &Stack) -> ScanFacts {
        let mut skipped = self.skipped.clone();
        let others = self.series.iter().filter(|(other, _)| *other != uid);
        let others: usize = others.map(|(_, files)| files.len()).sum();
        if others > 0 {
            skipped.insert(SkipReason::OtherSeries, others);
        }
        let present = || stack.order.iter().flatten().map(|&i| &slices[i]);
        let lowest = present().next().unwrap_or(&slices[0]);
        ScanFacts {
            series_uid: uid.to_owned(),
            frame_of_reference_uid: lowest.frame_uid.as_deref().map(quoted),
            transfer_syntax: lowest.syntax.clone(),
            sop_class: uids::CT_IMAGE_STORAGE.to_owned(),
            identity_removed: slices.iter().all(|s| s.identity_removed),
            names_patient: slices.iter().any(|s| s.names_patient),
            files: present().count(),
            skipped,
            padding: lowest.padding,
            bits_stored: lowest.bits_stored,
            signed: lowest.signed,
        }
    }
}

/// The series of the file that a path names; nothing where it names a folder.
fn pointed_at(path: &Path) -> Result<Option<String>, IntakeError> {
    if fs::metadata(path).is_ok_and(|m| m.is_dir()) {
        return Ok(None);
    }
    let root = path.parent().unwrap_or(path);
    let file = ScanFile { path: path.to_owned(), name: shown(path, root) };
    match read_header(&file)? {
        FileKind::Slice(header) => Ok(Some(quoted(&header.series_uid))),
        FileKind::Other(uid) => Err(sop_class_error(&file.name, &uid)),
        FileKind::NotDicom => {
            Err(IntakeError::NoScan { skipped: [(SkipReason::NotDicom, 1)].into() })
        }
    }
}

/// Whether two files hold the same voxels, byte for byte.
fn same_voxels(a: &Slice, b: &Slice) -> Result<bool, IntakeError> {
    let (mut first, mut second) = (Vec::new(), Vec::new());
    read_bytes(a, &mut first)?;
    read_bytes(b, &mut second)?;
    Ok(first == second)
}
