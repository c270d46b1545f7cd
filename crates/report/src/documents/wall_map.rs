use jawgauge_fixture::{MapCell, WallMap};
use serde::Serialize;

use super::fit::FitEntry;
use super::{point, rounded};

/// The walls all round a fixture: rows by depth, columns by angle, `null` where there is no wall.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WallMapEntry {
    /// Angles of the columns about the axis: 0 buccal, 90 mesial, 180 lingual, 270 distal.
    pub angles_deg: Vec<f64>,
    /// Depths of the rows below the platform.
    pub depths_mm: Vec<f64>,
    /// Bone to the outside; negative where the fixture stands out.
    pub wall_mm: Vec<Vec<Option<f64>>>,
    /// Its expanded uncertainty.
    pub u95_mm: Vec<Vec<Option<f64>>>,
    /// By angle, where the side lies half a millimetre below the crest: depth below the platform, wall and its
    /// expanded uncertainty; `null` where the platform lies deeper.
    pub crest_depth_mm: Vec<Option<f64>>,
    /// The wall there.
    pub crest_wall_mm: Vec<Option<f64>>,
    /// Its expanded uncertainty.
    pub crest_u95_mm: Vec<Option<f64>>,
}

impl WallMapEntry {
    /// The entry of a map.
    #[must_use]
    pub fn new(map: &WallMap) -> Self {
        let rows = |pick: fn(&WallRow) -> Option<f64>| {
            let cells: Vec<Option<f64>> = grid_rows(map).iter().map(pick).collect();
            cells.chunks(map.angles_deg.len().max(1)).map(<[_]>::to_vec).collect()
        };
        let crest: Vec<Option<WallRow>> = map
            .angles_deg
            .iter()
            .zip(&map.at_crest)
            .map(|(angle, place)| place.as_ref().map(|(depth, cell)| row_of(*angle, *depth, cell)))
            .collect();
        Self {
            crest_depth_mm: crest.iter().map(|r| r.map(|r| r.depth_mm)).collect(),
            crest_wall_mm: crest.iter().map(|r| r.and_then(|r| r.wall_mm)).collect(),
            crest_u95_mm: crest.iter().map(|r| r.and_then(|r| r.u95_mm)).collect(),
            angles_deg: map.angles_deg.iter().copied().map(rounded).collect(),
            depths_mm: map.depths_mm.iter().copied().map(rounded).collect(),
            wall_mm: rows(|r| r.wall_mm),
            u95_mm: rows(|r| r.u95_mm),
        }
    }
}

impl FitEntry {
    /// The entry with the map of its walls.
    #[must_use]
    pub fn with_wall_map(mut self, map: Option<&WallMap>) -> Self {
        self.wall_map = map.map(WallMapEntry::new);
        self
    }
}

/// One place of a map; wall, uncertainty and place are `None` where there is no wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallRow {
    /// Angle about the axis.
    pub angle_deg: f64,
    /// Depth below the platform.
    pub depth_mm: f64,
    /// Bone to the outside.
    pub wall_mm: Option<f64>,
    /// Its expanded uncertainty.
    pub u95_mm: Option<f64>,
    /// Where the bone ends.
    pub at: Option<[f64; 3]>,
}

/// The places of a map, those half a millimetre below the crest first, then depth after depth; rounded as in
/// documents.
#[must_use]
pub fn wall_rows(map: &WallMap) -> Vec<WallRow> {
    let places = map.angles_deg.iter().zip(&map.at_crest);
    let mut rows: Vec<WallRow> = places
        .filter_map(|(angle, place)| {
            place.as_ref().map(|(depth, cell)| row_of(*angle, *depth, cell))
        })
        .collect();
    rows.extend(grid_rows(map));
    rows
}

fn grid_rows(map: &WallMap) -> Vec<WallRow> {
    let mut rows = Vec::with_capacity(map.cells.len());
    for (row, depth_mm) in map.depths_mm.iter().enumerate() {
        for (column, angle_deg) in map.angles_deg.iter().enumerate() {
            rows.push(row_of(*angle_deg, *depth_mm, map.cell(row, column)));
        }
    }
    rows
}

fn row_of(angle_deg: f64, depth_mm: f64, cell: &MapCell) -> WallRow {
    let wall = cell.wall.ok();
    WallRow {
        angle_deg: rounded(angle_deg),
        depth_mm: rounded(depth_mm),
        wall_mm: wall.map(rounded),
        u95_mm: wall.map(|_| rounded(cell.u95_mm)),
        at: wall.map(|_| point(cell.at)),
    }
}
