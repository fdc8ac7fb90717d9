//! A computer that is too busy: measures are left out before frames are lost, and come back.

use std::process::{Child, Command, Stdio};

use trueline::limits::Kind;

use crate::player::{Left, Player, pass_in};
use crate::world::World;

/// Programs that do nothing but use a core, ended when they are dropped.
struct Busy(Vec<Child>);

impl Busy {
    fn start(count: usize) -> Self {
        let one = |_| {
            Command::new("sh")
                .args(["-c", "while :; do :; done"])
                .stdin(Stdio::null())
                .spawn()
                .expect("a shell is there")
        };
        Self((0..count).map(one).collect())
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        for one in &mut self.0 {
            let _ = one.kill();
            let _ = one.wait();
        }
    }
}

/// Programs of ordinary rank against a watch of the lowest but a few: it gets what they leave.
#[test]
#[ignore = "needs a machine for itself: scripts/kill runs it"]
fn a_starved_analysis_leaves_measures_out_counts_its_losses_apart_and_recovers() {
    let world = World::new();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let mut command = Command::new("nice");
    command
        .args(["-n", "9", env!("CARGO_BIN_EXE_trueline")])
        .args(["watch", "tape:jitter", "--no-dashboard", "--for", "180s"])
        .args(["--record", "reel.pass"])
        .current_dir(world.path(""))
        .env("HOME", world.path(""))
        .stdin(Stdio::null());
    let mut player = Player::of(command);
    player.wait_for(&["recording_start"]);
    let busy = Busy::start(cores);
    player.wait_for(&["reduced", "begins"]);
    drop(busy);
    player.wait_for(&["reduced", "everything is measured again"]);
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    eprintln!("{said}");
    // Every field is stored, or counted as lost.
    let left = Left::at(&pass_in(&world));
    assert!(left.closed && left.unstored == 0);
    assert!(!left.of_kind(Kind::Reduced).is_empty());
}
