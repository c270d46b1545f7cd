use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::PathBuf;
use std::sync::Arc;

use flate2::bufread::MultiGzDecoder;

use crate::archive::Archive;
use crate::inflate::{Inflate, Packed};

/// The most that deflated bytes can grow by: 258 bytes from two bits (RFC 1951 section
/// 3.2.5), 1032 to 1.
const INFLATES_TO: u64 = 1032;

/// Where the bytes of a file stand.
#[derive(Debug, Clone)]
pub(crate) enum Place {
    /// A file of its own.
    File(PathBuf),
    /// A member of an archive, by its number there.
    Member(Arc<Archive>, usize),
}

/// A file, its length, and the name that messages use for it: relative to the scan, escaped.
#[derive(Debug, Clone)]
pub(crate) struct ScanFile {
    pub(crate) place: Place,
    pub(crate) name: String,
    pub(crate) length: u64,
}

/// How the wanted bytes lie in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Layer {
    /// As they are.
    Plain,
    /// Deflated from this byte on; offsets count from the file's first byte as if it had
    /// been inflated in place.
    Deflated(u64),
    /// Gzipped from this byte on; offsets count in what it unpacks to.
    Gzip(u64),
}

impl ScanFile {
    /// Whether any byte can be reached without reading those before it.
    pub(crate) fn is_random(&self) -> bool {
        matches!(self.place, Place::File(_))
    }

    /// The file from its first byte.
    pub(crate) fn open(&self) -> io::Result<Stream> {
        Ok(match &self.place {
            Place::File(path) => Stream::File(BufReader::new(File::open(path)?)),
            Place::Member(archive, index) => {
                Stream::Flow(BufReader::new(Box::new(archive.member(*index)?)))
            }
        })
    }

    /// What is below a layer, from `offset` on.
    pub(crate) fn open_at(&self, layer: Layer, offset: u64) -> io::Result<Stream> {
        let mut stream = self.open()?;
        let skip = match layer {
            Layer::Plain => offset,
            Layer::Gzip(from) => {
                stream.skip(from)?;
                stream =
                    Stream::Flow(BufReader::new(Box::new(MultiGzDecoder::new(stream.buffered()))));
                offset
            }
            Layer::Deflated(from) => {
                stream.skip(from)?;
                stream = Stream::Flow(BufReader::new(Box::new(Inflate::new(stream.buffered()))));
                offset.saturating_sub(from)
            }
        };
        stream.skip(skip)?;
        Ok(stream)
    }

    /// The longest that the file can be below a layer, bytes.
    pub(crate) fn longest(&self, layer: Layer) -> u64 {
        match layer {
            Layer::Plain => self.length,
            Layer::Gzip(from) => self.length.saturating_sub(from).saturating_mul(INFLATES_TO),
            Layer::Deflated(from) => {
                from.saturating_add(self.length.saturating_sub(from).saturating_mul(INFLATES_TO))
            }
        }
    }
}

/// Bytes one after the other.
pub(crate) enum Stream {
    File(BufReader<File>),
    Flow(Packed),
}

impl Stream {
    /// Steps over bytes; where a file ends before that is only seen by the next read.
    pub(crate) fn skip(&mut self, bytes: u64) -> io::Result<()> {
        match self {
            Self::File(file) => match i64::try_from(bytes) {
                Ok(step) => file.seek_relative(step),
                Err(_) => file.seek(SeekFrom::End(0)).map(|_| ()),
            },
            Self::Flow(flow) => {
                io::copy(&mut flow.by_ref().take(bytes), &mut io::sink()).map(|_| ())
            }
        }
    }

    fn buffered(self) -> Packed {
        match self {
            Self::File(file) => BufReader::new(Box::new(file)),
            Self::Flow(flow) => flow,
        }
    }
}

impl Read for Stream {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.read(to),
            Self::Flow(flow) => flow.read(to),
        }
    }
}
