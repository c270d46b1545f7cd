//! The commands.

use std::path::Path;

use jawgauge_fixture::{Fit, SiteFit, Verdict, WallsTo};
use jawgauge_report::documents::{
    CAUTION, CrownEntry, FailedEntry, FitDocument, FitSite, MeasureDocument, ScanEntry,
    WarningEntry, fit_entry, measure_site_entry,
};
use serde::Serialize;

use crate::answer::answer;
use crate::args::{Cut, Doubt, FitArgs, MeasureArgs};
use crate::case::Case;
use crate::error::{CliError, exit, quoted};
use crate::output::{Existing, Outputs, check_free, is_stdout, note, print};
use crate::pictures;
use crate::restored::{self, Restored};
use crate::session::{MeasuredSite, Session};
use crate::{beside, drilling, explain, tables, together, unplaced, warn_fit};

/// Version of the program, for documents.
pub(crate) const VERSION: &str = env!("CARGO_PKG_VERSION");

/// `measure`.
pub(crate) fn measure(args: &MeasureArgs) -> Result<u8, CliError> {
    let existing = Existing::with_force(args.output.force);
    check_json(args.output.json.as_deref(), existing)?;
    let session = Session::open(read_case(&args.case, &args.doubt)?, &args.cut)?;
    let document = measure_document(&session);
    let mut text = String::new();
    for site in session.measured() {
        text.push_str(&tables::site_measures(&session, site));
        text.push('\n');
        if args.doubt.explain {
            text.push_str(&explain::site(&session, site));
            text.push('\n');
        }
    }
    text.push_str(CAUTION);
    text.push('\n');
    tell(&session, &session.measured().map(|s| &s.warnings[..]).collect::<Vec<_>>());
    let mut outputs = Outputs::default();
    if let Some(dir) = &args.output.out {
        pictures::add(&mut outputs, dir, &session, &[])?;
        outputs.add(dir.join("widths.csv"), tables::widths_csv(&document));
        outputs.add(dir.join("heights.csv"), tables::heights_csv(&document));
    }
    finish(&document, args.output.json.as_deref(), &text, outputs, existing)?;
    Ok(if session.is_complete() { 0 } else { exit::PARTLY })
}

/// `fit`.
pub(crate) fn fit(args: &FitArgs) -> Result<u8, CliError> {
    let existing = Existing::with_force(args.output.force);
    check_json(args.output.json.as_deref(), existing)?;
    let case = read_case(&args.case, &args.doubt)?;
    if case.fixtures.is_empty() {
        let what = "the case has no fixtures";
        let remedy = "add a [[fixture]] with id, diameter_mm and length_mm";
        return Err(CliError::new(
            exit::USAGE,
            "no-fixtures",
            what,
            crate::case::shown_name(&args.case),
            remedy,
        ));
    }
    let fitted = fit_case(case, args.platform_depth_mm, &args.cut, args.wall_maps)?;
    let mut text = String::new();
    for (((site, found), entry), restored) in fitted
        .session
        .measured()
        .zip(&fitted.found)
        .zip(&fitted.document.sites)
        .zip(&fitted.restored)
    {
        text.push_str(&tables::site_fits(&fitted.session, site, found, &entry.answer));
        if let Some(shown) = found.fits.first() {
            text.push_str(&drilling::text(&fitted.session, shown));
        }
        text.push_str(&restored::table(&fitted.session, found, restored));
        text.push('\n');
        if args.doubt.explain {
            text.push_str(&explain::fits(&fitted.session, found));
            text.push_str(&restored::left_out(&fitted.session, restored));
            text.push('\n');
            text.push_str(&explain::site(&fitted.session, site));
            text.push('\n');
        }
    }
    text.push_str(&required_line(&fitted.session));
    text.push_str(CAUTION);
    text.push('\n');
    tell_fits(&fitted);
    for (site, found) in fitted.session.measured().zip(&fitted.found) {
        // What is wrong with a pose is wrong for every fixture.
        let mut told = Vec::new();
        for error in &found.failed {
            let line = unplaced::error(&site.site, error).1.to_string();
            if !told.contains(&line) {
                note(&line);
                told.push(line);
            }
        }
    }
    let mut outputs = Outputs::default();
    if let Some(dir) = &args.output.out {
        pictures::add(&mut outputs, dir, &fitted.session, &fitted.found)?;
        outputs.add(dir.join("walls.csv"), tables::walls_csv(&fitted.document));
    }
    finish(&fitted.document, args.output.json.as_deref(), &text, outputs, existing)?;
    let complete = fitted.session.is_complete() && fitted.document.failed.is_empty();
    let all_met = |fit: &Fit| {
        fit.verdict == Verdict::Met && fit.drilling.iter().all(|s| s.verdict == Verdict::Met)
    };
    let met = fitted.found.iter().all(|f| f.fits.first().is_some_and(all_met));
    Ok(match (complete, args.require && !met) {
        (false, _) => exit::PARTLY,
        (true, true) => exit::NOT_MET,
        (true, false) => 0,
    })
}

/// A case with what the command line asks for on top of it.
fn read_case(path: &Path, doubt: &Doubt) -> Result<Case, CliError> {
    let mut case = Case::read(path)?;
    if let Some(trials) = doubt.monte_carlo {
        case.monte_carlo_trials = trials as usize;
    }
    Ok(case)
}

/// A case whose fixtures were put into its sites.
pub(crate) struct Fitted {
    pub(crate) session: Session,
    /// For each measured site.
    pub(crate) found: Vec<SiteFit>,
    /// For each measured site.
    pub(crate) restored: Vec<Restored>,
    pub(crate) document: FitDocument,
}

/// Measures the sites of a case and puts its fixtures into them.
pub(crate) fn fit_case(
    case: Case,
    platform_depth_mm: f64,
    cut: &Cut,
    wall_maps: bool,
) -> Result<Fitted, CliError> {
    let session = Session::open(case, cut)?;
    let found = crate::space::fit_sites(&session, platform_depth_mm)?;
    let restored = restored::of_sites(&session, &found);
    let sites = session
        .measured()
        .zip(found.iter().zip(&restored))
        .map(|(site, (found, restored))| fit_site_entry(&session, site, found, restored, wall_maps))
        .collect();
    let mut failed: Vec<FailedEntry> = failed_sites(&session);
    for (site, found) in session.measured().zip(&found) {
        for error in &found.failed {
            let (fixture, error) = unplaced::error(&site.site, error);
            failed.push(FailedEntry {
                id: site.site.id.clone(),
                fixture,
                code: error.code.clone(),
                message: error.message(),
            });
        }
    }
    let document = FitDocument {
        schema: "jawgauge/fit/1",
        version: VERSION,
        scan: ScanEntry::new(session.parts.scan().geometry(), session.scan_warnings.clone()),
        required: (&session.case.required).into(),
        sites,
        failed,
        caution: CAUTION,
    };
    Ok(Fitted { session, found, restored, document })
}

fn fit_site_entry(
    session: &Session,
    site: &MeasuredSite,
    found: &SiteFit,
    restored: &Restored,
    wall_maps: bool,
) -> FitSite {
    let bone = &site.measure.bone;
    let mut warnings = site.warnings.clone();
    warnings.extend(warn_fit::of_site(found, &site.site, session.case.arch));
    warnings.extend(beside::warnings(site));
    warnings.extend(together::warnings(session, site));
    FitSite {
        id: site.site.id.clone(),
        tooth: site.tooth(),
        answer: answer(found, &session.case.required),
        crown: CrownEntry::of(&restored.crown),
        fits: found
            .fits
            .iter()
            .zip(&restored.checks)
            .map(|(fit, checks)| {
                let map = fit.space.as_ref().filter(|_| wall_maps).map(|s| &s.map);
                fit_entry(fit, fit.own_section.as_deref().unwrap_or(bone))
                    .with_restoration(checks)
                    .with_wall_map(map)
            })
            .collect(),
        warnings,
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
        scan: ScanEntry::new(session.parts.scan().geometry(), session.scan_warnings.clone()),
        sites,
        failed: failed_sites(session),
        caution: CAUTION,
    }
}

/// What is asked for, in a line under the tables.
pub(crate) fn required_line(session: &Session) -> String {
    let r = session.case.required;
    let walls_to = match r.walls_to {
        WallsTo::Threads => "",
        WallsTo::Core => {
            " Walls are measured to the core, below the threads; all other distances to the threads."
        }
    };
    format!(
        "Asked for: walls of {:.2} mm buccal and {:.2} mm {}, {:.2} mm to roots, {:.2} mm between fixtures. Walls are given with their depth below the platform.{walls_to}\n",
        r.buccal_mm,
        r.lingual_mm,
        tables::lingual_word(session.case.arch),
        r.tooth_mm,
        r.fixture_mm,
    )
}

/// Whatever the document of a fitted case warns of, on standard error.
pub(crate) fn tell_fits(fitted: &Fitted) {
    let warnings: Vec<_> = fitted.document.sites.iter().map(|s| &s.warnings[..]).collect();
    tell(&fitted.session, &warnings);
}

/// Warnings of the scan and of each measured site, and failed sites, on standard error; a warning that all
/// sites share is told once.
fn tell(session: &Session, of_sites: &[&[WarningEntry]]) {
    let mut lines = tables::warning_lines("", &session.scan_warnings);
    for (site, warnings) in session.measured().zip(of_sites) {
        let shared = |w: &&WarningEntry| of_sites.iter().all(|others| others.contains(w));
        let (common, own): (Vec<_>, Vec<_>) = warnings.iter().partition(shared);
        for (place, warnings) in [(String::new(), common), (quoted(&site.site.id), own)] {
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

/// Refuses a place for the document that is taken, before any work is done.
pub(crate) fn check_json(json: Option<&Path>, existing: Existing) -> Result<(), CliError> {
    match json {
        Some(path) if !is_stdout(path) => check_free(path, existing),
        _ => Ok(()),
    }
}

/// Writes all files, then the result to standard output.
pub(crate) fn finish(
    document: &impl Serialize,
    json: Option<&Path>,
    text: &str,
    mut outputs: Outputs,
    existing: Existing,
) -> Result<(), CliError> {
    let rendered = serde_json::to_string_pretty(document).map(|mut s| {
        s.push('\n');
        s
    });
    let rendered =
        rendered.map_err(|e| CliError::new(exit::OTHER, "document", e.to_string(), "", ""))?;
    match json {
        Some(path) if is_stdout(path) => {
            outputs.write(existing)?;
            print(&rendered)
        }
        Some(path) => {
            outputs.add(path.to_owned(), rendered);
            outputs.write(existing)?;
            print(text)
        }
        None => {
            outputs.write(existing)?;
            print(text)
        }
    }
}
