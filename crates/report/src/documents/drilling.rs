use jawgauge_fixture::{DrillStep, Fit};
use serde::Serialize;

use super::fit::{ClearanceEntry, RuleEntry, WallsEntry, clearance_entry, rule_entry, space_entry};
use super::rounded;

/// What one drill leaves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DrillEntry {
    /// Its number, from 1, in the order of use.
    pub step: usize,
    /// Its diameter.
    pub diameter_mm: f64,
    /// The depth that it is marked for, below the platform.
    pub length_mm: f64,
    /// How deep its tip goes below the platform.
    pub tip_depth_mm: f64,
    /// The least walls that it leaves; `apex` is the bone below its tip.
    pub walls: WallsEntry,
    /// What is required, held against them.
    pub rules: Vec<RuleEntry>,
    /// What lies nearest, for what is to be kept from it.
    pub nearest: Option<ClearanceEntry>,
    /// The worst verdict of rules and of distances to all that must be kept clear of.
    pub verdict: &'static str,
}

/// The entries of a fixture's drills.
pub(super) fn drill_entries(fit: &Fit) -> Vec<DrillEntry> {
    fit.drilling.iter().enumerate().map(|(n, step)| drill_entry(n + 1, step)).collect()
}

fn drill_entry(number: usize, step: &DrillStep) -> DrillEntry {
    let [buccal, mesial, lingual, distal, apex] =
        step.walls.map(|wall| wall.and_then(Result::ok).map(|wall| space_entry(&wall)));
    DrillEntry {
        step: number,
        diameter_mm: rounded(step.drill.diameter_mm),
        length_mm: rounded(step.drill.length_mm),
        tip_depth_mm: rounded(step.tip_mm),
        walls: WallsEntry { buccal, lingual, mesial, distal, apex },
        rules: step.rules.iter().map(rule_entry).collect(),
        nearest: step.nearest().map(clearance_entry),
        verdict: step.verdict.as_str(),
    }
}
