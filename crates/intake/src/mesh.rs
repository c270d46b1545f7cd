//! Surfaces of DICOM objects as triangles (PS3.3, Surface Mesh module).

use dicom_core::Tag;
use dicom_dictionary_std::tags;

use crate::cursor::{Cursor, Header, UNDEFINED};
use crate::source::Stream;
use crate::template::Triangle;
use crate::walk::{WalkFault, broken};

/// Triangle Point Index List and Primitive Point Index List, retired: numbers of two bytes.
const TRIANGLES_OF_TWO_BYTES: Tag = Tag(0x0066, 0x0023);
const PART_OF_TWO_BYTES: Tag = Tag(0x0066, 0x0029);

/// A surface before it is put together.
#[derive(Debug, Default, Clone, PartialEq)]
pub(crate) struct MeshSurface {
    /// Surface Number (0066,0003).
    pub(crate) number: Option<u32>,
    /// Number of Surface Points (0066,0015).
    claimed: Option<u32>,
    /// Coordinates, one after the other, mm.
    coordinates: Vec<f64>,
    /// Three numbers of points for each triangle, from 1.
    triangles: Vec<u32>,
    /// Of each strip the numbers of its points, each three a triangle.
    strips: Vec<Vec<u32>>,
    /// Of each fan the numbers of its points, each two with the first a triangle.
    fans: Vec<Vec<u32>>,
}

/// The items of Surface Sequence (0066,0002).
pub(crate) fn read_surfaces(
    cursor: &mut Cursor<Stream>,
    tag: Tag,
    header: &Header,
) -> Result<Vec<MeshSurface>, WalkFault> {
    let mut surfaces = Vec::new();
    cursor.items(tag, header, 0, |cursor, end| {
        let mut surface = MeshSurface::default();
        cursor.elements(tag, end, |cursor, inner, header| match inner {
            tags::SURFACE_NUMBER => {
                surface.number = numbers(cursor, inner, header, 4)?.first().copied();
                Ok(())
            }
            tags::SURFACE_POINTS_SEQUENCE | tags::SURFACE_MESH_PRIMITIVES_SEQUENCE => {
                cursor.items(inner, header, 1, |cursor, end| {
                    cursor.elements(inner, end, |cursor, leaf, header| {
                        surface.take(cursor, leaf, header)
                    })
                })
            }
            _ => cursor.skip_value(inner, header, 1),
        })?;
        surfaces.push(surface);
        Ok(())
    })?;
    Ok(surfaces)
}

impl MeshSurface {
    /// Takes an attribute of the points or of what joins them.
    fn take(
        &mut self,
        cursor: &mut Cursor<Stream>,
        tag: Tag,
        header: &Header,
    ) -> Result<(), WalkFault> {
        match tag {
            tags::NUMBER_OF_SURFACE_POINTS => {
                self.claimed = numbers(cursor, tag, header, 4)?.first().copied();
            }
            tags::POINT_COORDINATES_DATA => {
                let bits = numbers(cursor, tag, header, 4)?;
                self.coordinates = bits.into_iter().map(|b| f64::from(f32::from_bits(b))).collect();
            }
            tags::LONG_TRIANGLE_POINT_INDEX_LIST => {
                self.triangles.extend(numbers(cursor, tag, header, 4)?);
            }
            TRIANGLES_OF_TWO_BYTES => {
                self.triangles.extend(numbers(cursor, tag, header, 2)?);
            }
            tags::TRIANGLE_STRIP_SEQUENCE => self.strips = parts(cursor, tag, header)?,
            tags::TRIANGLE_FAN_SEQUENCE => self.fans = parts(cursor, tag, header)?,
            _ => cursor.skip_value(tag, header, 2)?,
        }
        Ok(())
    }
}

/// The lists of points of strips or fans.
fn parts(
    cursor: &mut Cursor<Stream>,
    tag: Tag,
    header: &Header,
) -> Result<Vec<Vec<u32>>, WalkFault> {
    let mut parts = Vec::new();
    cursor.items(tag, header, 2, |cursor, end| {
        cursor.elements(tag, end, |cursor, leaf, header| {
            match leaf {
                tags::LONG_PRIMITIVE_POINT_INDEX_LIST => {
                    parts.push(numbers(cursor, leaf, header, 4)?);
                }
                PART_OF_TWO_BYTES => parts.push(numbers(cursor, leaf, header, 2)?),
                _ => cursor.skip_value(leaf, header, 3)?,
            }
            Ok(())
        })
    })?;
    Ok(parts)
}

/// Numbers of two or four bytes.
fn numbers(
    cursor: &mut Cursor<Stream>,
    tag: Tag,
    header: &Header,
    width: usize,
) -> Result<Vec<u32>, WalkFault> {
    if header.length == UNDEFINED {
        return Err(broken(cursor.at, format!("attribute {tag} has no length")));
    }
    let mut bytes = Vec::new();
    cursor.copy(header.length, tag, &mut bytes)?;
    let coding = cursor.coding;
    if width == 4 {
        return Ok(bytes.as_chunks::<4>().0.iter().map(|b| coding.u32(*b)).collect());
    }
    let mut list: Vec<u32> =
        bytes.as_chunks::<2>().0.iter().map(|b| u32::from(coding.u16(*b))).collect();
    // Points count from 1: a 0 at the end fills the list up.
    list.pop_if(|last| *last == 0);
    Ok(list)
}

/// The triangles of a surface, or why it has none that can be used.
pub(crate) fn triangles_of(surface: &MeshSurface) -> Result<Vec<Triangle>, String> {
    let (points, rest) = surface.coordinates.as_chunks::<3>();
    let claimed = surface.claimed.map(|n| n as usize);
    if !rest.is_empty() || claimed.is_some_and(|claimed| claimed != points.len()) {
        return Err(format!(
            "{} coordinates do not make {} points",
            surface.coordinates.len(),
            claimed.map_or_else(|| "whole".to_owned(), |n| n.to_string())
        ));
    }
    let (threes, rest) = surface.triangles.as_chunks::<3>();
    if !rest.is_empty() {
        return Err(format!("{} numbers do not make triangles", surface.triangles.len()));
    }
    let strips = surface.strips.iter().flat_map(|s| s.windows(3).map(|w| [w[0], w[1], w[2]]));
    let fans = surface.fans.iter().flat_map(|f| {
        let (first, rest) = f.split_first().unwrap_or((&0, &[]));
        rest.windows(2).map(|w| [*first, w[0], w[1]]).collect::<Vec<_>>()
    });
    let triangles = threes.iter().copied().chain(strips).chain(fans);
    let corner = |number: u32| {
        let index = (number as usize).checked_sub(1);
        let point = index.and_then(|n| points.get(n));
        point.filter(|p| p.iter().all(|c| c.is_finite())).copied().ok_or_else(|| {
            format!("a triangle asks for point {number}, of {} from 1", points.len())
        })
    };
    let triangles = triangles
        .map(|t| Ok([corner(t[0])?, corner(t[1])?, corner(t[2])?]))
        .collect::<Result<Vec<_>, String>>()?;
    if triangles.is_empty() {
        return Err("it has no triangles".to_owned());
    }
    Ok(triangles)
}
