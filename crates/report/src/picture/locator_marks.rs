//! The ridge axis, its stations and the sections' lines on a locator.

use jawgauge_space::{PatientVector, SectionPoint};

use super::canvas::{Canvas, INK, Line, Rect, SKY, Spot, Type, WHITE, YELLOW};
use super::font::{showable, text_width};
use super::layout::{Places, stacked, wrapped_short};
use super::locator::{LocatorSite, Map};
use super::words;

/// Section lines reach this far to either side of the axis, mm.
const REACH_MM: f64 = 9.0;
/// Ticks on the axis, mm apart; every second one has a number.
const TICK_MM: u32 = 5;
/// Half the length of a tick.
const TICK: f64 = 5.0;
/// Half the height of the label with a site's mark.
const DISC: f64 = 10.0;

/// The axis with ticks and numbers, and the sections' lines with the sites' numbers.
pub(crate) fn lines(canvas: &mut Canvas, map: &Map<'_>) {
    let view = &map.view;
    let spots: Vec<Spot> = map.curve.iter().map(|&p| view.spot(p)).collect();
    canvas.path(&spots, false, None, Line::edged(YELLOW, 2.2));
    let mut places = Places::within(view.frame);
    for spot in spots.iter().step_by(4) {
        places.take(Rect::new(spot.x - 2.0, spot.y - 2.0, 4.0, 4.0));
    }
    let sites: Vec<(Spot, Spot, Spot)> = map.input.sites.iter().map(|s| ends(map, s)).collect();
    for (lingual, buccal, _) in &sites {
        canvas.line(*lingual, *buccal, Line::edged(SKY, 2.2).dashed("9 3"));
        for t in 0..=12 {
            let at = lingual.toward(*buccal, f64::from(t) / 12.0 * length(*lingual, *buccal));
            places.take(Rect::new(at.x - 3.0, at.y - 3.0, 6.0, 6.0));
        }
    }
    for ((_, buccal, beyond), mark) in sites.iter().zip(marks(map)) {
        let half = mark_half(&mark);
        let disc = |out: f64| {
            let at = buccal.toward(*beyond, out + half - DISC);
            Rect::new(at.x - half, at.y - DISC, 2.0 * half, 2.0 * DISC)
        };
        if let Some(rect) = places.put(&[13.0, 36.0, 59.0].map(disc)) {
            put_mark(canvas, Spot::new(rect.x + half, rect.y + DISC), &mark);
        }
    }
    stations(canvas, map, &mut places);
}

/// What marks the sites on the picture: their teeth, or where two are alike, one has none or
/// a long one, their numbers.
fn marks(map: &Map<'_>) -> Vec<String> {
    let sites = map.input.sites;
    let teeth: Vec<&str> = sites.iter().filter_map(|s| s.tooth).collect();
    let short = teeth.iter().all(|t| !t.is_empty() && t.chars().count() <= 3);
    let apart = (1..teeth.len()).all(|n| !teeth[..n].contains(&teeth[n]));
    if short && apart && teeth.len() == sites.len() {
        teeth.into_iter().map(showable).collect()
    } else {
        (1..=sites.len()).map(|n| n.to_string()).collect()
    }
}

fn mark_half(mark: &str) -> f64 {
    (text_width(mark, 12.0, true) / 2.0 + 5.0).max(DISC)
}

/// A site's mark on a white label.
fn put_mark(canvas: &mut Canvas, at: Spot, mark: &str) {
    let (x, y) = (mark_half(mark) - 1.0, DISC - 1.0);
    let corners = [(-x, -y), (x, -y), (x, y), (-x, y)].map(|(x, y)| Spot::new(at.x + x, at.y + y));
    canvas.path(&corners, true, Some((WHITE, 1.0)), Line::plain(INK, 1.4));
    let look = Type::bold(12.0).anchored("middle");
    canvas.text(Spot::new(at.x, at.y + 4.4), mark, look);
}

fn length(a: Spot, b: Spot) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// Both ends of a section's line, and a place beyond its buccal end.
fn ends(map: &Map<'_>, site: &LocatorSite<'_>) -> (Spot, Spot, Spot) {
    let (at, _) = map.frame.section_from_patient(site.frame.origin());
    let along = in_plane(map, site.frame.buccal().as_vector());
    let place = |mm: f64| {
        let p = SectionPoint::new(at.buccal_mm + mm * along.0, at.apical_mm + mm * along.1);
        map.view.spot(p)
    };
    (place(-REACH_MM), place(REACH_MM), place(4.0 * REACH_MM))
}

/// A direction in the plane of the picture.
fn in_plane(map: &Map<'_>, v: PatientVector) -> (f64, f64) {
    let across = v.dot(map.frame.buccal().as_vector());
    let down = v.dot(map.frame.apical().as_vector());
    let length = across.hypot(down).max(1e-9);
    (across / length, down / length)
}

/// Ticks every 5 mm and numbers every 10 mm, on the side that is free.
fn stations(canvas: &mut Canvas, map: &Map<'_>, places: &mut Places) {
    let mut station = 0_u32;
    while let Ok(place) = map.input.axis.at_station(f64::from(station)) {
        let (at, _) = map.frame.section_from_patient(place.point);
        let spot = map.view.spot(at);
        let (x, y) = in_plane(map, place.tangent.as_vector());
        // Away from the middle of the picture is mostly buccal: numbers go to the other side.
        let across = Spot::new(-y, x);
        let tick = |by: f64| Spot::new(spot.x + across.x * by, spot.y + across.y * by);
        canvas.line(tick(-TICK), tick(TICK), Line::edged(WHITE, 1.4));
        if station.is_multiple_of(2 * TICK_MM) {
            let text = words::given(f64::from(station));
            let (w, h) = (text_width(&text, 12.0, true) + 4.0, 15.0);
            let rect = |by: f64| {
                let at = tick(by);
                Rect::new(at.x - w / 2.0, at.y - h / 2.0, w, h)
            };
            if let Some(rect) = places.put(&[17.0, -17.0, 26.0, -26.0, 36.0, -36.0].map(rect)) {
                let base = Spot::new(rect.x + w / 2.0, rect.bottom() - 3.5);
                canvas.text(base, &text, Type::on_picture(12.0).anchored("middle"));
            }
        }
        station += TICK_MM;
    }
}

/// The sites' names in two columns: the patient's right on the left, the left on the right;
/// returns where they end.
pub(crate) fn names(canvas: &mut Canvas, map: &Map<'_>, columns: [(f64, f64); 2]) -> f64 {
    let view = &map.view;
    let middle = view.frame.x + view.frame.width / 2.0;
    let mut below = 0.0_f64;
    let marks = marks(map);
    let indent = marks.iter().map(|m| 2.0 * mark_half(m)).fold(0.0, f64::max) + 8.0;
    for (n, &(x, width)) in columns.iter().enumerate() {
        let mut labels: Vec<(usize, Spot, (usize, Vec<String>))> = map
            .input
            .sites
            .iter()
            .enumerate()
            .map(|(index, site)| (index, ends(map, site).1, words_of(site, width - indent)))
            .filter(|(_, end, _)| (end.x >= middle) == (n == 1))
            .collect();
        labels.sort_by(|a, b| a.1.y.total_cmp(&b.1.y).then(a.0.cmp(&b.0)));
        let wanted: Vec<(f64, f64)> =
            labels.iter().map(|(_, end, (_, lines))| (end.y, 17.0 * lines.len() as f64)).collect();
        let tops = stacked(&wanted, view.frame.y, 14.0);
        for ((index, _, (bold, lines)), top) in labels.iter().zip(&tops) {
            let mark = &marks[*index];
            put_mark(canvas, Spot::new(x + mark_half(mark), top + 9.0), mark);
            for (row, line) in lines.iter().enumerate() {
                let base = Spot::new(x + indent, top + 14.0 + 17.0 * row as f64);
                let look = if row < *bold { Type::bold(13.0) } else { Type::quiet(13.0) };
                canvas.text(base, line, look);
            }
            below = below.max(top + 17.0 * lines.len() as f64);
        }
    }
    below
}

/// A site's lines, and how many of them are its id.
fn words_of(site: &LocatorSite<'_>, width: f64) -> (usize, Vec<String>) {
    let mut lines = wrapped_short(&showable(site.id), width, 13.0, true, 4);
    let bold = lines.len();
    if let Some(tooth) = site.tooth {
        lines.extend(wrapped_short(&showable(&format!("tooth {tooth}")), width, 13.0, false, 1));
    }
    lines.push(format!("station {} mm", words::mm(site.station_mm)));
    (bold, lines)
}
