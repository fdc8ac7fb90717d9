//! A device made ready: input, standard, picture format, and a description of it all.
//!
//! Does not know: buffers and frames.

use std::path::Path;

use rustix::io::Errno;
use v4l::v4l_sys::{
    V4L2_BUF_FLAG_TIMESTAMP_COPY, V4L2_BUF_FLAG_TIMESTAMP_MASK, V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC,
    V4L2_BUF_FLAG_TSTAMP_SRC_MASK, V4L2_BUF_FLAG_TSTAMP_SRC_SOE, v4l2_capability,
    v4l2_field_V4L2_FIELD_INTERLACED, v4l2_input, v4l2_pix_format,
};

use super::enumerate::captures_video;
use super::failure::LIST_HINT;
use super::layout::{self, FieldLayout, READABLE, letters};
use super::node::{Node, text};
use super::standards::{self, Offer};
use super::stream::Stream;
use crate::sources::{
    PictureFormat, SourceDescription, SourceError, SourceErrorKind, StandardWish, Wishes,
    sample_rate,
};
use crate::standard::{RateTrust, Standard};

/// Samples a row asked for where the operator does not say: all of the line at 13.5 MHz.
const USUAL_WIDTH: usize = 720;

/// A device ready to stream.
pub(super) struct Setup {
    pub(super) node: Node,
    pub(super) format: PictureFormat,
    pub(super) layout: FieldLayout,
    /// Rows of one buffer.
    pub(super) buffer_rows: usize,
    /// Whether lost frames are numbered too.
    pub(super) numbers_complete: bool,
    /// Whether the device looks at its signal.
    pub(super) detects: bool,
    /// The input to watch.
    pub(super) input: Option<u32>,
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
        description.controls = node
            .controls()
            .into_iter()
            .map(|control| (control.name, control.value))
            .collect();
        Ok(Self {
            node,
            format,
            layout,
            buffer_rows,
            numbers_complete: in_force.bits.is_some(),
            detects: in_force.detects,
            input: input.map(|it| it.index),
            description,
        })
    }
}

/// The standard in force.
#[derive(Clone, Copy)]
struct InForce {
    /// `v4l2_std_id`; `None` for a device without standards.
    bits: Option<u64>,
    lines: Option<Standard>,
    detects: bool,
}

fn choose_input(node: &Node, wish: Option<&str>) -> Result<Option<v4l2_input>, SourceError> {
    let inputs = node.inputs();
    let Some(wish) = wish else {
        let current = node.current_input().ok();
        return Ok(inputs.into_iter().find(|it| Some(it.index) == current));
    };
    let names: Vec<_> = inputs.iter().map(|it| (it.index, text(&it.name))).collect();
    let Some(number) = matching_input(&names, wish) else {
        return Err(unknown_input(node, wish, &names));
    };
    if node.current_input() != Ok(number) {
        node.set_input(number)
            .map_err(|error| node.failure(&format!("switching to input {wish:?}"), error))?;
    }
    Ok(inputs.into_iter().find(|it| it.index == number))
}

/// The input meant: a number, a name in any case, or the one input whose name contains the word.
fn matching_input(names: &[(u32, String)], wish: &str) -> Option<u32> {
    if let Ok(number) = wish.trim().parse::<u32>() {
        return names.iter().find(|it| it.0 == number).map(|it| it.0);
    }
    let wish = wish.trim().to_lowercase();
    let whole = names.iter().find(|it| it.1.to_lowercase() == wish);
    let mut partial = names
        .iter()
        .filter(|it| it.1.to_lowercase().contains(&wish));
    match (whole, partial.next(), partial.next()) {
        (Some(one), _, _) | (None, Some(one), None) => Some(one.0),
        _ => None,
    }
}

fn unknown_input(node: &Node, wish: &str, names: &[(u32, String)]) -> SourceError {
    let offered: Vec<_> = names
        .iter()
        .map(|(number, name)| format!("{number} ({name})"))
        .collect();
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: no single input is called {wish:?}; it has {}",
            node.path().display(),
            offered.join(", ")
        ),
    )
}

fn choose_standard(
    node: &Node,
    input: Option<&v4l2_input>,
    wishes: &Wishes,
    remarks: &mut Vec<String>,
) -> Result<InForce, SourceError> {
    let wish = wishes.standard.unwrap_or(StandardWish::Auto);
    let current = match node.standard() {
        Ok(bits) => bits,
        Err(Errno::NOTTY | Errno::INVAL | Errno::NODATA) => {
            remarks.push(
                "The device knows no video standards; the raster or `--standard` says which it is."
                    .to_owned(),
            );
            return Ok(InForce {
                bits: None,
                lines: wish.lines(),
                detects: false,
            });
        }
        Err(error) => return Err(node.failure("asking for its standard", error)),
    };
    let detected = node.detect_standard().ok();
    let choice = standards::choose(
        wish,
        Offer {
            supported: input.map_or(u64::MAX, |it| it.std),
            current,
            detected,
        },
    );
    remarks.extend(choice.remark);
    if let Some(bits) = choice.set {
        node.set_standard(bits)
            .map_err(|error| refused_standard(node, input, bits, error))?;
    }
    let bits = node.standard().unwrap_or(current);
    Ok(InForce {
        bits: Some(bits),
        lines: standards::lines(bits),
        detects: detected.is_some(),
    })
}

fn refused_standard(
    node: &Node,
    input: Option<&v4l2_input>,
    bits: u64,
    error: Errno,
) -> SourceError {
    let wanted = standards::names(bits);
    if error != Errno::INVAL {
        return node.failure(&format!("setting the standard {wanted}"), error);
    }
    let offered = input.map_or_else(|| "others".to_owned(), |it| standards::names(it.std));
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: the standard {wanted} is not offered by its input; it takes {offered}",
            node.path().display()
        ),
    )
}

fn choose_format(
    node: &Node,
    lines: Option<Standard>,
    wishes: &Wishes,
) -> Result<v4l2_pix_format, SourceError> {
    let current = node
        .format()
        .map_err(|error| node.failure("asking for its picture format", error))?;
    let offered: Vec<u32> = node.formats().iter().map(|it| it.pixelformat).collect();
    let pixelformat = choose_pixel_format(current.pixelformat, &offered)
        .ok_or_else(|| unreadable(node, &offered))?;
    let layout = FieldLayout::from_field(current.field);
    let field = match layout {
        // One field of two, or no fields at an interlaced signal: never of choice.
        Some(FieldLayout::Only(_)) | None => v4l2_field_V4L2_FIELD_INTERLACED,
        Some(FieldLayout::Progressive) if lines.is_some() => v4l2_field_V4L2_FIELD_INTERLACED,
        Some(_) => current.field,
    };
    let usual = lines.map(|it| (USUAL_WIDTH, frame_rows(it)));
    let mut wanted = v4l2_pix_format {
        pixelformat,
        field,
        // Both for the driver to fill: what it says now belongs to the size in force.
        bytesperline: 0,
        sizeimage: 0,
        ..current
    };
    if let Some((width, rows)) = wishes.raster.or(usual) {
        let single = FieldLayout::from_field(field).is_some_and(FieldLayout::is_single);
        wanted.width = width as u32;
        wanted.height = if single { rows / 2 } else { rows } as u32;
    }
    node.set_format(wanted)
        .map_err(|error| node.failure("setting its picture format", error))
}

fn frame_rows(standard: Standard) -> usize {
    match standard {
        Standard::Lines525 => 480,
        Standard::Lines625 => 576,
    }
}

/// The format in force if it can be read, else the first readable one on offer.
fn choose_pixel_format(current: u32, offered: &[u32]) -> Option<u32> {
    let readable = READABLE.iter().map(|it| layout::code(it.0));
    std::iter::once(current)
        .filter(|&it| layout::samples(it).is_some())
        .chain(readable.filter(|it| offered.contains(it)))
        .next()
}

fn unreadable(node: &Node, offered: &[u32]) -> SourceError {
    let offered: Vec<_> = offered.iter().map(|&it| letters(it)).collect();
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: it delivers {}, none of which can be read here (YUYV, UYVY, YVYU, VYUY); let another program \
             decode it and pipe Y4M to `-`",
            node.path().display(),
            if offered.is_empty() {
                "no format it names".to_owned()
            } else {
                offered.join(", ")
            },
        ),
    )
}

fn readable_layout(node: &Node, picture: &v4l2_pix_format) -> Result<FieldLayout, SourceError> {
    FieldLayout::from_field(picture.field)
        .filter(|_| layout::samples(picture.pixelformat).is_some())
        .filter(|_| picture.width > 0 && picture.height > 0)
        .ok_or_else(|| refused(node, picture))
}

fn refused(node: &Node, picture: &v4l2_pix_format) -> SourceError {
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: the format it settled on cannot be read ({} {}x{}, field {}, {} bytes a row, {} in all)",
            node.path().display(),
            letters(picture.pixelformat),
            picture.width,
            picture.height,
            picture.field,
            picture.bytesperline,
            picture.sizeimage,
        ),
    )
}

/// The format in our words, and the rows of one buffer.
fn picture_format(
    picture: &v4l2_pix_format,
    layout: FieldLayout,
    lines: Option<Standard>,
    wishes: &Wishes,
    remarks: &mut Vec<String>,
) -> (PictureFormat, usize) {
    let (width, buffer_rows) = (picture.width as usize, picture.height as usize);
    let rows = if layout.is_single() {
        2 * buffer_rows
    } else {
        buffer_rows
    };
    let standard = lines.or_else(|| Standard::from_rows(rows));
    let (sample_rate, rate_trust) = sample_rate(width, standard, wishes).unzip();
    // The order by rule rests on a standard the device named; rows alone are no such word.
    let said = layout.order(lines);
    let stride = picture.bytesperline as usize;
    let tight = width.div_ceil(2) * 4;
    let format = PictureFormat {
        width,
        rows,
        samples: layout::samples(picture.pixelformat).expect("the layout check refused all others"),
        padded_stride: (stride > tight).then_some(stride),
        range: wishes
            .range
            .unwrap_or_else(|| layout::range(picture.quantization)),
        standard,
        sample_rate,
        rate_trust: rate_trust.unwrap_or(RateTrust::Presumed),
        field_order: wishes.field_order.or(said),
        field_order_forced: wishes.field_order.is_some(),
    };
    remarks.extend(remarks_on(&format, layout, wishes));
    (format, buffer_rows)
}

fn remarks_on(format: &PictureFormat, layout: FieldLayout, wishes: &Wishes) -> Vec<String> {
    let got = (format.width, format.rows);
    let other_size = wishes
        .raster
        .filter(|&wanted| wanted != got)
        .map(|(width, rows)| {
            format!(
                "{width}x{rows} was asked for; the device delivers {}x{}.",
                got.0, got.1
            )
        });
    let presumed = (format.rate_trust == RateTrust::Presumed && format.sample_rate.is_some())
        .then(|| {
            "The sample rate is presumed from the width; if the device scales, `--sample-rate` says what is true."
                .to_owned()
        });
    let half = matches!(layout, FieldLayout::Only(_)).then(|| {
        format!(
            "The device delivers only the {} field of each frame; the other counts as lost.",
            layout.word()
        )
    });
    let unordered = format.field_order.is_none().then(|| {
        "The device does not say which field is older; the picture is asked, or `--field-order` says.".to_owned()
    });
    [other_size, presumed, half, unordered]
        .into_iter()
        .flatten()
        .collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::FieldOrder;
    use crate::units::CodeRange;

    fn names() -> Vec<(u32, String)> {
        [(0, "S-Video 0"), (1, "Composite 1"), (2, "Composite 2")]
            .map(|(number, name)| (number, name.to_owned()))
            .into()
    }

    #[test]
    fn an_input_is_meant_by_number_name_or_the_part_only_it_has() {
        let meant = |wish| matching_input(&names(), wish);
        assert_eq!(meant("2"), Some(2));
        assert_eq!(meant("composite 1"), Some(1));
        assert_eq!(meant("s-video"), Some(0));
        assert_eq!(meant("composite"), None, "two have it");
        assert_eq!(meant("7"), None);
        assert_eq!(meant("HDMI"), None);
    }

    #[test]
    fn a_readable_format_in_force_is_kept_and_others_replaced() {
        let [yuyv, uyvy, mjpg] = [*b"YUYV", *b"UYVY", *b"MJPG"].map(layout::code);
        assert_eq!(choose_pixel_format(uyvy, &[yuyv, uyvy]), Some(uyvy));
        assert_eq!(choose_pixel_format(mjpg, &[mjpg, uyvy, yuyv]), Some(yuyv));
        assert_eq!(choose_pixel_format(mjpg, &[mjpg]), None);
    }

    fn picture(width: u32, height: u32) -> v4l2_pix_format {
        let mut picture = blank_picture();
        picture.width = width;
        picture.height = height;
        picture.pixelformat = layout::code(*b"YUYV");
        picture.bytesperline = 2 * width;
        picture
    }

    fn blank_picture() -> v4l2_pix_format {
        v4l2_pix_format {
            width: 0,
            height: 0,
            pixelformat: 0,
            field: 0,
            bytesperline: 0,
            sizeimage: 0,
            colorspace: 0,
            priv_: 0,
            flags: 0,
            __bindgen_anon_1: v4l::v4l_sys::v4l2_pix_format__bindgen_ty_1 { ycbcr_enc: 0 },
            quantization: 0,
            xfer_func: 0,
        }
    }

    fn read(
        picture: &v4l2_pix_format,
        layout: FieldLayout,
        lines: Option<Standard>,
        wishes: &Wishes,
    ) -> (PictureFormat, usize, Vec<String>) {
        let mut remarks = Vec::new();
        let (format, rows) = picture_format(picture, layout, lines, wishes, &mut remarks);
        (format, rows, remarks)
    }

    #[test]
    fn single_fields_are_half_the_rows_of_a_frame() {
        let lines = Some(Standard::Lines525);
        let (format, rows, _) = read(
            &picture(720, 240),
            FieldLayout::Alternate,
            lines,
            &Wishes::default(),
        );
        assert_eq!((format.rows, rows), (480, 240));
        assert_eq!(format.field_order, Some(FieldOrder::Bottom));
    }

    #[test]
    fn padded_rows_are_kept_and_counted() {
        let mut padded = picture(720, 576);
        padded.bytesperline = 1536;
        let (format, rows, _) = read(
            &padded,
            FieldLayout::Interlaced,
            Some(Standard::Lines625),
            &Wishes::default(),
        );
        assert_eq!(format.padded_stride, Some(1536));
        assert_eq!(format.buffer_bytes(rows), 1536 * 576);
    }

    #[test]
    fn the_operators_word_goes_before_the_devices() {
        let wishes = Wishes {
            field_order: Some(FieldOrder::Top),
            range: Some(CodeRange::Full),
            ..Wishes::default()
        };
        let (format, _, _) = read(
            &picture(720, 480),
            FieldLayout::Interlaced,
            Some(Standard::Lines525),
            &wishes,
        );
        assert_eq!(format.field_order, Some(FieldOrder::Top));
        assert!(format.field_order_forced);
        assert_eq!(format.range, CodeRange::Full);
    }

    #[test]
    fn a_device_without_standards_goes_by_its_rows_but_says_no_order() {
        let (format, _, remarks) = read(
            &picture(640, 480),
            FieldLayout::Interlaced,
            None,
            &Wishes::default(),
        );
        assert_eq!(format.standard, Some(Standard::Lines525));
        assert_eq!(format.field_order, None);
        assert_eq!(remarks.len(), 2, "presumed rate, unsaid order: {remarks:?}");
    }

    #[test]
    fn another_size_than_asked_for_is_remarked() {
        let wishes = Wishes {
            raster: Some((768, 576)),
            ..Wishes::default()
        };
        let (_, _, remarks) = read(
            &picture(720, 576),
            FieldLayout::Interlaced,
            Some(Standard::Lines625),
            &wishes,
        );
        assert_eq!(
            remarks,
            ["768x576 was asked for; the device delivers 720x576."]
        );
    }
}
