//! Which voxels of a box are bone, marrow counted in, and by how much.

use super::grid::Grid;
use super::region::OrientedBox;
use crate::section_bone::SectionBone;
use crate::smooth::thin_wall_level;
use jawgauge_volume::Volume;

/// The outside passes mouths wider than twice this, mm, as far into what they open to: what is
/// narrower is a gap in a wall.
const PASSES_MM: f64 = 0.5;
/// The lower contour of a plain edge lies within this many blurs and this much of the half-way one.
const BEYOND_BLURS: f64 = 0.6;
const BEYOND_MM: f64 = 0.2;
/// More of the section's bone than this share is not outside.
const LEAK_SHARE: f64 = 0.02;
/// How often the mouths that are closed are made wider, by 1.6 each time.
const WIDER_MOUTHS: usize = 3;
/// Around a lost wall the lower level holds as far as this, mm.
const LOST_REACH_MM: f64 = 0.9;
/// Places this near to the outline, mm, are of neither side.
const NEAR_OUTLINE_MM: f64 = 0.4;
/// Air is darker than the level outside by this share of the contrast.
const AIR_SHARE: f64 = 0.35;
/// Grey values beyond this many contrasts above the level outside count as this: metal.
const MOST_CONTRASTS: f32 = 2.0;

/// How much denser than its threshold each voxel is, in contrasts: positive is bone.
pub(crate) struct Solid {
    pub(crate) grid: Grid,
    /// Not a number where nothing is known.
    pub(crate) excess: Vec<f32>,
}

impl Solid {
    /// The bone of a site within a box; `None` where nothing of it was found.
    ///
    /// What is joined to the outside of the section's outline by more than a gap of a millimetre is
    /// outside, and all that is not is bone: marrow, canals and whatever else is enclosed.
    pub(crate) fn around(
        volume: &Volume,
        bone: &SectionBone,
        region: &OrientedBox,
    ) -> Option<Self> {
        let grid = Grid::around(volume, region)?;
        let greys = grid.greys(volume, region);
        let half = bone.threshold.grey;
        let levels = bone.threshold.levels;
        let contrast = levels.map_or(bone.quality.contrast, |l| l.contrast());
        if !(contrast > 0.0) {
            return None;
        }
        let outside = levels.map_or(half - 0.5 * contrast, |l| l.outside);
        let low = levels.filter(|_| bone.walls.is_some()).map_or(half, |l| thin_wall_level(&l));
        // Grey values of 16 bits.
        #[allow(clippy::cast_possible_truncation)]
        let (half, low, contrast, outside) =
            (half as f32, low as f32, contrast as f32, outside as f32);
        let (inner_seeds, outer_seeds) = seeds(&grid, bone, region);
        let tissue = Tissue { greys: &greys, half, low, contrast, outside };
        let mut passes = PASSES_MM.max(1.05 * bone.quality.voxel_mm);
        let mut found = tissue.outside(&grid, bone, &outer_seeds, passes);
        // Where the section's own bone turns out to be outside, the outside has come in by a foramen or a
        // gap beside the section: wider mouths are closed then.
        let leaks = |is_outside: &[bool]| {
            let leaked = inner_seeds.iter().filter(|n| is_outside[**n]).count();
            leaked as f64 > LEAK_SHARE * inner_seeds.len() as f64
        };
        for _ in 0..WIDER_MOUTHS {
            if !leaks(&found.0) {
                break;
            }
            passes *= 1.6;
            found = tissue.outside(&grid, bone, &outer_seeds, passes);
        }
        let (is_outside, level) = found;
        let kept = grid.flood(inner_seeds, |n| !greys[n].is_nan() && !is_outside[n]);
        if !kept.contains(&true) {
            return None;
        }
        let least = 1e-4;
        let excess = (0..grid.len())
            .map(|n| {
                if greys[n].is_nan() {
                    return f32::NAN;
                }
                let over =
                    (greys[n].min(outside + MOST_CONTRASTS * contrast) - level[n]) / contrast;
                if kept[n] {
                    if over > 0.0 { over.max(least) } else { 0.5 }
                } else {
                    over.min(-least)
                }
            })
            .collect();
        Some(Self { grid, excess })
    }

    /// Whether a place is bone, by its nearest voxel; `None` where nothing is known.
    pub(crate) fn holds(&self, p: jawgauge_space::PatientPoint) -> Option<bool> {
        let excess = self.excess[self.grid.nearest(p)?];
        (!excess.is_nan()).then_some(excess > 0.0)
    }
}

/// Grey values of the box, and what tells tissues apart.
struct Tissue<'a> {
    greys: &'a [f32],
    half: f32,
    low: f32,
    contrast: f32,
    outside: f32,
}

impl Tissue<'_> {
    /// Which voxels are outside, and the threshold that holds at each: as far as what is `passes` mm in
    /// radius comes from the seeds.
    fn outside(
        &self,
        grid: &Grid,
        bone: &SectionBone,
        outer_seeds: &[usize],
        passes: f64,
    ) -> (Vec<bool>, Vec<f32>) {
        let Self { greys, half, low, contrast, outside } = *self;
        let barrier = |n: usize| greys[n] >= low;
        // Distances of this box and its squares are small.
        #[allow(clippy::cast_possible_truncation)]
        let square = |mm: f64| (mm * mm) as f32;
        let clear = grid.squared_distance(barrier, passes);
        let is_free = |n: usize| !greys[n].is_nan() && clear[n] > square(passes);
        // Air shows its own edge, whatever encloses it.
        #[allow(clippy::cast_possible_truncation)]
        let darkest = outside - AIR_SHARE as f32 * contrast;
        let lighter = grid.squared_distance(|n| !(greys[n] < darkest), passes);
        let air = (0..grid.len()).filter(|&n| lighter[n] > square(passes));
        let core = grid.flood(outer_seeds.iter().copied().chain(air), is_free);
        let voxel = bone.quality.voxel_mm;
        let near_core = grid.squared_distance(|n| core[n], passes + voxel);
        let open = |n: usize| {
            !greys[n].is_nan() && !barrier(n) && near_core[n] <= square(passes + 0.5 * voxel)
        };
        let near_open = grid.squared_distance(open, 2.0);
        let beyond = BEYOND_BLURS * bone.quality.blur_fwhm_mm + BEYOND_MM + 0.5 * voxel;
        let reach = square(beyond + 2.0 * voxel);
        let opens: Vec<usize> = (0..grid.len()).filter(|&n| open(n)).collect();
        let skirt = |n: usize| near_open[n] <= reach;
        // Where the half-way level lets the outside in further than an edge is wide, a wall was lost.
        let grown = grid.flood(opens.iter().copied(), |n| open(n) || (greys[n] < half && skirt(n)));
        let lost = |n: usize| grown[n] && near_open[n] > square(beyond);
        if low < half && (0..grid.len()).any(lost) {
            let near_lost = grid.squared_distance(lost, LOST_REACH_MM);
            let level = |n: usize| {
                if near_lost[n] <= square(LOST_REACH_MM) { low } else { half }
            };
            let again = grid.flood(opens, |n| open(n) || (greys[n] < level(n) && skirt(n)));
            (again, (0..grid.len()).map(level).collect())
        } else {
            (grown, vec![half; grid.len()])
        }
    }
}

/// Voxels next to the section that lie inside its outline, and outside of all bone.
fn seeds(grid: &Grid, bone: &SectionBone, region: &OrientedBox) -> (Vec<usize>, Vec<usize>) {
    let half_step = 0.5 * bone.quality.voxel_mm;
    let (mut inside, mut outside) = (Vec::new(), Vec::new());
    for n in 0..grid.len() {
        let at = grid.index_of(n).map(|x| x as f64);
        let p = grid.place(at);
        if !region.holds(p) {
            continue;
        }
        let (q, off) = bone.frame.section_from_patient(p);
        if off.abs() > half_step {
            continue;
        }
        let near = |o: &crate::outline::Outline| {
            o.points().iter().any(|v| v.distance_mm(q) < NEAR_OUTLINE_MM)
        };
        if near(&bone.outline) {
            continue;
        }
        if bone.outline.contains(q) {
            inside.push(n);
        } else if !bone.beside.iter().any(|b| b.contains(q) || near(b)) {
            outside.push(n);
        }
    }
    (inside, outside)
}
