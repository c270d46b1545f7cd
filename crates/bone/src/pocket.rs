//! Marrow that lies open to the edge of the scan is still inside the bone.

use jawgauge_section::SectionImage;
use jawgauge_space::SectionPoint;

use crate::contour::Contour;

/// An unscanned place this near to every point of the line across a pocket's mouth, mm, makes it
/// a mouth in the edge of the scan: the rim of a round field of view of 20 mm radius bulges by
/// less over a jaw's width of 10 mm.
const MOUTH_MM: f64 = 1.0;
/// Distance of the points of that line, mm.
const STEP_MM: f64 = 0.25;

/// Closes the pockets of a contour that open to what was not scanned.
///
/// Where the base of a jaw lies beyond the scan, its contour runs down one plate, along the edge
/// of the scan, up again inside that plate, round the marrow, and so on: the marrow would count
/// as outside. A stretch between two cut-off stretches is such a pocket where the line that joins
/// them follows the edge of the scan and encloses more area than the stretch does; the line,
/// itself cut off, then takes its place.
pub(crate) fn close_pockets(image: &SectionImage, mut contour: Contour) -> Contour {
    while let Some(closed) = close_one(image, &contour) {
        contour = closed;
    }
    contour
}

fn close_one(image: &SectionImage, contour: &Contour) -> Option<Contour> {
    let n = contour.points.len();
    let cut = |i: usize| contour.clips[i % n].is_some();
    // Stretches between two cut-off vertices, by the cut-off vertex before and after.
    let starts: Vec<usize> = (0..n).filter(|&i| cut(i) && !cut(i + 1)).collect();
    if starts.len() < 2 {
        return None;
    }
    starts.into_iter().find_map(|before| {
        let length = (1..n).find(|&k| cut(before + k))?;
        let after = (before + length) % n;
        if !is_mouth(image, contour.points[before], contour.points[after]) {
            return None;
        }
        let mut vertex = after;
        let mut kept = Contour { points: Vec::new(), clips: Vec::new() };
        for _ in 0..=(n - length) {
            kept.points.push(contour.points[vertex]);
            kept.clips.push(contour.clips[vertex]);
            vertex = (vertex + 1) % n;
        }
        let gains = kept.points.len() >= 3 && kept.signed_area_mm2() > contour.signed_area_mm2();
        gains.then_some(kept)
    })
}

/// Whether the straight line between two places follows the edge of what was scanned.
fn is_mouth(image: &SectionImage, a: SectionPoint, b: SectionPoint) -> bool {
    // A few centimetres over a quarter of a millimetre.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let steps = (a.distance_mm(b) / STEP_MM).ceil() as u32;
    (0..=steps).all(|s| {
        let t = f64::from(s) / f64::from(steps.max(1));
        let p = SectionPoint::new(
            a.buccal_mm + t * (b.buccal_mm - a.buccal_mm),
            a.apical_mm + t * (b.apical_mm - a.apical_mm),
        );
        is_near_unscanned(image, p)
    })
}

fn is_near_unscanned(image: &SectionImage, p: SectionPoint) -> bool {
    const RAYS: u32 = 16;
    (0..RAYS).any(|ray| {
        let (sin, cos) = (std::f64::consts::TAU * f64::from(ray) / f64::from(RAYS)).sin_cos();
        (1..=4).any(|part| {
            let reach = MOUTH_MM * f64::from(part) / 4.0;
            let q = SectionPoint::new(p.buccal_mm + reach * cos, p.apical_mm + reach * sin);
            image.sample(q).grey().is_none()
        })
    })
}
