//! Controls of a node: their names, bounds and values.
//!
//! The driver's own names and words; controls without a value that fits a line (buttons, headings, arrays) are left
//! out, whatever their type, known today or not.

use std::os::fd::AsRawFd;

use rustix::io::Errno;
use v4l::v4l_sys::{
    V4L2_CID_AUTOGAIN, V4L2_CID_BRIGHTNESS, V4L2_CID_CHROMA_AGC, V4L2_CID_CHROMA_GAIN,
    V4L2_CID_CONTRAST, V4L2_CID_GAIN, V4L2_CID_HUE, V4L2_CID_SATURATION, V4L2_CID_SHARPNESS,
    V4L2_CTRL_FLAG_DISABLED, V4L2_CTRL_FLAG_GRABBED, V4L2_CTRL_FLAG_HAS_PAYLOAD,
    V4L2_CTRL_FLAG_INACTIVE, V4L2_CTRL_FLAG_NEXT_CTRL, V4L2_CTRL_FLAG_READ_ONLY,
    V4L2_CTRL_FLAG_WRITE_ONLY, v4l2_ctrl_type_V4L2_CTRL_TYPE_BITMASK,
    v4l2_ctrl_type_V4L2_CTRL_TYPE_BOOLEAN, v4l2_ctrl_type_V4L2_CTRL_TYPE_BUTTON,
    v4l2_ctrl_type_V4L2_CTRL_TYPE_CTRL_CLASS, v4l2_ctrl_type_V4L2_CTRL_TYPE_INTEGER_MENU,
    v4l2_ctrl_type_V4L2_CTRL_TYPE_INTEGER64, v4l2_ctrl_type_V4L2_CTRL_TYPE_MENU, v4l2_ext_control,
    v4l2_ext_controls, v4l2_query_ext_ctrl, v4l2_querymenu,
};
use v4l::v4l2::vidioc;

use super::{LONGEST_LIST, Node, QUERY_CONTROL, QUERY_MENU, blank, text};
use crate::sources::{ControlAccess, ControlListing, ControlRole, ControlSetting};

impl Node {
    /// All controls with a value that can be shown in one line.
    pub(in crate::sources::v4l2) fn controls(&self) -> Vec<ControlListing> {
        let mut found = Vec::new();
        let mut control: v4l2_query_ext_ctrl = blank();
        for _ in 0..LONGEST_LIST {
            control.id |= V4L2_CTRL_FLAG_NEXT_CTRL;
            if self.call(&QUERY_CONTROL, &mut control).is_err() {
                break;
            }
            found.extend(self.control(&control));
        }
        found
    }

    /// One control, by its number.
    pub(in crate::sources::v4l2) fn control_of(&self, id: u32) -> Option<ControlListing> {
        let mut control: v4l2_query_ext_ctrl = blank();
        control.id = id;
        self.call(&QUERY_CONTROL, &mut control).ok()?;
        self.control(&control)
    }

    fn control(&self, control: &v4l2_query_ext_ctrl) -> Option<ControlListing> {
        const HIDDEN: u32 =
            V4L2_CTRL_FLAG_DISABLED | V4L2_CTRL_FLAG_WRITE_ONLY | V4L2_CTRL_FLAG_HAS_PAYLOAD;
        let no_value = control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_BUTTON
            || control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_CTRL_CLASS;
        if no_value || control.flags & HIDDEN != 0 {
            return None;
        }
        let value = self.control_value(control).ok()?;
        Some(ControlListing {
            id: control.id,
            name: text(&control.name.map(text_byte)),
            value: self.control_word(control, value),
            setting: value,
            minimum: control.minimum,
            maximum: control.maximum,
            default: control.default_value,
            step: i64::try_from(control.step).unwrap_or(i64::MAX).max(1),
            role: role(control.id),
            access: access(control.flags),
        })
    }

    /// Sets a control that holds one number.
    pub(in crate::sources::v4l2) fn set_control(
        &self,
        setting: ControlSetting,
    ) -> Result<(), Errno> {
        let mut control: v4l2_query_ext_ctrl = blank();
        control.id = setting.id;
        self.call(&QUERY_CONTROL, &mut control)?;
        if control.flags & V4L2_CTRL_FLAG_HAS_PAYLOAD != 0 {
            return Err(Errno::INVAL); // its value would be a pointer
        }
        // SAFETY: a C struct of numbers and pointers, valid when zero.
        let mut one: v4l2_ext_control = unsafe { std::mem::zeroed() };
        one.id = setting.id;
        if control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_INTEGER64 {
            one.__bindgen_anon_1.value64 = setting.value;
        } else {
            one.__bindgen_anon_1.value =
                i32::try_from(setting.value).map_err(|_beyond| Errno::RANGE)?;
        }
        self.call_on_control(&mut one, vidioc::VIDIOC_S_EXT_CTRLS)
    }

    /// One request about one control without a payload.
    fn call_on_control(
        &self,
        one: &mut v4l2_ext_control,
        request: vidioc::_IOC_TYPE,
    ) -> Result<(), Errno> {
        // SAFETY: a C struct of numbers and pointers, valid when zero.
        let mut asked: v4l2_ext_controls = unsafe { std::mem::zeroed() };
        asked.count = 1;
        asked.controls = &raw mut *one;
        // SAFETY: `asked` is what both requests want and points to the one control it counts, which outlives the call;
        // the callers let no control with a payload through, so the kernel follows no pointer of it.
        let answer =
            unsafe { v4l::v4l2::ioctl(self.file.as_raw_fd(), request, (&raw mut asked).cast()) };
        answer.map_err(|error| Errno::from_io_error(&error).unwrap_or(Errno::IO))
    }

    fn control_value(&self, control: &v4l2_query_ext_ctrl) -> Result<i64, Errno> {
        // SAFETY: a C struct of numbers and pointers, valid when zero.
        let mut one: v4l2_ext_control = unsafe { std::mem::zeroed() };
        one.id = control.id;
        self.call_on_control(&mut one, vidioc::VIDIOC_G_EXT_CTRLS)?;
        // SAFETY: numbers share the union; the type says which of the two the driver wrote.
        Ok(unsafe {
            if control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_INTEGER64 {
                one.__bindgen_anon_1.value64
            } else {
                i64::from(one.__bindgen_anon_1.value)
            }
        })
    }

    fn control_word(&self, control: &v4l2_query_ext_ctrl, value: i64) -> String {
        let mut item: v4l2_querymenu = blank();
        item.id = control.id;
        item.index = u32::try_from(value).unwrap_or_default();
        let is_menu = control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_MENU
            || control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_INTEGER_MENU;
        if control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_BOOLEAN {
            return if value == 0 { "off" } else { "on" }.to_owned();
        }
        if control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_BITMASK {
            return format!("{:#x}", value as u32);
        }
        if !is_menu || self.call(&QUERY_MENU, &mut item).is_err() {
            return value.to_string();
        }
        // SAFETY: a name or a number share the union, both valid whatever their bytes; the type says which it is.
        unsafe {
            if control.type_ == v4l2_ctrl_type_V4L2_CTRL_TYPE_MENU {
                let name = item.__bindgen_anon_1.name;
                text(&name)
            } else {
                let number = item.__bindgen_anon_1.value;
                number.to_string()
            }
        }
    }
}

/// What a control does to the levels, by its number in `v4l2-controls.h`.
fn role(id: u32) -> Option<ControlRole> {
    match id {
        V4L2_CID_AUTOGAIN => Some(ControlRole::AutoGain),
        V4L2_CID_GAIN => Some(ControlRole::Gain),
        V4L2_CID_BRIGHTNESS => Some(ControlRole::Brightness),
        V4L2_CID_CONTRAST => Some(ControlRole::Contrast),
        V4L2_CID_CHROMA_AGC => Some(ControlRole::AutoChromaGain),
        V4L2_CID_CHROMA_GAIN => Some(ControlRole::ChromaGain),
        V4L2_CID_SATURATION => Some(ControlRole::Saturation),
        V4L2_CID_HUE => Some(ControlRole::Hue),
        V4L2_CID_SHARPNESS => Some(ControlRole::Sharpness),
        _ => None,
    }
}

fn access(flags: u32) -> ControlAccess {
    if flags & (V4L2_CTRL_FLAG_READ_ONLY | V4L2_CTRL_FLAG_GRABBED) != 0 {
        ControlAccess::Held
    } else if flags & V4L2_CTRL_FLAG_INACTIVE != 0 {
        ControlAccess::Idle
    } else {
        ControlAccess::Free
    }
}

#[expect(
    clippy::cast_sign_loss,
    reason = "`c_char` is a byte of text here, and unsigned on some machines"
)]
fn text_byte(byte: std::os::raw::c_char) -> u8 {
    byte as u8
}
