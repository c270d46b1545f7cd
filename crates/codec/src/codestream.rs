//! The headers of JPEG 2000 codestreams (ITU-T T.800 annex A; T.814 leaves them as they are).

use crate::CodecError;

const SOC: u16 = 0xFF4F;
const SIZ: u16 = 0xFF51;
const COD: u16 = 0xFF52;
const COC: u16 = 0xFF53;
const PPM: u16 = 0xFF60;
const PPT: u16 = 0xFF61;
const SOT: u16 = 0xFF90;
const SOD: u16 = 0xFF93;
const EOC: u16 = 0xFFD9;

/// Where the length of a part of a tile stands in it (section A.4.2).
const PSOT: usize = 6;

/// The irreversible wavelet is transformation 0, the reversible one 1 (T.800 table A.20).
const IRREVERSIBLE: u8 = 0;

/// Tiles that a picture of any size may have, and precincts and code blocks that a tile may have,
/// and samples that each must have on average beyond that: every one costs memory (a block about
/// 440 bytes, as measured), whatever the stream holds. The decoder keeps one tile at a time.
const FREE_PARTS: u64 = 4096;
const SAMPLES_PER_TILE: u64 = 4096;
const SAMPLES_PER_PRECINCT: u64 = 256;
const SAMPLES_PER_BLOCK: u64 = 64;

/// Packets (precincts times quality layers, section B.9) that a picture of any size may have, and
/// one more for each sample; and code blocks, with more as above: every one costs time.
const FREE_PACKETS: u64 = 1 << 20;
const FREE_BLOCKS: u64 = 1 << 20;

/// What a codestream says of its picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Picture {
    pub(crate) rows: u32,
    pub(crate) columns: u32,
    pub(crate) components: u32,
    pub(crate) bits: u32,
    pub(crate) signed: bool,
}

/// What the coding styles up to here say.
#[derive(Default)]
struct Style {
    /// Whether the wavelet is reversible, `None` before the first style.
    reversible: Option<bool>,
    /// The fewest levels.
    levels: u8,
    /// The most layers.
    layers: u16,
}

/// Where it lies on the reference grid, and its tiles (section B.3).
struct Grid {
    picture: Picture,
    left: u32,
    top: u32,
    tile_rows: u32,
    tile_columns: u32,
    tiles: u32,
}

/// Reads numbers, the highest byte first.
struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], CodecError> {
        let found = self.bytes.get(self.at..).and_then(|b| b.first_chunk::<N>());
        self.at += N;
        found.copied().ok_or(CodecError::Truncated)
    }

    fn byte(&mut self) -> Result<u8, CodecError> {
        self.take().map(|[byte]: [u8; 1]| byte)
    }

    fn short(&mut self) -> Result<u16, CodecError> {
        self.take().map(u16::from_be_bytes)
    }

    fn long(&mut self) -> Result<u32, CodecError> {
        self.take().map(u32::from_be_bytes)
    }

    /// The body of a marker segment.
    fn body(&mut self) -> Result<Reader<'a>, CodecError> {
        let length = usize::from(self.short()?);
        let start = self.at;
        self.at += length.checked_sub(2).ok_or(CodecError::Damaged("a segment has no length"))?;
        let bytes = self.bytes.get(start..self.at).ok_or(CodecError::Truncated)?;
        Ok(Reader { bytes, at: 0 })
    }
}

/// The first segment, that of the size (section A.5.1): read before anything else.
pub(crate) fn picture_of(stream: &[u8]) -> Result<Picture, CodecError> {
    grid(&mut Reader { bytes: stream, at: 0 }).map(|grid| grid.picture)
}

fn grid(reader: &mut Reader<'_>) -> Result<Grid, CodecError> {
    if (reader.short(), reader.short()) != (Ok(SOC), Ok(SIZ)) {
        return Err(CodecError::NotSuch { expected: "a JPEG 2000 codestream" });
    }
    let mut siz = reader.body()?;
    siz.short()?;
    let (right, bottom, left, top) = (siz.long()?, siz.long()?, siz.long()?, siz.long()?);
    let (tile_columns, tile_rows) = (siz.long()?, siz.long()?);
    let (tile_left, tile_top) = (siz.long()?, siz.long()?);
    let components = u32::from(siz.short()?);
    let (depth, steps) = (siz.byte()?, [siz.byte()?, siz.byte()?]);
    // Section B.3: the first tile holds the first sample.
    let holds_first = |first: u32, tile: u32, size: u32| {
        tile <= first && u64::from(tile) + u64::from(size) > first.into()
    };
    if right <= left
        || bottom <= top
        || !holds_first(left, tile_left, tile_columns)
        || !holds_first(top, tile_top, tile_rows)
    {
        return Err(CodecError::Damaged("its size and its tiles contradict each other"));
    }
    if steps != [1, 1] {
        return Err(CodecError::Unsupported("a JPEG 2000 component of reduced size"));
    }
    let picture = Picture {
        rows: bottom - top,
        columns: right - left,
        components,
        bits: u32::from(depth & 0x7F) + 1,
        signed: depth & 0x80 != 0,
    };
    let across = u64::from((right - tile_left).div_ceil(tile_columns));
    let down = u64::from((bottom - tile_top).div_ceil(tile_rows));
    within(across * down, FREE_PARTS + samples(&picture) / SAMPLES_PER_TILE)?;
    let tiles = u32::try_from(across * down).unwrap_or(u32::MAX);
    Ok(Grid { picture, left, top, tile_rows, tile_columns, tiles })
}

impl Grid {
    /// The most times that the picture can be halved, up to `levels`, and keep a sample (section
    /// B.5): a narrow one that does not begin at 0 may lose its last before.
    fn halvings(&self, levels: u8) -> u8 {
        let kept = |first: u32, side: u32, n: u8| {
            let after = |at: u64| at.div_ceil(1 << n);
            after(u64::from(first) + u64::from(side)) > after(first.into())
        };
        let Picture { rows, columns, .. } = self.picture;
        let whole = |n: &u8| kept(self.left, columns, *n) && kept(self.top, rows, *n);
        (0..=levels).rev().find(whole).unwrap_or(0)
    }
}

fn samples(picture: &Picture) -> u64 {
    u64::from(picture.rows) * u64::from(picture.columns)
}

fn within(found: u64, most: u64) -> Result<(), CodecError> {
    if found > most {
        return Err(CodecError::Damaged("it has more parts than its size allows"));
    }
    Ok(())
}

/// A codestream whose headers hold together.
pub(crate) struct Checked {
    /// Whether the wavelet is reversible throughout.
    pub(crate) reversible: bool,
    /// How often the picture can be halved.
    pub(crate) halvings: u8,
    /// The stream with [`NO_PACKET`] behind each tile.
    pub(crate) ended: Vec<u8>,
}

/// The header of a packet that cannot be (section B.10: not empty, each code block in it, and more
/// than 32 bits for its length). The decoder takes packets that are missing at the end of a tile
/// for empty ones, and leaves alone what comes after the last. With this behind it a tile that
/// lacks packets does not decode.
const NO_PACKET: [u8; 32] = {
    let mut ones = [0xFF; 32];
    let mut at = 1;
    while at < ones.len() {
        // The bit behind 0xFF is a stuffed zero (section B.10.1).
        ones[at] = 0x7F;
        at += 2;
    }
    ones
};

/// The parts of a tile up to here.
#[derive(Clone, Default)]
struct Tile {
    came: u16,
    /// How many there are, where a part says so, or 0.
    said: u8,
    /// The last one: where it lies, and whether it says how long it is.
    start: usize,
    end: usize,
    measured: bool,
}

/// Walks through the headers up to the end marker: every part of every tile must be there, in
/// full.
pub(crate) fn check(stream: &[u8]) -> Result<Checked, CodecError> {
    let mut reader = Reader { bytes: stream, at: 0 };
    let grid = grid(&mut reader)?;
    let mut style = Style::default();
    let mut tiles = vec![Tile::default(); grid.tiles as usize];
    loop {
        match reader.short()? {
            SOT => tile_part(&mut reader, &mut tiles, &grid, &mut style)?,
            EOC => break,
            SOD => return Err(CodecError::Damaged("a marker stands where none should")),
            marker => segment(marker, &mut reader, &grid, &mut style)?,
        }
    }
    if tiles.iter().any(|t| t.came == 0 || (t.said > 0 && t.came != t.said.into())) {
        return Err(CodecError::Truncated);
    }
    if reader.at != stream.len() {
        return Err(CodecError::Damaged("bytes stand behind the end of its image"));
    }
    let reversible = style.reversible.ok_or(CodecError::Damaged("it has no coding style"))?;
    let halvings = grid.halvings(style.levels);
    Ok(Checked { reversible, halvings, ended: with_ends(stream, tiles) })
}

/// Puts [`NO_PACKET`] behind each tile.
fn with_ends(stream: &[u8], mut tiles: Vec<Tile>) -> Vec<u8> {
    tiles.sort_unstable_by_key(|tile| tile.end);
    let mut whole = Vec::with_capacity(stream.len() + tiles.len() * NO_PACKET.len());
    let mut from = 0;
    for tile in tiles {
        whole.extend(&stream[from..tile.end]);
        let length = tile.end - tile.start;
        if let Ok(longer) = u32::try_from(length + NO_PACKET.len())
            && tile.measured
        {
            let at = whole.len() - length + PSOT;
            whole[at..at + 4].copy_from_slice(&longer.to_be_bytes());
        }
        whole.extend(NO_PACKET);
        from = tile.end;
    }
    whole.extend(&stream[from..]);
    whole
}

/// A part of a tile (section A.4.2), up to its end.
fn tile_part(
    reader: &mut Reader<'_>,
    tiles: &mut [Tile],
    grid: &Grid,
    style: &mut Style,
) -> Result<(), CodecError> {
    let start = reader.at - 2;
    let mut sot = reader.body()?;
    let (number, length) = (sot.short()?, sot.long()? as usize);
    let (place, said) = (sot.byte()?, sot.byte()?);
    let tile = tiles
        .get_mut(usize::from(number))
        .ok_or(CodecError::Damaged("it has more tiles than its size allows"))?;
    if tile.came != place.into() {
        return Err(CodecError::Damaged("a part of a tile is missing or out of turn"));
    }
    tile_header(reader, grid, style)?;
    // Without a length it goes on up to the end marker.
    let measured = length > 0;
    let end =
        if measured { start.saturating_add(length) } else { reader.bytes.len().saturating_sub(2) };
    if end < reader.at {
        return Err(CodecError::Damaged("a part of a tile is shorter than its header"));
    }
    *tile = Tile { came: tile.came + 1, said: said.max(tile.said), start, end, measured };
    reader.at = end;
    Ok(())
}

/// Up to the bits of a part of a tile.
fn tile_header(reader: &mut Reader<'_>, grid: &Grid, style: &mut Style) -> Result<(), CodecError> {
    loop {
        match reader.short()? {
            SOD => return Ok(()),
            SOT | EOC => return Err(CodecError::Damaged("a part of a tile has no data")),
            marker => segment(marker, reader, grid, style)?,
        }
    }
}

fn segment(
    marker: u16,
    reader: &mut Reader<'_>,
    grid: &Grid,
    style: &mut Style,
) -> Result<(), CodecError> {
    match marker {
        ..=0xFF00 => return Err(CodecError::Damaged("a marker is missing")),
        // Markers of their own, without a segment (section A.1.3).
        0xFF30..=0xFF3F => return Ok(()),
        _ => {}
    }
    let mut body = reader.body()?;
    match marker {
        COD => {
            let flags = body.byte()?;
            body.byte()?;
            style.layers = style.layers.max(body.short()?);
            body.byte()?;
            style.take(&mut body, flags, grid)
        }
        COC => {
            // A single component has an index of one byte (table A.22).
            body.byte()?;
            let flags = body.byte()?;
            style.take(&mut body, flags, grid)
        }
        PPM | PPT => Err(CodecError::Unsupported("JPEG 2000 with its packet headers in one place")),
        _ => Ok(()),
    }
}

impl Style {
    /// The parameters that COD and COC share (tables A.20 and A.21).
    fn take(&mut self, body: &mut Reader<'_>, flags: u8, grid: &Grid) -> Result<(), CodecError> {
        let (levels, width, height) = (body.byte()?, body.byte()?, body.byte()?);
        body.byte()?;
        let wavelet = body.byte()?;
        // Up to 32 levels; code blocks of 4 to 1024 samples a side, 4096 in all.
        if levels > 32 || width > 8 || height > 8 || width + height > 8 || wavelet > 1 {
            return Err(CodecError::Damaged("its coding style is out of range"));
        }
        self.levels = if self.reversible.is_some() { self.levels.min(levels) } else { levels };
        self.reversible = Some(self.reversible.unwrap_or(true) && wavelet != IRREVERSIBLE);
        let columns = u64::from(grid.tile_columns.min(grid.picture.columns));
        let rows = u64::from(grid.tile_rows.min(grid.picture.rows));
        let (mut precincts, mut blocks) = (0, 0);
        for level in (0..=levels).rev() {
            // Without sizes of their own precincts are 2^15 samples wide and high.
            let size = if flags & 1 == 0 { 0xFF } else { body.byte()? };
            // Two more, as they do not begin where the tile does.
            let parts = |side: u64, level: u8, bits: u8| (side >> level >> bits) + 2;
            precincts += parts(columns, level, size & 15) * parts(rows, level, size >> 4);
            // Section B.7: blocks are no larger than the precinct's part of a band, of which all
            // levels but the lowest have three of half the size.
            let (bands, half) = if level == levels { (1, 0) } else { (3, 1) };
            let (Some(across), Some(down)) =
                ((size & 15).checked_sub(half), (size >> 4).checked_sub(half))
            else {
                return Err(CodecError::Damaged("its coding style is out of range"));
            };
            blocks += bands
                * parts(columns, level + half, across.min(width + 2))
                * parts(rows, level + half, down.min(height + 2));
        }
        within(precincts, FREE_PARTS + columns * rows / SAMPLES_PER_PRECINCT)?;
        within(blocks, FREE_PARTS + columns * rows / SAMPLES_PER_BLOCK)?;
        let (picture, tiles) = (samples(&grid.picture), u64::from(grid.tiles));
        within(precincts * tiles * u64::from(self.layers.max(1)), FREE_PACKETS + picture)?;
        within(blocks * tiles, FREE_BLOCKS + picture / SAMPLES_PER_BLOCK)
    }
}
