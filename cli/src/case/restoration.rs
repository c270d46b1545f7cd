//! Rules of the restoration, and what only the user knows of the tooth to be.

use jawgauge_fixture::{
    Contradiction, CrownSizes, RestorativeRules, RulesTogether, contradictions,
};
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientDir, PatientPoint};

use super::parts::{Ridge, point};
use super::reader::Section;
use super::{SectionAxis, Site, SitePlace};
use crate::error::{CliError, quoted};
use crate::together;

/// Keys of `[restoration]`, and the range of those that hold one number.
const RULES: &[&str] = &[
    "below_cej_mm",
    "to_contact_mm",
    "contact_to_crest_mm",
    "emergence_mm",
    "emergence_deg",
    "angle_deg",
    "room_mm",
    "crown_width_mm",
];
/// Keys of `[site.restoration]`.
const SITE: &[&str] =
    &["emergence", "crown_thickness_mm", "opposite_width_mm", "opposite_thickness_mm"];
/// Lengths of rules and angles of rules, mm and degrees.
const MM: (f64, f64) = (0.0, 30.0);
const DEG: (f64, f64) = (0.0, 90.0);
/// Sizes of a crown, mm.
const CROWN_MM: (f64, f64) = (1.0, 20.0);

/// What the user knows of the tooth to be.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct SiteRestoration {
    /// The cingulum or fossa through which the axis is to come out.
    pub(crate) emergence: Option<PatientPoint>,
    pub(crate) crown: CrownSizes,
}

/// The rules of `[restoration]`; `false` switches one off.
pub(super) fn rules(top: &Section<'_>) -> Result<RestorativeRules, CliError> {
    let mut rules = RestorativeRules::default();
    let Some(table) = top.table("restoration", RULES)? else { return Ok(rules) };
    let one = |key: &str,
               default: Option<f64>,
               (low, high): (f64, f64)|
     -> Result<Option<f64>, CliError> {
        Ok(table.number_or_off(key, low, high)?.unwrap_or(default))
    };
    rules.to_contact_mm = one("to_contact_mm", rules.to_contact_mm, MM)?;
    rules.contact_to_crest_mm = one("contact_to_crest_mm", rules.contact_to_crest_mm, MM)?;
    rules.emergence_mm = one("emergence_mm", rules.emergence_mm, MM)?;
    rules.emergence_deg = one("emergence_deg", rules.emergence_deg, DEG)?;
    rules.angle_deg = one("angle_deg", rules.angle_deg, DEG)?;
    rules.room_mm = one("room_mm", rules.room_mm, MM)?;
    rules.crown_width_mm = one("crown_width_mm", rules.crown_width_mm, MM)?;
    if table.is_off("below_cej_mm") {
        rules.below_cej_mm = None;
    } else if let Some(numbers) =
        table.numbers_or_say("below_cej_mm", "give [least, greatest], mm, or false")?
    {
        rules.below_cej_mm = match numbers[..] {
            [least, most] if -MM.1 <= least && least <= most && most <= MM.1 => Some((least, most)),
            _ => {
                let remedy = "give [least, greatest], mm, or false";
                return Err(table.bad("below_cej_mm", "not a least and a greatest depth", remedy));
            }
        };
    }
    Ok(rules)
}

/// `[site.restoration]`.
pub(super) fn of_site(site: &Section<'_>) -> Result<SiteRestoration, CliError> {
    let Some(table) = site.table("restoration", SITE)? else {
        return Ok(SiteRestoration::default());
    };
    let size = |key| table.number_in(key, CROWN_MM.0, CROWN_MM.1);
    Ok(SiteRestoration {
        emergence: point(&table, "emergence")?,
        crown: CrownSizes {
            thickness_mm: size("crown_thickness_mm")?,
            opposite_width_mm: size("opposite_width_mm")?,
            opposite_thickness_mm: size("opposite_thickness_mm")?,
        },
    })
}

/// Refuses rules that the case gives and that no pose can keep together. A rule that stands at its default is
/// only warned of, with the scan at hand.
pub(super) fn refuse_contradictions(
    top: &Section<'_>,
    ridge: &Ridge,
    rules: &RestorativeRules,
    sites: &[Site],
) -> Result<(), CliError> {
    let given = top.table("restoration", RULES)?;
    let given = |key: &str| given.as_ref().filter(|table| table.has(key));
    for site in sites {
        let searched = site.within.filter(|_| site.pose.is_none());
        let found = contradictions(&RulesTogether {
            rules: *rules,
            neighbours: &site.neighbours,
            apical: apical(ridge, site),
            crest: None,
            depth_mm: None,
            prosthetic: searched.and_then(|w| Some((w.limits.prosthetic?, w.limits.angle_deg))),
        });
        for contradiction in found {
            let key = match contradiction {
                Contradiction::CejAndCej { .. } => "below_cej_mm",
                Contradiction::CejAndContact { .. } if given("below_cej_mm").is_some() => {
                    "to_contact_mm"
                }
                Contradiction::RootAndRoot { .. } | Contradiction::AxisAndRoot { .. } => {
                    "angle_deg"
                }
                _ => continue,
            };
            if let Some(table) = given(key) {
                let (what, remedy) = together::words(&contradiction);
                let what = format!("at site {}: {what}", quoted(&site.id));
                return Err(table.contradictory(key, what, remedy));
            }
        }
    }
    Ok(())
}

/// The section's apical direction, where the case alone tells it.
pub(super) fn apical(ridge: &Ridge, site: &Site) -> Option<PatientDir> {
    let along = match site.axis {
        SectionAxis::Ridge => return None,
        SectionAxis::Apical => ridge.apical,
        SectionAxis::Along(direction) => direction,
    };
    let axis = RidgeAxis::through(&ridge.axis).ok()?;
    let place = match site.place {
        SitePlace::At(at) => axis.nearest_to(at),
        SitePlace::Station(station) => axis.at_station(station),
    };
    let frame = section_frame(&axis, place.ok()?, along, ridge.lingual_side).ok()?;
    Some(frame.frame.apical())
}
