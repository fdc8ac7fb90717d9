//! Learned limits as a file: TOML that says what it was learned from and can be edited and given back.
//!
//! In: a [`Baseline`] and the pass it came from. Out: the text, or a file beside the pass. A file that was not written here,
//! or was edited since, is never written over: its first line holds a check of the rest.
//!
//! Does not know: how limits are learned.

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

use crate::limits::{Limit, MOST_BYTES};
use crate::record::baseline::{Baseline, LearnedRow, QUANTILE};
use crate::record::{Pass, PassHead};

use super::beside::Beside;

/// How the first line of a file written here begins; the check of what follows ends it.
const MARK: &str =
    "# Written by trueline --learn-limits, which writes over it unless it was edited. Check ";

/// Why the file was not written.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// Something else is there.
    #[error(
        "cannot keep the learned limits in '{0}': that file was not written by --learn-limits, or was edited since; give it \
         with --limits instead of learning, or move it away"
    )]
    Occupied(PathBuf),
    /// The file could not be read or written.
    #[error("cannot keep the learned limits in '{path}'")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// Where the limits learned from a pass are kept: `reel2.pass` has `reel2.limits.toml`.
#[must_use]
pub fn place_of(pass: &Path) -> PathBuf {
    pass.with_extension("limits.toml")
}

/// The limits as TOML with what they were learned from; `date` is today's.
#[must_use]
pub fn text(baseline: &Baseline, pass: &Pass, date: &str) -> String {
    baseline
        .limits
        .to_toml_noting(&origin(baseline, pass, date), |limit| note(baseline, limit))
}

fn origin(baseline: &Baseline, pass: &Pass, date: &str) -> [String; 3] {
    let PassHead {
        tape,
        chain,
        started_at,
        ..
    } = pass.head();
    let words = [("tape", tape), ("chain", chain)];
    let words = words.into_iter().filter_map(|(name, said)| {
        let said = said.as_deref()?;
        Some(format!("; {name}: {said}"))
    });
    let words: String = words.collect();
    [
        format!(
            "Learned on {date} from the pass {}, recorded {started_at}{words}.",
            pass.path().display()
        ),
        format!(
            "Its verdict: {}. Programme: {} fields.",
            baseline.verdict.as_deref().unwrap_or("none"),
            baseline.fields
        ),
        format!(
            "A learned limit lies where {:.0} % of those fields stay inside, never under the least that is allowed.",
            100.0 * QUANTILE
        ),
    ]
}

/// What a row's comment says of its learning.
fn note(baseline: &Baseline, limit: &Limit) -> Option<String> {
    let row = baseline.row(limit.id)?;
    let LearnedRow {
        unit,
        fields,
        before,
        ..
    } = row;
    Some(match row.learned {
        None => format!(
            "not learned: only {fields} fields showed {}",
            limit.quantity
        ),
        Some(learned) => format!(
            "learned: {:.0} % of {fields} fields stay inside {learned:.1} {unit}; before it was {before:.1} {unit}, for this reason:",
            100.0 * QUANTILE
        ),
    })
}

/// Puts a text made by [`text`] beside its pass, under a line that says whose it is; gives the file.
///
/// # Errors
/// Another file is there, or the place cannot be written.
pub fn keep(pass: &Path, text: &str) -> Result<PathBuf, KeepError> {
    let path = place_of(pass);
    let failed = |source| KeepError::Io {
        path: path.clone(),
        source,
    };
    let mut found = Vec::new();
    // What is longer than any limits file is not ours, whatever its end says.
    let read =
        File::open(&path).and_then(|file| file.take(MOST_BYTES as u64 + 1).read_to_end(&mut found));
    match read {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(failed(error)),
        Ok(_) if is_ours(&found) => {}
        Ok(_) => return Err(KeepError::Occupied(path)),
    }
    let beside = Beside::create(&path).map_err(failed)?;
    beside
        .file()
        .write_all(marked(text).as_bytes())
        .and_then(|()| beside.put_in_place())
        .map_err(failed)?;
    Ok(path)
}

/// Whether a file was written here and is as it was written.
fn is_ours(file: &[u8]) -> bool {
    let Some(end) = file.iter().position(|&byte| byte == b'\n') else {
        return false;
    };
    let (first, body) = (&file[..end], &file[end + 1..]);
    mark(body).as_bytes() == first
}

fn mark(body: &[u8]) -> String {
    format!("{MARK}{:016x}", check(body))
}

fn marked(body: &str) -> String {
    format!("{}\n{body}", mark(body.as_bytes()))
}

/// FNV-1a: tells an edit from none, and keeps nobody from forging one.
fn check(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, &byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn the_place_is_named_after_the_pass() {
        for (pass, expected) in [
            ("tapes/reel2.pass", "tapes/reel2.limits.toml"),
            (
                "2026-03-01_19-04-05.pass",
                "2026-03-01_19-04-05.limits.toml",
            ),
            ("bare", "bare.limits.toml"),
        ] {
            assert_eq!(place_of(Path::new(pass)), Path::new(expected));
        }
    }

    #[test]
    fn our_own_file_is_written_over_and_an_edited_or_foreign_one_is_not() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let pass = scratch.path().join("a.pass");
        let (first, second) = ("[wobble]\nenter = 9.0\n", "[wobble]\n");
        let path = keep(&pass, first).expect("a new file");
        keep(&pass, second).expect("our own");
        let ours = fs::read_to_string(&path).expect("the file");
        assert_eq!(ours, marked(second));
        for foreign in [
            ours.replace("wobble", "tear"),
            "[wobble]\nenter = 9.0\n".to_owned(),
            String::new(),
        ] {
            fs::write(&path, &foreign).expect("the file");
            let error = keep(&pass, first).expect_err("not ours");
            assert!(error.to_string().contains("a.limits.toml"), "{error}");
            assert_eq!(fs::read_to_string(&path).expect("the file"), foreign);
        }
    }

    #[test]
    fn a_place_that_cannot_be_written_is_named() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let pass = scratch.path().join("nowhere/a.pass");
        let error = keep(&pass, "").expect_err("no directory");
        assert!(error.to_string().contains("nowhere"), "{error}");
    }

    #[test]
    fn the_check_is_that_of_fnv_1a() {
        // published test vectors of the 64-bit variant
        assert_eq!(check(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(check(b"foobar"), 0x8594_4171_f739_67e8);
    }
}
