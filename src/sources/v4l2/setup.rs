//! A device made ready: input, standard, picture format, and a description of it all.
//!
//! Does not know: buffers and frames.

use std::path::Path;
use std::time::Duration;

use v4l::v4l_sys::{
    V4L2_BUF_FLAG_TIMESTAMP_COPY, V4L2_BUF_FLAG_TIMESTAMP_MASK, V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC,
    V4L2_BUF_FLAG_TSTAMP_SRC_MASK, V4L2_BUF_FLAG_TSTAMP_SRC_SOE, v4l2_capability, v4l2_input,
    v4l2_pix_format,
};

use super::enumerate::captures_video;
use super::failure::LIST_HINT;
use super::input::{InForce, choose_input, choose_standard};
use super::layout::{FieldLayout, letters};
use super::node::{Node, text};
use super::picture::{choose_format, picture_format, readable_layout, refused};
use super::signal::SignalReader;
use super::standards;
use super::stream::Stream;
use super::watch::{Watched, warning};
use crate::sources::{
    PictureFormat, SourceDescription, SourceError, SourceErrorKind, StandardWish, Wishes,
};

/// A device ready to stream.
pub(super) struct Setup {
    pub(super) node: Node,
    pub(super) format: PictureFormat,
    pub(super) layout: FieldLayout,
    /// Rows of one buffer.
    pub(super) buffer_rows: usize,
    /// From a field to the next, as the standard or else the device has it.
    pub(super) field_period: Option<Duration>,
    /// What is to be watched while it streams.
    pub(super) watched: Watched,
    pub(super) description: SourceDescription,
}

impl Setup {
    pub(super) fn of(path: &Path, wishes: &Wishes) -> Result<Self, SourceError> {
        let node = Node::open(path)?;
        let capability = node.capability()?;
        if !captures_video(&capability) {
            return Err(SourceError::new(
                SourceErrorKind::Unsupported,
                format!(
                    "{} ({}) does not capture video; {LIST_HINT}",
                    path.display(),
                    text(&capability.card)
                ),
            ));
        }
        let mut description = describe(&node, &capability);
        let input = choose_input(&node, wishes.input.as_deref())?;
        let in_force = choose_standard(&node, input.as_ref(), wishes, &mut description.remarks)?;
        let picture = choose_format(&node, in_force.lines, wishes)?;
        let layout = readable_layout(&node, &picture)?;
        let (format, buffer_rows) = picture_format(
            &picture,
            layout,
            in_force.lines,
            wishes,
            &mut description.remarks,
        );
        if (picture.sizeimage as usize) < format.buffer_bytes(buffer_rows) {
            return Err(refused(&node, &picture));
        }
        describe_setting(&mut description, input.as_ref(), in_force, &picture, layout);
        // Only of the input in use does a device say anything.
        let state = input.and_then(|it| node.input(it.index).ok());
        let state = state.map(|it| SignalReader::new(in_force.detects).words(it.status));
        let state = state.filter(|words| !words.is_empty());
        description
            .details
            .extend(state.map(|words| detail("input state", words)));
        let controls = node.controls();
        description
            .remarks
            .extend(controls.iter().filter_map(warning));
        description.controls = controls
            .iter()
            .map(|control| (control.name.clone(), control.value.clone()))
            .collect();
        let field_period = field_period(&node, in_force);
        let input = input.map(|it| it.index);
        if let Some(input) = input {
            // Not every driver tells; then the status alone says it.
            let _ = node.subscribe_source(input);
        }
        let watched = Watched {
            input,
            detects: in_force.detects,
            lines: in_force.bits.and(in_force.lines),
            follows: matches!(wishes.standard, None | Some(StandardWish::Auto)),
            tells: controls
                .iter()
                .all(|control| node.subscribe_control(control.id).is_ok()),
            controls,
        };
        Ok(Self {
            node,
            format,
            layout,
            buffer_rows,
            field_period,
            watched,
            description,
        })
    }
}

/// A device without standards sets its own pace: two fields are what it calls a frame.
fn field_period(node: &Node, in_force: InForce) -> Option<Duration> {
    let by_standard = in_force
        .bits
        .and(in_force.lines)
        .map(|it| Duration::from_secs_f64(it.field_period().0));
    by_standard.or_else(|| node.frame_period().map(|frame| frame / 2))
}

fn describe(node: &Node, capability: &v4l2_capability) -> SourceDescription {
    let version = capability.version.to_be_bytes();
    SourceDescription {
        name: node.path().display().to_string(),
        kind: "V4L2 device".to_owned(),
        live: true,
        frames: None,
        details: vec![
            detail("card", text(&capability.card)),
            detail("driver", text(&capability.driver)),
            detail(
                "driver version",
                format!("{}.{}.{}", version[1], version[2], version[3]),
            ),
            detail("bus", text(&capability.bus_info)),
        ],
        controls: Vec::new(),
        remarks: Vec::new(),
    }
}

fn describe_setting(
    description: &mut SourceDescription,
    input: Option<&v4l2_input>,
    in_force: InForce,
    picture: &v4l2_pix_format,
    layout: FieldLayout,
) {
    let input = input.map(|it| detail("input", format!("{} ({})", it.index, text(&it.name))));
    let standard = in_force
        .bits
        .map(|bits| detail("standard", standards::names(bits)));
    description.details.extend(input);
    description.details.extend(standard);
    description.details.extend([
        detail("pixel format", letters(picture.pixelformat)),
        detail("buffer", format!("{}x{}", picture.width, picture.height)),
        detail("field layout", layout.word().to_owned()),
    ]);
}

/// Adds what only the buffers tell: how many, and what their times mean.
pub(super) fn describe_stream(description: &mut SourceDescription, stream: &Stream) {
    let clock = match stream.flags() & V4L2_BUF_FLAG_TIMESTAMP_MASK {
        V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC => "monotonic",
        V4L2_BUF_FLAG_TIMESTAMP_COPY => "copied",
        _ => "unknown",
    };
    let point = if stream.flags() & V4L2_BUF_FLAG_TSTAMP_SRC_MASK == V4L2_BUF_FLAG_TSTAMP_SRC_SOE {
        "start of exposure"
    } else {
        "end of frame"
    };
    description.details.extend([
        detail("clock", clock.to_owned()),
        detail("time taken at", point.to_owned()),
        detail("buffers", stream.buffers().to_string()),
    ]);
    if clock != "monotonic" {
        description.remarks.push(
            "The device has no clock that can be used; time is counted in fields.".to_owned(),
        );
    }
}

fn detail(name: &str, value: String) -> (String, String) {
    (name.to_owned(), value)
}
