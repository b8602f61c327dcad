//! Opening scan files, and making sure that they are the ones the job was made with.

use crate::document::{Extra, ScanFile};
use crate::open::{hex, io_next_step};
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufReader, Read, Seek};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;
use stringline_core::Explain;
use stringline_core::units::LengthUnit;
use stringline_scan::read::{ReadError, ReadSettings, Reading, read};
use stringline_scan::{Geometry, Scan};

/// A scan in memory: read, checked and indexed.
pub struct LoadedScan {
    /// The geometry with its index, mm.
    pub scan: Arc<Scan>,
    /// SHA-256 of the file.
    pub sha256: String,
}

impl std::fmt::Debug for LoadedScan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LoadedScan").field("sha256", &self.sha256).finish_non_exhaustive()
    }
}

/// Why a scan cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The file system refused.
    #[error("cannot read the scan {}: {cause}", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// What the system says.
        cause: io::Error,
    },
    /// The reader refused.
    #[error("{}: {}", path.display(), cause.problem)]
    Read {
        /// Which file.
        path: PathBuf,
        /// What is wrong with it.
        cause: Box<ReadError>,
    },
    /// The file is not the one the job was made with.
    #[error(
        "the scan {} has changed since it was added: it was {} bytes with SHA-256 {}, and is {found_size} bytes with SHA-256 {found_sha256}",
        path.display(), expected.size, expected.sha256
    )]
    Changed {
        /// Which file.
        path: PathBuf,
        /// What the job says.
        expected: Box<ScanFile>,
        /// Bytes.
        found_size: u64,
        /// Of what is there.
        found_sha256: String,
    },
    /// It was stopped.
    #[error("loading the scan {} was stopped", path.display())]
    Stopped {
        /// Which file.
        path: PathBuf,
    },
}

impl Explain for LoadError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            LoadError::Io { cause, .. } => io_next_step(cause, "read"),
            LoadError::Read { cause, .. } => cause.next_step(),
            LoadError::Changed { .. } => {
                "Put the file back as it was, or replace the scan in the job if the new file is \
                 meant, and look at every feature again: the dabs may lie elsewhere on it."
                    .into()
            }
            LoadError::Stopped { .. } => "Load it again when you want it.".into(),
        }
    }
}

/// Opens a file for reading; a folder is an error here, not at the first read.
fn open(path: &Path) -> Result<File, LoadError> {
    let failed = |cause| LoadError::Io { path: path.to_owned(), cause };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(failed(io::Error::from(io::ErrorKind::IsADirectory)));
    }
    Ok(file)
}

/// Reads a scan file.
///
/// # Errors
/// [`LoadError::Io`] and [`LoadError::Read`].
pub fn read_scan(path: &Path, settings: &ReadSettings) -> Result<Reading, LoadError> {
    read_open(open(path)?, path, settings)
}

fn read_open<R: Read + Seek>(file: R, path: &Path, settings: &ReadSettings) -> Result<Reading, LoadError> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    read(BufReader::new(file), &name, settings)
        .map_err(|cause| LoadError::Read { path: path.to_owned(), cause: Box::new(cause) })
}

/// Size and SHA-256 of an open file; it is back at its beginning afterwards.
fn identify(file: &mut (impl Read + Seek)) -> io::Result<(u64, String)> {
    file.rewind()?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut size = 0;
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            read => {
                hasher.update(&buffer[..read]);
                size += read as u64;
            }
        }
    }
    file.rewind()?;
    Ok((size, hex(&hasher.finalize())))
}

/// What a job says of the scan file at `path`. `job_folder` is where the job's file is or will be.
///
/// # Errors
/// [`LoadError::Io`].
pub fn scan_file(path: &Path, unit: LengthUnit, job_folder: &Path) -> Result<ScanFile, LoadError> {
    let failed = |cause| LoadError::Io { path: path.to_owned(), cause };
    let (size, sha256) = identify(&mut open(path)?).map_err(failed)?;
    let (absolute, folder) = (std::path::absolute(path), std::path::absolute(job_folder));
    let file = relative(&absolute.map_err(failed)?, &folder.map_err(failed)?);
    Ok(ScanFile { file, size, sha256, unit, extra: Extra::new() })
}

/// Loads a scan of a job and checks that it is the file it was made with.
///
/// # Errors
/// See [`LoadError`].
pub fn load(scan: &ScanFile, job_folder: &Path) -> Result<LoadedScan, LoadError> {
    load_watched(scan, job_folder, &|_| true)
}

/// How far loading a scan has come.
#[derive(Clone, Copy, Debug)]
pub enum Loading<'a> {
    /// The share of the file that was read, 0 to 1: once to know it again, once for what it holds.
    Read(f32),
    /// All is read, and is being made ready to work on.
    Geometry(&'a Geometry),
}

/// Told how far loading has come; `false` stops it.
pub type Watch<'a> = dyn Fn(Loading<'_>) -> bool + 'a;

/// As [`load`], and tells how far it has come.
///
/// # Errors
/// See [`LoadError`]; [`LoadError::Stopped`] where `watch` said so.
pub fn load_watched(scan: &ScanFile, job_folder: &Path, watch: &Watch<'_>) -> Result<LoadedScan, LoadError> {
    let path = job_folder.join(&scan.file);
    let stopped = || LoadError::Stopped { path: path.clone() };
    // Identifying reads every byte once, and reading about once more.
    let mut file = Watched { file: open(&path)?, read: 0, all: 2 * scan.size.max(1), watch, stopped: false };
    let identified = identify(&mut file);
    if file.stopped {
        return Err(stopped());
    }
    let (found_size, found_sha256) = identified.map_err(|cause| LoadError::Io { path: path.clone(), cause })?;
    if found_size != scan.size || !found_sha256.eq_ignore_ascii_case(&scan.sha256) {
        return Err(LoadError::Changed { path, expected: Box::new(scan.clone()), found_size, found_sha256 });
    }
    let settings = ReadSettings { unit: Some(scan.unit), ..ReadSettings::default() };
    let reading = read_open(&mut file, &path, &settings);
    if file.stopped {
        return Err(stopped());
    }
    let geometry = reading?.geometry;
    if !watch(Loading::Geometry(&geometry)) {
        return Err(stopped());
    }
    Ok(LoadedScan { scan: Arc::new(Scan::new(geometry)), sha256: found_sha256 })
}

/// A file that tells how much of it was read, and can be stopped.
struct Watched<'a> {
    file: File,
    read: u64,
    all: u64,
    watch: &'a Watch<'a>,
    stopped: bool,
}

impl Read for Watched<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let share = (self.read as f32 / self.all as f32).min(1.0);
        if self.stopped || !(self.watch)(Loading::Read(share)) {
            self.stopped = true;
            return Err(io::Error::other("stopped"));
        }
        let read = self.file.read(buffer)?;
        self.read += read as u64;
        Ok(read)
    }
}

impl Seek for Watched<'_> {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

/// A path that was given from one folder, given from another.
pub(crate) fn named_from(file: &str, from: &Path, to: &Path) -> String {
    let (Ok(file_at), Ok(to)) = (std::path::absolute(from.join(file)), std::path::absolute(to)) else {
        return file.to_owned();
    };
    relative(&plain(&file_at), &plain(&to))
}

/// A path without `..` in it.
fn plain(path: &Path) -> PathBuf {
    path.components().fold(PathBuf::new(), |mut plain, component| {
        if component == Component::ParentDir {
            plain.pop();
        } else {
            plain.push(component);
        }
        plain
    })
}

/// The way from a folder to a file, with `/` between folders; absolute where there is no
/// relative one (another drive) .
fn relative(file: &Path, folder: &Path) -> String {
    let (mut to, mut from) = (file.components().peekable(), folder.components().peekable());
    let mut shared = 0;
    while to.peek().is_some() && to.peek() == from.peek() {
        to.next();
        from.next();
        shared += 1;
    }
    let steps_up = from.filter(|c| matches!(c, Component::Normal(_))).count();
    if shared == 0 {
        return file.to_string_lossy().into_owned();
    }
    let down = to.map(|c| c.as_os_str().to_string_lossy().into_owned());
    std::iter::repeat_n("..".to_owned(), steps_up).chain(down).collect::<Vec<_>>().join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(unix)]
    fn paths_are_from_the_jobs_folder() {
        let from = |file: &str, folder: &str| relative(Path::new(file), Path::new(folder));
        assert_eq!(from("/a/b/scan.ply", "/a/b"), "scan.ply");
        assert_eq!(from("/a/b/c/scan.ply", "/a/b"), "c/scan.ply");
        assert_eq!(from("/a/x/scan.ply", "/a/b/c"), "../../x/scan.ply");
        let moved = |file: &str, from: &str, to: &str| named_from(file, Path::new(from), Path::new(to));
        assert_eq!(moved("scan.ply", "/a/b", "/a/c"), "../b/scan.ply");
        assert_eq!(moved("../x/scan.ply", "/a/b", "/a"), "x/scan.ply");
        assert_eq!(moved("/far/scan.ply", "/a/b", "/far"), "scan.ply");
    }
}
