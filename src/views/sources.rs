//! The list of capture devices: for reading, and as JSON.
//!
//! Does not know: how devices are asked.

use crate::sources::{
    ControlListing, DeviceListing, FormatListing, FrameSize, InputListing, InputState,
};

/// Columns a line of names may fill, so that nothing wraps on a usual terminal.
const LINE_WIDTH: usize = 80;

/// Columns before the facts of a device: the longest of the headings and a space at each side.
const INDENT: usize = 13;

/// What is said where there is no device.
const NOTHING: &str = "No capture device found. A grabber shows up here as /dev/videoN once its driver has taken it \
                       (`dmesg` tells).\nWithout one, `trueline watch tape` plays the simulated tape.\n";

/// The list as JSON: `{"devices": [...]}`.
#[must_use]
pub fn json(devices: &[DeviceListing]) -> serde_json::Value {
    serde_json::json!({ "devices": devices })
}

/// The list for reading.
#[must_use]
pub fn text(devices: &[DeviceListing]) -> String {
    if devices.is_empty() {
        return NOTHING.to_owned();
    }
    let blocks: Vec<String> = devices.iter().map(device).collect();
    blocks.join("\n")
}

fn device(device: &DeviceListing) -> String {
    let path = device.path.display();
    if let Some(problem) = &device.problem {
        return format!(
            "{path}\n{}",
            section("not asked", std::slice::from_ref(problem))
        );
    }
    let heading = format!(
        "{path}  {} (driver {}, {})\n",
        device.card, device.driver, device.bus
    );
    let name_width = longest(device.controls.iter().map(|it| it.name.as_str()));
    let sections = [
        section("inputs", &inputs(&device.inputs)),
        section("standards", &wrapped(&device.standards)),
        section("formats", &formats(&device.formats)),
        section(
            "controls",
            &device
                .controls
                .iter()
                .map(|it| control(it, name_width))
                .collect::<Vec<_>>(),
        ),
    ];
    heading + &sections.concat()
}

/// A heading beside the first of some lines; nothing for no lines.
fn section(heading: &str, lines: &[String]) -> String {
    let headings = std::iter::once(heading).chain(std::iter::repeat(""));
    let rows = headings.zip(lines);
    let rows = rows.map(|(heading, line)| {
        let line = line.trim_end();
        format!("  {heading:<width$}{line}\n", width = INDENT - 2)
    });
    rows.collect::<Vec<_>>().concat()
}

fn inputs(inputs: &[InputListing]) -> Vec<String> {
    let width = longest(inputs.iter().map(|it| it.name.as_str()));
    let line = |input: &InputListing| {
        let mark = if input.current { '*' } else { ' ' };
        let state = if input.current {
            state_words(input.state)
        } else {
            ""
        };
        format!("{mark} {}  {:<width$}  {state}", input.number, input.name)
    };
    inputs.iter().map(line).collect()
}

fn state_words(state: InputState) -> &'static str {
    match state {
        InputState::Unsaid => "in use",
        InputState::Locked => "in use, signal locked",
        InputState::Unlocked => "in use, signal not locked",
        InputState::NoSignal => "in use, no signal",
    }
}

/// Each readable format with its sizes, then the codes of all others.
fn formats(formats: &[FormatListing]) -> Vec<String> {
    let (readable, others): (Vec<_>, Vec<_>) = formats.iter().partition(|it| it.readable);
    let mut lines = Vec::new();
    for format in readable {
        lines.push(format!("{}  {}", format.code, format.name));
        let sizes: Vec<_> = format.sizes.iter().copied().map(size).collect();
        lines.extend(wrapped(&sizes).into_iter().map(|line| format!("  {line}")));
    }
    if !others.is_empty() {
        let codes: Vec<_> = others.iter().map(|it| it.code.clone()).collect();
        lines.push("not to be measured in:".to_owned());
        lines.extend(wrapped(&codes).into_iter().map(|line| format!("  {line}")));
    }
    lines
}

fn size(size: FrameSize) -> String {
    match size {
        FrameSize::One { width, rows } => format!("{width}x{rows}"),
        FrameSize::Range { widths, rows } => {
            format!("{}x{} to {}x{}", widths.0, rows.0, widths.1, rows.1)
        }
    }
}

fn control(control: &ControlListing, width: usize) -> String {
    let ControlListing {
        name,
        value,
        minimum,
        maximum,
        default,
        ..
    } = control;
    let numeric = value.parse::<i64>().is_ok();
    let bounds = if numeric && minimum < maximum {
        format!("  ({minimum} to {maximum}, usually {default})")
    } else {
        String::new()
    };
    format!("{name:<width$}  {value}{bounds}")
}

fn longest<'a>(names: impl Iterator<Item = &'a str>) -> usize {
    names.map(|name| name.chars().count()).max().unwrap_or(0)
}

/// Words with commas between, in lines that fit.
fn wrapped(words: &[String]) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words {
        match lines.last_mut() {
            Some(line) if INDENT + line.len() + word.len() + 4 <= LINE_WIDTH => {
                line.push_str(", ");
                line.push_str(word);
            }
            Some(line) => {
                line.push(',');
                lines.push(word.clone());
            }
            None => lines.push(word.clone()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::ControlAccess;

    fn grabber() -> DeviceListing {
        let input = |number, name: &str, state| InputListing {
            number,
            name: name.to_owned(),
            current: state != InputState::Unsaid,
            state,
            standards: "NTSC-M, PAL".to_owned(),
        };
        let control = |name: &str, value: &str| ControlListing {
            id: 1,
            name: name.to_owned(),
            value: value.to_owned(),
            setting: value.parse().unwrap_or(0),
            minimum: 0,
            maximum: 255,
            default: 128,
            step: 1,
            role: None,
            access: ControlAccess::Free,
        };
        let standards = "NTSC NTSC-M NTSC-M-JP NTSC-M-KR PAL PAL-BG PAL-H PAL-I PAL-DK PAL-M PAL-N PAL-Nc PAL-60 SECAM";
        DeviceListing {
            path: "/dev/video0".into(),
            card: "Grabber".to_owned(),
            driver: "grab".to_owned(),
            bus: "usb-1".to_owned(),
            problem: None,
            inputs: vec![
                input(0, "Composite", InputState::Unsaid),
                input(1, "S-Video", InputState::NoSignal),
            ],
            standards: standards.split(' ').map(str::to_owned).collect(),
            formats: vec![
                FormatListing {
                    code: "UYVY".to_owned(),
                    name: "UYVY 4:2:2".to_owned(),
                    readable: true,
                    sizes: vec![
                        FrameSize::One {
                            width: 720,
                            rows: 480,
                        },
                        FrameSize::Range {
                            widths: (48, 720),
                            rows: (32, 576),
                        },
                    ],
                },
                FormatListing {
                    code: "MJPG".to_owned(),
                    name: "Motion-JPEG".to_owned(),
                    readable: false,
                    sizes: vec![FrameSize::One {
                        width: 720,
                        rows: 480,
                    }],
                },
            ],
            controls: vec![control("Brightness", "120"), control("Hue, Auto", "on")],
        }
    }

    #[test]
    fn the_list_reads_at_a_glance() {
        let denied = DeviceListing {
            path: "/dev/video2".into(),
            problem: Some("/dev/video2: opening it failed: not permitted".to_owned()),
            ..DeviceListing::default()
        };
        insta::assert_snapshot!(text(&[grabber(), denied]), @r"
        /dev/video0  Grabber (driver grab, usb-1)
          inputs       0  Composite
                     * 1  S-Video    in use, no signal
          standards  NTSC, NTSC-M, NTSC-M-JP, NTSC-M-KR, PAL, PAL-BG, PAL-H, PAL-I,
                     PAL-DK, PAL-M, PAL-N, PAL-Nc, PAL-60, SECAM
          formats    UYVY  UYVY 4:2:2
                       720x480, 48x32 to 720x576
                     not to be measured in:
                       MJPG
          controls   Brightness  120  (0 to 255, usually 128)
                     Hue, Auto   on

        /dev/video2
          not asked  /dev/video2: opening it failed: not permitted
        ");
    }

    #[test]
    fn no_line_of_names_is_wider_than_a_terminal() {
        let widest = text(&[grabber()]).lines().map(str::len).max();
        assert!(widest.is_some_and(|it| it <= LINE_WIDTH), "{widest:?}");
    }

    #[test]
    fn without_a_device_the_next_step_is_named() {
        assert!(text(&[]).contains("trueline watch tape"));
    }

    #[test]
    fn the_json_reads_back_as_what_was_listed() {
        let devices = vec![grabber()];
        let value = json(&devices);
        let back: Vec<DeviceListing> =
            serde_json::from_value(value["devices"].clone()).expect("plain data");
        assert_eq!(back, devices);
        assert_eq!(value["devices"][0]["inputs"][1]["state"], "no_signal");
    }
}
