//! How an object becomes a file: meta, data set, pixel data.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use dicom_object::mem::InMemElement;
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use dicom_transfer_syntax_registry::{TransferSyntax, entries};
use flate2::Compression;
use flate2::write::DeflateEncoder;

use crate::encapsulate::{FrameSize, encapsulate, is_encapsulated, short};
use crate::syntax::{PIXEL_DATA, is_plain};
use crate::{PhantomError, ScanOptions, ScanSyntax};

/// Bytes that are swapped at a time.
const SWAP_BYTES: usize = 1 << 16;

/// Writes one object as a file, after the edit that the options hold; folders are made.
pub(crate) fn write_object(
    path: &Path,
    (number, instance_uid): (usize, &str),
    mut object: InMemDicomObject,
    size: FrameSize,
    options: &ScanOptions,
) -> Result<(), PhantomError> {
    if let Some(edit) = &options.edit {
        edit(number, &mut object);
    }
    let failed = |reason: String| PhantomError::Write { path: path.to_owned(), reason };
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent).map_err(|e| failed(e.to_string()))?;
    }
    let text_of = |tag, otherwise: &str| {
        let found = object.get(tag).and_then(|e| e.to_str().ok().map(|s| s.into_owned()));
        found.unwrap_or_else(|| otherwise.to_owned())
    };
    let syntax_uid = options.encoder.as_ref().map_or(options.syntax.uid(), |e| &e.uid);
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(text_of(tags::SOP_CLASS_UID, uids::CT_IMAGE_STORAGE))
        .media_storage_sop_instance_uid(text_of(tags::SOP_INSTANCE_UID, instance_uid))
        .transfer_syntax(syntax_uid)
        .build()
        .map_err(|e| failed(e.to_string()))?;
    let parts = Parts::of(object, size, options)?;
    let write = || -> io::Result<()> {
        let mut sink = BufWriter::new(File::create(path)?);
        sink.write_all(&[0; 128])?;
        sink.write_all(b"DICM")?;
        meta.write(&mut sink).map_err(io::Error::other)?;
        if options.syntax == ScanSyntax::Deflated && options.encoder.is_none() {
            let mut deflated = DeflateEncoder::new(sink, Compression::fast());
            parts.write(&mut deflated, options)?;
            deflated.try_finish()?;
            let odd = deflated.total_out() % 2 == 1;
            sink = deflated.finish()?;
            // A deflated data set has an even length (DICOM PS3.5 section A.5).
            if odd {
                sink.write_all(&[0])?;
            }
        } else {
            parts.write(&mut sink, options)?;
        }
        sink.flush()
    };
    write().map_err(|e| failed(e.to_string()))
}

/// A data set, split at the pixel data.
struct Parts {
    before: InMemDicomObject,
    pixels: Pixels,
    after: InMemDicomObject,
}

enum Pixels {
    None,
    Native(InMemElement),
    Encapsulated(crate::encapsulate::Encapsulated),
}

impl Parts {
    fn of(
        mut object: InMemDicomObject,
        size: FrameSize,
        options: &ScanOptions,
    ) -> Result<Self, PhantomError> {
        let mut after = InMemDicomObject::new_empty();
        let pixels = match object.get(PIXEL_DATA).is_some_and(is_plain) {
            true => object.take(PIXEL_DATA),
            // None, or one that an edit put there: the library writes it in its place.
            false => None,
        };
        let Some(element) = pixels else {
            return Ok(Self { before: object, pixels: Pixels::None, after });
        };
        let later: Vec<_> =
            object.iter().map(|e| e.header().tag).filter(|t| *t > PIXEL_DATA).collect();
        for tag in later {
            if let Some(element) = object.take(tag) {
                after.put(element);
            }
        }
        let pixels = if is_encapsulated(options) {
            let bytes = element.to_bytes().unwrap_or_default();
            let mut encapsulated = encapsulate(&bytes, size, options)?;
            encapsulated.add_extended(&mut object);
            Pixels::Encapsulated(encapsulated)
        } else {
            short(element.to_bytes().map_or(0, |b| b.len() as u64))?;
            Pixels::Native(element)
        };
        Ok(Self { before: object, pixels, after })
    }

    fn write(&self, sink: &mut dyn Write, options: &ScanOptions) -> io::Result<()> {
        let syntax: TransferSyntax = match options.syntax {
            _ if options.encoder.is_some() => entries::EXPLICIT_VR_LITTLE_ENDIAN.erased(),
            ScanSyntax::ImplicitLittleEndian => entries::IMPLICIT_VR_LITTLE_ENDIAN.erased(),
            ScanSyntax::ExplicitBigEndian => entries::EXPLICIT_VR_BIG_ENDIAN.erased(),
            _ => entries::EXPLICIT_VR_LITTLE_ENDIAN.erased(),
        };
        let data_set = |sink: &mut dyn Write, part: &InMemDicomObject| {
            part.write_dataset_with_ts(sink, &syntax).map_err(io::Error::other)
        };
        data_set(sink, &self.before)?;
        match &self.pixels {
            Pixels::None => {}
            Pixels::Native(element) => write_native(sink, element, options)?,
            Pixels::Encapsulated(encapsulated) => encapsulated.write(sink)?,
        }
        data_set(sink, &self.after)
    }
}

fn write_native(
    sink: &mut dyn Write,
    element: &InMemElement,
    options: &ScanOptions,
) -> io::Result<()> {
    let bytes = element.to_bytes().map_err(io::Error::other)?;
    let vr = if options.pixels_as_bytes { VR::OB } else { element.vr() };
    let big = options.syntax == ScanSyntax::ExplicitBigEndian;
    // Checked when the parts were made.
    let length = u32::try_from(bytes.len()).map_err(io::Error::other)?;
    let (group, number) = (PIXEL_DATA.group(), PIXEL_DATA.element());
    if big {
        sink.write_all(&group.to_be_bytes())?;
        sink.write_all(&number.to_be_bytes())?;
    } else {
        sink.write_all(&group.to_le_bytes())?;
        sink.write_all(&number.to_le_bytes())?;
    }
    if options.syntax != ScanSyntax::ImplicitLittleEndian {
        sink.write_all(&vr.to_bytes())?;
        sink.write_all(&[0, 0])?;
    }
    sink.write_all(&if big { length.to_be_bytes() } else { length.to_le_bytes() })?;
    if !big || vr == VR::OB {
        return sink.write_all(&bytes);
    }
    let mut swapped = Vec::with_capacity(SWAP_BYTES);
    for part in bytes.chunks(SWAP_BYTES) {
        swapped.clear();
        swapped.extend(part.chunks_exact(2).flat_map(|p| [p[1], p[0]]));
        sink.write_all(&swapped)?;
    }
    Ok(())
}
