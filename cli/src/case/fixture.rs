//! One fixture of a case: its body by sizes, out of triangles, or out of a template.

use std::fs;
use std::path::Path;

use jawgauge_fixture::{FixtureSolid, solid_from_stl, solid_from_triangles};
use jawgauge_intake::{ImplantTemplate, TemplateMesh, read_implant_template};

use super::reader::Section;
use crate::error::CliError;

/// Keys of `[[fixture]]`.
pub(super) const FIXTURE: &[&str] = &[
    "id",
    "diameter_mm",
    "length_mm",
    "apex_diameter_mm",
    "profile_mm",
    "core_diameter_mm",
    "stl",
    "template",
    "drills",
];
/// Those that tell its sizes.
const SIZES: [&str; 4] = ["profile_mm", "diameter_mm", "length_mm", "apex_diameter_mm"];

/// A file of triangles larger than this, bytes, is no fixture's: some hundred thousand triangles.
const LARGEST_STL: u64 = 64 << 20;
/// Sizes given beside a template may differ from those of its mesh by this, mm: what reducing triangles to
/// a solid of revolution may be off by.
const MESH_MM: f64 = 0.05;

/// A fixture's id and body.
pub(super) fn read(
    section: &Section<'_>,
    folder: &Path,
) -> Result<(String, FixtureSolid), CliError> {
    let id = section.text("id")?;
    if id.as_ref().is_some_and(|id| id.trim().is_empty()) {
        return Err(section.bad("id", "empty", "give the fixture a name"));
    }
    let no_id = || section.missing("id", "give the fixture a name");
    let (id, solid) = if let Some(path) = section.text("template")? {
        if section.has("stl") {
            return Err(section.bad("stl", "given beside `template`", "give one of the two"));
        }
        let remedy = "give the path of a DICOM Generic Implant Template, relative to this file";
        let template = read_implant_template(&folder.join(path))
            .map_err(|e| section.bad("template", e.to_string(), remedy))?;
        let title = template.title();
        (id.or(title).ok_or_else(no_id)?, of_template(section, &template)?)
    } else {
        let id = id.ok_or_else(no_id)?;
        let stl = section.text("stl")?;
        let solid = match stl {
            Some(path) => of_triangles(section, &folder.join(path))?,
            None => solid(section)?,
        };
        (id, solid)
    };
    match section.number("core_diameter_mm")? {
        None => Ok((id, solid)),
        Some(core) => {
            let solid = solid.with_core(core).map_err(|e| {
                let remedy = "give the minor diameter of the threads where the body is widest";
                section.bad("core_diameter_mm", e.to_string(), remedy)
            })?;
            Ok((id, solid))
        }
    }
}

fn of_triangles(section: &Section<'_>, path: &Path) -> Result<FixtureSolid, CliError> {
    for key in SIZES {
        if section.has(key) {
            return Err(section.bad(key, "given beside `stl`", "give one of the two"));
        }
    }
    let remedy = "give the path of an STL in millimetres, relative to this file";
    let unread = |what: String| section.bad("stl", what, remedy);
    let size = fs::metadata(path).map_err(|e| unread(format!("it cannot be read ({e})")))?.len();
    if size > LARGEST_STL {
        return Err(unread(format!("{} MB of triangles are no fixture", size >> 20)));
    }
    let bytes = fs::read(path).map_err(|e| unread(format!("it cannot be read ({e})")))?;
    solid_from_stl(&bytes).map_err(|e| unread(e.to_string()))
}

/// The body out of a template's mesh, or by sizes beside it, with the template's tolerance.
fn of_template(
    section: &Section<'_>,
    template: &ImplantTemplate,
) -> Result<FixtureSolid, CliError> {
    let of_mesh = match &template.mesh {
        TemplateMesh::Triangles(triangles) => {
            solid_from_triangles(triangles).map_err(|e| e.to_string())
        }
        TemplateMesh::Unusable(why) => Err(why.clone()),
        _ => Err("it has no surface".to_owned()),
    };
    let has_sizes = SIZES.iter().any(|key| section.has(key));
    let body = match of_mesh {
        Ok(of_mesh) => {
            if has_sizes {
                agree(section, template, &solid(section)?, &of_mesh)?;
            }
            of_mesh
        }
        Err(_) if has_sizes => solid(section)?,
        Err(why) => {
            let size = template.size.as_ref().map_or_else(String::new, |size| {
                format!(" (its size, \"{size}\", is free text and is not taken for millimetres)")
            });
            let what = format!("no body can be taken from the template: {why}{size}");
            let remedy = "give `diameter_mm` and `length_mm`, or `profile_mm`, beside it";
            return Err(section.bad("template", what, remedy));
        }
    };
    body.with_tolerance_mm(template.tolerance_mm.unwrap_or(0.0)).map_err(|e| {
        let remedy = "ask its maker for a template whose OverallTemplateSpatialTolerance (0068,62A5) is told right";
        section.bad("template", e.to_string(), remedy)
    })
}

/// Sizes that are given beside a template that has a mesh must be those of the mesh.
fn agree(
    section: &Section<'_>,
    template: &ImplantTemplate,
    given: &FixtureSolid,
    of_mesh: &FixtureSolid,
) -> Result<(), CliError> {
    let allowed = MESH_MM + template.tolerance_mm.unwrap_or(0.0);
    let pairs = [
        ("diameter_mm", given.widest_mm(), of_mesh.widest_mm()),
        ("length_mm", given.length_mm(), of_mesh.length_mm()),
    ];
    for (key, given, of_mesh) in pairs {
        if !((given - of_mesh).abs() <= allowed) {
            let key = if section.has(key) { key } else { "profile_mm" };
            let what =
                format!("{given} mm contradicts the template's mesh, which has {of_mesh:.2} mm");
            return Err(section.bad(key, what, "make them agree, or leave the sizes out"));
        }
    }
    Ok(())
}

fn solid(section: &Section<'_>) -> Result<FixtureSolid, CliError> {
    if let Some(rows) = section.rows::<2>("profile_mm")? {
        for key in ["apex_diameter_mm"] {
            if section.has(key) {
                return Err(section.bad(key, "given beside `profile_mm`", "give one of the two"));
            }
        }
        let solid = FixtureSolid::from_profile(&rows).map_err(|e| {
            section.bad(
                "profile_mm",
                e.to_string(),
                "give [[depth, diameter], …] from 0 to the length",
            )
        })?;
        let claims = [("diameter_mm", solid.widest_mm()), ("length_mm", solid.length_mm())];
        for (key, of_profile) in claims {
            if let Some(given) = section.number(key)?
                && !((given - of_profile).abs() <= 1e-6)
            {
                let what = format!("{given} contradicts `profile_mm`, which has {of_profile}");
                return Err(section.bad(key, what, "make them agree or leave one out"));
            }
        }
        return Ok(solid);
    }
    let size =
        |key: &str| section.number(key)?.ok_or_else(|| section.missing(key, "give it in mm"));
    let (diameter, length) = (size("diameter_mm")?, size("length_mm")?);
    let apex = section.number("apex_diameter_mm")?.unwrap_or(diameter);
    FixtureSolid::tapered(diameter, apex, length).map_err(|e| {
        let key = [("diameter_mm", diameter), ("length_mm", length)]
            .iter()
            .find(|(_, v)| !(*v > 0.0 && *v <= 60.0))
            .map_or("apex_diameter_mm", |(k, _)| *k);
        section.bad(key, e.to_string(), "give a size in mm")
    })
}
