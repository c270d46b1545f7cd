/// Two places closer than this, mm, are one: far below any tolerance of a test.
const SAME_PLACE_MM: f64 = 1e-9;

/// A disc of the hull; radius 0 is a corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Disc {
    pub(crate) centre: [f64; 2],
    pub(crate) radius: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Edge {
    from: [f64; 2],
    to: [f64; 2],
    normal: [f64; 2],
}

/// The convex hull of discs: its boundary is arcs of the discs and straight edges that
/// touch two of them. A polygon is the hull of discs of radius 0.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Outline {
    discs: Vec<Disc>,
    edges: Vec<Edge>,
}

pub(crate) fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

fn minus(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

fn along(a: [f64; 2], e: [f64; 2], by: f64) -> [f64; 2] {
    [a[0] + e[0] * by, a[1] + e[1] * by]
}

impl Outline {
    /// The hull of discs on the shape's axis, `(depth, radius)` from the crest down, whose
    /// radius is a concave function of depth.
    ///
    /// An edge that touches discs of radii r1 and r2, a distance D apart along e, has the
    /// normal n with n.c1 + r1 = n.c2 + r2, so n.e = -(r2 - r1)/D.
    pub(crate) fn of_axis_discs(axis: &[(f64, f64)]) -> Self {
        let mut discs: Vec<Disc> = Vec::new();
        let mut edges = Vec::new();
        for &(depth, radius) in axis {
            let next = Disc { centre: [0.0, depth], radius };
            if let Some(last) = discs.last() {
                let apart = depth - last.centre[1];
                if apart < SAME_PLACE_MM {
                    continue;
                }
                let sin = (radius - last.radius) / apart;
                let cos = (1.0 - sin * sin).max(0.0).sqrt();
                for side in [1.0, -1.0] {
                    let normal = [side * cos, -sin];
                    let from = along(last.centre, normal, last.radius);
                    let to = along(next.centre, normal, next.radius);
                    edges.push(Edge { from, to, normal });
                }
            }
            discs.push(next);
        }
        Self { discs, edges }
    }

    /// The convex polygon through `corners`, in order.
    pub(crate) fn of_polygon(corners: &[[f64; 2]]) -> Self {
        let discs = corners.iter().map(|&centre| Disc { centre, radius: 0.0 }).collect();
        let share = 1.0 / corners.len() as f64;
        let middle = corners.iter().fold([0.0; 2], |m, &c| along(m, c, share));
        let mut edges = Vec::new();
        for (n, &from) in corners.iter().enumerate() {
            let to = corners[(n + 1) % corners.len()];
            let run = minus(to, from);
            let length = dot(run, run).sqrt();
            let mut normal = [run[1] / length, -run[0] / length];
            if dot(normal, minus(from, middle)) < 0.0 {
                normal = [-normal[0], -normal[1]];
            }
            edges.push(Edge { from, to, normal });
        }
        Self { discs, edges }
    }

    /// How far the outline reaches along the unit vector `n`: the largest n.p.
    pub(crate) fn reach(&self, n: [f64; 2]) -> f64 {
        self.discs.iter().map(|c| dot(n, c.centre) + c.radius).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The place that reaches farthest along `n`; the middle of them where an edge does.
    pub(crate) fn farthest(&self, n: [f64; 2]) -> [f64; 2] {
        let reach = self.reach(n);
        let mut sum = [0.0; 2];
        let mut count = 0.0;
        for disc in &self.discs {
            if dot(n, disc.centre) + disc.radius >= reach - SAME_PLACE_MM {
                sum = along(sum, along(disc.centre, n, disc.radius), 1.0);
                count += 1.0;
            }
        }
        [sum[0] / count, sum[1] / count]
    }

    /// Signed distance to the outline, negative inside, and the outward normal there.
    ///
    /// For a convex shape the distance is the largest gap n.p - reach(n) over all unit
    /// vectors n; the largest is at the normal of an edge or at the direction from the
    /// centre of a disc.
    pub(crate) fn signed_distance(&self, p: [f64; 2]) -> (f64, [f64; 2]) {
        let mut best = (f64::NEG_INFINITY, [0.0, -1.0]);
        let mut offer = |n: [f64; 2]| {
            let gap = dot(n, p) - self.reach(n);
            if gap > best.0 {
                best = (gap, n);
            }
        };
        for edge in &self.edges {
            offer(edge.normal);
        }
        for disc in &self.discs {
            let from = minus(p, disc.centre);
            let length = dot(from, from).sqrt();
            if length > SAME_PLACE_MM {
                offer([from[0] / length, from[1] / length]);
            } else {
                offer([0.0, -1.0]);
                offer([0.0, 1.0]);
            }
        }
        best
    }

    /// Where the line through `p` along the unit vector `e` enters and leaves the outline,
    /// mm from `p`; `None` where it misses.
    ///
    /// The ends are the outermost of all crossings with the discs, p + t e with
    /// t = m -+ sqrt(r^2 - q^2) (m along and q across the line to the centre), and with the
    /// edges, by proportion of the distances of the edge's ends from the line.
    pub(crate) fn line_run(&self, p: [f64; 2], e: [f64; 2]) -> Option<(f64, f64)> {
        let across = [-e[1], e[0]];
        let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut meet = |t: f64| {
            first = first.min(t);
            last = last.max(t);
        };
        for disc in &self.discs {
            let to = minus(disc.centre, p);
            let off = dot(to, across);
            let left = disc.radius * disc.radius - off * off;
            if left >= 0.0 {
                meet(dot(to, e) - left.sqrt());
                meet(dot(to, e) + left.sqrt());
            }
        }
        for edge in &self.edges {
            let (from, to) = (minus(edge.from, p), minus(edge.to, p));
            let (off_from, off_to) = (dot(from, across), dot(to, across));
            if off_from.abs() < SAME_PLACE_MM && off_to.abs() < SAME_PLACE_MM {
                meet(dot(from, e));
                meet(dot(to, e));
            } else if off_from * off_to <= 0.0 {
                let share = off_from / (off_from - off_to);
                meet(dot(from, e) + share * (dot(to, e) - dot(from, e)));
            }
        }
        (first <= last).then_some((first, last))
    }
}

/// The share of a square pixel that lies in a half-plane, exactly.
///
/// `distance` is that of the pixel's centre from the edge (negative inside), `normal` the
/// unit normal of the edge, `pitch` the side of the pixel. The distance of a random place
/// of the pixel is the sum of two uniform variables of widths |n0| h and |n1| h, so the
/// share is the distribution function of a trapezoid.
pub(crate) fn pixel_share(distance: f64, normal: [f64; 2], pitch: f64) -> f64 {
    let (n0, n1) = (normal[0].abs(), normal[1].abs());
    let (long, short) = (n0.max(n1) * pitch, n0.min(n1) * pitch);
    let (outer, inner) = ((long + short) / 2.0, (long - short) / 2.0);
    let s = -distance;
    if s <= -outer {
        0.0
    } else if s >= outer {
        1.0
    } else if s.abs() <= inner {
        0.5 + s / long
    } else {
        let tail = (outer - s.abs()).powi(2) / (2.0 * long * short);
        if s < 0.0 { tail } else { 1.0 - tail }
    }
}
