use jawgauge_space::{PatientDir, PatientPoint, PatientVector};

use crate::SectionError;
use crate::spline::Spline3;

/// Successive points closer than this, mm, are one point given twice.
const CLOSEST_POINTS_MM: f64 = 0.01;

/// Arc length is integrated over spans of at most this share of a piece.
const SPANS_PER_PIECE: usize = 16;

/// How far beyond an end of the axis a point may lie and still belong to its end, mm.
const END_SLACK_MM: f64 = 0.5;

/// Nodes and weights of 5-point Gauss-Legendre quadrature on -1..1
/// (Abramowitz M, Stegun IA. Handbook of Mathematical Functions, table 25.4, from memory).
const GAUSS5: [(f64, f64); 5] = [
    (0.0, 0.568_888_888_888_888_9),
    (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (-0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (0.906_179_845_938_664, 0.236_926_885_056_189_08),
    (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
];

/// The ridge axis: a smooth curve through given points, measured by arc length.
///
/// A cubic spline over the lengths of the chords between the points, with not-a-knot ends;
/// two points make a straight line.
///
/// # Accuracy
///
/// Stations are exact to 0.001 mm of the curve's own arc length (tests: a straight line, and
/// circles given by points 20 to 30 degrees apart).
#[derive(Debug, Clone)]
pub struct RidgeAxis {
    spline: Spline3,
    /// Parameter and arc length at the ends of every span.
    marks: Vec<(f64, f64)>,
    points: Vec<PatientPoint>,
}

/// A place on the ridge axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisPlace {
    /// Arc length from the first point, mm.
    pub station_mm: f64,
    /// Where it is.
    pub point: PatientPoint,
    /// Direction in which the axis runs there (patient right to left).
    pub tangent: PatientDir,
    /// For a projected point: its distance from the axis, mm; else 0.
    pub distance_mm: f64,
}

impl RidgeAxis {
    /// The axis through `points`, in order.
    ///
    /// # Errors
    ///
    /// [`SectionError::TooFewPoints`], [`SectionError::NotFinite`], and
    /// [`SectionError::Duplicate`] for successive points closer than 0.01 mm.
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_section::RidgeAxis;
    /// use jawgauge_space::PatientPoint;
    /// let axis = RidgeAxis::through(&[PatientPoint::new(0.0, -9.0, 3.0), PatientPoint::new(0.0, 9.0, 3.0)])?;
    /// assert!((axis.length_mm() - 18.0).abs() < 1e-9);
    /// let place = axis.at_station(4.5)?;
    /// assert!(place.point.distance_mm(PatientPoint::new(0.0, -4.5, 3.0)) < 1e-9);
    /// # Ok::<(), jawgauge_section::SectionError>(())
    /// ```
    pub fn through(points: &[PatientPoint]) -> Result<Self, SectionError> {
        if points.len() < 2 {
            return Err(SectionError::TooFewPoints { found: points.len() });
        }
        if let Some(index) = points.iter().position(|p| !p.is_finite()) {
            return Err(SectionError::NotFinite { index: index + 1 });
        }
        let mut knots = vec![0.0];
        for (index, pair) in points.windows(2).enumerate() {
            let distance_mm = pair[0].distance_mm(pair[1]);
            if !(distance_mm >= CLOSEST_POINTS_MM) {
                return Err(SectionError::Duplicate { index: index + 1, distance_mm });
            }
            knots.push(knots[index] + distance_mm);
        }
        let coords: Vec<[f64; 3]> = points.iter().map(|p| p.to_array()).collect();
        let spline = Spline3::through(knots, &coords);
        let marks = arc_marks(&spline);
        Ok(Self { spline, marks, points: points.to_vec() })
    }

    /// The points that the axis was given through.
    #[must_use]
    pub fn points(&self) -> &[PatientPoint] {
        &self.points
    }

    /// Arc length from the first to the last point, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        self.marks.last().map_or(0.0, |m| m.1)
    }

    /// The place at an arc length from the first point.
    ///
    /// # Errors
    ///
    /// [`SectionError::OffAxis`] below 0 or beyond the length (1e-6 mm of rounding is allowed).
    pub fn at_station(&self, station_mm: f64) -> Result<AxisPlace, SectionError> {
        let length_mm = self.length_mm();
        if !(station_mm >= -1e-6 && station_mm <= length_mm + 1e-6) {
            return Err(SectionError::OffAxis { station_mm, length_mm });
        }
        let station_mm = station_mm.clamp(0.0, length_mm);
        let t = self.parameter_at(station_mm);
        self.place(t, station_mm, None)
    }

    /// The place on the axis that is nearest to `point`.
    ///
    /// # Errors
    ///
    /// [`SectionError::BeyondEnd`] where the point lies more than 0.5 mm past an end.
    pub fn nearest_to(&self, point: PatientPoint) -> Result<AxisPlace, SectionError> {
        if !point.is_finite() {
            return Err(SectionError::Frame(jawgauge_space::SpaceError::NotFinite));
        }
        let square = |t: f64| {
            let d = point - PatientPoint::from(self.spline.at(t));
            d.dot(d)
        };
        // The spans are fine enough that the nearest mark stands beside the nearest place.
        let nearest = (0..self.marks.len())
            .min_by(|&a, &b| square(self.marks[a].0).total_cmp(&square(self.marks[b].0)))
            .unwrap_or(0);
        let low = self.marks[nearest.saturating_sub(1)].0;
        let high = self.marks[(nearest + 1).min(self.marks.len() - 1)].0;
        let t = golden_minimum(low, high, square);
        let (start, end) = (self.marks[0].0, self.marks[self.marks.len() - 1].0);
        let place = self.place(t, self.arc_to(t), Some(point))?;
        let past = (point - place.point).dot(place.tangent.as_vector());
        let at_start = t - start < 1e-6 && past < -END_SLACK_MM;
        let at_end = end - t < 1e-6 && past > END_SLACK_MM;
        if at_start || at_end {
            return Err(SectionError::BeyondEnd { beyond_mm: past.abs() });
        }
        Ok(place)
    }

    fn place(
        &self,
        t: f64,
        station_mm: f64,
        from: Option<PatientPoint>,
    ) -> Result<AxisPlace, SectionError> {
        let point = PatientPoint::from(self.spline.at(t));
        let tangent = PatientVector::from(self.spline.slope_at(t)).direction()?;
        let distance_mm = from.map_or(0.0, |p| p.distance_mm(point));
        Ok(AxisPlace { station_mm, point, tangent, distance_mm })
    }

    fn arc_to(&self, t: f64) -> f64 {
        let span = self.marks.partition_point(|m| m.0 <= t).saturating_sub(1);
        let (start, arc) = self.marks[span];
        arc + arc_length(&self.spline, start, t)
    }

    fn parameter_at(&self, station_mm: f64) -> f64 {
        let last = self.marks.len() - 2;
        let span = self.marks.partition_point(|m| m.1 <= station_mm).saturating_sub(1).min(last);
        let ((mut low, arc), (mut high, _)) = (self.marks[span], self.marks[span + 1]);
        let start = low;
        // Bisection: arc length grows with t, and 60 halvings reach rounding.
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if arc + arc_length(&self.spline, start, middle) < station_mm {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}

fn arc_marks(spline: &Spline3) -> Vec<(f64, f64)> {
    let mut marks = vec![(spline.knots()[0], 0.0)];
    let mut arc = 0.0;
    for pair in spline.knots().windows(2) {
        for span in 0..SPANS_PER_PIECE {
            let at = |s: usize| pair[0] + (pair[1] - pair[0]) * s as f64 / SPANS_PER_PIECE as f64;
            arc += arc_length(spline, at(span), at(span + 1));
            marks.push((at(span + 1), arc));
        }
    }
    marks
}

fn arc_length(spline: &Spline3, from: f64, to: f64) -> f64 {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    GAUSS5
        .iter()
        .map(|&(node, weight)| {
            weight * half * PatientVector::from(spline.slope_at(middle + half * node)).length_mm()
        })
        .sum()
}

/// The place of the least value between `low` and `high` of a function with one valley there.
fn golden_minimum(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    for _ in 0..80 {
        let (a, b) = (high - ratio * (high - low), low + ratio * (high - low));
        if f(a) <= f(b) {
            high = b;
        } else {
            low = a;
        }
    }
    0.5 * (low + high)
}
