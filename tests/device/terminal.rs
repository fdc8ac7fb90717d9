//! A terminal in the guest for the program's dashboard: a pair of pseudo-terminal ends (pty(7)), keys typed at the one.
#![expect(
    unsafe_code,
    reason = "pseudo-terminals are asked for by raw ioctls, as no library of them is here"
)]

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::OpenOptionsExt;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};

use v4l::v4l2::vidioc::_IOC_TYPE as RequestNumber;

/// `ioctl_tty(2)`: unlock the other end, its number, the size of the window.
const UNLOCK: RequestNumber = 0x4004_5431;
const NUMBER: RequestNumber = 0x8004_5430;
const SET_SIZE: RequestNumber = 0x5414;
/// `O_NOCTTY` of open(2): the terminal is the program's, not ours.
const NOT_OURS: i32 = 0o400;

/// Rows and columns of the window, and its size in pixels, which nobody asks for.
const SIZE: [u16; 4] = [40, 120, 0, 0];

/// Bytes of the screen kept for whoever has to find out what went wrong.
const KEPT: usize = 16 * 1024;

/// A terminal that a program draws on and reads keys from.
pub(crate) struct Terminal {
    keys: File,
    other_end: String,
    drawn: Arc<Mutex<Vec<u8>>>,
}

impl Terminal {
    /// A new one.
    pub(crate) fn open() -> Self {
        let mount =
            "[ -e /dev/pts/ptmx ] || { mkdir -p /dev/pts && mount -t devpts pts /dev/pts; }";
        let mounted = Command::new("sh").args(["-c", mount]).status();
        assert!(mounted.is_ok_and(|it| it.success()), "{mount}");
        let keys = OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(NOT_OURS)
            .open("/dev/ptmx")
            .expect("the kernel has pseudo-terminals");
        let mut number = 0_u32;
        call(&keys, UNLOCK, &mut 0_i32);
        call(&keys, NUMBER, &mut number);
        call(&keys, SET_SIZE, &mut SIZE.clone());
        let drawn = Arc::<Mutex<Vec<u8>>>::default();
        let (from, into) = (
            keys.try_clone().expect("a second handle"),
            Arc::clone(&drawn),
        );
        // A screen that nobody looks at would fill up, and the program wait.
        std::thread::spawn(move || look(from, &into));
        Self {
            keys,
            other_end: format!("/dev/pts/{number}"),
            drawn,
        }
    }

    /// Has a program run on it.
    pub(crate) fn take(&self, command: &mut Command) {
        let end = || {
            let opened = OpenOptions::new()
                .read(true)
                .write(true)
                .custom_flags(NOT_OURS)
                .open(&self.other_end);
            Stdio::from(opened.expect("the other end is there"))
        };
        command.env("TERM", "linux");
        command.stdin(end()).stdout(end()).stderr(end());
    }

    /// Types keys.
    pub(crate) fn press(&self, keys: &str) {
        let mut end = &self.keys;
        end.write_all(keys.as_bytes()).expect("it takes keys");
    }

    /// What was drawn last, control sequences and all.
    pub(crate) fn drawn(&self) -> String {
        let drawn = self.drawn.lock().expect("nobody panicked");
        String::from_utf8_lossy(&drawn).into_owned()
    }
}

/// Reads what is drawn until nobody draws any more.
fn look(mut from: File, into: &Mutex<Vec<u8>>) {
    let mut piece = [0; 4096];
    while let Ok(bytes @ 1..) = from.read(&mut piece) {
        let mut drawn = into.lock().expect("nobody panicked");
        drawn.extend_from_slice(&piece[..bytes]);
        let excess = drawn.len().saturating_sub(KEPT);
        drawn.drain(..excess);
    }
}

fn call<T>(end: &File, number: RequestNumber, argument: &mut T) {
    // SAFETY: each request is called with the kind of argument that ioctl_tty(2) names for it, which outlives the call.
    let answer =
        unsafe { v4l::v4l2::ioctl(end.as_raw_fd(), number, std::ptr::from_mut(argument).cast()) };
    answer.expect("a pseudo-terminal takes it");
}
