//! Why passes cannot be compared.

use std::path::PathBuf;

use crate::record::RecordError;
use crate::sources::SourceError;

/// Passes that cannot be compared: which, why, and what to do instead.
#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    /// A pass cannot be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// It was recorded before fingerprints were.
    #[error(
        "cannot compare '{0}': it holds no fingerprints of its fields, by which the same place on the tape is found; a version of \
         trueline before them recorded it. Scan or play the tape again with this version"
    )]
    NoFingerprints(PathBuf),
    /// Nothing of it is programme.
    #[error(
        "cannot compare '{0}': no programme was found in it, only leader, snow or inserted pictures; play the tape through this \
         chain again"
    )]
    NoProgramme(PathBuf),
    /// Fields come at different rates.
    #[error(
        "cannot compare '{first}' with '{second}': the one has {first_rate:.2} fields a second, the other {second_rate:.2}. A pass \
         can be compared only with passes of the same scanning standard"
    )]
    OtherRate {
        /// The pass it is compared with.
        first: PathBuf,
        /// The pass.
        second: PathBuf,
        /// Fields a second of the one.
        first_rate: f64,
        /// Fields a second of the other.
        second_rate: f64,
    },
    /// Fields of what is being played come at another rate.
    #[error(
        "cannot hold '{played}' against '{pass}': the one has {played_rate:.2} fields a second, the other {pass_rate:.2}. Name a pass of the \
         same scanning standard, or set --standard to that of the tape"
    )]
    OtherSource {
        /// The earlier pass.
        pass: PathBuf,
        /// What is being played.
        played: String,
        /// Fields a second of the pass.
        pass_rate: f64,
        /// Fields a second of what is being played.
        played_rate: f64,
    },
    /// No stretch of the one is found in the other.
    #[error(
        "cannot compare '{first}' with '{second}': no stretch of the one was found in the other, so they are of different tapes or of \
         different parts of one. Give passes of the same stretch of the same tape, with at least half a minute in common in \
         which something moves"
    )]
    OtherTape {
        /// The pass it is compared with.
        first: PathBuf,
        /// The pass.
        second: PathBuf,
    },
    /// Each shares something with the first, but there is nothing that all have.
    #[error(
        "cannot compare these passes: each shares a part of the tape with '{0}', but there is no part that all of them have; compare \
         two at a time"
    )]
    NothingInCommon(PathBuf),
    /// A pass that was not scanned from a file that is still there.
    #[error(
        "cannot compare pictures of '{pass}': its source was '{origin}', which is no file that is still there. Put the capture back or \
         beside the pass, or leave --with-pictures out"
    )]
    NoPictures {
        /// The pass.
        pass: PathBuf,
        /// What it was measured from.
        origin: String,
    },
    /// Captures of different sizes.
    #[error(
        "cannot compare pictures of '{first}' and '{second}': fields of {} by {} samples beside {} by {}. Capture both alike, or leave \
         --with-pictures out", first_raster.0, first_raster.1, second_raster.0, second_raster.1
    )]
    OtherRaster {
        /// The pass it is compared with.
        first: PathBuf,
        /// The pass.
        second: PathBuf,
        /// Samples and lines of a field of the one.
        first_raster: (usize, usize),
        /// Samples and lines of a field of the other.
        second_raster: (usize, usize),
    },
    /// A capture cannot be read.
    #[error(transparent)]
    Capture(SourceError),
    /// The same file twice.
    #[error("cannot compare '{0}' with itself: it was given twice; give each pass once")]
    Twice(PathBuf),
}
