//! Which file a pass was scanned from, so that the same work is not done twice.
//!
//! In: a file, and the options it is scanned with. Out: [`Scanned`], which a pass file keeps as settings of origin `scanned` once
//! the whole of the file was scanned; two that are [the same work](Scanned::is_same_work) give the same readings.
//!
//! A file is known by its size, the time it was changed last, and a hash of its ends: reading hours of video only to find
//! that nothing is to be done would take as long as scanning. Its name does not count, so that it may be moved.
//!
//! Does not know: limits and versions, which a pass keeps anyway.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use twox_hash::XxHash64;

/// Bytes of either end that are hashed. Headers and indexes of containers lie there, and seconds of picture with them.
const END_BYTES: u64 = 1 << 20;

/// A file and how it was scanned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scanned {
    /// Where it was, for people.
    pub file: String,
    /// Its size.
    pub bytes: u64,
    /// When it was changed last, RFC 3339.
    pub modified: String,
    /// Hash of its ends.
    pub ends: String,
    /// The options, in the program's own words.
    pub options: String,
}

/// Names of the settings, in order.
const NAMES: [&str; 5] = ["file", "bytes", "modified", "ends", "options"];

impl Scanned {
    /// Looks at a file.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn of(path: &Path, options: &str) -> io::Result<Self> {
        let mut file = File::open(path)?;
        let about = file.metadata()?;
        let modified = jiff::Timestamp::try_from(about.modified()?).map_err(io::Error::other)?;
        Ok(Self {
            file: path.display().to_string(),
            bytes: about.len(),
            modified: modified.to_string(),
            ends: hash_of_ends(&mut file, about.len())?,
            options: options.to_owned(),
        })
    }

    /// Whether the readings of one are those of the other.
    #[must_use]
    pub fn is_same_work(&self, other: &Self) -> bool {
        let work = |it: &Self| {
            let Self {
                file: _,
                bytes,
                modified,
                ends,
                options,
            } = it.clone();
            (bytes, modified, ends, options)
        };
        work(self) == work(other)
    }

    /// As settings.
    #[must_use]
    pub fn to_pairs(&self) -> Vec<(String, String)> {
        let values = [
            self.file.clone(),
            self.bytes.to_string(),
            self.modified.clone(),
            self.ends.clone(),
            self.options.clone(),
        ];
        let names = NAMES.into_iter().map(str::to_owned);
        names.zip(values).collect()
    }

    /// Of settings; `None` where one is missing.
    #[must_use]
    pub fn from_pairs(pairs: &[(String, String)]) -> Option<Self> {
        let value = |name: &str| {
            let found = pairs.iter().find(|(known, _)| known == name);
            found.map(|(_, value)| value.clone())
        };
        let [file, bytes, modified, ends, options] = NAMES.map(value);
        Some(Self {
            file: file?,
            bytes: bytes?.parse().ok()?,
            modified: modified?,
            ends: ends?,
            options: options?,
        })
    }
}

fn hash_of_ends(file: &mut File, bytes: u64) -> io::Result<String> {
    let mut ends = Vec::new();
    file.by_ref().take(END_BYTES).read_to_end(&mut ends)?;
    file.seek(SeekFrom::Start(bytes.saturating_sub(END_BYTES)))?;
    file.by_ref().take(END_BYTES).read_to_end(&mut ends)?;
    Ok(format!("xxh64:{:016x}", XxHash64::oneshot(0, &ends)))
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    fn written(bytes: &[u8]) -> (tempfile::NamedTempFile, Scanned) {
        let mut file = tempfile::NamedTempFile::new().expect("a file");
        file.write_all(bytes).expect("room");
        let scanned = Scanned::of(file.path(), "--for 10s").expect("it can be read");
        (file, scanned)
    }

    #[test]
    fn it_comes_back_from_settings() {
        let (_file, scanned) = written(b"Ferry Street Film Club");
        assert_eq!(Scanned::from_pairs(&scanned.to_pairs()), Some(scanned));
        assert_eq!(Scanned::from_pairs(&[]), None);
    }

    #[test]
    fn a_moved_file_is_the_same_and_one_with_another_end_is_not() {
        let mut bytes = vec![7; 3 * END_BYTES as usize];
        let (file, scanned) = written(&bytes);
        let moved = Scanned {
            file: "elsewhere".to_owned(),
            ..scanned.clone()
        };
        assert!(moved.is_same_work(&scanned));
        for at in [0, bytes.len() - 1] {
            bytes[at] = 8;
            std::fs::write(file.path(), &bytes).expect("room");
            let changed = Scanned::of(file.path(), "--for 10s").expect("it can be read");
            assert_ne!(changed.ends, scanned.ends);
            let with_its_time = Scanned {
                modified: scanned.modified.clone(),
                ..changed
            };
            assert!(!with_its_time.is_same_work(&scanned));
            bytes[at] = 7;
        }
    }

    #[test]
    fn other_options_are_other_work() {
        let (_file, scanned) = written(b"Ferry Street Film Club");
        let other = Scanned {
            options: String::new(),
            ..scanned.clone()
        };
        assert!(!other.is_same_work(&scanned));
    }

    #[test]
    fn hashes_are_those_of_the_published_algorithm() {
        // XXH64 of no bytes with seed 0, from the algorithm's specification as remembered.
        let (_file, empty) = written(b"");
        assert_eq!(empty.ends, "xxh64:ef46db3751d8e999");
    }
}
