//! Sentences for what was noticed: what was seen, why it matters, what to do.

use jawgauge_bone::{BoneWarning, Clip, LimitHeight, SiteMeasure, ThresholdSource, Unmeasured};
use jawgauge_intake::{FileRemark, ScanWarning};
use jawgauge_report::documents::WarningEntry;
pub(crate) use jawgauge_report::picture::limit_name;

fn entry(code: &str, message: String) -> WarningEntry {
    WarningEntry { code: code.to_owned(), message }
}

pub(crate) fn clip_words(by: Clip) -> &'static str {
    match by {
        Clip::Scan => "the edge of what was scanned",
        Clip::Window => "the edge of the searched part of the section",
    }
}

/// Of a scan: what the reader saw, and what it means for the figures.
pub(crate) fn of_scan(warnings: &[ScanWarning]) -> Vec<WarningEntry> {
    warnings.iter().map(|w| entry(w.code(), format!("{w}; {}", consequence(w)))).collect()
}

/// Why something that was noticed in a scan matters, and what to do.
fn consequence(warning: &ScanWarning) -> &'static str {
    match warning {
        ScanWarning::SpacingAttributesDisagree { .. } => {
            "the positions are what counts and were used: nothing to do"
        }
        ScanWarning::MissingSlices { .. } => {
            "what crosses the gap is not measured: export the scan again, whole"
        }
        ScanWarning::Duplicates { .. } => {
            "repeats were left out, and figures do not depend on them: nothing to do"
        }
        ScanWarning::Localizers { .. } => "they are no slices and were left out: nothing to do",
        ScanWarning::Sheared { .. } => {
            "the stack is measured as it lies, not as a straight one: other programs may show it sheared"
        }
        ScanWarning::UndeclaredPadding { .. } => {
            "it was taken for a grey value, and beside it an edge may be false: check the picture"
        }
        ScanWarning::SurplusPixelBytes { .. } => {
            "the surplus was ignored, but something wrote the files oddly: check the picture"
        }
        ScanWarning::Files { remark: FileRemark::PitchIgnored, .. } => {
            "the positions were used: take it out of the case"
        }
        ScanWarning::Files {
            remark: FileRemark::PitchFromSpacing | FileRemark::PitchFromThickness,
            ..
        } => "a wrong distance stretches every figure along it: check a known length",
        _ => "it may move the edge of the bone: check the picture",
    }
}

/// Of a site: of its bone, and one for each value that could not be measured.
pub(crate) fn of_site(measure: &SiteMeasure) -> Vec<WarningEntry> {
    let mut all: Vec<WarningEntry> = measure.warnings.iter().map(of_bone).collect();
    for (level, width) in measure.levels_mm.iter().zip(&measure.widths) {
        if let Err(why) = width {
            all.push(entry("no-width", format!("no width at {level} mm: {}", unmeasured(why))));
        }
    }
    if let Err(why) = &measure.height {
        all.push(entry("no-bone-height", format!("no bone height: {}", unmeasured(why))));
    }
    for limit in &measure.limits {
        if let Err(why) = &limit.height {
            all.push(entry(
                "no-limit-height",
                format!("no height to the {}: {}", limit_name(limit.kind), unmeasured(why)),
            ));
        }
        all.extend(above_crest(limit));
    }
    all.extend(no_plates(measure));
    all
}

/// The plates that could not be measured, those of one side and reason in one.
fn no_plates(measure: &SiteMeasure) -> Vec<WarningEntry> {
    let given = measure.bone.threshold.source == ThresholdSource::Given;
    let mut all: Vec<(&str, String, Vec<String>)> = Vec::new();
    for width in measure.widths.iter().flatten() {
        for (side, plate) in [("buccal", &width.buccal_plate), ("lingual", &width.lingual_plate)] {
            let reason = match plate {
                Ok(_) => continue,
                Err(_) if given => "`threshold` is given, so no wall is fitted: use \"auto\"",
                Err(Unmeasured::NoMarrow { .. }) => {
                    "no marrow shows below the surface, so the plate has no inner edge: solid bone, or look at the picture"
                }
                Err(_) => "no even wall fits the scan there: read its thickness on the scan",
            };
            let level = width.level_mm.to_string();
            match all.iter_mut().find(|a| a.0 == side && a.1 == reason) {
                Some(same) => same.2.push(level),
                None => all.push((side, reason.to_owned(), vec![level])),
            }
        }
    }
    all.sort_by(|a, b| a.0.cmp(b.0));
    all.into_iter()
        .map(|(side, reason, levels)| {
            let levels = levels.join(", ");
            entry("no-plate", format!("no {side} plate at {levels} mm below the crest: {reason}"))
        })
        .collect()
}

fn above_crest(limit: &LimitHeight) -> Option<WarningEntry> {
    let height = limit.height.as_ref().ok()?;
    (height.mm <= 0.0).then(|| {
        let name = limit_name(limit.kind);
        let message = format!(
            "the {name} is marked {:.2} mm above the crest, so there is no height to it: check its points",
            -height.mm
        );
        entry("limit-above-crest", message)
    })
}

/// Why a value could not be measured, and what to do.
pub(crate) fn unmeasured(why: &Unmeasured) -> String {
    match why {
        Unmeasured::AboveCrest { .. } => {
            "the level is not below the crest: give levels of more than 0 mm".to_owned()
        }
        Unmeasured::BelowBone { ends_mm, .. } => {
            format!("the ridge ends {ends_mm:.1} mm below the crest: leave the level out")
        }
        Unmeasured::Clipped { by, at_least_mm, .. } => format!(
            "the bone goes on beyond {} ({at_least_mm:.2} mm of it are visible): use a scan that shows all of it",
            clip_words(*by)
        ),
        Unmeasured::AirInside { level_mm } => format!(
            "a space filled with air lies in the bone at {level_mm:.1} mm below the crest: mark the sinus or nasal floor as a limit"
        ),
        Unmeasured::BesideMetal { level_mm } => format!(
            "metal (or enamel) lies beside an end of it at {level_mm:.1} mm below the crest, where no edge can be trusted: choose another level, or look at the picture"
        ),
        Unmeasured::LimitFar { beside_mm } => {
            format!("it meets the section {beside_mm:.1} mm beside the bone: check its points")
        }
        Unmeasured::LimitMissesSection { nearest_mm } => {
            format!(
                "it does not meet the section, its nearest point is {nearest_mm:.1} mm away: extend its points through the section"
            )
        }
        Unmeasured::LimitSteep { angle_deg } => format!(
            "its surface turns {angle_deg:.0} degrees from square to the way down from the crest: mark the floor that faces the crest"
        ),
        Unmeasured::LimitMarksFar { nearest_mm } => format!(
            "its nearest mark is {nearest_mm:.1} mm from where it lies below the crest: mark it there"
        ),
        Unmeasured::LimitUncertain { u95_mm } => format!(
            "its marks lie too close together, or too far from the site, and leave ± {u95_mm:.1} mm: mark it all round the site, some millimetres apart"
        ),
        _ => "it could not be measured: check it on the scan".to_owned(),
    }
}

/// Of a section's bone.
pub(crate) fn of_bone(warning: &BoneWarning) -> WarningEntry {
    match warning {
        BoneWarning::Clipped { by } => entry(
            "outline-open",
            format!(
                "the outline runs into {}; what needs the missing part is not measured",
                clip_words(*by)
            ),
        ),
        BoneWarning::CrestFar { distance_mm } => entry(
            "crest-far",
            format!(
                "the crest found is {distance_mm:.1} mm from the site's point, so another piece of bone may be meant: check the picture"
            ),
        ),
        BoneWarning::LongAxisNotFound { usable_mm } => entry(
            "long-axis-not-found",
            format!(
                "only {usable_mm:.1} mm of the ridge show its long axis, so widths run across the case's apical direction instead: check the picture"
            ),
        ),
        BoneWarning::LongAxisLeans { by_deg } => entry(
            "long-axis-leans",
            format!(
                "the ridge's long axis leans {:.0} degrees to the {} from the case's apical direction, which is much: check the picture, or set the site's `axis`",
                by_deg.abs(),
                if *by_deg >= 0.0 { "cheek" } else { "tongue" }
            ),
        ),
        BoneWarning::ThresholdOffHalf { given, half_way } => entry(
            "threshold-off-half-way",
            format!(
                "the threshold {given:.0} is not half-way between soft tissue and cortex ({half_way:.0}), so every edge is shifted: use \"auto\" unless you know why"
            ),
        ),
        BoneWarning::LimitMoved { kind, by_mm } => entry(
            "limit-moved",
            format!(
                "the point of the {} was {by_mm:.1} mm off the section and was moved onto it, where the limit may run elsewhere: mark it in the section, or give a polyline",
                limit_name(*kind)
            ),
        ),
        BoneWarning::LimitBent { kind, by_mm } => entry(
            "limit-bent",
            format!(
                "the points of the {} lie in no plane: the plane that stands for it lies at the most crestal of them, {by_mm:.1} mm short of the deepest, and the uncertainty allows for it: mark it nearer to the site",
                limit_name(*kind)
            ),
        ),
        BoneWarning::BoneBeside { levels_mm, gap_mm } => entry(
            "bone-beside",
            format!(
                "other bone lies {gap_mm:.1} mm beside the ridge at {} mm below the crest, as over an open crest, a socket or an undercut; the width there counts only the bone under the crest: check the picture",
                levels_mm.iter().map(f64::to_string).collect::<Vec<_>>().join(", ")
            ),
        ),
        BoneWarning::AirInside { from_mm } => entry(
            "air-inside",
            format!(
                "a space filled with air, such as the sinus, begins {from_mm:.1} mm below the crest within the outline; bone ends there: widths through it and the bone's height are not measured, and walls end at it"
            ),
        ),
        BoneWarning::CrestPutBack { by_mm, u95_mm } => entry(
            "crest-put-back",
            format!(
                "the ridge is so sharp that the blur has worn its crest down; it was put back by {by_mm:.2} ± {u95_mm:.2} mm between the lines of its walls, and levels count from there: check the picture"
            ),
        ),
        BoneWarning::MixedOutside { share } => entry(
            "mixed-outside",
            format!(
                "the grey value outside the bone varies by {:.0} % of the contrast from place to place, as between gum and air, so one threshold cannot be half-way everywhere; the uncertainty allows for it: check the outline in the picture",
                100.0 * share
            ),
        ),
        BoneWarning::GreysCutOff { cut_off } => entry(
            "grey-values-cut-off",
            format!(
                "{} the same grey value everywhere, as where an export cuts grey values off or metal fills it, so edges may be off to one side; the uncertainty allows for bone that was cut off: export the scan with all its grey values, and look for metal in the picture",
                match (cut_off.above, cut_off.below) {
                    (true, true) => "bone and what surrounds it have each",
                    (true, false) => "the densest part has",
                    _ => "what surrounds the bone has",
                }
            ),
        ),
        BoneWarning::AxisOff { direction } => {
            let [x, y, z] = direction.runs.to_array();
            entry(
                "axis-off",
                format!(
                    "the ridge runs {:.1} ± {:.1}° off the ridge axis, which makes widths {:.1} % too wide: the bone suggests the direction ({x:.3}, {y:.3}, {z:.3}), so check the axis' points",
                    direction.off_deg,
                    2.0 * direction.u_deg,
                    100.0 * (direction.inflation() - 1.0)
                ),
            )
        }
        BoneWarning::BlurDisagrees { given_mm, found_mm, u_mm } => entry(
            "blur-disagrees",
            format!(
                "`blur_fwhm_mm` says {given_mm:.2} mm, but the site's own edges tell {found_mm:.2} ± {:.2} mm: plates and widths follow the given one, so leave the key out unless it is known better",
                2.0 * u_mm
            ),
        ),
        BoneWarning::PlatesBelowBlur { buccal_levels_mm, lingual_levels_mm, blur_fwhm_mm } => {
            let side = |name: &str, levels: &[f64]| {
                let levels: Vec<String> = levels.iter().map(|l| format!("{l:.1}")).collect();
                (!levels.is_empty()).then(|| format!("{name} at {} mm", levels.join(", ")))
            };
            let sides = [side("buccal", buccal_levels_mm), side("lingual", lingual_levels_mm)];
            let sides: Vec<String> = sides.into_iter().flatten().collect();
            entry(
                "plate-below-blur",
                format!(
                    "plates are too thin for a blur of {blur_fwhm_mm:.2} mm ({}): thickness and density cannot be told apart there, so a range is given instead of a number",
                    sides.join("; ")
                ),
            )
        }
        BoneWarning::CoarseVoxels { voxel_mm } => entry(
            "coarse-voxels",
            format!(
                "voxels of {voxel_mm:.2} mm: walls of 1.5 mm are near the limit of what they can show, so rely on the uncertainty: a finer scan is needed to decide on them"
            ),
        ),
        BoneWarning::Metal { share } => entry(
            "metal",
            format!(
                "{:.0} % of the outline is far denser than bone (metal or enamel), where edges cannot be trusted: check the picture",
                100.0 * share
            ),
        ),
        _ => {
            entry("unknown", "something was noticed that this version has no words for".to_owned())
        }
    }
}
