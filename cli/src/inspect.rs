//! What a scan is.

use jawgauge_intake::{IntakeError, ReadOptions, SeriesSummary, list_series};
use jawgauge_report::documents::{CAUTION, InspectDocument, VolumeEntry, WarningEntry};

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
        let (entry, lines) = volume_entry(&series)?;
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
    finish(&document, args.json.as_deref(), &text, Outputs::default(), Existing::Stays)?;
    Ok(if unusable { exit::SCAN } else { 0 })
}

fn volume_entry(series: &SeriesSummary) -> Result<(VolumeEntry, String), CliError> {
    let failed = |error: &IntakeError| {
        let entry = VolumeEntry {
            series: series.series_uid.clone(),
            dims: None,
            spacing_mm: None,
            affine: None,
            grey_range: None,
            transfer_syntax: None,
            sop_class: None,
            identity_removed: None,
            names_patient: None,
            files: series.files,
            warnings: vec![WarningEntry {
                code: error.code().to_owned(),
                message: error.to_string(),
            }],
            usable: false,
        };
        let text = format!("series {}\n  cannot be measured: {error}\n", series.series_uid);
        Ok((entry, text))
    };
    let bar = Bar::new("reading");
    let read = series.scan.as_ref().map(|scan| scan.read(Some(&|done, of| bar.tell(done, of))));
    let scan = match read {
        Ok(Ok(scan)) => scan,
        Ok(Err(error)) => return failed(&error),
        Err(error) => return failed(error),
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
        dims: Some(dims),
        spacing_mm: Some(spacing.map(nanometres)),
        affine: Some(geometry.affine().to_rows().map(|row| row.map(nanometres))),
        grey_range: range.map(|(low, high)| [low, high]),
        transfer_syntax: Some(facts.transfer_syntax.clone()),
        sop_class: Some(facts.sop_class.clone()),
        identity_removed: Some(facts.identity_removed),
        names_patient: Some(facts.names_patient),
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
