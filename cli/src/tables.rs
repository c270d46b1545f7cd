//! Aligned tables for the terminal, and the same as CSV.

use std::fmt::Write;

use comfy_table::{CellAlignment, ContentArrangement, Table, presets};
use jawgauge_bone::{BlurSource, Measured, Plate, ThresholdSource, Unmeasured};
use jawgauge_fixture::{
    Clearance, ClearanceKind, Fit, NoWall, SiteFit, SpaceWall, SpaceWalls, Wall,
};
use jawgauge_report::documents::{FitDocument, MeasureDocument, WarningEntry};
use jawgauge_section::PatientSide;

use crate::case::Arch;
use crate::error::plain;
use crate::session::{MeasuredSite, Session};
use crate::warn::limit_name;

/// Columns of text, the first aligned left, the others right.
pub(crate) fn aligned(headers: &[&str], rows: &[Vec<String>]) -> String {
    aligned_with(headers, rows, &[0])
}

/// Columns of text, those named by their place aligned left, the others right.
pub(crate) fn aligned_with(headers: &[&str], rows: &[Vec<String>], left: &[usize]) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(headers.iter().map(|h| (*h).to_owned()).collect::<Vec<_>>());
    for row in rows {
        table.add_row(row.clone());
    }
    for (index, column) in table.column_iter_mut().enumerate() {
        column.set_cell_alignment(if left.contains(&index) {
            CellAlignment::Left
        } else {
            CellAlignment::Right
        });
    }
    table.lines().map(|line| format!("  {}\n", line.trim_end())).collect()
}

fn with_uncertainty(m: &Measured) -> String {
    format!("{:.2} ± {:.2}", m.mm, m.u95_mm)
}

/// A plate: a number, a range, or nothing.
fn plate_words(plate: Option<&Result<Plate, Unmeasured>>) -> String {
    match plate {
        Some(Ok(Plate::Thickness(m))) => with_uncertainty(m),
        Some(Ok(Plate::Between { low_mm, high_mm })) => {
            format!("between {low_mm:.2} and {high_mm:.2}")
        }
        _ => "-".to_owned(),
    }
}

fn side_words(side: PatientSide) -> &'static str {
    match side {
        PatientSide::Right => "patient's right",
        PatientSide::Left => "patient's left",
        PatientSide::Front => "front",
        PatientSide::Unknown => "side not known",
    }
}

/// What the tongue's side is called in a jaw.
pub(crate) fn lingual_word(arch: Arch) -> &'static str {
    match arch {
        Arch::Maxilla => "palatal",
        Arch::Mandible => "lingual",
    }
}

fn title(site: &MeasuredSite) -> String {
    let tooth = site.tooth().map_or(String::new(), |t| format!(" (tooth {t})"));
    format!(
        "{}{tooth}, {}, station {:.2} mm\n",
        plain(&site.site.id),
        side_words(site.frame.side),
        site.frame.place.station_mm
    )
}

/// The scan's blur at a site, how sure it is, and where it comes from.
fn blur_words(site: &MeasuredSite) -> String {
    let Some(blur) = site.measure.bone.blur() else {
        // With a given threshold no wall is fitted.
        return format!("blur about {:.2} mm", site.measure.bone.quality.blur_fwhm_mm);
    };
    let along_z = if (blur.along_z_mm - blur.in_plane_mm).abs() > 1e-9 {
        format!(" in the slices, {:.2} mm across them", blur.along_z_mm)
    } else {
        String::new()
    };
    let from = match blur.source {
        BlurSource::Given => "given",
        BlurSource::Edges => "from edges of thick cortex",
        BlurSource::ThinEdges => "from thin walls, which hardly tell it",
        BlurSource::Slope => "guessed from the slope of the outline",
    };
    let u95_mm = 2.0 * blur.u_mm;
    format!(
        "blur {:.2} ± {u95_mm:.2} mm{along_z} (full width at half maximum, {from})",
        blur.in_plane_mm
    )
}

/// One site's measurements.
pub(crate) fn site_measures(session: &Session, site: &MeasuredSite) -> String {
    let bone = &site.measure.bone;
    let unit = if session.case.calibrated_hu { "HU" } else { "grey value" };
    let mut text = title(site);
    let found = bone.threshold;
    let how = match (found.source, found.levels) {
        (ThresholdSource::HalfWay, Some(l)) => {
            format!("half-way between {:.0} outside and {:.0} in the cortex", l.outside, l.cortex)
        }
        (ThresholdSource::Given, Some(l)) => {
            format!("given; half-way would be {:.0}", l.half_way())
        }
        _ => "given".to_owned(),
    };
    let _ = writeln!(text, "  edge of bone at {unit} {:.0} ({how})", found.grey);
    let _ = writeln!(text, "  voxels {:.2} mm; {}", bone.quality.voxel_mm, blur_words(site));
    let _ = writeln!(
        text,
        "  ridge leans {:.1}° to the {}",
        bone.turned_by_deg.abs(),
        if bone.turned_by_deg >= 0.0 { "buccal" } else { lingual_word(session.case.arch) },
    );
    let rows: Vec<Vec<String>> = site
        .measure
        .levels_mm
        .iter()
        .zip(&site.measure.widths)
        .enumerate()
        .map(|(n, (level, width))| {
            let width = width
                .as_ref()
                .map_or_else(|_| "not measured".to_owned(), |w| with_uncertainty(&w.width));
            let plates = site.measure.widths[n].as_ref().ok();
            vec![
                format!("{level:.2}"),
                width,
                plate_words(plates.map(|w| &w.buccal_plate)),
                plate_words(plates.map(|w| &w.lingual_plate)),
            ]
        })
        .collect();
    let lingual = format!("{} plate, mm", lingual_word(session.case.arch));
    let headers = ["below crest, mm", "width, mm", "buccal plate, mm", &lingual];
    text.push_str(&aligned(&headers, &rows));
    let height =
        site.measure.height.as_ref().map_or_else(|_| "not measured".to_owned(), with_uncertainty);
    let mut rows = vec![vec!["bone height".to_owned(), height, String::new(), String::new()]];
    for limit in &site.measure.limits {
        rows.push(vec![
            format!("to the {}", limit_name(limit.kind)),
            limit.height.as_ref().map_or_else(|_| "not measured".to_owned(), with_uncertainty),
            format!("{:.2}", limit.keep_mm),
            limit.usable_mm().map_or_else(|| "-".to_owned(), |u| format!("{u:.2}")),
        ]);
    }
    text.push_str(&aligned(&["from the crest", "height, mm", "to keep, mm", "usable, mm"], &rows));
    text
}

/// One site's fixtures.
pub(crate) fn site_fits(
    session: &Session,
    site: &MeasuredSite,
    found: &SiteFit,
    answer: &str,
) -> String {
    let mut text = title(site);
    let _ = writeln!(text, "  {answer}");
    if found.fits.is_empty() {
        return text;
    }
    let rows: Vec<Vec<String>> = found
        .fits
        .iter()
        .map(|fit| {
            vec![
                plain(&fit.fixture),
                fit.verdict.as_str().to_owned(),
                all_round(fit, |s| &s.buccal).unwrap_or_else(|| wall_words(&fit.walls.buccal)),
                all_round(fit, |s| &s.lingual).unwrap_or_else(|| wall_words(&fit.walls.lingual)),
                all_round(fit, |s| &s.apex)
                    .and_then(|w| w.split(" at ").next().map(str::to_owned))
                    .unwrap_or_else(|| apex_words(&fit.walls.apex)),
                nearest(fit),
                shown_deg(fit.leans_deg[0]),
                shown_deg(fit.leans_deg[1]),
            ]
        })
        .collect();
    // A column of noughts tells nothing.
    let in_section = found.fits.iter().all(|fit| shown_deg(fit.leans_deg[1]) == "0.0");
    let lingual = format!("{} wall, mm", lingual_word(session.case.arch));
    let headers = [
        "fixture",
        "verdict",
        "buccal wall, mm",
        &lingual,
        "below apex, mm",
        "least clearance, mm",
        "apex to buccal, °",
        "to mesial, °",
    ];
    let columns = headers.len() - usize::from(in_section);
    let rows: Vec<Vec<String>> = rows.into_iter().map(|row| row[..columns].to_vec()).collect();
    text.push_str(&aligned(&headers[..columns], &rows));
    text
}

/// An angle to a tenth of a degree, without a sign where that is nought.
fn shown_deg(deg: f64) -> String {
    let shown = format!("{deg:.1}");
    if shown == "-0.0" { "0.0".to_owned() } else { shown }
}

/// The least wall of a side all round, where it was read.
fn all_round(fit: &Fit, pick: fn(&SpaceWalls) -> &Result<SpaceWall, NoWall>) -> Option<String> {
    let wall = pick(fit.space.as_ref()?).as_ref().ok()?;
    Some(format!("{:.2} ± {:.2} at {:.1}", wall.wall_mm, wall.u95_mm, wall.depth_mm))
}

fn wall_words(wall: &Result<Wall, NoWall>) -> String {
    match wall {
        Ok(w) => format!("{:.2} ± {:.2} at {:.1}", w.wall_mm, w.u95_mm, w.depth_mm),
        Err(why) => no_wall(*why).to_owned(),
    }
}

fn apex_words(wall: &Result<Wall, NoWall>) -> String {
    match wall {
        Ok(w) => format!("{:.2} ± {:.2}", w.wall_mm, w.u95_mm),
        Err(why) => no_wall(*why).to_owned(),
    }
}

fn no_wall(why: NoWall) -> &'static str {
    match why {
        NoWall::AtCrest => "at the crest",
        NoWall::NoBone => "no bone",
        NoWall::Clipped(_) => "cut off",
    }
}

/// What a clearance is to.
pub(crate) fn clearance_to(c: &Clearance) -> String {
    let name = plain(c.tooth.as_deref().unwrap_or_default());
    match c.kind {
        ClearanceKind::Limit(kind) => limit_name(kind).to_owned(),
        ClearanceKind::Tooth => format!("root {name}"),
        ClearanceKind::Fixture => format!("fixture at {name}"),
        ClearanceKind::Metal => name,
    }
}

/// The clearance with the least margin.
fn nearest(fit: &Fit) -> String {
    fit.clearances
        .iter()
        .min_by(|a, b| {
            (a.clearance_mm - a.required_mm).total_cmp(&(b.clearance_mm - b.required_mm))
        })
        .map_or_else(
            || "-".to_owned(),
            |c| {
                let to = clearance_to(c);
                format!("{:.2} ± {:.2} to {to}", c.clearance_mm, c.u95_mm)
            },
        )
}

/// Warnings, one a line, those that several sites share once.
pub(crate) fn warning_lines(place: &str, warnings: &[WarningEntry]) -> Vec<String> {
    warnings
        .iter()
        .map(|w| {
            let place = if place.is_empty() { String::new() } else { format!("{place}: ") };
            format!("warning[{}]: {place}{}", w.code, w.message)
        })
        .collect()
}

pub(crate) fn csv(rows: impl IntoIterator<Item = Vec<String>>) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        // Writing to memory cannot fail, and all rows have one length.
        let _ = writer.write_record(&row);
    }
    writer.into_inner().unwrap_or_default()
}

pub(crate) fn cell(value: Option<f64>) -> String {
    value.map_or(String::new(), |v| v.to_string())
}

/// Widths of all sites, one a row.
pub(crate) fn widths_csv(document: &MeasureDocument) -> Vec<u8> {
    let header = [
        "site",
        "tooth",
        "station_mm",
        "level_mm",
        "width_mm",
        "u95_mm",
        "at_least_mm",
        "buccal_plate_mm",
        "buccal_plate_u95_mm",
        "buccal_plate_low_mm",
        "buccal_plate_high_mm",
        "lingual_plate_mm",
        "lingual_plate_u95_mm",
        "lingual_plate_low_mm",
        "lingual_plate_high_mm",
    ];
    let rows = document.sites.iter().flat_map(|site| {
        site.widths.iter().map(|w| {
            vec![
                site.id.clone(),
                site.tooth.clone().unwrap_or_default(),
                site.station_mm.to_string(),
                w.level_mm.to_string(),
                cell(w.width_mm),
                cell(w.u95_mm),
                cell(w.at_least_mm),
                cell(w.buccal_plate_mm),
                cell(w.buccal_plate_u95_mm),
                cell(w.buccal_plate_range_mm.map(|r| r[0])),
                cell(w.buccal_plate_range_mm.map(|r| r[1])),
                cell(w.lingual_plate_mm),
                cell(w.lingual_plate_u95_mm),
                cell(w.lingual_plate_range_mm.map(|r| r[0])),
                cell(w.lingual_plate_range_mm.map(|r| r[1])),
            ]
        })
    });
    csv(std::iter::once(header.map(str::to_owned).to_vec()).chain(rows))
}

/// Heights of all sites, one a row.
pub(crate) fn heights_csv(document: &MeasureDocument) -> Vec<u8> {
    let header = ["site", "tooth", "to", "height_mm", "u95_mm", "keep_mm", "usable_mm"];
    let rows = document.sites.iter().flat_map(|site| {
        let tooth = site.tooth.clone().unwrap_or_default();
        let bone = vec![
            site.id.clone(),
            tooth.clone(),
            "bone-end".to_owned(),
            cell(site.bone_height_mm),
            cell(site.bone_height_u95_mm),
            String::new(),
            String::new(),
        ];
        let limits = site.limits.iter().map(move |l| {
            vec![
                site.id.clone(),
                tooth.clone(),
                l.kind.to_owned(),
                cell(l.height_mm),
                cell(l.u95_mm),
                l.keep_mm.to_string(),
                cell(l.usable_mm),
            ]
        });
        std::iter::once(bone).chain(limits)
    });
    csv(std::iter::once(header.map(str::to_owned).to_vec()).chain(rows))
}

/// Walls of all fixtures at all depths, one a row.
pub(crate) fn walls_csv(document: &FitDocument) -> Vec<u8> {
    let header = ["site", "fixture", "verdict", "depth_mm", "level_mm", "buccal_mm", "lingual_mm"];
    let rows = document.sites.iter().flat_map(|site| {
        site.fits.iter().flat_map(move |fit| {
            fit.section_walls.iter().map(move |w| {
                vec![
                    site.id.clone(),
                    fit.fixture.clone(),
                    fit.verdict.to_owned(),
                    w.depth_mm.to_string(),
                    w.level_mm.to_string(),
                    cell(w.buccal_mm),
                    cell(w.lingual_mm),
                ]
            })
        })
    });
    csv(std::iter::once(header.map(str::to_owned).to_vec()).chain(rows))
}
