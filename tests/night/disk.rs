//! Disks that are full, slow, read-only or gone: it is told, measuring goes on, and the pass is whole afterwards.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use rusqlite::Connection;

use trueline::limits::Kind;

use crate::player::{Left, Player, names, pass_in};
use crate::world::World;

/// A small disk of its own, taken away when it is dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// `None`, and said why, where this may not be done: it takes the administrator.
    fn mount(world: &World, options: &str) -> Option<Self> {
        let place = world.path("disk");
        fs::create_dir(&place).expect("a directory");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(&place)
            .output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(place)),
            Ok(output) => {
                let why = String::from_utf8_lossy(&output.stderr).into_owned();
                eprintln!("skipped: no disk could be mounted: {}", why.trim());
                None
            }
            Err(error) => {
                eprintln!("skipped: no disk could be mounted: {error}");
                None
            }
        }
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // What is left mounted is in the test's own directory, and the next start of the system takes it away.
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

/// Fills a disk to its last byte.
fn fill(path: &Path) {
    let mut ballast = File::create(path).expect("a file");
    let some = [0_u8; 512];
    while ballast.write_all(&some).is_ok() {}
}

fn ends_well(player: Player, pass: &Path) -> Left {
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    assert!(!said.contains("panicked"), "{said}");
    let left = Left::at(pass);
    assert!(left.closed);
    let told = left.of_kind(Kind::NotStored);
    assert!(
        !told.is_empty() && told.iter().all(|event| event.end.is_some()),
        "{told:?}"
    );
    left
}

#[test]
fn a_full_disk_is_told_of_and_what_waited_is_stored_once_there_is_room() {
    let world = World::new();
    let Some(disk) = SmallDisk::mount(&world, "size=8m") else {
        return;
    };
    let (pass, ballast) = (disk.0.join("reel.pass"), disk.0.join("ballast"));
    let mut player = Player::start(&world, "evening", &pass, &[]);
    player.wait_for(&["recording_start"]);
    fill(&ballast);
    let begins = player.wait_for(&["alarm", "not_stored", "begins"]);
    assert!(begins.contains("full"), "{begins}");
    fs::remove_file(&ballast).expect("it is there");
    let over = player.wait_for(&["not_stored", "over"]);
    assert!(over.contains("nothing is missing in the pass"), "{over}");
    let left = ends_well(player, &pass);
    assert_eq!(left.unstored, 0);
}

#[test]
fn a_disk_that_cannot_be_written_to_is_an_error_at_the_start() {
    let world = World::new();
    let Some(disk) = SmallDisk::mount(&world, "size=1m,ro") else {
        return;
    };
    let pass = disk.0.join("reel.pass");
    let pass = pass.to_str().expect("a plain path");
    let run = world.run(["watch", "tape:clean", "--no-dashboard", "--record", pass]);
    assert_eq!(run.code, 1);
    assert!(run.stderr.contains("create the pass"), "{}", run.stderr);
    assert!(!run.stderr.contains("panicked"), "{}", run.stderr);
}

/// A disk that hangs is stood for by another program that keeps the file locked.
#[test]
fn a_disk_that_hangs_is_told_of_and_nothing_is_missing_afterwards() {
    let world = World::new();
    let pass = pass_in(&world);
    let mut player = Player::start(&world, "evening", &pass, &[]);
    player.wait_for(&["recording_start"]);
    let other = Connection::open(&pass).expect("the pass");
    other
        .busy_timeout(std::time::Duration::from_secs(10))
        .expect("a setting");
    other.execute_batch("BEGIN IMMEDIATE").expect("a lock");
    player.wait_for(&["alarm", "not_stored", "begins"]);
    other.execute_batch("ROLLBACK").expect("an end");
    drop(other);
    let over = player.wait_for(&["not_stored", "over"]);
    assert!(over.contains("nothing is missing in the pass"), "{over}");
    assert_eq!(ends_well(player, &pass).unstored, 0);
}

#[test]
fn a_pass_that_is_deleted_is_there_again_with_all_that_was_in_it() {
    let world = World::new();
    let pass = pass_in(&world);
    let mut player = Player::start(&world, "evening", &pass, &[]);
    player.wait_for(&["recording_start"]);
    fs::remove_file(&pass).expect("it is there");
    while !pass.exists() {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    let left = Left::at(&pass);
    assert!(left.closed && left.unstored == 0);
    assert_eq!(left.of_kind(Kind::RecordingStart).len(), 1);
    assert_eq!(names(&world.path("")), ["reel.pass"]);
}

#[test]
fn a_pass_whose_disk_is_unplugged_is_told_of_and_saved_when_it_is_back() {
    let world = World::new();
    let (directory, away) = (world.path("disk"), world.path("away"));
    fs::create_dir(&directory).expect("a directory");
    let pass = directory.join("reel.pass");
    let mut player = Player::start(&world, "evening", &pass, &[]);
    player.wait_for(&["recording_start"]);
    fs::rename(&directory, &away).expect("it is there");
    player.wait_for(&["alarm", "not_stored", "begins"]);
    fs::create_dir(&directory).expect("a directory");
    player.wait_for(&["not_stored", "over"]);
    assert_eq!(ends_well(player, &pass).unstored, 0);
}
