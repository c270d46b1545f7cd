//! The face between bone and outside as a net of triangles.

use nalgebra::Vector3;

use super::grid::vector;
use super::solid::Solid;

/// Edges of a cell by the corners that they join; corner bits are i, j, k.
const EDGES: [(usize, usize); 12] = [
    (0, 1),
    (2, 3),
    (4, 5),
    (6, 7),
    (0, 2),
    (1, 3),
    (4, 6),
    (5, 7),
    (0, 4),
    (1, 5),
    (2, 6),
    (3, 7),
];

/// Vertices and the triangles between them, turning anticlockwise when seen from outside.
#[derive(Debug, Clone, Default)]
pub(crate) struct Net {
    pub(crate) points: Vec<Vector3<f64>>,
    pub(crate) triangles: Vec<[u32; 3]>,
}

/// A vertex in every cell of voxels that the surface passes, at the mean of where it crosses the cell's
/// edges, joined across every crossed edge.
///
/// # Source
///
/// Gibson SFF. Constrained elastic surface nets. MICCAI 1998, LNCS 1496:888-898 (from memory), without
/// the relaxation: vertices are placed afterwards.
pub(crate) fn net_of(solid: &Solid) -> Net {
    let grid = &solid.grid;
    let strides = grid.strides();
    let corner =
        |c: usize| (c & 1) * strides[0] + (c >> 1 & 1) * strides[1] + (c >> 2) * strides[2];
    let corners: [usize; 8] = std::array::from_fn(corner);
    let [ni, nj, nk] = grid.size;
    let mut net = Net::default();
    let none = u32::MAX;
    let mut vertex_of = vec![none; grid.len()];
    for k in 0..nk - 1 {
        for j in 0..nj - 1 {
            for i in 0..ni - 1 {
                let n = i + j * strides[1] + k * strides[2];
                let values = corners.map(|c| solid.excess[n + c]);
                let bone = values.iter().filter(|v| **v > 0.0).count();
                if bone == 0 || bone == 8 || values.iter().any(|v| v.is_nan()) {
                    continue;
                }
                let mut sum = [0.0; 3];
                let mut crossings = 0.0;
                for (a, b) in EDGES {
                    let (va, vb) = (f64::from(values[a]), f64::from(values[b]));
                    if (va > 0.0) == (vb > 0.0) {
                        continue;
                    }
                    let t = va / (va - vb);
                    for (axis, s) in sum.iter_mut().enumerate() {
                        let bit = |c: usize| (c >> axis & 1) as f64;
                        *s += bit(a) + t * (bit(b) - bit(a));
                    }
                    crossings += 1.0;
                }
                let at = [i, j, k].map(|x| x as f64);
                let place = grid.place(std::array::from_fn(|a| at[a] + sum[a] / crossings));
                // A net of fewer than 2^32 vertices: a box of voxels.
                #[allow(clippy::cast_possible_truncation)]
                {
                    vertex_of[n] = net.points.len() as u32;
                }
                net.points.push(vector(place));
            }
        }
    }
    let [a, b, c] = grid.affine.steps();
    let right_handed = a.cross(b).dot(c) > 0.0;
    for k in 1..nk {
        for j in 1..nj {
            for i in 1..ni {
                let n = i + j * strides[1] + k * strides[2];
                for axis in 0..3 {
                    let size = grid.size[axis];
                    if [i, j, k][axis] + 1 >= size {
                        continue;
                    }
                    let (here, there) = (solid.excess[n], solid.excess[n + strides[axis]]);
                    if here.is_nan() || there.is_nan() || (here > 0.0) == (there > 0.0) {
                        continue;
                    }
                    let (u, v) = (strides[(axis + 1) % 3], strides[(axis + 2) % 3]);
                    let quad = [n, n - u, n - u - v, n - v].map(|cell| vertex_of[cell]);
                    if quad.contains(&none) {
                        continue;
                    }
                    let [p, q, r, s] = quad;
                    // Out of the bone is up the axis where this voxel is bone.
                    let turned = (here > 0.0) != right_handed;
                    let shorter = {
                        let d = |x: u32, y: u32| {
                            (net.points[x as usize] - net.points[y as usize]).norm_squared()
                        };
                        d(p, r) <= d(q, s)
                    };
                    let two = if shorter { [[p, q, r], [p, r, s]] } else { [[q, r, s], [q, s, p]] };
                    for [x, y, z] in two {
                        net.triangles.push(if turned { [x, z, y] } else { [x, y, z] });
                    }
                }
            }
        }
    }
    net
}

impl Net {
    /// Unit normals of the vertices, out of the bone: those of their triangles by the angle there.
    pub(crate) fn normals(&self) -> Vec<Vector3<f64>> {
        let mut normals = vec![Vector3::zeros(); self.points.len()];
        for triangle in &self.triangles {
            let at = triangle.map(|v| self.points[v as usize]);
            let normal = (at[1] - at[0]).cross(&(at[2] - at[0])).normalize();
            if !normal.x.is_finite() {
                continue;
            }
            for (corner, &v) in triangle.iter().enumerate() {
                let (a, b) = (at[(corner + 1) % 3] - at[corner], at[(corner + 2) % 3] - at[corner]);
                normals[v as usize] += normal * a.cross(&b).norm().atan2(a.dot(&b));
            }
        }
        for normal in &mut normals {
            let length = normal.norm();
            if length > 0.0 {
                *normal /= length;
            }
        }
        normals
    }
}
