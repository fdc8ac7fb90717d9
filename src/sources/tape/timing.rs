//! Where every captured line stands: transport, decoder, tears and box put together.
//!
//! In: a segment's [`Timing`], and the chain's loop and box. Out: the [`Displacement`] of each row of both fields of the
//! next frame. Beside the transport and loop there is a second way: [`Injection`]s, exactly known profiles added row by
//! row, for tests that need a truth in closed form.
//!
//! Does not know: pictures, or what is drawn on the displaced lines.

use std::f64::consts::{PI, TAU};

use crate::units::{Lines, Nanos, samples_from_nanos};

use super::box_model::BoxModel;
use super::defects::Tear;
use super::kernel::{Displacement, RASTER_CENTRE};
use super::layout::{MAX_FIELD_ROWS, MAX_LINES, Raster};
use super::line_lock::{COAST_LINES, LineLock, Loop};
use super::random::{Dice, Stream};
use super::transport::{LineError, Motion, Transport};
use crate::standard::BT601_LUMA_RATE;

/// Where the time error of a segment comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Timing {
    /// Every line stands where it should.
    Steady,
    /// A transport, followed by the chain's loop.
    Played(Transport),
    /// Known profiles, added up; no loop.
    Injected(&'static [Injection]),
}

/// One exactly known profile over the rows of a field, constant within a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Injection {
    /// Independent from line to line, normal.
    White {
        /// Standard deviation.
        rms: Nanos,
    },
    /// A wave down the field that travels from field to field.
    Sine {
        /// Peak.
        amplitude: Nanos,
        /// Field lines a period.
        period: Lines,
        /// Lines the wave moves each field.
        travel: Lines,
    },
    /// An exponential at the top.
    Flagging {
        /// At row 0, on average.
        offset: Nanos,
        /// Standard deviation of that from field to field.
        wander: Nanos,
        /// 1/e length.
        decay: Lines,
    },
    /// A run of lines displaced alike.
    Tear {
        /// First row.
        row: usize,
        /// Length.
        lines: usize,
        /// Displacement.
        offset: Nanos,
        /// Once in so many fields.
        every: u64,
    },
    /// All rows from one on are displaced alike, as below a head switch.
    Step {
        /// First row, from the bottom: 7 = the last seven.
        rows: usize,
        /// Displacement.
        by: Nanos,
    },
    /// The picture slips sideways, line after line, field after field: no lock.
    Slip {
        /// From each line to the next.
        per_line: Nanos,
    },
}

/// Displacement of every row of one field.
pub(super) type Rows = [Displacement; MAX_FIELD_ROWS];

/// Frames played before the first one counts, so that the loop has settled: the slowest needs a tenth of a second.
const SETTLING_FRAMES: usize = 6;

/// The time base as it runs.
#[derive(Debug)]
pub(super) struct TimeBase {
    raster: Raster,
    seed: u64,
    lock: LineLock,
    boxed: Option<BoxModel>,
    timing: Timing,
    played: Option<Playing>,
    direct: Dice,
    box_dice: Dice,
    fields: u64,
}

/// Transport and loop of a played segment.
#[derive(Debug)]
struct Playing {
    motion: Motion,
    tracking: Loop,
    sync: Dice,
    sync_noise: Nanos,
    errors: [LineError; MAX_LINES],
    left: [Nanos; MAX_LINES],
}

impl TimeBase {
    pub(super) fn new(raster: Raster, seed: u64, lock: LineLock, boxed: Option<BoxModel>) -> Self {
        Self {
            raster,
            seed,
            lock,
            boxed,
            timing: Timing::Steady,
            played: None,
            direct: Dice::new(seed, Stream::Direct),
            box_dice: Dice::new(seed, Stream::Capture),
            fields: 0,
        }
    }

    /// Takes up a segment's timing; the same one as before runs on.
    pub(super) fn turn_to(&mut self, timing: Timing) {
        if timing == self.timing {
            return;
        }
        self.timing = timing;
        self.played = match timing {
            Timing::Played(transport) => Some(self.settled(transport)),
            Timing::Steady | Timing::Injected(_) => None,
        };
    }

    fn settled(&self, transport: Transport) -> Playing {
        let blank = LineError {
            theta: Nanos(0.0),
            switched: None,
        };
        let mut playing = Playing {
            motion: Motion::new(transport, self.raster, self.seed),
            tracking: Loop::new(self.lock, self.raster.standard),
            sync: Dice::new(self.seed, Stream::Sync),
            sync_noise: transport.sync_noise,
            errors: [blank; MAX_LINES],
            left: [Nanos(0.0); MAX_LINES],
        };
        for _ in 0..SETTLING_FRAMES {
            playing.frame(self.raster, self.lock);
        }
        playing
    }

    /// The next frame: displacement of every row of the older and the newer field.
    pub(super) fn frame(&mut self, tears: &[&[Tear]; 2], fields: &mut [Rows; 2]) {
        if let Some(playing) = &mut self.played {
            playing.frame(self.raster, self.lock);
        }
        for (newer, rows) in [false, true].into_iter().zip(fields) {
            let rows = &mut rows[..self.raster.field_rows()];
            match (&self.timing, &self.played) {
                (Timing::Injected(injections), _) => self.inject(injections, rows),
                (_, Some(playing)) => playing.rows(self.raster, newer, rows),
                (_, None) => rows.fill(Displacement::default()),
            }
            for tear in tears[usize::from(newer)] {
                tear.displace(rows);
            }
            self.correct(rows);
            self.fields += 1;
        }
    }

    fn inject(&mut self, injections: &[Injection], rows: &mut [Displacement]) {
        rows.fill(Displacement::default());
        for &injection in injections {
            self.inject_one(injection, rows);
        }
    }

    fn inject_one(&mut self, injection: Injection, rows: &mut [Displacement]) {
        let field = self.fields;
        let count = rows.len();
        match injection {
            Injection::White { rms } => add(rows, |_| rms * self.direct.normal()),
            Injection::Sine {
                amplitude,
                period,
                travel,
            } => add(rows, |row| {
                let lines = row as f64 + travel.0 * field as f64;
                amplitude * libm::sin(TAU * (lines / period.0).fract())
            }),
            Injection::Flagging {
                offset,
                wander,
                decay,
            } => {
                let top = offset + wander * self.direct.normal();
                add(rows, |row| top * libm::exp(-(row as f64) / decay.0));
            }
            Injection::Tear {
                row: first,
                lines,
                offset,
                every,
            } => {
                if field.is_multiple_of(every) {
                    let torn = first.min(count)..(first + lines).min(count);
                    add(&mut rows[torn], |_| offset);
                }
            }
            Injection::Step { rows: last, by } => {
                add(&mut rows[count.saturating_sub(last)..], |_| by);
            }
            Injection::Slip { per_line } => {
                let before = field as f64 * self.raster.lines() as f64 / 2.0;
                add(rows, |row| per_line * (before + row as f64));
                let shear = samples(per_line) / self.raster.line_samples() as f64;
                for row in rows {
                    row.slope += shear;
                }
            }
        }
    }

    /// What a time-base correcting box leaves of it.
    fn correct(&mut self, rows: &mut [Displacement]) {
        if let Some(boxed) = self.boxed {
            for row in rows.iter_mut() {
                row.middle = row.middle * boxed.residual
                    + samples(boxed.own_jitter * self.box_dice.normal());
                row.slope *= boxed.residual;
            }
        }
        let line = self.raster.line_samples() as f64;
        for row in rows {
            // A slip by a whole line shows the next line at the old place.
            row.middle -= line * (row.middle / line).round();
        }
    }
}

/// Adds a displacement that is constant within each line.
fn add(rows: &mut [Displacement], mut by: impl FnMut(usize) -> Nanos) {
    for (index, row) in rows.iter_mut().enumerate() {
        row.middle += samples(by(index));
    }
}

/// A time in samples of the simulated raster.
pub(super) fn samples(time: Nanos) -> f64 {
    samples_from_nanos(time, BT601_LUMA_RATE).0
}

impl Playing {
    /// Runs transport and loop over one frame.
    fn frame(&mut self, raster: Raster, lock: LineLock) {
        let lines = raster.lines();
        self.motion.frame(&mut self.errors[..lines]);
        let coasting = [false, true].map(|newer| raster.vertical_sync(newer));
        for line in 0..lines {
            let error = self.errors[line];
            let noise = self.sync_noise * self.sync.normal();
            if let (true, Some(jump)) = (lock.feeds_forward, error.switched) {
                self.tracking.jump(jump + noise);
            }
            let rests = lock.coasts
                && coasting
                    .iter()
                    .any(|start| (*start..start + COAST_LINES).contains(&(line as f64)));
            self.left[line] = self.tracking.step(error.theta, (!rests).then_some(noise));
        }
    }

    /// The rows of one field: what the loop left, running on linearly to the next line's sync.
    fn rows(&self, raster: Raster, newer: bool, rows: &mut [Displacement]) {
        let first = raster.first_line(newer);
        let to_centre = raster.sync_to_raster() as f64 + RASTER_CENTRE;
        for (index, row) in rows.iter_mut().enumerate() {
            let line = first + index;
            let start = samples(self.left[line]);
            let slope = self.run(line, raster.lines()) / raster.line_samples() as f64;
            *row = Displacement {
                middle: start + slope * to_centre,
                slope,
            };
        }
    }

    /// Change over a line, in samples; across a head switch and at the frame's end, that of the line before.
    fn run(&self, line: usize, lines: usize) -> f64 {
        let smooth = |line: usize| line < lines && self.errors[line].switched.is_none();
        if smooth(line + 1) {
            samples(self.left[line + 1] - self.left[line])
        } else if smooth(line) {
            samples(self.left[line] - self.left[line - 1])
        } else {
            0.0
        }
    }
}

impl Tear {
    /// Throws its lines aside; they swing back to their place.
    fn displace(&self, rows: &mut [Displacement]) {
        let last = (self.row + self.lines).min(rows.len());
        for (index, row) in rows[self.row.min(last)..last].iter_mut().enumerate() {
            let share = (index as f64 + 0.5) / self.lines as f64;
            row.middle += samples(self.offset) * (0.5 + 0.5 * libm::cos(PI * share));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::tape::scene::{SLOW_LOCK, USUAL_LOCK};
    use crate::standard::{Parity, Standard};

    const RASTER: Raster = Raster {
        standard: Standard::Lines525,
        rows: 480,
        older: Parity::Top,
    };

    /// Displacements in ns at mid-line of the older field, frame after frame.
    fn older_fields(
        timing: Timing,
        lock: LineLock,
        boxed: Option<BoxModel>,
        frames: usize,
    ) -> Vec<Vec<f64>> {
        let mut time_base = TimeBase::new(RASTER, 1, lock, boxed);
        time_base.turn_to(timing);
        let mut fields = [[Displacement::default(); MAX_FIELD_ROWS]; 2];
        (0..frames)
            .map(|_| {
                time_base.frame(&[&[], &[]], &mut fields);
                let rows = &fields[0][..RASTER.field_rows()];
                rows.iter().map(|row| row.middle / 13.5e-3).collect()
            })
            .collect()
    }

    fn rms(field: &[f64]) -> f64 {
        (field.iter().map(|ns| ns * ns).sum::<f64>() / field.len() as f64).sqrt()
    }

    #[test]
    fn an_aligned_player_stays_below_what_can_be_seen() {
        let fields = older_fields(Timing::Played(Transport::ALIGNED), USUAL_LOCK, None, 60);
        for field in fields {
            let picture = rms(&field[..232]);
            assert!((2.0..20.0).contains(&picture), "{picture}");
        }
    }

    #[test]
    fn a_slow_loop_bends_the_top_to_the_side_of_the_skew_step() {
        let timing = Timing::Played(Transport {
            skew: Nanos(2000.0),
            ..Transport::PERFECT
        });
        let field = &older_fields(timing, SLOW_LOCK, None, 3)[2];
        // The step back of 2 µs is half made up when the picture begins, and gone at its middle.
        assert!((-1900.0..-700.0).contains(&field[0]), "{}", field[0]);
        assert!(field[120].abs() < 0.35 * field[0].abs(), "{}", field[120]);
    }

    #[test]
    fn feeding_the_jump_forward_leaves_no_bend() {
        let timing = Timing::Played(Transport {
            skew: Nanos(2000.0),
            ..Transport::PERFECT
        });
        let lock = LineLock {
            feeds_forward: true,
            ..USUAL_LOCK
        };
        let field = &older_fields(timing, lock, None, 3)[2];
        assert!(rms(&field[..232]) < 10.0, "{}", rms(&field[..232]));
    }

    #[test]
    fn a_box_leaves_its_share_of_the_error() {
        let timing = Timing::Injected(&[Injection::Sine {
            amplitude: Nanos(400.0),
            period: Lines(40.0),
            travel: Lines(0.0),
        }]);
        let boxed = BoxModel {
            residual: 0.1,
            ..BoxModel::THROUGH
        };
        let bare = &older_fields(timing, USUAL_LOCK, None, 1)[0];
        let corrected = &older_fields(timing, USUAL_LOCK, Some(boxed), 1)[0];
        for (before, after) in bare.iter().zip(corrected) {
            assert!((after - 0.1 * before).abs() < 1e-9, "{before} {after}");
        }
    }

    #[test]
    fn slipping_lines_stay_within_half_a_line_of_their_place() {
        let timing = Timing::Injected(&[Injection::Slip {
            per_line: Nanos(700.0),
        }]);
        let half = RASTER.standard.line_period().0 / 2.0;
        for field in older_fields(timing, USUAL_LOCK, None, 20) {
            assert!(field.iter().all(|ns| ns.abs() <= half + 1e-6));
        }
    }
}
