//! The user's own folders, and what the window remembers there between two runs.

use serde::{Deserialize, Serialize};
use std::io;
use std::path::{Path, PathBuf};

/// How many jobs are remembered.
const MOST_RECENT: usize = 8;

/// Where the window keeps what is its own.
#[derive(Clone, Debug)]
pub struct Folders {
    /// Settings and recent jobs.
    pub config: PathBuf,
    /// Jobs that have no file of their own yet, and the sample.
    pub data: PathBuf,
}

impl Folders {
    /// Those that the system gives a program for the user who runs it; a folder beside the
    /// temporary ones where it gives none.
    pub fn of_user() -> Folders {
        match directories::ProjectDirs::from("", "", "stringline") {
            Some(dirs) => Folders { config: dirs.config_dir().to_owned(), data: dirs.data_dir().to_owned() },
            None => Folders::under(&std::env::temp_dir().join("stringline")),
        }
    }

    /// Both under one folder.
    pub fn under(folder: &Path) -> Folders {
        Folders { config: folder.join("config"), data: folder.join("data") }
    }

    /// The file of settings.
    fn settings(&self) -> PathBuf {
        self.config.join("window.json")
    }

    /// Where jobs are that have no file of the user's choice yet.
    pub fn drafts(&self) -> PathBuf {
        self.data.join("drafts")
    }

    /// Where the sample is.
    pub fn sample(&self) -> PathBuf {
        self.data.join("kestrel")
    }

    /// Reads the settings; the defaults where there are none that can be read.
    pub fn remembered(&self) -> Remembered {
        let bytes = std::fs::read(self.settings());
        bytes.ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default()
    }

    /// Writes the settings.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn remember(&self, remembered: &Remembered) -> io::Result<()> {
        std::fs::create_dir_all(&self.config)?;
        let bytes = serde_json::to_vec_pretty(remembered)?;
        stringline_job::replace_result(&self.settings(), &bytes)
    }

    /// A new folder for a job that has no file yet.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn new_draft(&self) -> io::Result<PathBuf> {
        let drafts = self.drafts();
        std::fs::create_dir_all(&drafts)?;
        for number in 1_u32.. {
            let folder = drafts.join(number.to_string());
            match std::fs::create_dir(&folder) {
                Ok(()) => return Ok(folder.join(DRAFT)),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(error),
            }
        }
        Err(io::ErrorKind::AlreadyExists.into())
    }

    /// The jobs that were left without a file of their own, in order of their number.
    pub fn left_drafts(&self) -> Vec<PathBuf> {
        let folders = std::fs::read_dir(self.drafts()).into_iter().flatten().flatten();
        let mut found: Vec<PathBuf> =
            folders.map(|folder| folder.path().join(DRAFT)).filter(|path| path.is_file()).collect();
        found.sort();
        found
    }

    /// Whether a job's file is one of [`Folders::left_drafts`].
    pub fn is_draft(&self, path: &Path) -> bool {
        path.starts_with(self.drafts())
    }
}

/// The file of a job that has none of the user's choice yet.
const DRAFT: &str = "unsaved.job.json";

/// What is remembered between two runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    /// Jobs, the last opened first.
    pub jobs: Vec<PathBuf>,
    /// Dark background.
    pub dark: bool,
    /// Radius of the brush, mm.
    pub brush: f64,
    /// Size of the text, logical points.
    pub text: f32,
}

impl Default for Remembered {
    fn default() -> Self {
        Remembered { jobs: Vec::new(), dark: false, brush: 6.0, text: 14.0 }
    }
}

impl Remembered {
    /// Puts a job first.
    pub fn opened(&mut self, job: &Path) {
        self.jobs.retain(|known| known != job);
        self.jobs.insert(0, job.to_owned());
        self.jobs.truncate(MOST_RECENT);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_remembered_comes_back_and_damage_is_no_error() {
        let folder = tempfile::tempdir().unwrap();
        let folders = Folders::under(folder.path());
        assert_eq!(folders.remembered(), Remembered::default());
        let mut remembered = Remembered { dark: true, ..Remembered::default() };
        for number in 0..12 {
            remembered.opened(Path::new(&format!("/jobs/{number}.job.json")));
        }
        remembered.opened(Path::new("/jobs/9.job.json"));
        folders.remember(&remembered).unwrap();
        assert_eq!(folders.remembered(), remembered);
        assert_eq!(remembered.jobs.len(), MOST_RECENT);
        assert_eq!(remembered.jobs[0], Path::new("/jobs/9.job.json"));
        std::fs::write(folders.settings(), b"{").unwrap();
        assert_eq!(folders.remembered(), Remembered::default());
    }

    #[test]
    fn each_draft_has_a_folder_of_its_own() {
        let folder = tempfile::tempdir().unwrap();
        let folders = Folders::under(folder.path());
        let (first, second) = (folders.new_draft().unwrap(), folders.new_draft().unwrap());
        assert_ne!(first, second);
        assert!(folders.is_draft(&first) && !folders.is_draft(folder.path()));
        std::fs::write(&second, b"").unwrap();
        assert_eq!(folders.left_drafts(), [second]);
    }
}
