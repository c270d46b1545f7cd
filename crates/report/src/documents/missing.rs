use jawgauge_fixture::MissingBone;
use serde::Serialize;

use super::rounded;

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
