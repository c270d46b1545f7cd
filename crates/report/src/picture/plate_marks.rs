//! The bone's own plates at the ends of the widths.

use jawgauge_bone::{Outline, Plate, Unmeasured, Width};
use jawgauge_space::SectionPoint;

use super::canvas::{Canvas, GREEN, Line, Spot};
use super::plate::Scene;
use super::view::View;
use super::words;

/// Stretch of outline to either side that says how the surface runs, mm.
const REACH_MM: f64 = 0.5;
/// Half the length of the strokes that end a plate.
const END: f64 = 3.5;

/// A plate of which the thickness is told.
pub(crate) fn plate_line() -> Line {
    Line::edged(GREEN, 2.4)
}

/// What a plate may be thick beyond what it is at least.
pub(crate) fn range_line() -> Line {
    Line::edged(GREEN, 2.4).dashed("3 3")
}

/// Whether any plate was told, and whether any range.
pub(crate) fn told(scene: &Scene<'_>) -> (bool, bool) {
    let plates = || scene.input.measure.widths.iter().flatten().flat_map(Width::plates);
    (
        plates().any(|p| matches!(p, Ok(Plate::Thickness(_)))),
        plates().any(|p| matches!(p, Ok(Plate::Between { .. }))),
    )
}

/// Each plate from the surface inwards along its normal: solid where its thickness is told, and
/// between the ends of a range in dashes.
pub(crate) fn draw(canvas: &mut Canvas, scene: &Scene<'_>, view: &View) {
    for width in scene.input.measure.widths.iter().flatten() {
        for (end, plate) in [width.buccal, width.lingual].into_iter().zip(width.plates()) {
            let Some(inward) = inward_at(&scene.bone.outline, end) else { continue };
            let at = |mm: f64| {
                view.spot(SectionPoint::new(
                    end.buccal_mm + mm * inward.0,
                    end.apical_mm + mm * inward.1,
                ))
            };
            let stroke = |canvas: &mut Canvas, mm: f64| {
                let (foot, top) = (at(mm), at(mm + 1.0));
                let length = (top.x - foot.x).hypot(top.y - foot.y).max(f64::MIN_POSITIVE);
                let side = (-(top.y - foot.y) / length * END, (top.x - foot.x) / length * END);
                let (a, b) = (
                    Spot::new(foot.x - side.0, foot.y - side.1),
                    Spot::new(foot.x + side.0, foot.y + side.1),
                );
                canvas.line(a, b, Line::edged(GREEN, 1.8));
            };
            match plate {
                Ok(Plate::Thickness(thickness)) => {
                    canvas.line(at(0.0), at(thickness.mm), plate_line());
                    stroke(canvas, thickness.mm);
                }
                Ok(Plate::Between { low_mm, high_mm }) => {
                    if *low_mm > 0.0 {
                        canvas.line(at(0.0), at(*low_mm), plate_line());
                    }
                    canvas.line(at(*low_mm), at(*high_mm), range_line());
                    stroke(canvas, *low_mm);
                    stroke(canvas, *high_mm);
                }
                Err(_) => {}
            }
        }
    }
}

/// The way into the bone at a place of its outline.
fn inward_at(outline: &Outline, at: SectionPoint) -> Option<(f64, f64)> {
    let points = outline.points();
    let n = points.len();
    let nearest =
        (0..n).min_by(|&a, &b| points[a].distance_mm(at).total_cmp(&points[b].distance_mm(at)))?;
    let end = |step: usize| {
        let (mut i, mut length) = (nearest, 0.0);
        for _ in 0..n {
            let next = (i + step) % n;
            length += points[i].distance_mm(points[next]);
            i = next;
            if length >= REACH_MM {
                break;
            }
        }
        points[i]
    };
    let (before, after) = (end(n - 1), end(1));
    let length = before.distance_mm(after);
    // Outlines run with the inside on their right hand when buccal runs right and apical down.
    (length > 0.0).then(|| {
        (
            -(after.apical_mm - before.apical_mm) / length,
            (after.buccal_mm - before.buccal_mm) / length,
        )
    })
}

/// The plates of a level in words, buccal first; none where no plate of the site was told.
pub(crate) fn notes(scene: &Scene<'_>, width: &Width) -> Vec<String> {
    if told(scene) == (false, false) {
        return Vec::new();
    }
    let sides = [scene.sides.outer, scene.sides.inner];
    let note = |(side, plate): (&str, &Result<Plate, Unmeasured>)| match plate {
        Ok(Plate::Thickness(thickness)) => format!("{side} plate {}", words::measured(thickness)),
        Ok(Plate::Between { low_mm, high_mm }) => {
            format!("{side} plate {} to {}", words::mm(*low_mm), words::mm(*high_mm))
        }
        Err(_) => format!("{side} plate not measured"),
    };
    sides.into_iter().zip(width.plates()).map(note).collect()
}
