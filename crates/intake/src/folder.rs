use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::IntakeError;
use crate::archive::list_members;
use crate::attribute::{escaped, quoted};
use crate::error::open_error;
use crate::header::{FileKind, read_header, sop_class_error};
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
    /// It is a link to something that is not there.
    DeadLink,
    /// It belongs to another series than the one that was read.
    OtherSeries,
    /// It is a localizer: a projection that shows where the slices lie.
    Localizer,
}

impl SkipReason {
    /// A stable name of the reason, for scripts.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::NotDicom => "not-dicom",
            Self::Archive => "archive",
            Self::Empty => "empty",
            Self::Hidden => "hidden",
            Self::Directory => "dicom-directory",
            Self::OtherObject(_) => "other-object",
            Self::DeadLink => "dead-link",
            Self::OtherSeries => "other-series",
            Self::Localizer => "localizer",
        }
    }
}

/// How many files took no part, by reason.
pub type Skipped = BTreeMap<SkipReason, usize>;

/// The files that may belong to a scan.
#[derive(Debug)]
pub(crate) struct Listing {
    /// Sorted by name.
    pub(crate) files: Vec<ScanFile>,
    /// Those left out for having no bytes.
    pub(crate) skipped: Skipped,
    /// The series of the file that the path names; `None` where it names a folder, an archive
    /// or a DICOM directory.
    pub(crate) pointed_at: Option<String>,
}

/// Lists the files that may belong to the scan that a path names.
///
/// An archive stands for its members. A DICOM directory stands for its folder with all
/// that is below it: what it lists lies there (DICOM PS3.10 section 8.6). A DICOM image
/// stands for the slices beside it, not for the folders beside it; a volume of another
/// format for itself.
///
/// Folders around all files are left out of their names: they are often named after the
/// patient.
pub(crate) fn list_files(root: &Path) -> Result<Listing, IntakeError> {
    let mut found = Found { files: Vec::new(), skipped: Skipped::new(), entered: HashSet::new() };
    let metadata = fs::metadata(root).map_err(|e| open_error(shown(root, root), &e))?;
    let mut pointed_at = None;
    if metadata.is_dir() {
        found.enter(root, root, 0)?;
    } else {
        let folder = match root.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let (place, name) =
            (Place::File(root.to_owned()), shown(root, root.parent().unwrap_or(root)));
        let file = Arc::new(ScanFile { place, name, length: metadata.len() });
        match read_header(&file)? {
            FileKind::Archive => (found.files, found.skipped) = list_members(root)?,
            FileKind::Directory(_) => found.enter(folder, folder, 0)?,
            FileKind::Image(header) => {
                pointed_at = Some(quoted(&header.series_uid));
                found.enter(folder, folder, DEEPEST_FOLDER)?;
            }
            FileKind::Plain(..) => {
                pointed_at = Some(file.name.clone());
                found.files.push(ScanFile::clone(&file));
            }
            FileKind::Other(uid) => return Err(sop_class_error(&file.name, &uid)),
            FileKind::Unknown => {
                return Err(IntakeError::NoScan { skipped: [(SkipReason::NotDicom, 1)].into() });
            }
        }
    }
    leave_common_folder(&mut found.files);
    found.files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(Listing { files: found.files, skipped: found.skipped, pointed_at })
}

/// Leaves the folders around all files out of their names.
fn leave_common_folder(files: &mut [ScanFile]) {
    let Some(first) = files.first().map(|f| f.name.clone()) else { return };
    let folder_end = |name: &str| name.rfind('/').map_or(0, |slash| slash + 1);
    let mut common = folder_end(&first);
    for file in files.iter() {
        let same = first.bytes().zip(file.name.bytes()).take_while(|(a, b)| a == b).count();
        common = first.as_bytes()[..common.min(same)]
            .iter()
            .rposition(|&b| b == b'/')
            .map_or(0, |slash| slash + 1);
    }
    files.iter_mut().for_each(|file| drop(file.name.drain(..common)));
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
        let cannot = |path: &Path, error: &io::Error| open_error(shown(path, root), error);
        let real = fs::canonicalize(folder).map_err(|e| cannot(folder, &e))?;
        if !self.entered.insert(real) {
            return Ok(());
        }
        for entry in fs::read_dir(folder).map_err(|e| cannot(folder, &e))? {
            let path = entry.map_err(|e| cannot(folder, &e))?.path();
            let metadata = match fs::metadata(&path) {
                Err(e) if e.kind() != io::ErrorKind::PermissionDenied && path.is_symlink() => {
                    *self.skipped.entry(SkipReason::DeadLink).or_default() += 1;
                    continue;
                }
                read => read.map_err(|e| cannot(&path, &e))?,
            };
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
