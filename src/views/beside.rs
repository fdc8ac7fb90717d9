//! Files that appear whole or not at all.
//!
//! In: the place a file is for. Out: a [`Beside`] to write to, which takes that place when it is told to. What is no file
//! ([`is_stream`]) has to be written to as it is.
//!
//! Does not know: what is written.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// Whether a path is something other than a file or the place for one. `/dev/stdout` counts even where it leads to a file:
/// nothing can be renamed there.
pub(super) fn is_stream(path: &Path) -> bool {
    path.starts_with("/dev")
        || fs::metadata(path).is_ok_and(|found| !found.is_file() && !found.is_dir())
}

/// Refuses a link in a directory that everybody may write to, as `/tmp` is: whoever put it there chooses what would be written over.
///
/// # Errors
/// It is such a link.
pub(crate) fn refuse_planted(place: &Path) -> io::Result<()> {
    if is_planted(place) {
        return Err(io::Error::other(
            "it is a link in a directory that everybody may write to, and is not followed; name the file itself, or another place",
        ));
    }
    Ok(())
}

#[cfg(unix)]
fn is_planted(place: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    /// Others may write.
    const BY_EVERYBODY: u32 = 0o002;
    let is_link = fs::symlink_metadata(place).is_ok_and(|found| found.is_symlink());
    let folder = place.parent().filter(|folder| *folder != Path::new(""));
    let folder = fs::metadata(folder.unwrap_or(Path::new(".")));
    is_link && folder.is_ok_and(|folder| folder.mode() & BY_EVERYBODY != 0)
}

#[cfg(not(unix))]
fn is_planted(_place: &Path) -> bool {
    false
}

/// A file being written beside its place, under a hidden name of this process's own; dropped before it is put there, it
/// goes away.
#[derive(Debug)]
pub(super) struct Beside {
    place: PathBuf,
    hidden: PathBuf,
    file: File,
}

impl Beside {
    /// Begins a file for `place`; a link stays a link, and what it points to is replaced.
    ///
    /// # Errors
    /// There is a directory, a link that anybody may have put there, or no file can be made there.
    pub(super) fn create(place: &Path) -> io::Result<Self> {
        refuse_planted(place)?;
        let place = fs::canonicalize(place).unwrap_or_else(|_| place.to_owned());
        if place.is_dir() {
            return Err(io::ErrorKind::IsADirectory.into());
        }
        let name = place.file_name().unwrap_or_default().to_string_lossy();
        let hidden = place.with_file_name(format!(".{name}.{}.part", std::process::id()));
        let file = File::create_new(&hidden)?;
        Ok(Self {
            place,
            hidden,
            file,
        })
    }

    /// To write to.
    pub(super) fn file(&self) -> &File {
        &self.file
    }

    /// Makes sure that the file is on the disk, and moves it to its place.
    ///
    /// # Errors
    /// Either fails; the place is as it was then.
    pub(super) fn put_in_place(self) -> io::Result<()> {
        self.file.sync_all()?;
        fs::rename(&self.hidden, &self.place)
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        // After a rename there is nothing left to remove, and a failure to tidy up hides nothing.
        let _ = fs::remove_file(&self.hidden);
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn a_file_takes_the_place_of_another_only_when_it_is_whole() {
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let place = folder.path().join("table");
        fs::write(&place, "old").expect("it can be written");
        for (whole, expected) in [(false, "old"), (true, "new")] {
            let beside = Beside::create(&place).expect("it can be made");
            beside.file().write_all(b"new").expect("there is room");
            if whole {
                beside.put_in_place().expect("it can be renamed");
            }
            assert_eq!(fs::read_to_string(&place).expect("it is there"), expected);
        }
        let names = fs::read_dir(folder.path()).expect("it can be listed");
        assert_eq!(names.count(), 1, "nothing is left beside it");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_followed_only_where_nobody_else_could_put_one() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let (link, file) = (folder.path().join("link"), folder.path().join("file"));
        for mode in [0o1777, 0o700] {
            fs::write(&file, "precious").expect("it can be written");
            let _ = fs::remove_file(&link);
            symlink(&file, &link).expect("a link");
            let mode_of = fs::Permissions::from_mode(mode);
            fs::set_permissions(folder.path(), mode_of).expect("our own folder");
            match Beside::create(&link) {
                Ok(beside) if mode == 0o700 => beside.put_in_place().expect("it can be renamed"),
                other => {
                    let error = other.expect_err("a link that anybody may have made");
                    assert!(
                        error.to_string().contains("name the file itself"),
                        "{error}"
                    );
                    assert_eq!(fs::read(&file).expect("it is there"), b"precious");
                    Beside::create(&file).expect("a file is no link");
                }
            }
        }
        assert_eq!(fs::read(&file).expect("it is there"), b"");
        assert!(link.is_symlink());
    }

    #[test]
    fn a_directory_is_refused() {
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let refused = Beside::create(folder.path()).expect_err("it is a directory");
        assert_eq!(refused.kind(), io::ErrorKind::IsADirectory);
    }
}
