//! Files that appear whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::error::{CliError, exit};

/// What becomes of a file that is already there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Existing {
    /// It stays, and that is an error; the command has no `--force`.
    Stays,
    /// It stays unless `--force` is given, which it is not.
    StaysUnlessForced,
    /// It is replaced: `--force` is given.
    Replaced,
}

impl Existing {
    /// Of a command that has `--force`.
    pub(crate) fn with_force(force: bool) -> Self {
        if force { Self::Replaced } else { Self::StaysUnlessForced }
    }
}

/// Files to be written, all checked before the first is.
#[derive(Debug, Default)]
pub(crate) struct Outputs {
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl Outputs {
    pub(crate) fn add(&mut self, path: PathBuf, bytes: impl Into<Vec<u8>>) {
        self.files.push((path, bytes.into()));
    }

    /// Writes every file under a temporary name beside its place, then renames them.
    pub(crate) fn write(self, existing: Existing) -> Result<Vec<PathBuf>, CliError> {
        for (index, (path, _)) in self.files.iter().enumerate() {
            check_free(path, existing)?;
            if self.files[..index].iter().any(|(other, _)| same_place(other, path)) {
                let what = format!("{} is named for two results", path.display());
                return Err(CliError::new(
                    exit::USAGE,
                    "file-twice",
                    what,
                    "",
                    "give each its own place",
                ));
            }
        }
        let mut staged = Vec::new();
        for (path, bytes) in self.files {
            let folder = path
                .parent()
                .filter(|p| !p.as_os_str().is_empty())
                .unwrap_or_else(|| Path::new("."));
            fs::create_dir_all(folder).map_err(|e| failed(&path, &e))?;
            let mut builder = tempfile::Builder::new();
            builder.prefix(".jawgauge-");
            ordinary(&mut builder);
            let mut file = builder.tempfile_in(folder).map_err(|e| failed(&path, &e))?;
            file.write_all(&bytes).map_err(|e| failed(&path, &e))?;
            staged.push((file, path));
        }
        let mut written = Vec::new();
        for (file, path) in staged {
            let replaced = existing == Existing::Replaced;
            let kept = if replaced { file.persist(&path) } else { file.persist_noclobber(&path) };
            kept.map_err(|e| failed(&path, &e.error))?;
            written.push(path);
        }
        Ok(written)
    }
}

/// Temporary files are made for their owner only; results are ordinary files, as the user's mask
/// allows.
#[cfg(unix)]
fn ordinary(builder: &mut tempfile::Builder<'_, '_>) {
    use std::os::unix::fs::PermissionsExt;
    builder.permissions(fs::Permissions::from_mode(0o666));
}

#[cfg(not(unix))]
fn ordinary(_: &mut tempfile::Builder<'_, '_>) {}

/// Whether two paths, neither of which may exist yet, are one place.
fn same_place(a: &Path, b: &Path) -> bool {
    let absolute = |p: &Path| std::path::absolute(p).unwrap_or_else(|_| p.to_owned());
    absolute(a) == absolute(b)
}

/// Whether a file may be written.
pub(crate) fn check_free(path: &Path, existing: Existing) -> Result<(), CliError> {
    if !path.exists() || existing == Existing::Replaced {
        return Ok(());
    }
    let remedy = match existing {
        Existing::Stays => "give another place",
        _ => "give another place, or --force to overwrite",
    };
    let what = format!("{} is already there", path.display());
    Err(CliError::new(exit::USAGE, "file-exists", what, "", remedy))
}

fn failed(path: &Path, error: &io::Error) -> CliError {
    CliError::new(
        exit::OTHER,
        "cannot-write",
        format!("{} cannot be written ({error})", path.display()),
        "",
        "check the folder and its free space",
    )
}

/// Whether `--json` means standard output.
pub(crate) fn is_stdout(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Writes a result to standard output; a closed pipe ends quietly.
pub(crate) fn print(text: &str) -> Result<(), CliError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        Err(e) => Err(CliError::new(
            exit::OTHER,
            "cannot-write",
            format!("standard output cannot be written ({e})"),
            "",
            "",
        )),
        Ok(()) => Ok(()),
    }
}

/// A line for a person on standard error: one line, whatever characters a path in it has.
pub(crate) fn note(text: &str) {
    let line = text.replace(char::is_control, "\u{fffd}");
    // Nothing can be done where standard error is closed.
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// A file name made of a text: letters, digits and hyphens, at most 40 of them.
pub(crate) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        if slug.len() >= 40 {
            break;
        }
        if c.is_ascii_alphanumeric() {
            slug.push(c.to_ascii_lowercase());
        } else if !slug.ends_with('-') && !slug.is_empty() {
            slug.push('-');
        }
    }
    slug.trim_end_matches('-').to_owned()
}

#[cfg(test)]
mod tests {
    use super::{Existing, Outputs, slug};

    #[test]
    fn names_of_files_cannot_leave_their_folder() {
        assert_eq!(slug("../../etc/passwd"), "etc-passwd");
        assert_eq!(slug("lower right second premolar"), "lower-right-second-premolar");
        assert_eq!(slug("CON: a\\b\n\u{e9}"), "con-a-b");
        assert_eq!(slug("\u{e9}"), "");
        assert!(slug(&"x".repeat(300)).len() <= 40);
    }

    #[test]
    fn nothing_is_overwritten_and_nothing_is_left_behind() {
        let folder = tempfile::tempdir().expect("a folder");
        let (first, second) = (folder.path().join("a/one"), folder.path().join("a/two"));
        let mut outputs = Outputs::default();
        outputs.add(first.clone(), "1");
        outputs.write(Existing::StaysUnlessForced).expect("written");
        let mut outputs = Outputs::default();
        outputs.add(second.clone(), "2");
        outputs.add(first.clone(), "other");
        assert_eq!(
            outputs.write(Existing::StaysUnlessForced).expect_err("there already").code,
            "file-exists"
        );
        assert!(!second.exists(), "nothing is half written");
        assert_eq!(std::fs::read_to_string(&first).expect("read"), "1");
        let mut outputs = Outputs::default();
        outputs.add(first.clone(), "new");
        outputs.write(Existing::Replaced).expect("forced");
        assert_eq!(std::fs::read_to_string(&first).expect("read"), "new");
        assert_eq!(std::fs::read_dir(folder.path().join("a")).expect("a folder").count(), 1);
    }
}
