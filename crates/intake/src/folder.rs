use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::IntakeError;
use crate::archive::{is_archive, list_members};
use crate::attribute::escaped;
use crate::header::{FileKind, read_header};
use crate::source::{Place, ScanFile};

/// Folders nested deeper than this are not entered: no export has more than a few.
const DEEPEST_FOLDER: usize = 32;

/// Why a file of the folder took no part in the scan.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum SkipReason {
    /// It is no DICOM file and no volume of another known kind.
    NotDicom,
    /// It is an archive within the scan's path; archives are read only where the path names them.
    Archive,
    /// It has no bytes.
    Empty,
    /// It is no DICOM file and its name starts with a dot, or it is a link in an archive.
    Hidden,
    /// It is a DICOM directory.
    Directory,
    /// It is a DICOM file without image, or an image of another kind; its SOP class UID.
    OtherObject(String),
    /// It belongs to another series than the one that was read.
    OtherSeries,
    /// It is a localizer: a projection that shows where the slices lie.
    Localizer,
}

/// How many files took no part, by reason.
pub type Skipped = BTreeMap<SkipReason, usize>;

/// The files of a scan, sorted by name, and those left out for having no bytes.
///
/// An archive stands for its members. A DICOM directory stands for its folder with all
/// that is below it: what it lists lies there (DICOM PS3.10 section 8.6).
pub(crate) fn list_files(root: &Path) -> Result<(Vec<ScanFile>, Skipped), IntakeError> {
    let mut found = Found { files: Vec::new(), skipped: Skipped::new(), entered: HashSet::new() };
    let cannot = |error: &io::Error| IntakeError::Open {
        file: shown(root, root),
        reason: error.kind().to_string(),
    };
    let metadata = fs::metadata(root).map_err(|e| cannot(&e))?;
    if metadata.is_dir() {
        found.enter(root, root, 0)?;
    } else if is_archive(&head(root).map_err(|e| cannot(&e))?) {
        return list_members(root);
    } else {
        let folder = match root.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        // One file stands for the slices beside it, not for the folders beside it.
        let depth = if is_directory(root, &metadata) { 0 } else { DEEPEST_FOLDER };
        found.enter(folder, folder, depth)?;
    }
    found.files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok((found.files, found.skipped))
}

/// The first bytes of a file.
fn head(path: &Path) -> io::Result<Vec<u8>> {
    let mut head = Vec::new();
    fs::File::open(path)?.take(4).read_to_end(&mut head)?;
    Ok(head)
}

/// Whether a file is a DICOM directory (Media Storage Directory Storage).
fn is_directory(path: &Path, metadata: &fs::Metadata) -> bool {
    let place = Place::File(path.to_owned());
    let file = ScanFile { place, name: String::new(), length: metadata.len() };
    matches!(read_header(&Arc::new(file)), Ok(FileKind::Directory(_)))
}

/// A path as messages show it.
pub(crate) fn shown(path: &Path, root: &Path) -> String {
    let relative = path.strip_prefix(root).unwrap_or(path);
    if relative.as_os_str().is_empty() {
        // Not the folder's own name, which may be the patient's.
        return "the scan's path".to_owned();
    }
    escaped(&relative.to_string_lossy())
}

struct Found {
    files: Vec<ScanFile>,
    skipped: Skipped,
    /// Folders already read, so that a loop of links ends.
    entered: HashSet<PathBuf>,
}

impl Found {
    fn enter(&mut self, folder: &Path, root: &Path, depth: usize) -> Result<(), IntakeError> {
        let cannot = |path: &Path, error: &io::Error| IntakeError::Open {
            file: shown(path, root),
            reason: error.kind().to_string(),
        };
        let real = fs::canonicalize(folder).map_err(|e| cannot(folder, &e))?;
        if !self.entered.insert(real) {
            return Ok(());
        }
        for entry in fs::read_dir(folder).map_err(|e| cannot(folder, &e))? {
            let path = entry.map_err(|e| cannot(folder, &e))?.path();
            let metadata = fs::metadata(&path).map_err(|e| cannot(&path, &e))?;
            if metadata.is_dir() {
                if depth < DEEPEST_FOLDER {
                    self.enter(&path, root, depth + 1)?;
                }
                continue;
            }
            let reason = if !metadata.is_file() {
                Some(SkipReason::NotDicom)
            } else if metadata.len() == 0 {
                Some(SkipReason::Empty)
            } else {
                None
            };
            match reason {
                Some(reason) => *self.skipped.entry(reason).or_default() += 1,
                None => {
                    let (name, length) = (shown(&path, root), metadata.len());
                    self.files.push(ScanFile { place: Place::File(path), name, length });
                }
            }
        }
        Ok(())
    }
}
