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
use crate::sources::{
    DeviceListing, FormatListing, InputListing, InputState, SourceError, SourceErrorKind,
};

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

/// What tells one device from another, also after it was unplugged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Identity {
    card: String,
    driver: String,
    bus: String,
}

impl Identity {
    /// `None` for a device that names itself with nothing.
    pub(super) fn of(capability: &v4l2_capability) -> Option<Self> {
        let identity = Self {
            card: text(&capability.card),
            driver: text(&capability.driver),
            bus: text(&capability.bus_info),
        };
        (!identity.card.is_empty()).then_some(identity)
    }
}

/// Where a known device is now: at its old node, else on its old port, else wherever the only one of its kind is.
pub(super) fn find_again(known: &Identity, path: &Path) -> Result<PathBuf, SourceError> {
    let mut places = vec![path.to_owned()];
    places.extend(nodes().into_iter().filter(|node| node != path));
    let found: Vec<_> = places
        .into_iter()
        .filter_map(|place| {
            let capability = Node::open(&place).and_then(|node| node.capability()).ok()?;
            let identity = Identity::of(&capability).filter(|_| captures_video(&capability))?;
            Some((place, identity))
        })
        .collect();
    choose_again(known, path, &found).ok_or_else(|| {
        SourceError::new(
            SourceErrorKind::Gone,
            format!(
                "{}: the device ({}) is gone; check its cable and plug it in again",
                path.display(),
                known.card
            ),
        )
    })
}

/// The place of the known device among those found; the first is its old one, if there is one there.
fn choose_again(known: &Identity, path: &Path, found: &[(PathBuf, Identity)]) -> Option<PathBuf> {
    let mut alike = found
        .iter()
        .filter(|(_, it)| (&it.card, &it.driver) == (&known.card, &known.driver));
    let in_place = alike.clone().find(|(place, _)| place == path);
    let on_port = alike.clone().find(|(_, it)| it.bus == known.bus);
    let only = alike.next().filter(|_| alike.next().is_none());
    in_place
        .or(on_port)
        .or(only)
        .map(|(place, _)| place.clone())
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

    fn identity(card: &str, bus: &str) -> Identity {
        Identity {
            card: card.to_owned(),
            driver: "grab".to_owned(),
            bus: bus.to_owned(),
        }
    }

    fn again(found: &[(u32, &str, &str)]) -> Option<PathBuf> {
        let place = |number| PathBuf::from(format!("/dev/video{number}"));
        let found: Vec<_> = found
            .iter()
            .map(|&(number, card, bus)| (place(number), identity(card, bus)))
            .collect();
        choose_again(&identity("Grabber", "usb-1"), &place(0), &found)
    }

    #[test]
    fn a_device_is_found_again_where_it_was_or_on_its_port_or_as_the_only_one() {
        let at = |number| Some(PathBuf::from(format!("/dev/video{number}")));
        assert_eq!(
            again(&[(0, "Grabber", "usb-1"), (2, "Grabber", "usb-2")]),
            at(0)
        );
        assert_eq!(
            again(&[(0, "Webcam", "usb-1"), (2, "Grabber", "usb-1")]),
            at(2)
        );
        assert_eq!(again(&[(3, "Grabber", "usb-9")]), at(3));
    }

    #[test]
    fn another_device_is_never_taken_for_it() {
        assert_eq!(again(&[]), None);
        assert_eq!(again(&[(0, "Webcam", "usb-1")]), None);
        let two_of_a_kind = [(2, "Grabber", "usb-3"), (3, "Grabber", "usb-4")];
        assert_eq!(again(&two_of_a_kind), None);
    }

    #[test]
    fn nodes_are_taken_by_number_and_other_names_left() {
        let names = ["video10", "vbi0", "video2", "video", "video2x", "media0"];
        assert_eq!(numbered(names.map(str::to_owned).into_iter()), [2, 10]);
    }
}
