//! The commands.

use std::path::Path;

use jawgauge_fixture::{FitContext, SiteFit, Verdict, fit_site};
use jawgauge_intake::{list_series, read_scan};
use jawgauge_report::documents::{
    CAUTION, FailedEntry, FitDocument, FitSite, InspectDocument, MeasureDocument, ScanEntry,
    VolumeEntry, fit_entry, measure_site_entry,
};
use serde::Serialize;

use crate::answer::answer;
use crate::args::{Cut, FitArgs, InspectArgs, MeasureArgs, Output};
use crate::case::Case;
use crate::error::{CliError, exit};
use crate::output::{Outputs, check_free, is_stdout, note, print};
use crate::pictures;
use crate::session::{MeasuredSite, Session};
use crate::{tables, warn};

/// Version of the program, for documents.
const VERSION: &str = env!("CARGO_PKG_VERSION");

/// `inspect`.
pub(crate) fn inspect(args: &InspectArgs) -> Result<u8, CliError> {
    check_json(args.json.as_deref(), false)?;
    let mut volumes = Vec::new();
    let mut text = String::new();
    for series in list_series(&args.scan)? {
        let (entry, lines) = volume_entry(&args.scan, &series)?;
        text.push_str(&lines);
        volumes.push(entry);
    }
    let unusable = volumes.iter().any(|v| !v.usable);
    let document = InspectDocument {
        schema: "jawgauge/inspect/1",
        version: VERSION,
        volumes,
        caution: CAUTION,
    };
    for volume in &document.volumes {
        for line in tables::warning_lines("", &volume.warnings) {
            note(&line);
        }
    }
    finish(&document, args.json.as_deref(), &text, Outputs::default(), false)?;
    Ok(if unusable { exit::SCAN } else { 0 })
}

fn volume_entry(
    path: &Path,
    series: &jawgauge_intake::SeriesSummary,
) -> Result<(VolumeEntry, String), CliError> {
    let failed = |error: &jawgauge_intake::IntakeError| {
        let entry = VolumeEntry {
            series: series.series_uid.clone(),
            dims: [0, 0, series.slices],
            spacing_mm: [f64::NAN; 3],
            affine: [[f64::NAN; 4]; 4],
            grey_range: None,
            transfer_syntax: String::new(),
            sop_class: String::new(),
            identity_removed: false,
            names_patient: false,
            files: series.slices,
            warnings: vec![jawgauge_report::documents::WarningEntry {
                code: error.code().to_owned(),
                message: error.to_string(),
            }],
            usable: false,
        };
        let text = format!("series {}\n  cannot be measured: {error}\n", series.series_uid);
        Ok((entry, text))
    };
    if let Err(error) = &series.outline {
        return failed(error);
    }
    let scan = match read_scan(path, Some(&series.series_uid)) {
        Ok(scan) => scan,
        Err(error) => return failed(&error),
    };
    let geometry = scan.volume.geometry();
    let (dims, spacing, facts) = (geometry.dims(), geometry.spacing_mm(), &scan.facts);
    let range = scan.volume.grey_range();
    let rows = [
        ("voxels", format!("{} x {} x {}", dims[0], dims[1], dims[2])),
        ("voxel steps", format!("{:.4} x {:.4} x {:.4} mm", spacing[0], spacing[1], spacing[2])),
        (
            "grey values",
            range.map_or("none".to_owned(), |(low, high)| format!("{low:.0} to {high:.0}")),
        ),
        (
            "stored",
            format!(
                "{} bit, {}",
                facts.bits_stored,
                if facts.signed { "signed" } else { "unsigned" }
            ),
        ),
        ("files", facts.files.to_string()),
        (
            "patient",
            if facts.names_patient { "still named in the files" } else { "not named" }.to_owned(),
        ),
        (
            "identity removed",
            if facts.identity_removed { "said to be" } else { "not said to be" }.to_owned(),
        ),
    ];
    let mut text = format!("series {}\n", series.series_uid);
    for (name, value) in rows {
        text.push_str(&format!("  {name:<17}{value}\n"));
    }
    let entry = VolumeEntry {
        series: series.series_uid.clone(),
        dims,
        spacing_mm: spacing.map(nanometres),
        affine: geometry.affine().to_rows().map(|row| row.map(nanometres)),
        grey_range: range.map(|(low, high)| [low, high]),
        transfer_syntax: facts.transfer_syntax.clone(),
        sop_class: facts.sop_class.clone(),
        identity_removed: facts.identity_removed,
        names_patient: facts.names_patient,
        files: facts.files,
        warnings: warn::of_scan(&scan.warnings),
        usable: true,
    };
    Ok((entry, text))
}

/// Without the last digits, which are rounding of the fit to the slices' positions.
fn nanometres(mm: f64) -> f64 {
    (mm * 1e6).round() / 1e6
}

/// `measure`.
pub(crate) fn measure(args: &MeasureArgs) -> Result<u8, CliError> {
    check_output(&args.output)?;
    let session = Session::open(Case::read(&args.case)?, &args.cut)?;
    let document = measure_document(&session);
    let mut text = String::new();
    for site in session.measured() {
        text.push_str(&tables::site_measures(&session, site));
        text.push('\n');
    }
    text.push_str(CAUTION);
    text.push('\n');
    tell(&session);
    let mut outputs = Outputs::default();
    if let Some(dir) = &args.output.out {
        pictures::add(&mut outputs, dir, &session, &[])?;
        outputs.add(dir.join("widths.csv"), tables::widths_csv(&document));
        outputs.add(dir.join("heights.csv"), tables::heights_csv(&document));
    }
    finish(&document, args.output.json.as_deref(), &text, outputs, args.output.force)?;
    Ok(if session.is_complete() { 0 } else { exit::PARTLY })
}

/// `fit`.
pub(crate) fn fit(args: &FitArgs) -> Result<u8, CliError> {
    check_output(&args.output)?;
    let case = Case::read(&args.case)?;
    if case.fixtures.is_empty() {
        let what = "the case has no fixtures";
        let remedy = "add a [[fixture]] with id, diameter_mm and length_mm";
        return Err(CliError::new(
            exit::USAGE,
            "no-fixtures",
            what,
            args.case.display().to_string(),
            remedy,
        ));
    }
    let fitted = fit_case(case, args.platform_depth_mm, &args.cut)?;
    let mut text = String::new();
    for ((site, found), entry) in
        fitted.session.measured().zip(&fitted.found).zip(&fitted.document.sites)
    {
        text.push_str(&tables::site_fits(&fitted.session, site, found, &entry.answer));
        text.push('\n');
    }
    text.push_str(&required_line(&fitted.session));
    text.push_str(CAUTION);
    text.push('\n');
    tell(&fitted.session);
    for failed in fitted.document.failed.iter().filter(|f| f.fixture.is_some()) {
        note(&format!("error[{}]: {}, site {:?}", failed.code, failed.message, failed.id));
    }
    let mut outputs = Outputs::default();
    if let Some(dir) = &args.output.out {
        pictures::add(&mut outputs, dir, &fitted.session, &fitted.found)?;
        outputs.add(dir.join("walls.csv"), tables::walls_csv(&fitted.document));
    }
    finish(&fitted.document, args.output.json.as_deref(), &text, outputs, args.output.force)?;
    let complete = fitted.session.is_complete() && fitted.document.failed.is_empty();
    let met =
        fitted.found.iter().all(|f| f.fits.first().is_some_and(|fit| fit.verdict == Verdict::Met));
    Ok(match (complete, args.require && !met) {
        (false, _) => exit::PARTLY,
        (true, true) => exit::NOT_MET,
        (true, false) => 0,
    })
}

/// A case whose fixtures were put into its sites.
pub(crate) struct Fitted {
    pub(crate) session: Session,
    /// For each measured site.
    pub(crate) found: Vec<SiteFit>,
    pub(crate) document: FitDocument,
}

/// Measures the sites of a case and puts its fixtures into them.
pub(crate) fn fit_case(case: Case, platform_depth_mm: f64, cut: &Cut) -> Result<Fitted, CliError> {
    let session = Session::open(case, cut)?;
    let found: Vec<SiteFit> =
        session.measured().map(|site| fit_measured(&session, site, platform_depth_mm)).collect();
    let sites = session
        .measured()
        .zip(&found)
        .map(|(site, found)| fit_site_entry(&session, site, found))
        .collect();
    let mut failed: Vec<FailedEntry> = failed_sites(&session);
    for (site, found) in session.measured().zip(&found) {
        failed.extend(found.failed.iter().map(|error| failed_fixture(&site.site.id, error)));
    }
    let document = FitDocument {
        schema: "jawgauge/fit/1",
        version: VERSION,
        scan: ScanEntry::new(&session.volume, session.scan_warnings.clone()),
        required: (&session.case.required).into(),
        sites,
        failed,
        caution: CAUTION,
    };
    Ok(Fitted { session, found, document })
}

fn fit_measured(session: &Session, site: &MeasuredSite, platform_depth_mm: f64) -> SiteFit {
    let context = FitContext {
        volume: &session.volume,
        site: site.point,
        options: site.options,
        limits: &site.site.limits,
        neighbours: &site.site.neighbours,
        required: session.case.required,
        pose: site.site.pose,
        platform_depth_mm: site.site.platform_depth_mm.unwrap_or(platform_depth_mm),
    };
    fit_site(&site.measure.bone, &session.case.fixtures, &context)
}

fn fit_site_entry(session: &Session, site: &MeasuredSite, found: &SiteFit) -> FitSite {
    let bone = &site.measure.bone;
    let mut warnings = site.warnings.clone();
    warnings.push(jawgauge_report::documents::WarningEntry {
        code: "mesial-distal-walls-not-measured".to_owned(),
        message:
            "walls towards the neighbours are not measured by this version: read them on the scan"
                .to_owned(),
    });
    FitSite {
        id: site.site.id.clone(),
        tooth: site.tooth(),
        answer: answer(found, &session.case.required),
        fits: found
            .fits
            .iter()
            .map(|f| fit_entry(f, f.own_section.as_deref().unwrap_or(bone)))
            .collect(),
        warnings,
    }
}

fn failed_fixture(site: &str, error: &jawgauge_fixture::FitError) -> FailedEntry {
    use jawgauge_fixture::FitError;
    let (fixture, code, remedy) = match error {
        FitError::NotInBone { fixture } => {
            (Some(fixture), "fixture-not-in-bone", "check the pose or `platform_depth_mm`")
        }
        FitError::Section { fixture, .. } => (Some(fixture), "fixture-section", "check the pose"),
        _ => (None, "fixture", "check the fixture"),
    };
    FailedEntry {
        id: site.to_owned(),
        fixture: fixture.cloned(),
        code: code.to_owned(),
        message: format!("{error}: {remedy}"),
    }
}

fn failed_sites(session: &Session) -> Vec<FailedEntry> {
    session
        .failed()
        .map(|(id, error)| FailedEntry {
            id: id.clone(),
            fixture: None,
            code: error.code.clone(),
            message: error.message(),
        })
        .collect()
}

/// The document of a measured case.
pub(crate) fn measure_document(session: &Session) -> MeasureDocument {
    let sites = session
        .measured()
        .map(|site| {
            let station = site.frame.place.station_mm;
            let tooth = site.tooth();
            let id = &site.site.id;
            measure_site_entry(
                id,
                tooth.as_deref(),
                site.frame.side,
                station,
                &site.measure,
                site.warnings.clone(),
            )
        })
        .collect();
    MeasureDocument {
        schema: "jawgauge/measure/1",
        version: VERSION,
        scan: ScanEntry::new(&session.volume, session.scan_warnings.clone()),
        sites,
        failed: failed_sites(session),
        caution: CAUTION,
    }
}

/// What is asked for, in a line under the tables.
pub(crate) fn required_line(session: &Session) -> String {
    let r = session.case.required;
    format!(
        "Asked for: walls of {:.2} mm buccal and {:.2} mm {}, {:.2} mm to roots. Walls are given with their depth below the platform; mesial and distal walls are not measured yet.\n",
        r.buccal_mm,
        r.lingual_mm,
        tables::lingual_word(session.case.arch),
        r.tooth_mm,
    )
}

/// Warnings and failed sites, on standard error; a warning that several sites share is told once.
pub(crate) fn tell(session: &Session) {
    let mut lines = tables::warning_lines("", &session.scan_warnings);
    let every: Vec<_> = session.measured().collect();
    for site in &every {
        let shared = |w: &&jawgauge_report::documents::WarningEntry| {
            every.iter().all(|s| s.warnings.contains(w))
        };
        let (common, own): (Vec<_>, Vec<_>) = site.warnings.iter().partition(shared);
        for (place, warnings) in [(String::new(), common), (format!("{:?}", site.site.id), own)] {
            let warnings: Vec<_> = warnings.into_iter().cloned().collect();
            for line in tables::warning_lines(&place, &warnings) {
                if !lines.contains(&line) {
                    lines.push(line);
                }
            }
        }
    }
    lines.extend(session.failed().map(|(_, error)| error.to_string()));
    for line in lines {
        note(&line);
    }
}

fn check_output(output: &Output) -> Result<(), CliError> {
    check_json(output.json.as_deref(), output.force)
}

fn check_json(json: Option<&Path>, force: bool) -> Result<(), CliError> {
    match json {
        Some(path) if !is_stdout(path) => check_free(path, force),
        _ => Ok(()),
    }
}

/// Writes all files, then the result to standard output.
fn finish(
    document: &impl Serialize,
    json: Option<&Path>,
    text: &str,
    mut outputs: Outputs,
    force: bool,
) -> Result<(), CliError> {
    let rendered = serde_json::to_string_pretty(document).map(|mut s| {
        s.push('\n');
        s
    });
    let rendered =
        rendered.map_err(|e| CliError::new(exit::OTHER, "document", e.to_string(), "", ""))?;
    match json {
        Some(path) if is_stdout(path) => {
            outputs.write(force)?;
            print(&rendered)
        }
        Some(path) => {
            outputs.add(path.to_owned(), rendered);
            outputs.write(force)?;
            print(text)
        }
        None => {
            outputs.write(force)?;
            print(text)
        }
    }
}
