//! Marks moved within a voxel, thousands of times: how often the told uncertainty holds the height.

use jawgauge_space::{PatientDir, PatientPoint};

use super::LimitPlane;
use crate::gum::Normals;
use crate::{Limit, LimitForm, LimitKind, Unmeasured};

const VOXEL_MM: f64 = 0.3;
const TRIALS: u32 = 4000;
/// What an expanded uncertainty stands for.
const LEAST_SHARE: f64 = 0.95;

fn floor(points: Vec<PatientPoint>) -> Limit {
    Limit { kind: LimitKind::SinusFloor, form: LimitForm::Surface, points, keep_mm: 1.0 }
}

/// Marks of z = 10 + `slope` x, about (x, y), `half` to either side.
fn marks(x: f64, y: f64, half: f64, slope: f64, shape: &[[f64; 2]]) -> Vec<PatientPoint> {
    let mark = |[p, q]: &[f64; 2]| {
        let x = x + half * p;
        PatientPoint::new(x, y + half * q, 10.0 + slope * x)
    };
    shape.iter().map(mark).collect()
}

const THREE: &[[f64; 2]] = &[[-1.0, -1.0], [1.0, -1.0], [0.0, 1.0]];
const FOUR: &[[f64; 2]] = &[[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
const NINE: &[[f64; 2]] = &[
    [-1.0, -1.0],
    [0.0, -1.0],
    [1.0, -1.0],
    [-1.0, 0.0],
    [0.0, 0.0],
    [1.0, 0.0],
    [-1.0, 1.0],
    [0.0, 1.0],
    [1.0, 1.0],
];

/// Heights from (0, 0, 0) of marks moved within a voxel either way: the shares that were told, and that were
/// told and lie within their uncertainty of the true 10 mm.
fn held(truth: &[PatientPoint]) -> (f64, f64) {
    let mut draws = Normals::new(11);
    let (apical, from) = (PatientDir::superior(), PatientPoint::new(0.0, 0.0, 0.0));
    let (mut told, mut within) = (0_u32, 0_u32);
    for _ in 0..TRIALS {
        let mut moved = |p: &PatientPoint| {
            let by = p.to_array().map(|c| c + draws.between(-VOXEL_MM, VOXEL_MM));
            PatientPoint::from(by)
        };
        let limit = floor(truth.iter().map(&mut moved).collect());
        let Some(plane) = limit.plane(apical) else { continue };
        let Ok(mm) = plane.depth_mm(from, apical, &limit.points, VOXEL_MM) else { continue };
        let place = from + apical * mm;
        let marked = plane.u95_along_mm(place, apical, VOXEL_MM);
        let u95 = marked.hypot(2.0 * plane.u_bent_mm(VOXEL_MM) / plane.into.dot(apical));
        told += 1;
        within += u32::from((mm - 10.0).abs() <= u95);
    }
    (f64::from(told) / f64::from(TRIALS), f64::from(within) / f64::from(told.max(1)))
}

#[test]
fn the_told_uncertainty_holds_the_heights_of_marks_moved_within_a_voxel() {
    for (name, x, y, half, slope, shape) in [
        ("round the site", 0.0, 0.0, 4.0, 0.0, THREE),
        ("round the site, four", 0.0, 0.0, 4.0, 0.0, FOUR),
        ("round the site, nine", 0.0, 0.0, 4.0, 0.0, NINE),
        ("sloping", 0.0, 0.0, 4.0, 1.0, THREE),
        ("sloping, nine", 0.0, 0.0, 4.0, 1.0, NINE),
        ("close", 0.0, 0.0, 1.5, 0.0, THREE),
        ("close, four", 0.0, 0.0, 1.5, 0.3, FOUR),
        ("beside", 5.0, 3.0, 3.0, 0.0, THREE),
        ("beside, four", 5.0, 3.0, 4.0, -0.5, FOUR),
        ("far, nine", 8.0, 0.0, 4.0, 0.2, NINE),
    ] {
        let (told, share) = held(&marks(x, y, half, slope, shape));
        assert!(told > 0.9, "{name}: told in {told}");
        assert!(share >= LEAST_SHARE, "{name}: held in {share}");
    }
}

#[test]
fn marks_too_close_together_or_too_far_away_for_their_distance_tell_no_height() {
    for (name, x, half) in [("close and beside", 4.0, 0.5), ("far", 9.0, 1.5)] {
        let truth = marks(x, 0.0, half, 0.0, FOUR);
        let plane = floor(truth.clone()).plane(PatientDir::superior()).expect("a plane");
        let from = PatientPoint::new(0.0, 0.0, 0.0);
        let found = plane.depth_mm(from, PatientDir::superior(), &truth, VOXEL_MM);
        let Err(Unmeasured::LimitUncertain { u95_mm }) = found else { panic!("{name}: {found:?}") };
        // By hand: the four spread by `half` either way, so that sqrt((1 + (x / half)^2) / 4) of a mark's
        // 2 x 0.3 / sqrt 3 is left.
        let by_hand = 0.6 / 3.0_f64.sqrt() * ((1.0 + (x / half).powi(2)) / 4.0).sqrt();
        assert!((u95_mm - by_hand).abs() < 1e-9, "{name}: {u95_mm}, not {by_hand}");
        assert!(u95_mm > 1.0);
    }
    assert!(LimitPlane::is_too_uncertain(f64::NAN));
}

#[test]
fn along_a_slope_the_uncertainty_grows_with_the_way_through_it() {
    let plane = floor(marks(0.0, 0.0, 4.0, 1.0, FOUR)).plane(PatientDir::superior()).expect("one");
    let place = PatientPoint::new(0.0, 0.0, 10.0);
    let square = plane.u95_mm(place, VOXEL_MM);
    let along = plane.u95_along_mm(place, PatientDir::superior(), VOXEL_MM);
    // 45 degrees; in the middle of four marks half of one mark's is left.
    assert!((square - 0.3 / 3.0_f64.sqrt()).abs() < 1e-12, "{square}");
    assert!((along - square * 2.0_f64.sqrt()).abs() < 1e-12, "{along}");
}
