use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use jawgauge_volume::VolumeGeometry;
use rayon::prelude::*;

use crate::attribute::{escaped, quoted};
use crate::folder::{Listing, SkipReason, Skipped, list_files};
use crate::header::{FileKind, Header, read_header, sop_class_error};
use crate::pixels::{Coded, FrameSource, Stored, same_voxels};
use crate::plain::{PlainKind, VoxelCode, open_plain};
use crate::scan::{OpenScan, ScanFacts};
use crate::series::check_uniform;
use crate::slice::{Slice, judge};
use crate::source::{Layer, ScanFile};
use crate::stack::{Stack, stack};
use crate::voxel::Words;
use crate::warning::FileRemark;
use crate::{IntakeError, ScanWarning};

/// The files below a path, sorted out.
pub(crate) struct Found {
    /// Images by series, localizers apart.
    series: BTreeMap<String, Vec<Header>>,
    /// Volumes in other formats, by the names of their files.
    plain: BTreeMap<String, (Arc<ScanFile>, PlainKind, Layer)>,
    localizers: BTreeMap<String, Vec<String>>,
    skipped: Skipped,
    /// Files that a DICOM directory lists and that are not there.
    missing: Vec<String>,
    /// The series of the file that the path names.
    pointed_at: Option<String>,
}

impl Found {
    pub(crate) fn under(path: &Path) -> Result<Self, IntakeError> {
        let Listing { files, skipped, pointed_at } = list_files(path)?;
        let files: Vec<Arc<ScanFile>> = files.into_iter().map(Arc::new).collect();
        let mut found = Self {
            series: BTreeMap::new(),
            plain: BTreeMap::new(),
            localizers: BTreeMap::new(),
            skipped,
            missing: Vec::new(),
            pointed_at,
        };
        let kinds: Vec<_> = files.par_iter().map(read_header).collect();
        let mut other: Option<IntakeError> = None;
        for (file, kind) in files.iter().zip(kinds) {
            let name = file.name.rsplit(['/', '\\']).next().unwrap_or_default();
            let damaged = matches!(kind, Err(IntakeError::Damaged { .. }));
            if damaged && name.eq_ignore_ascii_case("DICOMDIR") {
                // No slice has this name; what a damaged directory lists is just not compared.
                found.skip(SkipReason::Directory);
                continue;
            }
            match kind? {
                FileKind::Image(header) if header.localizer => {
                    found.skip(SkipReason::Localizer);
                    let names = found.localizers.entry(quoted(&header.series_uid)).or_default();
                    names.push(file.name.clone());
                }
                FileKind::Image(header) => {
                    found.series.entry(quoted(&header.series_uid)).or_default().push(*header);
                }
                FileKind::Plain(kind, layer) => {
                    found.plain.insert(file.name.clone(), (file.clone(), kind, layer));
                }
                FileKind::Directory(listed) => {
                    found.skip(SkipReason::Directory);
                    found.missing.extend(missing(file, &listed, &files));
                }
                FileKind::Archive => found.skip(SkipReason::Archive),
                FileKind::Unknown => {
                    let hidden = name.starts_with('.');
                    found.skip(if hidden { SkipReason::Hidden } else { SkipReason::NotDicom });
                }
                FileKind::Other(uid) => {
                    other.get_or_insert_with(|| sop_class_error(&file.name, &uid));
                    found.skip(SkipReason::OtherObject(uid));
                }
            }
        }
        match other {
            _ if !found.series.is_empty() || !found.plain.is_empty() => Ok(found),
            Some(other) => Err(other),
            None => Err(IntakeError::NoScan { skipped: found.skipped }),
        }
    }

    fn skip(&mut self, reason: SkipReason) {
        *self.skipped.entry(reason).or_default() += 1;
    }

    /// Names of all series.
    pub(crate) fn names(&self) -> Vec<String> {
        self.series.keys().chain(self.plain.keys()).cloned().collect()
    }

    pub(crate) fn files(&self, uid: &str) -> usize {
        self.series.get(uid).map_or(1, Vec::len)
    }

    /// The series of the file that the path names.
    pub(crate) fn pointed_at(&self) -> Option<&str> {
        self.pointed_at.as_deref()
    }

    pub(crate) fn choose(&self, asked: Option<&str>) -> Result<String, IntakeError> {
        let names = self.names();
        let series = || names.iter().map(|uid| (uid.clone(), self.files(uid))).collect();
        match (asked.or(self.pointed_at.as_deref()), names.as_slice()) {
            (Some(asked), _) => {
                // Names of files are not cut.
                let forms = [quoted(asked.trim()), escaped(asked), asked.to_owned()];
                let found = forms.iter().find(|form| names.contains(form));
                found.cloned().ok_or_else(|| IntakeError::NoSuchSeries {
                    asked: quoted(asked.trim()),
                    series: series(),
                })
            }
            (None, [only]) => Ok(only.clone()),
            (None, _) => Err(IntakeError::SeveralSeries { series: series() }),
        }
    }

    /// Puts the slices of a series in their places.
    pub(crate) fn lay_out(
        &self,
        uid: &str,
        frame_pitch_mm: Option<f64>,
    ) -> Result<OpenScan, IntakeError> {
        let mut scan = match (self.series.get(uid), self.plain.get(uid)) {
            (Some(headers), _) => self.lay_out_slices(uid, headers, frame_pitch_mm)?,
            (None, Some((file, kind, layer))) => {
                let mut scan = open_plain(file, *kind, *layer)?;
                if frame_pitch_mm.is_some() {
                    let (remark, file) = (FileRemark::PitchIgnored, file.name.clone());
                    scan.warnings.push(ScanWarning::Files { remark, file, files: 1 });
                }
                scan
            }
            (None, None) => return Err(IntakeError::NoScan { skipped: self.skipped.clone() }),
        };
        scan.facts.skipped = self.skipped.clone();
        let others = self.names().iter().filter(|n| *n != uid).map(|n| self.files(n)).sum();
        if others > 0 {
            scan.facts.skipped.insert(SkipReason::OtherSeries, others);
        }
        if let Some(&links) = self.skipped.get(&SkipReason::DeadLink) {
            scan.warnings.push(ScanWarning::DeadLinks { links });
        }
        if let Some(first) = self.missing.first() {
            let (file, files) = (first.clone(), self.missing.len());
            scan.warnings.push(ScanWarning::ListedFilesMissing { file, files });
        }
        Ok(scan)
    }

    fn lay_out_slices(
        &self,
        uid: &str,
        headers: &[Header],
        frame_pitch_mm: Option<f64>,
    ) -> Result<OpenScan, IntakeError> {
        let slices =
            headers.iter().map(|h| judge(h, frame_pitch_mm)).collect::<Result<Vec<_>, _>>()?;
        let slices = slices.concat();
        check_uniform(&slices)?;
        let Stack { order, geometry, mut warnings } =
            stack(&slices, |a, b| same_voxels(&source(a), &source(b)))?;
        if let Some(names) = self.localizers.get(uid) {
            let (file, count) = (names[0].clone(), names.len());
            warnings.push(ScanWarning::Localizers { file, count });
        }
        warnings.extend(file_warnings(&slices));
        let present: Vec<&Slice> = order.iter().flatten().map(|&i| &slices[i]).collect();
        let lowest = present.first().copied().unwrap_or(&slices[0]);
        let shape = lowest.object.shape;
        let mut rescale = Vec::with_capacity(order.len());
        for index in &order {
            // A missing slice is never sampled; it carries the rescale of the one below.
            let before = rescale.last().copied().unwrap_or(lowest.rescale);
            rescale.push(index.map_or(before, |i| slices[i].rescale));
        }
        Ok(OpenScan {
            stored: if shape.signed { Stored::Signed } else { Stored::Unsigned },
            sources: order.iter().map(|index| index.map(|i| source(&slices[i]))).collect(),
            rescale,
            facts: facts(uid, &slices, &present, &geometry),
            warnings,
            overlays: slices.iter().any(|s| s.object.overlays),
            first: lowest.file.name.clone(),
            geometry,
        })
    }
}

fn source(slice: &Slice) -> FrameSource {
    let object = &slice.object;
    let shape = object.shape;
    let code = match (shape.bits_allocated, shape.signed) {
        (8, false) => VoxelCode::U8,
        (8, true) => VoxelCode::I8,
        (_, false) => VoxelCode::U16,
        (_, true) => VoxelCode::I16,
    };
    let unused_bits = u32::from(16 - shape.bits_stored);
    let words = Words { code, big_endian: object.big_endian, unused_bits };
    FrameSource {
        file: slice.file.clone(),
        name: slice.name(),
        layer: object.layer,
        runs: slice.runs.clone(),
        coded: object.codec.map_or(Coded::Native(words), |c| Coded::Compressed(c, shape)),
    }
}

fn facts(uid: &str, slices: &[Slice], present: &[&Slice], geometry: &VolumeGeometry) -> ScanFacts {
    let lowest = present.first().map_or(&slices[0].object, |s| &s.object);
    let files: BTreeSet<&str> = present.iter().map(|s| s.file.name.as_str()).collect();
    let unplaced = |s: &Slice| s.object.remarks.contains(&FileRemark::PlaceUnknown);
    ScanFacts {
        series_uid: uid.to_owned(),
        frame_of_reference_uid: lowest.frame_uid.as_deref().map(quoted),
        transfer_syntax: quoted(&lowest.syntax),
        sop_class: lowest.sop_class.clone(),
        identity_removed: slices.iter().all(|s| s.object.identity_removed),
        names_patient: slices.iter().any(|s| s.object.names_patient),
        place_known: !slices.iter().any(unplaced),
        files: files.len(),
        slices: geometry.dims()[2],
        skipped: Skipped::new(),
        padding: lowest.padding,
        bits_stored: lowest.shape.bits_stored,
        signed: lowest.shape.signed,
    }
}

/// What was noticed in single files, told once for all of them.
fn file_warnings(slices: &[Slice]) -> Vec<ScanWarning> {
    let mut warnings = Vec::new();
    // The first slice of each file.
    let files = || slices.iter().filter(|s| s.frame.is_none_or(|frame| frame == 0));
    let surplus = || files().filter(|s| s.object.surplus > 0);
    if let Some(first) = surplus().next() {
        warnings.push(ScanWarning::SurplusPixelBytes {
            file: first.file.name.clone(),
            surplus: first.object.surplus,
            files: surplus().count(),
        });
    }
    let remarks: BTreeSet<FileRemark> =
        files().flat_map(|s| s.object.remarks.iter().copied()).collect();
    for remark in remarks {
        let with = || files().filter(|s| s.object.remarks.contains(&remark));
        if let Some(first) = with().next() {
            let (file, files) = (first.file.name.clone(), with().count());
            warnings.push(ScanWarning::Files { remark, file, files });
        }
    }
    warnings
}

/// The files that a directory lists and that are not among `files`, by their names as the
/// directory gives them. Names are compared without case: media fold it.
fn missing(directory: &ScanFile, listed: &[String], files: &[Arc<ScanFile>]) -> Vec<String> {
    let folder = directory.name.rsplit_once('/').map_or(String::new(), |(f, _)| format!("{f}/"));
    let mut there: BTreeSet<String> = BTreeSet::new();
    for file in files {
        let name = file.name.to_ascii_lowercase();
        // Some media carry the names with an extension.
        if let Some((stem, extension)) = name.rsplit_once('.')
            && !extension.contains('/')
        {
            there.insert(stem.to_owned());
        }
        there.insert(name);
    }
    let absent = |path: &&String| !there.contains(&format!("{folder}{path}").to_ascii_lowercase());
    listed.iter().filter(absent).cloned().collect()
}
