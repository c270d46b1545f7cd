use jawgauge_space::{PatientPoint, SectionFrame, SectionPoint};
use jawgauge_volume::{CubicPatch, Sample, Volume};
use ndarray::Array2;
use rayon::prelude::*;

use crate::SectionError;

/// More samples than this each way are refused: a section of a jaw needs a tenth of it.
const MOST_SAMPLES: usize = 8192;

/// How grey values between voxel centres are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Interpolation {
    /// Trilinear between the eight voxel centres around.
    Linear,
    /// Cubic B-spline through the voxels.
    #[default]
    Cubic,
}

/// The part of a section plane that is resampled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionWindow {
    /// Corner with the least buccal and apical coordinates.
    pub least: SectionPoint,
    /// Corner with the greatest.
    pub most: SectionPoint,
    /// Distance between samples, mm.
    pub step_mm: f64,
    /// Thickness of the slab whose mean is taken, mm; 0 for the plane alone.
    pub slab_mm: f64,
}

impl SectionWindow {
    /// A window about the frame's origin: `half_width_mm` to either side, from `crestal_mm`
    /// above to `apical_mm` below, sampled every 0.1 mm, no slab.
    #[must_use]
    pub fn about_origin(half_width_mm: f64, crestal_mm: f64, apical_mm: f64) -> Self {
        Self {
            least: SectionPoint::new(-half_width_mm, -crestal_mm),
            most: SectionPoint::new(half_width_mm, apical_mm),
            step_mm: 0.1,
            slab_mm: 0.0,
        }
    }

    /// The same window with samples `step_mm` apart.
    #[must_use]
    pub fn with_step_mm(mut self, step_mm: f64) -> Self {
        self.step_mm = step_mm;
        self
    }

    /// The same window with the mean over a slab `slab_mm` thick.
    #[must_use]
    pub fn with_slab_mm(mut self, slab_mm: f64) -> Self {
        self.slab_mm = slab_mm;
        self
    }

    fn samples(&self) -> Result<(usize, usize), SectionError> {
        let count = |low: f64, high: f64| ((high - low) / self.step_mm + 1e-9).floor() + 1.0;
        let columns = count(self.least.buccal_mm, self.most.buccal_mm);
        let rows = count(self.least.apical_mm, self.most.apical_mm);
        let usable = |n: f64| n >= 2.0 && n <= MOST_SAMPLES as f64;
        if self.step_mm > 0.0 && self.slab_mm >= 0.0 && usable(columns) && usable(rows) {
            // Checked to be in range just above.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            return Ok((columns as usize, rows as usize));
        }
        // Saturating conversion for the message only.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        Err(SectionError::Window {
            columns: columns.max(0.0) as usize,
            rows: rows.max(0.0) as usize,
            step_mm: self.step_mm,
        })
    }
}

/// Grey values on a section plane.
///
/// Array order `[[row, column]]`: rows run apically, columns buccally. Sample (0, 0) lies at
/// the window's `least` corner and each sample at its own place, not at the middle of a pixel
/// that starts there.
#[derive(Debug, Clone)]
pub struct SectionImage {
    frame: SectionFrame,
    least: SectionPoint,
    step_mm: f64,
    voxel_mm: f64,
    /// Grey values; NaN, which no scan holds, stands for outside and leaves here as a state.
    grey: Array2<f64>,
}

impl SectionImage {
    /// Reads `volume` on the plane of `frame` over `window`.
    ///
    /// With a slab, the mean of parallel planes no further apart than half the finest voxel
    /// step, centred on the plane; a place is outside where any of them is.
    ///
    /// # Errors
    ///
    /// [`SectionError::Window`] for a step that is not positive or more than 8192 samples.
    pub fn resample(
        volume: &Volume,
        frame: SectionFrame,
        window: &SectionWindow,
        interpolation: Interpolation,
    ) -> Result<Self, SectionError> {
        let (columns, rows) = window.samples()?;
        let offsets = slab_offsets(volume, window.slab_mm);
        let reader = match interpolation {
            Interpolation::Linear => Reader::Linear(volume),
            Interpolation::Cubic => {
                Reader::Cubic(CubicPatch::around(volume, &slab_corners(&frame, window, &offsets)))
            }
        };
        let place = |row: usize, column: usize| {
            SectionPoint::new(
                window.least.buccal_mm + column as f64 * window.step_mm,
                window.least.apical_mm + row as f64 * window.step_mm,
            )
        };
        let samples: Vec<f64> = (0..rows)
            .into_par_iter()
            .flat_map_iter(|row| {
                let (reader, frame, offsets) = (&reader, &frame, &offsets);
                (0..columns).map(move |column| {
                    let middle = frame.patient_from_section(place(row, column));
                    reader.mean(middle, frame, offsets)
                })
            })
            .collect();
        let grey = Array2::from_shape_fn((rows, columns), |(r, c)| samples[r * columns + c]);
        let voxel_mm = volume.geometry().coarsest_mm();
        Ok(Self { frame, least: window.least, step_mm: window.step_mm, voxel_mm, grey })
    }

    /// An image of values given by a function of the place: for tests and other sources.
    ///
    /// # Errors
    ///
    /// As [`SectionImage::resample`].
    pub fn from_fn(
        frame: SectionFrame,
        window: &SectionWindow,
        value: impl Fn(SectionPoint) -> Sample,
    ) -> Result<Self, SectionError> {
        let (columns, rows) = window.samples()?;
        let at = |(r, c): (usize, usize)| {
            value(SectionPoint::new(
                window.least.buccal_mm + c as f64 * window.step_mm,
                window.least.apical_mm + r as f64 * window.step_mm,
            ))
        };
        let grey = Array2::from_shape_fn((rows, columns), |p| at(p).grey().unwrap_or(f64::NAN));
        let voxel_mm = window.step_mm;
        Ok(Self { frame, least: window.least, step_mm: window.step_mm, voxel_mm, grey })
    }

    /// The section's axes.
    #[must_use]
    pub fn frame(&self) -> &SectionFrame {
        &self.frame
    }

    /// Distance between samples, mm.
    #[must_use]
    pub fn step_mm(&self) -> f64 {
        self.step_mm
    }

    /// The longest voxel step of the scan, mm; of an image from a function, the step of its samples.
    #[must_use]
    pub fn voxel_mm(&self) -> f64 {
        self.voxel_mm
    }

    /// Rows (apically) and columns (buccally).
    #[must_use]
    pub fn shape(&self) -> (usize, usize) {
        self.grey.dim()
    }

    /// Where a sample lies; fractions of a row or column are allowed.
    #[must_use]
    pub fn place_of(&self, row: f64, column: f64) -> SectionPoint {
        SectionPoint::new(
            self.least.buccal_mm + column * self.step_mm,
            self.least.apical_mm + row * self.step_mm,
        )
    }

    /// What the scan says at a sample.
    ///
    /// # Panics
    ///
    /// Where there is no such sample.
    #[must_use]
    #[inline]
    pub fn at(&self, row: usize, column: usize) -> Sample {
        state(self.grey[[row, column]])
    }

    /// The grey values of a row, `None` outside.
    ///
    /// # Panics
    ///
    /// Where there is no such row.
    pub fn row(&self, row: usize) -> impl Iterator<Item = Option<f64>> + '_ {
        self.grey.row(row).into_iter().map(|&g| state(g).grey())
    }

    /// The grey value at a place of the plane, bilinear between the four samples around it.
    #[must_use]
    #[inline]
    pub fn sample(&self, p: SectionPoint) -> Sample {
        let (rows, columns) = self.shape();
        let c = (p.buccal_mm - self.least.buccal_mm) / self.step_mm;
        let r = (p.apical_mm - self.least.apical_mm) / self.step_mm;
        if !(r >= 0.0 && c >= 0.0 && r <= rows as f64 - 1.0 && c <= columns as f64 - 1.0) {
            return Sample::Outside;
        }
        // In range by the check above.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let (r0, c0) = ((r as usize).min(rows - 2), (c as usize).min(columns - 2));
        let (fr, fc) = (r - r0 as f64, c - c0 as f64);
        let mix = |a: f64, b: f64, t: f64| if t == 0.0 { a } else { a + t * (b - a) };
        let line = |row: usize| mix(self.grey[[row, c0]], self.grey[[row, c0 + 1]], fc);
        // A sample that carries weight and is outside makes the mix NaN, which is outside.
        state(if fr == 0.0 { line(r0) } else { mix(line(r0), line(r0 + 1), fr) })
    }
}

/// NaN stands for outside.
fn state(grey: f64) -> Sample {
    if grey.is_nan() { Sample::Outside } else { Sample::Grey(grey) }
}

enum Reader<'a> {
    Linear(&'a Volume),
    Cubic(Option<CubicPatch<'a>>),
}

impl Reader<'_> {
    fn read(&self, point: PatientPoint) -> Sample {
        match self {
            Self::Linear(volume) => volume.sample_linear(point),
            Self::Cubic(patch) => patch.as_ref().map_or(Sample::Outside, |p| p.sample(point)),
        }
    }

    /// The mean of the slab's planes at a place; NaN where any of them is outside.
    fn mean(&self, middle: PatientPoint, frame: &SectionFrame, offsets: &[f64]) -> f64 {
        if let [_] = offsets {
            return self.read(middle).grey().unwrap_or(f64::NAN);
        }
        let planes = offsets.iter().map(|&offset| self.read(middle + frame.mesial() * offset));
        planes.map(|g| g.grey().unwrap_or(f64::NAN)).sum::<f64>() / offsets.len() as f64
    }
}

/// Distances of the slab's planes from its middle, mm.
fn slab_offsets(volume: &Volume, slab_mm: f64) -> Vec<f64> {
    if slab_mm <= 0.0 {
        return vec![0.0];
    }
    let finest = volume.geometry().spacing_mm().into_iter().fold(f64::INFINITY, f64::min);
    // A slab of a few centimetres over half a voxel: some hundred planes at most.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let planes = ((slab_mm / (0.5 * finest)).ceil() as usize).clamp(1, 1000);
    (0..planes).map(|p| slab_mm * ((p as f64 + 0.5) / planes as f64 - 0.5)).collect()
}

fn slab_corners(
    frame: &SectionFrame,
    window: &SectionWindow,
    offsets: &[f64],
) -> Vec<PatientPoint> {
    let mut corners = Vec::new();
    for offset in [offsets[0], offsets[offsets.len() - 1]] {
        for u in [window.least.buccal_mm, window.most.buccal_mm] {
            for v in [window.least.apical_mm, window.most.apical_mm] {
                let p = frame.patient_from_section(SectionPoint::new(u, v));
                corners.push(p + frame.mesial() * offset);
            }
        }
    }
    corners
}
