//! What the drills of a fixture leave, as a table and a line for the terminal.

use std::fmt::Write;

use jawgauge_fixture::{
    Clearance, DrillStep, Fit, NoWall, RuleCheck, RuleKind, SpaceWall, Verdict, drilling_short_at,
};

use crate::case::Arch;
use crate::error::plain;
use crate::session::Session;
use crate::tables::{aligned, clearance_to, lingual_word};

/// The drills of a fixture: a table, and a line that says at which of them what is short. Nothing where it
/// has none.
pub(crate) fn text(session: &Session, fit: &Fit) -> String {
    if fit.drilling.is_empty() {
        return String::new();
    }
    let over_run = session.case.drilling.over_run_mm;
    let mut text = format!(
        "  Drills of {}, their tips {over_run:.1} mm beyond the mark:\n",
        plain(&fit.fixture)
    );
    let rows: Vec<Vec<String>> = fit.drilling.iter().enumerate().map(row).collect();
    let lingual = format!("{} wall, mm", lingual_word(session.case.arch));
    let headers = [
        "step",
        "drill, mm",
        "tip, mm",
        "verdict",
        "buccal wall, mm",
        &lingual,
        "below tip, mm",
        "least clearance, mm",
    ];
    text.push_str(&aligned(&headers, &rows));
    let _ = writeln!(text, "  {}", line(&fit.drilling, session.case.arch));
    text
}

fn row((n, step): (usize, &DrillStep)) -> Vec<String> {
    let [buccal, _, lingual, _, below] = step.walls;
    vec![
        (n + 1).to_string(),
        format!("{:.2} x {:.1}", step.drill.diameter_mm, step.drill.length_mm),
        format!("{:.1}", step.tip_mm),
        step.verdict.as_str().to_owned(),
        wall(buccal),
        wall(lingual),
        wall(below),
        step.nearest().map_or_else(|| "-".to_owned(), clearance),
    ]
}

fn wall(wall: Option<Result<SpaceWall, NoWall>>) -> String {
    match wall {
        Some(Ok(w)) => format!("{:.2} ± {:.2}", w.wall_mm, w.u95_mm),
        _ => "not read".to_owned(),
    }
}

fn clearance(c: &Clearance) -> String {
    format!("{:.2} ± {:.2} to {}", c.clearance_mm, c.u95_mm, clearance_to(c))
}

/// The first drill that leaves less than is required, and what of it.
pub(crate) fn short_at(steps: &[DrillStep], arch: Arch) -> Option<(usize, String)> {
    let number = drilling_short_at(steps)?;
    Some((number, short(&steps[number - 1], Verdict::NotMet, arch)))
}

/// At which drill what is short.
fn line(steps: &[DrillStep], arch: Arch) -> String {
    let first = |verdict: Verdict| steps.iter().position(|s| s.verdict == verdict);
    let name = |n: usize| format!("step {} (drill of {:.2} mm)", n + 1, steps[n].drill.diameter_mm);
    match (short_at(steps, arch), first(Verdict::TooCloseToCall)) {
        (Some((number, what)), doubtful) => {
            let n = number - 1;
            let before = doubtful.filter(|d| *d < n).map_or_else(String::new, |d| {
                format!("; {} is too close to call already", name(d))
            });
            format!("Less than is required is left from {} on: {what}{before}.", name(n))
        }
        (None, Some(n)) => {
            let what = short(&steps[n], Verdict::TooCloseToCall, arch);
            format!("Too close to call at {}: {what}.", name(n))
        }
        (None, None) if steps.len() == 1 => "The drill leaves all that is required.".to_owned(),
        (None, None) => "Every drill leaves all that is required.".to_owned(),
    }
}

/// What of a step has this verdict.
fn short(step: &DrillStep, verdict: Verdict, arch: Arch) -> String {
    let rules = step.rules.iter().filter(|r| r.verdict == verdict).map(|r| of_rule(r, arch));
    let clearances = step.clearances.iter().filter(|c| c.verdict == verdict).map(|c| {
        format!(
            "{:.2} ± {:.2} mm to the {} where {:.2} are to be kept",
            c.clearance_mm,
            c.u95_mm,
            clearance_to(c),
            c.required_mm
        )
    });
    rules.chain(clearances).collect::<Vec<_>>().join("; ")
}

fn of_rule(rule: &RuleCheck, arch: Arch) -> String {
    let wall = match rule.rule {
        RuleKind::BuccalWall => "buccal wall",
        RuleKind::LingualWall if arch == Arch::Maxilla => "palatal wall",
        RuleKind::LingualWall => "lingual wall",
        RuleKind::MesialWall => "mesial wall",
        RuleKind::DistalWall => "distal wall",
        RuleKind::ApexInBone => "bone below the tip",
        RuleKind::PlatformInBone => "bone at the platform",
    };
    match (rule.found_mm, rule.u95_mm) {
        (Some(mm), Some(u95)) if rule.required_mm > 0.0 => {
            format!("{wall} {mm:.2} ± {u95:.2} mm where {:.2} are asked for", rule.required_mm)
        }
        (Some(mm), Some(u95)) => format!("{wall} {mm:.2} ± {u95:.2} mm"),
        _ => format!("the {wall} could not be read"),
    }
}
