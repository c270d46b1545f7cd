//! Triangles in a tree of boxes: the nearest place on them, and where a line meets them.

use nalgebra::{Matrix3, Vector3};

/// Most triangles of a leaf.
const LEAF: usize = 4;
/// Branches that wait at most: one a level, and halves of 2^32 triangles make 32 levels.
const DEEPEST: usize = 34;

#[derive(Debug, Clone, Copy)]
struct Bound {
    least: Vector3<f64>,
    most: Vector3<f64>,
}

impl Bound {
    fn empty() -> Self {
        Self { least: Vector3::repeat(f64::INFINITY), most: Vector3::repeat(f64::NEG_INFINITY) }
    }

    fn with(self, p: &Vector3<f64>) -> Self {
        Self { least: self.least.inf(p), most: self.most.sup(p) }
    }

    fn squared_distance(&self, p: &Vector3<f64>) -> f64 {
        let mut sum = 0.0;
        for a in 0..3 {
            let d = (self.least[a] - p[a]).max(p[a] - self.most[a]).max(0.0);
            sum += d * d;
        }
        sum
    }

    /// Whether a line from `from` along `1 / over` passes within `length`.
    fn is_passed(&self, from: &Vector3<f64>, over: &Vector3<f64>, length: f64) -> bool {
        let (mut low, mut high) = (0.0_f64, length);
        for a in 0..3 {
            let (p, q) = ((self.least[a] - from[a]) * over[a], (self.most[a] - from[a]) * over[a]);
            // `min` and `max` leave out what is not a number: a line within a flat face.
            low = low.max(p.min(q));
            high = high.min(p.max(q));
        }
        low <= high
    }
}

#[derive(Debug, Clone, Copy)]
struct Branch {
    bound: Bound,
    /// Of a leaf: its triangles; else the second child, the first follows the branch.
    from: usize,
    count: usize,
}

/// A tree over triangles.
#[derive(Debug, Clone)]
pub(crate) struct Tree {
    /// Into the axes of the boxes: along those that walls run, boxes are flat.
    axes: Matrix3<f64>,
    branches: Vec<Branch>,
    /// Numbers of triangles in the order of leaves.
    order: Vec<usize>,
}

/// A place on a triangle.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    pub(crate) triangle: usize,
    pub(crate) place: Vector3<f64>,
    pub(crate) squared_mm2: f64,
}

impl Tree {
    /// A tree with boxes along the rows of `axes`, which are square to each other and 1 long.
    pub(crate) fn over(corners: &[[Vector3<f64>; 3]], axes: Matrix3<f64>) -> Self {
        let mut order: Vec<usize> = (0..corners.len()).collect();
        let mut tree = Self { axes, branches: Vec::new(), order: Vec::new() };
        let corners: &Vec<[Vector3<f64>; 3]> =
            &corners.iter().map(|t| t.map(|p| axes * p)).collect();
        let centres: Vec<Vector3<f64>> =
            corners.iter().map(|t| (t[0] + t[1] + t[2]) / 3.0).collect();
        if !order.is_empty() {
            tree.grow(corners, &centres, &mut order, 0);
        }
        tree.order = order;
        tree
    }

    fn grow(
        &mut self,
        corners: &[[Vector3<f64>; 3]],
        centres: &[Vector3<f64>],
        part: &mut [usize],
        from: usize,
    ) {
        let bound = part
            .iter()
            .flat_map(|&t| corners[t].iter())
            .fold(Bound::empty(), |bound, p| bound.with(p));
        let here = self.branches.len();
        self.branches.push(Branch { bound, from, count: part.len() });
        if part.len() <= LEAF {
            return;
        }
        let axis = (bound.most - bound.least).imax();
        let middle = part.len() / 2;
        part.select_nth_unstable_by(middle, |&a, &b| {
            centres[a][axis].total_cmp(&centres[b][axis]).then(a.cmp(&b))
        });
        let (left, right) = part.split_at_mut(middle);
        self.grow(corners, centres, left, from);
        self.branches[here].from = self.branches.len();
        self.branches[here].count = 0;
        self.grow(corners, centres, right, from + middle);
    }

    /// What holds of every branch: `of` a triangle, joined over all triangles below the branch.
    pub(crate) fn gathered<T: Copy>(
        &self,
        of: impl Fn(usize) -> T,
        join: impl Fn(T, T) -> T,
    ) -> Vec<T> {
        // Children stand behind their branch.
        let mut found: Vec<T> = Vec::with_capacity(self.branches.len());
        for (n, branch) in self.branches.iter().enumerate().rev() {
            let behind = |child: usize| found[self.branches.len() - 1 - child];
            let of_leaf = self.order.iter().skip(branch.from).take(branch.count).map(|&t| of(t));
            let of_leaf = of_leaf.reduce(&join);
            found.push(of_leaf.unwrap_or_else(|| join(behind(n + 1), behind(branch.from))));
        }
        found.reverse();
        found
    }

    /// The nearest of the places that `place_on` gives for triangles, nearer than `within` (squared);
    /// branches that `may` not hold such a place are passed by. A triangle that is likely to be near
    /// saves most of the way.
    pub(crate) fn nearest(
        &self,
        p: &Vector3<f64>,
        within: f64,
        likely: Option<usize>,
        may: impl Fn(usize) -> bool,
        mut place_on: impl FnMut(usize) -> Option<Vector3<f64>>,
    ) -> Option<Hit> {
        let mut best: Option<Hit> = None;
        let mut least = within;
        if let Some((triangle, place)) = likely.and_then(|t| Some((t, place_on(t)?))) {
            let squared_mm2 = (place - p).norm_squared();
            if squared_mm2 < least {
                least = squared_mm2;
                best = Some(Hit { triangle, place, squared_mm2 });
            }
        }
        let mut stack = [(0_usize, 0.0_f64); DEEPEST];
        let mut height = 0;
        let turned = self.axes * p;
        if let Some(root) = self.branches.first() {
            stack[0] = (0, root.bound.squared_distance(&turned));
            height = 1;
        }
        while height > 0 {
            height -= 1;
            let (n, far) = stack[height];
            if far >= least || !may(n) {
                continue;
            }
            let branch = &self.branches[n];
            if branch.count > 0 {
                for &triangle in &self.order[branch.from..branch.from + branch.count] {
                    let Some(place) = place_on(triangle) else { continue };
                    let squared_mm2 = (place - p).norm_squared();
                    if squared_mm2 < least {
                        least = squared_mm2;
                        best = Some(Hit { triangle, place, squared_mm2 });
                    }
                }
                continue;
            }
            let children = [n + 1, branch.from];
            let [a, b] = children.map(|c| (c, self.branches[c].bound.squared_distance(&turned)));
            let (near, far) = if a.1 <= b.1 { (a, b) } else { (b, a) };
            stack[height] = far;
            stack[height + 1] = near;
            height += 2;
        }
        best
    }

    /// Where a line first meets a triangle, within `length` of its start: the triangle and how far.
    pub(crate) fn first_met(
        &self,
        corners: &[[Vector3<f64>; 3]],
        from: &Vector3<f64>,
        along: &Vector3<f64>,
        length: f64,
    ) -> Option<(usize, f64)> {
        let (turned, over) = (self.axes * from, (self.axes * along).map(|d| 1.0 / d));
        let mut best: Option<(usize, f64)> = None;
        let mut least = length;
        let mut stack = vec![0_usize];
        while let Some(n) = stack.pop() {
            let Some(branch) = self.branches.get(n) else { continue };
            if !branch.bound.is_passed(&turned, &over, least) {
                continue;
            }
            if branch.count > 0 {
                for &triangle in &self.order[branch.from..branch.from + branch.count] {
                    if let Some(s) = meets(&corners[triangle], from, along)
                        && s < least
                    {
                        least = s;
                        best = Some((triangle, s));
                    }
                }
                continue;
            }
            stack.push(branch.from);
            stack.push(n + 1);
        }
        best
    }
}

/// Distance along a line to where it meets a triangle.
///
/// # Source
///
/// Möller T, Trumbore B. Fast, minimum storage ray-triangle intersection. J Graph Tools 1997;2:21-28
/// (from memory).
fn meets([a, b, c]: &[Vector3<f64>; 3], from: &Vector3<f64>, along: &Vector3<f64>) -> Option<f64> {
    let (e1, e2) = (b - a, c - a);
    let p = along.cross(&e2);
    let det = e1.dot(&p);
    if det.abs() < 1e-14 {
        return None;
    }
    let t = (from - a) / det;
    let u = t.dot(&p);
    let q = t.cross(&e1);
    let v = along.dot(&q);
    // A trace beyond the sides, so that no line slips through between two triangles.
    let slack = 1e-9;
    if u < -slack || v < -slack || u + v > 1.0 + slack {
        return None;
    }
    let s = e2.dot(&q);
    (s >= 0.0).then_some(s)
}

/// The place of a triangle nearest to a point.
///
/// # Source
///
/// Ericson C. Real-time collision detection. 2005, section 5.1.5 (from memory): by the regions of the
/// triangle's plane.
pub(crate) fn nearest_on([a, b, c]: &[Vector3<f64>; 3], p: &Vector3<f64>) -> Vector3<f64> {
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 && d1 > d3 {
        return a + ab * (d1 / (d1 - d3));
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 && d2 > d6 {
        return a + ac * (d2 / (d2 - d6));
    }
    let va = d3 * d6 - d5 * d4;
    let (to_c, to_b) = (d4 - d3, d5 - d6);
    if va <= 0.0 && to_c >= 0.0 && to_b >= 0.0 && to_c + to_b > 0.0 {
        return b + (c - b) * (to_c / (to_c + to_b));
    }
    let sum = va + vb + vc;
    if !(sum.abs() > 0.0) {
        return *a;
    }
    a + ab * (vb / sum) + ac * (vc / sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places without order, always the same.
    fn place(n: u32) -> Vector3<f64> {
        let part = |k: f64| 20.0 * (f64::from(n) * k).sin().fract() + (f64::from(n) * 7.7).cos();
        Vector3::new(part(12.9), part(78.2), part(37.7))
    }

    #[test]
    fn the_nearest_that_counts_is_found_whatever_is_passed_by_or_tried_first() {
        let triangles: Vec<[Vector3<f64>; 3]> = (0..700_u32)
            .map(|n| [place(n), place(n) + 0.3 * place(n + 1), place(n) + 0.3 * place(n + 2)])
            .collect();
        let axes = nalgebra::Rotation3::from_euler_angles(0.3, -0.7, 1.1).into_inner();
        let tree = Tree::over(&triangles, axes);
        // Triangles count from their own level down.
        let level = |t: usize| triangles[t][0].z;
        let lowest = tree.gathered(level, f64::min);
        let mut likely = None;
        for n in 1000..1400 {
            let p = place(n);
            let counts = |t: usize| level(t) <= p.z - 3.0;
            let brute = (0..triangles.len())
                .filter(|&t| counts(t))
                .map(|t| (nearest_on(&triangles[t], &p) - p).norm_squared())
                .fold(f64::INFINITY, f64::min);
            let found = tree.nearest(
                &p,
                f64::INFINITY,
                likely,
                |branch| lowest[branch] <= p.z - 3.0,
                |t| counts(t).then(|| nearest_on(&triangles[t], &p)),
            );
            likely = found.map(|hit| hit.triangle);
            let found = found.map_or(f64::INFINITY, |hit| hit.squared_mm2);
            assert!(found == brute || (found - brute).abs() < 1e-12, "{n}: {found} {brute}");
        }
        assert!(likely.is_some());
    }
}
