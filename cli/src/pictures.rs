//! One plate for each site and a locator, as SVG and PNG.

use std::path::Path;

use jawgauge_fixture::{SiteFit, WallMap};
use jawgauge_report::documents::wall_rows;
use jawgauge_report::picture::{
    Drawing, LocatorInput, LocatorSite, PictureError, PlateInput, WallMapInput, draw_locator,
    draw_plate, draw_wall_map,
};

use crate::error::{CliError, exit, quoted};
use crate::output::{Outputs, slug};
use crate::session::Session;
use crate::tables::{cell, csv};

/// Adds the pictures of a measured case to what is to be written into `dir`; `found` holds each
/// site's fixtures, or is empty. A plate shows the best of them.
pub(crate) fn add(
    outputs: &mut Outputs,
    dir: &Path,
    session: &Session,
    found: &[SiteFit],
) -> Result<(), CliError> {
    let mut sites = Vec::new();
    let teeth: Vec<Option<String>> = session.measured().map(|s| s.tooth()).collect();
    for (index, (site, tooth)) in session.measured().zip(&teeth).enumerate() {
        let id = &site.site.id;
        let drawing = session.parts.with_enough(Some(site.part), |volume| {
            draw_plate(&PlateInput {
                site_id: id,
                tooth: tooth.as_deref(),
                arch: session.case.arch,
                side: site.frame.side,
                volume,
                measure: &site.measure,
                fit: found.get(index).and_then(|f| f.fits.first()),
                interpolation: site.options.interpolation,
                slab_mm: site.options.slab_mm,
                required: session.case.required,
            })
        })?;
        let drawing = drawing.map_err(|e| failed(id, &e))?;
        // Numbered by place in the case, so that ids that differ only in signs stay apart.
        let number = session.case.sites.iter().position(|s| s.id == *id).unwrap_or(index) + 1;
        let stem = format!("site-{number}-{}", slug(id));
        add_both(outputs, dir, &stem, &drawing).map_err(|e| failed(id, &e))?;
        if let Some(fit) = found.get(index).and_then(|f| f.fits.first()) {
            let walls = session.parts.with_enough(Some(site.part), |volume| {
                draw_wall_map(&WallMapInput {
                    site_id: id,
                    volume,
                    fit,
                    bone: &site.measure.bone,
                    across_at_mm: 0.5 * fit.solid.length_mm(),
                    required: session.case.required,
                })
            })?;
            if let Some(walls) = walls.map_err(|e| failed(id, &e))? {
                let stem = format!("{}-walls", stem.trim_end_matches('-'));
                add_both(outputs, dir, &stem, &walls).map_err(|e| failed(id, &e))?;
            }
            if let Some(space) = &fit.space {
                let name = format!("{}-walls.csv", stem.trim_end_matches('-'));
                outputs.add(dir.join(name), wall_map_csv(&space.map));
            }
        }
        sites.push(LocatorSite {
            id,
            tooth: tooth.as_deref(),
            station_mm: site.frame.place.station_mm,
            frame: site.measure.bone.frame,
        });
    }
    if sites.is_empty() {
        return Ok(());
    }
    let drawing = session.parts.with_enough(None, |volume| {
        draw_locator(&LocatorInput {
            volume,
            axis: &session.axis,
            apical: session.case.apical,
            arch: session.case.arch,
            sites: &sites,
            place_known: session.parts.scan().facts().place_known,
        })
    })?;
    let drawing = drawing.map_err(|e| failed("locator", &e))?;
    add_both(outputs, dir, "locator", &drawing).map_err(|e| failed("locator", &e))
}

/// Walls by angle and depth, one a row; empty where there is none.
fn wall_map_csv(map: &WallMap) -> Vec<u8> {
    let header = ["angle_deg", "depth_mm", "wall_mm", "u95_mm", "at_x_mm", "at_y_mm", "at_z_mm"];
    let rows = wall_rows(map).into_iter().map(|row| {
        let at = |axis: usize| cell(row.at.map(|p| p[axis]));
        vec![
            row.angle_deg.to_string(),
            row.depth_mm.to_string(),
            cell(row.wall_mm),
            cell(row.u95_mm),
            at(0),
            at(1),
            at(2),
        ]
    });
    csv(std::iter::once(header.map(str::to_owned).to_vec()).chain(rows))
}

fn add_both(
    outputs: &mut Outputs,
    dir: &Path,
    stem: &str,
    drawing: &Drawing,
) -> Result<(), PictureError> {
    let stem = stem.trim_end_matches('-');
    outputs.add(dir.join(format!("{stem}.png")), drawing.png()?);
    outputs.add(dir.join(format!("{stem}.svg")), drawing.svg());
    Ok(())
}

fn failed(what: &str, error: &PictureError) -> CliError {
    CliError::new(
        exit::OTHER,
        "picture",
        error.to_string(),
        quoted(what),
        "leave --out away to get the figures alone",
    )
}
