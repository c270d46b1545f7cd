use std::path::{Path, PathBuf};

use dicom_core::{PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use jawgauge_volume::Volume;
use rayon::prelude::*;

use crate::encapsulate::FrameSize;
use crate::file::write_object;
use crate::object::{add, common_object, numbered_uid, pixel_bytes, strings};
use crate::plane::{Plane, position};
use crate::{PhantomError, ScanOptions, decimal_string};

/// Distance of the first slice's identifier from the root.
const FIRST_INSTANCE: u128 = 16;

/// Writes a volume as a folder of DICOM CT Image Storage files, one a slice.
///
/// Every file holds the attributes that the CT Image object requires; Image Position is
/// the centre of the slice's first voxel, Image Orientation and Pixel Spacing come from
/// the columns of the affine. Rescale Type is US (unspecified), as grey values of a cone
/// beam are not Hounsfield units; the standard allows that for images called derived, so
/// these are. Padding is written as Pixel Padding Value and Range
/// Limit; absent slices get no file. Patient name and ID are empty and Patient Identity
/// Removed is YES. The same volume and options give the same bytes. Returns the files in
/// slice order.
///
/// # Accuracy
///
/// Positions read back within 1e-9 mm.
///
/// # Errors
///
/// [`PhantomError::NotPerpendicular`] for a grid whose rows and columns are not,
/// [`PhantomError::TooLarge`] above 65535 columns or rows, [`PhantomError::FloatVoxels`] and
/// [`PhantomError::PartOfGrid`] for a volume that has no 16-bit voxels or not all of them,
/// [`PhantomError::PartFrame`] where pixel data to be encoded are no whole frame after an
/// edit, [`PhantomError::Write`] where the system refuses a file.
///
/// # Source
///
/// DICOM PS3.3 table A.3-1 (CT Image modules), C.7.6.2 (image plane), C.8.2.1 (CT image),
/// PS3.5 section B.2 (identifiers under 2.25).
///
/// # Limits
///
/// Synthetic files: no acquisition parameters, no dates.
pub fn write_scan(
    dir: &Path,
    volume: &Volume,
    options: &ScanOptions,
) -> Result<Vec<PathBuf>, PhantomError> {
    let plane = Plane::of(volume)?;
    let slices = volume.geometry().dims()[2];
    let written: Vec<usize> = (0..slices).filter(|&k| !volume.absent_slices()[k]).collect();
    written
        .into_par_iter()
        .map(|k| {
            let path = dir.join((options.file_name)(k));
            let instance_uid = numbered_uid(options, FIRST_INSTANCE + k as u128);
            let object = slice_object(k, &instance_uid, volume, &plane, options)?;
            let size = FrameSize { rows: plane.rows, columns: plane.columns, first: k };
            write_object(&path, (k, &instance_uid), object, size, options)?;
            Ok(path)
        })
        .collect()
}

fn slice_object(
    k: usize,
    instance_uid: &str,
    volume: &Volume,
    plane: &Plane,
    options: &ScanOptions,
) -> Result<InMemDicomObject, PhantomError> {
    let mut object = common_object(volume, plane, options)?;
    let rescale = volume.rescale(k);
    let text = |value: &str| PrimitiveValue::from(value);
    add(
        &mut object,
        [
            (tags::IMAGE_TYPE, VR::CS, strings(&["DERIVED", "PRIMARY", "AXIAL"])),
            (tags::SOP_CLASS_UID, VR::UI, text(uids::CT_IMAGE_STORAGE)),
            (tags::SOP_INSTANCE_UID, VR::UI, text(instance_uid)),
            (tags::SLICE_THICKNESS, VR::DS, text(&plane.thickness())),
            (tags::INSTANCE_NUMBER, VR::IS, text(&(k + 1).to_string())),
            (tags::IMAGE_POSITION_PATIENT, VR::DS, position(volume, k)),
            (tags::IMAGE_ORIENTATION_PATIENT, VR::DS, plane.orientation.clone()),
            (tags::PIXEL_SPACING, VR::DS, plane.spacing.clone()),
            (tags::RESCALE_INTERCEPT, VR::DS, text(&decimal_string(rescale.intercept))),
            (tags::RESCALE_SLOPE, VR::DS, text(&decimal_string(rescale.slope))),
            (tags::RESCALE_TYPE, VR::LO, text("US")),
            (tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(pixel_bytes(volume, &[k])?.into())),
        ],
    );
    Ok(object)
}
