use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::IntakeError;
use crate::attribute::escaped;

/// Folders nested deeper than this are not entered: no export has more than a few.
const DEEPEST_FOLDER: usize = 32;

/// Why a file of the folder took no part in the scan.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum SkipReason {
    /// It does not start as a DICOM file.
    NotDicom,
    /// It has no bytes.
    Empty,
    /// Its name starts with a dot; folders with such names are read.
    Hidden,
    /// It is a DICOM file without image, or an image of another kind; its SOP class UID.
    OtherObject(String),
    /// It belongs to another series than the one that was read.
    OtherSeries,
    /// It is a localizer: a projection that shows where the slices lie.
    Localizer,
}

/// How many files took no part, by reason.
pub type Skipped = BTreeMap<SkipReason, usize>;

/// A file and the name that messages use for it: relative to the scan, escaped.
#[derive(Debug, Clone)]
pub(crate) struct ScanFile {
    pub(crate) path: PathBuf,
    pub(crate) name: String,
}

/// The files of a scan, sorted by path, and those left out by name alone.
pub(crate) fn list_files(root: &Path) -> Result<(Vec<ScanFile>, Skipped), IntakeError> {
    let mut found = Found { files: Vec::new(), skipped: Skipped::new(), entered: HashSet::new() };
    let cannot = |error: &io::Error| IntakeError::Open {
        file: shown(root, root),
        reason: error.kind().to_string(),
    };
    let metadata = fs::metadata(root).map_err(|e| cannot(&e))?;
    if metadata.is_dir() {
        found.enter(root, root, 0)?;
    } else {
        // One file stands for the slices beside it, not for the folders beside it.
        let folder = match root.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        found.enter(folder, folder, DEEPEST_FOLDER)?;
    }
    found.files.sort_by(|a, b| a.path.cmp(&b.path));
    Ok((found.files, found.skipped))
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
            let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
            let reason = if hidden {
                Some(SkipReason::Hidden)
            } else if !metadata.is_file() {
                Some(SkipReason::NotDicom)
            } else if metadata.len() == 0 {
                Some(SkipReason::Empty)
            } else {
                None
            };
            match reason {
                Some(reason) => *self.skipped.entry(reason).or_default() += 1,
                None => self.files.push(ScanFile { name: shown(&path, root), path }),
            }
        }
        Ok(())
    }
}
