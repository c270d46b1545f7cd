//! `[[site.limit]]`: anatomy to stay away from.

use jawgauge_bone::{Limit, LimitForm, LimitKind};
use jawgauge_space::PatientDir;

use super::parts::points;
use super::reader::Section;
use crate::error::{CliError, quoted};

/// Keys of a limit.
pub(super) const KNOWN: &[&str] = &["kind", "points", "surface", "radius_mm", "keep_mm"];
/// Radii of what is given as a line, mm.
const RADIUS_MM: (f64, f64) = (0.0, 10.0);
/// Points of a surface: fewer make no plane.
const FEWEST: usize = 3;

pub(super) fn limit(section: &Section<'_>) -> Result<Limit, CliError> {
    // Defaults: the nerve canal 2 mm (Greenstein G, Tarnow D. J Periodontol 2006;77:1933-1943,
    // from memory; Fokas G et al. Clin Oral Implants Res 2018, 2 mm to structures at risk); the
    // floors 1 mm (textbook convention, no source).
    let (kind, keep_mm) = match section.text("kind")?.as_deref() {
        Some("nasal-floor") => (LimitKind::NasalFloor, Some(1.0)),
        Some("sinus-floor") => (LimitKind::SinusFloor, Some(1.0)),
        Some("nerve-canal") => (LimitKind::NerveCanal, Some(2.0)),
        Some("other") => (LimitKind::Other, None),
        Some(other) => {
            let what = format!("{} is not known", quoted(other));
            return Err(section.bad(
                "kind",
                what,
                "write \"nasal-floor\", \"sinus-floor\", \"nerve-canal\" or \"other\"",
            ));
        }
        None => {
            return Err(section.missing(
                "kind",
                "write \"nerve-canal\", \"sinus-floor\", \"nasal-floor\" or \"other\"",
            ));
        }
    };
    let keep_mm = section.number_in("keep_mm", 0.0, 20.0)?.or(keep_mm).ok_or_else(|| {
        section.missing("keep_mm", "say how far to keep from a limit of kind \"other\"")
    })?;
    if section.has("surface") {
        return surface(section, kind, keep_mm);
    }
    let points = points(section, "points")?.filter(|p| !p.is_empty()).ok_or_else(|| {
        section.missing("points", "give one point, or a polyline that the section cuts")
    })?;
    let radius_mm = section.number_in("radius_mm", RADIUS_MM.0, RADIUS_MM.1)?.unwrap_or(0.0);
    Ok(Limit { kind, form: LimitForm::Line { radius_mm }, points, keep_mm })
}

/// A floor, by points of it.
fn surface(section: &Section<'_>, kind: LimitKind, keep_mm: f64) -> Result<Limit, CliError> {
    if kind == LimitKind::NerveCanal {
        let remedy = "give a canal by `points` along it, and `radius_mm`";
        return Err(section.bad("surface", "a nerve canal is no surface", remedy));
    }
    for key in ["points", "radius_mm"] {
        if section.has(key) {
            return Err(section.bad(key, "given beside `surface`", "give one of the two"));
        }
    }
    let points = points(section, "surface")?.unwrap_or_default();
    let remedy = "give three or more points of it, a few millimetres apart and not in one line";
    if points.len() < FEWEST {
        let what = format!("{} points are no surface", points.len());
        return Err(section.bad("surface", what, remedy));
    }
    let limit = Limit { kind, form: LimitForm::Surface, points, keep_mm };
    // Which way is apical turns the plane about, but makes none.
    if limit.plane(PatientDir::superior()).is_none() {
        return Err(section.bad("surface", "its points lie in one line", remedy));
    }
    Ok(limit)
}
