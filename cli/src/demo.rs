//! An invented case from end to end, with the truth beside what was measured.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::{fs, io};

use jawgauge_phantom::{DemoJaw, DemoTruth, ScanOptions, demo_jaw, write_scan};
use jawgauge_report::documents::CAUTION;
use jawgauge_space::PatientPoint;

use crate::args::{Between, Cut, DemoArgs};
use crate::case::Case;
use crate::error::{CliError, exit};
use crate::output::{Existing, Outputs, print};
use crate::run::{Fitted, fit_case, measure_document, required_line, tell_fits};
use crate::session::MeasuredSite;
use crate::{pictures, restored, tables};

/// Where the demo is written unless told otherwise.
const FOLDER: &str = "jawgauge-demo";

/// `demo`.
pub(crate) fn demo(args: &DemoArgs) -> Result<u8, CliError> {
    let dir = folder(args.out.as_deref())?;
    let DemoJaw { volume, truth, .. } =
        demo_jaw().map_err(|e| failed("the jaw cannot be made", &e))?;
    let scan = dir.join("scan");
    fs::create_dir_all(&scan)
        .map_err(|e| failed(&format!("{} cannot be made", scan.display()), &e))?;
    write_scan(&scan, &volume, &ScanOptions::default())
        .map_err(|e| failed("the scan cannot be written", &e))?;
    drop(volume);
    let case_path = dir.join("case.toml");
    let mut outputs = Outputs::default();
    outputs.add(case_path.clone(), case_file(&truth));
    outputs.write(Existing::Stays)?;

    // From here on as any other case: read from the files.
    let cut = Cut { step_mm: 0.1, slab_mm: 0.0, interpolation: Between::Cubic };
    let fitted = fit_case(Case::read(&case_path)?, 0.0, &cut, false)?;
    tell_fits(&fitted);
    let mut outputs = Outputs::default();
    pictures::add(&mut outputs, &dir, &fitted.session, &fitted.found)?;
    let measures = measure_document(&fitted.session);
    outputs.add(dir.join("widths.csv"), tables::widths_csv(&measures));
    outputs.add(dir.join("heights.csv"), tables::heights_csv(&measures));
    outputs.add(dir.join("walls.csv"), tables::walls_csv(&fitted.document));
    outputs.add(dir.join("measure.json"), json(&measures)?);
    outputs.add(dir.join("fit.json"), json(&fitted.document)?);
    let written = outputs.write(Existing::Stays)?;
    print(&text(&fitted, &truth, &dir, &written))?;
    Ok(0)
}

/// The folder to write into, made new.
fn folder(asked: Option<&Path>) -> Result<PathBuf, CliError> {
    let exists = |dir: &Path| {
        let what = format!("{} is already there", dir.display());
        CliError::new(
            exit::USAGE,
            "file-exists",
            what,
            "--out",
            "give a folder that does not exist yet",
        )
    };
    if let Some(dir) = asked {
        if dir.exists() {
            return Err(exists(dir));
        }
        return Ok(dir.to_owned());
    }
    let free = (1..1000)
        .map(|n| if n == 1 { FOLDER.to_owned() } else { format!("{FOLDER}-{n}") })
        .map(PathBuf::from)
        .find(|dir| !dir.exists());
    free.ok_or_else(|| exists(Path::new(FOLDER)))
}

fn failed(what: &str, error: &dyn std::error::Error) -> CliError {
    CliError::new(
        exit::OTHER,
        "demo",
        format!("{what} ({error})"),
        "",
        "check the folder and its free space",
    )
}

fn json(document: &impl serde::Serialize) -> Result<String, CliError> {
    let text = serde_json::to_string_pretty(document);
    text.map(|t| t + "\n").map_err(|e| failed("a document cannot be made", &io::Error::other(e)))
}

fn text(fitted: &Fitted, truth: &DemoTruth, dir: &Path, written: &[PathBuf]) -> String {
    let session = &fitted.session;
    let mut text = String::from(
        "An invented jaw: the lower right second premolar is missing, its ridge has healed thin.\n\
         It was written as a scan and a case file, read again and measured.\n\n",
    );
    for (((site, found), entry), restored) in
        session.measured().zip(&fitted.found).zip(&fitted.document.sites).zip(&fitted.restored)
    {
        text.push_str(&tables::site_measures(session, site));
        text.push('\n');
        text.push_str(&tables::site_fits(session, site, found, &entry.answer));
        text.push_str(&restored::table(session, found, restored));
        text.push('\n');
        text.push_str("The truth beside it\n");
        text.push_str(&truth_table(site, truth));
        text.push('\n');
    }
    text.push_str(&required_line(session));
    text.push_str(CAUTION);
    text.push_str("\n\n");
    let pictures: Vec<_> =
        written.iter().filter(|p| p.extension().is_some_and(|e| e == "png")).collect();
    text.push_str("Pictures (each also as SVG):\n");
    for picture in pictures {
        let _ = writeln!(text, "  {}", picture.display());
    }
    let _ = writeln!(text, "Case, scan, tables and documents: {}", dir.display());
    let _ = writeln!(text, "Next: jawgauge fit {}", dir.join("case.toml").display());
    text
}

fn truth_table(site: &MeasuredSite, truth: &DemoTruth) -> String {
    let measure = &site.measure;
    let row = |name: String, found: Option<(f64, f64)>, truth: f64| {
        let (shown, off) = match found {
            Some((mm, u95)) => (format!("{mm:.2} ± {u95:.2}"), format!("{:+.2}", mm - truth)),
            None => ("not measured".to_owned(), "-".to_owned()),
        };
        vec![name, shown, format!("{truth:.2}"), off]
    };
    let mut rows = Vec::new();
    for (level, width) in measure.levels_mm.iter().zip(&measure.widths) {
        if let Some(true_width) = truth.widths.iter().find(|w| (w.level_mm - level).abs() < 1e-9) {
            let found = width.as_ref().ok().map(|w| (w.width.mm, w.width.u95_mm));
            rows.push(row(format!("width at {level} mm"), found, true_width.width_mm));
        }
    }
    let height = measure.height.as_ref().ok().map(|h| (h.mm, h.u95_mm));
    rows.push(row("bone height".to_owned(), height, truth.bone_height_mm));
    if let Some(canal) = measure.limits.first() {
        let found = canal.height.as_ref().ok().map(|h| (h.mm, h.u95_mm));
        rows.push(row("height to the nerve canal".to_owned(), found, truth.canal_height_mm));
    }
    tables::aligned(&["", "measured, mm", "true, mm", "off by, mm"], &rows)
}

/// The demo's case file.
fn case_file(truth: &DemoTruth) -> String {
    let point = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        format!("[{x:.3}, {y:.3}, {z:.3}]")
    };
    let points = |ps: &[PatientPoint]| ps.iter().map(|p| point(*p)).collect::<Vec<_>>().join(", ");
    let [x, y, z] = truth.apical.to_array();
    let mut text = format!(
        "# An invented case. Coordinates are LPS millimetres.\n\
         schema = \"case/1\"\n\n\
         [scan]\npath = \"scan\"\n\n\
         [ridge]\narch = \"mandible\"\naxis = [{}]\nlingual_side = {}\napical = [{x}, {y}, {z}]\n\n\
         [measure]\nlevels_mm = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0]\n\n\
         [[site]]\nid = \"lower right second premolar\"\ntooth = \"45\"\nat = {}\n\n  \
         [[site.limit]]\n  kind = \"nerve-canal\"     # its roof\n  points = [{}]\n  keep_mm = 2.0\n",
        points(&truth.axis),
        point(truth.lingual_side),
        point(truth.at),
        points(&truth.canal_roof),
    );
    for tooth in &truth.neighbours {
        let _ = write!(
            text,
            "\n  [[site.neighbour]]\n  tooth = \"{}\"\n  root = [{}, {}]\n  root_diameter_mm = {:.2}\n  cej = {}\n  contact = {}\n",
            tooth.tooth,
            point(tooth.neck),
            point(tooth.apex),
            tooth.root_diameter_mm,
            point(tooth.cej),
            point(tooth.contact),
        );
    }
    for (id, diameter, length, apex) in [
        ("3.0 x 10", 3.0, 10.0, 3.0),
        ("3.5 x 10 tapered", 3.5, 10.0, 2.4),
        ("4.0 x 8", 4.0, 8.0, 4.0),
    ] {
        let _ = write!(
            text,
            "\n[[fixture]]\nid = \"{id}\"\ndiameter_mm = {diameter:.1}\nlength_mm = {length:.1}\napex_diameter_mm = {apex:.1}\n"
        );
    }
    text
}
