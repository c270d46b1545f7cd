//! The walls all round a fixture, unrolled, and three sections through its axis.

use jawgauge_fixture::{Fit, RequiredWalls, SpaceWall, SpaceWalls, WallMap, WallsTo};
use jawgauge_section::{Interpolation, SectionImage};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::Volume;

use super::canvas::{Canvas, HAIR, INK, Line, Rect, SKY, Spot, Type, WHITE, YELLOW};
use super::drawing::Drawing;
use super::font::showable;
use super::grey::{GreyWindow, put_image};
use super::iso::iso_lines;
use super::layout::{Places, wrapped, wrapped_short};
use super::view::View;
use super::{PictureError, words};

const PAGE: (f64, f64) = (1120.0, 850.0);
const MARGIN: f64 = 36.0;
/// The map: where it stands, its width, its greatest height, and its greatest scale down.
const MAP: Rect = Rect { x: 106.0, y: 128.0, width: 720.0, height: 300.0 };
const MOST_UNITS_PER_MM: f64 = 26.0;
/// A mark keeps labels so far off its middle.
const MARK: f64 = 6.0;
/// Scale of thickness beside it.
const BAR: Rect = Rect { x: 900.0, y: 140.0, width: 26.0, height: 182.0 };
/// What is told below that scale takes so much, and the sections' names so much.
const BELOW_BAR: f64 = 62.0;
const NAMES: f64 = 46.0;
/// Sections below: height, and what is shown around the fixture, mm.
const SECTION_HEIGHT: f64 = 300.0;
const AROUND_MM: f64 = 4.5;
/// Thicknesses between which a colour holds, mm, and the colours: from standing out to thick.
const STEPS_MM: [f64; 6] = [0.0, 0.5, 1.0, 1.5, 2.0, 3.0];
const COLORS: [&str; 7] =
    ["#d55e00", "#e69f00", "#f0c75e", "#f8e6ae", "#dcedf8", "#a6d3ef", "#56b4e9"];
/// Where no wall is read.
const NOTHING: &str = "#e6e6e6";

/// What a picture of a fixture's walls shows.
#[derive(Debug, Clone, Copy)]
pub struct WallMapInput<'a> {
    /// The site's id, as the user gave it.
    pub site_id: &'a str,
    /// The scan.
    pub volume: &'a Volume,
    /// The fixture, judged in space.
    pub fit: &'a Fit,
    /// The section that the site's sides belong to, and its grey levels.
    pub bone: &'a jawgauge_bone::SectionBone,
    /// Depth of the section across the axis below the platform, mm.
    pub across_at_mm: f64,
    /// Walls that are asked for.
    pub required: RequiredWalls,
}

/// Draws the walls all round a fixture as if its side were unrolled (angle across, depth down), with lines
/// of one thickness and a scale, and below it three sections: bucco-lingual and mesio-distal along its
/// axis, and across it.
///
/// `None` where the fixture was not judged in space.
///
/// # Errors
///
/// [`PictureError::Space`], [`PictureError::Section`], [`PictureError::Extent`],
/// [`PictureError::NothingScanned`], [`PictureError::Png`].
pub fn draw_wall_map(input: &WallMapInput<'_>) -> Result<Option<Drawing>, PictureError> {
    let Some(walls) = &input.fit.space else { return Ok(None) };
    let mut canvas = Canvas::default();
    heading(&mut canvas, input, walls);
    let below = map(&mut canvas, &walls.map, walls, input.required);
    scale(&mut canvas);
    let top = (below + 26.0).max(BAR.bottom() + BELOW_BAR) + NAMES;
    sections(&mut canvas, input, top)?;
    let title = format!("Walls round fixture {} at {}", input.fit.fixture, input.site_id);
    let mut bottom = top + SECTION_HEIGHT + 60.0;
    for line in wrapped(words::CAUTION, PAGE.0 - 2.0 * MARGIN, 13.0, true) {
        canvas.text(Spot::new(MARGIN, bottom), &line, Type::bold(13.0));
        bottom += 19.0;
    }
    Ok(Some(Drawing::new(canvas.into_svg(PAGE.0, bottom.max(PAGE.1), &title))))
}

fn heading(canvas: &mut Canvas, input: &WallMapInput<'_>, walls: &SpaceWalls) {
    let fit = input.fit;
    let title = showable(&format!("{}: bone all round fixture {}", input.site_id, fit.fixture));
    let mut y = MARGIN + 18.0;
    for line in wrapped_short(&title, PAGE.0 - 2.0 * MARGIN, 22.0, true, 1) {
        canvas.text(Spot::new(MARGIN, y), &line, Type::bold(22.0));
        y += 24.0;
    }
    let contact = walls
        .contact_share
        .map_or("not known".to_owned(), |share| format!("{:.1} % of its surface", 100.0 * share));
    let out = match walls.stands_out.first() {
        None => "it stands out nowhere".to_owned(),
        Some(first) => format!(
            "it stands out over {:.1} mm², up to {} mm long",
            walls.stands_out.iter().map(|s| s.area_mm2).sum::<f64>(),
            words::mm(first.length_mm)
        ),
    };
    let core = if fit.walls_to == WallsTo::Core { " Walls are to the core." } else { "" };
    let text =
        format!("In contact with bone: {contact}; {out}. Verdict: {}.{core}", fit.verdict.as_str());
    canvas.text(Spot::new(MARGIN, y), &text, Type::plain(14.0));
}

/// Draws the map; returns where it ends.
fn map(canvas: &mut Canvas, map: &WallMap, walls: &SpaceWalls, required: RequiredWalls) -> f64 {
    let rows = map.depths_mm.len();
    let columns = map.angles_deg.len();
    let length = map.depths_mm.last().copied().unwrap_or(1.0);
    let units_per_mm = (MAP.height / length).min(MOST_UNITS_PER_MM);
    let x_of = |angle: f64| MAP.x + (angle + 180.0) / 360.0 * MAP.width;
    let y_of = |depth: f64| MAP.y + depth * units_per_mm;
    let wide = MAP.width / columns as f64;
    let bottom = y_of(length);
    // From lingual over distal, buccal and mesial to lingual again.
    let turned = |angle: f64| if angle >= 180.0 { angle - 360.0 } else { angle };
    for (column, angle) in map.angles_deg.iter().enumerate() {
        let x = x_of(turned(*angle));
        for row in 0..rows {
            let top = if row == 0 { 0.0 } else { middle(map, row - 1) };
            let end = if row + 1 == rows { length } else { middle(map, row) };
            let fill = match map.cell(row, column).wall {
                Ok(mm) => COLORS[STEPS_MM.iter().filter(|s| mm >= **s).count()],
                Err(_) => NOTHING,
            };
            // The column at the seam shows half on either side.
            let halves: &[(f64, f64)] = if x <= MAP.x + 1e-6 {
                &[(0.0, 0.5), (MAP.width - 0.5 * wide, 0.5)]
            } else {
                &[(-0.5 * wide, 1.0)]
            };
            for (off, share) in halves {
                let rect = Rect::new(x + off, y_of(top), wide * share, y_of(end) - y_of(top));
                canvas.rect(&rect, fill);
            }
        }
    }
    let mut places = Places::within(Rect::new(MAP.x, MAP.y, MAP.width, bottom - MAP.y));
    let mut levels: Vec<f64> = STEPS_MM.to_vec();
    for asked in [required.buccal_mm, required.lingual_mm] {
        if !levels.iter().any(|l| (l - asked).abs() < 1e-9) {
            levels.push(asked);
        }
    }
    for &level in &levels {
        let asked = [required.buccal_mm, required.lingual_mm].contains(&level);
        let look = Line::plain(INK, if asked { 2.2 } else { 0.9 });
        for (a, b) in iso_lines(map, level) {
            let spot = |p: (f64, f64)| Spot::new(x_of(p.0), y_of(p.1));
            canvas.line(spot(a), spot(b), look);
        }
    }
    axes(canvas, bottom, length, &x_of, &y_of);
    let at = |wall: &SpaceWall| Spot::new(x_of(turned(wall.angle_deg)), y_of(wall.depth_mm));
    let marks: Vec<(&str, SpaceWall, Spot)> = [
        ("buccal", walls.buccal),
        ("mesial", walls.mesial),
        ("lingual", walls.lingual),
        ("distal", walls.distal),
    ]
    .into_iter()
    .filter_map(|(name, wall)| wall.ok().map(|wall| (name, wall, at(&wall))))
    .collect();
    for (_, _, at) in &marks {
        places.take(Rect::new(at.x - MARK, at.y - MARK, 2.0 * MARK, 2.0 * MARK));
    }
    for mark in &marks {
        least_mark(canvas, &mut places, mark);
    }
    for (_, _, at) in &marks {
        canvas.circle(*at, 4.0, Some((WHITE, 1.0)), Line::plain(INK, 1.6));
    }
    for level in levels {
        label(canvas, &mut places, map, level, &|p| Spot::new(x_of(p.0), y_of(p.1)));
    }
    bottom
}

fn middle(map: &WallMap, row: usize) -> f64 {
    0.5 * (map.depths_mm[row] + map.depths_mm[row + 1])
}

/// The thickness beside its line, where there is room.
fn label(
    canvas: &mut Canvas,
    places: &mut Places,
    map: &WallMap,
    level: f64,
    spot: &dyn Fn((f64, f64)) -> Spot,
) {
    let text = words::given(level);
    let lines = iso_lines(map, level);
    let rects: Vec<Rect> = lines
        .iter()
        .step_by((lines.len() / 24).max(1))
        .map(|(a, _)| {
            let at = spot(*a);
            Rect::new(at.x - 11.0, at.y - 7.0, 22.0, 14.0)
        })
        .collect();
    if let Some(rect) = places.put(&rects) {
        canvas.rect(&rect, WHITE);
        let at = Spot::new(rect.x + 11.0, rect.y + 11.0);
        canvas.text(at, &text, Type::plain(11.0).anchored("middle"));
    }
}

/// The least wall of a side, on a lead to its place.
fn least_mark(
    canvas: &mut Canvas,
    places: &mut Places,
    (name, wall, at): &(&str, SpaceWall, Spot),
) {
    let text = format!("{name} {}", words::with_u95(wall.wall_mm, wall.u95_mm));
    let width = super::font::text_width(&text, 12.0, true) + 8.0;
    let rects: Vec<Rect> = [(8.0, -20.0), (-8.0 - width, -20.0), (8.0, 6.0), (-8.0 - width, 6.0)]
        .iter()
        .flat_map(|(x, y)| (0..6).map(move |n| (*x, *y + 18.0 * f64::from(n))))
        .map(|(x, y)| Rect::new(at.x + x, at.y + y, width, 17.0))
        .collect();
    if let Some(rect) = places.put(&rects) {
        let end =
            Spot::new(at.x.clamp(rect.x, rect.right()), at.y.clamp(rect.y, rect.y + rect.height));
        canvas.line(*at, end, Line::plain(INK, 1.6));
        canvas.rect(&rect, WHITE);
        canvas.text(Spot::new(rect.x + 4.0, rect.y + 13.0), &text, Type::bold(12.0));
    }
}

fn axes(
    canvas: &mut Canvas,
    bottom: f64,
    length: f64,
    x_of: &dyn Fn(f64) -> f64,
    y_of: &dyn Fn(f64) -> f64,
) {
    let hair = Line::plain(HAIR, 1.0);
    let frame = [
        Spot::new(MAP.x, MAP.y),
        Spot::new(MAP.right(), MAP.y),
        Spot::new(MAP.right(), bottom),
        Spot::new(MAP.x, bottom),
    ];
    canvas.path(&frame, true, None, Line::plain(INK, 1.0));
    for (angle, name) in [
        (-180.0, "lingual"),
        (-90.0, "distal"),
        (0.0, "buccal"),
        (90.0, "mesial"),
        (180.0, "lingual"),
    ] {
        let x = x_of(angle);
        canvas.line(Spot::new(x, bottom), Spot::new(x, bottom + 6.0), hair);
        canvas.text(Spot::new(x, bottom + 20.0), name, Type::bold(13.0).anchored("middle"));
    }
    for edge in [-135.0, -45.0, 45.0, 135.0] {
        let dashed = Line::plain(INK, 0.8).dashed("2 4");
        canvas.line(Spot::new(x_of(edge), MAP.y), Spot::new(x_of(edge), bottom), dashed);
    }
    let mut depth = 0.0;
    while depth <= length + 1e-9 {
        let y = y_of(depth);
        canvas.line(Spot::new(MAP.x - 6.0, y), Spot::new(MAP.x, y), hair);
        let text = format!("{depth:.0}");
        canvas.text(Spot::new(MAP.x - 10.0, y + 4.0), &text, Type::plain(12.0).anchored("end"));
        depth += if length > 12.0 { 2.0 } else { 1.0 };
    }
    let note = "depth below the platform, mm, down; the fixture's side unrolled, across; shortest way to the outside of the bone, mm";
    canvas.text(Spot::new(MAP.x, MAP.y - 10.0), note, Type::quiet(12.0));
}

/// The scale of thickness, printed.
fn scale(canvas: &mut Canvas) {
    canvas.text(Spot::new(BAR.x, BAR.y - 10.0), "wall, mm", Type::bold(13.0));
    let step = BAR.height / COLORS.len() as f64;
    for (n, color) in COLORS.iter().enumerate() {
        let y = BAR.bottom() - step * (n as f64 + 1.0);
        canvas.rect(&Rect::new(BAR.x, y, BAR.width, step), color);
        if let Some(mm) = STEPS_MM.get(n) {
            canvas.line(
                Spot::new(BAR.x, y),
                Spot::new(BAR.right() + 6.0, y),
                Line::plain(INK, 1.0),
            );
            let at = Spot::new(BAR.right() + 10.0, y + 4.0);
            canvas.text(at, &words::given(*mm), Type::plain(12.0));
        }
    }
    let low = Spot::new(BAR.right() + 10.0, BAR.bottom() - 0.3 * step);
    canvas.text(low, "stands out", Type::plain(12.0));
    let y = BAR.bottom() + 14.0;
    canvas.rect(&Rect::new(BAR.x, y, BAR.width, 16.0), NOTHING);
    canvas.text(Spot::new(BAR.right() + 10.0, y + 12.0), "no wall read", Type::plain(12.0));
    let asked = Spot::new(BAR.x, y + 40.0);
    canvas.line(asked, Spot::new(BAR.right(), asked.y), Line::plain(INK, 2.2));
    canvas.text(Spot::new(BAR.right() + 10.0, asked.y + 4.0), "asked for", Type::plain(12.0));
}

fn sections(canvas: &mut Canvas, input: &WallMapInput<'_>, top: f64) -> Result<(), PictureError> {
    let pose = &input.fit.pose;
    let solid = &input.fit.solid;
    let length = solid.length_mm();
    let axis = pose.apical;
    let buccal = input.bone.frame.buccal().as_vector().perpendicular_to(axis);
    let buccal = buccal.direction()?;
    let mesial = input.bone.frame.mesial().as_vector().perpendicular_to(axis);
    let mesial = (mesial - buccal * mesial.dot(buccal.as_vector())).direction()?;
    let across = pose.platform + axis * input.across_at_mm;
    let side: Vec<SectionPoint> = silhouette(input);
    let ring: Vec<SectionPoint> = (0..72)
        .map(|n| {
            let (sin, cos) = (5.0 * f64::from(n)).to_radians().sin_cos();
            let r = solid.radius_mm(input.across_at_mm);
            SectionPoint::new(r * cos, r * sin)
        })
        .collect();
    let frame =
        |at: PatientPoint, normal: PatientVector, down: PatientVector, right: PatientVector| {
            normal.direction().and_then(|n| SectionFrame::new(at, n, down, right))
        };
    let half = 0.5 * solid.widest_mm() + AROUND_MM;
    let tall = (SectionPoint::new(-half, -AROUND_MM), SectionPoint::new(half, length + AROUND_MM));
    let square = (SectionPoint::new(-half, -half), SectionPoint::new(half, half));
    let (a, b, m) = (axis.as_vector(), buccal.as_vector(), mesial.as_vector());
    let across_name = format!("across, {} mm below the platform", words::given(input.across_at_mm));
    let panels = [
        ("bucco-lingual", "lingual ←", "→ buccal", frame(pose.platform, m, a, b)?, tall, &side),
        ("mesio-distal", "distal ←", "→ mesial", frame(pose.platform, b, a, m)?, tall, &side),
        (across_name.as_str(), "lingual ←", "→ buccal", frame(across, a, m, b)?, square, &ring),
    ];
    let width = (PAGE.0 - 2.0 * MARGIN - 60.0) / 3.0;
    for (n, (name, left, right, frame, (least, most), body)) in panels.into_iter().enumerate() {
        let x = MARGIN + n as f64 * (width + 30.0);
        let view = View::fitted(least, most, &Rect::new(x, top, width, SECTION_HEIGHT), false)?;
        let image =
            SectionImage::resample(input.volume, frame, &view.window(), Interpolation::Cubic)?;
        let grey = match &input.bone.threshold.levels {
            Some(levels) => GreyWindow::of_levels(levels),
            None => GreyWindow::of_image(&image)?,
        };
        put_image(canvas, &image, &view, grey)?;
        // All of the fixture lies within the picture: nothing need be cut off.
        let spots: Vec<Spot> = body.iter().map(|p| view.spot(*p)).collect();
        canvas.path(&spots, true, None, Line::edged(YELLOW, 1.6));
        if n < 2 {
            let at = view.spot(SectionPoint::new(0.0, input.across_at_mm));
            let cut = Line::edged(SKY, 1.0).dashed("4 3");
            canvas.line(Spot::new(view.frame.x, at.y), Spot::new(view.frame.right(), at.y), cut);
        }
        let mid = view.frame.x + 0.5 * view.frame.width;
        canvas.text(Spot::new(mid, top - 22.0), name, Type::bold(13.0).anchored("middle"));
        let y = top - 6.0;
        canvas.text(Spot::new(view.frame.x, y), left, Type::quiet(12.0));
        canvas.text(Spot::new(view.frame.right(), y), right, Type::quiet(12.0).anchored("end"));
        if n == 2 {
            let note = "mesial is down";
            let at = Spot::new(mid, view.frame.bottom() + 16.0);
            canvas.text(at, note, Type::quiet(12.0).anchored("middle"));
        }
        let bar = view.bar_mm();
        let at = Spot::new(view.frame.x, view.frame.bottom() + 12.0);
        let end = Spot::new(at.x + bar * view.units_per_mm, at.y);
        canvas.line(at, end, Line::plain(INK, 3.0));
        let name = format!("{} mm", words::given(bar));
        canvas.text(Spot::new(at.x, at.y + 16.0), &name, Type::plain(12.0));
    }
    Ok(())
}

fn silhouette(input: &WallMapInput<'_>) -> Vec<SectionPoint> {
    let corners = input.fit.solid.corners_mm();
    let down = corners.iter().map(|(d, r)| SectionPoint::new(*r, *d));
    let up = corners.iter().rev().map(|(d, r)| SectionPoint::new(-*r, *d));
    down.chain(up).collect()
}
