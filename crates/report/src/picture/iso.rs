//! Lines of one thickness on a map of walls.

use jawgauge_fixture::WallMap;

/// A place of the map: angle from -180 to 180 degrees (0 buccal), depth, mm.
type Place = (f64, f64);

/// Straight pieces of the line of one thickness; cells without a wall are left out.
///
/// Each square of four neighbouring cells is cut into two triangles, in which thickness is straight: no
/// square is ambiguous.
pub(crate) fn iso_lines(map: &WallMap, level_mm: f64) -> Vec<(Place, Place)> {
    let columns = map.angles_deg.len();
    let step = 360.0 / columns as f64;
    let mut lines = Vec::new();
    for row in map.first_row..map.depths_mm.len().saturating_sub(1) {
        for n in 0..columns {
            // From lingual round to lingual.
            let column = (n + columns / 2) % columns;
            let next = (column + 1) % columns;
            let left = -180.0 + n as f64 * step;
            let corner = |r: usize, c: usize, angle: f64| {
                let mm = map.cell(r, c).wall.ok()?;
                Some((mm - level_mm, (angle, map.depths_mm[r])))
            };
            let (Some(a), Some(b), Some(c), Some(d)) = (
                corner(row, column, left),
                corner(row, next, left + step),
                corner(row + 1, next, left + step),
                corner(row + 1, column, left),
            ) else {
                continue;
            };
            for triangle in [[a, b, c], [a, c, d]] {
                lines.extend(crossing(triangle));
            }
        }
    }
    lines
}

fn crossing(corners: [(f64, Place); 3]) -> Option<(Place, Place)> {
    let mut ends = Vec::with_capacity(2);
    for n in 0..3 {
        let ((va, a), (vb, b)) = (corners[n], corners[(n + 1) % 3]);
        if (va >= 0.0) != (vb >= 0.0) {
            let t = va / (va - vb);
            ends.push((a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1)));
        }
    }
    match ends[..] {
        [a, b] => Some((a, b)),
        _ => None,
    }
}
