//! Sentences for what was noticed of a site's fixtures, and for what is plainly wrong with the one that is
//! shown: the best one, or the given pose.

use jawgauge_bone::{Limit, LimitForm, LimitKind, SurfaceError};
use jawgauge_fixture::{ClearanceKind, Fit, NoWall, PoseSource, RuleKind, SiteFit, Verdict};
use jawgauge_report::documents::WarningEntry;

use crate::case::{Arch, Site};
use crate::drilling;
use crate::error::{plain, quoted};
use crate::warn::{clip_words, limit_name, of_bone};

/// A pose further off the site's section than this, mm, or leaning further out of it, degrees, is judged in
/// a section that may not be meant.
const POSE_OFF_MM: f64 = 3.0;
const POSE_LEANS_DEG: f64 = 25.0;

/// A fixture of which less than this share lies in bone is not put into the jaw, but beside it.
const LEAST_CONTACT: f64 = 0.5;

fn entry(code: &str, message: String) -> WarningEntry {
    WarningEntry { code: code.to_owned(), message }
}

/// All that was noticed of a site's fixtures, each once.
pub(crate) fn of_site(found: &SiteFit, site: &Site, arch: Arch) -> Vec<WarningEntry> {
    let mut all = of_fits(found, site);
    let shown = found.fits.first().into_iter();
    all.extend(shown.flat_map(|f| of_shown(f, &site.limits, arch)));
    if found.fits.iter().any(|f| f.space.is_none()) {
        all.push(of_mesial_distal(found.no_surface.as_ref()));
    }
    all
}

/// What could not be read, and poses that may not be meant.
fn of_fits(found: &SiteFit, site: &Site) -> Vec<WarningEntry> {
    let mut all: Vec<WarningEntry> = Vec::new();
    // Fixtures in one section share what is said of it.
    let mut of_sections: Vec<(WarningEntry, Vec<String>)> = Vec::new();
    for fit in &found.fits {
        let name = quoted(&fit.fixture);
        for (side, wall) in [
            ("buccal", &fit.walls.buccal),
            ("lingual", &fit.walls.lingual),
            ("apical", &fit.walls.apex),
        ] {
            if let Err(why) = wall {
                let reason = match why {
                    NoWall::AtCrest => "all of it lies at or above the crest".to_owned(),
                    NoWall::NoBone => "there is no bone".to_owned(),
                    NoWall::Clipped(by) => format!("the bone goes on beyond {}", clip_words(*by)),
                };
                all.push(entry(
                    "no-wall",
                    format!("no {side} wall of fixture {name}: {reason}; read it on the scan"),
                ));
            }
        }
        all.extend(off_section(fit, site).filter(|told| !all.contains(told)));
        for warning in fit.own_section.iter().flat_map(|own| &own.warnings).map(of_bone) {
            match of_sections.iter_mut().find(|(told, _)| *told == warning) {
                Some((_, names)) => names.push(name.clone()),
                None => of_sections.push((warning, vec![name.clone()])),
            }
        }
    }
    all.extend(of_sections.into_iter().map(|(warning, names)| {
        let of = if names.len() == 1 { "fixture" } else { "fixtures" };
        let message =
            format!("in the section through {of} {}: {}", names.join(", "), warning.message);
        entry(&warning.code, message)
    }));
    if found.fits.iter().any(|f| f.walls.profile.iter().any(|w| w.buccal == Err(NoWall::AtCrest))) {
        all.push(entry("no-wall-at-crest", "no walls are read above half a millimetre below the crest, where the edge of bone is rounded by the blur: judge the shoulder in the picture".to_owned()));
    }
    all
}

/// A pose that stands or leans far out of the site's section.
fn off_section(fit: &Fit, site: &Site) -> Option<WarningEntry> {
    let (off, leans) = (fit.off_section_mm.abs(), fit.out_of_section_deg.abs());
    if off <= POSE_OFF_MM && leans <= POSE_LEANS_DEG {
        return None;
    }
    let (pose, remedy) = match (fit.pose_source, site.within) {
        (PoseSource::Given, _) | (_, None) => {
            ("the given pose".to_owned(), "make sure that it belongs to this site".to_owned())
        }
        (_, Some(within)) => {
            let far = match within.limits.emergence {
                Some(_) => "`emergence`",
                None => "`emergence_mm`",
            };
            let oblique = match within.limits.prosthetic {
                Some(_) => "`prosthetic`",
                None => "`angle_deg`",
            };
            let keys = match (off > POSE_OFF_MM, leans > POSE_LEANS_DEG) {
                (true, true) => format!("{far} and {oblique}"),
                (true, false) => far.to_owned(),
                _ => oblique.to_owned(),
            };
            (
                format!("the pose that was found for fixture {}", quoted(&fit.fixture)),
                format!(
                    "the search is far from what was measured, so check {keys} of [site.within]"
                ),
            )
        }
    };
    Some(entry(
        "pose-off-section",
        format!(
            "{pose} is {off:.1} mm off the site's section and leans {leans:.0} degrees out of it; its walls are read in a section of its own: {remedy}"
        ),
    ))
}

/// Walls that could not be read in space.
fn of_mesial_distal(why: Option<&SurfaceError>) -> WarningEntry {
    let why = why.map(|w| format!(" ({w})")).unwrap_or_default();
    entry(
        "mesial-distal-walls-not-measured",
        format!(
            "the bone around this site could not be surveyed in space{why}, so that walls are those of the section, and walls towards the neighbours are not measured: read them on the scan"
        ),
    )
}

/// The keys by which the limits of a kind are given.
fn limit_keys(limits: &[Limit], kind: LimitKind) -> &'static str {
    let of_kind = || limits.iter().filter(|l| l.kind == kind);
    let by_surface = of_kind().filter(|l| l.form == LimitForm::Surface).count();
    match by_surface {
        0 => "`points`",
        n if n == of_kind().count() => "`surface`",
        _ => "`points` or `surface`",
    }
}

/// What the figures say only by their sign: a fixture beyond the bone, through a root, into a limit.
fn of_shown(fit: &Fit, limits: &[Limit], arch: Arch) -> Vec<WarningEntry> {
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
                format!(
                    "check its {}, use a shorter fixture, or {elsewhere}",
                    limit_keys(limits, kind)
                ),
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
