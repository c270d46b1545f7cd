//! What each uncertainty is made of, as tables for the terminal.
//!
//! After the budget of the end-gauge example in the guide to the expression of uncertainty
//! (JCGM 100:2008, H.1): source, standard uncertainty, share.

use jawgauge_bone::gum::{Budget, MonteCarlo, Source, numerical_tolerance};
use jawgauge_bone::{Measured, Plate, Unmeasured};
use jawgauge_fixture::SiteFit;

use crate::error::plain;
use crate::session::{MeasuredSite, Session};
use crate::tables::{aligned, aligned_with, clearance_to, lingual_word};
use crate::warn::limit_name;

/// What a source stands for.
fn source_words(source: Source) -> &'static str {
    match source {
        Source::Noise => "noise, grey levels of the wall",
        Source::Blur => "blur of the scan",
        Source::Model => "model of the edge",
        Source::Level => "place of the crest",
        Source::Scale => "scale of the scanner",
        Source::Axis => "direction of the ridge axis",
        Source::Site => "place of the site",
        Source::Limit => "marking of limit or root",
        Source::Fixture => "tolerance of the fixture",
    }
}

/// The budgets of all that was measured at a site.
pub(crate) fn site(session: &Session, site: &MeasuredSite) -> String {
    let lingual = lingual_word(session.case.arch);
    let measure = &site.measure;
    let mut rows = Vec::new();
    for width in measure.widths.iter().flatten() {
        let level = width.level_mm;
        rows.extend(budget(&format!("width at {level:.2} mm"), &width.width));
        for (side, plate) in [("buccal", &width.buccal_plate), (lingual, &width.lingual_plate)] {
            rows.extend(of_plate(&format!("{side} plate at {level:.2} mm"), plate));
        }
    }
    if let Ok(height) = &measure.height {
        rows.extend(budget("bone height", height));
    }
    for limit in &measure.limits {
        if let Ok(height) = &limit.height {
            rows.extend(budget(&format!("height to the {}", limit_name(limit.kind)), height));
        }
    }
    let mut text = table("of widths, plates and heights", &rows);
    text.push_str(&left_out(session, site));
    text.push_str(&drawn(site));
    text
}

/// The budgets of what the fixtures of a site leave.
pub(crate) fn fits(session: &Session, found: &SiteFit) -> String {
    let lingual = lingual_word(session.case.arch);
    let mut rows = Vec::new();
    for fit in &found.fits {
        let fixture = plain(&fit.fixture);
        let all_round = fit.space.as_ref();
        let walls = [
            ("buccal", fit.walls.buccal, all_round.map(|s| s.buccal)),
            (lingual, fit.walls.lingual, all_round.map(|s| s.lingual)),
            ("apical", fit.walls.apex, all_round.map(|s| s.apex)),
        ];
        for (side, section, all_round) in walls {
            let name = format!("{fixture}: {side} wall");
            match (all_round, section) {
                (Some(Ok(wall)), _) => rows.extend(rows_of(&name, wall.wall_mm, &wall.budget)),
                (_, Ok(wall)) => rows.extend(rows_of(&name, wall.wall_mm, &wall.budget)),
                _ => {}
            }
        }
        for (side, wall) in
            all_round.iter().flat_map(|s| [("mesial", s.mesial), ("distal", s.distal)])
        {
            if let Ok(wall) = wall {
                let name = format!("{fixture}: {side} wall");
                rows.extend(rows_of(&name, wall.wall_mm, &wall.budget));
            }
        }
        for c in &fit.clearances {
            let to = clearance_to(c);
            rows.extend(rows_of(&format!("{fixture}: to {to}"), c.clearance_mm, &c.budget));
        }
    }
    table("of walls and clearances", &rows)
}

fn table(of: &str, rows: &[Vec<String>]) -> String {
    let mut text = format!(
        "  Uncertainty budgets (JCGM 100) {of}: u is a standard uncertainty, U = 2 u the expanded one\n"
    );
    let headers = ["quantity", "mm", "source", "u, mm", "share of variance, %", "U, mm"];
    text.push_str(&aligned_with(&headers, rows, &[0, 2]));
    text
}

/// The rows of one value: its sources, then all of them together.
fn budget(name: &str, value: &Measured) -> Vec<Vec<String>> {
    rows_of(name, value.mm, &value.budget)
}

fn rows_of(name: &str, mm: f64, budget: &Budget) -> Vec<Vec<String>> {
    let mut rows: Vec<Vec<String>> = budget
        .sources()
        .map(|(source, u_mm)| {
            vec![
                String::new(),
                String::new(),
                source_words(source).to_owned(),
                format!("{u_mm:.4}"),
                format!("{:.1}", 100.0 * budget.share(source)),
                String::new(),
            ]
        })
        .collect();
    rows.push(vec![
        String::new(),
        String::new(),
        "all together".to_owned(),
        format!("{:.4}", budget.u_mm()),
        "100.0".to_owned(),
        format!("{:.2}", budget.u95_mm()),
    ]);
    if let Some(first) = rows.first_mut() {
        (first[0], first[1]) = (name.to_owned(), format!("{mm:.2}"));
    }
    rows
}

/// The rows of a plate: its budget, or a line that says why there is none.
fn of_plate(name: &str, plate: &Result<Plate, Unmeasured>) -> Vec<Vec<String>> {
    match plate {
        Ok(Plate::Thickness(thickness)) => budget(name, thickness),
        Ok(Plate::Between { low_mm, high_mm }) => {
            let range = format!("{low_mm:.2} to {high_mm:.2}");
            let why = "below the blur: every thickness weighed";
            let none = || "-".to_owned();
            vec![vec![name.to_owned(), range, why.to_owned(), none(), none(), none()]]
        }
        Err(_) => Vec::new(),
    }
}

/// What no budget holds because neither the case nor the scan tells it.
fn left_out(session: &Session, site: &MeasuredSite) -> String {
    let mut text = String::new();
    if !(session.case.scale_u_share > 0.0) {
        text.push_str("  The scanner's calibration is not known and in no budget: give `scale_u_percent` in [scan].\n");
    }
    if site.measure.direction.is_none() {
        text.push_str("  Too few walls tell which way the ridge runs: what an axis that is off adds is in no budget.\n");
    }
    text
}

/// The Monte Carlo method beside the linear propagation, where it was asked for.
fn drawn(site: &MeasuredSite) -> String {
    let of_widths: Vec<(f64, &Measured, &MonteCarlo)> = site
        .measure
        .widths
        .iter()
        .flatten()
        .filter_map(|w| Some((w.level_mm, &w.width, w.monte_carlo.as_ref()?)))
        .collect();
    let Some(trials) = of_widths.iter().map(|w| w.2.trials).max() else { return String::new() };
    let mut doubtful = Vec::new();
    let rows: Vec<Vec<String>> = of_widths
        .iter()
        .map(|(level, width, drawn)| {
            let linear = width.budget.u95_mm();
            let confirmed = drawn.confirms(width.mm, linear);
            if !confirmed {
                doubtful.push(format!("{level}"));
            }
            vec![
                format!("width at {level:.2} mm"),
                format!("{:.3} to {:.3}", width.mm - linear, width.mm + linear),
                format!("{:.3} to {:.3}", drawn.interval95.0, drawn.interval95.1),
                format!("{:.4}", drawn.u),
                format!("{:.4}", numerical_tolerance(0.5 * linear)),
                if confirmed { "yes" } else { "no" }.to_owned(),
            ]
        })
        .collect();
    let mut text =
        format!("\n  Monte Carlo (JCGM 101), {trials} trials: intervals that hold 95 %\n");
    let headers =
        ["quantity", "linear, mm", "drawn, mm", "u drawn, mm", "tolerance, mm", "confirmed"];
    text.push_str(&aligned(&headers, &rows));
    if !doubtful.is_empty() {
        text.push_str(&format!(
            "  At {} mm the linear interval misses the drawn one by more than its tolerance (JCGM 101, clause 8): trust the drawn one.\n",
            doubtful.join(", ")
        ));
    }
    text
}
