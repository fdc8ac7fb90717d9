//! Error numbers of the kernel as messages for the operator: what, to what, why, what next.
//!
//! Does not know: the device.

use std::path::Path;

use rustix::io::Errno;

use crate::sources::{SourceError, SourceErrorKind};

/// Where to look when the named node is the wrong one.
pub(super) const LIST_HINT: &str = "`trueline sources` lists the devices there are";

/// A failed call: what was being done to which node, and the number that came back.
pub(super) fn failure(path: &Path, doing: &str, number: Errno) -> SourceError {
    let (kind, why) = reading(path, number);
    SourceError::new(kind, format!("{}: {doing} failed: {why}", path.display()))
        .caused_by(std::io::Error::from(number))
}

fn reading(path: &Path, number: Errno) -> (SourceErrorKind, String) {
    match number {
        Errno::BUSY => (
            SourceErrorKind::Busy,
            format!(
                "another program is using it; close that one (`fuser -v {}` names it)",
                path.display()
            ),
        ),
        Errno::ACCESS | Errno::PERM => (
            SourceErrorKind::Denied,
            "not permitted; video devices belong to the group `video`: run `sudo usermod -aG video $USER`, \
             then log in again"
                .to_owned(),
        ),
        Errno::NOENT => (
            SourceErrorKind::Missing,
            format!("there is no such device; {LIST_HINT}"),
        ),
        Errno::NODEV | Errno::NXIO => (
            SourceErrorKind::Gone,
            "the device is gone; check its cable and plug it in again".to_owned(),
        ),
        Errno::IO | Errno::PROTO | Errno::PIPE | Errno::TIMEDOUT => (
            SourceErrorKind::Other,
            "the device reports an internal error (a failing cable or bus, or a signal it cannot follow); \
             it has to be opened again"
                .to_owned(),
        ),
        Errno::INVAL | Errno::NOTTY => (
            SourceErrorKind::Unsupported,
            "the device does not know this request".to_owned(),
        ),
        Errno::NOSPC => (
            SourceErrorKind::Other,
            "the bus has no bandwidth left for it; unplug other devices or use another USB port"
                .to_owned(),
        ),
        Errno::NOMEM => (
            SourceErrorKind::Other,
            "the device found no memory for its buffers; close other programs".to_owned(),
        ),
        _ => (
            SourceErrorKind::Other,
            "the operating system refused".to_owned(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(number: Errno, kind: SourceErrorKind, says: &str) {
        let error = failure(Path::new("/dev/video7"), "starting the stream", number);
        assert_eq!(error.kind(), kind);
        let message = error.to_string();
        assert!(message.contains("/dev/video7"), "{message}");
        assert!(message.contains("starting the stream"), "{message}");
        assert!(message.contains(says), "{message}");
    }

    #[test]
    fn each_failure_names_the_device_and_the_next_step() {
        check(Errno::BUSY, SourceErrorKind::Busy, "fuser -v /dev/video7");
        check(Errno::ACCESS, SourceErrorKind::Denied, "usermod -aG video");
        check(Errno::NODEV, SourceErrorKind::Gone, "plug it in again");
        check(Errno::NOENT, SourceErrorKind::Missing, "trueline sources");
        check(Errno::NOSPC, SourceErrorKind::Other, "another USB port");
        check(Errno::IO, SourceErrorKind::Other, "opened again");
    }
}
