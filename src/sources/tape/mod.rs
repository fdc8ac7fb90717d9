//! The simulated tape: a source like the others, that knows what it did.
//!
//! In: the name of a [`Scene`], the operator's wishes (standard, seed, field order, raster) and a [`Pace`]. Out: [`Frame`]s of
//! 8-bit planar 4:2:2, and the [`FieldTruth`] of the last one. The same seed gives the same frames on every machine.
//!
//! A frame comes about as on a real tape. `scene` and `catalogue` say what is recorded and how it is played;
//! `pictures`, drawn on a `canvas`, are seen by a `camera`, each field at its own moment; `transport`, `line_lock` and
//! `timing` say where each line stands; `heads` how much of it is read, `defects` and `levels` what else is wrong; `paint` makes samples of it, moving lines
//! with the windowed sinc of `kernel`, inside the blanking of `window`, under tape `noise`, through the `box_model`.
//!
//! Does not know: what any measure makes of it. No measure sees the truth.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::standard::BT601_LUMA_RATE;
use crate::timecode::FieldIndex;

use super::format::{FieldOrder, PictureFormat};
use super::pool::{FrameBuffer, FramePool, pool_frames};
use super::{
    Frame, Gap, InputState, RowLayout, Source, SourceDescription, SourceError, SourceErrorKind,
    Wishes,
};
use canvas::Canvas;
use layout::{LUMA_WIDTH, Raster};
use paint::{Painter, Planes};
use player::{Cue, Player};
use random::{Dice, Stream};
use setup::{describe, draw_canvases, margins, no_such_scene, picture_format, raster_for};

pub use box_model::{BoxModel, Sides};
pub use camera::Camera;
pub use catalogue::{find, scenes};
pub use defects::{Dropout, Dropouts, Flashes, Tear, Tears, Vertical};
pub use heads::{Heads, LostBand, Tracking};
pub use levels::{Levels, Setup};
pub use line_lock::LineLock;
pub use movers::Mover;
pub use pictures::Picture;
pub use scene::{Chain, Fault, FaultKind, Noise, Scene, Segment, Shows};
pub use timing::{Injection, Timing};
pub use transport::Transport;
pub use truth::{FieldTruth, TruthEvent, TruthHeader, TruthLevels};

mod blocks;
mod box_model;
mod camera;
mod canvas;
mod catalogue;
mod defects;
mod font;
mod grain;
mod heads;
mod kernel;
mod layout;
mod levels;
mod line_lock;
mod movers;
mod noise;
mod paint;
mod pictures;
mod player;
mod random;
mod scene;
mod setup;
mod timing;
mod transport;
mod truth;
mod window;

/// How fast frames come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// At the standard's rate, on and on; the tape is wound back when it ends.
    RealTime,
    /// As fast as they are asked for.
    Free {
        /// How many; `None` plays the scene once.
        frames: Option<u64>,
    },
}

/// The seed taken unless one is wished.
pub const DEFAULT_SEED: u64 = 1;
/// The scene that is interesting to look at.
pub const DEFAULT_SCENE: &str = "evening";

/// Frames a device would hold for a reader that is late; what is older is lost.
const DEVICE_BUFFERS: u32 = 4;
/// How long a live source may go without delivering before it says so.
const SILENCE: Duration = Duration::from_millis(500);
/// How long a reader may hold all buffers of a source that waits.
const PATIENCE: Duration = Duration::from_secs(10);

/// A simulated tape being played.
#[derive(Debug)]
pub struct Tape {
    scene: &'static Scene,
    seed: u64,
    raster: Raster,
    margins: (f64, f64),
    pace: Pace,
    description: SourceDescription,
    format: Arc<PictureFormat>,
    pool: FramePool,
    canvases: Vec<(Picture, Canvas)>,
    painter: Painter,
    player: Player,
    /// Draws the noise of a conversion done once more.
    converter: Dice,
    shown: Option<Shown>,
    /// The picture whose blocks stay.
    held: Option<FrameBuffer>,
    truth: [FieldTruth; 2],
    /// Frames of the device's count that are over.
    device_frame: u64,
    gap: Gap,
    silently_lost: u64,
    started: Option<Instant>,
}

/// The picture last delivered, which a fault may show again.
#[derive(Debug)]
struct Shown {
    data: FrameBuffer,
    input: InputState,
}

impl Tape {
    /// Puts a tape in.
    ///
    /// # Errors
    /// When there is no such scene, or a wish cannot be met.
    pub fn open(scene: &str, wishes: &Wishes, pace: Pace) -> Result<Self, SourceError> {
        let scene = find(scene).ok_or_else(|| no_such_scene(scene))?;
        Self::play(scene, wishes, pace)
    }

    /// Plays a scene that need not be in the catalogue.
    ///
    /// # Errors
    /// When a wish cannot be met.
    pub fn play(scene: &'static Scene, wishes: &Wishes, pace: Pace) -> Result<Self, SourceError> {
        let (raster, field_order) = raster_for(scene, wishes)?;
        let seed = wishes.seed.unwrap_or(DEFAULT_SEED);
        let format = Arc::new(picture_format(raster, field_order, wishes));
        let player = Player::new(scene, raster, seed);
        let margins = margins(scene, raster.standard);
        let total = match pace {
            Pace::RealTime => None,
            Pace::Free { frames } => Some(frames.unwrap_or(player.scene_frames())),
        };
        Ok(Self {
            scene,
            seed,
            raster,
            margins,
            pace,
            description: describe(scene, seed, raster, total),
            pool: FramePool::new(
                pool_frames(wishes.held_bytes, format.buffer_bytes(raster.rows))
                    + kept_frames(scene),
                format.buffer_bytes(raster.rows),
            ),
            format,
            canvases: draw_canvases(scene, seed),
            painter: Painter::new(scene, raster, margins, seed),
            player,
            converter: Dice::new(seed, Stream::Capture),
            shown: None,
            held: None,
            truth: [false, true].map(|newer| FieldTruth::new(raster.parity(newer))),
            device_frame: 0,
            gap: Gap::default(),
            silently_lost: 0,
            started: None,
        })
    }

    /// What was injected into the frame last delivered, older field first.
    #[must_use]
    pub fn truth(&self) -> &[FieldTruth; 2] {
        &self.truth
    }

    /// What a truth file says before its fields.
    #[must_use]
    pub fn truth_header(&self) -> TruthHeader {
        TruthHeader {
            scene: self.scene.name,
            seed: self.seed,
            standard: self.raster.standard,
            field_order: self.format.field_order.unwrap_or(FieldOrder::Top),
            width: LUMA_WIDTH,
            rows: self.raster.rows,
            sample_rate: BT601_LUMA_RATE,
            field_rate: self.raster.standard.field_rate(),
            margins: self.margins,
            version: env!("CARGO_PKG_VERSION"),
        }
    }

    fn frame_period(&self) -> Duration {
        Duration::from_secs_f64(2.0 * self.raster.standard.field_period().0)
    }

    fn device_time(&self) -> Duration {
        // From the whole count each time: adding up periods would drift.
        let (numerator, denominator) = self.raster.standard.field_rate();
        let nanos = u128::from(self.device_frame) * 2 * u128::from(denominator) * 1_000_000_000
            / u128::from(numerator);
        Duration::from_nanos(u64::try_from(nanos).expect("a pass is shorter than 500 years"))
    }

    /// Waits for the next frame's time; how many whole frames are over that no device would have kept.
    fn wait_until_due(&mut self) -> u64 {
        let now = Instant::now();
        let started = *self.started.get_or_insert(now);
        let due = started + self.device_time() + self.frame_period();
        if let Some(early) = due.checked_duration_since(now) {
            std::thread::sleep(early);
            return 0;
        }
        let late = (now - due).as_nanos() / self.frame_period().as_nanos().max(1);
        (late as u64).saturating_sub(u64::from(DEVICE_BUFFERS))
    }

    /// Lets frames pass that nobody takes.
    fn lose(&mut self, frames: u64, gap: Gap) {
        for _ in 0..frames {
            self.player.advance();
        }
        self.pass_over(frames, gap);
    }

    fn pass_over(&mut self, frames: u64, gap: Gap) {
        self.device_frame += frames;
        self.gap = self.gap.and(gap);
    }

    /// The next frame that the capture delivers, its faults acted out.
    fn deliver(&mut self) -> Option<Frame> {
        loop {
            match self.player.cue() {
                Cue::Lost => {
                    let lost = Gap {
                        lost_by_source: 2,
                        ..Gap::default()
                    };
                    self.lose(1, lost);
                }
                Cue::LostSilently => {
                    self.player.advance();
                    self.silently_lost += 2;
                }
                Cue::Repeated { afresh, advances } if self.shown.is_some() => {
                    if advances {
                        self.player.advance();
                    }
                    return self.repeat(afresh);
                }
                Cue::FrozenBlocks { first } => {
                    if first {
                        self.held = self.shown.as_ref().map(|shown| shown.data.clone());
                    }
                    return self.show_next(true);
                }
                Cue::Plain | Cue::Repeated { .. } => return self.show_next(false),
            }
        }
    }

    /// Draws the tape's next frame, with blocks of an earlier one or without. `None` while all buffers are held: then it has
    /// passed unseen.
    fn show_next(&mut self, with_blocks: bool) -> Option<Frame> {
        self.player.advance();
        let mut vacant = self.pool.vacant()?;
        let segment = self.player.segment();
        let canvas = match segment.shows {
            Shows::Picture(wanted) => self
                .canvases
                .iter()
                .find(|(picture, _)| *picture == wanted)
                .map(|(_, canvas)| canvas),
            Shows::Snow | Shows::Flat(..) | Shows::NoSignal => None,
        };
        let mut planes = Planes::of(vacant.bytes_mut(), self.raster.rows);
        for (newer, truth) in [false, true].into_iter().zip(&mut self.truth) {
            let plan = self.player.field_plan(newer, canvas);
            self.painter.field(&plan, &mut planes);
            self.player.tell(newer, truth);
        }
        if let Some(held) = self.held.as_ref().filter(|_| with_blocks) {
            let (rows, dice) = (self.raster.rows, &mut self.converter);
            blocks::leave(held.bytes(), vacant.bytes_mut(), rows, dice);
            for truth in &mut self.truth {
                truth.events.push(TruthEvent::FrozenBlocks);
            }
        }
        let data = vacant.fill();
        let input = input_state(segment.shows);
        self.shown = Some(Shown {
            data: data.clone(),
            input,
        });
        Some(self.hand_out(data, input))
    }

    /// Shows the last picture again.
    fn repeat(&mut self, afresh: bool) -> Option<Frame> {
        let shown = self.shown.as_ref()?;
        let (mut data, input) = (shown.data.clone(), shown.input);
        if afresh {
            let mut vacant = self.pool.vacant()?;
            reconvert(data.bytes(), vacant.bytes_mut(), &mut self.converter);
            data = vacant.fill();
        }
        for truth in &mut self.truth {
            truth.events.clear();
            truth.events.push(TruthEvent::Repeated);
        }
        Some(self.hand_out(data, input))
    }

    fn hand_out(&mut self, data: FrameBuffer, input: InputState) -> Frame {
        let gap = std::mem::take(&mut self.gap);
        let silently = std::mem::take(&mut self.silently_lost);
        for (index, truth) in (0..).zip(&mut self.truth) {
            truth.field = FieldIndex(2 * self.device_frame + index);
        }
        let first = &mut self.truth[0].events;
        if gap.fields() > 0 {
            first.push(TruthEvent::Missing {
                fields: gap.fields(),
            });
        }
        if silently > 0 {
            first.push(TruthEvent::MissingSilently { fields: silently });
        }
        let frame = Frame {
            format: Arc::clone(&self.format),
            rows: RowLayout::Woven,
            data,
            gap,
            device_time: Some(self.device_time()),
            arrived: Instant::now(),
            damaged: false,
            input,
        };
        self.device_frame += 1;
        frame
    }

    fn next_live(&mut self) -> Result<Option<Frame>, SourceError> {
        let asked = Instant::now();
        let unseen = Gap {
            lost_by_us: 2,
            ..Gap::default()
        };
        loop {
            for _ in 0..self.wait_until_due() {
                self.lose(1, unseen);
            }
            if let Some(frame) = self.deliver() {
                return Ok(Some(frame));
            }
            self.pass_over(1, unseen);
            if asked.elapsed() > SILENCE {
                return Err(SourceError::new(
                    SourceErrorKind::Silent,
                    "playing the simulated tape: all picture buffers have been held for half a second",
                ));
            }
        }
    }

    fn next_free(&mut self, frames: Option<u64>) -> Result<Option<Frame>, SourceError> {
        let total = frames.unwrap_or(self.player.scene_frames());
        if self.device_frame >= total {
            return Ok(None);
        }
        let asked = Instant::now();
        // A file-like source waits for its reader instead of losing pictures.
        while self.pool.vacant().is_none() {
            if asked.elapsed() > PATIENCE {
                return Err(SourceError::new(
                    SourceErrorKind::Other,
                    "playing the simulated tape: its reader has held all picture buffers for ten seconds",
                ));
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        let frame = self.deliver();
        // A loss may reach past the end of the pass.
        Ok(frame.filter(|_| self.device_frame <= total))
    }
}

impl Source for Tape {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        match self.pace {
            Pace::RealTime => self.next_live(),
            Pace::Free { frames } => self.next_free(frames),
        }
    }
}

/// Frames that are kept beside those that the stages need: the picture last shown may be shown again, and blocks of another stay.
fn kept_frames(scene: &Scene) -> usize {
    let faults = scene.chain.faults.iter();
    1 + usize::from(
        faults
            .map(|fault| fault.kind)
            .any(|kind| kind == FaultKind::FrozenBlocks),
    )
}

/// The same picture through a converter once more: now and then a code to either side.
fn reconvert(from: &[u8], to: &mut [u8], dice: &mut Dice) {
    // Sixteen samples share a draw of 64 bits; two of sixteen values move a sample.
    for (from, to) in from.chunks(16).zip(to.chunks_mut(16)) {
        let mut bits = dice.bits();
        for (from, to) in from.iter().zip(to) {
            *to = match bits & 15 {
                0 => from.saturating_add(1).min(254),
                1 => from.saturating_sub(1).max(1),
                _ => *from,
            };
            bits >>= 4;
        }
    }
}

fn input_state(shows: Shows) -> InputState {
    match shows {
        Shows::Picture(_) | Shows::Flat(..) => InputState::Locked,
        Shows::Snow => InputState::Unlocked,
        Shows::NoSignal => InputState::NoSignal,
    }
}

#[cfg(test)]
mod tests;
