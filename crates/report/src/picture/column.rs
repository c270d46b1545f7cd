//! The column of widths beside the section.

use jawgauge_bone::Unmeasured;

use super::canvas::{Canvas, HAIR, INK, Line, Spot, Type};
use super::layout::{stacked, wrapped};
use super::plate::Scene;
use super::plate_marks;
use super::view::View;
use super::words;

const SIZE: f64 = 14.0;
const SMALL: f64 = 12.0;
const LINE_HEIGHT: f64 = 18.0;
const NOTE_HEIGHT: f64 = 15.0;
/// Space between labels.
const GAP: f64 = 5.0;
/// Limits found further from the drawn section than this are said to be, mm.
const OFF_PLANE_MM: f64 = 0.05;

struct Label {
    lines: Vec<String>,
    /// The plates, in small below.
    notes: Vec<String>,
    least: bool,
    /// Where it would stand best, and whether a line leads there.
    y: f64,
    leads: bool,
}

impl Label {
    fn height(&self) -> f64 {
        self.lines.len() as f64 * LINE_HEIGHT + self.notes.len() as f64 * NOTE_HEIGHT
    }

    /// Where its middle would stand best: the first line at its level where plates follow.
    fn middle(&self) -> f64 {
        if self.notes.is_empty() { self.y } else { self.y + 0.5 * (self.height() - LINE_HEIGHT) }
    }
}

/// The widths, each beside its line, and the heights below; returns where it ends.
pub(crate) fn widths(
    canvas: &mut Canvas,
    scene: &Scene<'_>,
    view: &View,
    (x, width): (f64, f64),
) -> f64 {
    let mut y = view.frame.y - 8.0;
    canvas.text(Spot::new(x, y), "Ridge width, mm", Type::bold(15.0));
    let mut caption = "level below the crest: width ± uncertainty".to_owned();
    if scene.own {
        caption.push_str("; from the site's own section, so without lines here");
    }
    caption.push_str(match plate_marks::told(scene) {
        (false, false) => "; plates: not measured",
        (_, false) => "; plates: thickness along their normal",
        (_, true) => "; plates: thickness along their normal, \u{201c}a to b\u{201d} where the blur tells only a range",
    });
    for line in wrapped(&caption, width, SMALL, false) {
        y += 16.0;
        canvas.text(Spot::new(x, y), &line, Type::quiet(SMALL));
    }
    let mut labels = labels(scene, view, width);
    labels.sort_by(|a, b| a.y.total_cmp(&b.y));
    let wanted: Vec<(f64, f64)> = labels.iter().map(|l| (l.middle(), l.height())).collect();
    let tops = stacked(&wanted, y + 12.0, GAP);
    for (label, top) in labels.iter().zip(&tops) {
        let look = Type { bold: label.least, ..Type::plain(SIZE) };
        for (n, line) in label.lines.iter().enumerate() {
            let base = top + n as f64 * LINE_HEIGHT + 14.0;
            canvas.text(Spot::new(x, base), line, look);
        }
        y = top + label.lines.len() as f64 * LINE_HEIGHT;
        for note in &label.notes {
            canvas.text(Spot::new(x + 8.0, y + 11.0), note, Type::quiet(SMALL));
            y += NOTE_HEIGHT;
        }
        if label.leads {
            let from = Spot::new(x + width + 4.0, top + 9.0);
            let bend = Spot::new(x + width + 12.0, top + 9.0);
            let edge = Spot::new(view.frame.x - 2.0, label.y);
            let before = Spot::new((edge.x - 8.0).max(bend.x), label.y);
            canvas.path(&[from, bend, before, edge], false, None, Line::plain(INK, 0.8));
        }
    }
    heights(canvas, scene, y + 26.0, (x, width))
}

fn labels(scene: &Scene<'_>, view: &View, width: f64) -> Vec<Label> {
    let measure = scene.input.measure;
    let y_of = |level_mm: f64| {
        if scene.own {
            // Levels of another section have no place in this one: one below the other.
            return view.frame.y;
        }
        let mut at = measure.bone.crest;
        at.apical_mm += level_mm;
        view.spot(at).y.clamp(view.frame.y, view.frame.bottom())
    };
    let least = measure.min_width.map(|w| w.level_mm);
    let mut labels: Vec<Label> = Vec::new();
    // Levels that follow one another and have no width for the same reason share a label.
    let mut shared: Option<(f64, String)> = None;
    for width_at in &measure.widths {
        let why = match width_at {
            Ok(w) => {
                let least = least == Some(w.level_mm);
                let mark = if least { " (least)" } else { "" };
                let level = words::given(w.level_mm);
                let text = format!("{level} mm: {}{mark}", words::measured(&w.width));
                let y = y_of(w.level_mm);
                let notes = plate_marks::notes(scene, w);
                labels.push(Label { lines: vec![text], notes, least, y, leads: !scene.own });
                shared = None;
                continue;
            }
            Err(why) => why,
        };
        let (level, text) = (level_of(why), words::unmeasured(why));
        let first = match &shared {
            Some((first, same)) if *same == text => {
                labels.pop();
                *first
            }
            _ => level.unwrap_or(0.0),
        };
        let to = level
            .filter(|l| *l != first)
            .map_or(String::new(), |l| format!(" to {}", words::given(l)));
        let whole = format!("{}{to} mm: {text}", words::given(first));
        let lines = wrapped(&whole, width, SIZE, false);
        let (notes, y) = (Vec::new(), y_of(first));
        labels.push(Label { lines, notes, least: false, y, leads: false });
        shared = Some((first, text));
    }
    labels
}

/// The level of a width that could not be measured.
fn level_of(why: &Unmeasured) -> Option<f64> {
    match *why {
        Unmeasured::AboveCrest { level_mm }
        | Unmeasured::BelowBone { level_mm, .. }
        | Unmeasured::AirInside { level_mm }
        | Unmeasured::BesideMetal { level_mm }
        | Unmeasured::Clipped { level_mm, .. } => Some(level_mm),
        _ => None,
    }
}

/// Height of the bone and heights to the limits.
fn heights(canvas: &mut Canvas, scene: &Scene<'_>, y: f64, (x, width): (f64, f64)) -> f64 {
    let rule = Line::plain(HAIR, 0.8);
    canvas.line(Spot::new(x, y - 12.0), Spot::new(x + width, y - 12.0), rule);
    let mut y = y + 8.0;
    canvas.text(Spot::new(x, y), "Height, mm", Type::bold(15.0));
    let mut put = |text: &str, look: Type, step: f64| {
        for line in wrapped(text, width, look.size, false) {
            y += step;
            canvas.text(Spot::new(x, y), &line, look);
        }
    };
    put("from the crest along the section", Type::quiet(SMALL), 16.0);
    let measure = scene.input.measure;
    let base = match &measure.height {
        Ok(height) => format!("base: {}", words::measured(height)),
        Err(why) => format!("base: {}", words::unmeasured(why)),
    };
    put(&base, Type::plain(SIZE), LINE_HEIGHT + 2.0);
    for ((limit, name), drawn) in measure.limits.iter().zip(&scene.limit_names).zip(&scene.limits) {
        let height = match &limit.height {
            Ok(height) => words::measured(height),
            Err(why) => words::unmeasured(why),
        };
        put(&format!("{name}: {height}"), Type::plain(SIZE), LINE_HEIGHT + 2.0);
        if let Some(usable_mm) = limit.usable_mm() {
            let keep = words::given(limit.keep_mm);
            let kept = format!("{keep} mm kept from it: {} left", words::mm(usable_mm));
            put(&kept, Type::quiet(SMALL), 16.0);
        }
        if let Some(mark) = drawn
            && mark.off_mm > OFF_PLANE_MM
        {
            let off = words::mm(mark.off_mm);
            put(&format!("its place is {off} mm off the section drawn"), Type::quiet(SMALL), 16.0);
        }
    }
    y
}
