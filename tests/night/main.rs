//! What a whole night brings: recorders that are killed, terminals that close, disks that fill up, clocks that are set.
//!
//! The built binary watches a simulated tape as it plays; what it leaves is read back. Nothing here asserts how long
//! something takes, but for the second that a crash may cost (`kill`).

#![cfg(unix)]
#![expect(
    clippy::print_stderr,
    reason = "seeds, figures and what was skipped are for whoever runs it"
)]

mod clock;
mod disk;
mod ends;
mod kill;
mod load;
mod player;
#[expect(
    dead_code,
    reason = "it is the world of the end-to-end tests, which need more of it"
)]
#[path = "../end_to_end/world.rs"]
mod world;
