//! Lists of fixtures: in the case and in a file of their own.

use std::fs;
use std::path::Path;

use jawgauge_fixture::{Drill, Drilling, FixtureSolid, USUAL_OVER_RUN_MM};

use super::fixture::{self, FIXTURE};
use super::reader::{Section, Source};
use super::shown_name;
use crate::error::{CliError, quoted};

/// Plausible diameters and lengths of drills, mm: from the thinnest pilot to the longest fixtures.
const DRILL_DIAMETER_MM: (f64, f64) = (0.5, 10.0);
const DRILL_LENGTH_MM: (f64, f64) = (1.0, 55.0);
/// Plausible over-runs of a drill's tip, mm.
const OVER_RUN_MM: (f64, f64) = (0.0, 3.0);

/// The fixtures of a case, and their drills.
#[derive(Default)]
pub(super) struct Fixtures {
    pub(super) list: Vec<(String, FixtureSolid)>,
    pub(super) drilling: Drilling,
}

/// The fixtures of a case: those of the list that `fixtures` names, then its own.
pub(super) fn fixtures(top: &Section<'_>, folder: &Path) -> Result<Fixtures, CliError> {
    let mut found = Fixtures::default();
    if let Some(drilling) = top.table("drilling", &["drills", "over_run_mm"])? {
        found.drilling.usual = drills(&drilling)?.unwrap_or_default();
        found.drilling.over_run_mm = drilling
            .number_in("over_run_mm", OVER_RUN_MM.0, OVER_RUN_MM.1)?
            .unwrap_or(USUAL_OVER_RUN_MM);
    }
    if let Some(path) = top.text("fixtures")? {
        let path = folder.join(path);
        let text = fs::read_to_string(&path).map_err(|e| {
            let what = format!("the list of fixtures cannot be read ({e})");
            top.bad("fixtures", what, "give the path of a TOML text file, relative to the case")
        })?;
        let source = Source { name: shown_name(&path), text };
        let document = source.parse()?;
        let list = Section::new(&source, document.as_table(), 1, &["schema", "fixture"])?;
        if list.text("schema")?.as_deref() != Some("fixtures/1") {
            return Err(list.missing("schema", "write schema = \"fixtures/1\""));
        }
        let beside = path.parent().unwrap_or(folder).to_owned();
        add(&list, &beside, &mut found)?;
        if found.list.is_empty() {
            return Err(list.missing("fixture", "add a [[fixture]] with id and sizes"));
        }
    }
    add(top, folder, &mut found)?;
    Ok(found)
}

/// Adds the fixtures of a file to those at hand; what they name lies relative to `folder`.
fn add(top: &Section<'_>, folder: &Path, found: &mut Fixtures) -> Result<(), CliError> {
    for section in top.tables("fixture", FIXTURE)? {
        let (id, solid) = fixture::read(&section, folder)?;
        if found.list.iter().any(|f| f.0 == id) {
            let key = if section.has("id") { "id" } else { "template" };
            let what = format!("{} is given twice", quoted(&id));
            return Err(section.bad(key, what, "give each fixture its own `id`"));
        }
        if let Some(drills) = drills(&section)? {
            found.drilling.own.push((id.clone(), drills));
        }
        found.list.push((id, solid));
    }
    Ok(())
}

/// The drills of a table, in the order of use.
fn drills(section: &Section<'_>) -> Result<Option<Vec<Drill>>, CliError> {
    if !section.has("drills") {
        return Ok(None);
    }
    let mut drills: Vec<Drill> = Vec::new();
    for row in section.tables("drills", &["diameter_mm", "length_mm"])? {
        let size = |key: &str, (low, high): (f64, f64)| {
            row.number_in(key, low, high)?
                .ok_or_else(|| row.missing(key, "give it in mm for each drill"))
        };
        let drill = Drill {
            diameter_mm: size("diameter_mm", DRILL_DIAMETER_MM)?,
            length_mm: size("length_mm", DRILL_LENGTH_MM)?,
        };
        if let Some(before) = drills.last()
            && drill.diameter_mm < before.diameter_mm
        {
            let what =
                format!("{} mm follows a drill of {} mm", drill.diameter_mm, before.diameter_mm);
            let remedy = "give drills in the order of use, none thinner than the one before";
            return Err(row.bad("diameter_mm", what, remedy));
        }
        drills.push(drill);
    }
    Ok(Some(drills))
}
