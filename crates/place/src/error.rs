//! Why mates give no placements.

use std::borrow::Cow;
use stringline_core::Explain;

/// Why the mates give no placements.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AdjustError {
    /// A number of a mate makes no sense.
    #[error("the mate '{mate}' has {what}")]
    BadNumber {
        /// The mate.
        mate: String,
        /// What is wrong.
        what: &'static str,
    },
    /// A datum holds numbers that cannot be.
    #[error("the datum '{datum}' of the mate '{mate}' is damaged")]
    DamagedDatum {
        /// The mate.
        mate: String,
        /// The datum.
        datum: String,
    },
    /// The datums are of kinds that cannot be mated so.
    #[error("the mate '{mate}' cannot be: {}", datums.join(", "))]
    CannotMate {
        /// The mate.
        mate: String,
        /// What each datum is.
        datums: Vec<String>,
    },
    /// Scans that nothing ties to the car.
    #[error("nothing ties {} to the car", scans.join(", "))]
    NotTied {
        /// The scans.
        scans: Vec<String>,
    },
    /// Two quite different placements fit the mates equally well.
    #[error("the mates can be met in two ways: {} may also stand turned by {turn_deg:.0}°", scans.join(", "))]
    Ambiguous {
        /// The scans that stand elsewhere in the second.
        scans: Vec<String>,
        /// The largest turn between the two, degrees.
        turn_deg: f64,
    },
    /// The iteration did not come to rest.
    #[error("the placements do not settle: the mates contradict one another by far")]
    NotConverged,
}

impl Explain for AdjustError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            AdjustError::BadNumber { .. } => "Give that mate another number.".into(),
            AdjustError::DamagedDatum { datum, .. } => format!("Paint '{datum}' again.").into(),
            AdjustError::CannotMate { .. } => {
                "Mate points, axes and faces that can meet: a distance needs two points, parallel needs two \
                 directions."
                    .into()
            }
            AdjustError::NotTied { scans } => {
                format!("Mate a datum of {} with one of a scan that is placed.", scans.join(" or ")).into()
            }
            AdjustError::Ambiguous { .. } => "Add a mate that tells them apart, or say how two faces look.".into(),
            AdjustError::NotConverged => "Look whether each mate names the datums you mean, and leave one out.".into(),
        }
    }
}
