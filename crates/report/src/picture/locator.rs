//! Where along the ridge the sections lie.

use jawgauge_section::{Interpolation, RidgeAxis, SectionImage};
use jawgauge_space::{
    PatientDir, PatientPoint, PatientVector, SectionFrame, SectionPoint, VoxelCoord,
};
use jawgauge_volume::Volume;

use super::canvas::{Canvas, HAIR, Line, Rect, Spot, Type};
use super::drawing::Drawing;
use super::grey::{GreyWindow, put_image};
use super::key::scale_bar;
use super::layout::wrapped;
use super::plate::{MARGIN, PAGE, clipped};
use super::view::View;
use super::{Arch, PictureError, locator_marks, words};

/// The slab whose mean is shown reaches this far apical of the crest's mean level, mm.
const SLAB_MM: f64 = 4.0;
/// What is shown around the ridge axis, mm.
const AROUND_MM: f64 = 14.0;
/// The picture is at least this wide for its height, and made as if at least this high, mm, so
/// that the words above it fit.
const LEAST_ASPECT: f64 = 0.75;
const LEAST_HEIGHT_MM: f64 = 20.0;
/// The axis is drawn through places this far apart, mm.
const CURVE_STEP_MM: f64 = 0.5;
/// Columns of names to the left and right, and the picture between them.
const SIDE: f64 = 200.0;
const PICTURE: (f64, f64) = (262.0, 596.0);
const PICTURE_HEIGHT: f64 = 548.0;

/// A site on a locator.
#[derive(Debug, Clone, Copy)]
pub struct LocatorSite<'a> {
    /// The site's id, as the user gave it.
    pub id: &'a str,
    /// The tooth's number, as the user gave it.
    pub tooth: Option<&'a str>,
    /// Its station on the ridge axis, mm.
    pub station_mm: f64,
    /// The axes of its section.
    pub frame: SectionFrame,
}

/// What a locator shows.
#[derive(Debug, Clone, Copy)]
pub struct LocatorInput<'a> {
    /// The scan.
    pub volume: &'a Volume,
    /// The ridge axis.
    pub axis: &'a RidgeAxis,
    /// The case's apical direction.
    pub apical: PatientVector,
    /// Which jaw.
    pub arch: Arch,
    /// The sites.
    pub sites: &'a [LocatorSite<'a>],
    /// Whether the scan tells where it lies in the patient; where not, no side is named.
    pub place_known: bool,
}

/// The axis and the sites in the plane of the picture.
pub(crate) struct Map<'a> {
    pub(crate) input: &'a LocatorInput<'a>,
    pub(crate) frame: SectionFrame,
    pub(crate) view: View,
    /// Places of the axis from its first to its last.
    pub(crate) curve: Vec<SectionPoint>,
}

/// Draws the locator of a jaw: the ridge axis with its stations and every site's section line
/// over a slab of the scan, perpendicular to the case's apical direction.
///
/// The slab, 4 mm thick, reaches apically from the mean level of the sites' places on the axis
/// (without sites: of the axis' points); its mean is shown. The front of the patient is up, the
/// patient's right on the left, as seen from the feet.
///
/// # Errors
///
/// [`PictureError::Space`] where the apical direction runs sideways or to the front,
/// [`PictureError::Extent`], [`PictureError::Section`], [`PictureError::NothingScanned`].
pub fn draw_locator(input: &LocatorInput<'_>) -> Result<Drawing, PictureError> {
    let apical = input.apical.direction()?;
    let level = mean_level(input, apical);
    let zero = PatientPoint::new(0.0, 0.0, 0.0);
    // The picture's plane: to the right the patient's left, down the patient's back.
    let frame = SectionFrame::new(
        zero + apical * (level + SLAB_MM / 2.0),
        apical,
        PatientDir::posterior().as_vector(),
        PatientDir::left().as_vector(),
    )?;
    let curve = curve(input.axis, &frame)?;
    let mut canvas = Canvas::default();
    let area = Rect::new(PICTURE.0, 118.0, PICTURE.1, PICTURE_HEIGHT);
    let (least, most) = extent(&curve, &scanned(input.volume, &frame));
    let view = View::fitted(least, most, &area, false)?;
    let window = view.window().with_slab_mm(SLAB_MM);
    let image = SectionImage::resample(input.volume, frame, &window, Interpolation::Linear)?;
    let hatched = put_image(&mut canvas, &image, &view, GreyWindow::of_image(&image)?)?;
    let map = Map { input, frame, view, curve };
    heading(&mut canvas, input, &view);
    clipped(&mut canvas, &view.frame, |canvas| locator_marks::lines(canvas, &map));
    let columns = [(MARGIN, SIDE), (PAGE.0 - MARGIN - SIDE, SIDE)];
    let below = locator_marks::names(&mut canvas, &map, columns).max(view.frame.bottom() + 14.0);
    let y = view.frame.bottom() + 14.0;
    let after = scale_bar(&mut canvas, &view, Spot::new(view.frame.x, y));
    let unscanned = if hatched { "; hatched: not scanned" } else { "" };
    let note = format!("ridge axis with stations in mm from its first point{unscanned}");
    let right = view.frame.right();
    for (n, line) in wrapped(&note, right - after - 20.0, 12.0, false).iter().enumerate() {
        let base = Spot::new(right, y + 8.0 + 16.0 * n as f64);
        canvas.text(base, line, Type::quiet(12.0).anchored("end"));
    }
    let bottom = foot(&mut canvas, input, below.max(y + 26.0) + 14.0);
    let title = format!("Where the sites of the {} lie", input.arch.as_str());
    Ok(Drawing::new(canvas.into_svg(PAGE.0, (bottom + 20.0).max(PAGE.1), &title)))
}

fn mean_level(input: &LocatorInput<'_>, apical: PatientDir) -> f64 {
    let zero = PatientPoint::new(0.0, 0.0, 0.0);
    let mut places: Vec<PatientPoint> = input.sites.iter().map(|s| s.frame.origin()).collect();
    if places.is_empty() {
        places = input.axis.points().to_vec();
    }
    let sum: f64 = places.iter().map(|&p| (p - zero).dot(apical.as_vector())).sum();
    sum / places.len() as f64
}

fn curve(axis: &RidgeAxis, frame: &SectionFrame) -> Result<Vec<SectionPoint>, PictureError> {
    let length = axis.length_mm();
    // A jaw's arch is some 150 mm long.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let steps = (length / CURVE_STEP_MM).ceil().clamp(1.0, 1e5) as u32;
    (0..=steps)
        .map(|step| {
            let place = axis.at_station(length * f64::from(step) / f64::from(steps))?;
            Ok(frame.section_from_patient(place.point).0)
        })
        .collect()
}

/// Corners of the scan in the plane.
fn scanned(volume: &Volume, frame: &SectionFrame) -> Vec<SectionPoint> {
    let geometry = volume.geometry();
    let ends = geometry.dims().map(|n| [0.0, n as f64 - 1.0]);
    let mut corners = Vec::new();
    for i in ends[0] {
        for j in ends[1] {
            for k in ends[2] {
                let at = geometry.affine().patient_from_voxel(VoxelCoord::new(i, j, k));
                corners.push(frame.section_from_patient(at).0);
            }
        }
    }
    corners
}

/// The axis with some space around it, no further than the scan reaches, and wide enough for
/// the words above it.
fn extent(curve: &[SectionPoint], scan: &[SectionPoint]) -> (SectionPoint, SectionPoint) {
    let (mut least, mut most) = bounds(curve);
    let (low, high) = bounds(scan);
    least.buccal_mm = (least.buccal_mm - AROUND_MM).max(low.buccal_mm).min(least.buccal_mm);
    least.apical_mm = (least.apical_mm - AROUND_MM).max(low.apical_mm).min(least.apical_mm);
    most.buccal_mm = (most.buccal_mm + AROUND_MM).min(high.buccal_mm).max(most.buccal_mm);
    most.apical_mm = (most.apical_mm + AROUND_MM).min(high.apical_mm).max(most.apical_mm);
    let height = (most.apical_mm - least.apical_mm).max(LEAST_HEIGHT_MM);
    let more = (LEAST_ASPECT * height - (most.buccal_mm - least.buccal_mm)).max(0.0) / 2.0;
    (
        SectionPoint::new(least.buccal_mm - more, least.apical_mm),
        SectionPoint::new(most.buccal_mm + more, most.apical_mm),
    )
}

fn bounds(points: &[SectionPoint]) -> (SectionPoint, SectionPoint) {
    let mut least = points[0];
    let mut most = points[0];
    for p in points {
        least.buccal_mm = least.buccal_mm.min(p.buccal_mm);
        least.apical_mm = least.apical_mm.min(p.apical_mm);
        most.buccal_mm = most.buccal_mm.max(p.buccal_mm);
        most.apical_mm = most.apical_mm.max(p.apical_mm);
    }
    (least, most)
}

fn heading(canvas: &mut Canvas, input: &LocatorInput<'_>, view: &View) {
    let jaw = input.arch.as_str();
    let title = format!("Where the sections of the {jaw} lie");
    canvas.text(Spot::new(MARGIN, MARGIN + 18.0), &title, Type::bold(25.0));
    let seen = if input.place_known { "Seen from the feet, the patient's front up. " } else { "" };
    let line = format!(
        "{seen}Mean of a slab of {} mm from the sites' mean level apically.",
        words::given(SLAB_MM)
    );
    canvas.text(Spot::new(MARGIN, MARGIN + 42.0), &line, Type::quiet(14.0));
    let rule = Line::plain(HAIR, 1.0);
    canvas.line(Spot::new(MARGIN, 88.0), Spot::new(PAGE.0 - MARGIN, 88.0), rule);
    let y = view.frame.y - 8.0;
    let bold = Type::bold(13.0);
    if !input.place_known {
        let line = "the scan does not tell which way the patient's right and front are";
        canvas.text(Spot::new(view.frame.x, y), line, bold);
        return;
    }
    canvas.text(Spot::new(view.frame.x, y), "← patient's right", bold);
    let middle = view.frame.x + view.frame.width / 2.0;
    canvas.text(Spot::new(middle, y), "↑ front", bold.anchored("middle"));
    canvas.text(Spot::new(view.frame.right(), y), "patient's left →", bold.anchored("end"));
}

fn foot(canvas: &mut Canvas, input: &LocatorInput<'_>, top: f64) -> f64 {
    let rule = Line::plain(HAIR, 1.0);
    canvas.line(Spot::new(MARGIN, top), Spot::new(PAGE.0 - MARGIN, top), rule);
    let [i, j, k] = input.volume.geometry().spacing_mm().map(words::mm);
    let mut y = top + 20.0;
    let facts = format!(
        "Voxel {i} × {j} × {k} mm. Sections are perpendicular to the ridge axis; each line is drawn where its section cuts the plane shown, 9 mm to either side."
    );
    for line in wrapped(&facts, PAGE.0 - 2.0 * MARGIN, 12.0, false) {
        canvas.text(Spot::new(MARGIN, y), &line, Type::quiet(12.0));
        y += 16.0;
    }
    for line in wrapped(words::CAUTION, PAGE.0 - 2.0 * MARGIN, 13.0, true) {
        y += 4.0;
        canvas.text(Spot::new(MARGIN, y), &line, Type::bold(13.0));
        y += 15.0;
    }
    y - 15.0
}
