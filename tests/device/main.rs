//! The V4L2 source and the program on real device nodes: a kernel with the virtual video driver `vivid`, in a virtual
//! machine.
//!
//! The one test here runs twice. On the host it puts its own executable and the program into a shared directory, boots
//! the guest by `scripts/vivid-vm`, and judges the results. In the guest (`TRUELINE_IN_GUEST` is set) it runs the
//! cases. What the program recorded there of simulated tape is measured again on the host (see `offline`). One boot serves all cases. `TRUELINE_DEVICE_CASES=word` runs only those whose name has the word.
//!
//! Nothing is asserted about wall-clock rates: an emulated machine is as slow as its host is busy.
#![cfg(target_os = "linux")]

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use clips::{CLIPS, Clip};
use guest::CaseResult;

#[cfg(feature = "camera")]
mod cameras;
mod cases;
mod clips;
mod dashboard;
mod driver;
mod finding;
mod guest;
mod offline;
mod output_node;
mod pictures;
mod program;
mod terminal;

/// Set in the guest, to the shared directory.
const IN_GUEST: &str = "TRUELINE_IN_GUEST";
/// Set to `1` where no virtual machine can run.
const SKIP: &str = "TRUELINE_SKIP_DEVICE";
/// Only cases with this in their name.
const ONLY: &str = "TRUELINE_DEVICE_CASES";
/// What the guest may take: five minutes on a quiet machine, and several times that on a busy one.
const GUEST_SECONDS: &str = "1500";
/// The name of the test below, by which the guest asks for it.
const TEST_NAME: &str = "the_device_source_holds_on_virtual_devices";

#[test]
fn the_device_source_holds_on_virtual_devices() -> Result<(), Box<dyn Error>> {
    if let Some(share) = std::env::var_os(IN_GUEST) {
        return guest::run(Path::new(&share), &only());
    }
    if std::env::var_os(SKIP).is_some_and(|value| value == "1") {
        return Ok(());
    }
    if guest::cases(&only()).next().is_none() {
        return Err(format!("no case has {:?} in its name", only()).into());
    }
    let share = prepare_share()?;
    let guest = boot(share.path())?;
    let broken = broken(share.path())?;
    fs::write(kept("device-broken.txt"), broken.join("\n"))?;
    if !broken.is_empty() || !guest.status.success() {
        let console = String::from_utf8_lossy(&guest.stdout);
        let errors = String::from_utf8_lossy(&guest.stderr);
        return Err(format!(
            "in the guest:\n{}\n--- its console\n{console}{errors}",
            broken.join("\n")
        )
        .into());
    }
    Ok(())
}

fn asked_clips() -> impl Iterator<Item = &'static Clip> {
    CLIPS.iter().filter(|clip| clip.case.contains(&only()))
}

fn only() -> String {
    std::env::var(ONLY).unwrap_or_default()
}

/// A directory with everything the guest needs.
fn prepare_share() -> Result<tempfile::TempDir, Box<dyn Error>> {
    let share = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    fs::copy(std::env::current_exe()?, share.path().join("device"))?;
    fs::copy(
        env!("CARGO_BIN_EXE_trueline"),
        share.path().join("trueline"),
    )?;
    for clip in asked_clips() {
        clip.prepare(share.path())?;
    }
    let script = format!(
        "export RUST_BACKTRACE=0 {IN_GUEST}=/mnt/share {ONLY}='{}'\ncp device trueline /tmp\n/tmp/device --exact {TEST_NAME} --nocapture\n",
        only()
    );
    fs::write(share.path().join("run.sh"), script)?;
    Ok(share)
}

fn boot(share: &Path) -> Result<Output, Box<dyn Error>> {
    let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("scripts/vivid-vm");
    let guest = Command::new("nice")
        .arg(&script)
        .arg(share)
        .env("VIVID_TIMEOUT", GUEST_SECONDS)
        .output()?;
    if guest.status.code() == Some(98) {
        let why = String::from_utf8_lossy(&guest.stderr);
        return Err(format!(
            "no virtual machine to test devices in: {}\n(`{SKIP}=1` leaves this test out)",
            why.trim()
        )
        .into());
    }
    Ok(guest)
}

/// What did not hold: cases in the guest, and then what was measured there against the same frames on the host.
fn broken(share: &Path) -> Result<Vec<String>, Box<dyn Error>> {
    let lines = fs::read_to_string(share.join(guest::RESULTS)).unwrap_or_default();
    let results: Vec<CaseResult> = lines
        .lines()
        .map(serde_json::from_str)
        .collect::<Result<_, _>>()?;
    let only = only();
    let mut broken: Vec<String> = guest::cases(&only)
        .filter_map(|case| {
            let result = results.iter().find(|result| result.case == case.name);
            match result {
                Some(result) if result.held => None,
                Some(result) => Some(format!("{}: {}", case.name, result.note)),
                None => Some(format!("{}: did not run", case.name)),
            }
        })
        .collect();
    let mut kept_lines = lines;
    for clip in asked_clips().filter(|clip| clip.live_pass(share).exists()) {
        match offline::check(clip, share) {
            Ok(found) => {
                kept_lines.push_str(&serde_json::json!({ "offline": found }).to_string());
                kept_lines.push('\n');
            }
            Err(error) => broken.push(format!("{} lines offline: {error}", clip.lines())),
        }
    }
    fs::write(kept("device-results.jsonl"), kept_lines)?;
    Ok(broken)
}

/// A place where what the latest run found stays readable.
fn kept(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}
