//! Invented readings for pictures of the dashboard: the Ferry Street Film Club's tapes, never measured.

use crate::alarms::{Change, Event, EventId, PassClock};
use crate::fields::{Field, FieldPlace, FieldRaster, Plane};
use crate::limits::{Kind, Severity};
use crate::measures::{
    Readings, bars, chroma, detail, dropouts, flagging, head_switch, interference,
    levels::{self, setup},
    line_timing,
    line_timing::{Basis, Border, LineShift, LineTrace, StaticError, WaveSpectrum},
    noise, sync, tear, tracking,
};
use crate::record::live::{ControlState, Head, Health, Live, ProgrammeTime, Vectors, Waveform};
use crate::sources::{ChromaGrid, ControlAccess, ControlListing, ControlRole, Gap, InputState};
use crate::standard::{Parity, RateTrust, Standard};
use crate::timecode::{Counting, FieldIndex, Timecode};
use crate::units::{
    CodeRange, Decibels, Degrees, Estimate, Hertz, Ire, Lines, Megahertz, Millis, Nanos, Percent,
    Ratio, Seconds,
};

/// What plays.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Scene {
    /// A straight tape, right levels.
    Good,
    /// An alarm: lines wobble.
    Wobble,
    /// A bare player: wobble and flagging stand.
    Standing,
    /// Nothing to time.
    Blind,
    /// Fields are lost, black is high.
    Losses,
    /// A wave stands, the top bends, the heads switch in sight; the border is the chain's, and lines are uncertain.
    Waves,
    /// Colour bars that are off in hue and saturation.
    Bars,
    /// Somebody turns the tracking knob, past the best place and on.
    Sweep,
}

/// A pass being staged.
pub(super) struct Stage {
    pub(super) live: Live,
    scene: Scene,
    field: u64,
    next_event: u32,
}

const ROWS: usize = 240;
const RATE: Hertz = Hertz(13.5e6);
const SAMPLE_NS: f64 = 2000.0 / 27.0;
const BEND_DECAY: Lines = Lines(14.0);

impl Stage {
    pub(super) fn new(scene: Scene) -> Self {
        Self {
            live: Live::new(head()),
            scene,
            field: 0,
            next_event: 1,
        }
    }

    /// A pass that has played for some fields.
    pub(super) fn played(scene: Scene, fields: u64) -> Self {
        let mut stage = Self::new(scene);
        for _ in 0..fields {
            stage.step();
        }
        stage
    }

    /// A pass of which every word is somebody else's.
    pub(super) fn of_words(words: &str) -> Self {
        let mut stage = Self::new(Scene::Wobble);
        stage.live = Live::new(Head {
            source: words.to_owned(),
            tape: Some(words.to_owned()),
            recorded_to: Some(words.to_owned()),
            ..head()
        });
        for _ in 0..200 {
            stage.step();
        }
        let events = [(0, (true, true)), (1, (true, false)), (2, (false, false))];
        let events = events.map(|(kind, how)| stage.invented(kind, how, 1.0, words));
        stage.live.note_changes(&events);
        stage.live.set_over(words.to_owned());
        stage
    }

    /// One more field.
    pub(super) fn step(&mut self) {
        let place = place(self.field);
        let changes = self.changes(place);
        let readings = self.readings(place);
        self.live.observe(&readings, &changes);
        if self.field.is_multiple_of(100) {
            self.live
                .exchange_waveform(&mut waveform(self.field, self.black()));
            self.live
                .exchange_vectors(&mut vectors(self.scene == Scene::Bars));
        }
        self.live.set_health(health(self.field));
        self.live.set_programme(ProgrammeTime {
            played: Seconds(754.0 + place.seconds.0),
            running: self.scene != Scene::Blind,
        });
        self.field += 1;
    }

    fn event(&mut self, kind: Kind, severity: Severity, place: FieldPlace, note: &str) -> Event {
        let id = EventId(self.next_event);
        self.next_event += 1;
        Event {
            id,
            kind,
            severity,
            standing: false,
            start: place,
            end: None,
            start_timecode: clock().label(place.frame()),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: note.to_owned(),
        }
    }

    fn changes(&mut self, place: FieldPlace) -> Vec<Change> {
        let mut changes = Vec::new();
        if self.field == 30 {
            let start = self.event(
                Kind::RecordingStart,
                Severity::Notice,
                place,
                "picture begins",
            );
            changes.push(Change::Opened(closed(&start, place)));
        }
        match (self.scene, self.field) {
            (Scene::Wobble, 150 | 420) => {
                let mut event = self.event(
                    Kind::Wobble,
                    Severity::Alarm,
                    place,
                    "Line starts wobble: 2.3 samples (171 ns).",
                );
                (event.worst, event.unit, event.limit) = (Some(171.4), "ns", Some(52.0));
                changes.push(Change::Opened(event.clone()));
                if self.field == 150 {
                    changes.push(Change::Closed(closed(&event, self::place(222))));
                }
            }
            (Scene::Standing, 40 | 44) => {
                let (kind, note) = if self.field == 40 {
                    (Kind::Wobble, "Line starts wobble: 3.1 samples (230 ns).")
                } else {
                    (
                        Kind::Flagging,
                        "The top of the picture is bent: 3.1 samples (230 ns).",
                    )
                };
                let mut event = self.event(kind, Severity::Alarm, place, note);
                (event.worst, event.unit, event.limit) = (Some(230.0), "ns", Some(52.0));
                changes.push(Change::Opened(event.clone()));
                event.standing = true;
                changes.push(Change::Standing(event));
            }
            (Scene::Losses, 200) => {
                let mut event = self.event(
                    Kind::BlackHigh,
                    Severity::Notice,
                    place,
                    "Black is too high, as with set-up left in: 7.2 IRE (code 32); code 16 wanted.",
                );
                (event.worst, event.unit, event.limit) = (Some(7.2), "IRE", Some(4.0));
                changes.push(Change::Opened(event));
            }
            (Scene::Losses, 480) => {
                let event = self.event(
                    Kind::Missing,
                    Severity::Alarm,
                    place,
                    "two fields, by the device's count",
                );
                changes.push(Change::Opened(closed(&event, place)));
            }
            _ => {}
        }
        changes
    }

    /// An event made of whatever numbers and words.
    pub(super) fn invented(
        &mut self,
        kind: usize,
        (alarm, standing): (bool, bool),
        worst: f64,
        note: &str,
    ) -> Change {
        let kind = [Kind::Wobble, Kind::PeakHigh, Kind::Mark][kind];
        let severity = if alarm {
            Severity::Alarm
        } else {
            Severity::Notice
        };
        let mut event = self.event(kind, severity, place(self.field), note);
        (event.worst, event.limit) = (Some(worst), Some(-worst));
        (event.unit, event.standing) = (if alarm { "ns" } else { "IRE" }, standing);
        Change::Opened(event)
    }

    fn black(&self) -> f64 {
        match self.scene {
            Scene::Losses => 6.9,
            _ => 0.6,
        }
    }

    fn readings(&self, place: FieldPlace) -> Readings {
        let mut readings = Readings {
            place,
            line_timing: line_timing::Reading::default(),
            flagging: flagging::Reading::default(),
            head_switch: head_switch::Reading::default(),
            tear: tear::Reading::default(),
            levels: levels::Reading::default(),
            bars: bars::Reading::default(),
            interference: interference::Reading::default(),
            tracking: tracking::Reading::default(),
            dropouts: dropouts::Reading::default(),
            chroma: chroma::Reading::default(),
            noise: noise::Reading::default(),
            detail: detail::Reading::default(),
            sync: sync::Reading::default(),
            fingerprint: None,
        };
        self.stage_timing(&mut readings);
        self.stage_levels(&mut readings);
        self.stage_colour(&mut readings);
        self.stage_tracking(&mut readings);
        self.stage_grain(&mut readings);
        let (field, losing) = (self.field, self.scene == Scene::Losses && self.field == 480);
        readings.sync.missing_fields = if losing { 2 } else { 0 };
        readings.sync.slip = Some(Millis(if self.scene == Scene::Losses && field >= 480 {
            33.4
        } else {
            0.0
        }));
        readings.sync.vertical_jitter = Some(Estimate::new(Lines(0.04), Lines(0.01), 60));
        readings
    }

    fn amplitude(&self) -> f64 {
        let swell = 0.7 + 0.3 * (self.field as f64 / 41.0).sin();
        swell
            * match self.scene {
                Scene::Wobble if self.field >= 420 || (150..222).contains(&self.field) => 2.3,
                Scene::Standing => 2.8,
                Scene::Waves => 0.9,
                _ => 0.12,
            }
    }

    fn stage_timing(&self, readings: &mut Readings) {
        let timing = &mut readings.line_timing;
        timing.sample_rate = Some(RATE);
        timing.picture_rows = 0..ROWS - 8;
        if self.scene == Scene::Blind && self.field >= 90 {
            timing.why_none = Some("the picture is dark");
            timing.lines = LineTrace::blank(ROWS);
            return;
        }
        let (amplitude, bend) = (self.amplitude(), self.bend());
        timing.basis = Basis::Edge;
        timing.border = Border::Tape;
        timing.static_error = StaticError::Included;
        timing.coverage = Some(Ratio(0.96));
        timing.lines = trace(self.field, amplitude, bend);
        timing.drum_difference_rms = Some(Estimate::new(Nanos(22.0), Nanos(4.0), 200));
        timing.wave_spectrum = Some(spectrum(self.field, amplitude));
        if self.scene == Scene::Waves {
            stage_waves(timing, &mut readings.head_switch, amplitude);
            readings.flagging.decay = Some(Estimate::new(BEND_DECAY, Lines(1.0), 40));
            readings.flagging.bend = Some(flagging::Bend {
                first_row: 0,
                rows: ROWS - 8,
                level: Nanos(0.0),
                shape: flagging::Shape::Critical { decay: BEND_DECAY },
                amounts: [Nanos(bend * SAMPLE_NS), Nanos(0.0)],
            });
        }
        let rms = amplitude * 0.7 * SAMPLE_NS + 2.0;
        timing.error_rms = Some(Estimate::new(Nanos(rms), Nanos(1.5), 222));
        readings.flagging.offset = Some(Estimate::new(Nanos(bend * SAMPLE_NS), Nanos(4.0), 40));
    }

    fn bend(&self) -> f64 {
        match self.scene {
            Scene::Standing => 6.5,
            Scene::Waves => -4.0,
            Scene::Wobble => 0.8,
            _ => 0.3,
        }
    }

    fn stage_colour(&self, readings: &mut Readings) {
        let percent = |value| Some(Estimate::new(Percent(value), Percent(0.1), 60_000));
        let swell = (self.field as f64 / 120.0).sin();
        readings.chroma = chroma::Reading {
            saturation_rms: percent(16.3),
            mean_cb: percent(1.8 + 0.8 * swell),
            mean_cr: percent(-1.1),
            presence: Some(chroma::Presence::Colour),
            ..chroma::Reading::default()
        };
        if self.scene == Scene::Bars {
            readings.chroma.saturation_rms = percent(62.0);
            readings.bars.found = Some(bars_found());
        }
    }

    fn stage_tracking(&self, readings: &mut Readings) {
        let seconds = readings.place.seconds.0;
        // past the middle of the track after six seconds
        let beside = if self.scene == Scene::Sweep {
            (seconds - 6.0).abs()
        } else {
            0.0
        };
        let tracking = &mut readings.tracking;
        tracking.judged = true;
        tracking.noise = Some(Decibels(42.0 - 1.6 * beside));
        tracking.band = (beside > 3.5).then(|| tracking::Band {
            row: 190,
            lines: 4 + (4.0 * beside) as usize,
        });
        tracking.heads = Some(tracking::Heads {
            state: tracking::HeadState::Alike,
            noise: None,
            level: None,
        });
        readings.levels.area.rows = 2..ROWS - 8;
        readings.dropouts.count = Some((beside as u64).saturating_sub(2));
    }

    /// Noise of a fair tape up to 3 MHz; of a wobbling one through a box that reduces it, before a soft picture.
    fn stage_grain(&self, readings: &mut Readings) {
        let decibels = |value| Some(Estimate::new(Decibels(value), Decibels(0.1), 150));
        let ratio = |value| Some(Estimate::new(Ratio(value), Ratio(0.02), 150));
        let mhz = |value| Some(Estimate::new(Megahertz(value), Megahertz(0.07), 60));
        let swell = (self.field as f64 / 90.0).sin();
        let soft = self.scene == Scene::Wobble;
        readings.noise = noise::Reading {
            luma: decibels(42.3 + 0.3 * swell),
            luma_weighted: decibels(52.1 + 0.3 * swell),
            chroma: decibels(39.0),
            temporal: ratio(if soft { 0.58 } else { 0.99 }),
            spatial: ratio(1.6),
            chroma_temporal: ratio(1.01),
            parity: decibels(0.1),
            bandwidth: mhz(3.1),
            spectrum: Some(noise::Spectrum {
                density: std::array::from_fn(|bin| {
                    let mhz = bin as f32 * 13.5 / 64.0;
                    let fall = 1.0 / (1.0 + (mhz / 3.0).powi(16));
                    1.0 / 12.0 + (0.3 + 1.2 * mhz * mhz) * fall
                }),
                step: Hertz(RATE.0 / 64.0),
                places: 150.0,
            }),
            ..noise::Reading::default()
        };
        readings.detail = detail::Reading {
            bandwidth: mhz(if soft { 1.7 } else { 2.9 }),
            ringing: Some(Estimate::new(Percent(4.2), Percent(0.4), 500)),
            ..detail::Reading::default()
        };
    }

    fn stage_levels(&self, readings: &mut Readings) {
        let levels = &mut readings.levels;
        let black = self.black() + 0.4 * (self.field as f64 / 300.0).sin();
        let peak = 97.0 + 2.0 * (self.field as f64 / 170.0).cos();
        levels.black = Some(Estimate::new(Ire(black), Ire(0.1), 70_000));
        levels.peak = Some(Estimate::new(Ire(peak), Ire(0.1), 70_000));
        levels.mean = Some(Estimate::new(Ire(43.0), Ire(0.1), 70_000));
        levels.setup = (self.scene == Scene::Losses).then(|| setup::Reading {
            case: setup::Case::Raised,
            likeliest: setup::Case::Raised,
            probability: Ratio(0.98),
            change: Some(Estimate::new(Ire(-6.9), Ire(0.4), 9)),
            blanking: Some(Ire(0.1)),
            looks: 9,
            dark_looks: 4,
            has_setup: true,
            range_doubt: None,
            range_judged: true,
        });
        levels.below_black = Some(Percent(0.1));
        levels.above_peak = Some(Percent(0.3));
        let (from, to) = (16.0 + 2.19 * black, 16.0 + 2.19 * peak);
        for (code, count) in levels.ladder.iter_mut().enumerate() {
            let at = (code as f64 - from) / (to - from);
            if (-0.01..=1.015).contains(&at) {
                let hump = (-((at - 0.25) / 0.16).powi(2)).exp()
                    + 0.5 * (-((at - 0.8) / 0.1).powi(2)).exp();
                *count = (1200.0 * hump + 40.0) as u32;
            }
        }
    }
}

/// Puts any numbers into readings.
pub(super) fn overwrite(readings: &mut Readings, numbers: &[Option<f64>; 6], ladder: &[u32]) {
    let [error, bend, black, peak, jitter, slip] = *numbers;
    readings.line_timing.error_rms = error.map(|ns| Estimate::new(Nanos(ns), Nanos(1.0), 1));
    readings.flagging.offset = bend.map(|ns| Estimate::new(Nanos(ns), Nanos(1.0), 1));
    readings.levels.black = black.map(|ire| Estimate::new(Ire(ire), Ire(1.0), 1));
    readings.levels.peak = peak.map(|ire| Estimate::new(Ire(ire), Ire(1.0), 1));
    readings.levels.above_peak = peak.map(Percent);
    readings.sync.vertical_jitter = jitter.map(|lines| Estimate::new(Lines(lines), Lines(1.0), 1));
    readings.sync.slip = slip.map(Millis);
    readings.sync.missing_fields = slip.map_or(0, |slip| slip.abs() as u64);
    readings.levels.ladder.copy_from_slice(ladder);
}

fn head() -> Head {
    Head {
        source: "S-Video, /dev/video0".into(),
        tape: Some("Ferry Street 14, regatta".into()),
        recorded_to: Some("ferry-street-14.pass".into()),
        standard: Some(Standard::Lines525),
        sample_rate: Some(RATE),
        range: CodeRange::Studio,
        clock: clock(),
    }
}

fn clock() -> PassClock {
    PassClock {
        start: Timecode::zero(Counting::At30Drop),
    }
}

fn place(field: u64) -> FieldPlace {
    FieldPlace {
        field: FieldIndex(field),
        parity: if field.is_multiple_of(2) {
            Parity::Top
        } else {
            Parity::Bottom
        },
        seconds: Seconds(field as f64 * 1.001 / 60.0),
    }
}

fn closed(event: &Event, end: FieldPlace) -> Event {
    Event {
        end: Some(end),
        end_timecode: Some(clock().label(end.frame())),
        ..event.clone()
    }
}

fn health(field: u64) -> Health {
    Health {
        queue_frames: (field % 3) as usize / 2,
        queue_capacity: 12,
        writer: "pass written".into(),
        writer_well: true,
        disk_free_bytes: Some(800_000_000_000),
        bytes_per_second: Some(41_500_000.0),
        device: String::new(),
    }
}

/// Noise of ±1 that is the same in every run.
fn noise(field: u64, row: usize) -> f64 {
    let mut x = field.wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ (row as u64).wrapping_mul(0xD1B5_4A32_D192_ED03);
    x ^= x >> 31;
    x = x.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x ^= x >> 29;
    (x >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

fn trace(field: u64, amplitude: f64, bend: f64) -> LineTrace {
    let mut trace = LineTrace::blank(ROWS);
    for row in (0..ROWS).filter(|row| !(150..158).contains(row)) {
        let at = row as f64;
        let wave = amplitude * (at / 24.0 + field as f64 / 9.0).sin();
        let hook = bend * (-at / BEND_DECAY.0).exp();
        let switch = if row >= ROWS - 7 { 1.5 } else { 0.0 };
        let rough = (0.05 + amplitude / 6.0) * noise(field, row);
        let shift = LineShift {
            displacement: Nanos((wave + hook + switch + rough) * SAMPLE_NS),
            sigma: Nanos(2.0),
        };
        trace.set(row, shift);
    }
    trace
}

/// A wave of 33 lines that swells over the pass, over what rises towards long periods.
fn spectrum(field: u64, amplitude: f64) -> WaveSpectrum {
    let swell = amplitude * (0.4 + field as f64 / 800.0);
    WaveSpectrum::new(std::array::from_fn(|band| {
        let from_peak = band as f64 - 12.4;
        let wave = swell * (-from_peak * from_peak / 2.0).exp();
        let floor = 0.004 * 1.25_f64.powf(band as f64);
        ((wave + floor) * SAMPLE_NS) as f32
    }))
}

/// Timing read from the picture, since the border is the chain's own; dim lines are uncertain.
fn stage_waves(
    timing: &mut line_timing::Reading,
    head_switch: &mut head_switch::Reading,
    amplitude: f64,
) {
    timing.basis = Basis::Content;
    timing.border = Border::Regenerated;
    timing.static_error = StaticError::Unknown;
    timing.coverage = Some(Ratio(0.81));
    timing.wave_period = Some(Estimate::new(Lines(33.2), Lines(0.4), 190));
    let size = Nanos(amplitude * SAMPLE_NS);
    timing.wave_amplitude = Some(Estimate::new(size, Nanos(1.0), 190));
    for row in 90..130 {
        if let Some(shift) = timing.lines.get(row) {
            let sigma = Nanos(0.4 * SAMPLE_NS);
            timing.lines.set(row, LineShift { sigma, ..shift });
        }
    }
    head_switch.line = Some(ROWS as u32 - 7);
}

/// Codes of 75 % yellow, cyan, green, magenta, red and blue, and of white and black, turned by 6° and stretched by a tenth.
const OFF_BARS: [(u8, u8); 8] = [
    (128, 128),
    (34, 131),
    (170, 40),
    (78, 44),
    (178, 211),
    (87, 217),
    (222, 125),
    (128, 128),
];

/// What is measured of them.
fn bars_found() -> bars::Found {
    let ire = |value| Estimate::new(Ire(value), Ire(0.1), 120);
    bars::Found {
        kind: bars::Kind::Full75,
        white: ire(-1.2),
        black: Some(ire(0.3)),
        bars: [-0.9, -0.6, -0.8, 0.2, 0.1, 0.4].map(|luma| bars::Bar {
            luma: ire(luma),
            saturation: Estimate::new(Percent(10.2 + luma), Percent(0.1), 120),
            hue: Estimate::new(Degrees(6.1 - luma), Degrees(0.1), 120),
        }),
    }
}

/// The colours of a harbour, or of colour bars that are off.
fn vectors(bars: bool) -> Vectors {
    let (width, rows) = (360, ROWS);
    let code = |row: usize, column: usize| {
        let (rough, other) = (noise(row as u64, column), noise(column as u64 + 7, row));
        if bars {
            let (cb, cr) = OFF_BARS[column * OFF_BARS.len() / width];
            let moved = |code: u8, by: f64| (f64::from(code) + 2.0 * by).round() as u8;
            return (moved(cb, rough), moved(cr, other));
        }
        // sky, water, and a red boat now and then
        let (cb, cr) = match (row, column % 90) {
            (0..80, _) => (146.0, 112.0),
            (140..160, 0..14) => (104.0, 190.0),
            _ => (134.0, 122.0),
        };
        ((cb + 7.0 * rough) as u8, (cr + 6.0 * other) as u8)
    };
    let plane = |pick: &dyn Fn((u8, u8)) -> u8| Plane {
        samples: (0..width * rows)
            .map(|at| pick(code(at / width, at % width)))
            .collect(),
        width,
        rows,
    };
    let mut vectors = Vectors::new();
    vectors.trace(&Field {
        cb: plane(&|code| code.0),
        cr: plane(&|code| code.1),
        ..blank_field(place(0))
    });
    vectors
}

/// Sky over a shore, as a waveform shows it.
fn waveform(field: u64, black: f64) -> Waveform {
    let (width, rows) = (720, ROWS);
    let code = |row: usize, column: usize| {
        let across = column as f64 / width as f64;
        let sky = 160.0 + 28.0 * (across * 5.0 + field as f64 / 90.0).sin();
        let shore = 40.0 + 60.0 * (across * 17.0).sin().abs() + 22.0 * (row as f64 / 40.0).sin();
        let picture = if row < 100 { sky } else { shore } + 6.0 * noise(row as u64, column);
        picture.max(16.0 + 2.19 * black) as u8
    };
    let samples = (0..width * rows)
        .map(|at| code(at / width, at % width))
        .collect();
    let mut waveform = Waveform::new();
    waveform.trace(&Field {
        luma: Plane {
            samples,
            width,
            rows,
        },
        ..blank_field(place(field))
    });
    waveform
}

fn blank_field(place: FieldPlace) -> Field {
    Field {
        place,
        raster: FieldRaster {
            width: 720,
            rows: ROWS,
            frame_rows: 2 * ROWS,
            sample_rate: Some(RATE),
            rate_trust: RateTrust::Known,
            standard: Some(Standard::Lines525),
            range: CodeRange::Studio,
            progressive: false,
        },
        luma: Plane::default(),
        cb: Plane::default(),
        cr: Plane::default(),
        chroma: ChromaGrid::Half,
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::Locked,
    }
}

/// What a grabber says of its controls: brightness was moved since it was found, and a contrast is on its way.
pub(super) fn controlled(stage: &mut Stage) {
    let mut state = ControlState {
        controls: vec![
            control(1, "Brightness", ControlRole::Brightness, 128, (0, 255)),
            control(2, "Contrast", ControlRole::Contrast, 64, (0, 127)),
            control(3, "Saturation", ControlRole::Saturation, 64, (0, 127)),
            control(4, "Hue", ControlRole::Hue, 0, (-128, 127)),
            control(5, "Sharpness", ControlRole::Sharpness, 3, (0, 15)),
            control(6, "Gain", ControlRole::Gain, 40, (0, 255)),
            control(7, "Gain, Automatic", ControlRole::AutoGain, 1, (0, 1)),
        ],
        trouble: None,
        tried: 0,
    };
    state.controls[5].access = ControlAccess::Idle;
    stage.live.set_controls(&state);
    state.controls[0] = control(1, "Brightness", ControlRole::Brightness, 140, (0, 255));
    state.trouble = Some("Hue could not be set to 3: the device does not take this value".into());
    stage.live.set_controls(&state);
    let order = stage.live.controls_mut().step(2, -2);
    order.expect("there is room below");
}

fn control(
    id: u32,
    name: &str,
    role: ControlRole,
    setting: i64,
    (minimum, maximum): (i64, i64),
) -> ControlListing {
    ControlListing {
        id,
        name: name.into(),
        value: match (role.is_automatic(), setting) {
            (true, 0) => "off".into(),
            (true, _) => "on".into(),
            (false, setting) => setting.to_string(),
        },
        setting,
        minimum,
        maximum,
        default: if role.is_automatic() {
            1
        } else {
            (minimum + maximum + 1) / 2
        },
        step: 1,
        role: Some(role),
        access: ControlAccess::Free,
    }
}
