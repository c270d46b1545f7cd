use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::PhantomError;
use crate::dicomdir::files_below;

/// How the files in a zip are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ZipMethod {
    /// As they are.
    Stored,
    /// Deflated.
    Deflated,
}

/// Writes every file below a folder into a zip, named by its path from the folder, in the
/// order of the names.
///
/// # Errors
///
/// [`PhantomError::Write`] where the system refuses a file or the zip.
pub fn write_zip(folder: &Path, path: &Path, method: ZipMethod) -> Result<(), PhantomError> {
    let failed = |reason: String| PhantomError::Write { path: path.to_owned(), reason };
    let mut entries = Vec::new();
    for (file, parts) in files_below(folder).map_err(|e| failed(e.to_string()))? {
        if file == path {
            continue;
        }
        let bytes = std::fs::read(&file).map_err(|e| failed(e.to_string()))?;
        entries.push((parts.join("/"), bytes));
    }
    write_zip_entries(path, &entries, method)
}

/// Writes a zip of the given names and bytes. Names are written as they are, also those
/// that lead out of the folder into which a zip is unpacked; each only once.
///
/// # Errors
///
/// [`PhantomError::Write`] where the system or the zip writer refuses one.
pub fn write_zip_entries(
    path: &Path,
    entries: &[(String, Vec<u8>)],
    method: ZipMethod,
) -> Result<(), PhantomError> {
    let options = SimpleFileOptions::default().compression_method(match method {
        ZipMethod::Stored => CompressionMethod::Stored,
        ZipMethod::Deflated => CompressionMethod::Deflated,
    });
    let write = || -> io::Result<()> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        let mut zip = ZipWriter::new(File::create(path)?);
        for (name, bytes) in entries {
            zip.start_file(name.as_str(), options)?;
            zip.write_all(bytes)?;
        }
        zip.finish()?;
        Ok(())
    };
    write().map_err(|e| PhantomError::Write { path: path.to_owned(), reason: e.to_string() })
}
