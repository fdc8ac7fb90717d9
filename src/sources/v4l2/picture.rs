//! Which pictures a device is asked for, and how those it settles on are read.
//!
//! Does not know: inputs and buffers.

use v4l::v4l_sys::{v4l2_field_V4L2_FIELD_INTERLACED, v4l2_pix_format};

use super::layout::{self, FieldLayout, READABLE, letters};
use super::node::Node;
use crate::sources::{PictureFormat, SourceError, SourceErrorKind, Wishes, sample_rate};
use crate::standard::{RateTrust, Standard};

/// Samples a row asked for where the operator does not say: all of the line at 13.5 MHz.
const USUAL_WIDTH: usize = 720;

/// Asks for a picture format: what is set already where it can be read, else the first readable one.
pub(super) fn choose_format(
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

/// The field layout of a format that can be read.
pub(super) fn readable_layout(
    node: &Node,
    picture: &v4l2_pix_format,
) -> Result<FieldLayout, SourceError> {
    FieldLayout::from_field(picture.field)
        .filter(|_| layout::samples(picture.pixelformat).is_some())
        .filter(|_| picture.width > 0 && picture.height > 0)
        .ok_or_else(|| refused(node, picture))
}

/// Why the format the device settled on is of no use.
pub(super) fn refused(node: &Node, picture: &v4l2_pix_format) -> SourceError {
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
pub(super) fn picture_format(
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::FieldOrder;
    use crate::units::CodeRange;

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
