//! The fixture on the section and the walls that it leaves.

use jawgauge_fixture::{Fit, FixtureSolid, RequiredWalls, SectionPose, Wall};
use jawgauge_space::SectionPoint;

use super::canvas::{Canvas, INK, Line, ORANGE, Rect, SKY, Spot, Type, WHITE};
use super::layout::Places;
use super::view::View;

/// Letters of the walls, in the picture and in the panel.
pub(crate) const TAGS: [&str; 3] = ["A", "B", "C"];
/// Radius of a letter's disc.
pub(crate) const TAG_RADIUS: f64 = 9.0;
/// The axis is drawn this far beyond both ends, mm.
const AXIS_BEYOND_MM: f64 = 1.5;
/// Half the length of the strokes that end a wall.
const END: f64 = 5.0;

/// The fixture's outline.
pub(crate) fn body_line() -> Line {
    Line::edged(SKY, 2.2)
}

/// The fixture's axis.
pub(crate) fn axis_line() -> Line {
    Line::edged(SKY, 1.2).dashed("12 4 2 4")
}

/// The walls that are asked for.
pub(crate) fn asked_line() -> Line {
    Line::edged(SKY, 1.4).dashed("4 4")
}

/// A least wall.
pub(crate) fn wall_line() -> Line {
    Line::edged(ORANGE, 3.0)
}

/// The place `across_mm` buccal of the fixture's axis at a depth below its platform.
fn beside(pose: &SectionPose, depth_mm: f64, across_mm: f64) -> SectionPoint {
    let (sin, cos) = pose.lean_deg.to_radians().sin_cos();
    SectionPoint::new(
        pose.platform.buccal_mm + depth_mm * sin + across_mm * cos,
        pose.platform.apical_mm + depth_mm * cos - across_mm * sin,
    )
}

/// How far buccal of the fixture's axis a place lies, mm.
fn across_of(pose: &SectionPose, p: SectionPoint) -> f64 {
    let (sin, cos) = pose.lean_deg.to_radians().sin_cos();
    (p.buccal_mm - pose.platform.buccal_mm) * cos - (p.apical_mm - pose.platform.apical_mm) * sin
}

fn side(solid: &FixtureSolid, pose: &SectionPose, sign: f64, beyond_mm: f64) -> Vec<SectionPoint> {
    let corner = |&(depth, radius): &(f64, f64)| beside(pose, depth, sign * (radius + beyond_mm));
    solid.corners_mm().iter().map(corner).collect()
}

/// Corners of the fixture's silhouette in its section.
pub(crate) fn silhouette(fit: &Fit) -> Vec<SectionPoint> {
    let mut corners = side(&fit.solid, &fit.section_pose, 1.0, 0.0);
    corners.extend(side(&fit.solid, &fit.section_pose, -1.0, 0.0).into_iter().rev());
    corners
}

/// Silhouette, axis, asked-for walls, and the least walls where they were found.
pub(crate) fn draw(
    canvas: &mut Canvas,
    fit: &Fit,
    required: &RequiredWalls,
    view: &View,
    places: &mut Places,
) {
    // Walls and what is asked of them begin where they are measured from.
    let (solid, pose) = (&fit.wall_body(), &fit.section_pose);
    let spots = |points: Vec<SectionPoint>| -> Vec<Spot> {
        points.into_iter().map(|p| view.spot(p)).collect()
    };
    for (sign, asked_mm) in [(1.0, required.buccal_mm), (-1.0, required.lingual_mm)] {
        let line = spots(side(solid, pose, sign, asked_mm));
        canvas.path(&line, false, None, asked_line());
    }
    canvas.path(&spots(silhouette(fit)), true, Some((SKY, 0.28)), body_line());
    take_body(fit, view, places);
    let ends = [-AXIS_BEYOND_MM, solid.length_mm() + AXIS_BEYOND_MM];
    let [from, to] = ends.map(|depth| view.spot(beside(pose, depth, 0.0)));
    canvas.line(from, to, axis_line());
    let on_side = |wall: &Wall, sign: f64| {
        view.spot(beside(pose, wall.depth_mm, sign * solid.radius_mm(wall.depth_mm)))
    };
    let walls = &fit.walls;
    if let Ok(wall) = &walls.buccal {
        put_wall(canvas, on_side(wall, 1.0), view, wall, TAGS[0], places);
    }
    if let Ok(wall) = &walls.lingual {
        put_wall(canvas, on_side(wall, -1.0), view, wall, TAGS[1], places);
    }
    if let Ok(wall) = &walls.apex {
        let from = beside(pose, solid.length_mm(), across_of(pose, wall.at));
        put_wall(canvas, view.spot(from), view, wall, TAGS[2], places);
    }
}

/// Keeps words off the fixture.
fn take_body(fit: &Fit, view: &View, places: &mut Places) {
    const STEPS: u32 = 24;
    let (solid, pose) = (&fit.solid, &fit.section_pose);
    for step in 0..STEPS {
        let depth = solid.length_mm() * (f64::from(step) + 0.5) / f64::from(STEPS);
        let radius = solid.radius_mm(depth);
        let [a, b] = [-radius, radius].map(|across| view.spot(beside(pose, depth, across)));
        let high = solid.length_mm() / f64::from(STEPS) * view.units_per_mm;
        let (x, y) = (a.x.min(b.x), (a.y + b.y) / 2.0);
        places.take(Rect::new(x, y - high / 2.0, (a.x - b.x).abs(), high));
    }
}

/// A wall between the fixture's surface and where the bone ends, and its letter close by.
fn put_wall(
    canvas: &mut Canvas,
    surface: Spot,
    view: &View,
    wall: &Wall,
    tag: &'static str,
    places: &mut Places,
) {
    let end = view.spot(wall.at);
    let length = (end.x - surface.x).hypot(end.y - surface.y).max(1e-6);
    let along = ((end.x - surface.x) / length, (end.y - surface.y) / length);
    let across = (-along.1, along.0);
    canvas.line(surface, end, wall_line());
    let steps = (length / 8.0).ceil();
    let mut step = 0.0;
    while step <= steps {
        let at = surface.toward(end, length * step / steps);
        places.take(Rect::new(at.x - 4.0, at.y - 4.0, 8.0, 8.0));
        step += 1.0;
    }
    for at in [surface, end] {
        let (x, y) = (across.0 * END, across.1 * END);
        canvas.line(Spot::new(at.x - x, at.y - y), Spot::new(at.x + x, at.y + y), wall_line());
    }
    // A negative wall runs from the surface back into the fixture: its letter stays outside.
    let (tip, out) = if wall.wall_mm >= 0.0 { (end, 1.0) } else { (surface, -1.0) };
    let middle = Spot::new((surface.x + end.x) / 2.0, (surface.y + end.y) / 2.0);
    let disc = |from: Spot, out_by: f64, across_by: f64| {
        let x = from.x + out * along.0 * out_by + across.0 * across_by;
        let y = from.y + out * along.1 * out_by + across.1 * across_by;
        let r = TAG_RADIUS + 1.0;
        Rect::new(x - r, y - r, 2.0 * r, 2.0 * r)
    };
    let mut candidates = vec![disc(tip, 18.0, 0.0)];
    if tag == TAGS[2] {
        candidates.insert(0, disc(middle, 0.0, 18.0));
        candidates.insert(1, disc(middle, 0.0, -18.0));
    }
    for by in [22.0, 36.0, 50.0] {
        for (out_by, across_by) in [(by, 0.0), (18.0, by), (18.0, -by), (by, by), (by, -by)] {
            candidates.push(disc(tip, out_by, across_by));
        }
    }
    if let Some(rect) = places.put(&candidates) {
        put_tag(canvas, Spot::new(rect.x + rect.width / 2.0, rect.y + rect.height / 2.0), tag);
    }
}

/// A letter in a disc, readable on any ground.
pub(crate) fn put_tag(canvas: &mut Canvas, at: Spot, tag: &str) {
    canvas.circle(at, TAG_RADIUS, Some((WHITE, 1.0)), Line::plain(INK, 1.4));
    let base = Spot::new(at.x, at.y + 4.4);
    canvas.text(base, tag, Type::bold(12.0).anchored("middle"));
}
