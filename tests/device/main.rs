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
use std::io::Write;
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
    judge(share.path(), &guest)?;
    for clip in asked_clips() {
        let found = offline::check(clip, share.path())
            .map_err(|error| format!("{} lines: {error}", clip.lines()))?;
        keep_note(&found)?;
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
    let guest = Command::new("nice").arg(&script).arg(share).output()?;
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

/// Every case must have run and held.
fn judge(share: &Path, guest: &Output) -> Result<(), Box<dyn Error>> {
    let lines = fs::read_to_string(share.join(guest::RESULTS)).unwrap_or_default();
    let results: Vec<CaseResult> = lines
        .lines()
        .map(serde_json::from_str)
        .collect::<Result<_, _>>()?;
    let only = only();
    let broken: Vec<String> = guest::cases(&only)
        .filter_map(|case| {
            let result = results.iter().find(|result| result.case == case.name);
            match result {
                Some(result) if result.held => None,
                Some(result) => Some(format!("{}: {}", case.name, result.note)),
                None => Some(format!("{}: did not run", case.name)),
            }
        })
        .collect();
    keep(&lines)?;
    if broken.is_empty() && guest.status.success() {
        return Ok(());
    }
    let console = String::from_utf8_lossy(&guest.stdout);
    let errors = String::from_utf8_lossy(&guest.stderr);
    Err(format!(
        "in the guest:\n{}\n--- its console\n{console}{errors}",
        broken.join("\n")
    )
    .into())
}

/// The latest results stay readable: `target/tmp/device-results.jsonl`.
fn keep(lines: &str) -> std::io::Result<()> {
    fs::write(kept(), lines)
}

/// One more line of them.
fn keep_note(note: &str) -> std::io::Result<()> {
    let mut file = fs::OpenOptions::new().append(true).open(kept())?;
    writeln!(file, "{}", serde_json::json!({ "offline": note }))
}

fn kept() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("device-results.jsonl")
}
