//! The words of the pictures.

use jawgauge_bone::{BoneWarning, Clip, LimitKind, Measured, Unmeasured};
use jawgauge_fixture::{NoWall, RuleKind};
use jawgauge_section::PatientSide;

use super::Arch;

/// What every picture says below.
pub(crate) const CAUTION: &str = "Not a medical device. Verify every figure on the scan itself before acting: licensed practice and local rules decide.";

/// The sides of a section by name.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sides {
    pub(crate) inner: &'static str,
    pub(crate) inner_plain: &'static str,
    pub(crate) outer: &'static str,
    pub(crate) outer_plain: &'static str,
}

impl Sides {
    pub(crate) fn of(arch: Arch, side: PatientSide) -> Self {
        let (inner, inner_plain) = match arch {
            Arch::Maxilla => ("palatal", "palate"),
            Arch::Mandible => ("lingual", "tongue"),
        };
        let (outer, outer_plain) = match side {
            PatientSide::Front => ("labial", "lip"),
            PatientSide::Right | PatientSide::Left | PatientSide::Unknown => ("buccal", "cheek"),
        };
        Self { inner, inner_plain, outer, outer_plain }
    }
}

pub(crate) fn side_of_mouth(side: PatientSide) -> &'static str {
    match side {
        PatientSide::Right => "patient's right side",
        PatientSide::Left => "patient's left side",
        PatientSide::Front => "front of the mouth",
        PatientSide::Unknown => "side of the mouth not known",
    }
}

/// The words for a limit.
#[must_use]
pub fn limit_name(kind: LimitKind) -> &'static str {
    match kind {
        LimitKind::NasalFloor => "nasal floor",
        LimitKind::SinusFloor => "sinus floor",
        LimitKind::NerveCanal => "nerve canal",
        LimitKind::Other => "other limit",
    }
}

/// Names of limits in their order; those of one kind are numbered.
pub(crate) fn limit_names(kinds: impl Iterator<Item = LimitKind> + Clone) -> Vec<String> {
    let all: Vec<LimitKind> = kinds.collect();
    let named = |(n, kind): (usize, &LimitKind)| {
        let name = limit_name(*kind);
        if all.iter().filter(|k| *k == kind).count() > 1 {
            format!("{name} {}", 1 + all[..n].iter().filter(|k| *k == kind).count())
        } else {
            name.to_owned()
        }
    };
    all.iter().enumerate().map(named).collect()
}

pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |c| c.to_uppercase().chain(letters).collect())
}

/// Millimetres to two decimals with a real minus sign.
pub(crate) fn mm(value: f64) -> String {
    signed(&format!("{value:.2}"))
}

/// A number that the user gave, as short as it was given, up to three decimals.
pub(crate) fn given(value: f64) -> String {
    let text = format!("{value:.3}");
    signed(text.trim_end_matches('0').trim_end_matches('.'))
}

/// A whole number: grey values.
pub(crate) fn whole(value: f64) -> String {
    signed(&format!("{value:.0}"))
}

fn signed(text: &str) -> String {
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().any(|c| ('1'..='9').contains(&c)) => format!("−{rest}"),
        Some(rest) => rest.to_owned(),
        None => text.to_owned(),
    }
}

pub(crate) fn measured(value: &Measured) -> String {
    with_u95(value.mm, value.u95_mm)
}

pub(crate) fn with_u95(value_mm: f64, u95_mm: f64) -> String {
    format!("{} ± {}", mm(value_mm), mm(u95_mm))
}

fn cut_off(by: Clip) -> &'static str {
    match by {
        Clip::Scan => "cut off by the edge of the scan",
        Clip::Window => "goes on beyond the part looked at",
    }
}

pub(crate) fn unmeasured(why: &Unmeasured) -> String {
    match *why {
        Unmeasured::AboveCrest { .. } => "not measured: not below the crest".to_owned(),
        Unmeasured::BelowBone { ends_mm, .. } => {
            format!("not measured: the bone ends at {} mm", mm(ends_mm))
        }
        Unmeasured::Clipped { by, at_least_mm, .. } => {
            format!("not measured: {}; at least {} mm", cut_off(by), mm(at_least_mm))
        }
        Unmeasured::AirInside { .. } => "not measured: air within the bone".to_owned(),
        Unmeasured::BesideMetal { .. } => "not measured: metal beside its end".to_owned(),
        Unmeasured::LimitFar { beside_mm } => {
            format!("not measured: {} mm beside the bone", mm(beside_mm))
        }
        Unmeasured::LimitMissesSection { nearest_mm } => {
            format!("not measured: it passes this section by {} mm", mm(nearest_mm))
        }
        Unmeasured::LimitSteep { .. } => "not measured: its surface is too steep".to_owned(),
        Unmeasured::LimitMarksFar { nearest_mm } => {
            format!("not measured: marked {} mm away", mm(nearest_mm))
        }
        Unmeasured::LimitUncertain { u95_mm } => {
            format!("not measured: its marks leave ± {} mm", mm(u95_mm))
        }
        _ => "not measured".to_owned(),
    }
}

pub(crate) fn no_wall(why: NoWall) -> String {
    match why {
        NoWall::AtCrest => "not measured: not below the crest".to_owned(),
        NoWall::NoBone => "not measured: no bone there".to_owned(),
        NoWall::Clipped(by) => format!("not measured: bone {}", cut_off(by)),
    }
}

pub(crate) fn rule_name(rule: RuleKind, sides: Sides) -> String {
    match rule {
        RuleKind::BuccalWall => format!("{} wall", capital(sides.outer)),
        RuleKind::LingualWall => format!("{} wall", capital(sides.inner)),
        RuleKind::MesialWall => "Mesial wall".to_owned(),
        RuleKind::DistalWall => "Distal wall".to_owned(),
        RuleKind::ApexInBone => "Apical wall".to_owned(),
        RuleKind::PlatformInBone => "Platform".to_owned(),
    }
}

/// A short reason why figures are less certain.
pub(crate) fn warning(warning: &BoneWarning) -> String {
    match warning {
        BoneWarning::Clipped { by } => format!(
            "the outline of the bone {}",
            match by {
                Clip::Scan => "is cut off by the edge of the scan",
                Clip::Window => "goes on beyond the part looked at",
            }
        ),
        BoneWarning::CrestFar { distance_mm } => {
            format!("the crest lies {} mm from the point given for the site", mm(*distance_mm))
        }
        BoneWarning::LongAxisNotFound { usable_mm } => format!(
            "the ridge's own long axis was not found ({} mm of usable bone), the case's apical direction is used",
            mm(*usable_mm)
        ),
        BoneWarning::LongAxisLeans { by_deg } => format!(
            "the ridge's own long axis leans {}° from the case's apical direction",
            signed(&format!("{by_deg:.1}"))
        ),
        BoneWarning::ThresholdOffHalf { given, half_way } => format!(
            "the grey value given for the bone's edge, {}, is not half-way, {}",
            whole(*given),
            whole(*half_way)
        ),
        BoneWarning::LimitMoved { kind, by_mm } => {
            format!("the point given for the {} was moved {} mm", limit_name(*kind), mm(*by_mm))
        }
        BoneWarning::LimitBent { kind, by_mm } => format!(
            "the points given for the {} miss one plane by {} mm",
            limit_name(*kind),
            mm(*by_mm)
        ),
        BoneWarning::BoneBeside { gap_mm, .. } => format!(
            "other bone lies {} mm beside the ridge, and widths count only the bone under the crest",
            mm(*gap_mm)
        ),
        BoneWarning::AirInside { from_mm } => {
            format!("a space filled with air begins {} mm below the crest", mm(*from_mm))
        }
        BoneWarning::CrestPutBack { by_mm, u95_mm } => format!(
            "the blur has worn the sharp crest down, it was put back by {} ± {} mm",
            mm(*by_mm),
            mm(*u95_mm)
        ),
        BoneWarning::MixedOutside { .. } => {
            "the bone borders on gum here and on air there, one edge value for both".to_owned()
        }
        BoneWarning::GreysCutOff { .. } => {
            "grey values were cut off at the export, edges are less sure".to_owned()
        }
        BoneWarning::CoarseVoxels { voxel_mm } => {
            format!("voxels of {} mm are coarse for walls of 1.5 mm", mm(*voxel_mm))
        }
        BoneWarning::Metal { .. } => "metal or enamel near the site".to_owned(),
        BoneWarning::AxisOff { direction } => format!(
            "the ridge runs {:.1}° ± {:.1}° off the ridge axis, which makes widths {:.1} % too wide",
            direction.off_deg,
            2.0 * direction.u_deg,
            100.0 * (direction.inflation() - 1.0)
        ),
        BoneWarning::PlatesBelowBlur { blur_fwhm_mm, .. } => format!(
            "plates thinner than about the blur of {} mm are told as a range",
            mm(*blur_fwhm_mm)
        ),
        _ => "see the document".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_two_decimals_and_no_negative_zero() {
        assert_eq!(mm(6.018), "6.02");
        assert_eq!(mm(-0.401), "−0.40");
        assert_eq!(mm(-0.004), "0.00");
        assert_eq!(given(3.0), "3");
        assert_eq!(given(2.5), "2.5");
        assert_eq!(given(10.0), "10");
        assert_eq!(whole(-999.6), "−1000");
    }

    #[test]
    fn limits_of_one_kind_are_numbered() {
        let kinds = [LimitKind::Other, LimitKind::NerveCanal, LimitKind::Other];
        let names = limit_names(kinds.into_iter());
        assert_eq!(names, ["other limit 1", "nerve canal", "other limit 2"]);
    }

    #[test]
    fn sides_are_named_after_the_jaw_and_the_place_in_it() {
        let names = |arch, side| {
            let s = Sides::of(arch, side);
            (s.inner, s.outer)
        };
        assert_eq!(names(Arch::Mandible, PatientSide::Left), ("lingual", "buccal"));
        assert_eq!(names(Arch::Maxilla, PatientSide::Front), ("palatal", "labial"));
    }
}
