use std::cell::{Cell, RefCell};

use v4l::v4l_sys::{
    V4L2_CID_AUTOGAIN, V4L2_CID_BRIGHTNESS, V4L2_CID_CONTRAST, V4L2_CID_GAIN, V4L2_CID_HUE,
    V4L2_CID_SATURATION, V4L2_CID_SHARPNESS,
};

use crate::sources::ControlAccess;

use super::*;

/// A device that answers as a test says.
#[derive(Default)]
struct Fake {
    status: Cell<u32>,
    detected: Cell<Option<u64>>,
    controls: RefCell<Vec<ControlListing>>,
    events: RefCell<VecDeque<DeviceEvent>>,
    asked: Cell<u32>,
}

impl Device for Fake {
    fn status(&self, _input: u32) -> Option<u32> {
        self.asked.set(self.asked.get() + 1);
        Some(self.status.get())
    }

    fn detected(&self) -> Option<u64> {
        self.detected.get()
    }

    fn control(&self, id: u32) -> Option<ControlListing> {
        let controls = self.controls.borrow();
        controls.iter().find(|it| it.id == id).cloned()
    }

    /// As drivers do: whoever sets a control is not told of it.
    fn set_control(&self, setting: ControlSetting) -> Result<(), Errno> {
        let mut controls = self.controls.borrow_mut();
        let control = controls.iter_mut().find(|it| it.id == setting.id);
        let control = control.ok_or(Errno::INVAL)?;
        if !(control.minimum..=control.maximum).contains(&setting.value) {
            return Err(Errno::RANGE);
        }
        control.setting = setting.value;
        control.value = match (control.role, setting.value) {
            (Some(ControlRole::AutoGain), 0) => "off".to_owned(),
            (Some(ControlRole::AutoGain), _) => "on".to_owned(),
            (_, value) => value.to_string(),
        };
        if control.role == Some(ControlRole::AutoGain) {
            let access = match setting.value {
                0 => ControlAccess::Free,
                _ => ControlAccess::Idle,
            };
            let gain = controls.iter_mut().find(|it| it.id == V4L2_CID_GAIN);
            if let Some(gain) = gain {
                gain.access = access;
            }
        }
        Ok(())
    }

    fn event(&self) -> Option<DeviceEvent> {
        self.events.borrow_mut().pop_front()
    }
}

impl Fake {
    fn set(&self, id: u32, value: &str) {
        let mut controls = self.controls.borrow_mut();
        let control = controls.iter_mut().find(|it| it.id == id);
        control.expect("it has the control").value = value.to_owned();
        self.events.borrow_mut().push_back(DeviceEvent::Control(id));
    }
}

fn control(id: u32, name: &str, value: &str) -> ControlListing {
    ControlListing {
        id,
        name: name.to_owned(),
        value: value.to_owned(),
        setting: value.parse().unwrap_or(i64::from(value == "on")),
        minimum: 0,
        maximum: 255,
        default: 128,
        step: 1,
        role: role(id),
        access: ControlAccess::Free,
    }
}

fn role(id: u32) -> Option<ControlRole> {
    match id {
        V4L2_CID_AUTOGAIN => Some(ControlRole::AutoGain),
        V4L2_CID_GAIN => Some(ControlRole::Gain),
        V4L2_CID_BRIGHTNESS => Some(ControlRole::Brightness),
        V4L2_CID_CONTRAST => Some(ControlRole::Contrast),
        V4L2_CID_SATURATION => Some(ControlRole::Saturation),
        V4L2_CID_HUE => Some(ControlRole::Hue),
        V4L2_CID_SHARPNESS => Some(ControlRole::Sharpness),
        _ => None,
    }
}

fn watched(controls: Vec<ControlListing>) -> Watched {
    Watched {
        input: Some(0),
        detects: true,
        lines: Some(Standard::Lines525),
        follows: true,
        controls,
        tells: true,
    }
}

/// Looks so many times, half a second apart.
fn look(watch: &mut Watch, device: &Fake, times: u32) {
    let start = Instant::now();
    for n in 0..times {
        watch.due = None;
        watch.look(device, start + n * STATUS_PERIOD);
    }
}

fn news(watch: &mut Watch) -> Vec<(NewsKind, String)> {
    std::iter::from_fn(|| watch.take_news())
        .map(|it| (it.kind, it.text))
        .collect()
}

const NTSC: u64 = 0xb000;
const PAL: u64 = 0xff;

#[test]
fn each_status_is_told_once_in_words() {
    let device = Fake::default();
    let mut watch = Watch::new(watched(Vec::new()));
    look(&mut watch, &device, 3);
    assert_eq!(watch.state(), InputState::Locked);
    device.status.set(0x2);
    look(&mut watch, &device, 3);
    assert_eq!(watch.state(), InputState::NoSignal);
    device.status.set(0x0100_0000);
    look(&mut watch, &device, 1);
    let told = [
        "signal locked",
        "no signal",
        "signal locked, copy protection pulses seen",
    ];
    assert_eq!(
        news(&mut watch),
        told.map(|text| (NewsKind::Input, text.to_owned()))
    );
}

#[test]
fn a_device_is_not_asked_with_every_frame() {
    let device = Fake::default();
    let mut watch = Watch::new(watched(Vec::new()));
    let start = Instant::now();
    for frame in 0..50 {
        watch.look(&device, start + frame * Duration::from_millis(40));
    }
    assert_eq!(device.asked.get(), 4, "two seconds");
}

#[test]
fn an_event_of_the_signal_has_the_device_asked_at_once() {
    let device = Fake::default();
    let mut watch = Watch::new(watched(Vec::new()));
    let start = Instant::now();
    watch.look(&device, start);
    device.events.borrow_mut().push_back(DeviceEvent::Source);
    watch.take_events(&device);
    watch.look(&device, start + Duration::from_millis(40));
    assert_eq!(device.asked.get(), 2);
}

#[test]
fn another_standard_is_believed_when_found_three_times_in_a_row() {
    let device = Fake::default();
    let mut watch = Watch::new(watched(Vec::new()));
    for (detected, times) in [(NTSC, 2), (PAL, 2), (NTSC, 1), (PAL, 2), (0, 1), (PAL, 2)] {
        device.detected.set(Some(detected));
        look(&mut watch, &device, times);
        assert_eq!(watch.take_changed(), None);
    }
    look(&mut watch, &device, 1);
    assert_eq!(watch.take_changed(), Some(Standard::Lines625));
}

#[test]
fn a_standard_of_both_line_counts_or_none_changes_nothing() {
    let device = Fake::default();
    let mut watch = Watch::new(watched(Vec::new()));
    for detected in [Some(NTSC | PAL), Some(0), None] {
        device.detected.set(detected);
        look(&mut watch, &device, 5);
        assert_eq!(watch.take_changed(), None);
    }
}

#[test]
fn the_operators_standard_is_kept_and_the_other_told_once() {
    let device = Fake::default();
    device.detected.set(Some(PAL));
    let mut watch = Watch::new(Watched {
        follows: false,
        ..watched(Vec::new())
    });
    look(&mut watch, &device, 9);
    assert_eq!(watch.take_changed(), None);
    let told = news(&mut watch);
    let of_standard: Vec<_> = told
        .iter()
        .filter(|it| it.0 == NewsKind::Standard)
        .collect();
    assert_eq!(of_standard.len(), 1, "{told:?}");
    assert!(of_standard[0].1.contains("625"), "{told:?}");
}

#[test]
fn a_changed_control_is_told_with_both_values() {
    let found = vec![control(V4L2_CID_BRIGHTNESS, "Brightness", "128")];
    let device = Fake::default();
    device.controls.borrow_mut().clone_from(&found);
    let mut watch = Watch::new(watched(found));
    device.set(V4L2_CID_BRIGHTNESS, "120");
    watch.take_events(&device);
    watch.take_events(&device);
    let text = "Brightness was changed from 128 to 120.".to_owned();
    assert_eq!(news(&mut watch), [(NewsKind::Control, text)]);
}

#[test]
fn levels_are_asked_for_where_the_driver_does_not_tell() {
    let found = vec![control(V4L2_CID_CONTRAST, "Contrast", "64")];
    let device = Fake::default();
    device.controls.borrow_mut().clone_from(&found);
    let mut watch = Watch::new(Watched {
        tells: false,
        ..watched(found)
    });
    look(&mut watch, &device, 1);
    device.set(V4L2_CID_CONTRAST, "70");
    look(&mut watch, &device, LOOKS_A_CONTROL);
    let told = news(&mut watch);
    let of_controls = told.iter().filter(|it| it.0 == NewsKind::Control);
    assert_eq!(of_controls.count(), 1, "{told:?}");
}

#[test]
fn automatic_gain_and_sharpness_above_neutral_are_warned_of() {
    let two_sided = ControlListing {
        minimum: -8,
        maximum: 8,
        default: 3,
        ..control(V4L2_CID_SHARPNESS, "Sharpness", "1")
    };
    let controls = vec![
        control(V4L2_CID_AUTOGAIN, "Gain, Automatic", "on"),
        control(V4L2_CID_SHARPNESS, "Sharpness", "129"),
        two_sided,
        control(V4L2_CID_SHARPNESS, "Sharpness", "128"),
        control(V4L2_CID_BRIGHTNESS, "Brightness", "200"),
        control(V4L2_CID_AUTOGAIN, "Gain, Automatic", "off"),
    ];
    let warned: Vec<_> = controls.iter().map(|it| warning(it).is_some()).collect();
    assert_eq!(warned, [true, true, true, false, false, false]);
    assert_eq!(news(&mut Watch::new(watched(controls))).len(), 3);
}

#[test]
fn a_control_switched_to_a_harmful_value_is_told_with_the_warning() {
    let found = vec![control(V4L2_CID_AUTOGAIN, "Gain, Automatic", "off")];
    let device = Fake::default();
    device.controls.borrow_mut().clone_from(&found);
    let mut watch = Watch::new(watched(found));
    device.set(V4L2_CID_AUTOGAIN, "on");
    watch.take_events(&device);
    let told = news(&mut watch);
    assert!(
        told[0]
            .1
            .contains("from off to on. Gain, Automatic is on: "),
        "{told:?}"
    );
}

#[test]
fn events_without_end_do_not_hold_up_the_capture() {
    struct Endless;
    impl Device for Endless {
        fn status(&self, _input: u32) -> Option<u32> {
            None
        }
        fn detected(&self) -> Option<u64> {
            None
        }
        fn control(&self, _id: u32) -> Option<ControlListing> {
            None
        }
        fn set_control(&self, _setting: ControlSetting) -> Result<(), Errno> {
            Err(Errno::INVAL)
        }
        fn event(&self) -> Option<DeviceEvent> {
            Some(DeviceEvent::Other)
        }
    }
    Watch::new(watched(Vec::new())).take_events(&Endless);
}

#[test]
fn a_control_that_is_set_here_is_told_once_and_one_that_is_refused_is_not() {
    let found = vec![
        control(V4L2_CID_BRIGHTNESS, "Brightness", "128"),
        control(V4L2_CID_GAIN, "Gain", "20"),
    ];
    let device = Fake::default();
    device.controls.borrow_mut().clone_from(&found);
    let mut watch = Watch::new(watched(found));
    let set =
        |watch: &mut Watch, id, value| watch.set_control(&device, ControlSetting { id, value });
    assert_eq!(set(&mut watch, V4L2_CID_BRIGHTNESS, 131), Ok(()));
    assert_eq!(set(&mut watch, V4L2_CID_GAIN, 21), Ok(()));
    assert_eq!(set(&mut watch, V4L2_CID_BRIGHTNESS, 256), Err(Errno::RANGE));
    let told = [
        "Brightness was changed from 128 to 131.",
        "Gain was changed from 20 to 21.",
    ];
    assert_eq!(
        news(&mut watch),
        told.map(|text| (NewsKind::Control, text.to_owned()))
    );
    let settings: Vec<i64> = watch.controls().iter().map(|it| it.setting).collect();
    assert_eq!(settings, [131, 21]);
}

#[test]
fn an_automatic_that_is_switched_on_takes_the_gain_over() {
    let found = vec![
        control(V4L2_CID_GAIN, "Gain", "20"),
        control(V4L2_CID_AUTOGAIN, "Gain, Automatic", "off"),
    ];
    let device = Fake::default();
    device.controls.borrow_mut().clone_from(&found);
    let mut watch = Watch::new(watched(found));
    let (id, value) = (V4L2_CID_AUTOGAIN, 1);
    watch
        .set_control(&device, ControlSetting { id, value })
        .expect("the fake takes it");
    assert_eq!(watch.controls()[0].access, ControlAccess::Idle);
    let told = news(&mut watch);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].1.contains("was changed from off to on"), "{told:?}");
}
