//! `camera:N`: a device by the platform's camera interface, where that is built in.
//!
//! Does not know: devices by V4L2.

#[cfg(any(test, feature = "camera", target_os = "macos", target_os = "windows"))]
mod choice;
#[cfg(any(feature = "camera", target_os = "macos", target_os = "windows"))]
mod interface;

use super::{Source, SourceError, Wishes};

/// Opens a camera.
///
/// # Errors
/// There is none of that number, or it has no format that can be read.
#[cfg(any(feature = "camera", target_os = "macos", target_os = "windows"))]
pub(super) fn open(number: u32, wishes: &Wishes) -> Result<Box<dyn Source>, SourceError> {
    let opener = interface::Opener::new(number, wishes);
    Ok(Box::new(super::Lasting::open(
        Box::new(opener),
        super::lasting::SystemTime,
    )?))
}

/// Says that it is not built in.
///
/// # Errors
/// Always.
#[cfg(not(any(feature = "camera", target_os = "macos", target_os = "windows")))]
pub(super) fn open(number: u32, _wishes: &Wishes) -> Result<Box<dyn Source>, SourceError> {
    Err(not_built_in(number))
}

#[cfg(any(
    test,
    not(any(feature = "camera", target_os = "macos", target_os = "windows"))
))]
fn not_built_in(number: u32) -> SourceError {
    SourceError::new(
        super::SourceErrorKind::Unsupported,
        format!(
            "cannot open camera:{number}: the camera interface is not built into this program; on Linux name the device \
             (/dev/video{number}), or build with `cargo build --release --features camera`"
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_built_in_says_so_and_what_next() {
        let message = not_built_in(3).to_string();
        assert!(message.contains("not built into"), "{message}");
        assert!(message.contains("/dev/video3"), "{message}");
        assert!(message.contains("--features camera"), "{message}");
    }
}
