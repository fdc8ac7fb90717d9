use super::*;
use crate::alarms::script::{exactly, healthy};
use crate::measures::levels::setup::{Case, Reading};
use crate::units::{Estimate, Ire, LumaCode, Percent, Ratio, ire_from_code};

const BRIGHTNESS: u32 = 1;
const CONTRAST: u32 = 2;

/// A device: what it makes of a tape whose levels run evenly from one code to another.
struct Device {
    brightness: i64,
    contrast: i64,
    tape: (f64, f64),
    /// Codes that one up of brightness adds.
    strength: f64,
    /// Levels over this are cut off before the controls.
    cut: f64,
    advice: Option<Reading>,
    has_contrast: bool,
    field: u64,
}

impl Device {
    fn new(tape: (f64, f64)) -> Self {
        Self {
            brightness: 128,
            contrast: 128,
            tape,
            strength: 0.7,
            cut: 300.0,
            advice: None,
            has_contrast: true,
            field: 0,
        }
    }

    /// What a code of the tape becomes: contrast turns about mid-scale, brightness is added.
    fn code(&self, tape: f64) -> f64 {
        let tape = tape.min(self.cut);
        let gain = self.contrast as f64 / 128.0;
        let added = self.strength * (self.brightness - 128) as f64;
        (126.0 + (tape - 126.0) * gain + added).clamp(1.0, 254.0)
    }

    fn readings(&mut self) -> Readings {
        let mut readings = healthy(self.field);
        self.field += 1;
        let levels = &mut readings.levels;
        let mut codes: Vec<f64> = (0..=1000)
            .map(|step| self.tape.0 + (self.tape.1 - self.tape.0) * f64::from(step) / 1000.0)
            .map(|tape| self.code(tape))
            .collect();
        codes.sort_unstable_by(f64::total_cmp);
        for &code in &codes {
            levels.ladder[code.round() as usize] += 1;
        }
        let ire = |code: f64| ire_from_code(LumaCode(code), CodeRange::Studio);
        levels.black = exactly(ire(codes[5]));
        levels.peak = exactly(ire(codes[995]));
        let share = |end: f64| {
            let stuck = codes.iter().filter(|&&code| code == end).count();
            Some(Percent(stuck as f64 / 10.0))
        };
        // Only what piles up is stuck.
        levels.low_clip = share(1.0);
        levels.high_clip = share(self.code(self.cut)).filter(|_| self.tape.1 > self.cut);
        if self.code(self.tape.1) >= 254.0 {
            levels.high_clip = share(254.0);
        }
        levels.setup = self.advice;
        readings
    }

    fn controls(&self) -> Vec<ControlListing> {
        let brightness =
            ControlListing::of_role(BRIGHTNESS, ControlRole::Brightness, self.brightness);
        let contrast = ControlListing::of_role(CONTRAST, ControlRole::Contrast, self.contrast);
        let contrast = Some(contrast).filter(|_| self.has_contrast);
        std::iter::once(brightness).chain(contrast).collect()
    }

    fn obey(&mut self, act: &Act) {
        for setting in &act.set {
            match setting.id {
                BRIGHTNESS => self.brightness = setting.value,
                _ => self.contrast = setting.value,
            }
        }
    }

    fn ire(&self, tape: f64) -> f64 {
        ire_from_code(LumaCode(self.code(tape)), CodeRange::Studio).0
    }
}

/// Two minutes at most.
const FIELDS: usize = 7_200;

/// Lets it search; what it said.
fn search(device: &mut Device, each: impl Fn(&mut Device, &Act)) -> (Finder, Vec<Act>) {
    let mut finder = Finder::new(&device.controls(), CodeRange::Studio).expect("it has brightness");
    let mut acts = Vec::new();
    for _ in 0..FIELDS {
        let readings = device.readings();
        if let Some(act) = finder.observe(&readings, &device.controls(), None) {
            device.obey(&act);
            each(device, &act);
            acts.push(act);
        }
    }
    (finder, acts)
}

fn advised(change: f64) -> Reading {
    Reading {
        case: Case::Raised,
        likeliest: Case::Raised,
        probability: Ratio(0.98),
        change: Some(Estimate::new(Ire(change), Ire(0.4), 20)),
        blanking: None,
        looks: 20,
        dark_looks: 8,
        has_setup: true,
        range_doubt: None,
        range_judged: true,
    }
}

#[test]
fn black_that_the_adviser_finds_raised_goes_to_its_place_in_small_steps() {
    // Set-up left in: black at 7.5 IRE, code 32.4.
    let mut device = Device::new((32.4, 200.0));
    device.advice = Some(advised(-7.5));
    let mut last = 128;
    let (finder, acts) = search(&mut device, |device, act| {
        if act.changed.is_some() {
            device.advice = None; // it begins anew
        }
    });
    assert_eq!(finder.standing(), Standing::Found, "{}", finder.report());
    let black = device.ire(32.4);
    assert!(black.abs() < 1.0, "{black} IRE: {acts:#?}");
    for setting in acts.iter().flat_map(|act| &act.set) {
        if setting.id == BRIGHTNESS {
            let codes = 0.7 * (setting.value - last) as f64;
            assert!(codes.abs() <= MOST_SHIFT + 0.7, "{acts:#?}");
            last = setting.value;
        }
    }
    assert_eq!(device.contrast, 128, "peak is no matter");
    assert!(finder.report().starts_with("levels found: Brightness"));
    assert_eq!(acts.iter().filter(|it| it.changed.is_some()).count(), 1);
}

#[test]
fn peak_over_nominal_is_lowered_by_contrast_while_black_stays() {
    let mut device = Device::new((16.0, 252.0));
    let (finder, acts) = search(&mut device, |_, _| {});
    assert_eq!(finder.standing(), Standing::Found, "{}", finder.report());
    let (black, peak) = (device.ire(16.0), device.ire(252.0));
    assert!(black.abs() < 1.5, "{black} IRE: {acts:#?}");
    assert!((95.0..102.5).contains(&peak), "{peak} IRE: {acts:#?}");
}

#[test]
fn black_that_is_cut_off_by_the_brightness_is_freed() {
    let mut device = Device::new((16.0, 200.0));
    device.brightness = 80;
    let (finder, acts) = search(&mut device, |_, _| {});
    assert_eq!(finder.standing(), Standing::Found, "{}", finder.report());
    let black = device.ire(16.0);
    assert!((-1.5..3.0).contains(&black), "{black} IRE: {acts:#?}");
}

#[test]
fn levels_cut_off_before_the_control_are_told_and_not_chased() {
    let mut device = Device::new((16.0, 290.0));
    device.cut = 240.0;
    let (finder, _) = search(&mut device, |_, _| {});
    assert_eq!(finder.standing(), Standing::Found, "{}", finder.report());
    assert!(
        finder.report().contains("cut off before the control"),
        "{}",
        finder.report()
    );
    assert!(device.ire(290.0) > 85.0, "the contrast is not thrown away");
}

#[test]
fn levels_that_are_right_are_left_alone_and_a_dark_scene_is_no_reason_to_raise_them() {
    for tape in [(16.0, 232.0), (16.0, 90.0), (60.0, 200.0)] {
        let mut device = Device::new(tape);
        let (finder, acts) = search(&mut device, |_, _| {});
        assert_eq!(finder.standing(), Standing::Found, "{}", finder.report());
        assert_eq!(
            (device.brightness, device.contrast),
            (128, 128),
            "{acts:#?}"
        );
    }
    let mut bright = Device::new((60.0, 200.0));
    let (finder, _) = search(&mut bright, |_, _| {});
    assert!(
        finder.report().contains("cannot be told"),
        "{}",
        finder.report()
    );
}

#[test]
fn a_device_with_brightness_alone_is_set_by_that() {
    let mut device = Device::new((32.4, 200.0));
    device.has_contrast = false;
    device.advice = Some(advised(-7.5));
    let (finder, acts) = search(&mut device, |device, act| {
        if act.changed.is_some() {
            device.advice = None;
        }
    });
    assert_eq!(finder.standing(), Standing::Found);
    assert!(device.ire(32.4).abs() < 1.0, "{acts:#?}");
}

#[test]
fn a_control_that_does_nothing_is_told() {
    let mut device = Device::new((20.0, 200.0));
    device.strength = 0.0;
    let (finder, _) = search(&mut device, |_, _| {});
    assert_eq!(finder.standing(), Standing::Stuck);
    assert!(
        finder.report().contains("Brightness does nothing"),
        "{}",
        finder.report()
    );
    assert_eq!(device.brightness, 128, "it is back");
}

#[test]
fn a_picture_that_never_stands_still_is_told() {
    let mut device = Device::new((20.0, 200.0));
    let mut finder = Finder::new(&device.controls(), CodeRange::Studio).expect("it has brightness");
    for field in 0..20_000_u32 {
        device.tape = (20.0, 120.0 + f64::from(field / 20 % 7) * 17.0);
        let readings = device.readings();
        if let Some(act) = finder.observe(&readings, &device.controls(), None) {
            device.obey(&act);
        }
    }
    assert_eq!(finder.standing(), Standing::Stuck, "{}", finder.report());
    assert!(finder.report().contains("changes all the time"));
    assert_eq!(device.brightness, 128, "it is back");
}

#[test]
fn a_refusal_of_the_device_ends_it_in_its_words() {
    let mut device = Device::new((20.0, 200.0));
    let mut finder = Finder::new(&device.controls(), CodeRange::Studio).expect("it has brightness");
    for _ in 0..2_000 {
        let readings = device.readings();
        // Nothing is obeyed.
        finder.observe(&readings, &device.controls(), Some("it is held"));
    }
    assert_eq!(finder.standing(), Standing::Stuck);
    assert!(
        finder.report().contains("it is held"),
        "{}",
        finder.report()
    );
}

#[test]
fn a_control_set_by_somebody_else_is_where_it_goes_on_from() {
    let mut device = Device::new((16.0, 200.0));
    let (mut finder, _) = search(&mut device, |_, _| {});
    assert_eq!(finder.standing(), Standing::Found);
    device.brightness = 100;
    let mut said = Vec::new();
    for _ in 0..FIELDS {
        let readings = device.readings();
        if let Some(act) = finder.observe(&readings, &device.controls(), None) {
            device.obey(&act);
            said.extend(act.say);
        }
    }
    assert!(said[0].contains("set elsewhere"), "{said:?}");
    assert_eq!(finder.standing(), Standing::Found);
    assert!(device.ire(16.0) > -1.5, "{said:?}");
}

#[test]
fn a_source_without_brightness_is_refused_in_words() {
    let refused = |controls: &[ControlListing]| {
        let found = Finder::new(controls, CodeRange::Studio);
        found.expect_err("there is nothing to set")
    };
    assert_eq!(refused(&[]), "it has no controls of its levels");
    let mut held = ControlListing::of_role(BRIGHTNESS, ControlRole::Brightness, 128);
    held.access = ControlAccess::Held;
    assert_eq!(
        refused(&[held, ControlListing::of_role(3, ControlRole::Gain, 7)]),
        "it has no brightness that can be set, only Brightness, Gain"
    );
}
