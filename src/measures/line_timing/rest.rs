//! When the picture itself need not be read.
//!
//! Reading the picture costs several times what reading its edges does, and adds nothing to a field whose edges tell nearly
//! every line. So where they have done so for a while, the picture is looked at in spells only: often enough that a border
//! put there by the chain, which moves less than its picture, shows within two seconds of the picture's first motion. What
//! edges alone cannot settle has it read at once: too many lines without an edge, a border under suspicion, and a jump from
//! one line to the next that may be a tear or picture detail beside the edges.
//!
//! Does not know: how either is read.

use std::ops::Range;

use super::side::Shift;

/// Fields at the start of a pass, after which edges may do alone: the two seconds in which a border shows what it is.
const FIRST: u32 = 120;

/// Fields of rest, and of the spell between two rests: four readings a parity, the first of which has the field before to go by.
const REST: u32 = 60;
const SPELL: u32 = 8;

/// Fields for which the picture is read once it was called for: it is the better the longer the scene is known.
const CALLED: u32 = 25;

/// Share of picture lines whose edges must tell, and the longest stretch that may be without: the figures of a field are as
/// good by three quarters of its lines as by all, and a stretch of this length hides no more than a short tear. (A field has
/// no figures at all from 40 lines up.)
const EDGES_SUFFICE: f64 = 0.75;
const LONGEST_GAP: usize = 32;

/// Jump from one line to the next, in samples, that may be a tear: a little less than what is called one; and in multiples
/// of the usual one of the field: rough lines jump by chance, but hardly three of them by so much (four standard deviations).
const JUMP: f32 = 0.9;
const JUMP_OF_USUAL: f32 = 6.0;

/// Lines that must stand off after it, as a tear has at the least, and rows without an edge that may lie between.
const STANDING_OFF: usize = 3;
const MOST_APART: usize = 3;

/// Rows above the end of the picture in which the switched heads make a jump in every field.
const SWITCH_ROWS: usize = 16;

/// Whether the picture is read.
#[derive(Clone, Copy, Debug)]
pub(super) enum Rest {
    /// For so many fields more at the least.
    Reading(u32),
    /// For so many fields more at the most.
    Resting(u32),
}

impl Default for Rest {
    fn default() -> Self {
        Self::Reading(FIRST)
    }
}

impl Rest {
    /// Whether this field's picture is to be read in any case.
    pub(super) fn reads(self) -> bool {
        matches!(self, Self::Reading(_))
    }

    /// Takes whether a field needed its picture.
    pub(super) fn see(&mut self, called: bool) {
        *self = match *self {
            Self::Reading(left) if called => Self::Reading(left.max(CALLED)),
            Self::Resting(_) if called => Self::Reading(CALLED),
            Self::Reading(0 | 1) => Self::Resting(REST),
            Self::Reading(left) => Self::Reading(left - 1),
            Self::Resting(0 | 1) => Self::Reading(SPELL),
            Self::Resting(left) => Self::Resting(left - 1),
        };
    }
}

/// Whether too few of picture lines `rows` show a usable edge.
pub(super) fn fall_short(rows: Range<usize>, edge: impl Fn(usize) -> Option<Shift>) -> bool {
    let (mut told, mut next) = (0, rows.start);
    for row in rows.clone().filter(|&row| edge(row).is_some()) {
        if row - next > LONGEST_GAP {
            return true;
        }
        told += 1;
        next = row + 1;
    }
    rows.end - next > LONGEST_GAP || f64::from(told) < EDGES_SUFFICE * rows.len() as f64
}

/// Whether some lines among `rows` stand off from those above them.
pub(super) fn stands_off(rows: Range<usize>, edge: impl Fn(usize) -> Option<Shift>) -> bool {
    let rows = rows.start..rows.end.saturating_sub(SWITCH_ROWS);
    let mut run = Run {
        limit: JUMP.max(JUMP_OF_USUAL * usual_jump(rows.clone(), &edge)),
        last: None,
        jump: None,
    };
    rows.into_iter()
        .any(|row| edge(row).is_some_and(|shift| run.jumps(row, shift.value)))
}

/// Median distance between lines that follow each other, in samples, to the next eighth up.
fn usual_jump(rows: Range<usize>, edge: impl Fn(usize) -> Option<Shift>) -> f32 {
    const STEPS_PER_SAMPLE: f32 = 8.0;
    let mut counts = [0_u32; 64];
    let pairs = rows.clone().zip(rows.skip(1));
    for (above, below) in pairs.filter_map(|(above, below)| edge(above).zip(edge(below))) {
        let step = (STEPS_PER_SAMPLE * (below.value - above.value).abs()) as usize;
        counts[step.min(counts.len() - 1)] += 1;
    }
    let half = counts.iter().sum::<u32>() / 2;
    let mut below = 0;
    let median = counts.iter().position(|&count| {
        below += count;
        below > half
    });
    median.map_or(0.0, |step| (step + 1) as f32 / STEPS_PER_SAMPLE)
}

/// Follows lines downwards, on the look-out for some that all stand apart from the one before them.
#[derive(Clone, Copy, Debug)]
struct Run {
    /// Samples from which on a line stands apart.
    limit: f32,
    last: Option<(usize, f32)>,
    /// Where the line before the jump stood, which way it went, and lines since.
    jump: Option<(f32, f32, usize)>,
}

impl Run {
    fn jumps(&mut self, row: usize, value: f32) -> bool {
        let before = self.last.replace((row, value));
        if let Some((from, way, lines)) = self.jump.take() {
            if (value - from) * way > self.limit {
                self.jump = Some((from, way, lines + 1));
                return lines + 1 >= STANDING_OFF;
            }
            // Back where it was: a line or two alone.
            if (value - from).abs() <= self.limit {
                return false;
            }
        }
        self.jump = before
            .filter(|&(above, from)| row - above <= MOST_APART && (value - from).abs() > self.limit)
            .map(|(_, from)| (from, (value - from).signum(), 1));
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(values: &[f32]) -> impl Fn(usize) -> Option<Shift> + '_ {
        |row: usize| {
            values.get(row).map(|&value| Shift {
                value,
                variance: 1e-4,
            })
        }
    }

    /// Fields read of so many, none of which called.
    fn read_of(fields: u32, rest: &mut Rest) -> u32 {
        let mut read = 0;
        for _ in 0..fields {
            read += u32::from(rest.reads());
            rest.see(false);
        }
        read
    }

    #[test]
    fn the_picture_is_read_throughout_at_first_and_in_spells_later() {
        let mut rest = Rest::default();
        assert_eq!(read_of(FIRST, &mut rest), FIRST);
        assert_eq!(read_of(10 * (REST + SPELL), &mut rest), 10 * SPELL);
    }

    #[test]
    fn a_field_that_needs_its_picture_has_it_read_for_a_while() {
        let mut rest = Rest::default();
        read_of(FIRST + REST / 2, &mut rest);
        assert!(!rest.reads());
        rest.see(true);
        assert_eq!(read_of(CALLED, &mut rest), CALLED);
        assert!(!rest.reads());
    }

    #[test]
    fn smooth_bends_and_steady_lines_leave_nothing_open() {
        let bend: Vec<f32> = (0..240)
            .map(|row| 6.0 * (-(row as f32) / 20.0).exp())
            .collect();
        assert!(!fall_short(0..232, at(&bend)) && !stands_off(0..232, at(&bend)));
        let wave: Vec<f32> = (0..240).map(|row| 2.0 * (row as f32 / 9.0).sin()).collect();
        assert!(!stands_off(0..232, at(&wave)));
    }

    #[test]
    fn lines_that_stand_off_leave_something_open_a_single_one_does_not() {
        let mut lines = [0.0; 240];
        lines[100] = 3.0;
        assert!(!stands_off(0..232, at(&lines)));
        lines[101..103].fill(2.5);
        assert!(stands_off(0..232, at(&lines)));
    }

    #[test]
    fn rough_lines_leave_nothing_open_unless_some_stand_far_off() {
        // Two and a half samples from the lowest line to the highest, each line for itself.
        let mut lines: Vec<f32> = (0..240).map(|row| 0.5 * (row * 7 % 6) as f32).collect();
        assert!(!stands_off(0..232, at(&lines)));
        for value in &mut lines[100..107] {
            *value += 12.0;
        }
        assert!(stands_off(0..232, at(&lines)));
    }

    #[test]
    fn the_step_of_the_switched_heads_is_no_jump() {
        let mut lines = [0.0; 240];
        lines[220..].fill(4.0);
        assert!(!stands_off(0..232, at(&lines)));
    }

    #[test]
    fn lines_without_edges_leave_something_open() {
        let lines = [0.0; 240];
        let some = |row: usize| (row >= 36).then(|| at(&lines)(row)).flatten();
        assert!(fall_short(0..232, some));
    }
}
