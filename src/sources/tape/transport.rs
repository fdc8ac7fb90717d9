//! The tape's own time error, line after line, before any decoder follows it.
//!
//! In: a [`Transport`] (what is wrong with player and recording) and the run of lines. Out: how late each line's sync
//! is. Summed are: the drum's eccentricity (sinusoids locked to its turn, so each head has a profile of its own that
//! every frame repeats), the angle between the heads, tension skew (a ramp down the field and a step back at the head
//! switch), slow flutter, and longitudinal vibration (a resonance, as an AR(2) process). Sizes follow from a tip speed of
//! π · 62 mm · 29.97 Hz = 5.84 m/s (4.87 m/s at 25 Hz): 1 µm along the track is 171 ns (205 ns).
//!
//! Does not know: decoders, pictures, sampling.

use std::f64::consts::TAU;

use crate::standard::Standard;
use crate::units::{Hertz, Nanos};

use super::layout::{MAX_LINES, Raster};
use super::random::{Dice, Stream};

/// What is wrong with the movement of tape and heads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transport {
    /// Amplitude of the drum's first harmonic, in µm along the track: 0.1 to 1.
    pub drum_um: f64,
    /// Angle error between the heads, as time.
    pub heads: Nanos,
    /// Tension skew: ramp over a field, and step at the head switch.
    pub skew: Nanos,
    /// How far the skew wanders slowly about its mean.
    pub skew_wander: Nanos,
    /// Amplitude of slow flutter.
    pub flutter: Nanos,
    /// Rms of longitudinal vibration.
    pub vibration: Nanos,
    /// Frequency of that vibration: 100 Hz to 3 kHz.
    pub vibration_at: Hertz,
    /// Quality of its resonance: 3 to 10.
    pub vibration_q: f64,
    /// Rms of the sync separator's noise, seen by the loop and not by the picture.
    pub sync_noise: Nanos,
    /// Lines from the head switch to the vertical sync: 5 to 8, nominally 6.5.
    pub switch_lines: f64,
    /// Seconds over which skew and heads grow from nothing to their size at the start; 0 for at once.
    pub onset: f64,
}

impl Transport {
    /// Nothing wrong.
    pub const PERFECT: Self = Self {
        drum_um: 0.0,
        heads: Nanos(0.0),
        skew: Nanos(0.0),
        skew_wander: Nanos(0.0),
        flutter: Nanos(0.0),
        vibration: Nanos(0.0),
        vibration_at: Hertz(900.0),
        vibration_q: 5.0,
        sync_noise: Nanos(0.0),
        switch_lines: 6.5,
        onset: 0.0,
    };

    /// A good player, well aligned to a good recording: what is left is below what can be seen.
    pub const ALIGNED: Self = Self {
        drum_um: 0.12,
        heads: Nanos(30.0),
        skew: Nanos(180.0),
        skew_wander: Nanos(30.0),
        flutter: Nanos(200.0),
        vibration: Nanos(6.0),
        vibration_at: Hertz(1300.0),
        vibration_q: 5.0,
        sync_noise: Nanos(7.0),
        switch_lines: 6.5,
        onset: 0.0,
    };

    /// A worn but serviceable consumer player without a time-base corrector.
    pub const DOMESTIC: Self = Self {
        drum_um: 0.45,
        heads: Nanos(260.0),
        skew: Nanos(1900.0),
        skew_wander: Nanos(350.0),
        flutter: Nanos(500.0),
        vibration: Nanos(22.0),
        vibration_at: Hertz(1100.0),
        vibration_q: 5.0,
        sync_noise: Nanos(18.0),
        switch_lines: 6.5,
        onset: 0.0,
    };
}

/// Harmonics of the drum's turn: an eccentric drum also bends, and falls off as their square.
const DRUM_HARMONICS: u32 = 8;
/// Frequencies of capstan, reels and idlers, and their share of the flutter.
const FLUTTER: [(Hertz, f64); 3] = [(Hertz(0.7), 0.6), (Hertz(5.3), 0.3), (Hertz(17.0), 0.1)];
/// How fast tape tension drifts.
const SKEW_WANDER_AT: Hertz = Hertz(0.11);

/// Time that 1 µm along the track takes.
fn nanos_of_micrometre(standard: Standard) -> f64 {
    match standard {
        Standard::Lines525 => 171.0,
        Standard::Lines625 => 205.0,
    }
}

/// A line's error, and whether the heads changed right before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LineError {
    pub(super) theta: Nanos,
    /// The jump right before this line, at the head switch only.
    pub(super) switched: Option<Nanos>,
}

/// The transport as it runs.
#[derive(Debug)]
pub(super) struct Motion {
    spec: Transport,
    raster: Raster,
    drum: [f64; MAX_LINES],
    vibration: Resonance,
    flutter_phases: [f64; FLUTTER.len()],
    dice: Dice,
    seconds: f64,
}

impl Motion {
    pub(super) fn new(spec: Transport, raster: Raster, seed: u64) -> Self {
        let mut dice = Dice::new(seed, Stream::Transport);
        let drum = drum_profile(spec, raster, &mut dice);
        let line_rate = 1e9 / raster.standard.line_period().0;
        Self {
            spec,
            raster,
            drum,
            vibration: Resonance::new(spec.vibration_at.0 / line_rate, spec.vibration_q),
            flutter_phases: std::array::from_fn(|_| dice.angle()),
            dice,
            seconds: 0.0,
        }
    }

    /// Lines, from 0 and whole, before which the heads change: before the older field's sync, and the newer one's.
    fn switches(&self) -> [usize; 2] {
        let lines = self.raster.lines() as f64;
        [false, true].map(|newer| {
            let at = self.raster.vertical_sync(newer) - self.spec.switch_lines;
            (at + lines).ceil() as usize % self.raster.lines()
        })
    }

    /// The errors of all lines of the next frame, from line 0.
    pub(super) fn frame(&mut self, errors: &mut [LineError]) {
        let [before_older, before_newer] = self.switches();
        let lines = self.raster.lines();
        let line_seconds = self.raster.standard.line_period().0 * 1e-9;
        let [flutter_start, flutter_end] =
            [0.0, lines as f64 * line_seconds].map(|after| self.flutter(after));
        let grown = self.grown();
        let skew = grown * self.skew();
        let heads = grown * self.spec.heads.0;
        let track = lines as f64 / 2.0;
        for (line, error) in errors.iter_mut().enumerate() {
            let newer = (before_newer..before_older).contains(&line);
            let since = if newer {
                line - before_newer
            } else {
                (line + lines - before_older) % lines
            };
            let flutter =
                flutter_start + (flutter_end - flutter_start) * line as f64 / lines as f64;
            let theta = self.drum[line]
                + if newer { heads } else { 0.0 }
                + skew * (since as f64 / track - 0.5)
                + flutter
                + self.spec.vibration.0 * self.vibration.next(self.dice.normal());
            let heads_step = if newer { heads } else { -heads };
            *error = LineError {
                theta: Nanos(theta),
                switched: (since == 0).then_some(Nanos(heads_step - skew)),
            };
        }
        self.seconds += lines as f64 * line_seconds;
    }

    fn grown(&self) -> f64 {
        if self.spec.onset > 0.0 {
            (self.seconds / self.spec.onset).min(1.0)
        } else {
            1.0
        }
    }

    fn skew(&self) -> f64 {
        let wander = libm::sin(TAU * SKEW_WANDER_AT.0 * self.seconds + self.flutter_phases[0]);
        self.spec.skew.0 + self.spec.skew_wander.0 * wander
    }

    fn flutter(&self, after: f64) -> f64 {
        let seconds = self.seconds + after;
        FLUTTER
            .iter()
            .zip(self.flutter_phases)
            .map(|((frequency, share), phase)| {
                share * libm::sin(TAU * frequency.0 * seconds + phase)
            })
            .sum::<f64>()
            * self.spec.flutter.0
    }
}

/// The drum's error over one turn.
fn drum_profile(spec: Transport, raster: Raster, dice: &mut Dice) -> [f64; MAX_LINES] {
    let first = spec.drum_um * nanos_of_micrometre(raster.standard);
    let mut profile = [0.0; MAX_LINES];
    for harmonic in 1..=DRUM_HARMONICS {
        let phase = dice.angle();
        // Harmonics vary from drum to drum; the first is the stated one.
        let lively = if harmonic == 1 {
            1.0
        } else {
            dice.between(0.5, 1.5)
        };
        let order = f64::from(harmonic);
        for (line, error) in profile.iter_mut().enumerate().take(raster.lines()) {
            let turn = line as f64 / raster.lines() as f64;
            *error += first * lively / (order * order) * libm::sin(TAU * order * turn + phase);
        }
    }
    profile
}

/// White noise through a resonance, rms 1.
#[derive(Debug)]
struct Resonance {
    first: f64,
    second: f64,
    drive: f64,
    before: [f64; 2],
}

impl Resonance {
    /// `frequency` in cycles a line.
    fn new(frequency: f64, quality: f64) -> Self {
        let radius = libm::exp(-std::f64::consts::PI * frequency / quality);
        let first = 2.0 * radius * libm::cos(TAU * frequency);
        let second = -radius * radius;
        // Variance of an AR(2) process driven by white noise of variance 1.
        let variance =
            (1.0 - second) / ((1.0 + second) * ((1.0 - second) * (1.0 - second) - first * first));
        Self {
            first,
            second,
            drive: 1.0 / variance.sqrt(),
            before: [0.0; 2],
        }
    }

    fn next(&mut self, noise: f64) -> f64 {
        let now = self.first * self.before[0] + self.second * self.before[1] + self.drive * noise;
        self.before = [now, self.before[0]];
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::standard::Parity;

    const RASTER: Raster = Raster {
        standard: Standard::Lines525,
        rows: 480,
        older: Parity::Top,
    };

    fn frames(spec: Transport, count: usize) -> Vec<Vec<LineError>> {
        let mut motion = Motion::new(spec, RASTER, 11);
        let blank = LineError {
            theta: Nanos(0.0),
            switched: None,
        };
        (0..count)
            .map(|_| {
                let mut errors = vec![blank; RASTER.lines()];
                motion.frame(&mut errors);
                errors
            })
            .collect()
    }

    #[test]
    fn the_drum_repeats_in_every_frame() {
        let spec = Transport {
            drum_um: 0.5,
            ..Transport::PERFECT
        };
        let frames = frames(spec, 3);
        assert_eq!(frames[0], frames[2]);
        let largest = frames[0]
            .iter()
            .map(|e| e.theta.0.abs())
            .fold(0.0, f64::max);
        assert!((60.0..200.0).contains(&largest), "{largest}");
    }

    #[test]
    fn skew_steps_back_at_the_head_switch_6_5_lines_before_vertical_sync() {
        let spec = Transport {
            skew: Nanos(1000.0),
            ..Transport::PERFECT
        };
        let frame = &frames(spec, 1)[0];
        let switched: Vec<usize> = (0..525)
            .filter(|&line| frame[line].switched.is_some())
            .collect();
        // 3 - 6.5 = 521.5 of the frame before, 265.5 - 6.5 = 259.
        assert_eq!(switched, [259, 522]);
        let step = frame[259].theta.0 - frame[258].theta.0;
        // From the end of a ramp of 1000 ns in 262.5 lines: the last of its 262 lines lies 5.7 ns before the end.
        assert!((step + 994.3).abs() < 0.1, "{step}");
    }

    #[test]
    fn vibration_has_its_rms() {
        let spec = Transport {
            vibration: Nanos(40.0),
            ..Transport::PERFECT
        };
        let frames = frames(spec, 60);
        let squares: Vec<f64> = frames
            .iter()
            .flatten()
            .map(|e| e.theta.0 * e.theta.0)
            .collect();
        let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
        // Some 10 correlated lines in 31 500: 2 % standard error.
        assert!((rms - 40.0).abs() < 3.0, "{rms}");
    }
}
