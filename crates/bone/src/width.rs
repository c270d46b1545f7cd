//! The width of the ridge at a level.

use jawgauge_space::SectionPoint;
use jawgauge_volume::Volume;
use rayon::prelude::*;

use crate::error::Unmeasured;
use crate::gum::{Budget, MonteCarlo, Source, monte_carlo};
use crate::measure::MeasureOptions;
use crate::section_bone::SectionBone;
use crate::uncertainty::{Measured, u95_of_marked_place};
use crate::wall::{Plate, RidgeDirection, measure_plates};

/// Where the interval of the Monte Carlo method differs from the linear one by more than this share, it
/// is the one that holds (JCGM 101:2008, clause 8: numerical tolerance of one significant digit).
const LINEAR_SHARE: f64 = 0.05;

/// The width of the ridge at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Width {
    /// Level, mm below the crest.
    pub level_mm: f64,
    /// Length of bone on the line across the section.
    pub width: Measured,
    /// Where the line leaves the bone towards the cheek.
    pub buccal: SectionPoint,
    /// Where it leaves the bone towards the tongue.
    pub lingual: SectionPoint,
    /// Thickness of the plate at the buccal end, along the normal of its surface.
    pub buccal_plate: Result<Plate, Unmeasured>,
    /// ... and at the lingual end.
    pub lingual_plate: Result<Plate, Unmeasured>,
    /// The width's spread by the Monte Carlo method, where that was asked for.
    pub monte_carlo: Option<MonteCarlo>,
}

impl Width {
    /// The plates at its ends, buccal first.
    pub fn plates(&self) -> [&Result<Plate, Unmeasured>; 2] {
        [&self.buccal_plate, &self.lingual_plate]
    }
}

/// The widths at all levels, with plates.
pub(crate) fn measure_widths(
    volume: &Volume,
    bone: &SectionBone,
    direction: Option<&RidgeDirection>,
    options: &MeasureOptions,
) -> Vec<Result<Width, Unmeasured>> {
    let mut widths: Vec<_> = options
        .levels_mm
        .par_iter()
        .map(|&level| width_at(bone, level, direction, options))
        .collect();
    if let Some(walls) = &bone.walls {
        let mut measured: Vec<&mut Width> = widths.iter_mut().flatten().collect();
        let ends: Vec<[SectionPoint; 2]> = measured.iter().map(|w| [w.buccal, w.lingual]).collect();
        let plates = measure_plates(volume, &bone.frame, &bone.outline, walls, &ends);
        for (width, [buccal, lingual]) in measured.iter_mut().zip(plates) {
            let scaled = |plate: Result<Plate, Unmeasured>| {
                plate.map(|p| p.with_scale_u_share(options.scale_u_share))
            };
            (width.buccal_plate, width.lingual_plate) = (scaled(buccal), scaled(lingual));
        }
    }
    widths
}

fn width_at(
    bone: &SectionBone,
    level_mm: f64,
    direction: Option<&RidgeDirection>,
    options: &MeasureOptions,
) -> Result<Width, Unmeasured> {
    if !(level_mm > 0.0) {
        return Err(Unmeasured::AboveCrest { level_mm });
    }
    let Some(run) = bone.run_at_level(level_mm) else {
        return Err(Unmeasured::BelowBone { level_mm, ends_mm: bone.ends_mm() });
    };
    if let Some(by) = run.lingual.clip.or(run.buccal.clip) {
        return Err(Unmeasured::Clipped { level_mm, by, at_least_mm: run.length_mm() });
    }
    if bone.has_air_in(level_mm, &run) {
        return Err(Unmeasured::AirInside { level_mm });
    }
    let at_mm = bone.crest.apical_mm + level_mm;
    let lingual = SectionPoint::new(run.lingual.buccal_mm, at_mm);
    let buccal = SectionPoint::new(run.buccal.buccal_mm, at_mm);
    if bone.is_beside_metal(lingual) || bone.is_beside_metal(buccal) {
        return Err(Unmeasured::BesideMetal { level_mm });
    }
    let mm = run.length_mm();
    let sources = WidthSources::of(bone, [buccal, lingual], direction, options);
    let mut width = Measured::new(mm, sources.budget(mm, taper(bone, level_mm)));
    let drawn = (options.monte_carlo_trials > 0)
        .then(|| sources.draw(bone, level_mm, options.monte_carlo_trials))
        .flatten();
    if let Some(drawn) = &drawn {
        // Where the axis is off, the answers lie beside the width, which is not corrected for it.
        let half = (mm - drawn.interval95.0).max(drawn.interval95.1 - mm);
        if (half - width.u95_mm).abs() > LINEAR_SHARE * width.u95_mm {
            width.u95_mm = half;
        }
    }
    let none = Err(Unmeasured::NoPlate);
    Ok(Width {
        level_mm,
        width,
        buccal,
        lingual,
        buccal_plate: none,
        lingual_plate: none,
        monte_carlo: drawn,
    })
}

/// What a width is uncertain by.
struct WidthSources {
    noise_mm: f64,
    /// Change with one standard uncertainty of the blur; both ends move together.
    blur_mm: f64,
    model_mm: f64,
    /// Standard uncertainty of the crest, mm.
    crest_mm: f64,
    /// Change for the standard uncertainty of the site's place, mm.
    site_mm: f64,
    /// Standard uncertainty of lengths, as a share.
    scale: f64,
    /// Angle of the ridge against the axis across it and its standard uncertainty, radians.
    axis: (f64, f64),
}

impl WidthSources {
    fn of(
        bone: &SectionBone,
        ends: [SectionPoint; 2],
        direction: Option<&RidgeDirection>,
        options: &MeasureOptions,
    ) -> Self {
        let [a, b] = ends.map(|end| bone.edge_sources(end, (1.0, 0.0)));
        let place_mm = 0.5 * u95_of_marked_place(bone.quality.voxel_mm);
        Self {
            noise_mm: a.noise_mm.hypot(b.noise_mm),
            blur_mm: a.blur_mm + b.blur_mm,
            model_mm: a.model_mm.hypot(b.model_mm),
            crest_mm: bone.crest_sources().u_mm(),
            site_mm: (a.drift + b.drift).abs() * place_mm,
            scale: options.scale_u_share,
            axis: direction
                .map_or((0.0, 0.0), |d| (d.across_deg.to_radians(), d.u_deg.to_radians())),
        }
    }

    fn budget(&self, width_mm: f64, taper: f64) -> Budget {
        // A section across an axis that is off by a, is too wide by 1 / cos a.
        let off = self.axis.0.hypot(self.axis.1);
        Budget::default()
            .with(Source::Noise, self.noise_mm)
            .with(Source::Blur, self.blur_mm.abs())
            .with(Source::Model, self.model_mm)
            .with(Source::Level, taper * self.crest_mm)
            .with(Source::Site, self.site_mm)
            .with(Source::Scale, self.scale * width_mm)
            .with(Source::Axis, width_mm * (1.0 / off.cos() - 1.0))
    }

    /// The same sources drawn: the level's error where walls bend, and the axis', are not linear.
    fn draw(&self, bone: &SectionBone, level_mm: f64, trials: usize) -> Option<MonteCarlo> {
        let ends_mm = self.noise_mm.hypot(self.model_mm);
        monte_carlo(trials, level_mm.to_bits(), |n| {
            let level = level_mm + self.crest_mm * n.draw();
            let run = bone.run_at_level(level)?;
            let edges = ends_mm * n.draw() + self.blur_mm * n.draw() + self.site_mm * n.draw();
            let off = self.axis.0 + self.axis.1 * n.draw();
            Some((run.length_mm() + edges) * (1.0 + self.scale * n.draw()) * off.cos())
        })
    }
}

/// The least of the widths; `None` where one that is cut off may be less.
pub(crate) fn least_width(widths: &[Result<Width, Unmeasured>]) -> Option<Width> {
    let least =
        widths.iter().flatten().min_by(|a, b| a.width.mm.total_cmp(&b.width.mm)).copied()?;
    let may_be_less = widths.iter().any(|w| match w {
        Err(Unmeasured::Clipped { at_least_mm, .. }) => *at_least_mm < least.width.mm,
        Err(Unmeasured::AirInside { .. } | Unmeasured::BesideMetal { .. }) => true,
        _ => false,
    });
    (!may_be_less).then_some(least)
}

/// Millimetres of width gained or lost for each millimetre of depth, about a level: over half a
/// millimetre to either side, or to where the ridge begins or ends.
fn taper(bone: &SectionBone, level_mm: f64) -> f64 {
    const REACH_MM: f64 = 0.5;
    const STEP_MM: f64 = 0.05;
    let length = |level: f64| bone.run_at_level(level).map(|r| r.length_mm());
    let reach = |sign: f64| {
        (1..=10).rev().find_map(|n| {
            let level = level_mm + sign * (REACH_MM - f64::from(10 - n) * STEP_MM);
            length(level).filter(|_| level > 0.0).map(|l| (level, l))
        })
    };
    let here = length(level_mm).map(|l| (level_mm, l));
    match (reach(-1.0).or(here), reach(1.0).or(here)) {
        (Some(above), Some(below)) if below.0 > above.0 => {
            ((below.1 - above.1) / (below.0 - above.0)).abs()
        }
        _ => 0.0,
    }
}
