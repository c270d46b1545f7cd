//! Rules that no pose can keep together, in words.

use jawgauge_fixture::{Contradiction, PoseLimits, RulesTogether, contradictions};
use jawgauge_report::documents::WarningEntry;

use crate::session::{MeasuredSite, Session};

/// Both rules by their keys with the numbers, and what to do.
pub(crate) fn words(contradiction: &Contradiction) -> (String, &'static str) {
    match contradiction {
        Contradiction::CejAndCej { teeth: [deep, high], apart_mm, window_mm } => (
            format!(
                "`below_cej_mm` for {deep} and `below_cej_mm` for {high} contradict each other: the CEJ of {deep} lies {apart_mm:.2} mm deeper, and the depths asked for span {window_mm:.2} mm, so that no platform keeps to both"
            ),
            "widen `below_cej_mm`, leave out the `cej` that does not count, or set it to false",
        ),
        Contradiction::CejAndContact { cej, contact, least_mm, most_mm } => (
            format!(
                "`below_cej_mm` for {cej} and `to_contact_mm` for {contact} contradict each other: the one asks for a platform at least {least_mm:.2} mm below the contact area, the other for one at most {most_mm:.2} mm below it"
            ),
            "change one of the two, or set it to false",
        ),
        Contradiction::CejAndDepth { tooth, cej_mm, depth_mm } => (
            format!(
                "`below_cej_mm` for {tooth} and the platform's depth contradict each other: the one asks for {:.2} to {:.2} mm below the crest, `depth_mm` or `platform_depth_mm` for {:.2} to {:.2} mm",
                cej_mm.0, cej_mm.1, depth_mm.0, depth_mm.1
            ),
            "change one of the two, or set `below_cej_mm` to false",
        ),
        Contradiction::ContactAndDepth { tooth, most_mm, depth_mm } => (
            format!(
                "`to_contact_mm` for {tooth} and the platform's depth contradict each other: the one asks for at most {most_mm:.2} mm below the crest, `depth_mm` or `platform_depth_mm` for {:.2} to {:.2} mm",
                depth_mm.0, depth_mm.1
            ),
            "change one of the two, or set `to_contact_mm` to false",
        ),
        Contradiction::RootAndRoot { teeth: [one, other], apart_deg, most_deg } => (
            format!(
                "`angle_deg` to the root of {one} and `angle_deg` to that of {other} contradict each other: the roots are {apart_deg:.1}° apart, and no axis is within {most_deg:.1}° of both"
            ),
            "allow half of that angle, check the `root` points, or set `angle_deg` of [restoration] to false",
        ),
        Contradiction::AxisAndRoot { tooth, apart_deg, within_deg, most_deg } => (
            format!(
                "`angle_deg` of [restoration] to the root of {tooth} and the prosthetic axis of [site.within] contradict each other: root and axis are {apart_deg:.1}° apart, and no axis is within {most_deg:.1}° of the one and {within_deg:.1}° of the other"
            ),
            "change `prosthetic` or one of the angles, or set `angle_deg` of [restoration] to false",
        ),
    }
}

/// Warnings of a measured site's rules that no pose can keep together.
pub(crate) fn warnings(session: &Session, site: &MeasuredSite) -> Vec<WarningEntry> {
    let bone = &site.measure.bone;
    let apical = bone.frame.apical();
    let searched = site.site.pose.is_none();
    let within = site.site.within;
    // The depth counts where the case asks for one; its default is no rule.
    let depth_mm = within
        .and_then(|w| w.depth_mm)
        .or_else(|| site.site.platform_depth_mm.map(|mm| (mm, mm)))
        .filter(|_| searched);
    let limits = within.map_or_else(|| PoseLimits::at_depth(0.0), |w| w.limits);
    let found = contradictions(&RulesTogether {
        rules: session.case.restoration,
        neighbours: &site.site.neighbours,
        apical: Some(apical),
        crest: Some(bone.patient(bone.crest)),
        depth_mm,
        prosthetic: searched.then(|| (limits.prosthetic.unwrap_or(apical), limits.angle_deg)),
    });
    found
        .iter()
        .map(|contradiction| {
            let (what, remedy) = words(contradiction);
            let code = "contradictory-rules".to_owned();
            WarningEntry { code, message: format!("{what}: {remedy}") }
        })
        .collect()
}
