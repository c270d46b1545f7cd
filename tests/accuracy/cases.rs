//! Random ridges with known answers, scanned with blur and noise.

use jawgauge_phantom::{
    Cortex, CortexShares, CrossSection, Greys, GridOptions, Noise, Profile, Ridge, RidgeLook,
    SoftTissue, Storage, render,
};
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame};
use jawgauge_volume::{Rescale, Volume};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Voxel steps, mm; blurs, mm FWHM; contrast to noise: each in three bands.
const VOXEL_MM: [(f64, f64); 3] = [(0.15, 0.23), (0.23, 0.32), (0.32, 0.4)];
const BLUR_MM: [(f64, f64); 3] = [(0.3, 0.43), (0.43, 0.57), (0.57, 0.7)];
const CONTRAST_TO_NOISE: [(f64, f64); 3] = [(8.0, 14.0), (14.0, 23.0), (23.0, 40.0)];
/// Bands of all three together.
pub(crate) const CELLS: usize = 27;
/// Grey values are given about this far along the axis from the site, mm; beyond it there is
/// soft tissue, which nothing looks at.
const ALONG_MM: f64 = 4.5;

/// One ridge and how it is scanned.
pub(crate) struct Case {
    pub(crate) cell: usize,
    pub(crate) blur_fwhm_mm: f64,
    /// Plates of the walls, buccal and lingual, mm.
    pub(crate) plates_mm: [f64; 2],
    pub(crate) ridge: Ridge,
    grid: GridOptions,
    noise: Noise,
    /// Greys of soft tissue and of the cortex that is neither denser nor thinner than usual.
    pub(crate) nominal: (f64, f64),
}

/// What bands a cell stands for.
pub(crate) fn cell_words(cell: usize) -> String {
    let [v, b, n] = bands(cell);
    format!(
        "voxel {:.2}-{:.2} mm, blur {:.2}-{:.2} mm, contrast to noise {:.0}-{:.0}",
        VOXEL_MM[v].0,
        VOXEL_MM[v].1,
        BLUR_MM[b].0,
        BLUR_MM[b].1,
        CONTRAST_TO_NOISE[n].0,
        CONTRAST_TO_NOISE[n].1
    )
}

fn bands(cell: usize) -> [usize; 3] {
    [cell % 3, cell / 3 % 3, cell / 9]
}

impl Case {
    /// Ridge number `index` of a series; the same numbers give the same voxels.
    pub(crate) fn draw(index: usize, series: u64) -> Self {
        let seed = 1_000_000 * series + index as u64;
        let mut rng = ChaCha8Rng::seed_from_u64(20_260_000 + seed);
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let cell = index % CELLS;
        let [v, b, n] = bands(cell);
        let voxel_mm = between(VOXEL_MM[v].0, VOXEL_MM[v].1);
        let blur_fwhm_mm = between(BLUR_MM[b].0, BLUR_MM[b].1);
        let contrast_to_noise =
            (between(CONTRAST_TO_NOISE[n].0.ln(), CONTRAST_TO_NOISE[n].1.ln())).exp();
        let (section, plates_mm) = section(&mut between);
        let gain = between(0.5, 1.5);
        let soft = 60.0;
        let contrast = 1140.0 * gain;
        let greys = Greys {
            air: -1000.0 * gain,
            soft,
            cortex: soft + contrast,
            marrow: soft + contrast * between(0.1, 0.6),
        };
        let cortex = CortexShares {
            buccal: between(0.85, 1.15),
            lingual: between(0.85, 1.15),
            ends: between(0.85, 1.15),
        };
        let look = RidgeLook { greys, blur_fwhm_mm, cortex };
        // An arch of 15 to 40 mm radius, on either side, with the jaw opening either way.
        let radius = between(15.0, 40.0);
        let from = between(0.0, 160.0);
        let apical = if between(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
        let at = |deg: f64| {
            let (sin, cos) = deg.to_radians().sin_cos();
            PatientPoint::new(-radius * cos, -radius * sin, 0.0)
        };
        let span = (6.0 / radius).to_degrees();
        let ridge = Ridge::arc(
            section,
            PatientPoint::new(0.0, 0.0, 0.0),
            at(from),
            at(from + span),
            PatientVector::new(0.0, 0.0, apical),
            look,
        )
        .expect("a ridge");
        let turn = PatientVector::new(between(-1.0, 1.0), between(-1.0, 1.0), between(-1.0, 1.0));
        let grid = GridOptions::default()
            .with_spacing_mm([voxel_mm; 3])
            .with_turn(turn, between(0.0, 180.0))
            .with_shift_voxels([between(0.0, 1.0), between(0.0, 1.0), between(0.0, 1.0)])
            .with_margin_mm(4.5);
        let noise = Noise { sd: contrast / contrast_to_noise, seed };
        Self { cell, blur_fwhm_mm, plates_mm, ridge, grid, noise, nominal: (soft, soft + contrast) }
    }

    pub(crate) fn volume(&self) -> Volume {
        let geometry = self.ridge.grid(&self.grid).expect("a grid");
        let rescale = Rescale { slope: 0.1, intercept: -3200.0 };
        let middle = self.station_mm();
        let (ridge, soft) = (&self.ridge, self.nominal.0);
        render(geometry, Storage::Unsigned, rescale, self.noise, |p| {
            let near = (ridge.station_of(p) - middle).abs() < ALONG_MM;
            if near { ridge.grey_at(p) } else { soft }
        })
        .expect("a scan")
    }

    fn axis(&self) -> RidgeAxis {
        RidgeAxis::through(&self.ridge.axis_points(5)).expect("an axis")
    }

    pub(crate) fn station_mm(&self) -> f64 {
        0.5 * self.ridge.length_mm()
    }

    pub(crate) fn point(&self) -> PatientPoint {
        self.ridge.crest_at(self.station_mm())
    }

    pub(crate) fn frame(&self) -> SectionFrame {
        let axis = self.axis();
        let place = axis.nearest_to(self.point()).expect("on it");
        let apical = self.ridge.apical().as_vector();
        section_frame(&axis, place, apical, Some(self.ridge.lingual_side())).expect("a frame").frame
    }
}

/// A cross-section 3 to 10 mm wide with plates of 0.3 to 2.5 mm, every other one below 1 mm.
fn section(between: &mut impl FnMut(f64, f64) -> f64) -> (CrossSection, [f64; 2]) {
    loop {
        let half = 0.5 * between(3.0, 10.0);
        let height_mm = between(14.0, 22.0);
        let kind = between(0.0, 1.0);
        let profile = if kind < 0.35 {
            Profile::Rounded { radius_mm: half, height_mm }
        } else if kind < 0.75 {
            let crest_radius_mm = half * between(0.45, 0.9);
            Profile::Tapered { crest_radius_mm, base_radius_mm: half, height_mm }
        } else if kind < 0.9 {
            Profile::Shouldered {
                crest_radius_mm: half * between(0.5, 0.8),
                shoulder_radius_mm: half,
                shoulder_depth_mm: between(5.0, 8.0),
                base_radius_mm: half,
                height_mm,
            }
        } else {
            Profile::Plate { width_mm: 2.0 * half, height_mm }
        };
        let mut plate = || {
            let widest = if between(0.0, 1.0) < 0.5 { 1.0 } else { 2.5 };
            between(0.3, widest)
        };
        let plates_mm = [plate(), plate()];
        let thick = plates_mm[0].max(plates_mm[1]);
        let lean_deg = between(-12.0, 12.0);
        let base_mm = between(2.0, 3.0).max(thick);
        let mut crest_mm = thick + between(0.0, 0.8);
        if plates_mm[0] + plates_mm[1] > 1.5 * half {
            continue;
        }
        for _ in 0..8 {
            let [buccal_mm, lingual_mm] = plates_mm;
            let cortex = Cortex { buccal_mm, lingual_mm, crest_mm, base_mm };
            let built = CrossSection::new(profile)
                .and_then(|s| s.with_lean_deg(lean_deg))
                .and_then(|s| s.with_cortex(cortex))
                .and_then(|s| s.with_soft_tissue(SoftTissue::Everywhere));
            if let Ok(section) = built {
                return (section, plates_mm);
            }
            crest_mm += 0.3;
        }
    }
}
