use std::fmt;

/// Why a plain volume cannot be read: a clause that names the field of the header, without file.
/// Text of files is escaped and cut.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub(crate) enum PlainFault {
    /// A relative of NIfTI-1 that is not read.
    #[error("{found}, not a NIfTI-1 file with header and voxels in one")]
    Relative {
        /// What it is.
        found: &'static str,
    },
    /// The file ends, or the bytes that are looked at do, within the header.
    #[error("the header does not end within {bytes} bytes")]
    HeaderEnd {
        /// Bytes that were looked at.
        bytes: usize,
    },
    /// A line of a header in text makes no sense; it is not shown, it may hold a name.
    #[error("line {line} of the header {reason}")]
    Line {
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// A field is there twice.
    #[error("{field} is there twice, the second time in line {line} of the header")]
    Repeated {
        /// The field.
        field: &'static str,
        /// Number of the line, from 1.
        line: usize,
    },
    /// A needed field is absent.
    #[error(
        "{field} is missing{}",
        instead.map(|i| format!(" ({i} is there, but it cannot be used in its place)")).unwrap_or_default()
    )]
    Missing {
        /// The field.
        field: &'static str,
        /// A field that is there and looks like it, but says something else.
        instead: Option<&'static str>,
    },
    /// A field has a value that cannot be used.
    #[error("{field} is \"{value}\", not {expected}")]
    Value {
        /// The field.
        field: &'static str,
        /// Its value, escaped and cut.
        value: String,
        /// What was expected.
        expected: String,
    },
    /// Nothing ties the voxels to the patient.
    #[error(
        "qform_code is {qform} and sform_code is {sform}, neither 1 or 2: \
         how the voxels lie in the patient is not said (pixdim alone does not tell left from right)"
    )]
    NoOrientation {
        /// qform_code.
        qform: i16,
        /// sform_code.
        sform: i16,
    },
    /// There are fewer bytes than the header asks for.
    #[error("dimensions and data offset ask for {needed} bytes, {found} are there")]
    TooShort {
        /// Bytes asked for.
        needed: u64,
        /// Bytes there.
        found: u64,
    },
    /// There are more bytes than the header asks for, by a slice or more.
    #[error(
        "dimensions and data offset ask for {needed} bytes, {found} are there: \
         a slice of {slice} bytes or more too much"
    )]
    TooLong {
        /// Bytes asked for.
        needed: u64,
        /// Bytes there.
        found: u64,
        /// Bytes of a slice.
        slice: u64,
    },
}

impl PlainFault {
    /// What to do about it.
    pub(crate) fn remedy(&self) -> &'static str {
        match self {
            Self::Relative { .. } => "save it as NIfTI-1 in a single .nii or .nii.gz file",
            Self::HeaderEnd { .. } | Self::TooShort { .. } => {
                "copy the file again from where it comes from"
            }
            Self::NoOrientation { .. } => {
                "save it with its scanner coordinates, no orientation is assumed"
            }
            Self::Missing { .. } => "save the volume with it, no value is assumed",
            Self::Line { .. }
            | Self::Repeated { .. }
            | Self::Value { .. }
            | Self::TooLong { .. } => "save the volume again or mend the header",
        }
    }
}

/// What was noticed in a header that can still be used.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub(crate) enum PlainNote {
    /// The header does not say its unit of length; millimetres were taken.
    UnitNotSaid {
        /// The field that would say it.
        field: &'static str,
    },
    /// NIfTI: sform and qform put the voxels to different places; the sform was used.
    FormsDisagree {
        /// Greatest distance of a corner of the volume between the two, mm.
        distance_mm: f64,
        /// Greatest angle between a voxel step by one and by the other, degrees.
        angle_deg: f64,
    },
    /// NIfTI: the qform makes no sense; the sform was used.
    QformUnusable {
        /// Why, as a fault of the qform.
        fault: Box<PlainFault>,
    },
    /// NIfTI: the sform maps to a standard head, not to the patient; the qform was used.
    TemplateSform {
        /// sform_code.
        sform: i16,
    },
    /// NIfTI: the qform maps to a standard head, not to the patient; the sform was used.
    TemplateQform {
        /// qform_code.
        qform: i16,
    },
    /// A spacing that the header says besides differs by more than 1 % from the voxel steps,
    /// which were used.
    SpacingDisagrees {
        /// The field.
        field: &'static str,
        /// 0, 1, 2 along i, j, k.
        axis: usize,
        /// What the field says, mm.
        said_mm: f64,
        /// Length of the voxel step, mm.
        step_mm: f64,
    },
    /// The voxel steps are not perpendicular; the shear is part of the affine.
    Sheared {
        /// Greatest departure of two steps from a right angle, degrees.
        angle_deg: f64,
    },
    /// NIfTI: scl_slope is 0 or no number, so that, as the standard has it, scl_inter was not used.
    InterceptNotUsed {
        /// scl_inter.
        intercept: f64,
    },
    /// NIfTI: intent_code says that the values are something else than a measured grey.
    Intent {
        /// intent_code.
        code: i16,
    },
    /// NRRD: a field that gives the values another meaning was not used.
    NotUsed {
        /// The field.
        field: &'static str,
    },
    /// Bytes after the voxels, less than a slice, were not used.
    SurplusBytes {
        /// How many.
        surplus: u64,
    },
}

impl PlainNote {
    /// A stable name of the kind of note, for scripts.
    pub(crate) fn code(&self) -> &'static str {
        match self {
            Self::UnitNotSaid { .. } => "unit-not-said",
            Self::FormsDisagree { .. } | Self::QformUnusable { .. } => "orientations-disagree",
            Self::TemplateSform { .. } | Self::TemplateQform { .. } => "standard-head-not-used",
            Self::SpacingDisagrees { .. } => "spacing-attributes-disagree",
            Self::Sheared { .. } => "sheared-stack",
            Self::InterceptNotUsed { .. } => "intercept-not-used",
            Self::Intent { .. } => "values-of-another-kind",
            Self::NotUsed { .. } => "field-not-used",
            Self::SurplusBytes { .. } => "surplus-pixel-bytes",
        }
    }
}

impl fmt::Display for PlainNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnitNotSaid { field } => {
                write!(f, "{field} says no unit of length, millimetres were taken")
            }
            Self::FormsDisagree { distance_mm, angle_deg } => write!(
                f,
                "sform and qform disagree by up to {distance_mm:.3} mm and {angle_deg:.3} degrees, \
                 the sform was used"
            ),
            Self::QformUnusable { fault } => write!(f, "{fault}, the sform was used"),
            Self::TemplateSform { sform } => write!(
                f,
                "sform_code is {sform}, coordinates of a standard head, the qform was used"
            ),
            Self::TemplateQform { qform } => write!(
                f,
                "qform_code is {qform}, coordinates of a standard head, the sform was used"
            ),
            Self::SpacingDisagrees { field, axis, said_mm, step_mm } => write!(
                f,
                "{field} says {said_mm:.4} mm along {}, the voxel steps are {step_mm:.4} mm",
                ["i", "j", "k"].get(*axis).unwrap_or(&"?")
            ),
            Self::Sheared { angle_deg } => {
                write!(f, "the voxel steps are {angle_deg:.2} degrees off a right angle")
            }
            Self::InterceptNotUsed { intercept } => {
                write!(f, "scl_slope says no scaling, so that scl_inter ({intercept}) was not used")
            }
            Self::Intent { code } => {
                write!(f, "intent_code is {code}, not 0: the values may not be grey values")
            }
            Self::NotUsed { field } => write!(f, "{field} was not used"),
            Self::SurplusBytes { surplus } => {
                write!(f, "{surplus} bytes after the voxels were not used")
            }
        }
    }
}
