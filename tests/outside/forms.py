"""Every form of scan that the phantom's writers know, and plain volumes that others write.

DICOM: values by pydicom (with GDCM and CharLS for compressed frames), places by SimpleITK where it
can hold them, and by the attributes of each slice or frame. NIfTI: nibabel and SimpleITK.
NRRD: pynrrd and SimpleITK.
"""

import itertools
import shutil
import zipfile

import nibabel
import nrrd
import numpy as np
import pydicom
import SimpleITK
from pydicom.encaps import generate_frames

import library_files as files
import ours
from ours import check

# A 64-bit voxel is kept with 32 bits: a share of its value.
FLOAT_SHARE = 2.0**-24
# What is refused by design, though other libraries may read it.
REFUSED = {
    "fragments-one-item": {"pixel-data": "80 frames in one item, without offsets"},
    "fragments-wrong": {"pixel-data": "offsets that do not point at items"},
    "jpeg-12bit": {"pixel-data": "streams of 12 bits where 16 are said to be stored"},
}
# Signs of the axes of a NRRD space in LPS.
FLIPS = {"right-anterior-superior": [-1, -1, 1], "left-anterior-superior": [1, -1, 1],
         "left-posterior-superior": [1, 1, 1]}


def multi_frame(ds):
    """Affine and grey values of a multi-frame object, frames put in order along the normal."""
    affine, order, _ = files.expected_affine(ds)
    if files.syntax_of(ds) == files.BASE + ".1.98":
        # Native frames in items, which pydicom takes apart but does not decode.
        ds.PixelData = b"".join(generate_frames(ds.PixelData, number_of_frames=frames(ds)))
        ds.file_meta.TransferSyntaxUID = files.BASE + ".1"
        ds["PixelData"].is_undefined_length = False
    return affine, files.grey_values(ds)[order]


def frames(ds):
    return int(ds.NumberOfFrames)


def series(folder):
    """The same of a folder with a file a slice."""
    slices = [pydicom.dcmread(p) for p in sorted(folder.rglob("*")) if p.is_file()]
    slices = [ds for ds in slices if "PixelData" in ds or "Rows" in ds]
    for ds in slices:
        if files.syntax_of(ds) == files.BASE + ".1.98":
            ds.PixelData = next(generate_frames(ds.PixelData, number_of_frames=1))
            ds.file_meta.TransferSyntaxUID = files.BASE + ".1"
            ds["PixelData"].is_undefined_length = False
    row, column = np.array(slices[0].ImageOrientationPatient, float).reshape(2, 3)
    normal = np.cross(row, column)
    slices.sort(key=lambda ds: normal @ np.array(ds.ImagePositionPatient, float))
    ends = [np.array(slices[n].ImagePositionPatient, float) for n in (0, -1)]
    step = (ends[1] - ends[0]) / (len(slices) - 1)
    rows_mm, columns_mm = map(float, slices[0].PixelSpacing)
    affine = np.eye(4)
    affine[:3] = np.stack([row * columns_mm, column * rows_mm, step, ends[0]], axis=1)
    return affine, np.concatenate([files.grey_values(ds) for ds in slices])


def image_of(path):
    """By SimpleITK, `None` where it cannot read the form."""
    try:
        if path.is_dir():
            reader = SimpleITK.ImageSeriesReader()
            reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(path)))
            return reader.Execute()
        return SimpleITK.ReadImage(str(path))
    except RuntimeError:
        return None


def alone(path):
    folder = path.with_suffix(".alone")
    folder.mkdir()
    return path.rename(folder / path.name)


def check_dicom(forms, work):
    paths = [p for p in sorted(forms.iterdir()) if p.suffix == ".dcm" or p.is_dir()]
    paths = [p for p in paths if p.name not in ("plain", "media")] + sorted(forms.glob("plain/*/scan"))
    # A file stands for its series among the files beside it, so each gets a folder of its own.
    paths = [p if p.is_dir() else alone(p) for p in paths]
    same = multi_frame(pydicom.dcmread(forms / "plain-explicit.alone" / "plain-explicit.dcm"))
    by_itk, unread = 0, []
    for path, found in zip(paths, ours.read_all(paths, work), strict=True):
        name, by = f"form {'/'.join(path.parts[-2:])}" if path.name == "scan" else f"form {path.name}", "pydicom"
        if path.stem in REFUSED:
            files.refused_rightly(f"{name} is refused", found[0], REFUSED[path.stem])
            continue
        try:
            affine, grey = series(path) if path.is_dir() else multi_frame(pydicom.dcmread(path))
        except (StopIteration, AttributeError, ValueError):
            # Streams that pydicom cannot take apart; they were made of the same voxels.
            (affine, grey), by = same, "the plain form by pydicom, which cannot read this one"
            unread.append(path.stem)
        ours.compare(name, found, affine, grey, by)
        image = image_of(path)
        if image is None or path.name == "shuffled.dcm" or found[1] is None:
            continue
        # It takes one rescale for all frames, so that of those with their own places alone count.
        grey = SimpleITK.GetArrayFromImage(image).astype(float)
        grey = None if path.name == "rescaled.dcm" else grey
        ours.compare(name, found, ours.affine_of_image(image), grey, "SimpleITK")
        by_itk += 1
    check("pydicom reads all but one", unread == ["fragments-no-delimiter"], ", ".join(unread))
    check("forms of DICOM were compared", len(paths) >= 60 and by_itk >= 50,
          f"{len(paths)}, {by_itk} also with SimpleITK")


def check_archives(forms, work):
    scans = [forms / "media", forms / "media/DICOMDIR", forms / "stored.zip", forms / "deflated.zip"]
    affine, grey = series(forms / "explicit")
    for scan, found in zip(scans, ours.read_all(scans, work), strict=True):
        ours.compare(f"form {scan.relative_to(forms)}", found, affine, grey, "pydicom, unpacked")
    # Made by Python's zipfile from the files of one of them.
    path = work / "again.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for file in sorted((forms / "big").iterdir(), reverse=True):
            archive.write(file, f"a folder/{file.name}")
    [found] = ours.read_all([path], work)
    ours.compare("an archive by zipfile", found, affine, grey, "pydicom, unpacked")


def turns():
    """Orientations in space: oblique, along the axes in other order, with the head down, and a lean."""
    a, b = np.radians([20.0, -35.0])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_z = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])
    yield "oblique", about_z @ about_x, np.zeros(3)
    yield "sagittal", np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]]), np.zeros(3)
    yield "coronal, head down", np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]]), np.zeros(3)
    yield "sheared", about_x, np.array([0.03, -0.11, 0.0])


def check_orientations(forms, work):
    """Enhanced objects whose planes pydicom turns, against SimpleITK where it can hold them."""
    scans, expected = [], []
    for kind, (name, turn, lean) in itertools.product(["enhanced", "craniofacial"], turns()):
        ds = pydicom.dcmread(forms / f"{kind}-explicit.alone" / f"{kind}-explicit.dcm")
        count = frames(ds)
        cosines = [f"{c:.12f}" for c in [*turn[:, 0], *turn[:, 1]]]
        steps = np.round(np.outer(np.arange(count), 0.3 * turn[:, 2] + lean), 9)
        for frame, off in zip(ds.PerFrameFunctionalGroupsSequence, steps, strict=True):
            for groups in [frame, ds.SharedFunctionalGroupsSequence[0]]:
                if "PlaneOrientationSequence" in groups:
                    groups.PlaneOrientationSequence[0].ImageOrientationPatient = cosines
            frame.PlanePositionSequence[0].ImagePositionPatient = [f"{c:.9f}" for c in off + [3, -4, 5]]
        scans.append(work / f"{kind}, {name}" / "a.dcm")
        scans[-1].parent.mkdir()
        ds.save_as(scans[-1])
        affine, order, rounded = files.expected_affine(ds)
        by = "pydicom"
        if not lean.any():
            affine, by = ours.affine_of_image(image_of(scans[-1])), "SimpleITK, pydicom"
        expected.append((name, kind, affine, files.grey_values(ds)[order], by, rounded))
    answers = ours.read_all(scans, work)
    for (name, kind, affine, grey, by, rounded), found in zip(expected, answers, strict=True):
        ours.compare(f"{kind}, {name}", found, affine, grey, by, rounded_mm=rounded)


def by_nibabel(path):
    image = nibabel.load(path)
    affine = np.diag([-1, -1, 1, 1]) @ image.affine
    return affine, np.asarray(image.get_fdata(dtype=np.float64)).transpose(2, 1, 0)


def by_pynrrd(path):
    voxels, header = nrrd.read(str(path), index_order="C")
    affine = np.eye(4)
    affine[:3, :3] = np.array(header["space directions"], float).T
    affine[:3, 3] = header["space origin"]
    affine[:3] *= np.array(FLIPS[header["space"]])[:, None]
    return affine, voxels.astype(np.float64)


def check_plain(paths, title, work):
    """NIfTI and NRRD files against two readers each."""
    compared = 0
    for path, found in zip(paths, ours.read_all(paths, work), strict=True):
        name = f"{title} {path.name}"
        allowed = 0.0
        if found[1] is not None and "f64" in path.name:
            allowed = float(np.abs(found[1]).max()) * FLOAT_SHARE
        if ".nii" in path.name:
            affine, grey = by_nibabel(path)
            ours.compare(name, found, affine, grey, "nibabel", allowed)
        else:
            affine, grey = by_pynrrd(path)
            ours.compare(name, found, affine, grey, "pynrrd", allowed)
        image = image_of(path)
        if image is None:
            print(f"     {name}: SimpleITK cannot read it")
            continue
        affine, grey = ours.affine_of_image(image), SimpleITK.GetArrayFromImage(image).astype(float)
        ours.compare(name, found, affine, grey, "SimpleITK", allowed)
        compared += 1
    check(f"{title}: files were compared", compared >= 10, f"{len(paths)}, {compared} with SimpleITK")


def check_plain_forms(forms, work):
    for hand in ["right", "left"]:
        folder = forms / "plain" / hand
        paths = [p for p in sorted(folder.iterdir()) if p.suffix in (".nii", ".gz", ".nrrd", ".nhdr")
                 and ".raw" not in p.name]
        refused = [p for p in paths if p.name == "spacings.nrrd" or "ascii" in p.name]
        check_plain([p for p in paths if p not in refused], f"plain, {hand}-handed", work)
        check("other NRRD files were written", len(refused) == 7, str(len(refused)))
        for path, (answer, _) in zip(refused, ours.read_all(refused, work), strict=True):
            why = "numbers as text" if "ascii" in path.name else "spacings without directions"
            files.refused_rightly(f"plain, {hand}-handed {path.name} is refused", answer,
                                  {"bad-header": why})


def check_written_by_others(work):
    """Volumes of noise by nibabel, SimpleITK and pynrrd: kinds of number, packing, all turns of axes."""
    folder = work / "others"
    folder.mkdir()
    random = np.random.default_rng(7)
    noise = random.normal(300.0, 400.0, (7, 6, 5))
    turn = next(turns())[1]
    kinds = {"i16": np.int16, "f32": np.float32, "f64": np.float64}
    for name, kind in kinds.items():
        voxels = noise.astype(kind)
        affine = np.eye(4)
        affine[:3] = np.column_stack([turn * [0.3, 0.35, 0.4], [3.0, -20.5, 7.0]])
        for suffix in ["nii", "nii.gz"]:
            image = nibabel.Nifti1Image(voxels, affine)
            image.header.set_xyzt_units("mm")
            nibabel.save(image, folder / f"nibabel-{name}.{suffix}")
        image = SimpleITK.GetImageFromArray(voxels)
        image.SetSpacing([0.3, 0.35, 0.4])
        image.SetOrigin([3.0, -20.5, 7.0])
        image.SetDirection(turn.ravel().tolist())
        for suffix, packed in [("nii", False), ("nii.gz", True), ("nrrd", False), ("gz.nrrd", True)]:
            SimpleITK.WriteImage(image, folder / f"itk-{name}.{suffix}", packed)
        header = {"space": "right-anterior-superior", "space directions": affine[:3, :3].T,
                  "space origin": affine[:3, 3], "kinds": ["domain"] * 3}
        for encoding in ["raw", "gzip"]:
            path = folder / f"pynrrd-{name}-{encoding}.nrrd"
            nrrd.write(str(path), voxels, {**header, "encoding": encoding})
    for order in itertools.permutations(range(3)):
        for signs in itertools.product([1, -1], repeat=3):
            affine = np.eye(4)
            affine[:3, :3] = (np.eye(3)[list(order)] * signs) * [0.3, 0.35, 0.4]
            axes = "".join(nibabel.aff2axcodes(affine))
            image = nibabel.Nifti1Image(noise.astype(np.int16), affine)
            image.header.set_xyzt_units("mm")
            nibabel.save(image, folder / f"axes-{axes}.nii")
    paths = sorted(folder.iterdir())
    check("all turns of axes were written", len(paths) == 48 + 3 * 8, str(len(paths)))
    check_plain(paths, "by others,", work)


def check_forms(work):
    forms = work / "forms"
    ours.run_example("write_forms", forms, package="jawgauge-phantom")
    check_dicom(forms, work)
    check_archives(forms, work)
    check_orientations(forms, work)
    check_plain_forms(forms, work)
    check_written_by_others(work)
    shutil.rmtree(forms)
