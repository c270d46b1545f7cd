//! The answer that a surgeon wants, in a line.

use jawgauge_fixture::{ClearanceKind, Fit, RequiredWalls, RuleKind, SiteFit, Verdict};

use crate::warn::limit_name;

/// Which fixtures leave the required walls; if none does, what is missing where.
pub(crate) fn answer(found: &SiteFit, required: &RequiredWalls) -> String {
    if found.fits.is_empty() {
        return "No fixture could be placed in this bone.".to_owned();
    }
    let of = |verdict: Verdict| -> Vec<&Fit> {
        found.fits.iter().filter(|f| f.verdict == verdict).collect()
    };
    let (met, close) = (of(Verdict::Met), of(Verdict::TooCloseToCall));
    let all = found.fits.len() + found.failed.len();
    let mut parts = Vec::new();
    if !met.is_empty() {
        parts.push(format!(
            "{} of {all} {} all that is required: {}",
            met.len(),
            leave(met.len()),
            names(&met)
        ));
    }
    let (unread, close): (Vec<&Fit>, Vec<&Fit>) =
        close.into_iter().partition(|f| f.rules.iter().any(|r| r.found_mm.is_none()));
    if !close.is_empty() {
        parts.push(format!("too close to call: {}", names(&close)));
    }
    if !unread.is_empty() {
        parts.push(format!("not all walls could be read: {}", names(&unread)));
    }
    if parts.is_empty() {
        let which = if all == 1 { "The fixture does not leave" } else { "No fixture leaves" };
        parts.push(format!(
            "{which} all that is required; {}",
            missing(narrowest(&found.fits), required)
        ));
    }
    let text = parts.join("; ");
    let mut letters = text.chars();
    letters
        .next()
        .map_or(String::new(), |c| c.to_uppercase().chain(letters).collect::<String>() + ".")
}

fn leave(count: usize) -> &'static str {
    if count == 1 { "fixtures leaves" } else { "fixtures leave" }
}

fn names(fits: &[&Fit]) -> String {
    fits.iter().map(|f| f.fixture.as_str()).collect::<Vec<_>>().join(", ")
}

/// The fixture that asks for least bone: the narrowest, then the shortest.
fn narrowest(fits: &[Fit]) -> &Fit {
    let size = |f: &Fit| (f.solid.widest_mm(), f.solid.length_mm());
    fits.iter()
        .min_by(|a, b| size(a).0.total_cmp(&size(b).0).then(size(a).1.total_cmp(&size(b).1)))
        .unwrap_or(&fits[0])
}

/// What stands in a fixture's way.
fn missing(fit: &Fit, required: &RequiredWalls) -> String {
    let mut parts = Vec::new();
    if let Some(s) = fit.shortfall.filter(|s| s.short_mm > 0.0) {
        let mut text = format!(
            "the narrowest, {}, needs {:.2} mm of bone ({:.2} + {:.1} + {:.1}), and there are {:.2} ± {:.2} mm at {:.1} mm below the crest: {:.2} mm short",
            fit.fixture,
            s.needed_mm,
            s.needed_mm - required.buccal_mm - required.lingual_mm,
            required.buccal_mm,
            required.lingual_mm,
            s.bone_mm,
            s.u95_mm,
            s.level_mm,
            s.short_mm,
        );
        match s.enough_from_mm {
            Some(level) => {
                text.push_str(&format!("; as it stands, there is enough from {level:.1} mm down"))
            }
            None => text.push_str("; at no level of it is there enough"),
        }
        parts.push(text);
    } else if fit.shortfall.is_some() {
        parts.push(format!("the narrowest, {}, has enough width", fit.fixture));
    } else {
        parts.push(format!("the width for the narrowest, {}, could not be read", fit.fixture));
    }
    if let Some(bone) = fit.missing.as_ref().filter(|m| m.volume_mm3 >= 0.5) {
        parts
            .push(format!("{:.0} mm³ of bone are missing round it for its walls", bone.volume_mm3));
    }
    let mut joint = "but";
    for rule in fit.rules.iter().filter(|r| r.verdict == Verdict::NotMet) {
        let wall = rule.found_mm.unwrap_or(f64::NAN);
        match rule.rule {
            RuleKind::ApexInBone => {
                parts.push(format!("its apex stands {:.2} mm out of the bone", -wall))
            }
            RuleKind::PlatformInBone => {
                parts.push(format!("its platform stands {:.2} mm above the crest", -wall));
            }
            RuleKind::MesialWall | RuleKind::DistalWall => {
                let side = if rule.rule == RuleKind::MesialWall { "mesial" } else { "distal" };
                parts.push(format!("its {side} side stands {:.2} mm out of the bone", -wall));
            }
            RuleKind::BuccalWall | RuleKind::LingualWall
                if fit.shortfall.is_some_and(|s| s.short_mm <= 0.0) =>
            {
                let side = if rule.rule == RuleKind::BuccalWall { "buccal" } else { "lingual" };
                parts.push(format!(
                    "{joint} its {side} wall is {wall:.2} mm where {:.2} are asked for",
                    rule.required_mm
                ));
                joint = "and";
            }
            _ => {}
        }
    }
    for c in fit.clearances.iter().filter(|c| c.verdict == Verdict::NotMet) {
        let to = match c.kind {
            ClearanceKind::Limit(kind) => format!("the {}", limit_name(kind)),
            ClearanceKind::Tooth => {
                format!("the root of {}", c.tooth.as_deref().unwrap_or("a neighbour"))
            }
            ClearanceKind::Fixture => {
                format!("the fixture at {}", c.tooth.as_deref().unwrap_or("another site"))
            }
            ClearanceKind::Metal => c.tooth.clone().unwrap_or_else(|| "metal".to_owned()),
        };
        parts.push(if c.clearance_mm < 0.0 {
            format!("it stands {:.2} mm into {to}", -c.clearance_mm)
        } else {
            format!(
                "it comes within {:.2} mm of {to} where {:.2} are asked for",
                c.clearance_mm, c.required_mm
            )
        });
    }
    parts.join("; ")
}
