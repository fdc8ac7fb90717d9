//! What can go wrong with a source, and what a caller can do about it.

use std::fmt;

/// What a caller can do about a [`SourceError`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceErrorKind {
    /// Another program has it: close that one.
    Busy,
    /// It was there and is not any more.
    Gone,
    /// It does not exist.
    Missing,
    /// We may not.
    Denied,
    /// It cannot deliver what we can read.
    Unsupported,
    /// Its data breaks its own format, or ends too early.
    Malformed,
    /// A live source has delivered nothing for a while; ask again.
    Silent,
    /// The same, and it says that its input has no signal.
    NoSignal,
    /// It was lost and is being opened again; ask again.
    Away,
    /// Its signal has become another, which it must be opened again for.
    Changed,
    /// Something else.
    Other,
}

/// A failure of a source: what was being done, to what, what went wrong, and the next step if one is known.
#[derive(Debug)]
pub struct SourceError {
    kind: SourceErrorKind,
    message: String,
    cause: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl SourceError {
    /// A failure with a message that says what, to what, why and what next.
    pub fn new(kind: SourceErrorKind, message: impl Into<String>) -> Self {
        Self {
            kind,
            message: message.into(),
            cause: None,
        }
    }

    /// The same with the error that caused it; the message need not repeat it.
    #[must_use]
    pub fn caused_by(mut self, cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.cause = Some(cause.into());
        self
    }

    /// A failed call of the operating system while `doing` something; the kind follows from the call's error.
    pub fn io(doing: impl Into<String>, error: std::io::Error) -> Self {
        use std::io::ErrorKind;
        let kind = match error.kind() {
            ErrorKind::NotFound => SourceErrorKind::Missing,
            ErrorKind::PermissionDenied => SourceErrorKind::Denied,
            ErrorKind::ResourceBusy => SourceErrorKind::Busy,
            ErrorKind::UnexpectedEof => SourceErrorKind::Malformed,
            _ => SourceErrorKind::Other,
        };
        Self::new(kind, doing).caused_by(error)
    }

    /// Whether there was just nothing to deliver, so that asking again is all there is to do.
    #[must_use]
    pub fn is_silence(&self) -> bool {
        matches!(
            self.kind,
            SourceErrorKind::Silent | SourceErrorKind::NoSignal | SourceErrorKind::Away
        )
    }

    /// What a caller can do.
    #[must_use]
    pub fn kind(&self) -> SourceErrorKind {
        self.kind
    }
}

impl fmt::Display for SourceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for SourceError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.cause.as_deref().map(|cause| cause as _)
    }
}
