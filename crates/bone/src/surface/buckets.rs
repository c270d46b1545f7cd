//! Places sorted into cubes, so that those near a place are found.

use std::collections::HashMap;

use nalgebra::Vector3;

/// Numbers of places by the cube that they lie in.
#[derive(Debug, Clone)]
pub(crate) struct Buckets {
    size_mm: f64,
    held: HashMap<[i32; 3], Vec<usize>>,
}

impl Buckets {
    pub(crate) fn new(size_mm: f64) -> Self {
        Self { size_mm, held: HashMap::new() }
    }

    pub(crate) fn of(points: &[Vector3<f64>], size_mm: f64) -> Self {
        let mut buckets = Self::new(size_mm);
        for (n, p) in points.iter().enumerate() {
            buckets.add(n, p);
        }
        buckets
    }

    pub(crate) fn add(&mut self, n: usize, p: &Vector3<f64>) {
        self.held.entry(self.cube(p, 0.0)).or_default().push(n);
    }

    fn cube(&self, p: &Vector3<f64>, by_mm: f64) -> [i32; 3] {
        // Metres at most over a fraction of a millimetre.
        #[allow(clippy::cast_possible_truncation)]
        std::array::from_fn(|a| ((p[a] + by_mm) / self.size_mm).floor() as i32)
    }

    /// Calls `tell` with every place within `reach_mm` of `p`, always in the same order.
    pub(crate) fn each_within(
        &self,
        points: &[Vector3<f64>],
        p: &Vector3<f64>,
        reach_mm: f64,
        mut tell: impl FnMut(usize),
    ) {
        let (low, high) = (self.cube(p, -reach_mm), self.cube(p, reach_mm));
        for x in low[0]..=high[0] {
            for y in low[1]..=high[1] {
                for z in low[2]..=high[2] {
                    for &n in self.held.get(&[x, y, z]).into_iter().flatten() {
                        if (points[n] - p).norm_squared() <= reach_mm * reach_mm {
                            tell(n);
                        }
                    }
                }
            }
        }
    }

    /// Whether a place lies within `reach_mm` of `p`.
    pub(crate) fn has_within(
        &self,
        points: &[Vector3<f64>],
        p: &Vector3<f64>,
        reach_mm: f64,
    ) -> bool {
        let mut found = false;
        self.each_within(points, p, reach_mm, |_| found = true);
        found
    }
}
