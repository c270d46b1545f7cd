use serde::Serialize;

use super::WarningEntry;

/// `jawgauge/inspect/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectDocument {
    /// `jawgauge/inspect/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub version: &'static str,
    /// The volumes found.
    pub volumes: Vec<VolumeEntry>,
    /// The usual cautions.
    pub caution: &'static str,
}

/// One volume.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VolumeEntry {
    /// Series Instance UID.
    pub series: String,
    /// Columns, rows, slices; this and what follows is `null` where the volume cannot be used.
    pub dims: Option<[usize; 3]>,
    /// Voxel steps, mm.
    pub spacing_mm: Option<[f64; 3]>,
    /// Voxel index i, j, k to LPS, rows first.
    pub affine: Option<[[f64; 4]; 4]>,
    /// Lowest and highest grey value.
    pub grey_range: Option<[f64; 2]>,
    /// Transfer Syntax UID.
    pub transfer_syntax: Option<String>,
    /// SOP Class UID.
    pub sop_class: Option<String>,
    /// Whether Patient Identity Removed is YES in every file.
    pub identity_removed: Option<bool>,
    /// Whether a patient's name, ID or birth date stands in any file.
    pub names_patient: Option<bool>,
    /// Files in the volume.
    pub files: usize,
    /// What was noticed, or why the volume cannot be used.
    pub warnings: Vec<WarningEntry>,
    /// Whether the volume can be measured.
    pub usable: bool,
}
