//! A device in this process whose picture follows its controls, through capture, analysis and search.

use std::time::Instant;

use crate::alarms::PassClock;
use crate::limits::Limits;
use crate::record::finder::Standing;
use crate::record::live;
use crate::sources::{ControlRole, FramePool, Gap, InputState, RowLayout, SourceErrorKind};
use crate::standard::Standard;
use crate::timecode::{Counting, Timecode};
use crate::units::CodeRange;

use super::super::analysis::{Analysis, End, PassPlan};
use super::super::capture::Capture;
use super::super::testing::{Script, gone};
use super::*;

const BRIGHTNESS: u32 = 1;
const CONTRAST: u32 = 2;

/// What the test sees of the device, also when it is gone.
#[derive(Debug)]
struct Settings {
    brightness: i64,
    contrast: i64,
    refuses: bool,
}

/// A device that plays one picture for ever: levels from one code to another, moved by its controls.
struct Device {
    script: Script,
    pool: FramePool,
    settings: Arc<Mutex<Settings>>,
    controls: Vec<ControlListing>,
    codes: (f64, f64),
    frames: u32,
    /// What happens at this frame.
    fault: Option<(u32, fn() -> SourceError)>,
}

impl Device {
    fn new(codes: (f64, f64)) -> (Self, Arc<Mutex<Settings>>) {
        let settings = Arc::new(Mutex::new(Settings {
            brightness: 140,
            contrast: 120,
            refuses: false,
        }));
        let mut device = Self {
            script: Script::live(),
            pool: FramePool::new(64, 160 * 576),
            settings: Arc::clone(&settings),
            controls: Vec::new(),
            codes,
            frames: 0,
            fault: None,
        };
        device.read_controls();
        (device, settings)
    }

    fn read_controls(&mut self) {
        let settings = self.settings.lock().expect("nobody panicked");
        self.controls = vec![
            ControlListing::of_role(BRIGHTNESS, ControlRole::Brightness, settings.brightness),
            ControlListing::of_role(CONTRAST, ControlRole::Contrast, settings.contrast),
        ];
    }

    /// A ramp across with some texture down the rows, so that it is a picture and no flat insert.
    fn paint(&mut self) -> Frame {
        let settings = self.settings.lock().expect("nobody panicked");
        let added = 0.8 * (settings.brightness - 128) as f64;
        let gain = settings.contrast as f64 / 128.0;
        drop(settings);
        let row_of = |row: usize| -> Vec<u8> {
            let texture = 3.0 * (row as f64 / 5.0).sin();
            let code = |x: usize| {
                let level = self.codes.0 + (self.codes.1 - self.codes.0) * x as f64 / 159.0;
                (126.0 + (level + texture - 126.0) * gain + added).round()
            };
            (0..160).map(|x| code(x).clamp(1.0, 254.0) as u8).collect()
        };
        let mut vacant = self.pool.vacant().expect("no test holds so many");
        for (row, samples) in vacant.bytes_mut().chunks_mut(160).enumerate() {
            samples.copy_from_slice(&row_of(row));
        }
        Frame {
            format: Arc::clone(self.script.format()),
            rows: RowLayout::Woven,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: None,
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Locked,
        }
    }
}

impl Source for Device {
    fn description(&self) -> &SourceDescription {
        self.script.description()
    }

    fn format(&self) -> &Arc<PictureFormat> {
        self.script.format()
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        self.frames += 1;
        if let Some((at, fault)) = self.fault
            && self.frames >= at
        {
            return Err(fault());
        }
        Ok(Some(self.paint()))
    }

    fn controls(&self) -> &[ControlListing] {
        &self.controls
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        let mut settings = self.settings.lock().expect("nobody panicked");
        if settings.refuses {
            return Err(SourceError::new(SourceErrorKind::Other, "it is stuck"));
        }
        match setting.id {
            BRIGHTNESS => settings.brightness = setting.value,
            _ => settings.contrast = setting.value,
        }
        drop(settings);
        self.read_controls();
        Ok(())
    }
}

fn values(settings: &Mutex<Settings>) -> (i64, i64) {
    let settings = settings.lock().unwrap_or_else(PoisonError::into_inner);
    (settings.brightness, settings.contrast)
}

fn clock() -> PassClock {
    PassClock {
        start: Timecode::zero(Counting::usual(Standard::Lines625)),
    }
}

fn screen() -> Arc<Mutex<Live>> {
    Arc::new(Mutex::new(Live::new(live::Head {
        source: "device".into(),
        tape: None,
        recorded_to: None,
        standard: Some(Standard::Lines625),
        sample_rate: None,
        range: CodeRange::Studio,
        clock: clock(),
    })))
}

/// Ends it all when the search is over, as an operator would.
struct Operator {
    finder: Arc<Mutex<Finder>>,
    settings: Arc<Mutex<Settings>>,
    proposed: Arc<Mutex<Option<(i64, i64)>>>,
    stop: Stop,
}

impl Sink for Operator {
    fn take(&mut self, _seen: &Seen<'_>) -> Result<()> {
        if self.finder.lock().expect("nobody panicked").standing() != Standing::Searching {
            // Of the first field only: right after it, the capture sets all back.
            let mut proposed = self.proposed.lock().expect("nobody panicked");
            proposed.get_or_insert_with(|| values(&self.settings));
            self.stop.set();
        }
        Ok(())
    }
}

/// Watches a device until its search is over or it fails: how the analysis ended, the last words, what was proposed.
fn watch(
    device: Device,
    settings: &Arc<Mutex<Settings>>,
) -> (Result<End>, [String; 2], Option<(i64, i64)>) {
    let stop = Stop::default();
    let (search, source) = Search::begin(Box::new(device), &stop).expect("it has brightness");
    let capture = Capture::start(source, &stop, None).expect("a thread");
    let (remarks, heard) = bounded(64);
    let live = screen();
    let finder = LevelFinder::new(search.finder(), capture.hand(), remarks, live, None);
    let proposed = Arc::default();
    let operator = Operator {
        finder: search.finder(),
        settings: Arc::clone(settings),
        proposed: Arc::clone(&proposed),
        stop: stop.clone(),
    };
    let plan = PassPlan {
        source: "device".into(),
        standard: Some(Standard::Lines625),
        sample_rate: None,
        clock: clock(),
        limits: Limits::default(),
        length: None,
    };
    let mut analysis = Analysis::new(plan, None, vec![Box::new(finder), Box::new(operator)]);
    let end = analysis.run(&capture.deliveries, Some(&heard), &stop);
    drop(analysis);
    let ended = capture.end().wait(PATIENCE);
    let words = search.conclude();
    let proposed = *proposed.lock().expect("nobody panicked");
    (ended.and(end), words, proposed)
}

#[test]
fn peak_over_nominal_is_brought_down_and_all_is_set_back_at_the_end() {
    // As found, 40 to 260 becomes 55 to 254, cut off: 109 IRE.
    let (device, settings) = Device::new((40.0, 260.0));
    let (end, [report, restored], proposed) = watch(device, &settings);
    assert!(matches!(end, Ok(End::Asked)), "{end:?}");
    assert!(report.starts_with("levels found: "), "{report}");
    let (brightness, contrast) = proposed.expect("the search was over");
    let code = |level: f64| {
        126.0 + (level - 126.0) * contrast as f64 / 128.0 + 0.8 * (brightness - 128) as f64
    };
    assert!((220.0..242.0).contains(&code(259.0)), "{report}");
    assert_eq!(values(&settings), (140, 120), "{restored}");
    assert_eq!(
        restored,
        "the device's controls are set back as they were found"
    );
}

#[test]
fn a_device_that_fails_meanwhile_is_set_back() {
    let (mut device, settings) = Device::new((40.0, 200.0));
    // In the middle of the first trial.
    device.fault = Some((60, gone));
    let (end, [report, restored], _) = watch(device, &settings);
    assert!(matches!(end, Ok(End::Failed(_))), "{end:?}");
    assert!(report.contains("not found yet"), "{report}");
    assert_eq!(values(&settings), (140, 120), "{restored}");
}

#[test]
fn a_capture_that_panics_sets_all_back() {
    let (mut device, settings) = Device::new((40.0, 200.0));
    device.fault = Some((60, || panic!("meant by the test")));
    let (end, [_, restored], _) = watch(device, &settings);
    assert!(end.is_err());
    assert_eq!(values(&settings), (140, 120), "{restored}");
}

#[test]
fn a_device_that_takes_nothing_back_is_told_by_name() {
    let (mut device, settings) = Device::new((40.0, 200.0));
    device
        .set_control(ControlSetting {
            id: BRIGHTNESS,
            value: 140,
        })
        .expect("it takes it");
    let (mut kept, restoring) = AsFound::new(Box::new(device), &Stop::default());
    kept.set_control(ControlSetting {
        id: BRIGHTNESS,
        value: 150,
    })
    .expect("it takes it");
    settings.lock().expect("nobody panicked").refuses = true;
    drop(kept);
    let said = restoring.in_words();
    assert!(said.contains("set them by hand: it is stuck"), "{said}");
}

#[test]
fn whoever_gives_up_without_a_word_waits_until_all_is_set_back() {
    let (device, settings) = Device::new((40.0, 200.0));
    let stop = Stop::default();
    let (search, mut source) = Search::begin(Box::new(device), &stop).expect("it has brightness");
    source
        .set_control(ControlSetting {
            id: CONTRAST,
            value: 7,
        })
        .expect("it takes it");
    let capture = Capture::start(source, &stop, None).expect("a thread");
    drop(search);
    assert_eq!(values(&settings), (140, 120));
    drop(capture);
}

#[test]
fn a_source_without_controls_is_refused_with_what_next() {
    let refused = begin(&Script::file()).expect_err("it has none");
    let said = format!("{refused:#}");
    for word in ["script", "--find-levels", "trueline sources", "no controls"] {
        assert!(said.contains(word), "{word} in: {said}");
    }
}
