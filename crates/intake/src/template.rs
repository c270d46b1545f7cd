//! Implant templates: what DICOM says of a fixture.

use std::path::Path;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;

use crate::attribute::{Attribute, escaped, quoted, sop_class_name};
use crate::cursor::{Coding, Cursor, Header, UNDEFINED};
use crate::header::{parse, text_of};
use crate::mesh::{MeshSurface, read_surfaces, triangles_of};
use crate::source::{Place, ScanFile, Stream};
use crate::start::{Start, find_start, read_meta};
use crate::walk::{WalkFault, Walked, broken};

/// A file larger than this, bytes, is no template of one fixture: some hundred thousand triangles.
const LARGEST: u64 = 64 << 20;
/// Longest text that is read, bytes; the standard allows 64 characters.
const LONGEST_TEXT: u32 = 4096;

/// What is read of the outermost level.
const WANTED: [Tag; 9] = [
    tags::SPECIFIC_CHARACTER_SET,
    tags::SOP_CLASS_UID,
    tags::IMPLANT_NAME,
    tags::IMPLANT_PART_NUMBER,
    tags::IMPLANT_SIZE,
    tags::IMPLANT_TEMPLATE_VERSION,
    tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE,
    tags::IMPLANT_TEMPLATE3_D_MODEL_SURFACE_NUMBER,
    tags::SURFACE_MODEL_SCALING_FACTOR,
];

/// A triangle by its corners, mm.
pub type Triangle = [[f64; 3]; 3];

/// The body of a fixture as a template has it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum TemplateMesh {
    /// The template has no surface.
    None,
    /// Its surface, mm.
    Triangles(Vec<Triangle>),
    /// It has one that cannot be used, and why.
    Unusable(String),
}

/// What a Generic Implant Template says of a fixture; texts are escaped.
#[derive(Debug, Clone, PartialEq)]
pub struct ImplantTemplate {
    /// Implant Name (0022,1095).
    pub name: Option<String>,
    /// Implant Size (0068,6210): free text, of which no millimetres are taken.
    pub size: Option<String>,
    /// Implant Part Number (0022,1097).
    pub part_number: Option<String>,
    /// Implant Template Version (0068,6221).
    pub version: Option<String>,
    /// Overall Template Spatial Tolerance (0068,62A5): within what all distances hold, mm.
    pub tolerance_mm: Option<f64>,
    /// Its body.
    pub mesh: TemplateMesh,
}

impl ImplantTemplate {
    /// Name and size, as one.
    #[must_use]
    pub fn title(&self) -> Option<String> {
        let parts: Vec<&str> =
            [&self.name, &self.size].into_iter().flatten().map(String::as_str).collect();
        (!parts.is_empty()).then(|| parts.join(" "))
    }
}

/// Why a file cannot be used as a template.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TemplateError {
    /// It cannot be opened.
    #[error("it cannot be read ({reason})")]
    Open {
        /// What the system said.
        reason: String,
    },
    /// It is far too large.
    #[error("{megabytes} MB are no template of a fixture")]
    Large {
        /// Its size.
        megabytes: u64,
    },
    /// It is no DICOM file.
    #[error("it is no DICOM file")]
    NotDicom,
    /// It cannot be taken apart.
    #[error("it is damaged ({reason})")]
    Damaged {
        /// What does not fit, and where.
        reason: String,
    },
    /// It is another kind of object.
    #[error(
        "(0008,0016) SOPClassUID is \"{uid}\" ({name}), not Generic Implant Template (1.2.840.10008.5.1.4.43.1)"
    )]
    SopClass {
        /// Its SOP class.
        uid: String,
        /// The SOP class's name.
        name: &'static str,
    },
    /// Its transfer syntax is not read here.
    #[error("(0002,0010) TransferSyntaxUID is \"{uid}\", which is not read for templates")]
    TransferSyntax {
        /// Its transfer syntax.
        uid: String,
    },
    /// An attribute has a value that cannot be used.
    #[error("{attribute} is \"{value}\", not {expected}")]
    Value {
        /// The attribute.
        attribute: Attribute,
        /// Its value, escaped and cut.
        value: String,
        /// What was expected.
        expected: &'static str,
    },
}

impl From<WalkFault> for TemplateError {
    fn from(fault: WalkFault) -> Self {
        match fault {
            WalkFault::NotDicom => Self::NotDicom,
            WalkFault::Broken { at, reason } => {
                Self::Damaged { reason: format!("at byte {at}: {reason}") }
            }
            WalkFault::Io(e) => Self::Open { reason: e.to_string() },
        }
    }
}

/// Reads a Generic Implant Template.
///
/// The file is walked as scans are: every declared length is held against the file, nesting against a limit,
/// and only the wanted attributes go to the DICOM library. The body is the surface that the template names as
/// the fixture's model, or its only one.
///
/// # Units
///
/// Millimetres (DICOM PS3.3, Surface Mesh: coordinates are those of the frame of reference).
///
/// # Errors
///
/// [`TemplateError`] for what is no such object. A surface that cannot be used is no error here:
/// [`TemplateMesh::Unusable`] says why, and sizes may be known otherwise.
///
/// # Limits
///
/// Mating features, landmarks and drawings are not read. A surface whose Surface Model Scaling Factor
/// (0068,6390) is not 1 is not used.
///
/// # Source
///
/// DICOM PS3.3, Implant Template modules; attributes PS3.6.
pub fn read_implant_template(path: &Path) -> Result<ImplantTemplate, TemplateError> {
    let open = |e: std::io::Error| TemplateError::Open { reason: e.to_string() };
    let about = std::fs::metadata(path).map_err(open)?;
    if about.is_dir() {
        return Err(TemplateError::Open { reason: "it is a folder".to_owned() });
    }
    let length = about.len();
    if length > LARGEST {
        return Err(TemplateError::Large { megabytes: length >> 20 });
    }
    let file = ScanFile { place: Place::File(path.to_owned()), name: String::new(), length };
    let mut cursor = Cursor::new(file.open().map_err(open)?, length);
    let mut walked = Walked::default();
    if find_start(&mut cursor)? == Start::DataSet {
        return Err(TemplateError::NotDicom);
    }
    let first = read_meta(&mut cursor, &mut walked)?;
    if !["", uids::GENERIC_IMPLANT_TEMPLATE_STORAGE].contains(&walked.meta_sop_class.as_str()) {
        return Err(other_class(&walked.meta_sop_class));
    }
    let plain = [
        uids::IMPLICIT_VR_LITTLE_ENDIAN,
        uids::EXPLICIT_VR_LITTLE_ENDIAN,
        crate::attribute::EXPLICIT_BIG_ENDIAN,
    ];
    if !plain.contains(&walked.syntax.as_str()) {
        return Err(TemplateError::TransferSyntax { uid: quoted(&walked.syntax) });
    }
    let found = data_set(&mut cursor, first, &walked.syntax)?;
    let damaged = |reason| TemplateError::Damaged { reason };
    let object = parse(&found.kept).map_err(damaged)?;
    let models = found.models.iter().map(|kept| parse(kept)).collect::<Result<Vec<_>, _>>();
    let models = models.map_err(damaged)?;
    let sop_class = text_of(&object, tags::SOP_CLASS_UID).unwrap_or(walked.meta_sop_class);
    if sop_class != uids::GENERIC_IMPLANT_TEMPLATE_STORAGE {
        return Err(other_class(&sop_class));
    }
    let text = |tag| text_of(&object, tag).map(|t| escaped(&t));
    Ok(ImplantTemplate {
        name: text(tags::IMPLANT_NAME),
        size: text(tags::IMPLANT_SIZE),
        part_number: text(tags::IMPLANT_PART_NUMBER),
        version: text(tags::IMPLANT_TEMPLATE_VERSION),
        tolerance_mm: tolerance(&object)?,
        mesh: mesh(&object, &models, &found.surfaces),
    })
}

fn other_class(uid: &str) -> TemplateError {
    let name = if uid.is_empty() { "none" } else { sop_class_name(uid) };
    TemplateError::SopClass { uid: quoted(uid), name }
}

/// What is kept of a data set.
#[derive(Default)]
struct Found {
    /// The wanted attributes, implicit little endian.
    kept: Vec<u8>,
    /// The same of each item that describes a model.
    models: Vec<Vec<u8>>,
    surfaces: Vec<MeshSurface>,
}

fn data_set(
    cursor: &mut Cursor<Stream>,
    first: Option<Tag>,
    syntax: &str,
) -> Result<Found, WalkFault> {
    let mut coding = Coding::of_syntax(syntax);
    let mut pending = match first {
        Some(tag) => Some(cursor.settle(tag, &mut coding)?),
        None => None,
    };
    cursor.coding = coding;
    let mut found = Found::default();
    let mut before: Option<Tag> = None;
    while let Some(tag) = pending {
        if tag.group() == 0xFFFC {
            // Trailing padding (DICOM PS3.10 section 7.2).
            break;
        }
        if before.is_some_and(|before| before >= tag) {
            return Err(broken(cursor.at, format!("attribute {tag} stands out of order")));
        }
        before = Some(tag);
        let header: Header = cursor.header(tag)?;
        if tag == tags::SURFACE_SEQUENCE {
            found.surfaces = read_surfaces(cursor, tag, &header)?;
        } else if tag == tags::SURFACE_MODEL_DESCRIPTION_SEQUENCE {
            let leaves = [tags::SURFACE_MODEL_SCALING_FACTOR];
            found.models = cursor.groups(tag, &header, &[], &leaves)?;
        } else if WANTED.contains(&tag) && header.length != UNDEFINED {
            if header.length > LONGEST_TEXT {
                return Err(broken(cursor.at, format!("attribute {tag} is too long")));
            }
            cursor.keep(tag, &header, &mut found.kept)?;
        } else {
            cursor.skip_value(tag, &header, 0)?;
        }
        pending = cursor.next_tag_after(tag, header.length)?;
    }
    Ok(found)
}

fn tolerance(object: &InMemDicomObject) -> Result<Option<f64>, TemplateError> {
    let tag = tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE;
    // Type 2: it may be there without a value.
    let Some(element) = object.get(tag).filter(|e| !e.value().to_str().is_ok_and(|t| t.is_empty()))
    else {
        return Ok(None);
    };
    match element.to_float64() {
        Ok(mm) if mm.is_finite() && mm >= 0.0 => Ok(Some(mm)),
        other => Err(TemplateError::Value {
            attribute: Attribute(tag),
            value: other.map_or_else(|_| "no number".to_owned(), |mm| mm.to_string()),
            expected: "0 mm or more",
        }),
    }
}

/// The surface that is the fixture's model.
fn mesh(
    object: &InMemDicomObject,
    models: &[InMemDicomObject],
    surfaces: &[MeshSurface],
) -> TemplateMesh {
    if surfaces.is_empty() {
        return TemplateMesh::None;
    }
    let unusable = |why: String| TemplateMesh::Unusable(why);
    // The factor stands with the description of the model; what it would scale to is not taken on trust.
    let tag = tags::SURFACE_MODEL_SCALING_FACTOR;
    let factors = std::iter::once(object).chain(models).filter_map(|o| o.get(tag));
    if factors.into_iter().any(|f| !f.to_float64().is_ok_and(|factor| factor == 1.0)) {
        let attribute = Attribute(tag);
        return unusable(format!("{attribute} is not 1"));
    }
    let named: Vec<u32> = object
        .get(tags::IMPLANT_TEMPLATE3_D_MODEL_SURFACE_NUMBER)
        .and_then(|e| e.to_multi_int().ok())
        .unwrap_or_default();
    let model: Vec<&MeshSurface> = if named.is_empty() {
        surfaces.iter().collect()
    } else {
        surfaces.iter().filter(|s| s.number.is_some_and(|n| named.contains(&n))).collect()
    };
    match model[..] {
        [] => unusable("none of its surfaces is the one that it names as the model".to_owned()),
        [_, _, ..] if named.is_empty() => {
            unusable("it has several surfaces and does not say which is the model".to_owned())
        }
        _ => match model.into_iter().map(triangles_of).collect::<Result<Vec<_>, _>>() {
            Ok(parts) => TemplateMesh::Triangles(parts.concat()),
            Err(why) => unusable(why),
        },
    }
}
