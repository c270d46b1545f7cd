//! What can be asked of the bone of a section.

use jawgauge_space::{PatientPoint, SectionPoint};

use crate::error::Unmeasured;
use crate::gum::Budget;
use crate::limit::{Limit, LimitForm, meet_section};
use crate::runs::Run;
use crate::section_bone::SectionBone;
use crate::wall::{Blur, RidgeDirection};

/// The middle of the crest is that of the width so far below it, mm.
const MIDDLE_AT_MM: f64 = 1.0;
/// The edge's slope is read over this distance to either side, mm.
const SLOPE_REACH_MM: f64 = 0.15;
/// Air is darker than the level outside by this share of the contrast: soft tissue, cortex and air are
/// about evenly far apart.
const AIR_SHARE: f64 = 0.35;
/// Air lies in a line where this many more samples at this distance, mm, are all that dark.
const AIR_STEPS: u32 = 3;
const AIR_STEP_MM: f64 = 0.1;

impl SectionBone {
    /// The run of bone at `level_mm` below the crest that continues from the runs above it.
    #[must_use]
    pub fn run_at_level(&self, level_mm: f64) -> Option<Run> {
        self.runs.at_level(&self.outline, level_mm)
    }

    /// The level below which the ridge followed from the crest has ended, mm.
    #[must_use]
    pub fn ends_mm(&self) -> f64 {
        self.runs.ends_mm()
    }

    /// How near to `run`, on the line at `level_mm` below the crest, other bone lies, mm; `None`
    /// where there is none.
    #[must_use]
    pub fn bone_beside_mm(&self, level_mm: f64, run: &Run) -> Option<f64> {
        let at_mm = self.crest.apical_mm + level_mm;
        let others = self.beside.iter().flat_map(|piece| piece.runs_at(at_mm));
        self.outline
            .runs_at(at_mm)
            .into_iter()
            .chain(others)
            .map(|other| {
                (other.lingual.buccal_mm - run.buccal.buccal_mm)
                    .max(run.lingual.buccal_mm - other.buccal.buccal_mm)
            })
            .filter(|gap| *gap > 0.0)
            .min_by(f64::total_cmp)
    }

    /// Where a limit meets the section, and how far a single point had to be moved onto it, mm: of a canal its
    /// near wall, of a surface where it lies, along the apical direction, below the middle of the crest (that of the
    /// width a millimetre below it).
    ///
    /// # Errors
    ///
    /// [`Unmeasured::LimitMissesSection`], and [`Unmeasured::LimitFar`] more than 10 mm beside the bone; of a
    /// surface [`Unmeasured::LimitSteep`], [`Unmeasured::LimitMarksFar`] and [`Unmeasured::LimitUncertain`].
    pub fn limit_place(&self, limit: &Limit) -> Result<(SectionPoint, f64), Unmeasured> {
        let radius_mm = match limit.form {
            LimitForm::Line { radius_mm } => radius_mm,
            LimitForm::Surface => {
                let apical = self.frame.apical();
                let steep = Unmeasured::LimitSteep { angle_deg: 90.0 };
                let plane = limit.plane(apical).ok_or(steep)?;
                // A flat crest has no place of its own across the ridge: the middle of its width has.
                let run = self.run_at_level(MIDDLE_AT_MM).filter(Run::is_whole);
                let buccal_mm = run.map_or(self.crest.buccal_mm, |run| run.middle_mm());
                let from = SectionPoint::new(buccal_mm, self.crest.apical_mm);
                let (marks, voxel_mm) = (&limit.points, self.quality.voxel_mm);
                let depth_mm = plane.depth_mm(self.patient(from), apical, marks, voxel_mm)?;
                return Ok((SectionPoint::new(buccal_mm, from.apical_mm + depth_mm), 0.0));
            }
        };
        let (least, most) = self.outline.bounds();
        meet_section(&self.frame, &limit.points, radius_mm, (least.buccal_mm, most.buccal_mm))
    }

    /// Distance from `from` along `(buccal, apical)` to where a space filled with air begins, within
    /// `length_mm`; `None` where there is none. Air is what is darker than the level outside by more
    /// than a third of the contrast, over 0.3 mm.
    #[must_use]
    pub fn air_within_mm(
        &self,
        from: SectionPoint,
        along: (f64, f64),
        length_mm: f64,
    ) -> Option<f64> {
        let levels = self.threshold.levels?;
        let darkest = levels.outside - AIR_SHARE * levels.contrast();
        let mut dark = 0;
        let mut s = 0.0;
        while s <= length_mm {
            let p = SectionPoint::new(from.buccal_mm + s * along.0, from.apical_mm + s * along.1);
            let grey = self.image.sample(p.in_turned_frame(-self.turned_by_deg)).grey();
            dark = if grey.is_some_and(|g| g < darkest) { dark + 1 } else { 0 };
            if dark > AIR_STEPS {
                return Some(s - f64::from(AIR_STEPS) * AIR_STEP_MM);
            }
            s += AIR_STEP_MM;
        }
        None
    }

    /// Whether a space filled with air lies in the run at `level_mm` below the crest.
    #[must_use]
    pub fn has_air_in(&self, level_mm: f64, run: &Run) -> bool {
        let from = SectionPoint::new(run.lingual.buccal_mm, self.crest.apical_mm + level_mm);
        self.air_within_mm(from, (1.0, 0.0), run.length_mm()).is_some()
    }

    /// Levels, mm below the crest, and runs of the ridge followed down from its crest every
    /// 0.05 mm.
    pub fn followed_runs(&self) -> impl Iterator<Item = (f64, &Run)> + '_ {
        self.runs.iter()
    }

    /// Grey values a millimetre along `(buccal, apical)` at a place, by a central difference
    /// over 0.3 mm; `None` at the edge of the scan.
    #[must_use]
    pub fn slope_at(&self, p: SectionPoint, along: (f64, f64)) -> Option<f64> {
        let grey = |s: f64| {
            let q = SectionPoint::new(p.buccal_mm + s * along.0, p.apical_mm + s * along.1);
            self.image.sample(q.in_turned_frame(-self.turned_by_deg)).grey()
        };
        Some((grey(SLOPE_REACH_MM)? - grey(-SLOPE_REACH_MM)?) / (2.0 * SLOPE_REACH_MM))
    }

    /// Standard uncertainty of the edge at a place along `(buccal, apical)`, mm.
    #[must_use]
    pub fn u_edge_mm(&self, p: SectionPoint, along: (f64, f64)) -> f64 {
        self.edge_sources(p, along).u_mm()
    }

    /// The same by its sources.
    #[must_use]
    pub fn edge_budget(&self, p: SectionPoint, along: (f64, f64)) -> Budget {
        self.edge_sources(p, along).budget()
    }

    /// Standard uncertainty of the crest's height, mm: its edge, what the blur takes off a round
    /// crest, and how uncertain what was put back on a sharp one is.
    #[must_use]
    pub fn u_crest_mm(&self) -> f64 {
        self.crest_sources().u_mm()
    }

    /// How the ridge runs against the normal of the section; `None` where too few walls tell.
    #[must_use]
    pub fn direction(&self) -> Option<RidgeDirection> {
        let walls = self.walls.as_ref()?;
        RidgeDirection::of_walls(&walls.edges, &self.frame, self.crest.apical_mm)
    }

    /// The scan's blur near the site; `None` where the threshold was given.
    #[must_use]
    pub fn blur(&self) -> Option<Blur> {
        self.walls.as_ref().map(|w| w.blur)
    }

    /// Where a place of the section lies in the patient.
    #[must_use]
    pub fn patient(&self, p: SectionPoint) -> PatientPoint {
        self.frame.patient_from_section(p)
    }
}
