//! The surface of a ridge's bone, walls all round a fixture and clearances as numbers, for checks against
//! outside libraries.
//!
//! `surface_dump` writes one JSON document to standard output: a ridge whose section is two semicircles of
//! one radius with straight walls between, scanned without noise; the net of its surface with distances
//! from places in and around it; the walls of a fixture; distances of a fixture from a root and from
//! another fixture.

use std::error::Error;
use std::io::Write;

use jawgauge_bone::{BoneSurface, Facing, MeasureOptions, OrientedBox, measure_site};
use jawgauge_fixture::{FixtureSolid, Pose, Shape, space_walls};
use jawgauge_phantom::{
    Cortex, CrossSection, GridOptions, Noise, Profile, Ridge, RidgeLook, SoftTissue, Storage,
    render,
};
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::Rescale;
use serde_json::json;

const RADIUS_MM: f64 = 4.0;
const HEIGHT_MM: f64 = 18.0;

fn main() -> Result<(), Box<dyn Error>> {
    let section =
        CrossSection::new(Profile::Rounded { radius_mm: RADIUS_MM, height_mm: HEIGHT_MM })?
            .with_cortex(Cortex::even(1.2))?
            .with_soft_tissue(SoftTissue::Everywhere)?;
    let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
    let apical = PatientVector::new(0.0, 0.0, -1.0);
    let lingual = PatientPoint::new(0.0, 0.0, 0.0);
    let ridge = Ridge::straight(section, at(3.0), at(-3.0), apical, lingual, RidgeLook::default())?;
    let grid = GridOptions::default()
        .with_shift_voxels([0.2, 0.7, 0.4])
        .with_turn(PatientVector::new(2.0, -1.0, 3.0), 25.0)
        .with_margin_mm(8.0);
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    let volume = render(ridge.grid(&grid)?, Storage::Unsigned, rescale, Noise::none(), |p| {
        ridge.grey_at(p)
    })?;
    let axis = RidgeAxis::through(&ridge.axis_points(5))?;
    let place = axis.at_station(0.5 * axis.length_mm())?;
    let frame = section_frame(&axis, place, apical, Some(lingual))?.frame;
    let options = MeasureOptions::default();
    let bone = measure_site(&volume, frame, place.point, &[], &options)?.bone;
    let crest = bone.crest.apical_mm;
    let region = OrientedBox {
        frame: bone.frame,
        least_mm: [-6.5, crest - 2.0, -7.0],
        most_mm: [6.5, crest + 20.0, 7.0],
    };
    let surface = BoneSurface::around(&volume, &bone, &region)?;
    let (points, triangles) = surface.net();

    let queries: Vec<_> = (0..400_u32)
        .filter_map(|n| {
            let share = |by: u32| f64::from(n * by % 401) / 401.0;
            let at =
                [-5.0 + 10.0 * share(7), crest + 1.0 + 11.0 * share(31), -3.0 + 6.0 * share(101)];
            let p = region.place(at);
            let found = surface.nearest(p, Facing::Any)?;
            Some(json!({"at": p.to_array(), "mm": found.distance_mm}))
        })
        .collect();

    let solid = FixtureSolid::tapered(4.2, 3.0, 10.0)?;
    let lean = PatientVector::new(0.12, -0.08, -1.0).direction()?;
    let pose = Pose { platform: PatientPoint::new(-20.6, 0.3, -1.2), apical: lean };
    let walls = space_walls(&surface, &bone, &solid, &pose);
    let cells: Vec<_> = walls
        .map
        .cells
        .iter()
        .filter_map(|c| Some(json!({"from": c.from.to_array(), "mm": c.to_surface_mm?})))
        .collect();

    let cylinder = FixtureSolid::cylinder(4.0, 10.0)?;
    let ends = [PatientPoint::new(-15.0, 5.0, 2.0), PatientPoint::new(-18.0, 4.0, -12.0)];
    let root = Shape::root(ends, [5.0, 5.0]);
    let beside = Pose {
        platform: PatientPoint::new(-13.5, -4.0, -0.5),
        apical: PatientVector::new(-0.3, 0.1, -1.0).direction()?,
    };
    let other = FixtureSolid::cylinder(3.5, 9.0)?;
    let document = json!({
        "ridge": {
            "crest": ridge.crest_at(3.0).to_array(), "radius_mm": RADIUS_MM, "height_mm": HEIGHT_MM,
            "along": frame.mesial().to_array(), "across": frame.buccal().to_array(),
            "apical": frame.apical().to_array(),
        },
        "points": points.iter().map(|p| p.to_array()).collect::<Vec<_>>(),
        "triangles": triangles,
        "queries": queries,
        "cells": cells,
        "fixture": {
            "platform": pose.platform.to_array(), "apical": pose.apical.to_array(),
            "diameter_mm": 4.0, "length_mm": 10.0,
        },
        "root": {
            "ends": ends.map(PatientPoint::to_array), "diameter_mm": 5.0,
            "mm": root.clearance_mm(&cylinder, &pose),
        },
        "other": {
            "platform": beside.platform.to_array(), "apical": beside.apical.to_array(),
            "diameter_mm": 3.5, "length_mm": 9.0,
            "mm": Shape::Fixture { solid: other, pose: beside }.clearance_mm(&cylinder, &pose),
        },
    });
    let mut out = std::io::stdout().lock();
    out.write_all(serde_json::to_string(&document)?.as_bytes())?;
    Ok(())
}
