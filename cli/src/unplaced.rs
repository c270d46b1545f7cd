//! Fixtures that could not be put into a site, with what to do by the keys that the case gives.

use jawgauge_fixture::FitError;

use crate::case::Site;
use crate::error::{CliError, exit, quoted};

/// A fixture that could not be placed; its id where one alone is meant.
pub(crate) fn error(site: &Site, error: &FitError) -> (Option<String>, CliError) {
    let searched = site.pose.is_none();
    let of = |given: &str| if searched { place_keys(site) } else { given.to_owned() };
    let (fixture, code, remedy) = match error {
        FitError::NotInBone { fixture } => {
            (Some(fixture), "fixture-not-in-bone", of("check `platform` of the pose"))
        }
        FitError::PointsAway { fixture, .. } => {
            let remedy = if searched {
                "give `prosthetic` of [site.within] from the crown into the jaw"
            } else {
                "give `apical` from platform to apex, into the jaw"
            };
            (Some(fixture), "pose-points-away", remedy.to_owned())
        }
        FitError::PoseOutside { fixture, .. } => (
            Some(fixture),
            "pose-outside-scan",
            of(
                "check `platform` of the pose, in LPS millimetres, and that this scan is the right one",
            ),
        ),
        FitError::Section { fixture, .. } => {
            (Some(fixture), "fixture-section", of("check `platform` and `apical` of the pose"))
        }
        _ => (None, "fixture", "check the fixture".to_owned()),
    };
    let place = format!("site {}", quoted(&site.id));
    (fixture.cloned(), CliError::new(exit::PARTLY, code, error.to_string(), place, remedy))
}

/// What to check of a pose that was looked for: the keys that say where, as far as they are given.
fn place_keys(site: &Site) -> String {
    let mut keys = Vec::new();
    if let Some(within) = site.within {
        keys.extend(within.limits.emergence.map(|_| "`emergence` of [site.within]"));
        keys.extend(within.depth_mm.map(|_| "`depth_mm` of [site.within]"));
    }
    keys.extend(site.platform_depth_mm.map(|_| "`platform_depth_mm`"));
    if keys.is_empty() {
        "check `--platform-depth-mm`, or give `emergence` of [site.within]".to_owned()
    } else {
        format!("check {}", keys.join(" and "))
    }
}
