//! Putting bytes on a disk so that a crash or a full disk never costs what was there before.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Appends to a file's name: `kestrel.job.json` and `.log` give `kestrel.job.json.log`.
pub(crate) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(ending);
    path.with_file_name(name)
}

/// Where the previous version of a file is kept.
pub fn previous_of(path: &Path) -> PathBuf {
    beside(path, ".previous")
}

/// Replaces a file as a whole: after a crash, a power cut or an error the path holds either
/// all of the old bytes or all of the new ones. The old file is kept as [`previous_of`].
///
/// The new bytes go to a file beside it, reach the disk, and only then take the name.
///
/// # Errors
/// Any error of the file system; the file at `path` is then unchanged.
pub fn replace_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replace_with(path, bytes, true, |path| File::create(path))
}

/// As [`replace_file`], and keeps no previous version: for files that are made anew each time.
///
/// # Errors
/// Any error of the file system; the file at `path` is then unchanged.
pub fn replace_result(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replace_with(path, bytes, false, |path| File::create(path))
}

/// What the new bytes are written to. A file, except in tests of a disk that fails.
pub(crate) trait Durable: Write {
    /// Returns once the bytes are on the disk.
    fn sync(&mut self) -> io::Result<()>;
}

impl Durable for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_all()
    }
}

fn replace_with<D: Durable>(
    path: &Path,
    bytes: &[u8],
    keep_previous: bool,
    create: impl Fn(&Path) -> io::Result<D>,
) -> io::Result<()> {
    // A link to a job must go on pointing at it: write where it leads.
    let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let fresh = beside(path, ".saving");
    let written = write_synced(&fresh, bytes, &create).and_then(|()| {
        if keep_previous && path.exists() {
            keep_as_previous(path, &create)?;
        }
        fs::rename(&fresh, path)
    });
    if written.is_err() {
        // The error that matters is the one above; a left-over is overwritten next time.
        let _ = fs::remove_file(&fresh);
        return written;
    }
    sync_folder_of(path)
}

fn write_synced<D: Durable>(path: &Path, bytes: &[u8], create: &impl Fn(&Path) -> io::Result<D>) -> io::Result<()> {
    let mut file = create(path)?;
    file.write_all(bytes)?;
    file.flush()?;
    file.sync()
}

/// Gives the present file the name of the previous one too, so that the path is never empty.
fn keep_as_previous<D: Durable>(path: &Path, create: &impl Fn(&Path) -> io::Result<D>) -> io::Result<()> {
    let previous = previous_of(path);
    let fresh = beside(path, ".previous.saving");
    let _ = fs::remove_file(&fresh);
    if fs::hard_link(path, &fresh).is_err() {
        // Some file systems have no links: copy.
        let copied = fs::read(path).and_then(|old| write_synced(&fresh, &old, create));
        if let Err(error) = copied {
            let _ = fs::remove_file(&fresh);
            return Err(error);
        }
    }
    fs::rename(&fresh, &previous)
}

/// A rename lasts once the folder is on the disk too (POSIX; elsewhere the system sees to it).
pub(crate) fn sync_folder_of(path: &Path) -> io::Result<()> {
    if cfg!(unix) {
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    /// A disk with room for `room` more bytes, or one that loses power at the sync.
    struct Full<'a> {
        file: File,
        room: &'a Cell<usize>,
        sync_works: bool,
    }

    impl Write for Full<'_> {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let taken = bytes.len().min(self.room.get()).min(7);
            if taken == 0 && !bytes.is_empty() {
                return Err(io::Error::from(io::ErrorKind::StorageFull));
            }
            self.room.set(self.room.get() - taken);
            self.file.write(&bytes[..taken])
        }

        fn flush(&mut self) -> io::Result<()> {
            self.file.flush()
        }
    }

    impl Durable for Full<'_> {
        fn sync(&mut self) -> io::Result<()> {
            if self.sync_works { Ok(()) } else { Err(io::Error::other("no power")) }
        }
    }

    #[test]
    fn a_full_disk_at_any_byte_leaves_the_old_file_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.job.json");
        let old = b"the old job, which took an afternoon";
        let new = b"the new job, which took another afternoon";
        for (room, sync_works) in (0..new.len()).map(|n| (n, true)).chain([(1000, false)]) {
            fs::write(&path, old).unwrap();
            let room = Cell::new(room);
            let result =
                replace_with(&path, new, true, |path| Ok(Full { file: File::create(path)?, room: &room, sync_works }));
            assert!(result.is_err());
            assert_eq!(fs::read(&path).unwrap(), old);
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left lying about");
        }
    }

    #[test]
    fn the_previous_file_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.job.json");
        for text in ["one", "two", "three"] {
            replace_file(&path, text.as_bytes()).unwrap();
        }
        assert_eq!(fs::read(&path).unwrap(), b"three");
        assert_eq!(fs::read(previous_of(&path)).unwrap(), b"two");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_device_that_is_always_full_is_an_error_not_a_loss() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.job.json");
        fs::write(&path, b"old").unwrap();
        let result = replace_with(&path, b"new", true, |_| fs::OpenOptions::new().write(true).open("/dev/full"));
        assert_eq!(result.unwrap_err().kind(), io::ErrorKind::StorageFull);
        assert_eq!(fs::read(&path).unwrap(), b"old");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_to_a_job_stays_a_link() {
        let folder = tempfile::tempdir().unwrap();
        let (real, link) = (folder.path().join("real"), folder.path().join("link"));
        fs::write(&real, b"old").unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        replace_file(&link, b"new").unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read(&real).unwrap(), b"new");
    }
}
