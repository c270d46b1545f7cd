//! The picture of the walls round a fixture.

use jawgauge_bone::{BoneSurface, MeasureOptions, SectionOptions, measure_site};
use jawgauge_fixture::{
    FitContext, FixtureSolid, PoseLimits, RequiredWalls, SpaceContext, fit_site, space_around,
};
use jawgauge_phantom::demo_jaw;
use jawgauge_report::picture::{Drawing, WallMapInput, draw_wall_map};
use jawgauge_section::{RidgeAxis, section_frame};

/// The demonstration's site with a fixture that stands out of its narrow crest.
fn draw(in_space: bool) -> Option<Drawing> {
    let jaw = demo_jaw().expect("a jaw");
    let axis = RidgeAxis::through(&jaw.truth.axis).expect("an axis");
    let place = axis.nearest_to(jaw.truth.at).expect("on it");
    let apical = jaw.truth.apical.as_vector();
    let site = section_frame(&axis, place, apical, Some(jaw.truth.lingual_side)).expect("a frame");
    let options = MeasureOptions::default();
    let measure =
        measure_site(&jaw.volume, site.frame, jaw.truth.at, &[], &options).expect("measured");
    let fixtures = [("4 <&> 9".to_owned(), FixtureSolid::tapered(4.0, 2.8, 9.0).expect("a body"))];
    let limits = PoseLimits::at_depth(1.0);
    let region = space_around(&measure.bone, &fixtures, &limits, None);
    let surface = BoneSurface::around(&jaw.volume, &measure.bone, &region).expect("a surface");
    let space = SpaceContext { surface: &surface, limits, others: &[] };
    let context = FitContext {
        volume: &jaw.volume,
        site: jaw.truth.at,
        options: SectionOptions::default(),
        limits: &[],
        neighbours: &[],
        required: RequiredWalls::default(),
        pose: None,
        platform_depth_mm: 1.0,
        scale_u_share: 0.0,
        drilling: None,
        space: in_space.then_some(space),
    };
    let found = fit_site(&measure.bone, &fixtures, &context);
    draw_wall_map(&WallMapInput {
        site_id: "site <one>",
        volume: &jaw.volume,
        fit: &found.fits[0],
        bone: &measure.bone,
        across_at_mm: 4.5,
        required: RequiredWalls::default(),
    })
    .expect("drawn")
}

#[test]
fn the_map_has_its_scale_its_lines_and_three_sections_and_is_the_same_every_time() {
    let drawing = draw(true).expect("judged in space");
    let svg = drawing.svg();
    for word in [
        "wall, mm",
        "stands out",
        "buccal",
        "mesial",
        "bucco-lingual",
        "mesio-distal",
        "Not a medical device.",
    ] {
        assert!(svg.contains(word), "{word}");
    }
    assert_eq!(svg.matches("<image").count(), 3);
    // The fixture's body in each of them.
    assert_eq!(svg.matches("stroke=\"#f0e442\"").count(), 3);
    assert!(svg.contains("4 &lt;&amp;&gt; 9") && svg.contains("site &lt;one&gt;"));
    assert_eq!(draw(true), Some(drawing.clone()));
    if let Some(folder) = std::env::var_os("JAWGAUGE_PICTURES") {
        let path = std::path::Path::new(&folder).join("wall-map.png");
        std::fs::write(path, drawing.png().expect("a picture")).expect("written");
    }
}

#[test]
fn a_fixture_judged_in_its_section_alone_has_no_map() {
    assert_eq!(draw(false), None);
}
