//! What devices there are and what they offer, without changing a setting.
//!
//! Does not know: frames.

use std::path::{Path, PathBuf};

use v4l::v4l_sys::{
    V4L2_CAP_DEVICE_CAPS, V4L2_CAP_STREAMING, V4L2_CAP_VIDEO_CAPTURE, v4l2_capability, v4l2_input,
};

use super::layout::{letters, samples};
use super::node::{Node, text};
use super::signal::SignalReader;
use super::standards;
use crate::sources::{DeviceListing, FormatListing, InputListing, InputState};

/// Where the kernel shows device nodes.
const NODES: &str = "/dev";

/// Every device that can capture video, in the order of their numbers; one that cannot be asked is listed with why.
#[must_use]
pub fn enumerate() -> Vec<DeviceListing> {
    nodes().iter().filter_map(|path| list(path)).collect()
}

/// The first device that can capture video and that we may open.
#[must_use]
pub fn first_device() -> Option<PathBuf> {
    nodes().into_iter().find(|path| {
        Node::open(path)
            .and_then(|node| node.capability())
            .is_ok_and(|it| captures_video(&it))
    })
}

/// Whether this node, and not only another of the same device, captures video by streaming.
pub(super) fn captures_video(capability: &v4l2_capability) -> bool {
    const NEEDED: u32 = V4L2_CAP_VIDEO_CAPTURE | V4L2_CAP_STREAMING;
    let of_this_node = if capability.capabilities & V4L2_CAP_DEVICE_CAPS != 0 {
        capability.device_caps
    } else {
        capability.capabilities
    };
    of_this_node & NEEDED == NEEDED
}

fn nodes() -> Vec<PathBuf> {
    let names = std::fs::read_dir(NODES)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    numbered(names)
        .into_iter()
        .map(|number| PathBuf::from(format!("{NODES}/video{number}")))
        .collect()
}

/// The numbers of `video0`, `video1` … among other names, in order.
fn numbered(names: impl Iterator<Item = String>) -> Vec<u32> {
    let mut numbers: Vec<u32> = names
        .filter_map(|name| name.strip_prefix("video")?.parse().ok())
        .collect();
    numbers.sort_unstable();
    numbers
}

fn list(path: &Path) -> Option<DeviceListing> {
    let opened = Node::open(path).and_then(|node| node.capability().map(|it| (node, it)));
    match opened {
        Ok((node, capability)) => captures_video(&capability).then(|| describe(&node, &capability)),
        Err(error) => Some(DeviceListing {
            path: path.to_owned(),
            problem: Some(error.to_string()),
            ..DeviceListing::default()
        }),
    }
}

fn describe(node: &Node, capability: &v4l2_capability) -> DeviceListing {
    DeviceListing {
        path: node.path().to_owned(),
        card: text(&capability.card),
        driver: text(&capability.driver),
        bus: text(&capability.bus_info),
        problem: None,
        inputs: inputs(node),
        standards: node
            .standards()
            .iter()
            .map(|standard| text(&standard.name))
            .collect(),
        formats: node
            .formats()
            .iter()
            .map(|format| FormatListing {
                code: letters(format.pixelformat),
                name: text(&format.description),
                readable: samples(format.pixelformat).is_some(),
                sizes: node.sizes(format.pixelformat),
            })
            .collect(),
        controls: node.controls(),
    }
}

fn inputs(node: &Node) -> Vec<InputListing> {
    let current = node.current_input().ok();
    let detects = node.detect_standard().is_ok();
    let list_one = |input: v4l2_input| {
        let is_current = current == Some(input.index);
        InputListing {
            number: input.index,
            name: text(&input.name),
            current: is_current,
            state: if is_current {
                SignalReader::new(detects).read(input.status)
            } else {
                InputState::Unsaid
            },
            standards: standards::names(input.std),
        }
    };
    node.inputs().into_iter().map(list_one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_are_taken_by_number_and_other_names_left() {
        let names = ["video10", "vbi0", "video2", "video", "video2x", "media0"];
        assert_eq!(numbered(names.map(str::to_owned).into_iter()), [2, 10]);
    }
}
