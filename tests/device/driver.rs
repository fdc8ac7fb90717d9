//! The virtual driver's own knobs: loading it, its controls, and settings made before the source opens a node.
#![expect(
    unsafe_code,
    reason = "settings that no safe interface offers are raw ioctls"
)]

use std::path::Path;
use std::process::Command;

use v4l::Device;
use v4l::control::{Control, MenuItem, Value};
use v4l::v4l_sys::{v4l2_format, v4l2_pix_format};
use v4l::v4l2::vidioc::{self, _IOC_TYPE as RequestNumber};

/// The node frames are captured from: S-Video is input 0, a tuner 1, a webcam 2.
pub(crate) const CAPTURE: &str = "/dev/video0";
/// The node whose frames come out of S-Video when the loop is on.
pub(crate) const OUTPUT: &str = "/dev/video1";

/// One grabber, and one output beside it.
const NODES: &str =
    "n_devs=1 node_types=0x101 num_inputs=3 input_types=0x6 num_outputs=1 output_types=0x0";

/// No scaler, as in a simple grabber: sizes are those of the standard.
const FIXED_SIZE: &str = "ccs_cap_mode=0 ccs_out_mode=0";

pub(crate) const NTSC_M: u64 = 0x1000;
pub(crate) const PAL: u64 = 0xff;

/// Kernel numbers of field layouts (`enum v4l2_field`).
pub(crate) const INTERLACED: u32 = 4;
pub(crate) const SEQ_TB: u32 = 5;
pub(crate) const SEQ_BT: u32 = 6;
pub(crate) const ALTERNATE: u32 = 7;
pub(crate) const INTERLACED_TB: u32 = 8;
pub(crate) const INTERLACED_BT: u32 = 9;

/// Loads the driver anew, so that nothing of the case before is left.
pub(crate) fn load() {
    load_with(FIXED_SIZE);
}

/// The same with a scaler: single fields loop only then.
pub(crate) fn load_with_scaler() {
    load_with("");
}

fn load_with(size: &str) {
    if Path::new(CAPTURE).exists() {
        command("rmmod vivid");
    }
    command(&format!("insmod /mods/vivid.ko {NODES} {size}"));
    // Text over the picture changes with time; cases compare pictures.
    set("osd_text_mode", 2);
}

fn command(line: &str) {
    let status = Command::new("sh").arg("-c").arg(line).status();
    assert!(status.is_ok_and(|it| it.success()), "{line}");
}

/// Sets a control of the capture node, by its name in small letters with `_` between words.
pub(crate) fn set(control: &str, value: i64) {
    change(control, Value::Integer(value));
}

/// What a control of the capture node is at, asked through a handle of its own.
pub(crate) fn value(control: &str) -> i64 {
    let device = open(CAPTURE);
    let id = description(&device, control).id;
    match device.control(id).map(|it| it.value) {
        Ok(Value::Integer(value)) => value,
        other => panic!("{control} is {other:?}"),
    }
}

/// Sets a menu control to the entry of this name.
pub(crate) fn choose(control: &str, entry: &str) {
    let device = open(CAPTURE);
    let found = description(&device, control);
    let items = found.items.unwrap_or_default();
    let index = items
        .iter()
        .find(|(_, item)| matches!(item, MenuItem::Name(name) if name == entry))
        .unwrap_or_else(|| panic!("{control} has no {entry}: {items:?}"))
        .0;
    drop(device);
    set(control, i64::from(index));
}

/// Presses a button.
pub(crate) fn press(control: &str) {
    change(control, Value::None);
}

fn change(control: &str, value: Value) {
    let device = open(CAPTURE);
    let id = description(&device, control).id;
    device
        .set_control(Control { id, value })
        .unwrap_or_else(|error| panic!("setting {control}: {error}"));
}

fn description(device: &Device, control: &str) -> v4l::control::Description {
    let controls = device.query_controls().expect("the driver has controls");
    let name = |it: &v4l::control::Description| plain(&it.name);
    let known: Vec<_> = controls.iter().map(name).collect();
    controls
        .into_iter()
        .find(|it| name(it) == control)
        .unwrap_or_else(|| panic!("no control {control} among {known:?}"))
}

/// `Inject V4L2_BUF_FLAG_ERROR` as `inject_v4l2_buf_flag_error`.
fn plain(name: &str) -> String {
    let words = name.split(|c: char| !c.is_alphanumeric());
    let kept: Vec<_> = words.filter(|word| !word.is_empty()).collect();
    kept.join("_").to_lowercase()
}

pub(crate) fn open(path: &str) -> Device {
    Device::with_path(path).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// What a node is to be set to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    pub(crate) standard: u64,
    pub(crate) rows: u32,
    pub(crate) code: [u8; 4],
    pub(crate) field: u32,
}

impl Setting {
    /// YUYV frames of 525 or 625 lines in a field layout.
    pub(crate) fn woven(standard: u64, field: u32) -> Self {
        let frame_rows = if standard == PAL { 576 } else { 480 };
        Self {
            standard,
            rows: if field == ALTERNATE {
                frame_rows / 2
            } else {
                frame_rows
            },
            code: *b"YUYV",
            field,
        }
    }

    /// Bytes of a row.
    pub(crate) const ROW_BYTES: usize = 1440;

    /// Bytes of a buffer.
    pub(crate) fn bytes(self) -> usize {
        Self::ROW_BYTES * self.rows as usize
    }

    /// Makes it so on a node, for buffers of this type.
    pub(crate) fn apply(self, device: &Device, buffer_type: u32) {
        let mut standard = self.standard;
        call(device, vidioc::VIDIOC_S_STD, &mut standard).expect("S_STD");
        // SAFETY: a C struct of numbers, valid when zero.
        let mut format: v4l2_format = unsafe { std::mem::zeroed() };
        format.type_ = buffer_type;
        // SAFETY: as above.
        let mut pix: v4l2_pix_format = unsafe { std::mem::zeroed() };
        pix.width = 720;
        pix.height = self.rows;
        pix.pixelformat = u32::from_le_bytes(self.code);
        pix.field = self.field;
        // Studio range and the colour space of standard definition; an output is told, a capture tells.
        pix.colorspace = 1;
        format.fmt.pix = pix;
        call(device, vidioc::VIDIOC_S_FMT, &mut format).expect("S_FMT");
        // SAFETY: numbers only, and the type chose this member.
        let got = unsafe { format.fmt.pix };
        assert_eq!(
            (got.width, got.height, got.field),
            (720, self.rows, self.field),
            "{self:?}"
        );
        assert_eq!(got.pixelformat, pix.pixelformat, "{self:?}");
    }
}

/// Sets the capture node beforehand, as an operator would with another tool.
pub(crate) fn preset(setting: Setting) {
    setting.apply(&open(CAPTURE), 1);
}

/// One raw ioctl.
pub(crate) fn call<T>(
    device: &Device,
    number: RequestNumber,
    argument: &mut T,
) -> std::io::Result<()> {
    // SAFETY: the callers pair each request with its own argument type, which lives through the call.
    unsafe {
        v4l::v4l2::ioctl(
            device.handle().fd(),
            number,
            std::ptr::from_mut(argument).cast(),
        )
    }
}
