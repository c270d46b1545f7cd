//! A volume in lines for the terminal.

use jawgauge_bone::{GreySurvey, Landmark, NoLandmark, ScanBlur, StepKind};
use jawgauge_intake::{Scan, SkipReason, Skipped};
use jawgauge_report::documents::VolumeEntry;

use super::names;

/// Shear above this is told, degrees.
const SHEAR_DEG: f64 = 0.05;

/// All that is told of a volume.
pub(super) fn of_volume(
    scan: &Scan,
    survey: &GreySurvey,
    blur: Option<&ScanBlur>,
    entry: &VolumeEntry,
) -> String {
    let mut text = format!("series {}\n", entry.series);
    let rows = coding(scan).into_iter().chain(geometry(scan, entry));
    for (name, value) in
        rows.chain(greys(survey, entry)).chain([blur_row(blur)]).chain(patient(scan))
    {
        text.push_str(&format!("  {name:<20}{value}\n"));
    }
    text
}

type Row = (&'static str, String);

fn coding(scan: &Scan) -> Vec<Row> {
    let facts = &scan.facts;
    let sign = if facts.signed { "signed" } else { "unsigned" };
    let files = if facts.files == 1 { "1 file" } else { &format!("{} files", facts.files) };
    vec![
        ("object", names::object(&facts.sop_class)),
        ("transfer syntax", names::syntax(&facts.transfer_syntax)),
        ("stored", format!("{} bit, {sign}", facts.bits_stored)),
        ("files", format!("{files} with {} slices", facts.slices)),
        ("left out", left_out(&facts.skipped)),
    ]
}

fn left_out(skipped: &Skipped) -> String {
    if skipped.is_empty() {
        return "no file".to_owned();
    }
    let one = |(reason, files): (&SkipReason, &usize)| {
        let reason = match reason {
            SkipReason::NotDicom => "no DICOM",
            SkipReason::Archive => "archives, to be given by themselves",
            SkipReason::Empty => "empty",
            SkipReason::Hidden => "hidden",
            SkipReason::Directory => "DICOM directory",
            SkipReason::OtherObject(uid) => return format!("{files} no image of a scan ({uid})"),
            SkipReason::DeadLink => "links that lead nowhere",
            SkipReason::OtherSeries => "of other series",
            SkipReason::Localizer => "localizers",
            _ => "other",
        };
        format!("{files} {reason}")
    };
    skipped.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn geometry(scan: &Scan, entry: &VolumeEntry) -> Vec<Row> {
    let grid = scan.volume.geometry();
    let ([ni, nj, nk], [i, j, k]) = (grid.dims(), grid.spacing_mm());
    let extent = entry.extent_mm.unwrap_or_default();
    let mut rows = vec![
        ("voxels", format!("{ni} x {nj} x {nk}")),
        ("voxel steps", format!("{i:.4} x {j:.4} x {k:.4} mm")),
        ("extent", format!("{:.1} x {:.1} x {:.1} mm", extent[0], extent[1], extent[2])),
    ];
    let lies = if scan.facts.place_known {
        let [i, j, k] = grid.affine().steps().map(names::way);
        format!("columns count to the {i}, rows to the {j}, slices to the {k}")
    } else {
        "not told by the files: sides are not known".to_owned()
    };
    rows.push(("orientation", lies));
    if let Some(deg) = entry.shear_deg.filter(|&deg| deg > SHEAR_DEG) {
        rows.push(("shear", format!("{deg:.1}° between the stack and the normal of its slices")));
    }
    let limit = entry.wall_limit_mm.unwrap_or_default();
    let coarsest = grid.coarsest_mm();
    rows.push((
        "walls",
        format!(
            "voxels of {coarsest:.2} mm: walls under {limit:.1} mm are near the limit (common practice)"
        ),
    ));
    rows
}

fn greys(survey: &GreySurvey, entry: &VolumeEntry) -> Vec<Row> {
    let width = survey.usual_range.map_or(0.0, |(low, high)| high - low);
    let grey = |grey: f64| grey_value(grey, width);
    let range = |range: Option<[f64; 2]>| {
        range.map_or("none".to_owned(), |[low, high]| format!("{} to {}", grey(low), grey(high)))
    };
    let landmark = |landmark: Result<Landmark, NoLandmark>| match landmark {
        Ok(found) => grey(found.grey),
        Err(NoLandmark::OneKind) => "not told from other tissue".to_owned(),
        Err(_) => "no peak".to_owned(),
    };
    let mut rows = vec![
        ("grey values", range(entry.grey_range)),
        ("99.9 % of them", range(entry.grey_usual_range)),
    ];
    match survey.air_or_soft {
        Some(found) => rows.push(("air or soft tissue", grey(found.grey))),
        None => rows
            .extend([("air", landmark(survey.air)), ("soft tissue", landmark(survey.soft_tissue))]),
    }
    rows.push(("bone", landmark(survey.bone)));
    let not_told = || "not told".to_owned();
    let tissue = if survey.air_or_soft.is_some() { "there" } else { "in soft tissue" };
    let noise = survey.noise().map_or_else(not_told, |sd| match sd {
        sd if sd > 0.0 => format!("{} (standard deviation {tissue})", digits(sd)),
        _ => "none".to_owned(),
    });
    rows.push(("noise", noise));
    let ratio = survey
        .contrast_to_noise()
        .map_or_else(not_told, |ratio| format!("{} (bone against soft tissue)", digits(ratio)));
    rows.push(("contrast to noise", ratio));
    let metal = match survey.metal_share.zip(survey.metal_above) {
        None => not_told(),
        Some((share, from)) if share > 0.0 => {
            format!("{} of the voxels, above {}", percent(share), grey(from))
        }
        Some((_, from)) => format!("none seen (above {})", grey(from)),
    };
    rows.push(("metal", metal));
    if let Some(share) = survey.cut_off_share {
        rows.push((
            "cut off",
            format!("{} of the voxels have the highest grey value", percent(share)),
        ));
    }
    if let Some(fill) = survey.fill {
        rows.push(("surroundings", format!("filled with {}, not counted as air", grey(fill))));
    }
    let not_scanned = match survey.not_scanned_share {
        share if share > 0.0 => format!("{} of the voxels", percent(share)),
        _ => "none".to_owned(),
    };
    rows.push(("not scanned", not_scanned));
    rows
}

/// The blur that the scan's clean steps tell.
fn blur_row(blur: Option<&ScanBlur>) -> Row {
    let Some(blur) = blur else {
        return ("blur", "not told: no clean steps between two tissues".to_owned());
    };
    let along_z =
        blur.along_z_mm.map_or(String::new(), |mm| format!(", {mm:.2} mm across the slices"));
    let between = match blur.kind {
        StepKind::Skin => "air to soft tissue",
        StepKind::Bone => "soft tissue to bone",
    };
    let words = format!(
        "{:.2} ± {:.2} mm{along_z} (full width at half maximum, {} steps from {between})",
        blur.in_plane_mm,
        2.0 * blur.u_mm,
        blur.steps
    );
    ("blur", words)
}

/// To a thousandth of the width of the usual range, or a whole number.
fn grey_value(grey: f64, width: f64) -> String {
    // A few places at most.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let places =
        if width > 0.0 { (3.0 - width.log10()).clamp(0.0, 9.0).floor() as usize } else { 0 };
    format!("{grey:.places$}")
}

/// Two digits at least.
fn digits(value: f64) -> String {
    if value < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") }
}

/// Shares that are small but there are not called 0.
fn percent(share: f64) -> String {
    match 100.0 * share {
        p if p < 0.01 => "less than 0.01 %".to_owned(),
        p if p < 1.0 => format!("{p:.2} %"),
        p => format!("{p:.1} %"),
    }
}

fn patient(scan: &Scan) -> Vec<Row> {
    let names = if scan.facts.names_patient { "still named in the files" } else { "not named" };
    let removed = if scan.facts.identity_removed { "said to be" } else { "not said to be" };
    vec![("patient", names.to_owned()), ("identity removed", removed.to_owned())]
}

/// How one of several volumes is chosen; nothing where there is one.
pub(super) fn which_is_measured(volumes: &[VolumeEntry]) -> String {
    let [first, _, ..] = volumes else { return String::new() };
    let shown = volumes.iter().find(|v| v.usable).unwrap_or(first);
    format!(
        "{} volumes: `measure` and `fit` take the one that [scan] of the case names, as in\n  series = \"{}\"\n",
        volumes.len(),
        shown.series
    )
}
