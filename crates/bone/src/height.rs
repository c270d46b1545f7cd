//! Heights from the crest: of the bone, and to limits.

use crate::error::Unmeasured;
use crate::gum::{Budget, Source};
use crate::limit::{Limit, LimitHeight};
use crate::measure::MeasureOptions;
use crate::section_bone::SectionBone;
use crate::uncertainty::{Measured, u95_of_marked_place};
use crate::wall::RidgeDirection;

/// The budget of a length down the section, with the scanner's scale and the axis' direction.
fn along_section(
    budget: Budget,
    mm: f64,
    direction: Option<&RidgeDirection>,
    options: &MeasureOptions,
) -> Budget {
    let off = direction.map_or(0.0, |d| d.apical_deg.to_radians().hypot(d.u_deg.to_radians()));
    budget
        .with(Source::Scale, options.scale_u_share * mm.abs())
        .with(Source::Axis, mm.abs() * (1.0 / off.cos() - 1.0))
}

/// Extent of the bone from the crest along the apical direction.
pub(crate) fn height_of(
    bone: &SectionBone,
    direction: Option<&RidgeDirection>,
    options: &MeasureOptions,
) -> Result<Measured, Unmeasured> {
    if let Some(level_mm) = bone.air_from_mm {
        return Err(Unmeasured::AirInside { level_mm });
    }
    let Some(base) = bone.base else {
        let by = bone.outline.clip().unwrap_or(crate::Clip::Scan);
        let lowest =
            bone.outline.points().iter().map(|p| p.apical_mm).fold(f64::NEG_INFINITY, f64::max);
        return Err(Unmeasured::Clipped {
            level_mm: 0.0,
            by,
            at_least_mm: lowest - bone.crest.apical_mm,
        });
    };
    let mm = base.apical_mm - bone.crest.apical_mm;
    let (crest, end) = (bone.crest_sources(), bone.extreme_sources(base));
    let budget = Budget::default()
        .with(Source::Noise, crest.noise_mm.hypot(end.noise_mm))
        .with(Source::Blur, (crest.blur_mm + end.blur_mm).abs())
        .with(Source::Model, crest.model_mm.hypot(end.model_mm));
    Ok(Measured::new(mm, along_section(budget, mm, direction, options)))
}

/// Height to a limit.
pub(crate) fn limit_height(
    bone: &SectionBone,
    limit: &Limit,
    direction: Option<&RidgeDirection>,
    options: &MeasureOptions,
) -> LimitHeight {
    let apical = bone.frame.apical();
    let plane = limit.plane(apical);
    let voxel_mm = bone.quality.voxel_mm;
    let (at, height, moved_mm) = match bone.limit_place(limit) {
        Ok((at, moved_mm)) => {
            let mm = at.apical_mm - bone.crest.apical_mm;
            let marked = plane.map_or(0.5 * u95_of_marked_place(voxel_mm), |plane| {
                let u95_mm = plane.u95_along_mm(bone.patient(at), apical, voxel_mm);
                (0.5 * u95_mm).hypot(plane.u_bent_mm(voxel_mm) / plane.into.dot(apical))
            });
            let budget = bone.crest_sources().budget().with(Source::Limit, marked);
            let budget = along_section(budget, mm, direction, options);
            (Some(at), Ok(Measured::new(mm, budget)), moved_mm)
        }
        Err(why) => (None, Err(why), 0.0),
    };
    let bent_mm = plane.map_or(0.0, |plane| plane.bent_mm);
    let (kind, form, keep_mm) = (limit.kind, limit.form, limit.keep_mm);
    LimitHeight { kind, form, bent_mm, at, height, keep_mm, moved_mm }
}
