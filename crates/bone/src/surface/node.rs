//! Places of the net with the paraboloid that it follows about them, and the walls fitted there.

use jawgauge_space::PatientVector;
use jawgauge_volume::Volume;
use nalgebra::{Matrix2, SMatrix, SVector, SymmetricEigen, Vector3};

use super::buckets::Buckets;
use super::grid::point;
use super::nets::Net;
use crate::wall::{Face, Place, Smoothness, WallSurvey};
use jawgauge_space::SectionPoint;

/// Vertices within this of a place say how the surface bends there, mm.
const BEND_REACH_MM: f64 = 1.15;
/// ... those that face the same way, by this cosine.
const SAME_WAY: f64 = 0.5;
/// A net that misses its own paraboloid by more than this, mm (root mean square), beyond its noise has
/// a corner there.
const CORNER_MM: f64 = 0.02;
/// Tightest bend, in standard deviations of the blur.
const TIGHTEST_SIGMAS: f64 = 5.0;
/// Fewest vertices for a paraboloid: it has six unknowns.
const FEWEST: usize = 14;
/// A wall's own uncertainty beyond noise and blur, one standard deviation, mm (as for sections).
const MODEL_MM: f64 = 0.010;

/// A fitted piece of the surface: a paraboloid about a place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Node {
    pub(crate) centre: Vector3<f64>,
    pub(crate) along: Vector3<f64>,
    pub(crate) beside: Vector3<f64>,
    pub(crate) inward: Vector3<f64>,
    /// Depth below the tangent plane at (s, t) along and beside: 1, s, t, s s, s t, t t.
    depth: [f64; 6],
    /// Standard uncertainty of the place of the surface, mm.
    pub(crate) u_mm: f64,
}

impl Node {
    /// How far a place must move inwards to lie on the fitted surface, mm.
    pub(crate) fn move_of(&self, p: &Vector3<f64>) -> f64 {
        let d = p - self.centre;
        let (s, t) = (d.dot(&self.along), d.dot(&self.beside));
        let [a, b, c, ss, st, tt] = self.depth;
        a + b * s + c * t + ss * s * s + st * s * t + tt * t * t - d.dot(&self.inward)
    }
}

/// The paraboloid of the net about a vertex.
struct Bent {
    centre: Vector3<f64>,
    /// Directions of the greater and the lesser bend, and inwards.
    axes: [Vector3<f64>; 3],
    /// Curvatures along the first two, 1/mm, positive where convex.
    bends: [f64; 2],
    miss_mm: f64,
}

/// The wall at a vertex of the net; `None` at corners and where none fits.
pub(crate) fn fit_node(
    volume: &Volume,
    survey: &WallSurvey,
    net: &Net,
    normals: &[Vector3<f64>],
    near: &Buckets,
    vertex: usize,
    through_mm: impl Fn(&Vector3<f64>, &Vector3<f64>) -> f64,
) -> Option<Node> {
    let bent = bend_at(net, normals, near, vertex)?;
    let smooth: Smoothness = survey.smoothness();
    let tightest = bent.bends.iter().map(|b| b.abs()).fold(0.0, f64::max);
    if !(bent.miss_mm <= CORNER_MM + smooth.noise_mm
        && tightest * TIGHTEST_SIGMAS * smooth.sigma_mm <= 1.0)
    {
        return None;
    }
    let [along, beside, inward] = bent.axes;
    let through_mm = through_mm(&bent.centre, &inward);
    let as_patient = |v: Vector3<f64>| PatientVector::new(v.x, v.y, v.z);
    let face = Face {
        centre: point(bent.centre),
        along: as_patient(along),
        inward: as_patient(inward),
        beside: as_patient(beside),
        curvature: bent.bends[0],
    };
    let place =
        Place { index: 0, at: SectionPoint::new(0.0, 0.0), inward: (0.0, 0.0), face, through_mm };
    let reach = survey.reach(&place);
    let wall = survey.fit(volume, place, reach)?;
    if !survey.believes(&wall) {
        return None;
    }
    let slant = wall.patch.slant();
    let (lean_along, lean_beside) = wall.patch.lean;
    // Voxels to either side lie deeper below a surface that bends across the patch as well, by this on
    // average; what the surface's model had no place for it put into its depth.
    let [_, across] = bent.bends;
    let sagged = across * reach.beside_mm * reach.beside_mm / 6.0;
    let depth = [
        wall.fit.slab.surface * slant - sagged,
        lean_along,
        lean_beside,
        0.5 * (bent.bends[0] + wall.patch.bend),
        0.0,
        0.5 * across,
    ];
    let noise = wall.fit.covariance[(0, 0)].sqrt();
    let blur = wall.fit.by_sigma.0 * survey.blur.u_sigma();
    let u_mm = noise.hypot(blur).hypot(MODEL_MM) * slant;
    Some(Node { centre: bent.centre, along, beside, inward, depth, u_mm })
}

fn bend_at(net: &Net, normals: &[Vector3<f64>], near: &Buckets, vertex: usize) -> Option<Bent> {
    let start = net.points[vertex];
    let mut inward = -normals[vertex];
    if !(inward.norm() > 0.5) {
        return None;
    }
    let mut around = Vec::new();
    near.each_within(&net.points, &start, BEND_REACH_MM, |v| {
        if normals[v].dot(&normals[vertex]) >= SAME_WAY {
            around.push(net.points[v]);
        }
    });
    if around.len() < FEWEST {
        return None;
    }
    let mut found = None;
    // The second time about the normal that the first has found.
    for _ in 0..2 {
        let (s_axis, t_axis) = two_across(&inward);
        let mut normal = SMatrix::<f64, 6, 6>::zeros();
        let mut right = SVector::<f64, 6>::zeros();
        let row = |p: &Vector3<f64>| {
            let d = p - start;
            let (s, t) = (d.dot(&s_axis), d.dot(&t_axis));
            (SVector::<f64, 6>::from([1.0, s, t, s * s, s * t, t * t]), d.dot(&inward))
        };
        for p in &around {
            let (r, depth) = row(p);
            normal += r * r.transpose();
            right += r * depth;
        }
        let fit = normal.cholesky()?.solve(&right);
        let square: f64 = around
            .iter()
            .map(|p| {
                let (r, depth) = row(p);
                (depth - r.dot(&fit)).powi(2)
            })
            .sum();
        let miss_mm = (square / (around.len() as f64 - 6.0).max(1.0)).sqrt();
        let centre = start + inward * fit[0];
        // Where the tangent plane leans, inwards leans with it.
        let leaning = (inward - s_axis * fit[1] - t_axis * fit[2]).normalize();
        found = Some((fit, s_axis, t_axis, centre, miss_mm));
        inward = leaning;
    }
    let (fit, s_axis, t_axis, centre, miss_mm) = found?;
    let bends = Matrix2::new(2.0 * fit[3], fit[4], fit[4], 2.0 * fit[5]);
    let eigen = SymmetricEigen::new(bends);
    let (first, second) =
        if eigen.eigenvalues[0].abs() >= eigen.eigenvalues[1].abs() { (0, 1) } else { (1, 0) };
    let direction = |n: usize| {
        let v = eigen.eigenvectors.column(n);
        let d = s_axis * v[0] + t_axis * v[1];
        (d - inward * d.dot(&inward)).normalize()
    };
    let along = direction(first);
    let beside = inward.cross(&along);
    Some(Bent {
        centre,
        axes: [along, beside, inward],
        bends: [eigen.eigenvalues[first], eigen.eigenvalues[second]],
        miss_mm,
    })
}

/// Two unit vectors square to a unit vector and to each other.
pub(crate) fn two_across(v: &Vector3<f64>) -> (Vector3<f64>, Vector3<f64>) {
    let least = v.map(f64::abs).imin();
    let mut other = Vector3::zeros();
    other[least] = 1.0;
    let a = (other - v * v.dot(&other)).normalize();
    (a, v.cross(&a))
}
