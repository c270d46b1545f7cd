//! Within what the pose of a site's fixtures is looked for.

use jawgauge_fixture::{AWAY_DEG, PoseLimits};

use super::Site;
use super::parts::{Ridge, direction, point};
use super::reader::Section;
use super::restoration::apical;
use crate::error::CliError;

/// Keys of `[site.within]`.
const KNOWN: &[&str] = &["prosthetic", "angle_deg", "depth_mm", "emergence", "emergence_mm"];
/// Least and greatest depth of a platform, mm.
const DEPTH_MM: (f64, f64) = (-10.0, 30.0);

/// What `[site.within]` asks for; the depth is left open where it does not tell it.
pub(super) fn within(site: &Section<'_>) -> Result<Option<Within>, CliError> {
    let Some(section) = site.table("within", KNOWN)? else { return Ok(None) };
    let depth_mm: Option<(f64, f64)> = match section.numbers("depth_mm")? {
        None => None,
        Some(numbers) => match numbers[..] {
            [low, high] if DEPTH_MM.0 <= low && low <= high && high <= DEPTH_MM.1 => {
                Some((low, high))
            }
            _ => {
                let what = "not a least and a greatest depth";
                let remedy = "give [least, greatest], mm below the crest, -10 to 30";
                return Err(section.bad("depth_mm", what, remedy));
            }
        },
    };
    if let (Some((low, high)), Some(mm)) = (depth_mm, site.number("platform_depth_mm")?)
        && !(low <= mm && mm <= high)
    {
        let what = format!(
            "`platform_depth_mm` = {mm} and `depth_mm` = [{low}, {high}] of [site.within] contradict each other"
        );
        let remedy = "leave one of the two out: `depth_mm` is what the search keeps to";
        return Err(site.contradictory("platform_depth_mm", what, remedy));
    }
    let prosthetic = direction(&section, "prosthetic")?.and_then(|v| v.direction().ok());
    let default = PoseLimits::at_depth(0.0);
    Ok(Some(Within {
        depth_mm,
        limits: PoseLimits {
            prosthetic,
            angle_deg: section.number_in("angle_deg", 0.0, 45.0)?.unwrap_or(default.angle_deg),
            emergence: point(&section, "emergence")?,
            emergence_mm: section
                .number_in("emergence_mm", 0.0, 10.0)?
                .unwrap_or(default.emergence_mm),
            ..default
        },
    }))
}

/// Refuses a prosthetic axis about which every pose points out of the jaw, or along it.
pub(super) fn refuse_away(site: &Section<'_>, ridge: &Ridge, read: &Site) -> Result<(), CliError> {
    let Some(section) = site.table("within", KNOWN)? else { return Ok(()) };
    let Some(limits) = read.within.filter(|_| read.pose.is_none()).map(|w| w.limits) else {
        return Ok(());
    };
    // Where the section's own axis is to be found, the case's direction stands for it.
    let apical = apical(ridge, read).or_else(|| ridge.apical.direction().ok());
    let (Some(prosthetic), Some(apical)) = (limits.prosthetic, apical) else { return Ok(()) };
    let angle_deg = prosthetic.angle_deg(apical);
    if angle_deg <= AWAY_DEG + limits.angle_deg {
        return Ok(());
    }
    let what = format!("points {angle_deg:.0} degrees away from the apical direction");
    let remedy = "give it from the crown into the jaw, or mend `apical` of [ridge]";
    Err(section.bad("prosthetic", what, remedy))
}

/// Limits of the pose, and its depth where that is told.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Within {
    pub(crate) depth_mm: Option<(f64, f64)>,
    pub(crate) limits: PoseLimits,
}
