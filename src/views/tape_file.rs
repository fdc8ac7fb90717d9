//! The simulated tape as a file: `FILE.y4m`, and `FILE.truth.jsonl` beside it.
//!
//! In: a scene and the operator's wishes. Out: both files, written beside their place and renamed into it, so that half a
//! file is never mistaken for a whole one. A pipe or device is written straight through, without a truth.
//!
//! Does not know: the command line, or how progress is shown.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::sources::tape::{Pace, Tape};
use crate::sources::{Source, SourceError, Wishes};

use super::beside::{Beside, is_stream, refuse_planted};
use super::y4m::{Y4mError, Y4mWriter};

/// What went wrong while rendering.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// The tape could not be played.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// A frame could not be written.
    #[error("rendering the simulated tape to {}", path.display())]
    Picture {
        /// To what.
        path: PathBuf,
        /// Why.
        source: Y4mError,
    },
    /// A file could not be made, written or renamed.
    #[error("{doing} {}", path.display())]
    File {
        /// What was being done.
        doing: &'static str,
        /// To what.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The truth could not be put into words.
    #[error("writing the truth beside {}", path.display())]
    Truth {
        /// Beside what.
        path: PathBuf,
        /// Why.
        source: serde_json::Error,
    },
    /// A length that is no length.
    #[error("rendering the simulated tape: {0} seconds is no length; give a number above 0")]
    NoLength(f64),
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rendered {
    /// Frames.
    pub frames: u64,
    /// The truth; `None` when the frames went into a pipe.
    pub truth: Option<PathBuf>,
}

/// Plays `scene` for `seconds` (`None`: once) into `out`; `progress` gets frames done and frames in all.
///
/// # Errors
/// When there is no such scene, a wish cannot be met, or writing fails; then neither file is touched.
pub fn render(
    scene: &str,
    wishes: &Wishes,
    seconds: Option<f64>,
    out: &Path,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Rendered, RenderError> {
    let mut tape = open(scene, wishes, seconds)?;
    if is_stream(out) {
        let stream = refuse_planted(out)
            .and_then(|()| fs::OpenOptions::new().write(true).open(out))
            .map_err(|source| file_error("opening", out, source))?;
        let frames = play(&mut tape, (BufWriter::new(stream), out), None, progress)?;
        return Ok(Rendered {
            frames,
            truth: None,
        });
    }
    let truth_path = out.with_extension("truth.jsonl");
    let create = |path| Beside::create(path).map_err(|source| file_error("writing", path, source));
    let (picture, truth) = (create(out)?, create(&truth_path)?);
    let frames = play(
        &mut tape,
        (BufWriter::new(picture.file()), out),
        Some(BufWriter::new(truth.file())),
        progress,
    )?;
    for (file, place) in [(truth, &*truth_path), (picture, out)] {
        file.put_in_place()
            .map_err(|source| file_error("renaming into place", place, source))?;
    }
    Ok(Rendered {
        frames,
        truth: Some(truth_path),
    })
}

/// Opens the scene for a number of seconds, in whole frames.
fn open(scene: &str, wishes: &Wishes, seconds: Option<f64>) -> Result<Tape, RenderError> {
    let whole = Tape::open(scene, wishes, Pace::Free { frames: None })?;
    let Some(seconds) = seconds else {
        return Ok(whole);
    };
    if !(seconds.is_finite() && seconds > 0.0) {
        return Err(RenderError::NoLength(seconds));
    }
    let (numerator, denominator) = whole.truth_header().field_rate;
    let frames = seconds * f64::from(numerator) / (2.0 * f64::from(denominator));
    let pace = Pace::Free {
        frames: Some((frames.round() as u64).max(1)),
    };
    Ok(Tape::open(scene, wishes, pace)?)
}

/// Writes all frames, and the truth of each.
fn play(
    tape: &mut Tape,
    (pictures, path): (impl Write, &Path),
    mut truth: Option<BufWriter<&File>>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<u64, RenderError> {
    let total = tape.description().frames.unwrap_or(0);
    let mut writer = Y4mWriter::new(pictures);
    let picture_error = |source| RenderError::Picture {
        path: path.to_owned(),
        source,
    };
    let mut frames = 0;
    if let Some(truth) = &mut truth {
        write_line(truth, &tape.truth_header(), path)?;
    }
    while let Some(frame) = tape.next_frame()? {
        writer.frame(&frame).map_err(picture_error)?;
        if let Some(truth) = &mut truth {
            for field in tape.truth() {
                write_line(truth, field, path)?;
            }
        }
        frames += 1;
        progress(frames, total);
    }
    writer.finish().map_err(picture_error)?;
    if let Some(mut truth) = truth {
        truth
            .flush()
            .map_err(|source| file_error("writing the truth beside", path, source))?;
    }
    Ok(frames)
}

fn write_line(
    out: &mut impl Write,
    value: &impl serde::Serialize,
    path: &Path,
) -> Result<(), RenderError> {
    serde_json::to_writer(&mut *out, value).map_err(|source| RenderError::Truth {
        path: path.to_owned(),
        source,
    })?;
    out.write_all(b"\n")
        .map_err(|source| file_error("writing the truth beside", path, source))
}

fn file_error(doing: &'static str, path: &Path, source: io::Error) -> RenderError {
    RenderError::File {
        doing,
        path: path.to_owned(),
        source,
    }
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    use super::*;
    use crate::sources::StandardWish;
    use crate::standard::Standard;

    fn wishes(standard: Standard) -> Wishes {
        Wishes {
            standard: Some(StandardWish::Lines(standard)),
            ..Wishes::default()
        }
    }

    #[test]
    fn a_file_comes_with_the_truth_of_every_field() {
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let out = folder.path().join("edges.y4m");
        let mut last = (0, 0);
        let rendered = render(
            "edges",
            &wishes(Standard::Lines625),
            Some(0.2),
            &out,
            &mut |done, total| last = (done, total),
        )
        .expect("it can be written");
        assert_eq!((rendered.frames, last), (5, (5, 5)));
        let truth =
            fs::read_to_string(folder.path().join("edges.truth.jsonl")).expect("it is there");
        let lines: Vec<serde_json::Value> = truth
            .lines()
            .map(|line| serde_json::from_str(line).expect("each line is an object"))
            .collect();
        assert_eq!(lines.len(), 11);
        assert_eq!(lines[0]["scene"], "edges");
        assert_eq!(lines[0]["standard"], "625");
        assert_eq!(lines[4]["field"], 3);
        assert_eq!(lines[4]["parity"], "bottom");
        assert_eq!(lines[4]["lines"].as_array().map(Vec::len), Some(288));
        assert!(lines[4]["levels"]["noise_luma_db"].is_number());
        let names = fs::read_dir(folder.path())
            .expect("it can be listed")
            .count();
        assert_eq!(names, 2, "nothing is left beside the two files");
    }

    #[test]
    fn a_failure_leaves_no_file() {
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let out = folder.path().join("x.y4m");
        let none = render(
            "no-such-scene",
            &Wishes::default(),
            None,
            &out,
            &mut |_, _| (),
        );
        assert!(matches!(none, Err(RenderError::Source(_))));
        let none = render("edges", &Wishes::default(), Some(0.0), &out, &mut |_, _| ());
        assert!(matches!(none, Err(RenderError::NoLength(_))));
        let none = render(
            "edges",
            &Wishes::default(),
            Some(0.1),
            folder.path(),
            &mut |_, _| (),
        );
        assert!(matches!(none, Err(RenderError::File { .. })));
        assert_eq!(
            fs::read_dir(folder.path())
                .expect("it can be listed")
                .count(),
            0
        );
    }

    #[test]
    fn ffprobe_reads_size_rate_and_field_order() {
        if Command::new("ffprobe").arg("-version").output().is_err() {
            // Nothing to ask: the header's own tests still stand.
            return;
        }
        let folder = tempfile::tempdir().expect("there is room for a folder");
        for (standard, expected) in [
            (Standard::Lines525, "720,480,10:11,yuv422p,tt,30000/1001,3"),
            (Standard::Lines625, "720,576,59:54,yuv422p,tt,25/1,3"),
        ] {
            let out = folder.path().join("probe.y4m");
            render("edges", &wishes(standard), Some(0.11), &out, &mut |_, _| ())
                .expect("it can be written");
            let probed = Command::new("ffprobe")
                .args(["-v", "error", "-count_frames", "-of", "csv=p=0", "-show_entries"])
                .arg("stream=width,height,sample_aspect_ratio,pix_fmt,field_order,r_frame_rate,nb_read_frames")
                .arg(&out)
                .output()
                .expect("it ran a moment ago");
            let said = String::from_utf8_lossy(&probed.stdout);
            assert_eq!(said.trim(), expected);
            assert!(
                probed.stderr.is_empty(),
                "{}",
                String::from_utf8_lossy(&probed.stderr)
            );
        }
    }
}
