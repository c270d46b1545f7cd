use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;

use zip::ZipArchive;

use crate::IntakeError;
use crate::attribute::escaped;
use crate::error::open_error;
use crate::folder::{SkipReason, Skipped, shown};
use crate::inflate::Inflate;
use crate::source::{Place, ScanFile};

/// An archive with more members than this is refused; a scan has some thousands.
const MOST_MEMBERS: usize = 100_000;
/// Members that claim to unpack to more than this in all are refused, bytes.
const MOST_BYTES: u64 = 1 << 36;
/// A member that claims to be this many times its packed size is no scan: deflated bytes
/// cannot grow by more.
const MOST_GROWTH: u64 = 1100;

/// A `.zip` archive whose members are read one by one, never unpacked to disk.
#[derive(Debug)]
pub(crate) struct Archive {
    zip: ZipArchive<Shared>,
}

impl Archive {
    /// A member's bytes, unpacked as they are read.
    pub(crate) fn member(self: &Arc<Self>, index: usize) -> io::Result<impl Read + Send + 'static> {
        let (start, packed, deflated, checksum) = {
            let mut zip = self.zip.clone();
            let member = zip.by_index_raw(index).map_err(|e| io::Error::other(e.to_string()))?;
            let deflated = match member.compression() {
                zip::CompressionMethod::Stored => false,
                zip::CompressionMethod::Deflated => true,
                other => {
                    return Err(io::Error::new(io::ErrorKind::Unsupported, other.to_string()));
                }
            };
            let start = member.data_start();
            let start = start.ok_or_else(|| io::Error::other("member without data"))?;
            (start, member.compressed_size(), deflated, member.crc32())
        };
        let mut file = self.zip.clone().into_inner();
        file.seek(SeekFrom::Start(start))?;
        let bytes: Box<dyn Read + Send> = Box::new(file.take(packed));
        let bytes = io::BufReader::new(bytes);
        let reader: Box<dyn Read + Send> =
            if deflated { Box::new(Inflate::new(bytes)) } else { Box::new(bytes) };
        Ok(Checked { reader, crc: flate2::Crc::new(), checksum })
    }
}

/// Bytes that are held against their checksum at their end.
struct Checked {
    reader: Box<dyn Read + Send>,
    crc: flate2::Crc,
    checksum: u32,
}

impl Read for Checked {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        let read = self.reader.read(to)?;
        self.crc.update(&to[..read]);
        if read == 0 && !to.is_empty() && self.crc.sum() != self.checksum {
            return Err(io::ErrorKind::InvalidData.into());
        }
        Ok(read)
    }
}

/// A file that several readers share, each with its own place in it.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    file: Arc<File>,
    at: u64,
    length: u64,
}

impl Read for Shared {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        let read = read_at(&self.file, to, self.at)?;
        self.at += read as u64;
        Ok(read)
    }
}

impl Seek for Shared {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.length.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        Ok(self.at)
    }
}

#[cfg(unix)]
pub(crate) fn read_at(file: &File, to: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, to, at)
}

#[cfg(windows)]
pub(crate) fn read_at(file: &File, to: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, to, at)
}

/// Fills `to` from a place in a file.
pub(crate) fn read_exact_at(file: &File, mut to: &mut [u8], mut at: u64) -> io::Result<()> {
    while !to.is_empty() {
        match read_at(file, to, at) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(read) => {
                to = &mut to[read..];
                at += read as u64;
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(())
}

/// Whether a file starts as a `.zip` archive does: a member, or the end of an empty one.
pub(crate) fn is_archive(head: &[u8]) -> bool {
    head.starts_with(b"PK\x03\x04") || head.starts_with(b"PK\x05\x06")
}

/// The members of an archive. Names serve only for messages: nothing is written anywhere.
pub(crate) fn list_members(path: &Path) -> Result<(Vec<ScanFile>, Skipped), IntakeError> {
    let name = shown(path, path);
    let open = |e: &io::Error| open_error(name.clone(), e);
    let refused = |reason: String| IntakeError::Archive { file: name.clone(), reason };
    let file = File::open(path).map_err(|e| open(&e))?;
    let length = file.metadata().map_err(|e| open(&e))?.len();
    let shared = Shared { file: Arc::new(file), at: 0, length };
    let mut zip = ZipArchive::new(shared).map_err(|e| refused(escaped(&e.to_string())))?;
    if zip.len() > MOST_MEMBERS {
        return Err(refused(format!(
            "it has {} members, at most {MOST_MEMBERS} are read",
            zip.len()
        )));
    }
    if zip.has_duplicate_names() {
        return Err(refused("two of its members have the same name".to_owned()));
    }
    let (mut members, mut skipped) = (Vec::new(), Skipped::new());
    let mut total = 0_u64;
    for index in 0..zip.len() {
        let member = zip.by_index_raw(index).map_err(|e| refused(escaped(&e.to_string())))?;
        if member.is_dir() {
            continue;
        }
        let name = String::from_utf8_lossy(member.name_raw()).into_owned();
        let shown = escaped(&name);
        if member.encrypted() {
            return Err(refused(format!("its member {shown} is encrypted")));
        }
        let (packed, size) = (member.compressed_size(), member.size());
        if size > packed.saturating_mul(MOST_GROWTH).saturating_add(1024) {
            return Err(refused(format!("its member {shown} claims {size} bytes from {packed}")));
        }
        total = total.saturating_add(size);
        if total > MOST_BYTES {
            return Err(refused(format!("it claims more than {MOST_BYTES} bytes unpacked")));
        }
        let reason = if member.is_symlink() {
            Some(SkipReason::Hidden)
        } else if size == 0 {
            Some(SkipReason::Empty)
        } else {
            None
        };
        match reason {
            Some(reason) => *skipped.entry(reason).or_default() += 1,
            None => members.push((index, shown, size)),
        }
    }
    let archive = Arc::new(Archive { zip });
    let file = |(index, name, length)| ScanFile {
        place: Place::Member(archive.clone(), index),
        name,
        length,
    };
    Ok((members.into_iter().map(file).collect(), skipped))
}
