//! The terminal itself: taken for the dashboard, and given back on every way out.
//!
//! The dashboard draws on standard output where that is a terminal, else on `/dev/tty`, so that frames can flow through
//! standard input and output meanwhile. Keys are read from standard input where that is a terminal, else from
//! `/dev/tty`. It is given back by dropping the [`Session`], and before the message of any thread's panic is printed.
//! Ctrl-Z does nothing: a stopped monitor would lose the tape that goes on playing. After a stop from outside the
//! dashboard comes back with the process.
//!
//! Does not know: what is drawn.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, IsTerminal, Stdout, Write};
use std::mem::ManuallyDrop;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Once};
use std::time::{Duration, Instant};

use crossterm::cursor::{Hide, Show};
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen};
use crossterm::{execute, terminal};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::layout::{Position, Rect};
#[cfg(unix)]
use rustix::event::{PollFd, PollFlags, Timespec, poll};
#[cfg(unix)]
use rustix::io::Errno;

use super::review::Graphics;
use super::review::graphics::QUESTION;

/// Where the dashboard draws.
#[derive(Debug)]
pub(super) enum Output {
    /// Standard output.
    Stdout(Stdout),
    /// The controlling terminal.
    Tty(File),
}

impl Output {
    fn open() -> io::Result<Self> {
        let stdout = io::stdout();
        if stdout.is_terminal() {
            return Ok(Self::Stdout(stdout));
        }
        let tty = OpenOptions::new().read(true).write(true).open("/dev/tty")?;
        Ok(Self::Tty(tty))
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Stdout(stdout) => stdout.write(bytes),
            Self::Tty(tty) => tty.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Stdout(stdout) => stdout.flush(),
            Self::Tty(tty) => tty.flush(),
        }
    }
}

/// Where keys come from, the same that the library reads.
#[cfg(unix)]
#[derive(Debug)]
enum Keys {
    Stdin(io::Stdin),
    Tty(File),
}

#[cfg(unix)]
impl Keys {
    fn open() -> io::Result<Self> {
        let stdin = io::stdin();
        if stdin.is_terminal() {
            return Ok(Self::Stdin(stdin));
        }
        Ok(Self::Tty(File::open("/dev/tty")?))
    }

    /// Reads what is there, or comes within a time; false where nothing does.
    fn read_some(&self, longest: Duration, into: &mut Vec<u8>) -> io::Result<bool> {
        if !self.wait(longest)? {
            return Ok(false);
        }
        let mut some = [0; 256];
        let count = match self {
            Self::Stdin(stdin) => rustix::io::read(stdin, &mut some)?,
            Self::Tty(tty) => rustix::io::read(tty, &mut some)?,
        };
        into.extend_from_slice(&some[..count]);
        Ok(count > 0)
    }

    /// Waits at most this long; whether something is there.
    fn wait(&self, longest: Duration) -> io::Result<bool> {
        let mut asked = [match self {
            Self::Stdin(stdin) => PollFd::new(stdin, PollFlags::IN),
            Self::Tty(tty) => PollFd::new(tty, PollFlags::IN),
        }];
        let longest = Timespec {
            tv_sec: longest.as_secs().cast_signed(),
            tv_nsec: longest.subsec_nanos().into(),
        };
        match poll(&mut asked, Some(&longest)) {
            Ok(_)
                if asked[0]
                    .revents()
                    .intersects(PollFlags::HUP | PollFlags::ERR) =>
            {
                Err(io::Error::new(
                    io::ErrorKind::BrokenPipe,
                    "the terminal was closed",
                ))
            }
            Ok(ready) => Ok(ready > 0),
            // A signal, such as that of a new size, is as good as a key.
            Err(Errno::INTR) => Ok(false),
            Err(number) => Err(number.into()),
        }
    }
}

#[cfg(not(unix))]
#[derive(Debug)]
struct Keys;

#[cfg(not(unix))]
impl Keys {
    fn open() -> io::Result<Self> {
        Ok(Self)
    }

    fn wait(&self, longest: Duration) -> io::Result<bool> {
        crossterm::event::poll(longest)
    }

    /// Answers cannot be told from keys here: there are none.
    fn read_some(&self, _longest: Duration, _into: &mut Vec<u8>) -> io::Result<bool> {
        Ok(false)
    }
}

/// Bytes of one whole redraw: written at once, so that no half picture shows.
const WRITE_BUFFER_BYTES: usize = 64 * 1024;

/// How long a terminal may take to say what it can show: one at the other end of a slow line takes a quarter of a second.
const ANSWERS_WITHIN: Duration = Duration::from_millis(300);

/// Whether the terminal is ours now; one process has one terminal.
static TAKEN: AtomicBool = AtomicBool::new(false);

/// Whether there is a terminal to draw on.
#[must_use]
pub fn available() -> bool {
    Output::open().is_ok()
}

/// The terminal while it is ours.
#[derive(Debug)]
pub struct Session {
    /// Never dropped: on a terminal that was closed its own drop would print on it, and panic. [`give_back`] does what
    /// is to be done.
    terminal: ManuallyDrop<Terminal<CrosstermBackend<BufWriter<Output>>>>,
    keys: Keys,
    continued: Arc<AtomicBool>,
}

impl Session {
    /// Takes the terminal: raw keys, a screen of its own, no cursor.
    ///
    /// # Errors
    /// There is no terminal, or it refuses.
    pub fn open() -> io::Result<Self> {
        give_back_on_panic();
        let output = BufWriter::with_capacity(WRITE_BUFFER_BYTES, Output::open()?);
        let terminal = Terminal::new(CrosstermBackend::new(output))?;
        let mut session = Self {
            terminal: ManuallyDrop::new(terminal),
            keys: Keys::open()?,
            continued: watch_for_continuation()?,
        };
        session.take()?;
        Ok(session)
    }

    fn take(&mut self) -> io::Result<()> {
        // set first: whatever fails after this is given back
        TAKEN.store(true, Ordering::SeqCst);
        terminal::enable_raw_mode()?;
        execute!(self.terminal.backend_mut(), EnterAlternateScreen, Hide)?;
        // not `Terminal::clear`: it asks for the cursor's place through standard output, which may carry frames
        let size = self.terminal.size()?;
        self.terminal.resize(Rect::from((Position::ORIGIN, size)))
    }

    /// The terminal to draw on.
    pub(super) fn terminal(&mut self) -> &mut Terminal<CrosstermBackend<BufWriter<Output>>> {
        &mut self.terminal
    }

    /// Whether the terminal is still ours: a panic in another thread gives it back.
    #[must_use]
    pub fn is_taken(&self) -> bool {
        TAKEN.load(Ordering::SeqCst)
    }

    /// Takes the terminal again when the process was stopped and goes on; true when everything must be drawn anew.
    ///
    /// # Errors
    /// The terminal refuses.
    pub(super) fn resume(&mut self) -> io::Result<bool> {
        let continued = self.continued.swap(false, Ordering::SeqCst);
        if continued {
            // a shell has set the terminal to its own mode meanwhile, which the library does not know
            terminal::disable_raw_mode()?;
            self.take()?;
        }
        Ok(continued)
    }

    /// Waits until there may be a key, at most this long.
    ///
    /// # Errors
    /// The terminal is closed: the library that reads keys would not come back from a look at one.
    pub(super) fn wait_for_keys(&self, longest: Duration) -> io::Result<()> {
        self.keys.wait(longest).map(drop)
    }

    /// What the terminal can show of pictures: asked for once, before the first key is read.
    #[must_use]
    pub fn graphics(&mut self) -> Graphics {
        let cell = terminal::window_size().ok().and_then(|size| {
            Some((
                size.width.checked_div(size.columns)?,
                size.height.checked_div(size.rows)?,
            ))
        });
        // A terminal that does not answer, or is closed meanwhile, shows blocks; that it is closed is found by whoever draws.
        let answer = self.answer_to(QUESTION).unwrap_or_default();
        Graphics::of(&answer, |name| std::env::var(name).ok(), cell)
    }

    /// Asks the terminal something whose answer ends with a `c`, and waits for that, at most [`ANSWERS_WITHIN`].
    fn answer_to(&mut self, question: &[u8]) -> io::Result<Vec<u8>> {
        let backend = self.terminal.backend_mut();
        backend.write_all(question)?;
        Write::flush(backend)?;
        let (asked, mut answer) = (Instant::now(), Vec::new());
        while !answer.ends_with(b"c") {
            let left = ANSWERS_WITHIN.saturating_sub(asked.elapsed());
            if left.is_zero() || !self.keys.read_some(left, &mut answer)? {
                break;
            }
        }
        Ok(answer)
    }

    /// Rings the terminal's bell.
    ///
    /// # Errors
    /// The terminal cannot be written to.
    pub(super) fn ring(&mut self) -> io::Result<()> {
        let backend = self.terminal.backend_mut();
        backend.write_all(b"\x07")?;
        Write::flush(backend)
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        give_back();
    }
}

/// Gives the terminal back, once; failures have nobody to be told to.
fn give_back() {
    if TAKEN.swap(false, Ordering::SeqCst) {
        let _ = terminal::disable_raw_mode();
        if let Ok(mut output) = Output::open() {
            let _ = execute!(output, LeaveAlternateScreen, Show);
        }
    }
}

fn give_back_on_panic() {
    static HOOKED: Once = Once::new();
    HOOKED.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            give_back();
            before(info);
        }));
    });
}

#[cfg(unix)]
fn watch_for_continuation() -> io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    signal_hook::flag::register(signal_hook::consts::SIGCONT, Arc::clone(&flag))?;
    Ok(flag)
}

#[cfg(not(unix))]
fn watch_for_continuation() -> io::Result<Arc<AtomicBool>> {
    Ok(Arc::new(AtomicBool::new(false)))
}
