use std::borrow::Cow;
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
    /// A remark on one or more files.
    Files {
        /// What was noticed.
        remark: FileRemark,
        /// The first such file.
        file: String,
        /// How many.
        files: usize,
    },
    /// Files that the DICOM directory lists are not there.
    ListedFilesMissing {
        /// The first.
        file: String,
        /// How many.
        files: usize,
    },
    /// Links among the files lead nowhere.
    DeadLinks {
        /// How many.
        links: usize,
    },
    /// Something about a volume in another format than DICOM.
    Plain {
        /// The file.
        file: String,
        /// A stable name of it.
        code: &'static str,
        /// What it is.
        note: String,
    },
    /// The corners of every slice hold one value darker than air, as padding does, but no
    /// Pixel Padding Value (0028,0120) declares it; it was taken for a grey value.
    UndeclaredPadding {
        /// The grey value.
        grey: f64,
        /// Share of the voxels that have it, 0 to 1; `None` where only a part was read.
        share: Option<f64>,
    },
}

/// What was noticed in a file, for all files where it is the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum FileRemark {
    /// It has no file meta information; how it is coded was found out from its bytes.
    NoFileMeta,
    /// It is not coded as its Transfer Syntax UID (0002,0010) says; it was read as it is coded.
    SyntaxDisagrees,
    /// There are bytes behind the voxels that are no attribute; they were ignored.
    TrailingBytes,
    /// All frames are there, the delimiter behind them is not.
    NoDelimiter,
    /// The voxels were compressed with loss.
    Lossy,
    /// There is no rescale: stored values are taken for grey values.
    NoRescale,
    /// Functional groups and outermost level have another rescale; the groups' was used.
    RescaleTwice,
    /// The place in the patient is not told: the grid's axes stand for the patient's.
    PlaceUnknown,
    /// The distance of frames is Spacing Between Slices (0018,0088); no positions verify it.
    PitchFromSpacing,
    /// The distance of frames is Slice Thickness (0018,0050); no positions verify it.
    PitchFromThickness,
    /// The distance of frames is Spacing Between Slices (0018,0088); Slice Thickness
    /// (0018,0050) differs, and no positions verify either. Both in thousandths of a
    /// millimetre.
    PitchDisagrees {
        /// Spacing Between Slices, without its sign.
        spacing_um: u32,
        /// Slice Thickness.
        thickness_um: u32,
    },
    /// Spacing Between Slices (0018,0088) is negative: the frames run against the normal.
    FramesReversed,
    /// A distance of frames was given, and not used: the frames have positions.
    PitchIgnored,
    /// Volumetric Properties (0008,9206) is SAMPLED: voxels were interpolated from others.
    Sampled,
    /// Bits above Bits Stored (0028,0101) are neither clear nor a sign; they were ignored.
    OtherBits,
}

impl FileRemark {
    fn code(self) -> &'static str {
        match self {
            Self::NoFileMeta => "no-file-meta",
            Self::SyntaxDisagrees => "transfer-syntax-disagrees",
            Self::TrailingBytes => "trailing-bytes",
            Self::NoDelimiter => "no-delimiter",
            Self::Lossy => "lossy-compression",
            Self::NoRescale => "no-rescale",
            Self::RescaleTwice => "rescale-disagrees",
            Self::PlaceUnknown => "place-unknown",
            Self::PitchFromSpacing => "pitch-from-spacing",
            Self::PitchFromThickness => "pitch-from-thickness",
            Self::PitchDisagrees { .. } => "pitch-disagrees",
            Self::FramesReversed => "frames-reversed",
            Self::PitchIgnored => "frame-pitch-ignored",
            Self::Sampled => "sampled-frames",
            Self::OtherBits => "bits-above-stored",
        }
    }

    fn text(self) -> Cow<'static, str> {
        let text = match self {
            Self::NoFileMeta => "there is no file meta information",
            Self::SyntaxDisagrees => {
                "the data are not coded as (0002,0010) TransferSyntaxUID says, and were read as they are coded"
            }
            Self::TrailingBytes => {
                "there are bytes behind (7FE0,0010) PixelData that are no attribute, and were ignored"
            }
            Self::NoDelimiter => {
                "the delimiter behind the last frame of (7FE0,0010) PixelData is missing"
            }
            Self::Lossy => {
                "the voxels were compressed with loss, which blurs edges in ways that no uncertainty here counts"
            }
            Self::NoRescale => {
                "(0028,1053) RescaleSlope and (0028,1052) RescaleIntercept are absent, stored values were taken for grey values"
            }
            Self::RescaleTwice => {
                "(0028,1053) RescaleSlope or (0028,1052) RescaleIntercept stand twice with other values, those of the functional groups were used"
            }
            Self::PlaceUnknown => {
                "(0020,0032) ImagePositionPatient and (0020,0037) ImageOrientationPatient are absent, so left and right, up and down are unknown, and coordinates are those of the grid"
            }
            Self::PitchFromSpacing => {
                "the distance of frames was taken from (0018,0088) SpacingBetweenSlices, and their direction to be row x column, neither verified by positions: where the scan turns out mirrored, give a negative `frame_pitch_mm` in [scan]"
            }
            Self::PitchFromThickness => {
                "the distance of frames was taken from (0018,0050) SliceThickness, and their direction to be row x column, neither verified by positions: where the scan turns out mirrored, give a negative `frame_pitch_mm` in [scan]"
            }
            Self::PitchDisagrees { spacing_um, thickness_um } => {
                let [spacing, thickness] = [spacing_um, thickness_um].map(|um| f64::from(um) / 1e3);
                return format!("the distance of frames was taken from (0018,0088) SpacingBetweenSlices, {spacing} mm, but (0018,0050) SliceThickness is {thickness} mm and no positions verify either: find out which is right, and give it as `frame_pitch_mm` in [scan], negative where the frames run against row x column").into();
            }
            Self::FramesReversed => {
                "the frames run against row x column, as the sign of (0018,0088) SpacingBetweenSlices says"
            }
            Self::PitchIgnored => {
                "`frame_pitch_mm` in [scan] was not used, as the slices have positions of their own"
            }
            Self::Sampled => {
                "(0008,9206) VolumetricProperties is SAMPLED: the voxels were interpolated from others, which blurs edges in ways that no uncertainty here counts"
            }
            Self::OtherBits => {
                "voxels have bits above (0028,0101) BitsStored that are neither clear nor a sign, and were ignored"
            }
        };
        text.into()
    }
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
            Self::Files { remark, .. } => remark.code(),
            Self::ListedFilesMissing { .. } => "listed-files-missing",
            Self::DeadLinks { .. } => "dead-links",
            Self::Plain { code, .. } => code,
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
            Self::Files { remark, file, files: 1 } => write!(f, "{}, in {file}", remark.text()),
            Self::Files { remark, file, files } => {
                write!(f, "{}, in {files} files, the first is {file}", remark.text())
            }
            Self::ListedFilesMissing { file, files } => write!(
                f,
                "{files} files that the DICOM directory lists are not there, the first is {file}: the scan may be incomplete"
            ),
            Self::DeadLinks { links } => {
                write!(f, "{links} links among the files lead nowhere: the scan may be incomplete")
            }
            Self::Plain { file, note, .. } => write!(f, "{note}, in {file}"),
            Self::UndeclaredPadding { grey, share: Some(share) } => write!(
                f,
                "{:.0} % of the voxels, with all corners, are {grey} without (0028,0120) PixelPaddingValue",
                share * 100.0
            ),
            Self::UndeclaredPadding { grey, share: None } => write!(
                f,
                "the corners of the slices are {grey} without (0028,0120) PixelPaddingValue"
            ),
        }
    }
}
