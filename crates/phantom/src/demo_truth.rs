use jawgauge_space::{PatientDir, PatientPoint};

use crate::ridge::Ridge;
use crate::ridge_error::RidgeError;
use crate::shapes_view::PlateSide;

/// What there is to be found in the demonstration jaw, exactly.
///
/// Widths and heights are measured along the ridge's own long axis, the straight line
/// through the mid-points of its widths.
#[derive(Debug, Clone, PartialEq)]
pub struct DemoTruth {
    /// Places of the ridge axis, patient right to left.
    pub axis: Vec<PatientPoint>,
    /// A place on the tongue's side.
    pub lingual_side: PatientPoint,
    /// The case's apical direction.
    pub apical: PatientDir,
    /// The place of the missing tooth on the ridge axis.
    pub at: PatientPoint,
    /// Its station on the arc, mm.
    pub station_mm: f64,
    /// The ridge's own long axis in the section of the site, from crest to base.
    pub own_axis: PatientDir,
    /// Angle from the apical direction to the ridge's own axis, degrees, positive where the
    /// base lies to the cheek.
    pub lean_deg: f64,
    /// The crest in the section of the site.
    pub crest: PatientPoint,
    /// Crest to base.
    pub bone_height_mm: f64,
    /// Widths at the levels.
    pub widths: Vec<DemoWidth>,
    /// Centre line of the canal of the mandibular nerve, patient right to left.
    pub canal_centre: Vec<PatientPoint>,
    /// Its roof line: the place nearest to the crest, section by section.
    pub canal_roof: Vec<PatientPoint>,
    /// Its radius, mm.
    pub canal_radius_mm: f64,
    /// Crest to the canal's roof.
    pub canal_height_mm: f64,
    /// The teeth on either side of the gap: mesial, then distal.
    pub neighbours: [DemoNeighbour; 2],
    /// Free space between the crowns, contact to contact, along a straight line, mm.
    pub gap_mm: f64,
}

/// The ridge's width at a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DemoWidth {
    /// Depth below the crest, mm.
    pub level_mm: f64,
    /// The width, mm.
    pub width_mm: f64,
    /// Its buccal end.
    pub buccal: PatientPoint,
    /// Its lingual end.
    pub lingual: PatientPoint,
    /// Buccal plate along the line of the width, `None` where it meets no marrow.
    pub buccal_plate_mm: Option<f64>,
    /// Lingual plate along the line of the width, `None` where it meets no marrow.
    pub lingual_plate_mm: Option<f64>,
    /// Buccal plate along the normal of the bone's surface.
    pub buccal_plate_normal_mm: Option<f64>,
    /// Lingual plate along the normal of the bone's surface.
    pub lingual_plate_normal_mm: Option<f64>,
}

/// A tooth beside the gap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DemoNeighbour {
    /// ISO 3950 number.
    pub tooth: &'static str,
    /// The root nearest to the gap: centre of its neck.
    pub neck: PatientPoint,
    /// Its apex.
    pub apex: PatientPoint,
    /// Its diameter at the neck, mm. It tapers from there.
    pub root_diameter_mm: f64,
    /// Where enamel meets root on the side of the gap.
    pub cej: PatientPoint,
    /// Where the crown would touch a tooth in the gap.
    pub contact: PatientPoint,
}

/// The exact width at each level in the section at a station.
pub(crate) fn widths(ridge: &Ridge, station_mm: f64, levels_mm: &[f64]) -> Vec<DemoWidth> {
    let view = ridge.section().along_own_axis();
    let width = |&level_mm: &f64| {
        let (lingual, buccal) = view.ends(level_mm)?;
        Some(DemoWidth {
            level_mm,
            width_mm: view.width_mm(level_mm)?,
            buccal: ridge.place(station_mm, buccal),
            lingual: ridge.place(station_mm, lingual),
            buccal_plate_mm: view.plate_mm(PlateSide::Buccal, level_mm),
            lingual_plate_mm: view.plate_mm(PlateSide::Lingual, level_mm),
            buccal_plate_normal_mm: view.plate_normal_mm(PlateSide::Buccal, level_mm),
            lingual_plate_normal_mm: view.plate_normal_mm(PlateSide::Lingual, level_mm),
        })
    };
    levels_mm.iter().filter_map(width).collect()
}

/// A place in the shape's own axes (across to the cheek, depth) at a station.
pub(crate) fn own_place(ridge: &Ridge, station: f64, across: f64, depth: f64) -> PatientPoint {
    ridge.place(station, ridge.section().section_point(across, depth))
}

/// A line along the ridge at a place of the shape, with the points of `stations`.
pub(crate) fn along(ridge: &Ridge, stations: &[f64], across: f64, depth: f64) -> Vec<PatientPoint> {
    stations.iter().map(|&s| own_place(ridge, s, across, depth)).collect()
}

/// Where a tooth meets the gap: `toward` is a place in the gap, sizes as built.
pub(crate) fn neighbour(
    tooth: &'static str,
    neck: PatientPoint,
    axis: PatientDir,
    size: crate::demo_teeth::RootSize,
    toward: PatientPoint,
) -> Result<DemoNeighbour, RidgeError> {
    let side = (toward - neck).perpendicular_to(axis).direction()?;
    Ok(DemoNeighbour {
        tooth,
        neck,
        apex: neck + axis * size.length,
        root_diameter_mm: 2.0 * size.neck_radius,
        cej: neck + side * size.neck_radius,
        contact: neck - axis * size.contact_height + side * size.crown_radius,
    })
}
