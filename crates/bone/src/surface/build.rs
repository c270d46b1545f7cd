//! Building the surface: voxels, net, fitted walls, moved vertices.

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use jawgauge_space::PatientPoint;
use jawgauge_volume::Volume;

use super::buckets::Buckets;
use super::grid::{point, vector};
use super::nets::net_of;
use super::node::{Node, fit_node};
use super::region::OrientedBox;
use super::solid::Solid;
use super::tree::Tree;
use super::{BoneSurface, Facet, SurfaceError, UNKNOWN, as_vector};
use crate::section_bone::SectionBone;

/// Distance of places where walls are fitted, mm: less than a patch of voxels is long.
const NODE_MM: f64 = 1.0;
/// A fitted wall says where vertices within this lie, mm; those that face the same way by this cosine.
const BLEND_MM: f64 = 1.4;
const SAME_WAY: f64 = 0.7;
/// No vertex is moved by more than this, mm.
const MOST_MOVE_MM: f64 = 0.8;
/// Fitted walls in which a vertex is this sure of itself, in units of one wall at no distance: fewer
/// leave a part of it where the net was.
const ENOUGH_WEIGHT: f64 = 0.15;
/// A fitted wall stands out that lies off its neighbours within this, mm, by more than this, mm, and this
/// many standard uncertainties.
const NEIGHBOURS_MM: f64 = 2.2;
const OFF_MM: f64 = 0.08;
const OFF_SIGMAS: f64 = 4.0;
/// Bone is looked through along a wall's normal as far as this, in steps of this, mm.
const THROUGH_MM: f64 = 8.5;
const THROUGH_STEP_MM: f64 = 0.15;
/// ... from this on, mm.
const THROUGH_FROM_MM: f64 = 0.3;
/// Higher than this below the crest, mm, a wall is rounded into it by the scan's blur.
const CREST_ROUNDED_MM: f64 = 0.45;
/// The slope of the grey value at a vertex is read over this to either side, mm.
const SLOPE_REACH_MM: f64 = 0.15;

/// Longest voxel step that tells gaps of a millimetre from walls, mm.
const COARSEST_MM: f64 = 0.5;

impl BoneSurface {
    /// The outer face of the bone of a section within a box around it.
    ///
    /// # Errors
    ///
    /// [`SurfaceError`] where nothing of it was scanned or no edge of the bone lies in it.
    pub fn around(
        volume: &Volume,
        bone: &SectionBone,
        region: &OrientedBox,
    ) -> Result<Self, SurfaceError> {
        let voxel_mm = volume.geometry().coarsest_mm();
        if voxel_mm > COARSEST_MM {
            return Err(SurfaceError::Coarse { voxel_mm });
        }
        if bone.walls.as_ref().is_some_and(|walls| !walls.is_half_way) {
            return Err(SurfaceError::ThinWalls);
        }
        let solid = Solid::around(volume, bone, region);
        let solid = match solid {
            Some(solid) => solid,
            None if super::grid::Grid::around(volume, region).is_none() => {
                return Err(SurfaceError::NotScanned);
            }
            None => return Err(SurfaceError::NoBone),
        };
        let mut net = net_of(&solid);
        if net.triangles.is_empty() {
            return Err(SurfaceError::NoBone);
        }
        let normals = net.normals();
        let nodes = fitted_nodes(volume, bone, &solid, &net, &normals);
        let centres: Vec<Vector3<f64>> = nodes.iter().map(|n| n.centre).collect();
        let near = Buckets::of(&centres, BLEND_MM);
        let moved: Vec<(Vector3<f64>, f64, bool)> = (0..net.points.len())
            .into_par_iter()
            .with_min_len(256)
            .map(|v| {
                let (p, normal) = (net.points[v], normals[v]);
                let (by, weight, u) = blended(&nodes, &centres, &near, &p, &normal);
                if weight <= 0.0 {
                    return (p, raw_u_mm(volume, bone, &p, &normal), false);
                }
                let share = (weight / ENOUGH_WEIGHT).min(1.0);
                let u = if share < 1.0 {
                    u.max((1.0 - share) * raw_u_mm(volume, bone, &p, &normal))
                } else {
                    u
                };
                (p + by * share, u, true)
            })
            .collect();
        let mut u_mm = Vec::with_capacity(moved.len());
        let mut fitted = Vec::with_capacity(moved.len());
        for (v, (p, u, is_fitted)) in moved.into_iter().enumerate() {
            net.points[v] = p;
            u_mm.push(u);
            fitted.push(is_fitted);
        }
        let normals = net.normals();
        let apical = as_vector(bone.frame.apical().as_vector());
        let corners: Vec<[Vector3<f64>; 3]> =
            net.triangles.iter().map(|t| t.map(|v| net.points[v as usize])).collect();
        let turns: Vec<(f64, f64)> = normals
            .iter()
            .zip(&net.points)
            .map(|(normal, p)| (-normal.dot(&apical), p.dot(&apical)))
            .collect();
        let facets = facets(&net.triangles, &corners, &turns, &apical);
        let frame = &region.frame;
        let axes = [frame.buccal(), frame.apical(), frame.mesial()]
            .map(|d| as_vector(d.as_vector()).transpose());
        let axes = Matrix3::from_rows(&axes);
        let tree = Tree::over(&corners, axes);
        let branches = tree.gathered(|t| facets[t], Facet::joined);
        let unscanned: Vec<[Vector3<f64>; 3]> =
            edge_of_scan(&solid, region).into_iter().map(|p| [vector(p); 3]).collect();
        let unscanned_tree = Tree::over(&unscanned, axes);
        let is_bone = solid
            .excess
            .iter()
            .map(|e| if e.is_nan() { UNKNOWN } else { u8::from(*e > 0.0) })
            .collect();
        Ok(Self {
            region: *region,
            grid: solid.grid,
            is_bone,
            points: net.points,
            normals,
            u_mm,
            fitted,
            triangles: net.triangles,
            corners,
            facets,
            branches,
            turns,
            apical,
            wall_level: apical.dot(&vector(bone.patient(bone.crest))) + CREST_ROUNDED_MM,
            tree,
            unscanned,
            unscanned_tree,
        })
    }
}

fn facets(
    triangles: &[[u32; 3]],
    corners: &[[Vector3<f64>; 3]],
    turns: &[(f64, f64)],
    apical: &Vector3<f64>,
) -> Vec<Facet> {
    let ends = |values: [f64; 3]| {
        let [a, b, c] = values;
        (a.min(b).min(c), a.max(b).max(c))
    };
    triangles
        .iter()
        .zip(corners)
        .map(|(triangle, [a, b, c])| {
            let normal = (b - a).cross(&(c - a));
            let length = normal.norm();
            let of = triangle.map(|v| turns[v as usize]);
            Facet {
                rise: if length > 0.0 { -normal.dot(apical) / length } else { 0.0 },
                turns: ends(of.map(|t| t.0)),
                levels: ends(of.map(|t| t.1)),
            }
        })
        .collect()
}

/// Walls fitted a millimetre apart, without those that stand out from their neighbours.
fn fitted_nodes(
    volume: &Volume,
    bone: &SectionBone,
    solid: &Solid,
    net: &super::nets::Net,
    normals: &[Vector3<f64>],
) -> Vec<Node> {
    let Some(survey) = &bone.walls else { return Vec::new() };
    let spacing_mm = NODE_MM.max(1.5 * bone.quality.voxel_mm);
    let mut taken = Buckets::new(spacing_mm);
    let mut chosen: Vec<usize> = Vec::new();
    for (v, p) in net.points.iter().enumerate() {
        if !taken.has_within(&net.points, p, spacing_mm) {
            taken.add(v, p);
            chosen.push(v);
        }
    }
    let near = Buckets::of(&net.points, 1.2);
    let through = |from: &Vector3<f64>, inward: &Vector3<f64>| {
        let mut s = THROUGH_FROM_MM;
        while s < THROUGH_MM {
            match solid.holds(point(from + inward * s)) {
                Some(true) => s += THROUGH_STEP_MM,
                Some(false) => return s,
                None => break,
            }
        }
        THROUGH_MM
    };
    let nodes: Vec<Node> = chosen
        .into_par_iter()
        .filter_map(|v| fit_node(volume, survey, net, normals, &near, v, through))
        .collect();
    let centres: Vec<Vector3<f64>> = nodes.iter().map(|n| n.centre).collect();
    let around = Buckets::of(&centres, NEIGHBOURS_MM);
    let off = |n: usize| {
        let node = &nodes[n];
        let mut moves = Vec::new();
        around.each_within(&centres, &node.centre, NEIGHBOURS_MM, |other| {
            if other != n && nodes[other].inward.dot(&node.inward) > SAME_WAY {
                moves.push(nodes[other].move_of(&nodes[other].centre));
            }
        });
        if moves.len() < 3 {
            return false;
        }
        moves.sort_by(f64::total_cmp);
        let middle = moves[moves.len() / 2];
        (node.move_of(&node.centre) - middle).abs() > OFF_MM + OFF_SIGMAS * node.u_mm
    };
    (0..nodes.len()).filter(|&n| !off(n)).map(|n| nodes[n]).collect()
}

/// How the fitted walls about a vertex move it, the sum of their weights, and its uncertainty.
fn blended(
    nodes: &[Node],
    centres: &[Vector3<f64>],
    near: &Buckets,
    p: &Vector3<f64>,
    normal: &Vector3<f64>,
) -> (Vector3<f64>, f64, f64) {
    let (mut by, mut sum, mut u) = (Vector3::zeros(), 0.0, 0.0);
    near.each_within(centres, p, BLEND_MM, |n| {
        let node = &nodes[n];
        if -node.inward.dot(normal) < SAME_WAY {
            return;
        }
        let mm = node.move_of(p);
        if mm.abs() > MOST_MOVE_MM {
            return;
        }
        let weight =
            (1.0 - (p - node.centre).norm_squared() / (BLEND_MM * BLEND_MM)).max(0.0).powi(3);
        by += node.inward * (mm * weight);
        u += node.u_mm * weight;
        sum += weight;
    });
    if sum > 0.0 { (by / sum, sum, u / sum) } else { (by, 0.0, 0.0) }
}

/// Standard uncertainty of a vertex that no wall was fitted near.
fn raw_u_mm(volume: &Volume, bone: &SectionBone, p: &Vector3<f64>, normal: &Vector3<f64>) -> f64 {
    let grey = |s: f64| volume.sample_linear(point(p + normal * s)).grey();
    let slope = grey(SLOPE_REACH_MM)
        .zip(grey(-SLOPE_REACH_MM))
        .map(|(out, inside)| (inside - out) / (2.0 * SLOPE_REACH_MM));
    bone.quality.u_edge_mm(slope)
}

/// Places of voxels within the region that were not scanned, next to some that were, and where the
/// scan's grid ends.
fn edge_of_scan(solid: &Solid, region: &OrientedBox) -> Vec<PatientPoint> {
    let grid = &solid.grid;
    let strides = grid.strides();
    let mut places = Vec::new();
    for n in 0..grid.len() {
        let at = grid.index_of(n);
        let p = grid.place(at.map(|x| x as f64));
        // The region's own faces cut off no more than they were asked to.
        if region.depth_mm(p) < grid.step_mm.iter().copied().fold(0.0, f64::max) {
            continue;
        }
        let known = !solid.excess[n].is_nan();
        let at_end = (0..3).any(|a| at[a] == 0 || at[a] + 1 == grid.size[a]);
        let beside_known = || {
            (0..3).any(|a| {
                (at[a] > 0 && !solid.excess[n - strides[a]].is_nan())
                    || (at[a] + 1 < grid.size[a] && !solid.excess[n + strides[a]].is_nan())
            })
        };
        if (known && at_end) || (!known && beside_known()) {
            places.push(p);
        }
    }
    places
}
