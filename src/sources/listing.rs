//! What the machine's capture devices offer, as far as they say.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::InputState;

/// One capture device.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DeviceListing {
    /// Its node: what to give `watch` and `scan`.
    pub path: PathBuf,
    /// The maker's name for it.
    pub card: String,
    /// The driver.
    pub driver: String,
    /// Where it is plugged in.
    pub bus: String,
    /// Why it could not be asked, where it could not.
    pub problem: Option<String>,
    /// Its inputs.
    pub inputs: Vec<InputListing>,
    /// Standards of the current input, in the driver's words; empty where it knows none.
    pub standards: Vec<String>,
    /// Pixel formats.
    pub formats: Vec<FormatListing>,
    /// Controls and their values.
    pub controls: Vec<ControlListing>,
}

/// One input of a device.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputListing {
    /// Its number: what to give `--input`.
    pub number: u32,
    /// Its name: `--input` takes it too.
    pub name: String,
    /// Whether it is the one in use.
    pub current: bool,
    /// What the device says of its signal; only of the current input.
    pub state: InputState,
    /// Standards it takes.
    pub standards: String,
}

/// One pixel format of a device.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FormatListing {
    /// Four letters.
    pub code: String,
    /// The driver's description.
    pub name: String,
    /// Whether frames can be measured in it.
    pub readable: bool,
    /// Sizes; empty where the driver lists none.
    pub sizes: Vec<FrameSize>,
}

/// Sizes a device can deliver.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FrameSize {
    /// This one.
    One {
        /// Samples a row.
        width: u32,
        /// Rows.
        rows: u32,
    },
    /// Anything between.
    Range {
        /// Fewest and most samples a row.
        widths: (u32, u32),
        /// Fewest and most rows.
        rows: (u32, u32),
    },
}

/// One control of a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ControlListing {
    /// Its number in the kernel's interface.
    pub id: u32,
    /// Its name in the driver's words.
    pub name: String,
    /// Its value: a number, `on`, `off`, or the name of a choice.
    pub value: String,
    /// The value as a number.
    pub setting: i64,
    /// Smallest value.
    pub minimum: i64,
    /// Largest value.
    pub maximum: i64,
    /// The driver's own value.
    pub default: i64,
    /// From a value to the next.
    pub step: i64,
    /// What it does to the levels, if it is one of those.
    pub role: Option<ControlRole>,
    /// Whether it can be set now.
    pub access: ControlAccess,
}

impl ControlListing {
    /// Whether it is a switch.
    #[must_use]
    pub fn is_switch(&self) -> bool {
        (self.minimum, self.maximum) == (0, 1)
    }

    /// A control of 0 to 255 that can be set, for tests.
    #[cfg(test)]
    pub(crate) fn of_role(id: u32, role: ControlRole, setting: i64) -> Self {
        Self {
            id,
            name: format!("{role:?}"),
            value: setting.to_string(),
            setting,
            minimum: 0,
            maximum: 255,
            default: 128,
            step: 1,
            role: Some(role),
            access: ControlAccess::Free,
        }
    }
}

/// What a control does to the levels; in the order an operator sets them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ControlRole {
    /// The device sets its gain by itself.
    AutoGain,
    /// Gain before the converter.
    Gain,
    /// Adds to luma.
    Brightness,
    /// Multiplies luma.
    Contrast,
    /// The device sets its chroma gain by itself.
    AutoChromaGain,
    /// Chroma gain.
    ChromaGain,
    /// Multiplies chroma.
    Saturation,
    /// Turns chroma.
    Hue,
    /// Raises high frequencies of luma.
    Sharpness,
}

impl ControlRole {
    /// Whether the device sets something by itself while this is on.
    #[must_use]
    pub fn is_automatic(self) -> bool {
        matches!(self, Self::AutoGain | Self::AutoChromaGain)
    }

    /// Whether an automatic may move it.
    #[must_use]
    pub fn is_moved(self) -> bool {
        matches!(self, Self::Gain | Self::ChromaGain)
    }
}

/// Whether a control can be set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ControlAccess {
    /// It can.
    Free,
    /// It has no effect while another control is as it is.
    Idle,
    /// It can be read only, or somebody else holds it.
    Held,
}

/// A value for a control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ControlSetting {
    /// The control's number.
    pub id: u32,
    /// Its value.
    pub value: i64,
}
