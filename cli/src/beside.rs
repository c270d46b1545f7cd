//! What is odd about the teeth that a case tells of beside a site.

use jawgauge_report::documents::WarningEntry;

use crate::case::Tooth;
use crate::error::plain;
use crate::session::MeasuredSite;

/// A root nearer to the site's section than this, mm, lies on neither side of it.
const ASIDE_MM: f64 = 1.0;

/// Warnings of roots that run towards the mouth or lie on the other side than their number says, and of contact areas of which none lies across the gap.
pub(crate) fn warnings(site: &MeasuredSite) -> Vec<WarningEntry> {
    let frame = &site.measure.bone.frame;
    let neighbours = &site.site.neighbours;
    let mut all = Vec::new();
    for n in neighbours {
        let down_mm = (n.root[1] - n.root[0]).dot(frame.apical().as_vector());
        if down_mm < 0.0 {
            let message = format!(
                "the root of {} runs {:.1} mm towards the mouth, so its neck may have been given as its apex: give `root` as [[neck], [apex]]",
                plain(&n.tooth),
                -down_mm
            );
            all.push(WarningEntry { code: "root-upside-down".to_owned(), message });
        }
    }
    if let Some(tooth) = site.site.tooth {
        for n in neighbours {
            let Some(other) = Tooth::from_iso(&n.tooth).filter(|o| *o != tooth) else { continue };
            let off_mm = frame.section_from_patient(n.root[0]).1;
            if off_mm.abs() < ASIDE_MM || tooth.has_mesially(other) == (off_mm > 0.0) {
                continue;
            }
            let (is, should) =
                if off_mm > 0.0 { ("mesial", "distal") } else { ("distal", "mesial") };
            let message = format!(
                "the root of {} lies {is} of the site by its place and {should} by its number, so mesial and distal may be exchanged: check the numbers, `root`, and [ridge] axis",
                plain(&n.tooth)
            );
            all.push(WarningEntry { code: "neighbour-side".to_owned(), message });
        }
    }
    let contacts: Vec<_> = neighbours.iter().filter_map(|n| Some((&n.tooth, n.contact?))).collect();
    let off_mm = |p| frame.section_from_patient(p).1;
    let mesial = contacts.iter().filter(|c| off_mm(c.1) >= 0.0).count();
    if contacts.len() > 1 && (mesial == 0 || mesial == contacts.len()) {
        let teeth: Vec<String> = contacts.iter().map(|c| plain(c.0)).collect();
        let message = format!(
            "the contact areas of {} lie on one side of the site, so that the crown's width, and the shift of its emergence point that follows from it, are left out: check the points of `contact` and of the site",
            teeth.join(" and ")
        );
        all.push(WarningEntry { code: "contacts-on-one-side".to_owned(), message });
    }
    all
}
