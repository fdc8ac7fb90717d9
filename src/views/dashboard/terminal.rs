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
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Once};

use crossterm::cursor::{Hide, Show};
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen};
use crossterm::{execute, terminal};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::layout::{Position, Rect};

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

/// Bytes of one whole redraw: written at once, so that no half picture shows.
const WRITE_BUFFER_BYTES: usize = 64 * 1024;

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
    terminal: Terminal<CrosstermBackend<BufWriter<Output>>>,
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
            terminal,
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
