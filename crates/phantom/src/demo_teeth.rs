use std::f64::consts::TAU;

use jawgauge_space::{PatientDir, PatientPoint};

use crate::shapes_outline::Outline;

/// Grey values of the teeth: common practice, no source.
const ENAMEL: f64 = 2500.0;
const DENTINE: f64 = 1600.0;
const PULP: f64 = 300.0;

/// Width of the gap round a root that its ligament fills, mm: common practice, no source.
const LIGAMENT_MM: f64 = 0.25;
/// Thickness of the enamel, mm: common practice, no source.
const ENAMEL_MM: f64 = 1.0;
/// Beyond this many standard deviations an edge is not felt any more.
const FELT_SIGMAS: f64 = 6.0;

/// The sizes of one root with its part of the crown, all round about one straight axis, mm.
/// Heights count from the neck, positive to the apex.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RootSize {
    /// Radius at the neck.
    pub(crate) neck_radius: f64,
    /// Radius of the rounded tip.
    pub(crate) tip_radius: f64,
    /// Neck to apex.
    pub(crate) length: f64,
    /// Largest radius of the crown, where it touches its neighbour.
    pub(crate) crown_radius: f64,
    /// Height of that place above the neck.
    pub(crate) contact_height: f64,
    /// Depth of the bone's edge below the neck.
    pub(crate) bone_depth: f64,
    /// Thickness of the bone round the root at that edge.
    pub(crate) sleeve: f64,
}

/// One root: a body of revolution with its crown, the bone and the gap round it.
#[derive(Debug, Clone)]
pub(crate) struct Root {
    neck: PatientPoint,
    axis: PatientDir,
    size: RootSize,
    sleeve: Outline,
    root: Outline,
    crown: Outline,
    pulp: Outline,
    middle: PatientPoint,
    reach: f64,
}

/// A tooth: its roots share one crown.
#[derive(Debug, Clone)]
pub(crate) struct ToothBody {
    pub(crate) roots: Vec<Root>,
}

/// How much of each part lies at a place, 0 to 1.
#[derive(Debug, Clone, Copy, Default)]
struct Parts {
    sleeve: f64,
    ligament: f64,
    dentine: f64,
    enamel: f64,
    pulp: f64,
}

impl Root {
    /// Outlines are hulls of two discs in the half-plane of distance from the axis and
    /// height, which about the axis are hulls of two balls.
    pub(crate) fn new(neck: PatientPoint, axis: PatientDir, size: RootSize, sigma: f64) -> Self {
        let tip = size.length - size.tip_radius;
        let root = Outline::of_axis_discs(&[(0.0, size.neck_radius), (tip, size.tip_radius)]);
        let edge = (size.bone_depth, size.neck_radius + size.sleeve);
        let sleeve = Outline::of_axis_discs(&[edge, (tip, size.tip_radius + size.sleeve / 2.0)]);
        let crown = Outline::of_axis_discs(&[
            (-size.contact_height, size.crown_radius),
            (0.0, size.neck_radius),
        ]);
        let pulp = Outline::of_axis_discs(&[(-2.0, 0.8), (size.length - 3.0, 0.2)]);
        let (top, bottom) = (-size.contact_height - size.crown_radius, size.length + size.sleeve);
        let middle = neck + axis * ((top + bottom) / 2.0);
        let widest = size.crown_radius.max(edge.1);
        let reach = ((bottom - top) / 2.0).hypot(widest) + FELT_SIGMAS * sigma;
        Self { neck, axis, size, sleeve, root, crown, pulp, middle, reach }
    }

    fn parts(&self, point: PatientPoint, edge: &SoftEdge) -> Option<Parts> {
        if point.distance_mm(self.middle) > self.reach {
            return None;
        }
        let from = point - self.neck;
        let height = from.dot(self.axis.as_vector());
        let off = from.perpendicular_to(self.axis).length_mm();
        let widest = (self.size.neck_radius + self.size.sleeve).max(self.size.crown_radius);
        if off > widest + FELT_SIGMAS * edge.sigma {
            return None;
        }
        let share = |outline: &Outline, grown: f64| {
            edge.share(outline.signed_distance([off, height]).0 - grown)
        };
        let in_bone = edge.share(self.size.bone_depth - height);
        let above_neck = edge.share(height);
        let root = share(&self.root, 0.0);
        let crown = share(&self.crown, 0.0) * above_neck;
        let core = share(&self.crown, -ENAMEL_MM) * above_neck;
        Some(Parts {
            sleeve: share(&self.sleeve, 0.0) * in_bone,
            ligament: share(&self.root, LIGAMENT_MM) * in_bone,
            dentine: root.max(core),
            enamel: crown,
            pulp: share(&self.pulp, 0.0),
        })
    }
}

impl ToothBody {
    /// The grey value with the tooth, its ligament and the bone round it laid over `under`.
    pub(crate) fn over(
        &self,
        point: PatientPoint,
        under: f64,
        soft: f64,
        bone: f64,
        edge: &SoftEdge,
    ) -> f64 {
        let mut all = Parts::default();
        let mut felt = false;
        for parts in self.roots.iter().filter_map(|root| root.parts(point, edge)) {
            felt = true;
            all.sleeve = all.sleeve.max(parts.sleeve);
            all.ligament = all.ligament.max(parts.ligament);
            all.dentine = all.dentine.max(parts.dentine);
            all.enamel = all.enamel.max(parts.enamel);
            all.pulp = all.pulp.max(parts.pulp);
        }
        if !felt {
            return under;
        }
        let layers = [
            (all.sleeve, bone),
            (all.ligament, soft),
            (all.enamel, ENAMEL),
            (all.dentine, DENTINE),
            (all.pulp, PULP),
        ];
        layers.iter().fold(under, |grey, &(share, layer)| grey + (layer - grey) * share)
    }
}

/// A straight edge blurred by a Gaussian: the normal distribution function, tabulated.
///
/// The table is the integral of the density by Simpson's rule in steps of 0.005, linear
/// between: exact to 4e-7.
#[derive(Debug, Clone)]
pub(crate) struct SoftEdge {
    sigma: f64,
    table: Vec<f64>,
}

const TABLE_STEP: f64 = 0.005;

impl SoftEdge {
    pub(crate) fn new(sigma: f64) -> Self {
        let density = |x: f64| (-x * x / 2.0).exp() / TAU.sqrt();
        let mut sum = 0.0;
        let mut table = vec![0.0];
        let mut x = -FELT_SIGMAS;
        while x < FELT_SIGMAS {
            let middle = density(x + TABLE_STEP / 2.0);
            sum += (density(x) + 4.0 * middle + density(x + TABLE_STEP)) * TABLE_STEP / 6.0;
            table.push(sum);
            x += TABLE_STEP;
        }
        Self { sigma, table }
    }

    /// The share of a body at a signed distance (negative inside) from its surface.
    pub(crate) fn share(&self, distance: f64) -> f64 {
        let place = (-distance / self.sigma + FELT_SIGMAS) / TABLE_STEP;
        let last = self.table.len() - 1;
        if !(place > 0.0) {
            return 0.0;
        }
        if place >= last as f64 {
            return 1.0;
        }
        let n = crate::ridge_map::whole(place);
        self.table[n] + (self.table[n + 1] - self.table[n]) * (place - n as f64)
    }
}
