//! What the grey values of a whole scan tell: kinds of tissue, noise, metal.

mod histogram;
mod kinds;
mod noise;
mod rows;

use jawgauge_volume::Volume;

use histogram::{Histogram, Mode};
use kinds::{Kinds, metal_from, tell_kinds};
use noise::noise_in;
use rows::Rows;

/// Share of the voxels beyond either end of the usual range.
const TAIL_SHARE: f64 = 5e-4;

/// Fewer voxels than this share at the highest value are no matter.
const CUT_OFF_SHARE: f64 = 0.005;
/// They pile up where they are more than lie below within this share of the step from soft
/// tissue to bone.
const CUT_OFF_BELOW: f64 = 0.1;

/// A grey value that a kind of tissue has most often.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Landmark {
    /// The grey value at the peak of the histogram.
    pub grey: f64,
    /// Share of the scanned voxels between the valleys on both sides of the peak, 0 to 1.
    pub share: f64,
    /// Standard deviation of the grey value within this tissue; `None` where there is too little
    /// of it in one piece to tell.
    pub noise: Option<f64>,
}

/// Why a landmark is absent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum NoLandmark {
    /// No voxel was scanned.
    NothingScanned,
    /// The histogram has one peak or none, and nothing tells which tissue that is.
    OneKind,
    /// The other kinds were found; this one has no peak.
    NoPeak,
    /// A peak was found that is air or soft tissue, and nothing tells which:
    /// [`GreySurvey::air_or_soft`].
    AirOrSoft,
}

/// What the grey values of a scan tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GreySurvey {
    /// Air.
    pub air: Result<Landmark, NoLandmark>,
    /// Soft tissue.
    pub soft_tissue: Result<Landmark, NoLandmark>,
    /// Bone: the densest peak that holds a fair share of what is denser than soft tissue.
    pub bone: Result<Landmark, NoLandmark>,
    /// The most frequent peak where nothing tells whether it is air, as round a dry jaw, or soft
    /// tissue, as in a scan without air.
    pub air_or_soft: Option<Landmark>,
    /// One value without any noise that fills what lies outside of the scanned cylinder, though
    /// nothing declares it as padding. It is no landmark.
    pub fill: Option<f64>,
    /// Lowest and highest grey value without the outermost 0.05 % of the voxels at either end;
    /// `None` where no voxel was scanned.
    pub usual_range: Option<(f64, f64)>,
    /// The grey value above which a voxel counts as metal; `None` where bone was not found.
    pub metal_above: Option<f64>,
    /// Share of the scanned voxels that are metal, 0 to 1; 0 where none was seen, `None` where
    /// bone was not found.
    pub metal_share: Option<f64>,
    /// Share of the scanned voxels that have the highest grey value, 0 to 1, where they pile up
    /// there: what was brighter was cut off. `None` where they do not, or without noise.
    pub cut_off_share: Option<f64>,
    /// Share of the voxels that were not scanned: absent slices, declared padding, not a number.
    pub not_scanned_share: f64,
}

impl GreySurvey {
    /// Standard deviation of the grey value within soft tissue, or within what is air or soft
    /// tissue.
    #[must_use]
    pub fn noise(&self) -> Option<f64> {
        self.soft_tissue.ok().or(self.air_or_soft)?.noise
    }

    /// Bone less soft tissue, over the noise in soft tissue; `None` where one of them is not
    /// known or there is no noise at all.
    #[must_use]
    pub fn contrast_to_noise(&self) -> Option<f64> {
        let (bone, soft) = (self.bone.ok()?, self.soft_tissue.ok()?);
        let noise = soft.noise.filter(|&noise| noise > 0.0)?;
        Some((bone.grey - soft.grey) / noise)
    }
}

/// The grey values of air, soft tissue and bone in a scan, its noise, and its share of metal.
///
/// Landmarks are peaks of the histogram of grey values, smoothed over 2 % of its width. A peak
/// counts where it rises by a tenth out of the valley that parts it from a higher one, beyond
/// chance, and holds 0.2 % of the voxels. Nothing is taken from the values as such: soft tissue
/// is the most frequent peak above the darkest, and the darkest is air where it borders on
/// soft tissue, soft tissue on bone, and both more often than the darkest on bone. Where the
/// peaks do not lie so, the most frequent is air or soft tissue, and nothing tells which. Bone is
/// the densest peak above that which holds a fifth of all that is denser.
///
/// Noise is read from triples of voxels in one line, 2 to 4 voxels apart (as near to 3 mm as
/// that allows) along each axis: the middle one less the mean of the outer ones, all three
/// within the peak's own reach. Its median size times 1.4826 / sqrt(1.5) is the standard
/// deviation of normal noise. The distance keeps the grain of a scanner from hiding noise, the
/// triple removes even shading, the median removes edges.
///
/// Metal is what lies above soft tissue by 2.5 times the step to bone and by 1.25 times the step to
/// the densest other peak (enamel). Where voxels pile up at the highest value of the scan, as in
/// metal beyond its range, 2 steps to bone are enough.
///
/// Of more than 3 million voxels, whole rows evenly spread over the scan are read. The result does
/// not depend on the number of threads, nor, in a smaller scan, on the order of rows and slices.
///
/// # Units
///
/// Grey values; shares from 0 to 1.
///
/// # Accuracy
///
/// On phantoms (`tests/survey.rs`): landmarks to a tenth of the noise where tissues lie in pieces of
/// 3 mm or more, the cortex of the demonstration, which is thinner, up to 2 % of its contrast too
/// low; white noise to 4 %, noise that was smoothed by a Gaussian of one voxel to 3 %.
///
/// # Limits
///
/// Bone that is nowhere thick enough to show its own grey value has no peak, and is then absent.
/// In a scan that is cut close to the jaw, without air, soft tissue is not told from air. The noise holds the texture of the tissue at
/// that distance too. Small pieces of metal between the rows that are read are not seen.
///
/// # Examples
///
/// ```
/// use jawgauge_bone::survey_greys;
/// use jawgauge_phantom::p0;
/// // A box of bone (1200) in soft tissue (60) in air (-1000), without noise.
/// let survey = survey_greys(&p0());
/// for (found, grey) in [(survey.air, -1000.0), (survey.soft_tissue, 60.0), (survey.bone, 1200.0)] {
///     assert!((found.expect("a landmark").grey - grey).abs() < 0.1);
/// }
/// assert_eq!(survey.noise(), Some(0.0));
/// // A marker ball of 4.2 mm3 in 25920 mm3 is denser than any tooth.
/// let metal = survey.metal_share.expect("bone was found");
/// assert!(metal > 0.0 && metal < 4.2 / 25_920.0, "{metal}");
/// assert_eq!(survey.not_scanned_share, 0.0);
/// ```
#[must_use]
pub fn survey_greys(volume: &Volume) -> GreySurvey {
    let rows = Rows::of(volume);
    let mut greys = Vec::with_capacity(rows.voxels());
    rows.each(|_, row| greys.extend(row.iter().copied().filter(|g| g.is_finite())));
    let none = |why| GreySurvey {
        air: Err(why),
        soft_tissue: Err(why),
        bone: Err(why),
        air_or_soft: None,
        fill: None,
        usual_range: None,
        metal_above: None,
        metal_share: None,
        cut_off_share: None,
        not_scanned_share: 1.0 - greys.len() as f64 / rows.voxels().max(1) as f64,
    };
    let Some(histogram) = Histogram::of(&greys) else {
        return none(NoLandmark::NothingScanned);
    };
    let usual = (histogram.quantile(TAIL_SHARE), histogram.quantile(1.0 - TAIL_SHARE));
    let one_kind = GreySurvey { usual_range: Some(usual), ..none(NoLandmark::OneKind) };
    let modes = histogram.modes();
    let Some(kinds) = tell_kinds(&rows, &modes) else { return one_kind };
    let Kinds { air, soft, bone, unsure, fill } = kinds;
    let metal_above = bone.map(|bone| metal_from(&histogram, &modes, soft, bone));
    let landmark =
        |mode: &Mode| Landmark { grey: mode.grey, share: mode.share, noise: noise_in(&rows, mode) };
    let found = |mode: Option<&Mode>| mode.map(landmark).ok_or(NoLandmark::NoPeak);
    let soft = landmark(soft);
    let cut_off_share = bone
        .filter(|_| soft.noise.is_some_and(|noise| noise > 0.0))
        .and_then(|bone| histogram.piled_up(CUT_OFF_BELOW * (bone.grey - soft.grey)))
        .filter(|share| *share >= CUT_OFF_SHARE);
    let told = if unsure { Err(NoLandmark::AirOrSoft) } else { Ok(soft) };
    GreySurvey {
        air: if unsure { Err(NoLandmark::AirOrSoft) } else { found(air) },
        soft_tissue: told,
        bone: found(bone),
        air_or_soft: unsure.then_some(soft),
        fill,
        metal_above,
        metal_share: metal_above.map(|from| histogram.share_above(from)),
        cut_off_share,
        ..one_kind
    }
}
