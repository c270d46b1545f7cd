//! Lists of fixtures: in the case, in a file of their own, and bodies as triangles.

use std::fs;
use std::path::Path;

use jawgauge_fixture::{FixtureSolid, solid_from_stl};

use super::reader::{Section, Source};
use super::{parts, shown_name};
use crate::error::CliError;

/// A file of triangles larger than this, bytes, is no fixture's: some hundred thousand triangles.
const LARGEST_STL: u64 = 64 << 20;

/// The fixtures of a case: those of the list that `fixtures` names, then its own.
pub(super) fn fixtures(
    top: &Section<'_>,
    folder: &Path,
) -> Result<Vec<(String, FixtureSolid)>, CliError> {
    let mut found = Vec::new();
    if let Some(path) = top.text("fixtures")? {
        let path = folder.join(path);
        let text = fs::read_to_string(&path).map_err(|e| {
            let what = format!("the list of fixtures cannot be read ({e})");
            top.bad("fixtures", what, "give the path of a TOML text file, relative to the case")
        })?;
        let source = Source { name: shown_name(&path), text };
        let document = source.parse()?;
        let list = Section::new(&source, "", document.as_table(), 1, &["schema", "fixture"])?;
        if list.text("schema")?.as_deref() != Some("fixtures/1") {
            return Err(list.missing("schema", "write schema = \"fixtures/1\""));
        }
        let beside = path.parent().unwrap_or(folder).to_owned();
        found = parts::fixtures(&list, &beside, found)?;
        if found.is_empty() {
            return Err(list.missing("fixture", "add a [[fixture]] with id and sizes"));
        }
    }
    parts::fixtures(top, folder, found)
}

/// The body of a fixture: by its sizes, or out of triangles.
pub(super) fn body(section: &Section<'_>, folder: &Path) -> Result<FixtureSolid, CliError> {
    let Some(path) = section.text("stl")? else { return parts::solid(section) };
    for key in ["profile_mm", "diameter_mm", "length_mm", "apex_diameter_mm"] {
        if section.has(key) {
            return Err(section.bad(key, "given beside `stl`", "give one of the two"));
        }
    }
    let path = folder.join(path);
    let remedy = "give the path of an STL in millimetres, relative to this file";
    let unread = |what: String| section.bad("stl", what, remedy);
    let size = fs::metadata(&path).map_err(|e| unread(format!("it cannot be read ({e})")))?.len();
    if size > LARGEST_STL {
        return Err(unread(format!("{} MB of triangles are no fixture", size >> 20)));
    }
    let bytes = fs::read(&path).map_err(|e| unread(format!("it cannot be read ({e})")))?;
    solid_from_stl(&bytes).map_err(|e| unread(e.to_string()))
}
