//! Sources that do as a test says.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;
use std::time::Instant;

use crate::sources::{
    ChromaGrid, ControlAccess, ControlListing, ControlRole, ControlSetting, FieldOrder, Frame,
    FramePool, Gap, InputState, News, NewsKind, Packing, PictureFormat, RowLayout, SampleFormat,
    Source, SourceDescription, SourceError, SourceErrorKind,
};
use crate::standard::{RateTrust, Standard};
use crate::units::CodeRange;

/// What a source answers when it is asked for a frame.
pub(super) type Answer = Result<Option<Frame>, SourceError>;

/// Answers one question after the other, and is at its end then.
pub(super) struct Script {
    description: SourceDescription,
    format: Arc<PictureFormat>,
    steps: VecDeque<Box<dyn FnOnce() -> Answer + Send>>,
    controls: Vec<ControlListing>,
    news: VecDeque<News>,
}

impl Script {
    pub(super) fn live() -> Self {
        Self::new(true)
    }

    pub(super) fn file() -> Self {
        Self::new(false)
    }

    fn new(live: bool) -> Self {
        Self {
            description: SourceDescription {
                name: "script".into(),
                kind: "script".into(),
                live,
                frames: None,
                details: Vec::new(),
                controls: Vec::new(),
                remarks: Vec::new(),
            },
            format: format(Some(FieldOrder::Top)),
            steps: VecDeque::new(),
            controls: Vec::new(),
            news: VecDeque::new(),
        }
    }

    /// With controls of 0 to 255, each with its number and value.
    pub(super) fn with_controls(mut self, controls: &[(u32, i64)]) -> Self {
        self.controls = controls
            .iter()
            .map(|&(id, value)| control(id, value))
            .collect();
        self
    }

    pub(super) fn then(mut self, step: impl FnOnce() -> Answer + Send + 'static) -> Self {
        self.steps.push_back(Box::new(step));
        self
    }

    pub(super) fn frames(self, count: usize) -> Self {
        (0..count).fold(self, |script, _| script.then(|| Ok(Some(flat(0)))))
    }

    /// A frame before which the source itself lost fields.
    pub(super) fn frame_after_losing(self, fields: u64) -> Self {
        self.then(move || Ok(Some(flat(fields))))
    }
}

impl Source for Script {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Answer {
        self.steps.pop_front().map_or(Ok(None), |step| step())
    }

    fn controls(&self) -> &[ControlListing] {
        &self.controls
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        let known = self.controls.iter_mut().find(|it| it.id == setting.id);
        let Some(control) = known.filter(|it| it.access != ControlAccess::Held) else {
            return Err(SourceError::new(SourceErrorKind::Other, "it is held"));
        };
        self.news.push_back(News {
            kind: NewsKind::Control,
            text: format!("{} is {} now", setting.id, setting.value),
        });
        *control = self::control(setting.id, setting.value);
        Ok(())
    }

    fn news(&mut self) -> Option<News> {
        self.news.pop_front()
    }
}

/// A control of brightness.
fn control(id: u32, value: i64) -> ControlListing {
    ControlListing {
        name: format!("Control {id}"),
        ..ControlListing::of_role(id, ControlRole::Brightness, value)
    }
}

pub(super) fn silent() -> SourceError {
    SourceError::new(SourceErrorKind::Silent, "nothing comes")
}

pub(super) fn gone() -> SourceError {
    SourceError::new(SourceErrorKind::Gone, "it was unplugged").caused_by("the cable")
}

const WIDTH: usize = 160;
const ROWS: usize = 576;

fn format(said: Option<FieldOrder>) -> Arc<PictureFormat> {
    Arc::new(PictureFormat {
        width: WIDTH,
        rows: ROWS,
        samples: SampleFormat {
            packing: Packing::Planar,
            chroma: ChromaGrid::Mono,
            depth: 8,
        },
        padded_stride: None,
        range: CodeRange::Studio,
        standard: Some(Standard::Lines625),
        sample_rate: None,
        rate_trust: RateTrust::Known,
        field_order: said,
        field_order_forced: false,
    })
}

fn frame(said: FieldOrder, lost_by_source: u64, code: impl Fn(usize, usize) -> u8) -> Frame {
    let mut pool = FramePool::new(1, WIDTH * ROWS);
    let mut vacant = pool.vacant().expect("a new pool has room");
    for (index, sample) in vacant.bytes_mut().iter_mut().enumerate() {
        *sample = code(index % WIDTH, index / WIDTH);
    }
    Frame {
        format: format(Some(said)),
        rows: RowLayout::Woven,
        data: vacant.fill(),
        gap: Gap {
            lost_by_source,
            ..Gap::default()
        },
        device_time: None,
        arrived: Instant::now(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// A grey frame of 625 lines.
pub(super) fn flat(lost_by_source: u64) -> Frame {
    frame(FieldOrder::Top, lost_by_source, |_, _| 110)
}

/// Frame `index` of a pan whose bottom field is the older one, though its source says the top field.
pub(super) fn pan_said_wrong(index: usize) -> Frame {
    let waves = [
        (23.0, 61.0),
        (-37.0, 29.0),
        (71.0, -43.0),
        (13.3, 170.0),
        (190.0, 17.0),
    ];
    frame(FieldOrder::Top, 0, |x, row| {
        let moment = (2 * index + 1 - row % 2) as f64;
        let turn = |(px, py): (f64, f64)| (x as f64 - 1.3 * moment) / px + row as f64 / py;
        let texture: f64 = waves.iter().map(|&wave| (TAU * turn(wave)).sin()).sum();
        (110.5 + 18.0 * texture).clamp(1.0, 254.0) as u8
    })
}
