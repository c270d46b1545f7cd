//! What a scan is.

mod lines;
mod names;

use jawgauge_bone::{GreySurvey, NoLandmark, survey_blur, survey_greys};
use jawgauge_intake::{
    IntakeError, OpenScan, ReadOptions, Scan, SeriesSummary, SkipReason, list_series,
};
use jawgauge_report::documents::{
    CAUTION, InspectDocument, SkippedEntry, VolumeEntry, WarningEntry,
};

use crate::args::InspectArgs;
use crate::error::{CliError, exit};
use crate::output::{Existing, Outputs, note};
use crate::progress::Bar;
use crate::run::{VERSION, check_json, finish};
use crate::{tables, warn};

/// `inspect`.
pub(crate) fn inspect(args: &InspectArgs) -> Result<u8, CliError> {
    check_json(args.json.as_deref(), Existing::Stays)?;
    let mut volumes = Vec::new();
    let mut text = String::new();
    for series in list_series(&args.scan, &ReadOptions::default())? {
        let SeriesSummary { series_uid, files, scan } = series;
        let (entry, lines) = match scan.and_then(|scan| read(&scan)) {
            Ok(scan) => volume_entry(&scan),
            Err(error) => failed_entry(series_uid, files, &error),
        };
        text.push_str(&lines);
        volumes.push(entry);
    }
    text.push_str(&lines::which_is_measured(&volumes));
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
    finish(&document, args.json.as_deref(), &text, Outputs::default(), Existing::Stays)?;
    Ok(if unusable { exit::SCAN } else { 0 })
}

fn read(scan: &OpenScan) -> Result<Scan, IntakeError> {
    let bar = Bar::new("reading");
    scan.read(Some(&|done, of| bar.tell(done, of)))
}

fn failed_entry(series: String, files: usize, error: &IntakeError) -> (VolumeEntry, String) {
    let text = format!("series {series}\n  cannot be measured: {error}\n");
    let warning = WarningEntry { code: error.code().to_owned(), message: error.to_string() };
    let warnings = vec![warning];
    (VolumeEntry { series, files, warnings, ..VolumeEntry::default() }, text)
}

fn volume_entry(scan: &Scan) -> (VolumeEntry, String) {
    let facts = &scan.facts;
    let survey = survey_greys(&scan.volume);
    let blur = survey_blur(&scan.volume, &survey);
    let mut warnings = warn::of_scan(&scan.warnings);
    warnings.extend(of_survey(&survey));
    let entry = VolumeEntry {
        series: facts.series_uid.clone(),
        place_known: Some(facts.place_known),
        grey_range: scan.volume.grey_range().map(|(low, high)| [low, high]),
        transfer_syntax: Some(facts.transfer_syntax.clone()),
        sop_class: Some(facts.sop_class.clone()),
        identity_removed: Some(facts.identity_removed),
        names_patient: Some(facts.names_patient),
        files: facts.files,
        slices: Some(facts.slices),
        skipped: facts.skipped.iter().map(|(reason, &n)| skipped(reason, n)).collect(),
        warnings,
        usable: true,
        ..VolumeEntry::default()
    };
    let entry =
        entry.with_geometry(scan.volume.geometry()).with_survey(&survey).with_blur(blur.as_ref());
    let text = lines::of_volume(scan, &survey, blur.as_ref(), &entry);
    (entry, text)
}

fn skipped(reason: &SkipReason, files: usize) -> SkippedEntry {
    let sop_class = match reason {
        SkipReason::OtherObject(uid) => Some(uid.clone()),
        _ => None,
    };
    SkippedEntry { reason: reason.code(), sop_class, files }
}

/// What the grey values do not tell, why it matters, what to do.
fn of_survey(survey: &GreySurvey) -> Vec<WarningEntry> {
    let entry = |code: &str, message: String| WarningEntry { code: code.to_owned(), message };
    let mut all = Vec::new();
    if survey.soft_tissue == Err(NoLandmark::OneKind) {
        let message = "the grey values show one kind of tissue only, and nothing tells which: make sure that this is the scan of a jaw";
        all.push(entry("no-grey-landmarks", message.to_owned()));
    }
    if survey.bone == Err(NoLandmark::NoPeak) {
        let message = "bone has no grey value of its own, as where it is thin against the voxels everywhere, so contrast and metal are not told: rely on what `measure` finds at the site";
        all.push(entry("no-bone-grey", message.to_owned()));
    }
    if let Some(share) = survey.cut_off_share {
        let message = format!(
            "{:.1} % of the voxels have the highest grey value, so values were cut off there when the scan was made or exported: where that is bone, widths are less sure, and `measure` says so at the site",
            100.0 * share
        );
        all.push(entry("grey-values-cut-off", message));
    }
    if let Some(found) = survey.air_or_soft {
        let message = format!(
            "nothing tells whether the grey value {:.0} is air or soft tissue, as in a scan that is cut close to the jaw or of a dry jaw, so contrast to noise is not told: look at the scan",
            found.grey
        );
        all.push(entry("air-or-soft-tissue", message));
    }
    all
}
