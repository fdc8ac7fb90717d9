//! Colour bars drawn by another program.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::world::World;

/// A second of one of the `ffmpeg` program's own test pictures, as 4:2:2 of 8 bit, or as another pixel format.
fn drawn(world: &World, source: &str, rows: usize, pixels: &str) -> PathBuf {
    filtered(world, (source, rows, pixels), "duration=1")
}

/// The same, of other length or through filters of that program.
fn filtered(world: &World, (source, rows, pixels): (&str, usize, &str), rest: &str) -> PathBuf {
    let file = world.path(&format!("{source}-{pixels}.y4m"));
    let rate = if rows == 576 { "25" } else { "30000/1001" };
    let picture = format!("{source}=size=720x{rows}:rate={rate}:{rest}");
    let drawn = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", &picture])
        .args(["-pix_fmt", pixels])
        .arg(&file)
        .output()
        .expect("ffmpeg is installed (scripts/setup does it)");
    assert!(
        drawn.status.success(),
        "{}",
        String::from_utf8_lossy(&drawn.stderr)
    );
    file
}

fn summary_of(world: &World, file: &Path) -> Value {
    let file = file.to_str().expect("a plain path");
    world.ok(["scan", file, "--no-record", "--json"]).json()
}

/// Bars of `ffmpeg` have the codes published for 75 and 100 % bars, which rounding puts up to 0.2 IRE, 0.4 % and 0.32° from exact ones:
/// ± 0.3 IRE, ± 0.5 % and ± 0.4° hold for the worst bar in luma and for the means.
fn check(summary: &Value, kind: &str) {
    let quantities = &summary["quantities"];
    let fields = summary["fields"].as_u64();
    assert_eq!(
        quantities["bars.kind"]["counts"][kind].as_u64(),
        fields,
        "{quantities}"
    );
    for (id, within) in [
        ("bars.luma_error_ire", 0.3),
        ("bars.saturation_error_pct", 0.5),
        ("bars.hue_error_deg", 0.4),
    ] {
        let worst = quantities[id]["worst"].as_f64().expect("bars are measured");
        assert!(worst.abs() <= within, "{kind} {id}: {worst}");
    }
    let events = summary["events"].as_array().map_or(&[][..], Vec::as_slice);
    let bars: Vec<&Value> = events
        .iter()
        .filter(|event| event["kind"] == "colour_bars")
        .collect();
    assert_eq!(bars.len(), 1, "{events:?}");
    let alarms = events.iter().filter(|event| event["severity"] == "alarm");
    let others = events.iter().filter(|event| event["kind"] == "black_low");
    assert_eq!(alarms.count() + others.count(), 0, "{events:?}");
    let note = bars[0]["note"].as_str().unwrap_or_default();
    for colour in ["white", "yellow", "cyan", "green", "magenta", "red", "blue"] {
        assert!(note.contains(colour), "{note}");
    }
}

#[test]
fn bars_drawn_by_ffmpeg_are_recognised_and_right() {
    let world = World::new();
    for (source, rows, kind) in [
        ("pal75bars", 576, "full_75"),
        ("pal100bars", 576, "full_100"),
        ("smptebars", 480, "split_75"),
    ] {
        for pixels in ["yuv422p", "yuv420p", "yuv444p", "yuv411p"] {
            check(
                &summary_of(&world, &drawn(&world, source, rows, pixels)),
                kind,
            );
        }
    }
}

/// Bars have nothing that goes up or down, and noise must not pass for it: the picture alone times the lines here.
#[test]
fn bars_drawn_by_ffmpeg_stand_still_under_noise() {
    let world = World::new();
    for (source, rows) in [("pal75bars", 576), ("smptebars", 480)] {
        let noisy = "duration=8,noise=alls=6:allf=t";
        let summary = summary_of(&world, &filtered(&world, (source, rows, "yuv422p"), noisy));
        let moved = ["wobble", "tear", "flagging"];
        let events = summary["events"].as_array().expect("bars are an event");
        let found = events
            .iter()
            .find(|event| moved.iter().any(|kind| event["kind"] == *kind));
        assert_eq!(found, None);
        let bases = &summary["quantities"]["line_timing.basis"]["counts"];
        assert!(bases["content"].as_u64() > Some(300) && bases["edge"].is_null());
        let error = &summary["quantities"]["line_timing.error_rms_ns"];
        assert!(error["p95"].as_f64() < Some(5.0), "{error}");
    }
}

#[test]
fn a_moving_picture_of_ffmpeg_is_no_colour_bars() {
    let world = World::new();
    let summary = summary_of(&world, &drawn(&world, "testsrc2", 576, "yuv422p"));
    assert!(
        summary["quantities"]["bars.kind"]["n"]
            .as_u64()
            .unwrap_or(0)
            == 0
    );
    assert!(summary["quantities"]["chroma.saturation_rms_pct"]["n"].as_u64() > Some(0));
}
