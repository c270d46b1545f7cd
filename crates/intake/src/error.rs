use crate::Attribute;
use crate::attribute::sop_class_name;
use crate::folder::{SkipReason, Skipped};

/// Why a scan cannot be read, or must not be trusted.
///
/// Shown as one line: what is wrong, in which file, and what to do. Files are named by
/// their path relative to the scan, all text of files is escaped, and no patient's name
/// or ID appears.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum IntakeError {
    /// A file or folder cannot be opened.
    #[error("cannot be read ({reason}), {file}: check the path and its permissions")]
    Open {
        /// The file.
        file: String,
        /// What the system said.
        reason: String,
    },
    /// There is no CT image.
    #[error(
        "no scan found{}, in the scan's path: give the folder or the file that holds it",
        listed(skipped)
    )]
    NoScan {
        /// What was found instead.
        skipped: Skipped,
    },
    /// There are several series and none was named.
    #[error("{} series found ({}), in the scan's path: name the one to read (`series` in [scan] of a case)", series.len(), counted(series))]
    SeveralSeries {
        /// Series Instance UIDs with their numbers of slices.
        series: Vec<(String, usize)>,
    },
    /// The series that was named is not there.
    #[error(
        "series {asked} not found ({}), in the scan's path: name one of these (`series` in [scan] of a case)",
        counted(series)
    )]
    NoSuchSeries {
        /// Series Instance UID asked for.
        asked: String,
        /// Series Instance UIDs with their numbers of slices.
        series: Vec<(String, usize)>,
    },
    /// A DICOM file cannot be taken apart.
    #[error("damaged DICOM file ({reason}), in {file}: copy it again from where it comes from")]
    Damaged {
        /// The file.
        file: String,
        /// What does not fit, and where.
        reason: String,
    },
    /// The transfer syntax is not read by this version.
    #[error(
        "(0002,0010) TransferSyntaxUID is \"{uid}\" ({name}), in {file}: \
         it cannot be decoded, export the scan as Explicit VR Little Endian (1.2.840.10008.1.2.1)"
    )]
    TransferSyntax {
        /// The file.
        file: String,
        /// Its transfer syntax.
        uid: String,
        /// The transfer syntax's name.
        name: &'static str,
    },
    /// The only images are of a kind that is not read by this version.
    #[error(
        "(0008,0016) SOPClassUID is \"{uid}\" ({name}), in {file}: \
         export the scan as CT Image Storage (1.2.840.10008.5.1.4.1.1.2)"
    )]
    SopClass {
        /// The first such file.
        file: String,
        /// Its SOP class.
        uid: String,
        /// The SOP class's name.
        name: &'static str,
    },
    /// A needed attribute is absent or empty.
    #[error(
        "{attribute} is missing{}, in {file}: export the scan with it, no value is assumed",
        instead.map(|i| format!(" ({i} is there, but it cannot be used in its place)")).unwrap_or_default()
    )]
    Missing {
        /// The file.
        file: String,
        /// The attribute.
        attribute: Attribute,
        /// An attribute that is there and looks like it, but says something else.
        instead: Option<Attribute>,
    },
    /// Frames have one position, and their distance is not told.
    #[error(
        "(0018,0088) SpacingBetweenSlices and (0018,0050) SliceThickness are missing, so the \
         distance of frames is unknown, in {file}: export the scan with the position of each \
         frame, or give their distance as `frame_pitch_mm` in [scan]"
    )]
    NoFramePitch {
        /// The file.
        file: String,
    },
    /// An attribute has a value that cannot be used.
    #[error(
        "{attribute} is \"{value}\", not {expected}, in {file}: export the scan again or mend the attribute"
    )]
    Value {
        /// The file.
        file: String,
        /// The attribute.
        attribute: Attribute,
        /// Its value, escaped and cut.
        value: String,
        /// What was expected.
        expected: String,
    },
    /// An attribute changes within the series.
    #[error(
        "{attribute} is \"{value}\" where the series has \"{usual}\", in {file}: \
         take files of other scans out of the folder"
    )]
    Mixed {
        /// The first file that differs.
        file: String,
        /// The attribute.
        attribute: Attribute,
        /// Its value there.
        value: String,
        /// Its value in the greater part of the series.
        usual: String,
    },
    /// One slice is no volume.
    #[error("the series has a single slice, {file}: give all slices of the scan")]
    SingleSlice {
        /// The file.
        file: String,
    },
    /// Two files claim the same place along the normal with other contents.
    #[error(
        "same (0020,0032) ImagePositionPatient with other pixels or another rescale, in {first} and {second}: \
         keep one of the two"
    )]
    SamePlace {
        /// The first file.
        first: String,
        /// The second.
        second: String,
    },
    /// Slices are not evenly spaced.
    #[error(
        "(0020,0032) ImagePositionPatient steps by {found_mm:.4} mm along the slice normal where \
         the series steps by {pitch_mm:.4} mm, between {before} and {after}: \
         export an evenly spaced scan"
    )]
    Uneven {
        /// The file below the gap.
        before: String,
        /// The file above it.
        after: String,
        /// The distance between them, mm.
        found_mm: f64,
        /// The most common distance, mm.
        pitch_mm: f64,
    },
    /// A slice lies off the straight line of the others.
    #[error(
        "(0020,0032) ImagePositionPatient is {off_mm:.4} mm off the line of the other slices \
         ({allowed_mm:.4} mm allowed), in {file}: export an evenly spaced scan"
    )]
    OffLine {
        /// The file.
        file: String,
        /// Its distance from the fitted place, mm.
        off_mm: f64,
        /// The largest distance allowed, mm.
        allowed_mm: f64,
    },
    /// Pixel Data has too few bytes.
    #[error(
        "(7FE0,0010) PixelData has {found} bytes of {expected}{}, in {file}: \
         copy the file again from where it comes from",
        frames.map(|(some, all)| format!(", {some} of {all} frames present")).unwrap_or_default()
    )]
    PixelLength {
        /// The file.
        file: String,
        /// Bytes that Rows, Columns, Bits Allocated and Number of Frames ask for.
        expected: u64,
        /// Bytes there.
        found: u64,
        /// Whole frames there, and how many there should be, where there are several.
        frames: Option<(u64, usize)>,
    },
    /// Pixel Data holds more frames than Number of Frames says.
    #[error(
        "(0028,0008) NumberOfFrames is {frames}, but (7FE0,0010) PixelData holds {holds} frames, \
         in {file}: export the scan again"
    )]
    FrameCount {
        /// The file.
        file: String,
        /// Number of Frames, 1 where it is absent.
        frames: usize,
        /// Frames that the bytes make.
        holds: u64,
    },
    /// The frames of an encapsulated stream cannot be told apart, or are not all there.
    #[error(
        "(7FE0,0010) PixelData: {reason}, in {file}: copy the file again from where it comes from"
    )]
    Frames {
        /// The file.
        file: String,
        /// What does not fit.
        reason: String,
    },
    /// A compressed frame does not decode.
    #[error("(7FE0,0010) PixelData: {reason}, in {file}: {remedy}")]
    Frame {
        /// The file, and the frame where it has several.
        file: String,
        /// What is wrong with it.
        reason: String,
        /// What to do.
        remedy: &'static str,
    },
    /// An archive cannot be read, or should not be.
    #[error("archive refused ({reason}), in {file}: unpack it, and give the folder")]
    Archive {
        /// The archive.
        file: String,
        /// What is wrong with it.
        reason: String,
    },
    /// A volume in another format than DICOM cannot be used.
    #[error("{reason}, in {file}: {remedy}")]
    Plain {
        /// The file.
        file: String,
        /// The field of its header, its value and what was expected.
        reason: String,
        /// What to do.
        remedy: &'static str,
    },
    /// The voxels are more than this program reads.
    #[error(
        "the scan has {} x {} x {} voxels, {needed_gb:.1} GB ({allowed_gb:.1} GB allowed), in the \
         scan's path: export a smaller part",
        dims[0], dims[1], dims[2]
    )]
    TooLarge {
        /// Columns, rows, slices.
        dims: [usize; 3],
        /// What the voxels would take, GB.
        needed_gb: f64,
        /// What is allowed, GB.
        allowed_gb: f64,
    },
    /// The grey values are not those of a scan.
    #[error(
        "{reason}, in {file} and the rest of the series: export the scan again with its original grey values"
    )]
    Greys {
        /// The first file.
        file: String,
        /// What the grey values look like.
        reason: String,
    },
    /// The stored values contradict the declared signedness.
    #[error(
        "(0028,0103) PixelRepresentation is {declared}, but {:.0} % of the stored values end at \
         {low_end} and the others begin at {high_start}, in {file} and the rest of the series: \
         export the scan again with the right Pixel Representation",
        low_share * 100.0
    )]
    Signedness {
        /// The first file.
        file: String,
        /// 0 unsigned, 1 signed.
        declared: u8,
        /// Highest stored value of the lower group.
        low_end: i32,
        /// Lowest stored value of the upper group.
        high_start: i32,
        /// Share of voxels in the lower group, 0 to 1.
        low_share: f64,
    },
    /// Voxels use more bits than are declared.
    #[error(
        "(0028,0101) BitsStored is {bits_stored}, but grey values run on into the bits above, in \
         {file} or the rest of the series: export the scan again with the right Bits Stored"
    )]
    MoreBits {
        /// The first file.
        file: String,
        /// Bits Stored.
        bits_stored: u16,
    },
    /// The parts do not make a volume.
    #[error("{0}, in the scan's path: export the scan again")]
    Volume(#[from] jawgauge_volume::VolumeError),
    /// The positions do not span space.
    #[error("{0}, in the scan's path: export the scan again")]
    Space(#[from] jawgauge_space::SpaceError),
}

/// A file that the system did not let us read.
pub(crate) fn open_error(file: String, error: &std::io::Error) -> IntakeError {
    IntakeError::Open { file, reason: error.kind().to_string() }
}

impl IntakeError {
    /// A stable name of the kind of error, for scripts.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Open { .. } => "cannot-open",
            Self::NoScan { .. } => "no-scan",
            Self::SeveralSeries { .. } => "several-series",
            Self::NoSuchSeries { .. } => "no-such-series",
            Self::Damaged { .. } => "damaged-file",
            Self::TransferSyntax { .. } => "transfer-syntax",
            Self::SopClass { .. } => "sop-class",
            Self::Missing { .. } | Self::NoFramePitch { .. } => "missing-attribute",
            Self::Value { .. } => "bad-attribute",
            Self::Mixed { .. } => "mixed-series",
            Self::SingleSlice { .. } => "single-slice",
            Self::SamePlace { .. } => "same-place",
            Self::Uneven { .. } => "uneven-slices",
            Self::OffLine { .. } => "slice-off-line",
            Self::PixelLength { .. } => "pixel-data-length",
            Self::FrameCount { .. } => "number-of-frames",
            Self::Frames { .. } | Self::Frame { .. } => "pixel-data",
            Self::Archive { .. } => "archive",
            Self::Plain { .. } => "bad-header",
            Self::TooLarge { .. } => "too-large",
            Self::Greys { .. } => "grey-values",
            Self::Signedness { .. } => "signedness",
            Self::MoreBits { .. } => "bits-stored",
            Self::Volume(_) | Self::Space(_) => "no-volume",
        }
    }

    /// The file that the error is about, relative to the scan, where it is about one.
    #[must_use]
    pub fn file(&self) -> Option<&str> {
        match self {
            Self::Open { file, .. }
            | Self::Damaged { file, .. }
            | Self::TransferSyntax { file, .. }
            | Self::SopClass { file, .. }
            | Self::Missing { file, .. }
            | Self::NoFramePitch { file }
            | Self::Value { file, .. }
            | Self::Mixed { file, .. }
            | Self::SingleSlice { file }
            | Self::OffLine { file, .. }
            | Self::PixelLength { file, .. }
            | Self::FrameCount { file, .. }
            | Self::Frames { file, .. }
            | Self::Frame { file, .. }
            | Self::Archive { file, .. }
            | Self::Plain { file, .. }
            | Self::Greys { file, .. }
            | Self::MoreBits { file, .. }
            | Self::Signedness { file, .. } => Some(file),
            Self::SamePlace { first, .. } => Some(first),
            Self::Uneven { before, .. } => Some(before),
            _ => None,
        }
    }
}

fn counted(series: &[(String, usize)]) -> String {
    let one = |(uid, n): &(String, usize)| format!("{uid} with {n} files");
    series.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn listed(skipped: &Skipped) -> String {
    if skipped.is_empty() {
        return String::new();
    }
    let one = |(reason, n): (&SkipReason, &usize)| match reason {
        SkipReason::NotDicom => format!("{n} not DICOM"),
        SkipReason::Archive => format!("{n} archives, each to be given by itself"),
        SkipReason::Empty => format!("{n} empty"),
        SkipReason::Directory => format!("{n} DICOM directories"),
        SkipReason::Hidden => format!("{n} hidden"),
        SkipReason::OtherObject(uid) => format!("{n} {} ({uid})", sop_class_name(uid)),
        SkipReason::DeadLink => format!("{n} links that lead nowhere"),
        SkipReason::OtherSeries => format!("{n} of other series"),
        SkipReason::Localizer => format!("{n} localizers"),
    };
    format!(", only {}", skipped.iter().map(one).collect::<Vec<_>>().join(", "))
}
