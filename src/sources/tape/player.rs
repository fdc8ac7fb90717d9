//! The player: where on the tape we are, and what the next frame is made of.
//!
//! In: a scene. Out: frame after frame, which segment plays, where each line stands, what is wrong, and what the capture will
//! do with the frame ([`Cue`]). Advancing costs little; drawing is somebody else's and can be left out for a lost frame.
//!
//! Does not know: buffers, clocks, samples.

use crate::units::{CodeRange, LumaCode, ire_from_code};

use super::camera::{Hand, View};
use super::canvas::{Canvas, Colour};
use super::defects::{FieldDefects, Rates};
use super::heads::{Carrier, Heads};
use super::kernel::Displacement;
use super::layout::{MAX_FIELD_ROWS, Raster};
use super::levels::Tone;
use super::noise::codes_of;
use super::paint::{CHROMA_CODES, Content, FieldPlan};
use super::random::{Dice, Stream};
use super::scene::{FaultKind, Scene, Segment, Shows};
use super::timing::{Rows, TimeBase};
use super::truth::{FieldTruth, TruthEvent, TruthLevels};
use crate::standard::BT601_LUMA_RATE;

/// What the capture does with the tape's next frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cue {
    Plain,
    Lost,
    LostSilently,
    /// The next frame is shown, but for blocks of the one before the first of a run.
    FrozenBlocks {
        first: bool,
    },
    Repeated {
        afresh: bool,
        /// The tape runs on meanwhile.
        advances: bool,
    },
}

/// The state of play.
#[derive(Debug)]
pub(super) struct Player {
    scene: &'static Scene,
    raster: Raster,
    frame_seconds: f64,
    /// Frames of the tape before the one that comes next.
    position: u64,
    segment: &'static Segment,
    /// The frame being played, counted from the beginning of its segment.
    in_segment: u64,
    /// Insertions still to come, and the position they belong to.
    insertions: Option<(u64, u64)>,
    hand: Hand,
    time_base: TimeBase,
    defects: [FieldDefects; 2],
    defect_dice: Dice,
    rows: Box<[Rows; 2]>,
    tones: [Tone; 2],
    carriers: Box<[Carrier; 2]>,
}

impl Player {
    pub(super) fn new(scene: &'static Scene, raster: Raster, seed: u64) -> Self {
        let first = scene.tape.first().expect("a scene has a segment");
        let tone = Tone::of(&first.levels, None, false, 0.0, None);
        Self {
            scene,
            raster,
            frame_seconds: 2.0 * raster.standard.field_period().0,
            position: 0,
            segment: first,
            in_segment: 0,
            insertions: None,
            hand: Hand::new(seed),
            time_base: TimeBase::new(raster, seed, scene.chain.lock, scene.chain.boxed),
            defects: Default::default(),
            defect_dice: Dice::new(seed, Stream::Defects),
            rows: Box::new([[Displacement::default(); MAX_FIELD_ROWS]; 2]),
            tones: [tone; 2],
            carriers: Box::new([const { Carrier::whole() }; 2]),
        }
    }

    fn frames(&self, seconds: f64) -> u64 {
        (seconds / self.frame_seconds).round() as u64
    }

    /// Frames of the whole pass.
    pub(super) fn scene_frames(&self) -> u64 {
        self.frames(self.scene.seconds()).max(1)
    }

    /// The segment of the frame being played.
    pub(super) fn segment(&self) -> &'static Segment {
        self.segment
    }

    /// What the capture does with the frame that comes next.
    pub(super) fn cue(&mut self) -> Cue {
        let Some((kind, frames, first)) = self.fault() else {
            return Cue::Plain;
        };
        match kind {
            FaultKind::Lost => Cue::Lost,
            FaultKind::LostSilently => Cue::LostSilently,
            FaultKind::Repeated | FaultKind::RepeatedAfresh => Cue::Repeated {
                afresh: kind == FaultKind::RepeatedAfresh,
                advances: true,
            },
            FaultKind::FrozenBlocks => Cue::FrozenBlocks { first },
            FaultKind::Inserted => self.insert(frames, first),
        }
    }

    /// The fault that acts on the next frame: its kind, its length, and whether this is its first frame.
    fn fault(&self) -> Option<(FaultKind, u64, bool)> {
        self.scene.chain.faults.iter().find_map(|fault| {
            let since = self.position.checked_sub(self.frames(fault.at))?;
            let turn = fault
                .every
                .map_or(u64::MAX, |every| self.frames(every).max(1));
            let frame = since % turn;
            (frame < fault.frames).then_some((fault.kind, fault.frames, frame == 0))
        })
    }

    /// Shows the last picture `frames` times before the tape goes on.
    fn insert(&mut self, frames: u64, first: bool) -> Cue {
        if !first {
            return Cue::Plain;
        }
        let left = match self.insertions {
            Some((position, left)) if position == self.position => left,
            _ => frames,
        };
        self.insertions = Some((self.position, left.saturating_sub(1)));
        if left == 0 {
            return Cue::Plain;
        }
        Cue::Repeated {
            afresh: false,
            advances: false,
        }
    }

    /// Plays the next frame: from here on, everything asked is about it.
    pub(super) fn advance(&mut self) {
        self.find_segment();
        self.position += 1;
        let segment = self.segment;
        let rates = Rates {
            dropouts: segment.dropouts,
            tears: segment.tears,
            flashes: segment.flashes,
            vertical: segment.vertical,
        };
        for (newer, defects) in (0..).zip(&mut self.defects) {
            let fields = 2 * self.in_segment + newer;
            defects.draw(
                &rates,
                self.raster.field_rows(),
                fields,
                &mut self.defect_dice,
            );
        }
        self.time_base.turn_to(segment.timing);
        let tears = self.defects.each_ref().map(|defects| &defects.tears[..]);
        self.time_base.frame(&tears, &mut self.rows);
        let seconds = self.position as f64 * self.frame_seconds;
        self.tones = [false, true].map(|newer| {
            let flash = self.defects[usize::from(newer)].flash;
            let boxed = self.scene.chain.boxed.as_ref();
            let tone = Tone::of(&segment.levels, boxed, newer, seconds, flash);
            if newer && segment.heads != Heads::ALIKE {
                tone.weakened(segment.heads.level_factor())
            } else {
                tone
            }
        });
        self.read_tracks(segment);
    }

    fn read_tracks(&mut self, segment: &Segment) {
        for newer in [false, true] {
            let seconds = self.seconds(newer);
            self.carriers[usize::from(newer)].read(
                (&segment.tracking, &segment.heads),
                newer,
                self.raster.field_rows(),
                seconds,
            );
        }
    }

    fn find_segment(&mut self) {
        let start = self.frames(self.scene.start.0);
        let mut rest = self.position % self.scene_frames() + start;
        for segment in self.scene.tape {
            let length = self.frames(segment.seconds);
            if rest < length {
                self.segment = segment;
                self.in_segment = rest;
                return;
            }
            rest -= length;
        }
        // Rounding segments to frames can leave one over: the last goes on.
        if let Some(last) = self.scene.tape.last() {
            self.segment = last;
            self.in_segment = self.frames(last.seconds) + rest;
        }
    }

    /// Seconds since the shot began, at a field's moment.
    fn seconds(&self, newer: bool) -> f64 {
        self.seconds_after(self.in_segment, newer)
    }

    /// Seconds of so many frames, at a field's moment.
    fn seconds_after(&self, frames: u64, newer: bool) -> f64 {
        let moment = if newer { 0.5 } else { 0.0 };
        (frames as f64 + moment) * self.frame_seconds
    }

    /// What a field is drawn from.
    pub(super) fn field_plan<'a>(
        &'a self,
        newer: bool,
        canvas: Option<&'a Canvas>,
    ) -> FieldPlan<'a> {
        let seconds = self.seconds(newer);
        let segment = self.segment;
        let content = match (segment.shows, canvas) {
            (Shows::Picture(_), Some(canvas)) => Content::Canvas(canvas),
            (Shows::Snow, _) => Content::Snow,
            (Shows::Flat(red, green, blue), _) => Content::Flat(Colour::rgb(red, green, blue)),
            (Shows::NoSignal | Shows::Picture(_), _) => Content::Flat(Colour::grey(0.0)),
        };
        let chain_gain = self.scene.chain.boxed.map_or(1.0, |boxed| boxed.gain);
        FieldPlan {
            newer,
            content,
            view: View::at(&segment.camera, &self.hand, seconds, self.raster.rows),
            movers: segment.movers,
            seconds,
            played: self.seconds_after(self.position, newer),
            tone: self.tones[usize::from(newer)],
            rows: &self.rows[usize::from(newer)],
            defects: &self.defects[usize::from(newer)],
            carrier: &self.carriers[usize::from(newer)],
            noise: (
                (codes_of(segment.noise.luma, 219.0) * chain_gain) as f32,
                codes_of(segment.noise.chroma, CHROMA_CODES) as f32,
            ),
        }
    }

    /// Tells what a field is made of.
    pub(super) fn tell(&self, newer: bool, truth: &mut FieldTruth) {
        let index = usize::from(newer);
        truth.events.clear();
        truth.lines.clear();
        truth.levels = TruthLevels::default();
        match self.segment.shows {
            Shows::Picture(_) => {
                let rows = &self.rows[index][..self.raster.field_rows()];
                truth.set_lines(rows, BT601_LUMA_RATE);
                truth.add_defects(&self.defects[index]);
                truth.add_carrier(&self.carriers[index]);
                if newer && self.segment.heads != Heads::ALIKE {
                    truth.events.push(TruthEvent::of_heads(&self.segment.heads));
                }
                truth.levels = self.levels(index);
            }
            Shows::Snow => truth.events.push(TruthEvent::Snow),
            Shows::Flat(..) => truth.events.push(TruthEvent::Muted),
            Shows::NoSignal => truth.events.push(TruthEvent::NoSignal),
        }
        if self.in_segment == 0 && !newer {
            truth.events.push(TruthEvent::Cut);
        }
    }

    fn levels(&self, index: usize) -> TruthLevels {
        let tone = self.tones[index];
        let ire = |code: f64| ire_from_code(LumaCode(code), CodeRange::Studio).0;
        let noise = self.segment.noise.luma.0;
        TruthLevels {
            black_ire: ire(tone.black),
            peak_ire: ire(tone.black + tone.gain),
            blanking_ire: ire(tone.blanking),
            noise_luma_db: noise.is_finite().then_some(noise),
        }
    }
}
