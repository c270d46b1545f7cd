//! Cubic spline through points over given knots, with not-a-knot ends.

use nalgebra::{DMatrix, DVector};

/// A cubic spline in three coordinates: on piece `p`, with `s` measured from its knot,
/// the coordinate is `a + s (b + s (c + s d))`.
#[derive(Debug, Clone)]
pub(crate) struct Spline3 {
    knots: Vec<f64>,
    pieces: Vec<[[f64; 4]; 3]>,
}

impl Spline3 {
    /// Through `points` at strictly increasing `knots` (two or more).
    ///
    /// Two points make a straight line, three the one parabola through them, four or more a
    /// cubic spline whose third derivative is also continuous across the first and the last
    /// inner knot ("not a knot": de Boor C. A Practical Guide to Splines, 1978, chapter IV,
    /// from memory). `scipy.interpolate.CubicSpline` has the same default.
    pub(crate) fn through(knots: Vec<f64>, points: &[[f64; 3]]) -> Self {
        let slopes = slopes(&knots, points);
        let pieces = (0..knots.len() - 1)
            .map(|p| {
                let h = knots[p + 1] - knots[p];
                [0, 1, 2].map(|axis| {
                    let (y0, y1) = (points[p][axis], points[p + 1][axis]);
                    let (m0, m1) = (slopes[p][axis], slopes[p + 1][axis]);
                    let chord = (y1 - y0) / h;
                    [y0, m0, (3.0 * chord - 2.0 * m0 - m1) / h, (m0 + m1 - 2.0 * chord) / (h * h)]
                })
            })
            .collect();
        Self { knots, pieces }
    }

    pub(crate) fn knots(&self) -> &[f64] {
        &self.knots
    }

    fn piece(&self, t: f64) -> (usize, f64) {
        let last = self.pieces.len() - 1;
        let p = self.knots.partition_point(|&k| k <= t).saturating_sub(1).min(last);
        (p, t - self.knots[p])
    }

    pub(crate) fn at(&self, t: f64) -> [f64; 3] {
        let (p, s) = self.piece(t);
        self.pieces[p].map(|[a, b, c, d]| a + s * (b + s * (c + s * d)))
    }

    pub(crate) fn slope_at(&self, t: f64) -> [f64; 3] {
        let (p, s) = self.piece(t);
        self.pieces[p].map(|[_, b, c, d]| b + s * (2.0 * c + s * 3.0 * d))
    }
}

fn slopes(knots: &[f64], points: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let n = knots.len();
    let h: Vec<f64> = knots.windows(2).map(|w| w[1] - w[0]).collect();
    let chord = |p: usize, axis: usize| (points[p + 1][axis] - points[p][axis]) / h[p];
    if n == 2 {
        return vec![[0, 1, 2].map(|axis| chord(0, axis)); 2];
    }
    if n == 3 {
        let bend = [0, 1, 2].map(|axis| (chord(1, axis) - chord(0, axis)) / (h[0] + h[1]));
        return [-h[0], h[0], h[0] + 2.0 * h[1]]
            .map(|reach| [0, 1, 2].map(|axis| chord(0, axis) + bend[axis] * reach))
            .to_vec();
    }
    let mut matrix = DMatrix::zeros(n, n);
    let mut right = [0, 1, 2].map(|_| DVector::zeros(n));
    for p in 1..n - 1 {
        matrix[(p, p - 1)] = h[p];
        matrix[(p, p)] = 2.0 * (h[p - 1] + h[p]);
        matrix[(p, p + 1)] = h[p - 1];
        for (axis, r) in right.iter_mut().enumerate() {
            r[p] = 3.0 * (h[p] * chord(p - 1, axis) + h[p - 1] * chord(p, axis));
        }
    }
    // Equal third derivatives of the two pieces at either end.
    for (row, [end, next, inner], [p, q]) in
        [(0, [0, 1, 2], [0, 1]), (n - 1, [n - 1, n - 2, n - 3], [n - 2, n - 3])]
    {
        let (a, b) = (h[p], h[q]);
        matrix[(row, end)] = b * b;
        matrix[(row, next)] = b * b - a * a;
        matrix[(row, inner)] = -a * a;
        for (axis, r) in right.iter_mut().enumerate() {
            r[row] = 2.0 * (b * b * chord(p, axis) - a * a * chord(q, axis));
        }
    }
    let lu = matrix.lu();
    let solved = right.map(|r| lu.solve(&r));
    (0..n)
        .map(|p| {
            [0, 1, 2].map(|axis| match &solved[axis] {
                Some(slopes) => slopes[p],
                // Not reached for increasing knots, whose matrix has full rank; a chord is harmless.
                None => chord(p.min(n - 2), axis),
            })
        })
        .collect()
}
