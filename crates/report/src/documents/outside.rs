//! What of a fixture stands outside the bone, and the bone that is missing for it.

use jawgauge_fixture::{MissingBone, StandOut, StandOutKind};
use serde::Serialize;

use super::rounded;

/// A place where a fixture's side stands out of the bone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StandOutEntry {
    /// `dehiscence` where it opens at the crest, `fenestration` where bone is left crestal of it.
    pub kind: &'static str,
    /// Area of the fixture's side.
    pub area_mm2: f64,
    /// Largest extent along the axis.
    pub length_mm: f64,
    /// Depth below the platform where it begins ...
    pub from_mm: f64,
    /// ... and where it ends.
    pub to_mm: f64,
    /// Angle of its middle about the axis: 0 buccal, 90 mesial, 180 lingual, 270 distal.
    pub angle_deg: f64,
    /// How far it stands out at most.
    pub most_mm: f64,
}

impl StandOutEntry {
    pub(super) fn of(out: &StandOut) -> Self {
        Self {
            kind: match out.kind {
                StandOutKind::Dehiscence => "dehiscence",
                StandOutKind::Fenestration => "fenestration",
            },
            area_mm2: rounded(out.area_mm2),
            length_mm: rounded(out.length_mm),
            from_mm: rounded(out.from_mm),
            to_mm: rounded(out.to_mm),
            angle_deg: rounded(out.angle_deg),
            most_mm: rounded(out.most_mm),
        }
    }
}

/// Bone missing all round a fixture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MissingEntry {
    /// Volume of the fixture and its walls asked for that lies outside the bone.
    pub volume_mm3: f64,
    /// Thickness missing at each depth below the platform.
    pub levels: Vec<MissingLevelEntry>,
}

/// Thickness missing at one depth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MissingLevelEntry {
    /// Depth below the platform.
    pub depth_mm: f64,
    /// Missing of the buccal wall.
    pub buccal_mm: f64,
    /// Missing of the lingual wall.
    pub lingual_mm: f64,
}

impl MissingEntry {
    pub(super) fn of(missing: &MissingBone) -> Self {
        Self {
            volume_mm3: rounded(missing.volume_mm3),
            levels: missing
                .levels
                .iter()
                .map(|level| MissingLevelEntry {
                    depth_mm: rounded(level.depth_mm),
                    buccal_mm: rounded(level.buccal_mm),
                    lingual_mm: rounded(level.lingual_mm),
                })
                .collect(),
        }
    }
}
