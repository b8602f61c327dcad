//! Opening scan files, and making sure that they are the ones the job was made with.

use crate::document::{Extra, ScanFile};
use crate::open::{hex, io_next_step};
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufReader, Read, Seek};
use std::path::{Component, Path, PathBuf};
use stringline_core::Explain;
use stringline_core::units::LengthUnit;
use stringline_scan::Scan;
use stringline_scan::read::{ReadError, ReadSettings, Reading, read};

/// A scan in memory: read, checked and indexed.
pub struct LoadedScan {
    /// The geometry with its index, mm.
    pub scan: Scan,
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

fn read_open(file: File, path: &Path, settings: &ReadSettings) -> Result<Reading, LoadError> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    read(BufReader::new(file), &name, settings)
        .map_err(|cause| LoadError::Read { path: path.to_owned(), cause: Box::new(cause) })
}

/// Size and SHA-256 of an open file; it is back at its beginning afterwards.
fn identify(file: &mut File) -> io::Result<(u64, String)> {
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
    let path = job_folder.join(&scan.file);
    let mut file = open(&path)?;
    let (found_size, found_sha256) =
        identify(&mut file).map_err(|cause| LoadError::Io { path: path.clone(), cause })?;
    if found_size != scan.size || !found_sha256.eq_ignore_ascii_case(&scan.sha256) {
        return Err(LoadError::Changed { path, expected: Box::new(scan.clone()), found_size, found_sha256 });
    }
    let settings = ReadSettings { unit: Some(scan.unit), ..ReadSettings::default() };
    let reading = read_open(file, &path, &settings)?;
    Ok(LoadedScan { scan: Scan::new(reading.geometry), sha256: found_sha256 })
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
    }
}
