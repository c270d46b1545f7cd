//! Published profiles as ridges, scanned and measured: plates at least as thick as the blur get their number,
//! thinner ones a range that holds it, where reading at half of the height is wrong in a known way.
//!
//! Truth: the closed forms of a blurred wall (see the tests beside the fit, which hold the published tables);
//! the volumes are those of `jawgauge-phantom`, blurred by convolution on a fine grid.

use jawgauge_bone::{MeasureOptions, Plate, SiteMeasure, measure_site};
use jawgauge_phantom::{
    Cortex, CortexShares, CrossSection, Greys, GridOptions, Noise, Profile, Ridge, RidgeLook,
    SoftTissue, Storage, render,
};
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::Rescale;

/// Plates at least as thick as the blur are found to this share of it. Single walls of noise-free volumes;
/// wider than the 0.02 of the bare profile by what the grid's phase and the outline leave.
const RECOVERS: f64 = 0.05;
const LEVELS_MM: [f64; 3] = [6.0, 8.0, 10.0];

/// A straight ridge whose buccal plate is the wall in question; the others are thick.
fn measured(
    buccal_mm: f64,
    fwhm_mm: f64,
    greys: Greys,
    noise: Noise,
    voxel_mm: f64,
) -> SiteMeasure {
    let cortex = Cortex { buccal_mm, lingual_mm: 2.0, crest_mm: 2.2, base_mm: 2.2 };
    let section = CrossSection::new(Profile::Tapered {
        crest_radius_mm: 3.2,
        base_radius_mm: 3.8,
        height_mm: 20.0,
    })
    .and_then(|s| s.with_cortex(cortex))
    .and_then(|s| s.with_soft_tissue(SoftTissue::Everywhere))
    .expect("a section");
    let look = RidgeLook { greys, blur_fwhm_mm: fwhm_mm, cortex: CortexShares::default() };
    let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
    let apical = PatientVector::new(0.0, 0.0, -1.0);
    let ridge =
        Ridge::straight(section, at(3.0), at(-3.0), apical, PatientPoint::new(0.0, 0.0, 0.0), look)
            .expect("a ridge");
    let grid = GridOptions::default()
        .with_spacing_mm([voxel_mm; 3])
        .with_shift_voxels([0.3, 0.6, 0.1])
        .with_turn(PatientVector::new(1.0, 2.0, 0.5), 11.0)
        .with_margin_mm(4.5);
    let geometry = ridge.grid(&grid).expect("a grid");
    let rescale = Rescale { slope: 0.1, intercept: -3000.0 };
    let volume =
        render(geometry, Storage::Unsigned, rescale, noise, |p| ridge.grey_at(p)).expect("a scan");
    let axis = RidgeAxis::through(&ridge.axis_points(5)).expect("an axis");
    let place = axis.at_station(0.5 * axis.length_mm()).expect("on it");
    let frame = section_frame(&axis, place, ridge.apical().as_vector(), Some(ridge.lingual_side()))
        .expect("a frame")
        .frame;
    let options = MeasureOptions::default().with_levels_mm(LEVELS_MM.to_vec());
    measure_site(&volume, frame, place.point, &[], &options).expect("measured")
}

/// Checks the buccal plates of a ridge: how many numbers and how many ranges.
fn check(found: &SiteMeasure, t: f64, fwhm: f64) -> (usize, usize) {
    let (mut numbers, mut ranges) = (0, 0);
    for width in &found.widths {
        let width = width.as_ref().expect("a width");
        match width.buccal_plate {
            Ok(Plate::Thickness(told)) => {
                numbers += 1;
                let within = (RECOVERS * fwhm).max(told.u95_mm);
                assert!((told.mm - t).abs() <= within, "t {t}, F {fwhm}: {told:?}");
                assert!(told.mm >= fwhm, "one number only where the blur allows it: {told:?}");
            }
            Ok(Plate::Between { low_mm, high_mm }) => {
                ranges += 1;
                assert!(low_mm <= t && t <= high_mm, "t {t}, F {fwhm}: {low_mm} to {high_mm}");
            }
            Err(why) => panic!("t {t}, F {fwhm}: {why:?}"),
        }
    }
    assert_eq!(numbers + ranges, LEVELS_MM.len());
    (numbers, ranges)
}

/// The table in millimetres of a blurred plate, read at half of its peak: at F = 0.50 mm plates of 0.3, 0.5 and
/// 0.7 mm read 0.543, 0.625 and 0.753 mm; here on cancellous bone of 0.2 and 0.4 of the contrast.
#[test]
fn plates_of_the_published_table_get_their_number_or_a_range_that_holds_it() {
    let fwhm = 0.5;
    let noises = [Noise::none(), Noise { sd: 45.0, seed: 3 }];
    for marrow in [0.2, 0.4] {
        let greys = Greys { marrow: 60.0 + 1140.0 * marrow, ..Greys::default() };
        for noise in noises {
            for (t, told) in [(0.3, false), (0.5, false), (0.75, true), (1.0, true), (1.5, true)] {
                let found = measured(t, fwhm, greys, noise, 0.2);
                let (numbers, ranges) = check(&found, t, fwhm);
                if told {
                    assert!(numbers >= 2, "t {t}: {numbers} numbers, {:?}", found.widths);
                }
                if t < fwhm {
                    assert_eq!(ranges, LEVELS_MM.len(), "t {t}: thinner than the blur");
                }
            }
        }
    }
}

/// The demonstration profile of Treece GM et al. Med Image Anal 2010;14:276-290 (-1000 outside, 1750, 0 inside,
/// sigma 1 mm), all lengths made a quarter: relative widths of 4.116, 3.339, 2.785, 2.606, 2.499 for walls
/// of 4, 3, 2, 1.5, 1, and none at the grey value 600 below 1.5.
#[test]
fn the_published_demonstration_profile_is_measured_as_it_is() {
    const QUARTER: f64 = 0.25;
    let fwhm = QUARTER * 2.354_820_045;
    let greys = Greys { air: -1000.0, soft: -1000.0, cortex: 1750.0, marrow: 0.0 };
    for noise in [Noise::none(), Noise { sd: 90.0, seed: 5 }] {
        for (t, relative) in [(4.0, 4.116), (3.0, 3.339), (2.0, 2.785), (1.5, 2.606), (1.0, 2.499)]
        {
            let found = measured(QUARTER * t, fwhm, greys, noise, 0.2);
            let (numbers, ranges) = check(&found, QUARTER * t, fwhm);
            if t >= 3.0 && noise.sd == 0.0 {
                assert!(numbers >= 2, "t {t}: {:?}", found.widths);
            }
            if t < 2.0 {
                assert_eq!(ranges, LEVELS_MM.len(), "t {t}");
                // What half of the peak reads is outside of what the fit allows for.
                for width in found.widths.iter().flatten() {
                    let (_, high) = width
                        .buccal_plate
                        .as_ref()
                        .ok()
                        .and_then(Plate::range_mm)
                        .expect("a range");
                    assert!(high < QUARTER * relative, "t {t}: {high}");
                }
            }
        }
    }
}

/// Ridge widths: an outer edge read at half of the local peak lies 0.11 F outside of a cortex as thick as the blur
/// (g = 0.2), 0.20 F outside of one half as thick (g = 0.4); the fit's lies nearer by far.
#[test]
fn widths_over_thin_plates_are_not_widened_by_the_blur() {
    let fwhm = 0.5;
    for (marrow, t, shift) in [(0.2, 0.5, 0.1110), (0.4, 0.25, 0.1960)] {
        let greys = Greys { marrow: 60.0 + 1140.0 * marrow, ..Greys::default() };
        let found = measured(t, fwhm, greys, Noise::none(), 0.2);
        let section = CrossSection::new(Profile::Tapered {
            crest_radius_mm: 3.2,
            base_radius_mm: 3.8,
            height_mm: 20.0,
        })
        .expect("a section");
        for width in found.widths.iter().flatten() {
            let true_mm = section.along_own_axis().width_mm(width.level_mm).expect("a width");
            let off = width.width.mm - true_mm;
            assert!(off.abs() < 0.5 * shift * fwhm, "g {marrow}, t {t}: {off}: {width:?}");
            assert!(off.abs() <= width.width.u95_mm, "{off}: {width:?}");
        }
    }
}

/// At a standard deviation of 0.2 mm a crest of 1 mm radius reads 0.020 mm low at half of the contrast (first term of
/// the expansion for a cylinder; Verbeek PW, van Vliet LJ. IEEE Trans Pattern Anal Mach Intell 1994;16:726-733, not
/// seen). What is left of that is within the uncertainty, and never more than it.
#[test]
fn what_blur_takes_off_a_round_crest_is_within_its_uncertainty() {
    let sigma = 0.2;
    for radius_mm in [1.2, 2.0] {
        let section = CrossSection::new(Profile::Rounded { radius_mm, height_mm: 16.0 })
            .and_then(|s| s.with_soft_tissue(SoftTissue::Everywhere))
            .expect("a section");
        let look = RidgeLook { blur_fwhm_mm: sigma * 2.354_820_045, ..RidgeLook::default() };
        let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
        let apical = PatientVector::new(0.0, 0.0, -1.0);
        let ridge = Ridge::straight(
            section,
            at(3.0),
            at(-3.0),
            apical,
            PatientPoint::new(0.0, 0.0, 0.0),
            look,
        )
        .expect("a ridge");
        let shift_mm = sigma * sigma / (2.0 * radius_mm);
        let mut sum = 0.0;
        let shifts = [[0.0, 0.0, 0.0], [0.3, 0.6, 0.1], [0.5, 0.2, 0.7], [0.8, 0.4, 0.4]];
        for shift in shifts {
            let grid = GridOptions::default()
                .with_spacing_mm([0.2; 3])
                .with_shift_voxels(shift)
                .with_margin_mm(4.5);
            let geometry = ridge.grid(&grid).expect("a grid");
            let rescale = Rescale { slope: 0.1, intercept: -3000.0 };
            let volume =
                render(geometry, Storage::Unsigned, rescale, Noise::none(), |p| ridge.grey_at(p))
                    .expect("a scan");
            let axis = RidgeAxis::through(&ridge.axis_points(5)).expect("an axis");
            let place = axis.at_station(0.5 * axis.length_mm()).expect("on it");
            let frame =
                section_frame(&axis, place, ridge.apical().as_vector(), Some(ridge.lingual_side()))
                    .expect("a frame")
                    .frame;
            let found = measure_site(&volume, frame, place.point, &[], &MeasureOptions::default())
                .expect("measured");
            let crest_mm = found.bone.crest.apical_mm;
            // The crest lies at the axis, 0; inwards is apical.
            assert!(crest_mm.abs() <= 2.0 * found.bone.u_crest_mm(), "{radius_mm}: {crest_mm}");
            sum += crest_mm;
        }
        let mean = sum / shifts.len() as f64;
        assert!(mean.abs() <= 0.5 * shift_mm, "radius {radius_mm}: {mean} of {shift_mm}");
    }
}
