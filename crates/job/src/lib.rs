//! The job: a document that says how scans become a hardpoint set, and all that is done to it.
//!
//! A person or a program does [`Op`]s; each is [`plan`]ned without side effect and committed
//! to a [`History`], which can go back and forth. [`OpenJob`] adds the file: saving never
//! loses what was saved before, and what was not saved is in a recovery log. [`evaluate`]
//! computes features and hardpoints from a job and its scans: the same job and scans give
//! the same numbers on any machine.
//!
//! ```
//! use stringline_job::{History, Job, Op};
//!
//! let mut history = History::new(Job::default());
//! history.apply(&Op::SetTitle { title: "left front".into() })?;
//! assert_eq!(history.job().title, "left front");
//! assert_eq!(history.undo(), Some("Name the job"));
//! assert_eq!(history.job().title, "");
//! # Ok::<(), stringline_job::OpError>(())
//! ```

mod bodies;
mod check;
mod clearance;
mod constructing;
mod disk;
mod document;
mod evaluate;
mod export;
mod fitting;
mod history;
mod journal;
mod laying;
mod mates;
mod name;
mod op;
mod open;
mod overlay;
mod placing;
mod scans;

pub use bodies::{BodyShape, BodySpec, ClearanceSpec, JointSpec, JointWords, PairSpec, Place, WheelSpec};
pub use clearance::{Bodies, ClearanceError, CornerPoses, Setup};
pub use disk::{previous_of, replace_file, replace_result};
pub use document::{
    Extra, FORMAT, FeatureSpec, FitSpec, HardpointSpec, Job, JobError, Joint, Placement, ScanFile, Touch, VERSION,
    Wanted, hardpoint_words,
};
pub use evaluate::{EvaluateError, Evaluator, Failed, FeatureResult, Loader, Results, Warning, evaluate};
pub use export::{SetFormat, WriteError, write_set};
pub use history::History;
pub use journal::log_of;
pub use laying::{BeforeAfter, How, Laid, before_after};
pub use mates::{CarAxisSpec, FacingSpec, MarkerSpec, MateSpec, PickedPair, StartSpec, Tie};
pub use name::{Name, NameError};
pub use op::{Change, Op, OpError, plan};
pub use open::{FileError, OpenJob, Recovered, folder_of, io_next_step, read_file, read_job, unsaved_steps, write_job};
pub use overlay::{Laying, Overlay, OverlaySection, Probe};
pub use placing::{PlacementResult, off_words, placed};
pub use scans::{LoadError, LoadedScan, Loading, Watch, load, load_watched, read_scan, scan_file};
