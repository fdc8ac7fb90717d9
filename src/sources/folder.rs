//! The video files of a directory.
//!
//! A file is one by how it begins (Y4M) or by its extension: a decoder takes nearly anything, texts and pictures too, and asking
//! it of every file would make videos of them. Directories within are not gone into: what is scanned together should be
//! seen by looking at one list. Hidden files are left out.
//!
//! Does not know: what is in them.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use super::file::fill;
use super::y4m::MAGIC;

/// Extensions of containers and streams with video in them, without case.
const EXTENSIONS: &[&str] = &[
    "avi", "dif", "dv", "flv", "m2t", "m2ts", "m2v", "m4v", "mkv", "mov", "mp4", "mpeg", "mpg",
    "mts", "mxf", "nut", "ogv", "ts", "vob", "webm", "wmv", "y4m",
];

/// The video files in a directory, by name.
///
/// # Errors
/// The directory cannot be read.
pub fn video_files(directory: &Path) -> io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(directory)? {
        let path = entry?.path();
        if path.is_file() && !is_hidden(&path) && (has_extension(&path) || is_y4m(&path)) {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

fn is_hidden(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default();
    name.as_encoded_bytes().starts_with(b".")
}

fn has_extension(path: &Path) -> bool {
    let extension = path.extension().unwrap_or_default();
    let extension = extension.to_string_lossy().to_ascii_lowercase();
    EXTENSIONS.contains(&extension.as_str())
}

/// A file that cannot be read is left to whoever names it: here it is no video.
fn is_y4m(path: &Path) -> bool {
    let mut start = [0; MAGIC.len()];
    let read = File::open(path).and_then(|mut file| fill(&mut file, &mut start));
    read.is_ok() && start == *MAGIC
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn videos_are_found_by_extension_and_by_their_first_bytes_in_order_of_their_names() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let write = |name: &str, bytes: &[u8]| {
            fs::write(directory.path().join(name), bytes).expect("room");
        };
        write("reel 2.MKV", b"");
        write("reel 1.raw", b"YUV4MPEG2 W720 H576");
        write("reel 1.pass", b"SQLite format 3");
        write("reel 1.truth.jsonl", b"{}");
        write(".reel 3.mkv.part", b"");
        write(".reel 4.mkv", b"");
        fs::create_dir(directory.path().join("more.mkv")).expect("room");
        let found = video_files(directory.path()).expect("it can be read");
        let names: Vec<_> = found.iter().filter_map(|path| path.file_name()).collect();
        assert_eq!(names, ["reel 1.raw", "reel 2.MKV"]);
    }
}
