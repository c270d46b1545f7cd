//! The plate of one site.

use jawgauge_bone::{LimitHeight, SectionBone, SiteMeasure};
use jawgauge_fixture::{Fit, RequiredWalls};
use jawgauge_section::{Interpolation, PatientSide, SectionImage};
use jawgauge_space::{PatientDir, SectionPoint};
use jawgauge_volume::Volume;

use super::canvas::{Canvas, HAIR, Line, Rect, Spot, Type};
use super::drawing::Drawing;
use super::font::{showable, text_width};
use super::grey::{GreyWindow, put_image};
use super::layout::{Places, wrapped_short};
use super::view::View;
use super::words::{self, Sides};
use super::{Arch, PictureError, column, fixture_mark, key, panel, section_marks};

/// Width and least height of the page: the shape of an A4 sheet on its side.
pub(crate) const PAGE: (f64, f64) = (1120.0, 792.0);
/// Margin of the page.
pub(crate) const MARGIN: f64 = 36.0;
/// Left column: widths.
const COLUMN: (f64, f64) = (MARGIN, 218.0);
/// Middle: the section.
const PICTURE: (f64, f64) = (284.0, 436.0);
/// Right column: fixture and limits.
const PANEL: (f64, f64) = (752.0, 332.0);
/// Height of the section.
const PICTURE_HEIGHT: f64 = 500.0;
/// What is shown around the bone, the fixture and the limits, mm.
const AROUND_MM: f64 = 3.5;
/// The picture is at least this wide for its height, so that the words above it fit ...
const LEAST_ASPECT: f64 = 0.64;
/// ... and at least this wide, mm.
const LEAST_WIDTH_MM: f64 = 15.0;

/// What a plate shows.
#[derive(Debug, Clone, Copy)]
pub struct PlateInput<'a> {
    /// The site's id, as the user gave it.
    pub site_id: &'a str,
    /// The tooth's number, as the user gave it.
    pub tooth: Option<&'a str>,
    /// Which jaw.
    pub arch: Arch,
    /// Which side of the mouth.
    pub side: PatientSide,
    /// The scan.
    pub volume: &'a Volume,
    /// What was measured at the site.
    pub measure: &'a SiteMeasure,
    /// The fixture to be shown.
    pub fit: Option<&'a Fit>,
    /// How grey values between voxel centres are found, for the picture.
    pub interpolation: Interpolation,
    /// Thickness of the slab whose mean was measured and is shown, mm; 0 for the plane alone.
    pub slab_mm: f64,
    /// Walls that are asked for, drawn beside the fixture.
    pub required: RequiredWalls,
}

/// What is drawn in which section.
pub(crate) struct Scene<'a> {
    pub(crate) input: &'a PlateInput<'a>,
    /// The bone of the section that is drawn.
    pub(crate) bone: &'a SectionBone,
    /// Whether that is the section through the fixture's axis, not the site's own.
    pub(crate) own: bool,
    pub(crate) sides: Sides,
    /// Where each limit is drawn, if it meets the site's section.
    pub(crate) limits: Vec<Option<LimitMark>>,
    pub(crate) limit_names: Vec<String>,
}

/// A limit as it is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LimitMark {
    pub(crate) at: SectionPoint,
    /// What the distance is kept from: the middle of a canal with a radius, else the same place.
    pub(crate) middle: SectionPoint,
    /// How far it lies from the drawn section at most, mm.
    pub(crate) off_mm: f64,
    /// Radius about the middle of what must be kept from it in the drawn section, mm. The ball about a point off
    /// the site's section is cut in a smaller circle, or not at all; a limit marked in another
    /// section than the drawn one may run on to it, so that the whole distance is drawn.
    pub(crate) kept_mm: f64,
}

impl<'a> Scene<'a> {
    fn of(input: &'a PlateInput<'a>) -> Self {
        let own = input.fit.and_then(|f| f.own_section.as_deref());
        let site = &input.measure.bone;
        let bone = own.unwrap_or(site);
        let limits = &input.measure.limits;
        let drawn = |limit: &LimitHeight| {
            let at = limit.at?;
            let (radius_mm, moved_mm) = (limit.radius_mm(), limit.moved_mm);
            let keep_mm = limit.keep_mm + radius_mm;
            let middle = SectionPoint::new(at.buccal_mm, at.apical_mm + radius_mm);
            Some(match own {
                None => {
                    let kept_mm = (keep_mm.powi(2) - moved_mm.powi(2)).max(0.0).sqrt();
                    LimitMark { at, middle, off_mm: moved_mm, kept_mm }
                }
                Some(own) => {
                    let (at, beside_mm) = own.frame.section_from_patient(site.patient(at));
                    let (middle, _) = own.frame.section_from_patient(site.patient(middle));
                    LimitMark { at, middle, off_mm: beside_mm.abs() + moved_mm, kept_mm: keep_mm }
                }
            })
        };
        Self {
            input,
            bone,
            own: own.is_some(),
            sides: Sides::of(input.arch, input.side),
            limits: limits.iter().map(drawn).collect(),
            limit_names: words::limit_names(limits.iter().map(|l| l.kind)),
        }
    }

    /// Least and greatest places that must be seen.
    fn extent(&self) -> (SectionPoint, SectionPoint) {
        let mut least = self.bone.crest;
        let mut most = self.bone.crest;
        let marks = self.limits.iter().flatten().map(|mark| mark.at);
        let fixture = self.input.fit.map_or(Vec::new(), fixture_mark::silhouette);
        for p in self.bone.outline.points().iter().copied().chain(marks).chain(fixture) {
            least.buccal_mm = least.buccal_mm.min(p.buccal_mm);
            least.apical_mm = least.apical_mm.min(p.apical_mm);
            most.buccal_mm = most.buccal_mm.max(p.buccal_mm);
            most.apical_mm = most.apical_mm.max(p.apical_mm);
        }
        let height = most.apical_mm - least.apical_mm + 2.0 * AROUND_MM;
        let width = most.buccal_mm - least.buccal_mm;
        let wanted = (width + 2.0 * AROUND_MM).max(LEAST_ASPECT * height).max(LEAST_WIDTH_MM);
        let beside = (wanted - width) / 2.0;
        (
            SectionPoint::new(least.buccal_mm - beside, least.apical_mm - AROUND_MM),
            SectionPoint::new(most.buccal_mm + beside, most.apical_mm + AROUND_MM),
        )
    }

    /// From which side of the section it is seen: the cheek is on the right, and the patient
    /// stands upright.
    pub(crate) fn seen_from(&self) -> &'static str {
        let frame = &self.bone.frame;
        let up = if self.bone_is_up() { frame.apical() } else { -frame.apical() };
        let toward_viewer = frame.buccal().as_vector().cross(up.as_vector());
        if toward_viewer.dot(frame.mesial().as_vector()) > 0.0 { "mesial" } else { "distal" }
    }

    /// Whether apical is drawn upwards.
    pub(crate) fn bone_is_up(&self) -> bool {
        self.input.arch == Arch::Maxilla
    }

    /// Whether the way up in the picture is the way to the head, within 60 degrees, as far as the
    /// scan tells.
    pub(crate) fn stands_upright(&self) -> bool {
        let up = self.bone.frame.apical().dot(PatientDir::superior());
        let known = self.input.side != PatientSide::Unknown;
        known && (if self.bone_is_up() { up } else { -up }) > 0.5
    }
}

/// Draws the plate of a site: the section in grey with the outline, the widths at the levels,
/// the crest and the limits, and the fixture with the walls that it leaves.
///
/// The section is resampled anew in the measured frame: apical runs straight down for the
/// mandible and straight up for the maxilla, the cheek is on the right. A fixture whose walls
/// were read in a section of its own is shown in that section; the widths, which belong to the
/// site's section, then stand beside it without lines.
///
/// # Units
///
/// Millimetres with two decimals; the scale bar is exact to the pixel.
///
/// # Errors
///
/// [`PictureError::Extent`] for bone of more than a metre, [`PictureError::Section`],
/// [`PictureError::NothingScanned`], [`PictureError::Png`].
pub fn draw_plate(input: &PlateInput<'_>) -> Result<Drawing, PictureError> {
    let scene = Scene::of(input);
    let mut canvas = Canvas::default();
    let top = heading(&mut canvas, &scene);
    let area = Rect::new(PICTURE.0, top + 24.0, PICTURE.1, PICTURE_HEIGHT);
    let (least, most) = scene.extent();
    let view = View::fitted(least, most, &area, scene.bone_is_up())?;
    let window = view.window().with_slab_mm(input.slab_mm);
    let image =
        SectionImage::resample(input.volume, scene.bone.frame, &window, input.interpolation)?;
    let grey = match &scene.bone.threshold.levels {
        Some(levels) => GreyWindow::of_levels(levels),
        None => GreyWindow::of_image(&image)?,
    };
    let hatched = put_image(&mut canvas, &image, &view, grey)?;
    let mut places = Places::within(view.frame);
    clipped(&mut canvas, &view.frame, |canvas| {
        section_marks::lines(canvas, &scene, &view);
        if let Some(fit) = input.fit {
            fixture_mark::draw(canvas, fit, &input.required, &view, &mut places);
        }
        section_marks::names(canvas, &scene, &view, &mut places);
    });
    side_names(&mut canvas, &scene, &view);
    let below_picture = key::scale_and_ways(&mut canvas, &scene, &view);
    let below_column = column::widths(&mut canvas, &scene, &view, COLUMN);
    let below_panel = panel::draw(&mut canvas, &scene, Spot::new(PANEL.0, area.y - 8.0), PANEL.1);
    let y = below_picture.max(below_column).max(below_panel) + 18.0;
    let bottom = key::foot(&mut canvas, &scene, hatched, y.max(key::FOOT_TOP));
    let title = format!("Site {}: cross-section of the {}", input.site_id, input.arch.as_str());
    Ok(Drawing::new(canvas.into_svg(PAGE.0, (bottom + 20.0).max(PAGE.1), &title)))
}

/// Draws only what falls inside `frame`.
pub(crate) fn clipped(canvas: &mut Canvas, frame: &Rect, draw: impl FnOnce(&mut Canvas)) {
    let [x, y, w, h] = [frame.x, frame.y, frame.width, frame.height].map(super::canvas::num);
    canvas.raw(&format!(
        "<defs><clipPath id=\"picture\"><rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"/></clipPath></defs>\n<g clip-path=\"url(#picture)\">"
    ));
    draw(canvas);
    canvas.raw("</g>");
}

fn heading(canvas: &mut Canvas, scene: &Scene<'_>) -> f64 {
    let input = scene.input;
    let mut y = MARGIN + 18.0;
    for line in wrapped_short(&showable(input.site_id), PAGE.0 - 2.0 * MARGIN, 25.0, true, 2) {
        canvas.text(Spot::new(MARGIN, y), &line, Type::bold(25.0));
        y += 31.0;
    }
    let tooth = input.tooth.map_or(String::new(), |t| format!("tooth {t}, "));
    let what = if scene.own {
        "section through the axis of the fixture, which is not the site's own section"
    } else {
        "cross-section of the ridge"
    };
    let line =
        format!("{tooth}{}, {}: {what}", input.arch.as_str(), words::side_of_mouth(input.side));
    let line = words::capital(&showable(&line));
    for line in wrapped_short(&line, PAGE.0 - 2.0 * MARGIN, 14.0, false, 2) {
        canvas.text(Spot::new(MARGIN, y - 7.0), &line, Type::quiet(14.0));
        y += 18.0;
    }
    let rule = Line::plain(HAIR, 1.0);
    canvas.line(Spot::new(MARGIN, y - 8.0), Spot::new(PAGE.0 - MARGIN, y - 8.0), rule);
    y + 8.0
}

fn side_names(canvas: &mut Canvas, scene: &Scene<'_>, view: &View) {
    let sides = scene.sides;
    let y = view.frame.y - 8.0;
    let inner = format!("← {} ({})", sides.inner, sides.inner_plain);
    let outer = format!("{} ({}) →", sides.outer, sides.outer_plain);
    debug_assert!(
        text_width(&inner, 13.0, true) + text_width(&outer, 13.0, true) < view.frame.width
    );
    canvas.text(Spot::new(view.frame.x, y), &inner, Type::bold(13.0));
    canvas.text(Spot::new(view.frame.right(), y), &outer, Type::bold(13.0).anchored("end"));
}
