//! Buffered bytes of a file whose length is known, and its lines of text.
//!
//! No reader ever holds a whole file: this block buffer is all that is kept.

use std::io::{self, BufRead, Read, Seek, SeekFrom};

use super::FileFormat;
use super::error::{Place, Problem};

/// Bytes kept at a time; also the longest line of text that is read.
pub(super) const BLOCK: usize = 1 << 20;

/// Anything a scan can be read from.
pub(super) trait ReadSeek: Read + Seek {}
impl<T: Read + Seek + ?Sized> ReadSeek for T {}

/// A block-buffered file.
pub(super) struct Source<'a> {
    inner: &'a mut dyn ReadSeek,
    len: u64,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// File offset of `buffer[end]`.
    offset: u64,
}

impl<'a> Source<'a> {
    pub(super) fn new(inner: &'a mut dyn ReadSeek) -> io::Result<Self> {
        let len = inner.seek(SeekFrom::End(0))?;
        inner.seek(SeekFrom::Start(0))?;
        Ok(Self { inner, len, buffer: Vec::new(), start: 0, end: 0, offset: 0 })
    }

    /// The file's length, bytes.
    pub(super) fn len(&self) -> u64 {
        self.len
    }

    /// File offset of the next byte.
    pub(super) fn position(&self) -> u64 {
        self.offset - (self.end - self.start) as u64
    }

    /// Bytes from here to the end of the file.
    pub(super) fn remaining(&self) -> u64 {
        self.len.saturating_sub(self.position())
    }

    /// At least `want` bytes (at most [`BLOCK`]), fewer only at the end of the file.
    pub(super) fn fill(&mut self, want: usize) -> io::Result<&[u8]> {
        let want = want.min(BLOCK);
        if self.end - self.start < want {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
            // A small file gets a small buffer.
            let size = BLOCK.min(usize::try_from(self.len).unwrap_or(BLOCK).max(want));
            self.buffer.resize(size.max(self.end), 0);
            while self.end < want {
                match self.inner.read(&mut self.buffer[self.end..]) {
                    Ok(0) => break,
                    Ok(count) => {
                        self.end += count;
                        self.offset += count as u64;
                    }
                    Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                    Err(e) => return Err(e),
                }
            }
        }
        Ok(&self.buffer[self.start..self.end])
    }

    /// Passes over bytes that [`Self::fill`] gave.
    pub(super) fn advance(&mut self, count: usize) {
        self.start = (self.start + count).min(self.end);
    }

    /// Passes over `count` bytes of the file.
    pub(super) fn skip(&mut self, count: u64) -> io::Result<()> {
        self.seek_to(self.position().saturating_add(count))
    }

    /// Goes to a byte of the file.
    pub(super) fn seek_to(&mut self, offset: u64) -> io::Result<()> {
        let here = self.position();
        if offset >= here && offset <= self.offset {
            self.start += (offset - here) as usize;
        } else {
            self.inner.seek(SeekFrom::Start(offset))?;
            (self.start, self.end, self.offset) = (0, 0, offset);
        }
        Ok(())
    }

    /// The unbuffered file, at its start, for a library that buffers by itself.
    pub(super) fn into_inner(self) -> io::Result<&'a mut dyn ReadSeek> {
        self.inner.seek(SeekFrom::Start(0))?;
        Ok(self.inner)
    }
}

impl Read for Source<'_> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let available = self.fill_buf()?;
        let count = available.len().min(out.len());
        out[..count].copy_from_slice(&available[..count]);
        self.advance(count);
        Ok(count)
    }
}

impl BufRead for Source<'_> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        self.fill(1)
    }

    fn consume(&mut self, count: usize) {
        self.advance(count);
    }
}

/// The lines of a text file. Ends of line may be LF, CR LF or CR.
pub(super) struct Lines<'a, 'b> {
    source: &'b mut Source<'a>,
    format: FileFormat,
    terminator: Option<u8>,
    number: u64,
    pending: usize,
    unterminated: bool,
}

impl<'a, 'b> Lines<'a, 'b> {
    /// Lines from here on; `number` lines were read before.
    pub(super) fn new(source: &'b mut Source<'a>, format: FileFormat, number: u64) -> Self {
        Self { source, format, terminator: None, number, pending: 0, unterminated: false }
    }

    /// The number of the line last returned, from 1.
    #[cfg(test)]
    pub(super) fn number(&self) -> u64 {
        self.number
    }

    /// Whether the last line returned had no end of line: the file may be cut there.
    pub(super) fn unterminated(&self) -> bool {
        self.unterminated
    }

    /// An error about the line last returned.
    pub(super) fn malformed(&self, problem: impl Into<String>) -> Problem {
        Problem::Malformed { format: self.format, place: Place::Line(self.number), problem: problem.into() }
    }

    /// The next line without its end, or `None` after the last.
    pub(super) fn next_line(&mut self) -> Result<Option<&[u8]>, Problem> {
        self.source.advance(std::mem::take(&mut self.pending));
        let terminator = match self.terminator {
            Some(t) => t,
            None => {
                let block = self.source.fill(BLOCK)?;
                let t = if block.contains(&b'\n') { b'\n' } else { b'\r' };
                *self.terminator.insert(t)
            }
        };
        // Look in what is buffered first: refilling moves bytes.
        let mut found = self.source.fill(1)?.iter().position(|&b| b == terminator);
        if found.is_none() {
            found = self.source.fill(BLOCK)?.iter().position(|&b| b == terminator);
        }
        let block = self.source.fill(1)?;
        if block.is_empty() {
            return Ok(None);
        }
        self.number += 1;
        let length = match found {
            Some(at) => at,
            None if block.len() >= BLOCK => {
                return Err(Problem::Malformed {
                    format: self.format,
                    place: Place::Line(self.number),
                    problem: format!("a line longer than {BLOCK} bytes, which no text scan has,"),
                });
            }
            None => block.len(),
        };
        self.unterminated = found.is_none();
        self.pending = length + usize::from(found.is_some());
        let line = &block[..length];
        Ok(Some(line.strip_suffix(b"\r").unwrap_or(line)))
    }
}

/// The number a token of text stands for; `nan` and `inf` are numbers here, left to the validator.
pub(super) fn number(token: &[u8]) -> Option<f64> {
    std::str::from_utf8(token).ok()?.parse().ok()
}

/// The words of a line.
pub(super) fn words(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(u8::is_ascii_whitespace).filter(|word| !word.is_empty())
}

/// A piece of untrusted text fit for a message: printable and short.
pub(super) fn quote(text: &[u8]) -> String {
    let shown: String =
        String::from_utf8_lossy(&text[..text.len().min(120)]).chars().filter(|c| !c.is_control()).take(40).collect();
    format!("\u{201c}{shown}\u{201d}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn all_lines(text: &[u8]) -> Vec<(u64, String)> {
        let mut cursor = Cursor::new(text);
        let mut source = Source::new(&mut cursor).unwrap();
        let mut lines = Lines::new(&mut source, FileFormat::TextPoints, 0);
        let mut out = Vec::new();
        while let Some(line) = lines.next_line().unwrap() {
            let line = String::from_utf8(line.to_vec()).unwrap();
            out.push((lines.number(), line));
        }
        out
    }

    #[test]
    fn every_end_of_line_is_understood() {
        for text in [&b"a\nb\n\nc"[..], b"a\r\nb\r\n\r\nc\r\n", b"a\rb\r\rc\r"] {
            let lines = all_lines(text);
            let expected = [(1, "a"), (2, "b"), (3, ""), (4, "c")];
            assert_eq!(lines, expected.map(|(n, s)| (n, s.to_string())));
        }
        assert_eq!(all_lines(b""), []);
    }

    #[test]
    fn lines_cross_blocks() {
        let text = "0123456789abcde\n".repeat(3 * BLOCK / 16 + 5);
        let lines = all_lines(text.as_bytes());
        assert_eq!(lines.len(), 3 * BLOCK / 16 + 5);
        assert!(lines.iter().all(|(_, l)| l == "0123456789abcde"));
    }

    #[test]
    fn an_endless_line_is_refused() {
        let text = vec![b'1'; 2 * BLOCK];
        let mut cursor = Cursor::new(text);
        let mut source = Source::new(&mut cursor).unwrap();
        let mut lines = Lines::new(&mut source, FileFormat::TextPoints, 0);
        assert!(lines.next_line().is_err());
    }
}
