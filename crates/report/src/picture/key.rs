//! Scale bar, key, what the picture was made from, and the caution.

use jawgauge_bone::{LongAxis, ThresholdSource};
use jawgauge_section::Interpolation;

use super::canvas::{Canvas, HAIR, INK, Line, Rect, Spot, Type};
use super::fixture_mark::{asked_line, axis_line, body_line, wall_line};
use super::font::text_width;
use super::layout::wrapped;
use super::plate::{MARGIN, PAGE, Scene};
use super::plate_marks;
use super::section_marks::{cut_line, keep_line, outline_line, width_line};
use super::view::View;
use super::words;

/// Where the foot of a page begins at the highest.
pub(crate) const FOOT_TOP: f64 = 660.0;
/// Thickness of the scale bar.
const BAR: f64 = 6.0;
const SMALL: f64 = 12.0;

/// The scale bar, whose ends lie on pixels, with its length; returns where it ends.
pub(crate) fn scale_bar(canvas: &mut Canvas, view: &View, at: Spot) -> f64 {
    let mm = view.bar_mm();
    let bar = Rect::new(at.x.floor(), at.y.floor(), mm * view.units_per_mm, BAR);
    canvas.rect(&bar, INK);
    let base = Spot::new(bar.right() + 8.0, bar.y + BAR + 1.5);
    let label = format!("{} mm", words::given(mm));
    canvas.text(base, &label, Type::bold(13.0));
    base.x + text_width(&label, 13.0, true)
}

/// Scale bar, and which way the section is seen, below it; returns where they end.
pub(crate) fn scale_and_ways(canvas: &mut Canvas, scene: &Scene<'_>, view: &View) -> f64 {
    let y = view.frame.bottom() + 14.0;
    scale_bar(canvas, view, Spot::new(view.frame.x, y));
    let right = view.frame.right();
    let look = Type::quiet(SMALL).anchored("end");
    let seen = format!("seen from {}", scene.seen_from());
    canvas.text(Spot::new(right, y + 8.0), &seen, look);
    if scene.stands_upright() {
        canvas.text(Spot::new(right, y + 24.0), "up: to the patient's head", look);
    }
    y + 24.0
}

/// Key, facts and caution from `top` on; returns where they end.
pub(crate) fn foot(canvas: &mut Canvas, scene: &Scene<'_>, hatched: bool, top: f64) -> f64 {
    let mut y = key(canvas, scene, hatched, top) + 14.0;
    let rule = Line::plain(HAIR, 1.0);
    canvas.line(Spot::new(MARGIN, y), Spot::new(PAGE.0 - MARGIN, y), rule);
    y += 4.0;
    let width = PAGE.0 - 2.0 * MARGIN;
    for fact in facts(scene) {
        for line in wrapped(&fact, width, SMALL, false) {
            y += 16.0;
            canvas.text(Spot::new(MARGIN, y), &line, Type::quiet(SMALL));
        }
    }
    let mut warnings: Vec<String> = Vec::new();
    for warning in scene.bone.warnings.iter().chain(&scene.input.measure.warnings) {
        let text = words::warning(warning);
        if !warnings.contains(&text) {
            warnings.push(text);
        }
    }
    let mut bold = Vec::new();
    if !warnings.is_empty() {
        bold.push(format!("Less certain because: {}.", warnings.join("; ")));
    }
    bold.push(words::CAUTION.to_owned());
    for text in bold {
        for line in wrapped(&text, width, 13.0, true) {
            y += 19.0;
            canvas.text(Spot::new(MARGIN, y), &line, Type::bold(13.0));
        }
    }
    y
}

fn key(canvas: &mut Canvas, scene: &Scene<'_>, hatched: bool, top: f64) -> f64 {
    let mut entries = vec![("edge of the bone", outline_line())];
    if scene.bone.outline.clip().is_some() {
        entries.push(("edge cut off", cut_line()));
    }
    if !scene.own {
        entries.push(("width at a level", width_line()));
        let (thickness, range) = plate_marks::told(scene);
        if thickness {
            entries.push(("plate", plate_marks::plate_line()));
        }
        if range {
            entries.push(("plate: between its ends", plate_marks::range_line()));
        }
    }
    if scene.limits.iter().any(Option::is_some) {
        entries.push(("distance to keep", keep_line()));
    }
    if scene.input.fit.is_some() {
        entries.extend([
            ("fixture", body_line()),
            ("its axis", axis_line()),
            ("walls asked for", asked_line()),
            ("least walls found", wall_line()),
        ]);
    }
    let (mut x, mut y) = (MARGIN, top);
    let right = PAGE.0 - MARGIN;
    let mut place = |width: f64| {
        if x + width > right {
            (x, y) = (MARGIN, y + 22.0);
        }
        let at = Spot::new(x, y);
        x += width + 15.0;
        at
    };
    for (name, line) in entries {
        let at = place(34.0 + text_width(name, SMALL, false));
        canvas.rect(&Rect::new(at.x, at.y, 28.0, 14.0), "#5a5a5a");
        canvas.line(Spot::new(at.x + 3.0, at.y + 7.0), Spot::new(at.x + 25.0, at.y + 7.0), line);
        canvas.text(Spot::new(at.x + 34.0, at.y + 11.5), name, Type::plain(SMALL));
    }
    if hatched {
        let name = "not scanned";
        let at = place(34.0 + text_width(name, SMALL, false));
        canvas.rect(&Rect::new(at.x, at.y, 28.0, 14.0), "url(#not-scanned)");
        canvas.text(Spot::new(at.x + 34.0, at.y + 11.5), name, Type::plain(SMALL));
    }
    y + 14.0
}

fn facts(scene: &Scene<'_>) -> Vec<String> {
    let bone = scene.bone;
    let [i, j, k] = scene.input.volume.geometry().spacing_mm().map(words::mm);
    let interpolation = match scene.input.interpolation {
        Interpolation::Linear => "linear",
        Interpolation::Cubic => "cubic",
    };
    let slab = match scene.input.slab_mm {
        0.0 => String::new(),
        mm => format!(", the mean of a slab of {} mm", words::given(mm)),
    };
    let threshold = &bone.threshold;
    let grey = words::whole(threshold.grey);
    let levels = threshold.levels.map(|l| {
        format!("outside ({}) and cortex ({})", words::whole(l.outside), words::whole(l.cortex))
    });
    let edge = match (threshold.source, levels) {
        (ThresholdSource::HalfWay, Some(levels)) => {
            format!(
                "Edge of the bone: grey value {grey}, found in this section half-way between {levels}."
            )
        }
        (ThresholdSource::Given, Some(levels)) => {
            format!(
                "Edge of the bone: grey value {grey}, given by the user; this section: {levels}."
            )
        }
        (ThresholdSource::HalfWay, None) => format!("Edge of the bone: grey value {grey}."),
        (ThresholdSource::Given, None) => {
            format!("Edge of the bone: grey value {grey}, given by the user.")
        }
    };
    let blur = match (bone.blur(), threshold.levels) {
        (Some(blur), _) => {
            let along_z = if (blur.along_z_mm - blur.in_plane_mm).abs() > 1e-9 {
                format!(" ({} across the slices)", words::mm(blur.along_z_mm))
            } else {
                String::new()
            };
            let found = words::with_u95(blur.in_plane_mm, 2.0 * blur.u_mm);
            format!("Blur of the scan {found} mm{along_z} (full width at half maximum).")
        }
        (None, Some(levels)) => format!(
            "Blur of the scan about {} mm (full width at half maximum).",
            words::mm(levels.blur_fwhm_mm)
        ),
        (None, None) => "Blur of the scan not known.".to_owned(),
    };
    let axis = match (scene.own, bone.long_axis) {
        (true, _) => "Straight up and down: the fixture's axis.".to_owned(),
        (false, LongAxis::Ridge { lean_deg }) => {
            let toward =
                if lean_deg > 0.0 { scene.sides.outer_plain } else { scene.sides.inner_plain };
            format!(
                "Straight up and down: the ridge's own long axis, leaning apically to the {toward} by {:.1}°.",
                lean_deg.abs()
            )
        }
        (false, _) => "Straight up and down: the apical direction given with the case.".to_owned(),
    };
    vec![
        format!(
            "Voxel {i} × {j} × {k} mm. Section sampled every {} mm, {interpolation}{slab}. {blur}",
            words::mm(bone.image.step_mm())
        ),
        edge,
        format!("{axis} ± is the expanded uncertainty (coverage factor 2)."),
    ]
}
