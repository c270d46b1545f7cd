//! How the fixtures of a case stand to the teeth to be.

use std::fmt::Write;

use jawgauge_fixture::{
    Apices, Beside, Crown, Pose, Restoration, RestorativeCheck, RestorativeRule, SiteFit,
    ThicknessFrom, Verdict, check_restoration, crown_of,
};

use crate::case::Arch;
use crate::error::plain;
use crate::session::{MeasuredSite, Session};
use crate::space::APART_MM;
use crate::tables::{aligned_with, lingual_word};

/// The rules of the restoration, held against the fixtures of one site.
pub(crate) struct Restored {
    pub(crate) crown: Crown,
    /// For each fixture of the site.
    pub(crate) checks: Vec<Vec<RestorativeCheck>>,
}

/// Holds the fixtures of every measured site against the rules; angles to other fixtures are to the first of
/// each other site.
pub(crate) fn of_sites(session: &Session, found: &[SiteFit]) -> Vec<Restored> {
    let sites: Vec<&MeasuredSite> = session.measured().collect();
    let first = |n: usize| found.get(n).and_then(|f| f.fits.first());
    sites
        .iter()
        .enumerate()
        .map(|(index, site)| {
            let mut fixtures: Vec<(String, Pose)> = Vec::new();
            for (n, other) in sites.iter().enumerate() {
                if let (Some(own), Some(fit)) = (first(index), first(n))
                    && n != index
                    && fit.pose.platform.distance_mm(own.pose.platform) <= APART_MM
                {
                    fixtures.push((other.site.id.clone(), fit.pose));
                }
            }
            let bone = &site.measure.bone;
            let of = Restoration {
                neighbours: &site.site.neighbours,
                fixtures: &fixtures,
                emergence: site.site.restoration.emergence,
                crown: site.site.restoration.crown,
            };
            let rules = &session.case.restoration;
            let fits = found.get(index).map_or(&[][..], |f| &f.fits);
            let checks = fits
                .iter()
                .map(|fit| check_restoration(bone, &fit.solid, &fit.pose, &of, rules))
                .collect();
            Restored { crown: crown_of(bone, &of), checks }
        })
        .collect()
}

/// What a rule is about, in words.
fn rule_words(check: &RestorativeCheck, arch: Arch) -> String {
    let of = plain(&check.of);
    match check.rule {
        RestorativeRule::CejDepth => format!("platform below the CEJ of {of}"),
        RestorativeRule::ContactDepth => format!("platform below the contact area of {of}"),
        RestorativeRule::ContactToCrest => format!("contact area of {of} to the crest"),
        RestorativeRule::Emergence => match check.beside {
            Some(Beside::AxisBuccal(mm)) if mm.abs() >= 0.05 => {
                let side = if mm > 0.0 { "buccal" } else { lingual_word(arch) };
                format!("axis from the emergence point ({:.1} mm {side})", mm.abs())
            }
            _ => "axis from the emergence point".to_owned(),
        },
        RestorativeRule::EmergenceAngle => "axis from the line to it".to_owned(),
        RestorativeRule::RootAngle => format!("axis to the root of {of}"),
        RestorativeRule::FixtureAngle => format!("axis to the fixture at {of}"),
        RestorativeRule::RoomAtCrest => "room between the teeth at the crest".to_owned(),
        RestorativeRule::RoomAtRoots => "room between the teeth along the fixture".to_owned(),
        RestorativeRule::CrownWidth => "crown's width, from contact to contact".to_owned(),
    }
}

/// What is worth knowing beside it.
fn beside_words(check: &RestorativeCheck) -> String {
    match check.beside {
        Some(Beside::Apices(Apices::Converge)) => "apices converge".to_owned(),
        Some(Beside::Apices(Apices::Diverge)) => "apices diverge".to_owned(),
        Some(Beside::LargestDiameter(mm)) => format!("leaves {mm:.2} mm for a fixture"),
        Some(Beside::PapillaShare(share)) => {
            format!("papilla between teeth in {:.0} % (Tarnow 1992)", 100.0 * share)
        }
        _ => String::new(),
    }
}

/// The rules held against the best fixture of a site; where the case gives nothing to judge, what it tells of
/// the crown, if anything.
pub(crate) fn table(session: &Session, found: &SiteFit, restored: &Restored) -> String {
    let arch = session.case.arch;
    let judged = found
        .fits
        .first()
        .zip(restored.checks.first())
        .and_then(|(fit, checks)| Some((fit, checks, checks.iter().map(|c| c.verdict).max()?)));
    let Some((fit, checks, verdict)) = judged else {
        let line = crown_line(&restored.crown, arch);
        let gap = if line.is_empty() { "" } else { "\n" };
        return format!("{gap}{line}");
    };
    let mut text = format!(
        "\n  Rules of the restoration, {}: {}\n",
        plain(&fit.fixture),
        Verdict::as_str(verdict)
    );
    text.push_str(&crown_line(&restored.crown, arch));
    let rows: Vec<Vec<String>> = checks
        .iter()
        .map(|check| {
            let unit = if check.rule.is_angle() { "°" } else { " mm" };
            let asked = match (check.least, check.most) {
                (Some(least), Some(most)) => format!("{least:.1} to {most:.1}{unit}"),
                (Some(least), None) => format!("at least {least:.1}{unit}"),
                (None, Some(most)) => format!("at most {most:.1}{unit}"),
                (None, None) => String::new(),
            };
            let found = if check.rule.is_angle() {
                format!("{:.1} ± {:.1}{unit}", check.found, check.u95)
            } else {
                format!("{:.2} ± {:.2}{unit}", check.found, check.u95)
            };
            let verdict = check.verdict.as_str().to_owned();
            vec![rule_words(check, arch), found, asked, verdict, beside_words(check)]
        })
        .collect();
    text.push_str(&aligned_with(&["rule", "found", "asked for", "verdict", ""], &rows, &[0, 3, 4]));
    text
}

/// How the crown's thickness moves the emergence point.
fn crown_line(crown: &Crown, arch: Arch) -> String {
    let (Some(shift), Some((thickness, from)), Some(opposite)) =
        (crown.palatal_shift_mm, crown.thickness, crown.sizes.opposite_thickness_mm)
    else {
        return String::new();
    };
    let from = match from {
        ThicknessFrom::Given => "given",
        ThicknessFrom::Width => "grown with its width",
    };
    let side = if shift < 0.0 { "buccal" } else { lingual_word(arch) };
    format!(
        "  A crown {thickness:.2} mm thick ({from}) for one of {opposite:.2} mm: the emergence point moves {:.2} ± {:.2} mm {side}\n",
        shift.abs(),
        crown.palatal_shift_u95_mm.unwrap_or(0.0)
    )
}

/// Whether a rule is held under the same key as another.
fn is_as(rule: RestorativeRule, other: RestorativeRule) -> bool {
    (rule, other) == (RestorativeRule::FixtureAngle, RestorativeRule::RootAngle)
}

/// Rules that are switched off or lack what they need, for `--explain`.
pub(crate) fn left_out(session: &Session, restored: &Restored) -> String {
    let Some(checks) = restored.checks.first() else { return String::new() };
    let rules = &session.case.restoration;
    let mut text = String::new();
    for (key, is_on, rule, needs) in [
        (
            "below_cej_mm",
            rules.below_cej_mm.is_some(),
            RestorativeRule::CejDepth,
            "a neighbour's `cej`",
        ),
        (
            "to_contact_mm",
            rules.to_contact_mm.is_some(),
            RestorativeRule::ContactDepth,
            "a neighbour's `contact`",
        ),
        (
            "contact_to_crest_mm",
            rules.contact_to_crest_mm.is_some(),
            RestorativeRule::ContactToCrest,
            "a neighbour's `contact`",
        ),
        (
            "emergence_mm",
            rules.emergence_mm.is_some(),
            RestorativeRule::Emergence,
            "`emergence` in [site.restoration]",
        ),
        (
            "emergence_deg",
            rules.emergence_deg.is_some(),
            RestorativeRule::EmergenceAngle,
            "`emergence` in [site.restoration], a millimetre or more from the platform",
        ),
        (
            "angle_deg",
            rules.angle_deg.is_some(),
            RestorativeRule::RootAngle,
            "a neighbour, or a fixture at another site of the case",
        ),
        (
            "room_mm",
            rules.room_mm.is_some(),
            RestorativeRule::RoomAtCrest,
            "a neighbour on either side",
        ),
        (
            "crown_width_mm",
            rules.crown_width_mm.is_some(),
            RestorativeRule::CrownWidth,
            "`contact` on either side and `opposite_width_mm`",
        ),
    ] {
        if !is_on {
            let _ = writeln!(text, "  Rule `{key}` is switched off.");
        } else if !checks.iter().any(|c| c.rule == rule || is_as(c.rule, rule)) {
            let _ = writeln!(text, "  Rule `{key}` is left out: it needs {needs}.");
        }
    }
    if restored.crown.emergence.is_some() && restored.crown.palatal_shift_mm.is_none() {
        text.push_str("  The emergence point is taken as marked: without `opposite_thickness_mm` and the crown's thickness (or both widths) it is not moved.\n");
    }
    if !text.is_empty() {
        text.insert_str(0, "  Rules of the restoration\n");
    }
    text
}
