//! Marching squares: where a section's grey values pass a threshold.

use jawgauge_section::SectionImage;
use jawgauge_space::SectionPoint;
use jawgauge_volume::Sample;

use crate::Clip;

/// A closed line along which the grey value equals the threshold.
///
/// Vertices lie where the sides of the sampling grid cross the threshold, linear between
/// samples. A vertex with a [`Clip`] does not lie on an edge of bone: there the bone runs
/// out of what was scanned or cut.
#[derive(Debug, Clone, PartialEq)]
pub struct Contour {
    /// Vertices in order; the last is joined to the first.
    pub points: Vec<SectionPoint>,
    /// For each vertex, what cut it off, if anything did.
    pub clips: Vec<Option<Clip>>,
}

impl Contour {
    /// Area inside, mm2: positive around values above the threshold, negative around a hole.
    #[must_use]
    pub fn signed_area_mm2(&self) -> f64 {
        let n = self.points.len();
        (0..n)
            .map(|i| {
                let (a, b) = (self.points[i], self.points[(i + 1) % n]);
                0.5 * (a.buccal_mm * b.apical_mm - b.buccal_mm * a.apical_mm)
            })
            .sum()
    }
}

/// All closed contours of `image` at `threshold`.
///
/// Samples above the threshold are inside. Where two inside samples face each other across
/// the diagonal of a cell (a saddle) they are always kept apart, so that pieces which only
/// touch at a corner stay separate. Samples outside the scan count as not inside, and the
/// image is surrounded by a ring of them, so that every contour closes; vertices made that
/// way carry a [`Clip`] and lie on the last scanned sample.
///
/// # Source
///
/// The saddle rule is that of `skimage.measure.find_contours` with its default
/// `fully_connected='low'`, against which the contours are checked.
#[must_use]
pub fn contours(image: &SectionImage, threshold: f64) -> Vec<Contour> {
    let grid = Grid { image, threshold };
    let (rows, columns) = image.shape();
    let (height, width) = (rows + 2, columns + 2);
    let mut next = vec![NONE; 2 * height * width];
    let mut starts = Vec::new();
    let inside_row = |row: usize| -> Vec<bool> {
        let mut line = vec![false; width];
        if (1..=rows).contains(&row) {
            for (slot, grey) in line[1..].iter_mut().zip(image.row(row - 1)) {
                *slot = grey.is_some_and(|g| g > threshold);
            }
        }
        line
    };
    let mut below = inside_row(0);
    for row in 0..height - 1 {
        let above = std::mem::replace(&mut below, inside_row(row + 1));
        for column in 0..width - 1 {
            let corners = [above[column], above[column + 1], below[column + 1], below[column]];
            if corners.iter().all(|&c| c == corners[0]) {
                continue;
            }
            // Sides in the order in which the corners are passed: top, right, bottom, left.
            let sides = [
                2 * (row * width + column),
                2 * (row * width + column + 1) + 1,
                2 * ((row + 1) * width + column),
                2 * (row * width + column) + 1,
            ];
            for side in 0..4 {
                let leaves = corners[side] && !corners[(side + 1) % 4];
                if !leaves {
                    continue;
                }
                // Back along the inside corners to where they were entered: this keeps
                // diagonal inside corners apart.
                let mut entry = side;
                while corners[entry] {
                    entry = (entry + 3) % 4;
                }
                next[sides[side]] = sides[entry];
                starts.push(sides[side]);
            }
        }
    }
    let mut found = Vec::new();
    for start in starts {
        let mut contour = Contour { points: Vec::new(), clips: Vec::new() };
        let mut side = start;
        while next[side] != NONE {
            let (point, clip) = grid.vertex(side, width);
            contour.points.push(point);
            contour.clips.push(clip);
            side = std::mem::replace(&mut next[side], NONE);
        }
        if contour.points.len() >= 3 {
            found.push(contour);
        }
    }
    found
}

const NONE: usize = usize::MAX;

/// The image with a ring of unscanned samples around it; rows and columns count from the ring.
struct Grid<'a> {
    image: &'a SectionImage,
    threshold: f64,
}

impl Grid<'_> {
    fn sample(&self, row: usize, column: usize) -> Option<f64> {
        let (rows, columns) = self.image.shape();
        if row == 0 || column == 0 || row > rows || column > columns {
            return None;
        }
        self.image.at(row - 1, column - 1).grey()
    }

    fn vertex(&self, side: usize, width: usize) -> (SectionPoint, Option<Clip>) {
        let (row, column) = (side / 2 / width, side / 2 % width);
        let a = (row, column);
        let b = if side.is_multiple_of(2) { (row, column + 1) } else { (row + 1, column) };
        let place = |p: (f64, f64)| self.image.place_of(p.0 - 1.0, p.1 - 1.0);
        let float = |p: (usize, usize)| (p.0 as f64, p.1 as f64);
        match (self.sample(a.0, a.1), self.sample(b.0, b.1)) {
            (Some(ga), Some(gb)) => {
                let t = (self.threshold - ga) / (gb - ga);
                let (fa, fb) = (float(a), float(b));
                (place((fa.0 + t * (fb.0 - fa.0), fa.1 + t * (fb.1 - fa.1))), None)
            }
            (Some(_), None) => (place(float(a)), Some(self.clip(b))),
            _ => (place(float(b)), Some(self.clip(a))),
        }
    }

    fn clip(&self, unscanned: (usize, usize)) -> Clip {
        let (rows, columns) = self.image.shape();
        let (row, column) = unscanned;
        let in_ring = row == 0 || column == 0 || row > rows || column > columns;
        if in_ring { Clip::Window } else { Clip::Scan }
    }
}

/// Lowest and highest grey value of an image, `None` where nothing was scanned.
pub(crate) fn grey_range(image: &SectionImage) -> Option<(f64, f64)> {
    let (rows, columns) = image.shape();
    let mut range: Option<(f64, f64)> = None;
    for row in 0..rows {
        for column in 0..columns {
            if let Sample::Grey(g) = image.at(row, column) {
                let (low, high) = range.unwrap_or((g, g));
                range = Some((low.min(g), high.max(g)));
            }
        }
    }
    range
}
