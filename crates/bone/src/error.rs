use jawgauge_section::SectionError;

use crate::limit::LimitKind;
use crate::wall::RidgeDirection;

/// Why a site could not be measured at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BoneError {
    /// The site's place on the ridge axis is outside the scan.
    #[error("the site at ({:.1}, {:.1}, {:.1}) mm lies outside the scan", at[0], at[1], at[2])]
    SiteOutside {
        /// The place, LPS mm.
        at: [f64; 3],
    },
    /// The grey values around the site are all alike, so that nothing parts bone from tissue.
    #[error(
        "no two kinds of tissue can be told apart around the site: grey values run from {low:.0} to {high:.0}"
    )]
    NoTwoClasses {
        /// Lowest grey value.
        low: f64,
        /// Highest grey value.
        high: f64,
    },
    /// The threshold outlines no piece of bone near the site.
    #[error(
        "threshold {threshold:.0} outlines nothing of at least {least_mm2:.0} mm2 in the section, where grey values run from {low:.0} to {high:.0}"
    )]
    NothingOutlined {
        /// The threshold, grey value.
        threshold: f64,
        /// Smallest area that counts as a piece, mm2.
        least_mm2: f64,
        /// Lowest grey value in the section.
        low: f64,
        /// Highest grey value in the section.
        high: f64,
    },
    /// The crest lies beyond the edge of the scan.
    #[error("the crest of the bone is cut off by the edge of what was scanned")]
    CrestClipped,
    /// The section could not be made.
    #[error(transparent)]
    Section(#[from] SectionError),
}

/// Why one value could not be measured. Never a zero, never a guess.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Unmeasured {
    /// The level lies at or above the crest.
    AboveCrest {
        /// Level asked for, mm.
        level_mm: f64,
    },
    /// The level lies below the bone.
    BelowBone {
        /// Level asked for, mm.
        level_mm: f64,
        /// Where the bone ends, mm below the crest.
        ends_mm: f64,
    },
    /// The bone goes on beyond what was scanned or cut.
    Clipped {
        /// Level asked for, mm below the crest; 0 for the height of the bone.
        level_mm: f64,
        /// Where the bone runs out of the picture.
        by: crate::Clip,
        /// The part that is visible, mm: the value is at least this.
        at_least_mm: f64,
    },
    /// A space filled with air lies in the bone: a sinus, or the floor of the nose.
    AirInside {
        /// Depth below the crest, mm.
        level_mm: f64,
    },
    /// Metal lies beside an end of the width: no edge is trusted there.
    BesideMetal {
        /// Level asked for, mm below the crest.
        level_mm: f64,
    },
    /// No wall could be fitted at this end of a width.
    NoPlate,
    /// No marrow shows below the surface, so that a plate has no inner edge.
    NoMarrow {
        /// How deep there is nothing but cortex, mm.
        at_least_mm: f64,
    },
    /// The limit meets the section far from the bone.
    LimitFar {
        /// How far beside it, mm.
        beside_mm: f64,
    },
    /// The limit does not meet the section.
    LimitMissesSection {
        /// How near it comes, mm.
        nearest_mm: f64,
    },
    /// The limit's surface hardly faces the crest, or its marks lie in one line.
    LimitSteep {
        /// How far it turns from square to the apical direction, degrees.
        angle_deg: f64,
    },
    /// The limit's surface is marked far from where it is needed.
    LimitMarksFar {
        /// The nearest mark from there, mm.
        nearest_mm: f64,
    },
    /// The marks of the limit's surface lie so close together, or so far from where it is needed, that it may lie
    /// elsewhere there.
    LimitUncertain {
        /// Expanded uncertainty of its place, mm.
        u95_mm: f64,
    },
}

/// What was seen that makes a figure less certain, or not what it seems.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum BoneWarning {
    /// The outline runs into the edge of the scan or of the section's window.
    Clipped {
        /// Which edge.
        by: crate::Clip,
    },
    /// The crest found is far from the point that the user gave.
    CrestFar {
        /// Distance, mm.
        distance_mm: f64,
    },
    /// The ridge's own long axis could not be found; the case's apical direction is used.
    LongAxisNotFound {
        /// Bone below the crest that was usable for it, mm.
        usable_mm: f64,
    },
    /// The ridge's own long axis leans far from the case's apical direction.
    LongAxisLeans {
        /// By how much, degrees.
        by_deg: f64,
    },
    /// The given threshold is not half-way between soft tissue and cortex.
    ThresholdOffHalf {
        /// Threshold given.
        given: f64,
        /// Half-way as found.
        half_way: f64,
    },
    /// A limit given as one point was moved onto the section.
    LimitMoved {
        /// Which limit.
        kind: LimitKind,
        /// How far, mm.
        by_mm: f64,
    },
    /// The marks of a limit's surface lie in no plane; that which stands for it lies at the most crestal of them.
    LimitBent {
        /// Which limit.
        kind: LimitKind,
        /// How far beyond it the deepest mark lies, mm.
        by_mm: f64,
    },
    /// Other bone lies close beside the ridge on the line of a width, as over an open crest, a
    /// socket, an undercut or a neighbour's root; the width counts only the run below the crest.
    BoneBeside {
        /// Levels at which it does, mm below the crest.
        levels_mm: Vec<f64>,
        /// The smallest gap, mm.
        gap_mm: f64,
    },
    /// A space filled with air lies within the outline.
    AirInside {
        /// Where it begins, mm below the crest.
        from_mm: f64,
    },
    /// The crest of a sharp ridge was put back beyond what the blur left visible.
    CrestPutBack {
        /// By how much, mm.
        by_mm: f64,
        /// Expanded uncertainty, mm.
        u95_mm: f64,
    },
    /// The bone borders on one tissue here and on another there, as on gum and on air, so that one
    /// threshold cannot be half-way for both.
    MixedOutside {
        /// Standard deviation of the grey value outside from place to place, as a share of the
        /// contrast.
        share: f64,
    },
    /// Grey values were cut off at an end of the scale before they were stored, so that half-way
    /// between the levels is not half-way across the edge.
    GreysCutOff {
        /// Which levels were.
        cut_off: crate::CutOff,
    },
    /// The ridge runs otherwise than the axis, so that sections across the axis cut it obliquely.
    AxisOff {
        /// Which way it runs.
        direction: RidgeDirection,
    },
    /// Edges tell another blur than the one that was given.
    BlurDisagrees {
        /// The given one, full width at half maximum, mm.
        given_mm: f64,
        /// What edges tell, and its standard uncertainty, mm.
        found_mm: f64,
        /// ... mm.
        u_mm: f64,
    },
    /// Plates are too thin for the scan's blur to tell thickness from density; a range is told.
    PlatesBelowBlur {
        /// Levels at which the buccal plate is, mm below the crest.
        buccal_levels_mm: Vec<f64>,
        /// ... the lingual plate.
        lingual_levels_mm: Vec<f64>,
        /// The blur, full width at half maximum, mm.
        blur_fwhm_mm: f64,
    },
    /// Voxels are coarse against the walls that are to be judged.
    CoarseVoxels {
        /// The longest voxel step, mm.
        voxel_mm: f64,
    },
    /// Much of what surrounds the site is far denser than bone: metal or enamel.
    Metal {
        /// Share of the samples around the site, 0 to 1.
        share: f64,
    },
}
