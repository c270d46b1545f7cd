use std::fmt;

/// What was noticed while reading a scan that can still be used.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum ScanWarning {
    /// Slice Thickness (0018,0050) or Spacing Between Slices (0018,0088) say something
    /// else than the positions; the positions were used.
    SpacingAttributesDisagree {
        /// Slice Thickness of the first file where it disagrees, mm.
        slice_thickness_mm: Option<f64>,
        /// Spacing Between Slices of the first file where it disagrees, mm.
        spacing_between_slices_mm: Option<f64>,
        /// Distance of slices along their normal, from their positions, mm.
        pitch_mm: f64,
        /// Files in which either disagrees.
        files: usize,
    },
    /// Slices are missing; their places are kept free and count as not scanned.
    MissingSlices {
        /// The file below the gap.
        before: String,
        /// The file above it.
        after: String,
        /// How many slices are missing between them.
        missing: usize,
        /// The distance between the two files' slices, mm.
        found_mm: f64,
        /// The usual distance, mm.
        pitch_mm: f64,
    },
    /// Files repeat others, place and pixels; they were left out.
    Duplicates {
        /// The file that was kept, of the lowest place that is claimed twice.
        kept: String,
        /// The file that was left out there.
        dropped: String,
        /// How many files were left out.
        files: usize,
    },
    /// Localizers were left out of the series.
    Localizers {
        /// The first.
        file: String,
        /// How many.
        count: usize,
    },
    /// Slices are shifted along their plane from one to the next, as with a tilted gantry;
    /// the shear is part of the affine.
    Sheared {
        /// Angle between the direction of the stack and the slice normal, degrees.
        angle_deg: f64,
    },
    /// Pixel Data (7FE0,0010) has more bytes than Rows and Columns ask for; the surplus
    /// was ignored.
    SurplusPixelBytes {
        /// The first such file.
        file: String,
        /// Surplus bytes there.
        surplus: u64,
        /// Files with surplus bytes.
        files: usize,
    },
    /// The corners of every slice hold one value darker than air, as padding does, but no
    /// Pixel Padding Value (0028,0120) declares it; it was taken for a grey value.
    UndeclaredPadding {
        /// The grey value.
        grey: f64,
        /// Share of the voxels that have it, 0 to 1.
        share: f64,
    },
}

impl ScanWarning {
    /// A stable name of the kind of warning, for scripts.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::SpacingAttributesDisagree { .. } => "spacing-attributes-disagree",
            Self::MissingSlices { .. } => "missing-slices",
            Self::Duplicates { .. } => "duplicate-slices",
            Self::Localizers { .. } => "localizers-left-out",
            Self::Sheared { .. } => "sheared-stack",
            Self::SurplusPixelBytes { .. } => "surplus-pixel-bytes",
            Self::UndeclaredPadding { .. } => "undeclared-padding",
        }
    }
}

impl fmt::Display for ScanWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SpacingAttributesDisagree {
                slice_thickness_mm,
                spacing_between_slices_mm,
                pitch_mm,
                files,
            } => {
                write!(f, "in {files} files")?;
                if let Some(mm) = slice_thickness_mm {
                    write!(f, " (0018,0050) SliceThickness is {mm} mm,")?;
                }
                if let Some(mm) = spacing_between_slices_mm {
                    write!(f, " (0018,0088) SpacingBetweenSlices is {mm} mm,")?;
                }
                write!(f, " the positions are {pitch_mm:.4} mm apart")
            }
            Self::MissingSlices { before, after, missing, found_mm, pitch_mm } => write!(
                f,
                "{missing} missing between {before} and {after}: {found_mm:.4} mm instead of {pitch_mm:.4} mm"
            ),
            Self::Duplicates { kept, dropped, files } => {
                write!(
                    f,
                    "{files} files repeat others, the first is {dropped}, which repeats {kept}"
                )
            }
            Self::Localizers { file, count } => {
                write!(f, "{count} localizers, the first is {file}")
            }
            Self::Sheared { angle_deg } => {
                write!(f, "the stack leans {angle_deg:.2} degrees from the slice normal")
            }
            Self::SurplusPixelBytes { file, surplus, files } => write!(
                f,
                "(7FE0,0010) PixelData has surplus bytes in {files} files, {surplus} in {file}"
            ),
            Self::UndeclaredPadding { grey, share } => write!(
                f,
                "{:.0} % of the voxels, with all corners, are {grey} without (0028,0120) PixelPaddingValue",
                share * 100.0
            ),
        }
    }
}
