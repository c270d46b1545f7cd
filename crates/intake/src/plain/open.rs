use std::io::{self, BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use jawgauge_volume::VolumeGeometry;

use super::{
    DataPlace, HEAD_BYTES, PlainFault, PlainKind, PlainVolume, VoxelCode, parse_nifti, parse_nrrd,
    skip_lines,
};
use crate::attribute::escaped;
use crate::error::open_error;
use crate::folder::Skipped;
use crate::fragments::Run;
use crate::pixels::{Coded, FrameSource, Stored};
use crate::scan::{OpenScan, ScanFacts};
use crate::source::{Layer, Place, ScanFile};
use crate::voxel::Words;
use crate::{IntakeError, ScanWarning};

/// Reads the header of a NIfTI or NRRD file and finds its voxels, without reading them.
pub(crate) fn open_plain(
    file: &Arc<ScanFile>,
    kind: PlainKind,
    layer: Layer,
) -> Result<OpenScan, IntakeError> {
    let refused = |fault| refused(file, &fault);
    let cannot = |e: &io::Error| open_error(file.name.clone(), e);
    let mut head = Vec::new();
    let stream = file.open_at(layer, 0).map_err(|e| cannot(&e))?;
    let read = stream.take(HEAD_BYTES as u64).read_to_end(&mut head);
    // What was unpacked before the damage is judged by the parser.
    if layer == Layer::Plain {
        read.map_err(|e| cannot(&e))?;
    }
    let length = (layer == Layer::Plain).then_some(file.length);
    let (volume, format) = match kind {
        PlainKind::Nifti => (parse_nifti(&head, length), "NIfTI-1"),
        PlainKind::Nrrd => (parse_nrrd(&head, length), "NRRD"),
    };
    let mut volume = volume.map_err(refused)?;
    let data = match &volume.place {
        DataPlace::SameFile => file.clone(),
        DataPlace::Beside(name) => beside(file, name)?,
    };
    let (layer, offset) = voxels_at(&mut volume, &data, layer)?;
    let sources = slices(&volume, &data, layer, offset);
    let geometry = VolumeGeometry::new(volume.dims, volume.affine)?;
    let stored = match volume.code {
        VoxelCode::U8 | VoxelCode::U16 => Stored::Unsigned,
        VoxelCode::I8 | VoxelCode::I16 => Stored::Signed,
        _ => Stored::Float,
    };
    let note = |note: &super::PlainNote| ScanWarning::Plain {
        file: file.name.clone(),
        code: note.code(),
        note: note.to_string(),
    };
    Ok(OpenScan {
        stored,
        sources,
        rescale: vec![volume.rescale; volume.dims[2]],
        facts: ScanFacts {
            series_uid: file.name.clone(),
            frame_of_reference_uid: None,
            transfer_syntax: format.to_owned(),
            sop_class: String::new(),
            identity_removed: false,
            names_patient: volume.texts_present,
            place_known: true,
            files: if data.name == file.name { 1 } else { 2 },
            slices: volume.dims[2],
            skipped: Skipped::new(),
            padding: None,
            bits_stored: u16::try_from(volume.code.bytes() * 8).unwrap_or(u16::MAX),
            signed: !matches!(volume.code, VoxelCode::U8 | VoxelCode::U16 | VoxelCode::U32),
        },
        warnings: volume.notes.iter().map(note).collect(),
        overlays: false,
        first: file.name.clone(),
        geometry,
    })
}

fn refused(file: &ScanFile, fault: &PlainFault) -> IntakeError {
    IntakeError::Plain {
        file: file.name.clone(),
        remedy: fault.remedy(),
        reason: fault.to_string(),
    }
}

/// The file beside a detached header that holds its voxels; its name has no folder.
fn beside(header: &ScanFile, name: &str) -> Result<Arc<ScanFile>, IntakeError> {
    let shown = match header.name.rsplit_once(['/', '\\']) {
        Some((folder, _)) => format!("{folder}/{}", escaped(name)),
        None => escaped(name),
    };
    let Place::File(path) = &header.place else {
        return Err(IntakeError::Plain {
            file: header.name.clone(),
            reason: "its voxels are in another file of an archive".to_owned(),
            remedy: "unpack the archive, and give the folder",
        });
    };
    let path = path.parent().unwrap_or(Path::new(".")).join(name);
    let length = match std::fs::metadata(&path) {
        Ok(metadata) if metadata.is_file() => metadata.len(),
        Ok(_) => return Err(IntakeError::Open { file: shown, reason: "not a file".to_owned() }),
        Err(e) => return Err(open_error(shown, &e)),
    };
    Ok(Arc::new(ScanFile { place: Place::File(path), name: shown, length }))
}

/// How the bytes that hold the voxels lie in their file, and where the voxels begin there.
fn voxels_at(
    volume: &mut PlainVolume,
    data: &ScanFile,
    layer: Layer,
) -> Result<(Layer, u64), IntakeError> {
    let refused = |fault| refused(data, &fault);
    let start = volume.start;
    let mut at = start.at;
    if start.lines > 0 {
        let skipped = data
            .open_at(layer, at)
            .and_then(|stream| skip_lines(&mut BufReader::new(stream), start.lines))
            .map_err(|e| open_error(data.name.clone(), &e))?;
        let found = data.length;
        let short = || refused(PlainFault::TooShort { needed: volume.voxel_bytes, found });
        at += skipped.ok_or_else(short)?;
    }
    if volume.gzip {
        // Packed bytes within a packed file make no sense.
        return Ok((Layer::Gzip(at), start.bytes.unwrap_or(0)));
    }
    if layer == Layer::Plain {
        let note = volume.judge_length(data.length.saturating_sub(at)).map_err(refused)?;
        if let Some(note) = note.filter(|note| !volume.notes.contains(note)) {
            volume.notes.push(note);
        }
    }
    let from_end = || data.length.saturating_sub(volume.voxel_bytes);
    Ok((layer, start.bytes.map_or_else(from_end, |bytes| at + bytes)))
}

fn slices(
    volume: &PlainVolume,
    data: &Arc<ScanFile>,
    layer: Layer,
    offset: u64,
) -> Vec<Option<FrameSource>> {
    let length = volume.voxel_bytes / volume.dims[2] as u64;
    let words = Words { code: volume.code, big_endian: volume.big_endian, unused_bits: 0 };
    let source = |k: usize| {
        Some(FrameSource {
            file: data.clone(),
            name: format!("{} slice {}", data.name, k + 1),
            layer,
            runs: vec![Run { offset: offset + k as u64 * length, length }],
            coded: Coded::Native(words),
        })
    };
    (0..volume.dims[2]).map(source).collect()
}
