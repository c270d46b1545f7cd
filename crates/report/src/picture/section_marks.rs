//! What is drawn on the section: outline, widths, crest, limits.

use jawgauge_space::SectionPoint;

use super::canvas::{Canvas, Line, PURPLE, Rect, Spot, Type, WHITE, YELLOW};
use super::font::text_width;
use super::layout::Places;
use super::plate::Scene;
use super::plate_marks;
use super::view::View;

/// Size of words on the picture.
const NAME_SIZE: f64 = 13.0;
/// Half the arm of the cross of a limit.
const CROSS: f64 = 6.0;
/// Half the length of the strokes that end a width line.
const END: f64 = 5.0;

/// The outline of the bone.
pub(crate) fn outline_line() -> Line {
    Line::edged(YELLOW, 1.6)
}

/// Where the outline only follows the edge of what was scanned.
pub(crate) fn cut_line() -> Line {
    Line::edged(YELLOW, 1.6).dashed("2 5")
}

/// A width.
pub(crate) fn width_line() -> Line {
    Line::edged(WHITE, 1.4)
}

/// How far to keep away from a limit.
pub(crate) fn keep_line() -> Line {
    Line::edged(PURPLE, 1.6).dashed("7 4")
}

/// Outline, width lines, crest and limits, without words.
pub(crate) fn lines(canvas: &mut Canvas, scene: &Scene<'_>, view: &View) {
    draw_outline(canvas, scene, view);
    if !scene.own {
        for width in scene.input.measure.widths.iter().flatten() {
            let (from, to) = (view.spot(width.lingual), view.spot(width.buccal));
            let edge = Spot::new(view.frame.x, from.y);
            canvas.line(edge, from, Line::plain(WHITE, 1.0).dashed("1.5 4.5"));
            canvas.line(from, to, width_line());
            for end in [from, to] {
                let (a, b) = (Spot::new(end.x, end.y - END), Spot::new(end.x, end.y + END));
                canvas.line(a, b, width_line());
            }
        }
        plate_marks::draw(canvas, scene, view);
    }
    let tip = view.spot(scene.bone.crest);
    let away = if view.apical_up() { 1.0 } else { -1.0 };
    let arrow = [(0.0, 3.0), (-5.0, 13.0), (5.0, 13.0)]
        .map(|(x, y)| Spot::new(tip.x + x, tip.y + away * y));
    canvas.path(&arrow, true, Some((YELLOW, 1.0)), Line::edged(YELLOW, 0.5));
    for mark in scene.limits.iter().flatten() {
        let spot = view.spot(mark.at);
        if mark.kept_mm > 0.0 {
            canvas.circle(
                view.spot(mark.middle),
                mark.kept_mm * view.units_per_mm,
                None,
                keep_line(),
            );
        }
        for (x, y) in [(CROSS, CROSS), (CROSS, -CROSS)] {
            let (a, b) = (Spot::new(spot.x - x, spot.y - y), Spot::new(spot.x + x, spot.y + y));
            canvas.line(a, b, Line::edged(PURPLE, 3.4));
            canvas.line(a, b, Line::plain(WHITE, 1.2));
        }
    }
}

/// The outline in runs: solid where it is the edge of bone, dotted where it is cut off.
fn draw_outline(canvas: &mut Canvas, scene: &Scene<'_>, view: &View) {
    let outline = &scene.bone.outline;
    let n = outline.points().len();
    let cut = |side: usize| {
        outline.clip_at(side % n).is_some() || outline.clip_at((side + 1) % n).is_some()
    };
    let spots: Vec<Spot> = outline.points().iter().map(|&p| view.spot(p)).collect();
    let Some(start) = (0..n).find(|&i| cut(i) != cut(i + n - 1)) else {
        canvas.path(&spots, true, None, if cut(0) { cut_line() } else { outline_line() });
        return;
    };
    let mut run = vec![spots[start]];
    for side in start..start + n {
        run.push(spots[(side + 1) % n]);
        let ends = side + 1 == start + n || cut(side + 1) != cut(side);
        if ends {
            canvas.path(&run, false, None, if cut(side) { cut_line() } else { outline_line() });
            run = vec![spots[(side + 1) % n]];
        }
    }
}

/// Words beside crest, limits and cut-off edges, kept off one another and off other marks.
pub(crate) fn names(canvas: &mut Canvas, scene: &Scene<'_>, view: &View, places: &mut Places) {
    let mut put = |at: Spot, name: &str, radius: f64| {
        let (width, height) = (text_width(name, NAME_SIZE, true) + 6.0, NAME_SIZE + 5.0);
        let rect = |x: f64, y: f64| Rect::new(x, y, width, height);
        let mut candidates = Vec::new();
        for step in 0..6 {
            let far = radius + 5.0 + 14.0 * f64::from(step);
            candidates.push(rect(at.x - width / 2.0, at.y + far));
            candidates.push(rect(at.x - width / 2.0, at.y - far - height));
            candidates.push(rect(at.x + far, at.y - height / 2.0));
            candidates.push(rect(at.x - far - width, at.y - height / 2.0));
        }
        if let Some(rect) = places.put(&candidates) {
            let base = Spot::new(rect.x + width / 2.0, rect.bottom() - 5.0);
            canvas.text(base, name, Type::on_picture(NAME_SIZE).anchored("middle"));
        }
    };
    let tip = view.spot(scene.bone.crest);
    let away = if view.apical_up() { 22.0 } else { -22.0 };
    put(Spot::new(tip.x, tip.y + away), "crest", -10.0);
    for (mark, name) in scene.limits.iter().zip(&scene.limit_names) {
        if let Some(mark) = mark {
            let kept = mark.kept_mm * view.units_per_mm;
            put(view.spot(mark.middle), name, kept.max(CROSS + 2.0));
        }
    }
    if let Some(at) = middle_of_cut(scene) {
        put(view.spot(at), "cut off", 4.0);
    }
}

/// The middle of the longest stretch of outline that is cut off.
fn middle_of_cut(scene: &Scene<'_>) -> Option<SectionPoint> {
    let outline = &scene.bone.outline;
    let cut: Vec<usize> =
        (0..outline.points().len()).filter(|&i| outline.clip_at(i).is_some()).collect();
    let runs = cut.chunk_by(|a, b| b - a == 1);
    let longest = runs.max_by_key(|run| run.len())?;
    Some(outline.points()[longest[longest.len() / 2]])
}
