//! Faults made in files that were written whole: raw elements put in, lengths forged,
//! meta and preamble taken away.
//!
//! The functions change the bytes of a file in memory; [`edit_file`] applies them to one
//! on disk. Where elements begin and end is read from the bytes themselves, not from the
//! transfer syntax that the meta claims, so that several faults can be put into one file.
//!
//! # Limits
//!
//! Deflated data sets cannot be walked. A fault that moves the end of an element hides
//! what follows it from the next call: put it in last.

mod raw;
mod walk;

use std::path::Path;

use dicom_core::Tag;
use dicom_dictionary_std::tags;

pub use raw::{
    ITEM_DELIMITER, SEQUENCE_DELIMITER, UNDEFINED, explicit_element, implicit_element, item,
    nested_sequences, undefined_sequence,
};
pub use walk::{Place, data_set_start, find, items};

use crate::PhantomError;

/// Length of the preamble, bytes.
const PREAMBLE: usize = 128;
/// What follows the preamble.
const MAGIC: &[u8] = b"DICM";

/// Reads a file, lets `edit` change its bytes, and writes it back.
///
/// # Errors
///
/// [`PhantomError::Write`] where the system refuses the file, and what `edit` returns.
pub fn edit_file(
    path: &Path,
    edit: impl FnOnce(&mut Vec<u8>) -> Result<(), PhantomError>,
) -> Result<(), PhantomError> {
    let failed =
        |e: std::io::Error| PhantomError::Write { path: path.to_owned(), reason: e.to_string() };
    let mut bytes = std::fs::read(path).map_err(failed)?;
    edit(&mut bytes)?;
    std::fs::write(path, bytes).map_err(failed)
}

/// Puts bytes in front of the first element of the data set whose tag is not below `tag`,
/// or at the end where there is none.
///
/// # Errors
///
/// [`PhantomError::NotWalkable`] where the elements before it cannot be read.
pub fn insert_before(file: &mut Vec<u8>, tag: Tag, raw: &[u8]) -> Result<(), PhantomError> {
    let at = walk::first_from(file, tag)?;
    file.splice(at..at, raw.iter().copied());
    Ok(())
}

/// Puts bytes in the place of a whole element; none take it away.
///
/// # Errors
///
/// [`PhantomError::NoElement`] where it is not there, [`PhantomError::NotWalkable`].
pub fn replace(file: &mut Vec<u8>, tag: Tag, raw: &[u8]) -> Result<(), PhantomError> {
    let place = find(file, tag)?;
    file.splice(place.at..place.end, raw.iter().copied());
    Ok(())
}

/// Writes another length into the header of an element and leaves its bytes as they are.
///
/// # Errors
///
/// Those of [`replace`]; [`PhantomError::TooLong`] for an element whose length has 16 bits.
pub fn set_declared_length(file: &mut [u8], tag: Tag, length: u32) -> Result<(), PhantomError> {
    let place = find(file, tag)?;
    let at = place.value.start - place.length_bytes..place.value.start;
    if place.length_bytes == 2 {
        let too_long = |_| PhantomError::TooLong { bytes: u64::from(length) };
        let length = u16::try_from(length).map_err(too_long)?;
        let bytes = if place.big_endian { length.to_be_bytes() } else { length.to_le_bytes() };
        file[at].copy_from_slice(&bytes);
    } else {
        let bytes = if place.big_endian { length.to_be_bytes() } else { length.to_le_bytes() };
        file[at].copy_from_slice(&bytes);
    }
    Ok(())
}

/// Changes File Meta Information Group Length (0002,0000).
///
/// # Errors
///
/// Those of [`replace`].
pub fn set_meta_group_length(
    file: &mut [u8],
    change: impl FnOnce(u32) -> u32,
) -> Result<(), PhantomError> {
    let value = find(file, tags::FILE_META_INFORMATION_GROUP_LENGTH)?.value;
    let not_four = |_| PhantomError::NotWalkable { at: value.start };
    let length = <[u8; 4]>::try_from(&file[value.clone()]).map_err(not_four)?;
    file[value].copy_from_slice(&change(u32::from_le_bytes(length)).to_le_bytes());
    Ok(())
}

/// Gives a meta element that is there these bytes as its value, and the group its right length.
///
/// # Errors
///
/// Those of [`replace`]; [`PhantomError::TooLong`] for more than 65535 bytes.
pub fn set_meta_value(file: &mut Vec<u8>, tag: Tag, value: &[u8]) -> Result<(), PhantomError> {
    let place = find(file, tag)?;
    let too_long = |_| PhantomError::TooLong { bytes: value.len() as u64 };
    if place.length_bytes == 2 {
        let length = u16::try_from(value.len()).map_err(too_long)?;
        file[place.value.start - 2..place.value.start].copy_from_slice(&length.to_le_bytes());
    } else {
        let length = u32::try_from(value.len()).map_err(too_long)?;
        file[place.value.start - 4..place.value.start].copy_from_slice(&length.to_le_bytes());
    }
    file.splice(place.value, value.iter().copied());
    mend_meta_group_length(file)
}

/// Takes a meta element away and gives the group its right length.
///
/// # Errors
///
/// Those of [`replace`].
pub fn remove_meta_element(file: &mut Vec<u8>, tag: Tag) -> Result<(), PhantomError> {
    replace(file, tag, &[])?;
    if tag == tags::FILE_META_INFORMATION_GROUP_LENGTH {
        return Ok(());
    }
    mend_meta_group_length(file)
}

fn mend_meta_group_length(file: &mut [u8]) -> Result<(), PhantomError> {
    let first = find(file, tags::FILE_META_INFORMATION_GROUP_LENGTH)?.end;
    let bytes = data_set_start(file) - first;
    let length = u32::try_from(bytes).unwrap_or(UNDEFINED);
    set_meta_group_length(file, |_| length)
}

/// Takes the 128 bytes before `DICM` away and leaves `DICM`.
///
/// # Errors
///
/// [`PhantomError::NotWalkable`] where there is no preamble.
pub fn strip_preamble(file: &mut Vec<u8>) -> Result<(), PhantomError> {
    has_preamble(file)?;
    file.drain(..PREAMBLE);
    Ok(())
}

/// Leaves the data set only: no preamble, no `DICM`, no meta.
///
/// # Errors
///
/// [`PhantomError::NotWalkable`] where there is no preamble.
pub fn strip_meta(file: &mut Vec<u8>) -> Result<(), PhantomError> {
    has_preamble(file)?;
    file.drain(..data_set_start(file));
    Ok(())
}

/// Writes bytes into the preamble, at most 128.
///
/// # Errors
///
/// [`PhantomError::NotWalkable`] where there is no preamble.
pub fn set_preamble(file: &mut [u8], bytes: &[u8]) -> Result<(), PhantomError> {
    has_preamble(file)?;
    let length = bytes.len().min(PREAMBLE);
    file[..length].copy_from_slice(&bytes[..length]);
    Ok(())
}

fn has_preamble(file: &[u8]) -> Result<(), PhantomError> {
    match file.get(PREAMBLE..PREAMBLE + MAGIC.len()) {
        Some(MAGIC) => Ok(()),
        _ => Err(PhantomError::NotWalkable { at: PREAMBLE }),
    }
}
