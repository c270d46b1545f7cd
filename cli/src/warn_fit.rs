//! Sentences for what is plainly wrong with the fixture that is shown: the best one, or the given pose.

use jawgauge_fixture::{ClearanceKind, Fit, PoseSource, RuleKind, Verdict};
use jawgauge_report::documents::WarningEntry;

use crate::case::Arch;
use crate::drilling;
use crate::error::{plain, quoted};
use crate::warn::limit_name;

/// A fixture of which less than this share lies in bone is not put into the jaw, but beside it.
const LEAST_CONTACT: f64 = 0.5;

fn entry(code: &str, message: String) -> WarningEntry {
    WarningEntry { code: code.to_owned(), message }
}

/// What the figures say only by their sign: a fixture beyond the bone, through a root, into a limit.
pub(crate) fn of_shown(fit: &Fit, arch: Arch) -> Vec<WarningEntry> {
    let name = quoted(&fit.fixture);
    let elsewhere = match fit.pose_source {
        PoseSource::Given => "check `platform` and `apical` of the pose",
        _ => "give a pose, or wider `[site.within]`",
    };
    let mut all = Vec::new();
    let contact = fit.space.as_ref().and_then(|s| s.contact_share);
    let beside = contact.filter(|share| *share < LEAST_CONTACT);
    if let Some(share) = beside {
        all.push(entry(
            "hardly-in-bone",
            format!(
                "only {:.0} % of the surface of fixture {name} lies in bone, so it may stand elsewhere than meant: {elsewhere}",
                100.0 * share
            ),
        ));
    }
    for rule in fit.rules.iter().filter(|r| r.verdict == Verdict::NotMet) {
        if let (RuleKind::ApexInBone, Some(mm), None) = (rule.rule, rule.found_mm, beside) {
            all.push(entry(
                "apex-out-of-bone",
                format!(
                    "fixture {name} reaches through the bone, its apex {:.2} mm out of it: use a shorter one, or {elsewhere}",
                    -mm
                ),
            ));
        }
    }
    for c in fit.clearances.iter().filter(|c| c.clearance_mm < 0.0) {
        let (deep, of) = (-c.clearance_mm, quoted(c.tooth.as_deref().unwrap_or_default()));
        let (code, what, remedy) = match c.kind {
            ClearanceKind::Tooth => (
                "root-in-fixture",
                format!("the root of tooth {}", plain(c.tooth.as_deref().unwrap_or_default())),
                format!("check the points of its `root`, or {elsewhere}"),
            ),
            ClearanceKind::Limit(kind) => (
                "limit-in-fixture",
                format!("the {}", limit_name(kind)),
                format!("check its `points`, use a shorter fixture, or {elsewhere}"),
            ),
            ClearanceKind::Fixture => (
                "fixtures-overlap",
                format!("the fixture of site {of}"),
                "check the poses of both".to_owned(),
            ),
            ClearanceKind::Metal => (
                "metal-in-fixture",
                "metal that lies in the bone".to_owned(),
                format!("look at the picture, or {elsewhere}"),
            ),
        };
        all.push(entry(code, format!("fixture {name} runs {deep:.2} mm into {what}: {remedy}")));
    }
    if let Some((number, what)) = drilling::short_at(&fit.drilling, arch) {
        all.push(entry(
            "drilling-short",
            format!(
                "the drills of fixture {name} leave less than is required from step {number} on ({what}): use shorter or thinner ones, or {elsewhere}"
            ),
        ));
    }
    all
}
